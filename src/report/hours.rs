//! Where the finishing time went, added up from ledger rows.
//!
//! Knows sums by stage, shot, cause and machine. Does not know how they are shown: see
//! `hours_table` for people, `hours_forms` for programs.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use crate::ledger::row::{Outcome, PASSED_ON, Render, Round, Row, What};
use crate::report::hands::BY_HAND;
use crate::report::words::{percent, share, time};

/// The operators whose renders are final steps: colour (`grade`, `match`), sound (`mix`), assembly
/// (`assemble`, `print`) and delivery (`deliver`).
///
/// It goes by the operator that a row names, not by the stage's name, because stages are named
/// freely. A command of the user's is no final step, since its name does not say what it does.
pub const FINAL_OPERATORS: [&str; 6] = ["grade", "match", "mix", "assemble", "print", "deliver"];

/// What some rows add up to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Render rows.
    pub rows: u64,
    /// Frames rendered; a frame rendered twice counts twice. Plates that are only passed on are not counted: they cost
    /// time, and leave no renders.
    pub frames: u64,
    /// Frames of rows that failed.
    pub failed_frames: u64,
    /// Time on the clock, added up over all that ran side by side: first pass, rework and failed.
    pub wall: Duration,
    /// Processor time.
    pub cpu: Duration,
    /// Time on the clock of successful renders of frames never rendered before.
    pub first_pass: Duration,
    /// Time on the clock of successful renders of frames rendered before.
    pub rework: Duration,
    /// Time on the clock of renders that failed.
    pub failed: Duration,
    /// The largest peak memory of any row, in bytes, where any row knows its own.
    pub peak_memory: Option<u64>,
}

impl Tally {
    /// Adds a render of so many frames in.
    pub fn add(&mut self, frames: u64, render: &Render) {
        let more = |sum: &mut Duration, time: Duration| *sum = sum.saturating_add(time);
        self.rows += 1;
        more(&mut self.wall, render.wall);
        more(&mut self.cpu, render.cpu);
        self.peak_memory = self.peak_memory.max(render.peak_memory);
        match (&render.outcome, render.round) {
            (Outcome::Failed(_), _) => {
                self.failed_frames = self.failed_frames.saturating_add(frames);
                return more(&mut self.failed, render.wall);
            }
            (Outcome::Done, Round::First) => more(&mut self.first_pass, render.wall),
            (Outcome::Done, Round::Rework) => more(&mut self.rework, render.wall),
        }
        self.frames = self.frames.saturating_add(frames);
    }

    /// Adds another tally in.
    pub fn merge(&mut self, other: &Tally) {
        self.rows += other.rows;
        self.frames = self.frames.saturating_add(other.frames);
        self.failed_frames = self.failed_frames.saturating_add(other.failed_frames);
        self.wall = self.wall.saturating_add(other.wall);
        self.cpu = self.cpu.saturating_add(other.cpu);
        self.first_pass = self.first_pass.saturating_add(other.first_pass);
        self.rework = self.rework.saturating_add(other.rework);
        self.failed = self.failed.saturating_add(other.failed);
        self.peak_memory = self.peak_memory.max(other.peak_memory);
    }
}

/// One name and what its rows add up to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// The stage, shot, cause or machine.
    pub name: Arc<str>,
    /// Its sums.
    pub tally: Tally,
}

/// All sums. Every list holds the longest time first, then goes by name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Hours {
    /// Everything.
    pub total: Tally,
    /// The renders of [`FINAL_OPERATORS`].
    pub final_steps: Tally,
    /// By stage.
    pub stages: Vec<Part>,
    /// By shot.
    pub shots: Vec<Part>,
    /// By the change that made the renders necessary.
    pub causes: Vec<Part>,
    /// By machine.
    pub machines: Vec<Part>,
    /// Which of [`STEPS`] there are rows of.
    finals: [bool; STEPS.len()],
    /// When the earliest and the latest of the rows ended.
    pub span: Option<(Timestamp, Timestamp)>,
}

impl Hours {
    /// Adds up the render rows among `rows`; other rows cost no machine time.
    pub fn of<'a>(rows: impl IntoIterator<Item = &'a Row>) -> Self {
        let mut hours = Self::default();
        let mut by: [HashMap<&str, Tally>; 4] = Default::default();
        for row in rows {
            let What::Render(render) = &row.what else { continue };
            let is_counted = &*row.by != PASSED_ON || render.outcome != Outcome::Done;
            let frames = if is_counted { row.frames.len() as u64 } else { 0 };
            hours.total.add(frames, render);
            if let Some(step) = step_of(&row.by) {
                hours.final_steps.add(frames, render);
                hours.finals[step] = true;
            }
            for (sums, name) in by.iter_mut().zip([&row.stage, &row.shot, &render.cause, &render.machine]) {
                sums.entry(name).or_default().add(frames, render);
            }
            hours.span = Some(match hours.span {
                None => (row.when, row.when),
                Some((first, last)) => (first.min(row.when), last.max(row.when)),
            });
        }
        let [stages, shots, causes, machines] = by.map(sorted);
        Self { stages, shots, causes, machines, ..hours }
    }

    /// The final steps' part of all machine time, in a sentence.
    pub fn final_sentence(&self) -> String {
        if self.final_steps.rows == 0 {
            return "No final step, such as colour or assembly, has been rendered yet.".into();
        }
        let steps: Vec<&str> =
            STEPS.iter().zip(self.finals).filter_map(|(step, is_there)| is_there.then_some(*step)).collect();
        format!(
            "The final steps ({}) took {}, {} of all machine time.",
            steps.join(", "),
            time(self.final_steps.wall),
            percent(share(self.final_steps.wall, self.total.wall))
        )
    }
}

/// The final steps by name, in the order in which a film goes through them.
pub const STEPS: [&str; 6] = ["colour", "sound", "assembly", "prints", "delivery", BY_HAND];

/// The step of [`STEPS`] that one of [`FINAL_OPERATORS`], or [`BY_HAND`], belongs to.
pub fn step_of(kind: &str) -> Option<usize> {
    Some(match kind {
        "grade" | "match" => 0,
        "mix" => 1,
        "assemble" => 2,
        "print" => 3,
        "deliver" => 4,
        BY_HAND => 5,
        _ => return None,
    })
}

fn sorted(sums: HashMap<&str, Tally>) -> Vec<Part> {
    let mut parts: Vec<Part> =
        sums.into_iter().map(|(name, tally)| Part { name: name.into(), tally }).collect();
    parts.sort_unstable_by(|a, b| b.tally.wall.cmp(&a.tally.wall).then_with(|| a.name.cmp(&b.name)));
    parts
}

#[cfg(test)]
pub mod tests {
    use super::*;

    /// A row of `stage` made by `by`: seconds on the clock, twice as many of processor.
    pub fn row(
        shot: &str,
        stage: &str,
        by: &str,
        cause: &str,
        seconds: u64,
        round: Round,
        done: bool,
    ) -> Row {
        Row {
            when: Timestamp::from_second(1_770_000_000 + seconds as i64).unwrap(),
            film: "The Brine Lamp".into(),
            shot: shot.into(),
            stage: stage.into(),
            frames: "1009-1018".parse().unwrap(),
            by: by.into(),
            what: What::Render(Render {
                cause: cause.into(),
                round,
                wall: Duration::from_secs(seconds),
                cpu: Duration::from_secs(2 * seconds),
                peak_memory: done.then_some(seconds << 20),
                machine: "shed".into(),
                outcome: if done { Outcome::Done } else { Outcome::Failed("no disk left".into()) },
            }),
        }
    }

    /// Some rows of a small film.
    pub fn rows() -> Vec<Row> {
        use Round::{First, Rework};
        let mut other = row("br030", "blades", "blades", "new", 9_000, First, true);
        other.what = What::Release { note: "".into() };
        vec![
            row("br030", "blades", "blades", "new", 3_600, First, true),
            row("br030", "blades", "blades", "keeper moved", 1_800, Rework, true),
            row("br040", "blades", "blades", "keeper moved", 600, Rework, false),
            row("br040", "look", "grade", "new, \"warm\"", 4_000, First, true),
            row("br030", "film", "assemble", "new", 2_000, First, true),
            other,
        ]
    }

    #[test]
    fn sums_are_exact() {
        let hours = Hours::of(&rows());
        let total = &hours.total;
        assert_eq!((total.rows, total.frames, total.failed_frames), (5, 40, 10));
        assert_eq!(total.wall, Duration::from_secs(12_000));
        assert_eq!(total.cpu, Duration::from_secs(24_000));
        assert_eq!(total.first_pass, Duration::from_secs(9_600));
        assert_eq!(total.rework, Duration::from_secs(1_800));
        assert_eq!(total.failed, Duration::from_secs(600));
        assert_eq!(total.first_pass + total.rework + total.failed, total.wall);
        assert_eq!(total.peak_memory, Some(4_000 << 20));
        let names = |parts: &[Part]| parts.iter().map(|p| p.name.to_string()).collect::<Vec<_>>();
        assert_eq!(names(&hours.stages), ["blades", "look", "film"]);
        assert_eq!(names(&hours.shots), ["br030", "br040"]);
        assert_eq!(names(&hours.causes), ["new", "new, \"warm\"", "keeper moved"]);
        assert_eq!(names(&hours.machines), ["shed"]);
        for list in [&hours.stages, &hours.shots, &hours.causes, &hours.machines] {
            let mut sum = Tally::default();
            list.iter().for_each(|part| sum.merge(&part.tally));
            assert_eq!(&sum, total);
        }
    }

    #[test]
    fn final_steps_go_by_operator_not_by_stage_name() {
        assert_eq!(
            Hours::of(&rows()).final_sentence(),
            "The final steps (colour, assembly) took 1 h 40 m, 50 % of all machine time."
        );
        let named_so = [row("br030", "grade", "blades", "new", 5, Round::First, true)];
        assert_eq!(
            Hours::of(&named_so).final_sentence(),
            "No final step, such as colour or assembly, has been rendered yet."
        );
    }

    #[test]
    fn sums_beyond_all_bounds_stay_at_the_bound() {
        let mut long = row("a", "b", "c", "d", 1, Round::First, true);
        if let What::Render(render) = &mut long.what {
            render.wall = Duration::MAX;
        }
        assert_eq!(Hours::of([&long, &long]).total.wall, Duration::MAX);
    }
}
