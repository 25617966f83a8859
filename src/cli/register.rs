//! `register`: measures takes against their clean plate and writes the file of moves.

use super::arguments::{self, Arguments, Rebuild, Register};
use super::progress::Reading;
use super::{Answer, Exit, Failure, rebuild, show};
use crate::operators::image::register::written::{Measured, text};
use crate::project::register::{Joint, Wanted, joint, needs};
use crate::project::{Project, ProjectError, Status};

/// What stands in a file of moves before anything is measured, so that the declaration that names it can be read.
const NOTHING: &str = "takes: {}\n";
/// With other offsets in time other frames are needed, so that the work is done again; more than this settles nothing.
const ROUNDS: usize = 3;

/// Measures and writes.
pub fn run(project: &Project, arguments: &Arguments, options: &Register) -> Answer {
    let found = joint(&project.read(), &options.place).map_err(Failure::Usage)?;
    let path = project.folder.join(&found.file);
    let is_new = !path.exists();
    if is_new {
        project.write_moves(&found.file, NOTHING)?;
    }
    let measured = measure(project, arguments, options, &found);
    if is_new && measured.is_err() {
        // Nothing was measured, and a file that says so helps nobody.
        let _ = std::fs::remove_file(&path);
    }
    match measured? {
        Ok(takes) => {
            report(arguments, options, &found, &takes);
            Ok(Exit::Done)
        }
        Err(exit) => Ok(exit),
    }
}

/// Measures until the takes' whole offsets stay; an exit code when their mattes could not be rendered.
fn measure(
    project: &Project,
    arguments: &Arguments,
    options: &Register,
    joint: &Joint,
) -> Result<Result<Vec<Measured>, Exit>, Failure> {
    let wanted = Wanted { within: options.within, turns: options.turns };
    let mut before: Vec<i64> = Vec::new();
    let mut takes = Vec::new();
    for _ in 0..ROUNDS {
        let status = match inputs(project, arguments, joint)? {
            Ok(status) => status,
            Err(exit) => return Ok(Err(exit)),
        };
        let _told = rebuild::end_when_told()?;
        let reading = Reading::new("measuring takes");
        let measured = project.register(&status, joint, wanted, &|done, of| reading.at(done, of));
        reading.end();
        takes = measured?;
        let asked = format!("endboard register {}", options.place);
        project.write_moves(&joint.file, &text(&takes, joint.between.word(), &asked))?;
        let offsets: Vec<i64> = takes.iter().map(|t| t.when.map_or(0, |w| w.time.floor() as i64)).collect();
        if offsets == before {
            break;
        }
        before = offsets;
    }
    Ok(Ok(takes))
}

/// The film with all mattes rendered that are needed.
fn inputs(project: &Project, arguments: &Arguments, joint: &Joint) -> Result<Result<Status, Exit>, Failure> {
    let declared = project.read();
    if !declared.is_sound() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    let needs = needs(&declared.graph, joint);
    if needs.is_empty() {
        return Ok(Ok(project.status(false, &|_, _| {})?));
    }
    let selection = arguments::selection(&needs, Some(&declared.graph))?;
    let options = Rebuild {
        selectors: needs,
        jobs: None,
        memory: None,
        plan: false,
        again: false,
        hold: false,
        let_go: false,
        note: String::new(),
    };
    let rebuilt = rebuild::rebuild(project, declared, &selection, &options, arguments.json)?;
    let is_sound = rebuilt.outcome.failures.is_empty()
        && rebuilt.outcome.ended.is_none()
        && rebuilt.blocked.is_empty()
        && rebuilt.failed_before.is_empty();
    Ok(match is_sound {
        true => Ok(rebuilt.status),
        false => Err(rebuild::report(&rebuilt, &selection, arguments.json, false)),
    })
}

fn report(arguments: &Arguments, options: &Register, joint: &Joint, takes: &[Measured]) {
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
        let all = serde_json::json!({ "format": "endboard register 1", "file": joint.file, "between": joint.between.word(),
            "takes": list });
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
        say!(
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
            let far: crate::base::frames::FrameSet = far.into_iter().collect();
            say!("  more than {} px left on {far}", options.over);
        }
    }
    say!("written to {}, {}", joint.file, show::frames(takes.first().map_or(0, |t| t.frames.len())));
}
