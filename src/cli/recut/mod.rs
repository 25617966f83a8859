//! `recut`: what a new cut would do and cost; taking it up; going back.

mod became;
mod json;
mod sum;
mod told;

use super::arguments::{self, Arguments};
use super::cut::parsed;
use super::rebuild::writer;
use super::{Answer, Exit, Failure, show};
use crate::base::problem::nearest;
use crate::base::selector::Glob;
use crate::programs::Runner;
use crate::project::Project;
use crate::project::recutting::taking::{Back, Came, in_the_way};
use crate::project::recutting::{Recut, picture};
use crate::project::sheet::may_be_written;

/// Foretells, and does what was asked for.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::cut::Recut) -> Answer {
    let runner = Runner::alone().map_err(|error| Failure::System(error.to_string()))?;
    if options.go_back {
        let back = project.go_back(&writer())?;
        went_back(&back, arguments.json);
        return Ok(Exit::Done);
    }
    let Some(list) = &options.list else { return Err(Failure::Usage("name the new list".into())) };
    let here = std::env::current_dir().map_err(|error| Failure::System(error.to_string()))?;
    if let Some(file) = &options.out {
        may_be_written(file, "--out")?;
    }
    let selection = parsed(&options.selectors)?;
    let (mut recut, came) = match options.take_up {
        true => {
            let (recut, came) = project.take_up(list, &here, options.grow, &writer(), &runner)?;
            (recut, Some(came))
        }
        false => (project.recut(list, &here, &runner)?, None),
    };
    if let Some(file) = &options.out {
        let bytes = picture::draw(&recut);
        crate::store::write_whole(file, &bytes).map_err(|error| Failure::System(error.to_string()))?;
    }
    let written = options.out.as_deref();
    let whole = sum::sum(&recut);
    let places = || recut.places.iter().map(|(shot, stage)| (shot.as_str(), stage.as_str()));
    if let Some(selector) = selection.unmatched(places()).first() {
        let near = nearest(selector.shot().map_or("", Glob::text), places().map(|(shot, _)| shot));
        let way = near.map_or(String::new(), |near| format!("; did you mean {near}?"));
        let text = show::clean(selector.text());
        return Err(Failure::Usage(format!("'{text}' matches no shot and stage of either cut{way}")));
    }
    recut.narrow(&selection);
    let refused = matches!(came, Some(Came::Refused(_)));
    if arguments.json {
        say!("{:#}", json::answer(&recut, came.as_ref(), written));
    } else {
        recut.listing.problems.iter().for_each(|problem| {
            show::tell_problem(&recut.listing.sources, problem);
        });
        show::say_whole(&told::text(&recut, &whole, show::look()));
        if let Some(file) = written {
            flow!("\nthe two cuts, one above the other: {}", file.display());
        }
        say!("");
        tell_came(&recut, list, came.as_ref());
    }
    Ok(if refused { Exit::Unsound } else { Exit::Done })
}

/// What was done, or can be.
fn tell_came(recut: &Recut, list: &str, came: Option<&Came>) {
    recut.apart.iter().for_each(|words| flow!("{}", show::clean(words)));
    let word = shlex::try_quote(list).map_or_else(|_| list.into(), std::borrow::Cow::into_owned);
    match came {
        None => {
            let grow = if recut.needs.longer.is_empty() { "" } else { " --grow" };
            match in_the_way(recut, true).is_empty() {
                true => {
                    flow!("to take it up: `endboard recut {word} --take-up{grow}`");
                    say!("to undo that:  `endboard recut --go-back`");
                }
                false if recut.was.as_deref() == Some(&*recut.list.path) => {
                    flow!("{} is the cut in use", show::clean(&recut.list.path));
                }
                false => flow!("it cannot be taken up before what is in the way is seen to"),
            }
        }
        Some(Came::Taken { frames, copy }) => {
            flow!("taken up: `cut: {}` in endboard.yaml", show::clean(&recut.list.path));
            frames.iter().for_each(|of| flow!("{}: `frames: {}`, which were {}", of.shot, of.to, of.from));
            if let Some(copy) = copy {
                flow!("the former list is kept as {}", show::clean(copy));
            }
            flow!("next: `endboard rebuild`; to undo this: `endboard recut --go-back`");
        }
        Some(Came::Refused(why)) => {
            tell!("endboard: not taken up, and nothing was changed:");
            why.iter().for_each(|why| tell!("  {}", show::clean(why)));
        }
    }
}

fn went_back(back: &Back, as_json: bool) {
    if as_json {
        let frames: Vec<_> = back.frames.iter().map(json::frames).collect();
        let all = serde_json::json!({ "format": "endboard recut 1", "went_back": true, "from": back.from, "to": back.to,
            "frames": frames, "remarks": back.remarks });
        return say!("{all:#}");
    }
    match &back.to {
        Some(to) => flow!("the film is cut by {} again", show::clean(to)),
        None => flow!("the film has no cut again: its shots follow one another as declared"),
    }
    back.frames.iter().for_each(|of| flow!("{}: `frames: {}` again", of.shot, of.to));
    back.remarks.iter().for_each(|remark| flow!("{}", show::clean(remark)));
    flow!("next: `endboard rebuild` puts back what was rendered for it");
}
