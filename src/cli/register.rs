//! `register`: measures takes against their clean plate and writes the register file.

use super::arguments::measure::Register;
use super::arguments::{self, Arguments, Rebuild};
use super::progress::Reading;
use super::{Answer, Exit, Failure, check, rebuild, show};
use crate::base::frames::FrameSet;
use crate::project::register::{ROUNDS, Registered, Round, Wanted};
use crate::project::{Project, ProjectError, Status};
use crate::store::lock::Lock;

/// Measures, and writes the file once, at the end.
pub fn run(project: &Project, arguments: &Arguments, options: &Register) -> Answer {
    let told = rebuild::end_when_told()?;
    let wanted = Wanted { within: options.within, turns: options.turns };
    let mut work = project.register(&options.place, wanted, options.replace)?;
    let joint = work.joint.clone();
    let (file, between) = (&*joint.file, joint.between.word());
    let mut told = Some(told);
    // From before the first round to the end: who works on the film meanwhile would let minutes of work come to nothing.
    let mut lock = None;
    while let Some(round) = work.round()? {
        if lock.is_none() && !round.needs.is_empty() {
            lock = Some(project.lock(&rebuild::writer())?);
        }
        // A rebuild is stopped in its own way.
        if !round.needs.is_empty() {
            told = None;
        }
        let status = match inputs(project, lock.as_ref(), arguments, round)? {
            Ok(status) => status,
            Err(exit) => {
                if exit == Exit::Interrupted {
                    tell!("endboard: nothing was written to {file}");
                }
                return Ok(exit);
            }
        };
        if told.is_none() {
            told = Some(rebuild::end_when_told()?);
        }
        let reading = Reading::new("measuring takes");
        let measured = work.measure(&status, &|done, of| reading.at(done, of));
        reading.end();
        measured?;
    }
    drop(told);
    let found = work.written()?;
    let is_written = !found.takes.is_empty();
    report(arguments, options, (is_written.then_some(file), between), &found);
    found.remarks.iter().for_each(|remark| tell!("{remark}"));
    if !is_written {
        tell!(
            "endboard: {}/{}: nothing could be measured, and {file} is not written",
            joint.shot,
            joint.stage
        );
        found.unmeasured.iter().for_each(|(take, why)| tell!("  take '{take}': {why}"));
        return Ok(Exit::Unsound);
    }
    if let Some(kept) = &found.kept {
        tell!("the file that stood there is kept as {kept}");
    }
    if let Some(declared) = found.lacking {
        tell!("the takes lack frames that these offsets in time need");
        // As JSON the problems are in the answer already.
        if arguments.json {
            return Ok(Exit::Unsound);
        }
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    if !found.is_settled {
        tell!(
            "the offsets in time did not settle in {ROUNDS} rounds: look at them, and at what covers the set"
        );
    }
    for (take, why) in &found.unmeasured {
        tell!("take '{take}' could not be measured, and {file} says nothing of it: {why}");
    }
    Ok(if found.unmeasured.is_empty() { Exit::Done } else { Exit::Unsound })
}

/// The film with all mattes rendered that a round needs; an exit code when they could not be.
fn inputs(
    project: &Project,
    lock: Option<&Lock>,
    arguments: &Arguments,
    round: Round,
) -> Result<Result<Status, Exit>, Failure> {
    let Round { declared, needs } = round;
    if needs.is_empty() {
        return Ok(Ok(project.status_as(declared)?));
    }
    let selection = arguments::selection(&needs, Some(&declared.graph))?;
    let options = Rebuild {
        selectors: needs,
        jobs: None,
        memory: None,
        plan: false,
        again: false,
        on: None,
        leave: false,
        here: false,
        hold: false,
        let_go: false,
        sharing: None,
        note: String::new(),
    };
    let mut rebuilt = rebuild::rebuild(project, lock, declared, &selection, &options, arguments.json)?;
    let is_sound = rebuilt.outcome.failures.is_empty()
        && rebuilt.outcome.ended.is_none()
        && rebuilt.blocked.is_empty()
        && rebuilt.failed_before.is_empty();
    if !is_sound {
        return Ok(Err(rebuild::report(&rebuilt, &selection, arguments.json, false)));
    }
    project.look_again(&mut rebuilt.status);
    Ok(Ok(rebuilt.status))
}

fn report(
    arguments: &Arguments,
    options: &Register,
    (file, between): (Option<&str>, &str),
    found: &Registered,
) {
    let takes = &found.takes;
    if arguments.json {
        let list: Vec<_> = takes
            .iter()
            .map(|take| {
                let frames: Vec<_> = take
                    .frames
                    .iter()
                    .map(|f| {
                        serde_json::json!({ "frame": f.number, "shift": f.place.shift, "turn": f.place.turn,
                            "scale": f.place.scale, "exposure": f.place.exposure, "residual": f.left })
                    })
                    .collect();
                serde_json::json!({ "take": take.name, "time": take.when.map(|w| w.time), "rate": take.when.map(|w| w.rate),
                    "residual_mean": take.left().map(|l| l.0), "residual_p95": take.left().map(|l| l.1), "frames": frames })
            })
            .collect();
        let unmeasured: Vec<_> = (found.unmeasured.iter())
            .map(|(take, why)| serde_json::json!({ "take": take, "says": why }))
            .collect();
        let all = serde_json::json!({ "format": "endboard register 1", "file": file, "between": between,
            "takes": list, "remarks": found.remarks, "unmeasured": unmeasured, "kept": found.kept,
            "settled": found.is_settled,
            "problems": found.lacking.as_ref().map(check::listed).unwrap_or_default() });
        say!("{all:#}");
        return;
    }
    for take in takes {
        let time = match take.when {
            None => "time not told by the set, 0 taken".to_string(),
            Some(when) if when.rate != 0.0 => {
                format!("{:+.2} frames, {:+.4} more a frame", when.time, when.rate)
            }
            Some(when) => format!("{:+.2} frames", when.time),
        };
        let mean = |i: usize| {
            take.frames.iter().map(|f| f.place.shift[i]).sum::<f64>() / take.frames.len().max(1) as f64
        };
        let light =
            take.steady_exposure().map_or("exposure keyed".into(), |e| format!("exposure {:.3}", e[1]));
        let left =
            take.left().map_or("not told".into(), |(mean, p95)| format!("{mean:.3} px, 95 % below {p95:.3}"));
        flow!(
            "{}: {time}; shift about {:+.2}, {:+.2} px; {light}; residual {left}",
            take.name,
            mean(0),
            mean(1)
        );
        let far: Vec<i64> = take
            .frames
            .iter()
            .filter(|f| f.left.is_some_and(|l| l > options.over))
            .map(|f| f.number)
            .collect();
        if !far.is_empty() {
            let far: FrameSet = far.into_iter().collect();
            flow!("  more than {} px left on {far}", options.over);
        }
    }
    let Some(file) = file else { return };
    flow!("written to {file}, {}", show::frames(takes.first().map_or(0, |t| t.frames.len())));
}
