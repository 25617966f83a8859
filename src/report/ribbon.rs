//! Ribbons: a render drawn as the strip of its frames, first to last, shaded by state.
//!
//! Knows signs, inks and how frames share columns. Does not know how states are found out, nor how a
//! terminal is coloured: every piece of a ribbon carries its state, and `cli` or the page colours it.

use crate::base::frames::FrameRange;
use crate::base::state::{FrameState, State};

/// A piece of a line, with the state whose ink it takes; none for plain text and for frames that
/// no run covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// The signs.
    pub text: String,
    /// The state.
    pub state: Option<FrameState>,
}

impl Piece {
    /// Plain text.
    pub fn plain(text: impl Into<String>) -> Self {
        Self { text: text.into(), state: None }
    }
}

/// All states that are counted, in the order in which counts name them.
pub const SHOWN: [FrameState; 7] = [
    FrameState { state: State::Fresh, held: false },
    FrameState { state: State::Stale, held: false },
    FrameState::HELD,
    FrameState { state: State::Absent, held: false },
    FrameState { state: State::Out, held: false },
    FrameState { state: State::Failed, held: false },
    FrameState { state: State::Blocked, held: false },
];

/// All states that are told apart, in the order of the legend: those that are counted, and fresh renders that a person keeps, which
/// count as fresh.
pub fn told() -> impl Iterator<Item = FrameState> {
    let [fresh, rest @ ..] = SHOWN;
    [fresh, FrameState::FRESH_HELD].into_iter().chain(rest)
}

/// The sign of a state. Signs differ in texture and in how much of the cell they fill, so that a
/// ribbon reads without colour.
pub fn sign(shown: FrameState, ascii: bool) -> char {
    let (block, plain) = match shown.state {
        State::Fresh if shown.held => ('▛', '+'),
        State::Fresh => ('█', '#'),
        State::Stale if shown.is_held() => ('▀', '='),
        State::Stale => ('▒', '~'),
        State::Absent => ('▁', '_'),
        State::Out => ('▞', '>'),
        State::Failed => ('╳', 'x'),
        State::Blocked => ('▌', '|'),
    };
    if ascii { plain } else { block }
}

/// A named colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink {
    /// Its name, as style sheets and colour tables refer to it.
    pub name: &'static str,
    /// Red, green and blue, sRGB.
    pub rgb: [u8; 3],
}

/// The ink of a state. The inks are this tool's own choice: each is of middling lightness, so that it stands out from a
/// dark and from a light ground (a test holds both contrasts), and no two of them rest on red against green alone.
/// Signs differ as well, so a ribbon reads the same to those who see few colours or none.
pub fn ink(shown: FrameState) -> Ink {
    let (name, rgb) = match shown.state {
        State::Fresh => ("salt", [0x96, 0x90, 0x82]),
        State::Stale if shown.is_held() => ("teal", [0x1f, 0x85, 0x7d]),
        State::Stale => ("clay", [0xc0, 0x62, 0x2f]),
        State::Absent => ("dusk", [0x7f, 0x6b, 0xb0]),
        State::Out => ("shallow", [0x3c, 0x88, 0xb4]),
        State::Failed => ("brick", [0xc4, 0x4a, 0x4a]),
        State::Blocked => ("straw", [0xa8, 0x8a, 0x1c]),
    };
    Ink { name, rgb }
}

/// Draws the frames `whole` in at most `width` columns: one column a frame where there is room,
/// else each column stands for neighbouring frames, as equally many as can be, and shows the most
/// urgent state among them. Pieces hold runs of columns of one state; frames that no run covers
/// are blank. Runs may come in any order, and where they overlap the more urgent one shows.
pub fn ribbon(whole: FrameRange, runs: &[(FrameRange, FrameState)], width: usize, ascii: bool) -> Vec<Piece> {
    if whole.is_empty() || width == 0 {
        return Vec::new();
    }
    let frames = i128::from(whole.last) - i128::from(whole.first) + 1;
    let columns = frames.min(width as i128);
    let column_of =
        |frame: i64| (((i128::from(frame) - i128::from(whole.first)) * columns) / frames) as usize;
    let mut shown: Vec<Option<FrameState>> = vec![None; columns as usize];
    for &(range, state) in runs {
        let seen = range.meet(whole);
        if seen.is_empty() {
            continue;
        }
        for slot in &mut shown[column_of(seen.first)..=column_of(seen.last)] {
            if slot.is_none_or(|old| old.urgency() < state.urgency()) {
                *slot = Some(state);
            }
        }
    }
    shown
        .chunk_by(|a, b| a.map(FrameState::urgency) == b.map(FrameState::urgency))
        .map(|run| {
            let sign = run[0].map_or(' ', |state| sign(state, ascii));
            Piece { text: std::iter::repeat_n(sign, run.len()).collect(), state: run[0] }
        })
        .collect()
}

/// Signs and words of the states that occur in `shown`, or of all when it is empty.
pub fn legend(shown: &[FrameState], ascii: bool) -> Vec<Piece> {
    let occurs =
        |state: &FrameState| shown.is_empty() || shown.iter().any(|s| s.urgency() == state.urgency());
    let mut pieces = Vec::new();
    for state in told().filter(occurs) {
        if !pieces.is_empty() {
            pieces.push(Piece::plain("  "));
        }
        pieces.push(Piece { text: sign(state, ascii).to_string().repeat(2), state: Some(state) });
        pieces.push(Piece::plain(format!(" {}", state.legend())));
    }
    pieces
}

/// The text of pieces, without colour.
pub fn text(pieces: &[Piece]) -> String {
    pieces.iter().map(|piece| piece.text.as_str()).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    fn run(first: i64, last: i64, state: State) -> (FrameRange, FrameState) {
        (FrameRange::new(first, last), state.into())
    }

    #[test]
    fn one_column_a_frame_where_there_is_room() {
        let runs = [
            run(1001, 1004, State::Fresh),
            run(1005, 1006, State::Stale),
            (FrameRange::one(1007), FrameState::HELD),
            run(1009, 1009, State::Failed),
            run(1010, 1010, State::Blocked),
            run(1011, 1012, State::Absent),
            run(1013, 1013, State::Out),
        ];
        let whole = FrameRange::new(1001, 1013);
        let pieces = ribbon(whole, &runs, 80, false);
        assert_eq!(text(&pieces), "████▒▒▀ ╳▌▁▁▞");
        assert_eq!(pieces[0], Piece { text: "████".into(), state: Some(State::Fresh.into()) });
        assert_eq!(pieces[3], Piece::plain(" "));
        assert_eq!(text(&ribbon(whole, &runs, 80, true)), "####~~= x|__>");
    }

    #[test]
    fn a_column_of_many_frames_shows_the_most_urgent() {
        let runs = [run(1, 499, State::Fresh), run(500, 500, State::Failed), run(501, 1000, State::Stale)];
        let mut turned = runs;
        turned.reverse();
        for runs in [runs, turned] {
            assert_eq!(text(&ribbon(FrameRange::new(1, 1000), &runs, 10, true)), "####x~~~~~");
        }
        assert_eq!(text(&ribbon(FrameRange::new(1, 1000), &runs, 1, true)), "x");
        assert!(ribbon(FrameRange::new(1, 10), &runs, 0, true).is_empty());
        assert!(ribbon(FrameRange::none(), &runs, 10, true).is_empty());
        assert_eq!(text(&ribbon(FrameRange::new(2000, 2003), &runs, 10, true)), "    ");
    }

    #[test]
    fn a_million_frames_and_the_widest_numbers_are_cheap() {
        let whole = FrameRange::new(i64::MIN / 2, i64::MAX / 2);
        assert_eq!(text(&ribbon(whole, &[(whole, State::Stale.into())], 5, true)), "~~~~~");
        let runs: Vec<_> = (0..100_000).map(|n| run(n * 10, n * 10 + 4, State::Fresh)).collect();
        assert_eq!(text(&ribbon(FrameRange::new(0, 999_999), &runs, 50, true)), "#".repeat(50));
    }

    #[test]
    fn states_differ_by_sign_and_by_ink() {
        for ascii in [false, true] {
            assert_eq!(SHOWN.iter().map(|&s| sign(s, ascii)).collect::<BTreeSet<_>>().len(), 7);
        }
        assert_eq!(SHOWN.iter().map(|&s| ink(s).name).collect::<BTreeSet<_>>().len(), 7);
        assert_eq!(SHOWN.iter().map(|&s| ink(s).rgb).collect::<BTreeSet<_>>().len(), 7);
        assert_eq!(
            text(&legend(&[], true)),
            "## fresh  ++ fresh, held  ~~ stale  == held  __ absent  >> out  xx failed  || blocked"
        );
        assert_eq!(text(&legend(&[State::Stale.into(), State::Fresh.into()], false)), "██ fresh  ▒▒ stale");
    }

    /// Contrast by the relative luminance of WCAG 2.2; 3 to 1 is what it wants of signs that carry meaning.
    #[test]
    fn inks_stand_out_on_dark_and_on_light() {
        let linear = |code: u8| match f64::from(code) / 255.0 {
            c if c <= 0.04045 => c / 12.92,
            c => ((c + 0.055) / 1.055).powf(2.4),
        };
        for shown in SHOWN {
            let Ink { name, rgb: [r, g, b] } = ink(shown);
            let light = 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b) + 0.05;
            assert!(light / 0.05 >= 3.0 && 1.05 / light >= 3.0, "{name}: {light}");
        }
    }

    proptest::proptest! {
        #[test]
        fn each_column_shows_the_worst_of_its_frames(
            states in proptest::collection::vec(0usize..7, 1..80), width in 1usize..100
        ) {
            let runs: Vec<_> =
                states.iter().enumerate().map(|(n, &s)| (FrameRange::one(n as i64), SHOWN[s])).collect();
            let drawn = text(&ribbon(FrameRange::new(0, states.len() as i64 - 1), &runs, width, true));
            let columns: Vec<char> = drawn.chars().collect();
            proptest::prop_assert_eq!(columns.len(), width.min(states.len()));
            for (column, &got) in columns.iter().enumerate() {
                let worst = (0..states.len())
                    .filter(|frame| frame * columns.len() / states.len() == column)
                    .map(|frame| SHOWN[states[frame]])
                    .max_by_key(|s| s.urgency());
                proptest::prop_assert_eq!(Some(got), worst.map(|s| sign(s, true)));
            }
        }
    }
}
