//! The ledger's rows → what was measured: seconds and frames of every stage of every shot, hands and machine apart.
//!
//! Knows which rows carry time, and that the time of one row belongs to its frames in equal parts. Does not know what a rate is,
//! nor which frames are done: that is handed in.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::rates::Whose;
use crate::base::frames::FrameSet;
use crate::crew::rounds::Finished;
use crate::crew::times::Times;
use crate::ledger::row::{Entry, Outcome, PASSED_ON, Round, What};

/// A stage of a shot.
pub type Place = (Arc<str>, Arc<str>);

/// What one stage of one shot took.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// Of hands: `hands`. Of machines: the operator, or `command`.
    pub by: Arc<str>,
    /// First pass: seconds, and the frames that they made.
    pub first: (f64, u64),
    /// Rework: seconds, failed attempts among them, and frames that were made again.
    pub rework: (f64, u64),
    /// Of hands: seconds already spent on frames that are not done, which tell no rate yet.
    pub begun: f64,
    /// Of hands: seconds by person, in order of name.
    pub people: BTreeMap<Arc<str>, f64>,
    /// Of machines: processor seconds of first pass and rework together.
    pub cpu: f64,
}

impl Sample {
    /// Nothing yet, of one who makes a stage of a shot.
    pub fn of((shot, stage): &Place, by: &str) -> Self {
        Self {
            shot: shot.clone(),
            stage: stage.clone(),
            by: by.into(),
            first: (0.0, 0),
            rework: (0.0, 0),
            begun: 0.0,
            people: BTreeMap::new(),
            cpu: 0.0,
        }
    }

    /// The seconds and the frames that tell how long a frame takes: those of first pass. A machine makes a frame again as it made
    /// it first, so that its rework tells where there is nothing else; a person does not.
    pub fn tells(&self, whose: Whose) -> (f64, u64) {
        match whose {
            Whose::Machine if self.first.1 == 0 => self.rework,
            _ => self.first,
        }
    }
}

/// The name that hands have in [`Sample::by`].
pub const HANDS: &str = "hands";

/// What people's work comes to, corrections taken in, in order of place. Where a row does not say
/// whether it is rework, what was finished before tells. `waiting` holds the frames of each stage that are not done: time spent on
/// them is told apart, since nobody knows yet how much more they take.
pub fn of_hands(entries: &[Entry], waiting: &HashMap<Place, FrameSet>) -> Vec<Sample> {
    let mut all: BTreeMap<Place, (Sample, [FrameSet; 2])> = BTreeMap::new();
    let times = Times::of(entries);
    let finished = Finished::of(entries);
    for work in times.counted().filter(|work| !work.frames().is_empty()) {
        let row = &work.entry.row;
        let place = (row.shot.clone(), row.stage.clone());
        let waits = waiting.get(&place);
        let (sample, frames) =
            all.entry(place).or_insert_with_key(|place| (Sample::of(place, HANDS), Default::default()));
        let whole = work.took.as_secs_f64();
        let done = waits.map_or_else(|| row.frames.clone(), |waits| row.frames.without(waits));
        let on_done = whole * done.len() as f64 / row.frames.len() as f64;
        let round = || finished.round(&row.shot, &row.stage, &row.frames, work.ended());
        let is_again = work.worked.round.unwrap_or_else(round) == Round::Rework;
        let sum = if is_again { &mut sample.rework.0 } else { &mut sample.first.0 };
        *sum += on_done;
        sample.begun += whole - on_done;
        *sample.people.entry(work.worked.person.clone()).or_default() += whole;
        frames[usize::from(is_again)].insert_all(&done);
    }
    let counted = all.into_values().map(|(mut sample, [first, again])| {
        sample.first.1 = first.len() as u64;
        sample.rework.1 = again.len() as u64;
        sample
    });
    counted.collect()
}

/// What machines' work comes to, in order of place and of who did it. Wall time is that of each frame, added up over all
/// that ran side by side. A failed attempt is rework of no frames. A plate that is passed on takes no time, and tells none.
pub fn of_machines(entries: &[Entry]) -> Vec<Sample> {
    let mut all: BTreeMap<(Place, Arc<str>), Sample> = BTreeMap::new();
    for row in entries.iter().map(|entry| &entry.row) {
        let What::Render(render) = &row.what else { continue };
        if &*row.by == PASSED_ON {
            continue;
        }
        let place = (row.shot.clone(), row.stage.clone());
        let sample =
            all.entry((place, row.by.clone())).or_insert_with_key(|(place, by)| Sample::of(place, by));
        let is_done = render.outcome == Outcome::Done;
        let sum = match render.round {
            Round::First if is_done => &mut sample.first,
            _ => &mut sample.rework,
        };
        sum.0 += render.wall.as_secs_f64();
        sum.1 += if is_done { row.frames.len() as u64 } else { 0 };
        sample.cpu += render.cpu.as_secs_f64();
    }
    all.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    use crate::ledger::crew::{Crew, Worked};
    use crate::ledger::id::RowId;
    use crate::ledger::row::{Render, Row};

    fn entry(n: u128, frames: &str, what: What) -> Entry {
        let row = Row {
            when: jiff::Timestamp::UNIX_EPOCH,
            film: "The Brine Lamp".into(),
            shot: "br030".into(),
            stage: "roto".into(),
            frames: frames.parse().unwrap(),
            by: "roto".into(),
            what,
        };
        Entry { id: RowId(n), writer: "keeper".into(), row }
    }

    fn work(n: u128, frames: &str, hours: u64, round: Option<Round>) -> Entry {
        let none: Arc<str> = "".into();
        let worked = Worked {
            person: "ana".into(),
            took: Duration::from_secs(hours * 3600),
            began: None,
            round,
            cause: none.clone(),
            ends: None,
            packet: none.clone(),
            note: none,
        };
        entry(n, frames, What::Crew(Crew::Worked(worked)))
    }

    #[test]
    fn several_evenings_on_the_same_frames_are_one_sample() {
        let all = [
            work(1, "1001-1010", 2, None),
            work(2, "1001-1010", 9, Some(Round::First)),
            work(3, "1004-1005", 1, Some(Round::Rework)),
            entry(
                4,
                "1001",
                What::Crew(Crew::Correct {
                    of: RowId(2),
                    took: Duration::from_secs(3 * 3600),
                    note: "".into(),
                }),
            ),
        ];
        let samples = of_hands(&all, &HashMap::new());
        assert_eq!(samples.len(), 1);
        assert_eq!(samples[0].first, (5.0 * 3600.0, 10));
        assert_eq!(samples[0].rework, (3600.0, 2));
        assert_eq!(samples[0].begun, 0.0);
    }

    #[test]
    fn time_on_frames_that_wait_is_told_apart() {
        let place = ("br030".into(), "roto".into());
        let waiting = HashMap::from([(place, "1006-1010".parse().unwrap())]);
        let samples = of_hands(&[work(1, "1001-1010", 2, None)], &waiting);
        assert_eq!(samples[0].first, (3600.0, 5));
        assert_eq!(samples[0].begun, 3600.0);
    }

    #[test]
    fn a_failed_attempt_costs_and_makes_nothing() {
        let entry = |round, outcome, wall| {
            let render = Render {
                cause: "".into(),
                round,
                wall: Duration::from_secs(wall),
                cpu: Duration::from_secs(2 * wall),
                peak_memory: None,
                machine: "shed".into(),
                outcome,
            };
            entry(1, "1001-1004", What::Render(render))
        };
        let rows = [
            entry(Round::First, Outcome::Failed("out of memory".into()), 5),
            entry(Round::First, Outcome::Done, 8),
            entry(Round::Rework, Outcome::Done, 9),
        ];
        let samples = of_machines(&rows);
        assert_eq!(samples.len(), 1);
        assert_eq!((samples[0].first, samples[0].rework, samples[0].cpu), ((8.0, 4), (14.0, 4), 44.0));
    }
}
