//! What a delivery costs, told to the ledger.
//!
//! Knows rows of stages `deliver.NAME`, and what the system tells of times. Makes nothing.

use std::time::{Duration, Instant};

use super::make::Fault;
use super::{Came, Due, Order, Standing};
use crate::base::frames::FrameSet;
use crate::graph::FILM;
use crate::ledger::file::Ledger;
use crate::ledger::row::{Outcome, Render, Round, Row, What};
use crate::project::inspecting::Inspected;
use crate::project::{Project, ProjectError, Status};

/// How the ledger's stages of deliveries begin.
const STAGE: &str = "deliver.";

/// Ticks of a second in what `/proc` tells of times: 100 on all of Linux's usual machines.
const TICKS: u64 = 100;

impl Project {
    /// Makes one, and tells the ledger of its time.
    pub(super) fn timed(
        &self,
        status: &Status,
        due: &Due,
        inspected: &Inspected,
        order: &Order<'_>,
    ) -> (Came, Option<String>) {
        let (began, cpu) = (Instant::now(), processor());
        let made = self.made(status, due, inspected, order);
        let spent = (began.elapsed(), processor().saturating_sub(cpu));
        let outcome = match &made {
            Ok(_) => Outcome::Done,
            Err(Fault::Stopped) => Outcome::Failed("it was stopped".into()),
            Err(Fault::Unfit(why) | Fault::System(why)) => {
                Outcome::Failed(why.lines().next().unwrap_or("").chars().take(200).collect::<String>().into())
            }
        };
        let trouble = self.tell_ledger(status, due, order, outcome, spent).err();
        let came = match made {
            Ok(made) => Came::Made(made),
            Err(Fault::Stopped) => Came::Stopped,
            Err(Fault::Unfit(why)) => Came::Failed(why),
            Err(Fault::System(why)) => Came::System(why),
        };
        (came, trouble.map(|error| error.to_string()))
    }

    fn tell_ledger(
        &self,
        status: &Status,
        due: &Due,
        order: &Order<'_>,
        outcome: Outcome,
        (wall, cpu): (Duration, Duration),
    ) -> Result<(), ProjectError> {
        let stage = format!("{STAGE}{}", due.name);
        let is_earlier = |row: &Row| {
            *row.shot == *FILM
                && *row.stage == *stage
                && matches!(&row.what, What::Render(render) if render.outcome == Outcome::Done)
        };
        let again = status.ledger.0.iter().any(|entry| is_earlier(&entry.row));
        let pieces = due.needs.parts.first().map(|part| part.pieces.as_slice()).unwrap_or_default();
        let cause =
            if due.standing == Standing::Absent { "first delivery".into() } else { due.why.join("; ") };
        let render = Render {
            cause: cause.chars().take(200).collect::<String>().into(),
            round: if again { Round::Rework } else { Round::First },
            wall,
            cpu,
            peak_memory: None,
            machine: order.writer.machine.as_str().into(),
            outcome,
        };
        let row = Row {
            when: (order.now)(),
            film: status.declared.graph.film.as_str().into(),
            shot: FILM.into(),
            stage: stage.into(),
            frames: pieces.iter().map(|(n, _)| *n).collect::<FrameSet>(),
            by: "deliver".into(),
            what: What::Render(render),
        };
        Ledger::open(&self.folder.join("ledger"), &order.writer.name)?.append(&row)?;
        Ok(())
    }
}

/// Processor time of this process and of the programs that it waited for, as `/proc` tells it (proc(5), fields 14 to 17).
fn processor() -> Duration {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The program's name may hold blanks and stands in brackets.
    let after = stat.rsplit_once(')').map_or("", |(_, after)| after);
    let ticks = after.split_whitespace().skip(11).take(4).filter_map(|field| field.parse::<u64>().ok());
    Duration::from_millis(ticks.sum::<u64>() * 1000 / TICKS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn processor_time_is_read() {
        let before = processor();
        let mut work = 1u64;
        while processor() <= before {
            work = work.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        }
        assert!(processor() > before, "{work}");
    }
}
