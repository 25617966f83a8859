//! `register`: measures takes against their clean plate and writes the file of moves.

use super::arguments::{self, Arguments, Rebuild, Register};
use super::progress::Reading;
use super::{Answer, Exit, Failure, rebuild, show};
use crate::base::frames::FrameRange;
use crate::operators::image::register::written::{Measured, text};
use crate::project::matching::{MatchError, Standing};
use crate::project::register::{Joint, Wanted, joint, needs};
use crate::project::{Declared, Project, ProjectError, Status};

/// The file of moves while nothing is measured.
const NOTHING: &str = "takes: {}\n";
/// With other offsets in time other frames are needed, so that the work is done again; more than this settles nothing.
const ROUNDS: usize = 3;

/// What was measured, and what stands in its way.
struct Found {
    takes: Vec<Measured>,
    text: String,
    /// The film with these moves, when it then lacks frames.
    lacking: Option<Declared>,
    /// Whether the frames that are shown stayed the same in the last round.
    is_settled: bool,
}

/// Measures, and writes the file once, at the end, so that what ends the work before leaves nothing behind.
pub fn run(project: &Project, arguments: &Arguments, options: &Register) -> Answer {
    let joint = joint(&project.read(), &options.place).map_err(Failure::Usage)?;
    let standing = Standing::of(&project.folder, &joint.file, options.replace).map_err(refused)?;
    let found = match measure(project, arguments, options, &joint)? {
        Ok(found) => found,
        Err(exit) => return Ok(exit),
    };
    let kept = standing.put(&found.text, &|n| format!("{}.{n}", joint.file)).map_err(refused)?;
    report(arguments, options, &joint, &found.takes);
    if let Some(kept) = kept {
        tell!("the file that stood there is kept as {kept}");
    }
    if let Some(declared) = found.lacking {
        tell!("the takes lack frames that these offsets in time need");
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    if !found.is_settled {
        tell!(
            "the offsets in time did not settle in {ROUNDS} rounds: look at them, and at what covers the set"
        );
    }
    Ok(Exit::Done)
}

fn refused(error: MatchError) -> Failure {
    match error {
        MatchError::Project(error) => Failure::Project(error),
        MatchError::Said(words) => Failure::Usage(words),
    }
}

/// Measures until the frames that are shown stay; an exit code when their mattes could not be rendered.
fn measure(
    project: &Project,
    arguments: &Arguments,
    options: &Register,
    joint: &Joint,
) -> Result<Result<Found, Exit>, Failure> {
    let wanted = Wanted { within: options.within, turns: options.turns };
    let asked = format!("endboard register {}", options.place);
    let mut found = Found { takes: Vec::new(), text: NOTHING.into(), lacking: None, is_settled: false };
    let mut before = None;
    for round in 0..ROUNDS {
        let declared = project.read_moved(joint, &found.text)?;
        if !declared.is_sound() {
            if round == 0 {
                return Err(ProjectError::Unsound(Box::new(declared)).into());
            }
            found.lacking = Some(declared);
            break;
        }
        let status = match inputs(project, arguments, joint, declared)? {
            Ok(status) => status,
            Err(exit) => return Ok(Err(exit)),
        };
        let _told = rebuild::end_when_told()?;
        let reading = Reading::new("measuring takes");
        let measured = project.register(&status, joint, wanted, &|done, of| reading.at(done, of));
        reading.end();
        found.takes = measured?;
        found.text = text(&found.takes, joint.between.word(), &asked);
        let graph = &status.declared.graph;
        let frames = graph.find(&joint.shot, &joint.stage).map(|id| graph.nodes[id].frames);
        let frames = frames.unwrap_or_else(FrameRange::none);
        let now: Vec<_> = found.takes.iter().map(|take| take.shown(frames, joint.between)).collect();
        let unmoved = || vec![Measured::default().shown(frames, joint.between); now.len()];
        found.is_settled = before.unwrap_or_else(unmoved) == now;
        if found.is_settled {
            break;
        }
        before = Some(now);
    }
    Ok(Ok(found))
}

/// The film with all mattes rendered that are needed.
fn inputs(
    project: &Project,
    arguments: &Arguments,
    joint: &Joint,
    declared: Declared,
) -> Result<Result<Status, Exit>, Failure> {
    let needs = needs(&declared.graph, joint);
    if needs.is_empty() {
        return Ok(Ok(project.status_moved(declared)?));
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
