//! Whether what goes into a delivery is fit to leave the house: what inspection finds in it, and how that is told.
//!
//! Knows which stages a delivery shows and plays. What is a fault `inspect` knows.

use super::paper::Paper;
use super::telling::INSPECTION;
use super::{Due, Order};
use crate::inspect::finding::Weight;
use crate::project::frames::Lack;
use crate::project::inspecting::{Found, Inspected, Wish};
use crate::project::{Project, Status};

/// The word of findings that frames are not there, which a delivery finds out by itself.
const MISSING: &str = "missing";

/// What was inspected in this run, by the stages: deliveries of one picture are looked at once.
#[derive(Default)]
pub struct Seen(Vec<(Vec<String>, Inspected)>);

impl Seen {
    /// Of what goes into a delivery.
    ///
    /// # Errors
    /// When it cannot be looked at.
    pub fn of(
        &mut self,
        project: &Project,
        status: &Status,
        due: &Due,
        order: &Order<'_>,
    ) -> Result<&Inspected, String> {
        let stages = stages(status, due);
        let at = match self.0.iter().position(|(of, _)| *of == stages) {
            Some(at) => at,
            None => {
                let wish = Wish { selectors: stages.clone(), pictures: None };
                let tell = |done: usize, of: usize| (order.tell)(&due.name, done as u64, of as u64);
                let mut inspected =
                    project.inspect(status, &wish, &tell).map_err(|error| error.to_string())?;
                inspected.found.retain(|found| found.kind != MISSING);
                self.0.push((stages, inspected));
                self.0.len() - 1
            }
        };
        Ok(&self.0[at].1)
    }
}

/// What a delivery shows and plays.
fn stages(status: &Status, due: &Due) -> Vec<String> {
    let (nodes, ready) = (&status.declared.graph.nodes, &due.ready);
    let picture = ready.picture.map(|shown| shown.id);
    let all = picture.into_iter().chain(ready.mix).chain(ready.stems.iter().map(|(_, id)| *id));
    all.map(|id| nodes[id].name()).collect()
}

/// Faults, each with its place and a way on.
pub fn faults(inspected: &Inspected) -> Vec<Lack> {
    let of = |found: &Found| Lack {
        place: found.place(),
        why: found.says.trim_end_matches('.').to_string(),
        way: "mend it, or declare under `inspect:` that it is meant, or `--as-it-is` delivers it so".into(),
    };
    inspected.found.iter().filter(|found| found.weight == Weight::Fault).map(of).collect()
}

/// Tells what was found.
pub fn told(inspected: &Inspected, paper: &mut Paper) {
    for found in &inspected.found {
        paper.add(INSPECTION, format!("{}: {}", found.weight.word(), found.place()), found.says.as_str());
    }
    for looked in &inspected.looked {
        let lacking = match looked.lacking {
            0 => String::new(),
            lacking => format!("; {lacking} go out as they are, and were not looked at"),
        };
        paper.add(INSPECTION, looked.stage.as_str(), format!("{} frames looked at{lacking}", looked.frames));
    }
    for heard in &inspected.heard {
        let says = format!("{:.1} s listened to", heard.seconds);
        paper.add(INSPECTION, heard.stage.as_str(), says);
    }
    let [faults, suspects, hints] =
        [Weight::Fault, Weight::Suspect, Weight::Hint].map(|weight| inspected.count(weight));
    paper.add(INSPECTION, "in all", format!("faults: {faults}; suspects: {suspects}; hints: {hints}"));
}
