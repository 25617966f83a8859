//! What is fresh, stale, absent, out, failed, blocked and held: counts and ribbons of all stages.
//!
//! Knows counting and the layout of one line a stage. Does not know how states are found out.

use serde::Serialize;

use crate::base::frames::FrameRange;
use crate::base::state::FrameState;
use crate::report::ribbon::{self, Piece, SHOWN};
use crate::report::words::{self, Look, left};

/// The version of the JSON form, as it stands under `format`.
pub const FORMAT: &str = "endboard states 2";

/// The frames of one stage of one shot, by state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Strip {
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Runs of frames that share a state; they do not overlap.
    pub runs: Vec<(FrameRange, FrameState)>,
}

impl Strip {
    /// From the first to the last frame.
    pub fn whole(&self) -> FrameRange {
        let runs = || self.runs.iter().map(|(range, _)| range).filter(|range| !range.is_empty());
        match (runs().map(|r| r.first).min(), runs().map(|r| r.last).max()) {
            (Some(first), Some(last)) => FrameRange::new(first, last),
            _ => FrameRange::none(),
        }
    }
}

/// Frames in each state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// Fresh.
    pub fresh: u64,
    /// Stale and not held.
    pub stale: u64,
    /// Stale and held.
    pub held: u64,
    /// Absent.
    pub absent: u64,
    /// Out.
    pub out: u64,
    /// Failed.
    pub failed: u64,
    /// Blocked.
    pub blocked: u64,
}

impl Counts {
    /// Counts the frames of runs.
    pub fn of(runs: &[(FrameRange, FrameState)]) -> Self {
        let mut counts = Self::default();
        for (range, state) in runs {
            *counts.slot(*state) += range.len() as u64;
        }
        counts
    }

    /// Counts the frames of all strips.
    pub fn of_all(strips: &[Strip]) -> Self {
        let mut counts = Self::default();
        for strip in strips {
            counts.add(Self::of(&strip.runs));
        }
        counts
    }

    /// Adds other counts in.
    pub fn add(&mut self, other: Self) {
        for state in SHOWN {
            *self.slot(state) += other.get(state);
        }
    }

    fn slot(&mut self, shown: FrameState) -> &mut u64 {
        use crate::base::state::State;
        match shown.state {
            State::Fresh => &mut self.fresh,
            State::Stale if shown.is_held() => &mut self.held,
            State::Stale => &mut self.stale,
            State::Absent => &mut self.absent,
            State::Out => &mut self.out,
            State::Failed => &mut self.failed,
            State::Blocked => &mut self.blocked,
        }
    }

    /// Frames in one state.
    pub fn get(mut self, shown: FrameState) -> u64 {
        *self.slot(shown)
    }

    /// Frames in all states.
    pub fn total(self) -> u64 {
        SHOWN.iter().map(|&state| self.get(state)).sum()
    }

    /// `40 fresh, 8 stale`; states without frames are left out. `all fresh` when that is so.
    pub fn words(self) -> String {
        if self.total() == 0 {
            return "no frames".into();
        }
        if self.fresh == self.total() {
            return "all fresh".into();
        }
        let some = SHOWN.iter().filter(|&&state| self.get(state) > 0);
        some.map(|&state| format!("{} {}", self.get(state), state.word())).collect::<Vec<_>>().join(", ")
    }
}

/// One line a stage: its name, its ribbon, its counts. Ribbons of one shot share one scale, so
/// that a frame stands in the same column in all of them; but not with a neighbour that has none of its frames, as the film's
/// picture and its prints, which are numbered from elsewhere. Lines are at most `look.width` characters
/// long, from a width of 40 on.
pub fn lines(strips: &[Strip], look: Look) -> Vec<Vec<Piece>> {
    let width = look.width.max(40);
    let counts: Vec<String> = strips.iter().map(|strip| Counts::of(&strip.runs).words()).collect();
    let names: Vec<String> = strips.iter().map(|strip| format!("{}/{}", strip.shot, strip.stage)).collect();
    let longest = |texts: &[String]| texts.iter().map(|text| text.chars().count()).max().unwrap_or(0);
    let named = longest(&names).min(width / 3);
    let counted = longest(&counts).min(width - named - 2 - 12);
    let room = (width - named - counted - 4).clamp(8, 64);
    let mut out = Vec::with_capacity(strips.len());
    let apart = |a: FrameRange, b: FrameRange| !a.is_empty() && !b.is_empty() && a.meet(b).is_empty();
    for shot in strips.chunk_by(|a, b| a.shot == b.shot && !apart(a.whole(), b.whole())) {
        let wholes = || shot.iter().map(Strip::whole).filter(|range| !range.is_empty());
        let first = wholes().map(|range| range.first).min().unwrap_or(0);
        let last = wholes().map(|range| range.last).max().unwrap_or(-1);
        for strip in shot {
            let i = out.len();
            let mut line =
                vec![Piece::plain(format!("{}  ", left(&words::fit(&names[i], named, look.ascii), named)))];
            let drawn = ribbon::ribbon(FrameRange::new(first, last), &strip.runs, room, look.ascii);
            let columns = ribbon::text(&drawn).chars().count();
            line.extend(drawn);
            let counts = words::fit(&counts[i], counted, look.ascii);
            line.push(Piece::plain(format!("{}  {counts}", " ".repeat(room - columns))));
            out.push(line);
        }
    }
    out
}

/// Renders of one stage that a person keeps.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Hold {
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// The frames.
    pub frames: String,
    /// How many frames.
    pub count: u64,
    /// How many of them are fresh now.
    pub fresh: u64,
    /// By whom, since when and why, in words.
    pub kept: String,
}

/// How a delivery stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Delivery {
    /// Its name.
    pub name: String,
    /// `fresh`, `stale` or `absent`.
    pub state: String,
    /// Where the last one was put.
    pub place: Option<String>,
    /// What was let pass in the last one.
    pub delivered_as_it_is: Vec<Passed>,
    /// Why it would be made.
    pub why: Vec<String>,
}

/// What went out although it would have refused a delivery.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Passed {
    /// Where.
    pub place: String,
    /// What is the matter.
    pub says: String,
}

/// What people said of frames.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Said {
    /// Frames that look as someone approved them.
    pub in_force: u64,
    /// Frames that still do, but are stale.
    pub in_doubt: u64,
    /// Frames that no longer do.
    pub lapsed: u64,
    /// Frames that are not there.
    pub lost: u64,
    /// Notes that nobody settled.
    #[serde(skip)]
    pub open_notes: u64,
}

/// What is out: in packets as `outstanding` lists them, and in runs on a cluster.
#[derive(Clone, Debug, Default)]
pub struct Elsewhere {
    /// Packets.
    pub packets: Vec<serde_json::Value>,
    /// Runs.
    pub on_slurm: Vec<serde_json::Value>,
}

#[derive(Serialize)]
struct Form<'a> {
    format: &'static str,
    film: &'a str,
    counts: Counts,
    ribbons: Vec<StripForm<'a>>,
    holds: &'a [Hold],
    deliveries: &'a [Delivery],
    approvals: &'a Said,
    open_notes: u64,
    failed_last: serde_json::Value,
    packets: Vec<serde_json::Value>,
    on_slurm: Vec<serde_json::Value>,
}

#[derive(Serialize)]
struct StripForm<'a> {
    shot: &'a str,
    stage: &'a str,
    counts: Counts,
    runs: Vec<(String, &'static str)>,
}

impl<'a> From<&'a Strip> for StripForm<'a> {
    fn from(strip: &'a Strip) -> Self {
        Self {
            shot: &strip.shot,
            stage: &strip.stage,
            counts: Counts::of(&strip.runs),
            runs: strip.runs.iter().map(|(range, state)| (range.to_string(), state.word())).collect(),
        }
    }
}

/// States as one JSON object:
///
/// - `format`: `"endboard states 2"`; `film`: its name;
/// - `counts`: frames of all stages that are `fresh`, `stale`, `held` (stale, but kept by a person, and
///   not counted under `stale`), `absent`, `out`, `failed`, `blocked`;
/// - `ribbons`: one object a stage: `shot`, `stage`, `counts`, and `runs`, a list of pairs of frames
///   (`"1009-1020"` or `"1009"`) and their state in one of the words above;
/// - `holds`: what persons keep: `shot`, `stage`, `frames`, their `count`, how many are `fresh` now, and `kept`, by whom,
///   since when and why;
/// - `deliveries`: each one's `name`, `state` (`fresh`, `stale` or `absent`), `place`, what was
///   `delivered_as_it_is` in it (`place`, `says`), and `why` it would be made;
/// - `approvals`: frames whose approval is `in_force`, `in_doubt`, `lapsed` or `lost`; `open_notes`: how many;
/// - `failed_last`: what failed last time and the next rebuild tries again: `shot`, `stage`, `frames`, `reason`, `log`;
/// - `packets`: what is out, as `outstanding` lists it;
/// - `on_slurm`: runs that are out on a cluster, and their frames.
pub fn json(
    film: &str,
    strips: &[Strip],
    holds: &[Hold],
    deliveries: &[Delivery],
    said: &Said,
    elsewhere: Elsewhere,
    failed_last: serde_json::Value,
) -> String {
    let form = Form {
        format: FORMAT,
        film,
        counts: Counts::of_all(strips),
        ribbons: strips.iter().map(StripForm::from).collect(),
        holds,
        deliveries,
        approvals: said,
        open_notes: said.open_notes,
        failed_last,
        packets: elsewhere.packets,
        on_slurm: elsewhere.on_slurm,
    };
    serde_json::to_string_pretty(&form).expect("texts and numbers are always JSON")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::state::State;

    fn strips() -> Vec<Strip> {
        let run = |first, last, state: State| (FrameRange::new(first, last), state.into());
        vec![
            Strip { shot: "br030".into(), stage: "roto".into(), runs: vec![run(1001, 1010, State::Fresh)] },
            Strip {
                shot: "br030".into(),
                stage: "blades".into(),
                runs: vec![
                    run(1003, 1005, State::Fresh),
                    run(1006, 1007, State::Stale),
                    (FrameRange::one(1008), FrameState::HELD),
                ],
            },
            Strip { shot: "br040".into(), stage: "roto".into(), runs: vec![] },
        ]
    }

    #[test]
    fn stages_of_a_shot_share_one_scale() {
        let text: Vec<String> = lines(&strips(), Look { width: 60, ascii: true, rows: 9 })
            .iter()
            .map(|line| ribbon::text(line).trim_end().to_string())
            .collect();
        assert_eq!(
            text,
            [
                "br030/roto    ##########            all fresh",
                "br030/blades    ###~~=              3 fresh, 2 stale, 1 held",
                "br040/roto                          no frames",
            ]
        );
        for width in [0, 40, 47, 80, 300] {
            for line in lines(&strips(), Look { width, ascii: false, rows: 9 }) {
                assert!(ribbon::text(&line).chars().count() <= width.max(40));
            }
        }
    }

    #[test]
    fn stages_without_a_frame_in_common_have_their_own_scales() {
        let strip = |stage: &str, first: i64| Strip {
            shot: "film".into(),
            stage: stage.into(),
            runs: vec![(FrameRange::new(first, first + 9), State::Fresh.into())],
        };
        let strips = [strip("assembly", 1), strip("review", 86_400)];
        let drawn = lines(&strips, Look { width: 60, ascii: true, rows: 9 });
        assert!(drawn.iter().all(|line| ribbon::text(line).contains(" ########## ")), "{drawn:?}");
    }

    #[test]
    fn json_holds_counts_and_runs() {
        let value: serde_json::Value = serde_json::from_str(&json(
            "The Brine Lamp",
            &strips(),
            &[],
            &[],
            &Said { lapsed: 2, open_notes: 3, ..Said::default() },
            Elsewhere::default(),
            serde_json::json!([]),
        ))
        .unwrap();
        assert_eq!(value["format"], "endboard states 2");
        assert_eq!(value["counts"]["fresh"], 13);
        assert_eq!(value["counts"]["held"], 1);
        assert_eq!(value["ribbons"][1]["counts"]["stale"], 2);
        assert_eq!(value["ribbons"][1]["runs"][1], serde_json::json!(["1006-1007", "stale"]));
        assert_eq!(value["ribbons"][1]["runs"][2], serde_json::json!(["1008", "held"]));
        assert_eq!((&value["approvals"]["lapsed"], &value["open_notes"]), (&2.into(), &3.into()));
        assert_eq!(Counts::of_all(&strips()).total(), 16);
    }
}
