//! The states that a frame of a stage can be in.
//!
//! Knows the words, what each one asserts and which is most urgent. Does not know how a state is
//! found out; `stale` decides that, and reports draw it.

use std::fmt;

/// The state of one frame of one stage of one shot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum State {
    /// Precondition: a render exists and its key is the key that the declaration gives now.
    Fresh,
    /// Precondition: a render exists, but its key is not the one that the declaration gives now.
    Stale,
    /// Precondition: no render of this frame was ever made, or it is no longer in the store.
    Absent,
    /// Precondition: a person has the frame in hand: its inputs were handed out and not yet taken back.
    Out,
    /// Precondition: the last attempt at the key that the declaration gives now ended in an error.
    Failed,
    /// Precondition: no attempt can be made, because an input is absent, out or failed.
    Blocked,
}

impl State {
    /// Every state, in the order that reports list them.
    pub const ALL: [State; 6] =
        [State::Fresh, State::Stale, State::Absent, State::Out, State::Failed, State::Blocked];

    /// The word for it, in text and in JSON.
    pub fn word(self) -> &'static str {
        match self {
            State::Fresh => "fresh",
            State::Stale => "stale",
            State::Absent => "absent",
            State::Out => "out",
            State::Failed => "failed",
            State::Blocked => "blocked",
        }
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A state, and whether a person holds the render.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FrameState {
    /// The state.
    pub state: State,
    /// Precondition: a person asked to keep this very render. A stale one that is kept counts as held; a fresh
    /// one is fresh, and will be held when something changes.
    pub held: bool,
}

impl FrameState {
    /// A stale render that a person keeps.
    pub const HELD: FrameState = FrameState { state: State::Stale, held: true };
    /// A fresh render that a person keeps, so that later changes will not render it.
    pub const FRESH_HELD: FrameState = FrameState { state: State::Fresh, held: true };

    /// True when a person keeps a render that is stale.
    pub fn is_held(self) -> bool {
        self.held && self.state == State::Stale
    }

    /// How much a person should want to see it, 0 the least: where several frames share one
    /// place in a picture, the most urgent one is shown. What went wrong comes first, then what
    /// cannot go on, what is missing, what is out of date, what somebody has in hand, what is
    /// kept on purpose, and last what is in order.
    pub fn urgency(self) -> u8 {
        match self.state {
            State::Failed => 7,
            State::Blocked => 6,
            State::Absent => 5,
            State::Stale if !self.held => 4,
            State::Out => 3,
            State::Stale => 2,
            State::Fresh if self.held => 1,
            State::Fresh => 0,
        }
    }

    /// The word for it: the state's, or `held`.
    pub fn word(self) -> &'static str {
        if self.is_held() { "held" } else { self.state.word() }
    }

    /// The word for it beside its sign.
    pub fn legend(self) -> &'static str {
        if self == Self::FRESH_HELD { "fresh, held" } else { self.word() }
    }
}

impl From<State> for FrameState {
    fn from(state: State) -> Self {
        Self { state, held: false }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_states_are_equally_urgent() {
        let mut all: Vec<FrameState> = State::ALL.map(FrameState::from).to_vec();
        all.extend([FrameState::HELD, FrameState::FRESH_HELD]);
        let mut urgencies: Vec<u8> = all.iter().map(|s| s.urgency()).collect();
        urgencies.sort_unstable();
        assert_eq!(urgencies, [0, 1, 2, 3, 4, 5, 6, 7]);
        let words: std::collections::BTreeSet<&str> = all.iter().map(|s| s.legend()).collect();
        assert_eq!(words.len(), 8);
    }

    #[test]
    fn only_stale_renders_are_held() {
        assert!(!FrameState { state: State::Fresh, held: true }.is_held());
        assert!(FrameState::HELD.is_held());
    }
}
