//! `track`: follows places, flat patches and rods through a shot.
//!
//! Knows the command's words and its report. The work is `project::track`'s.

use std::cell::Cell;

use super::arguments::Arguments;
use super::arguments::measure::Track as Options;
use super::progress::Reading;
use super::rebuild::end_when_told;
use super::{Answer, Exit, paths, show};
use crate::project::Project;
use crate::project::track::seeds::Seeds;
use crate::project::track::{Request, Tracked};

/// Follows, writes and reports.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let told = Cell::new(Some(end_when_told()?));
    let request = Request {
        place: options.shot.clone(),
        seeds: Seeds {
            points: options.point.clone(),
            planes: options.plane.clone(),
            rods: options.blade.clone(),
        },
        file: options.file.as_deref().map(|file| paths::inside(project, file)).transpose()?.map(Into::into),
        holdout: options.holdout.clone(),
        threshold: options.sure,
        plan: options.plan,
    };
    let status = project.status_to_track(&request)?;
    let reading = Reading::new("following");
    let tracked = project.track(&status, &request, &|done, of| reading.at(done, of), &|| drop(told.take()));
    reading.end();
    let tracked = tracked?;
    report(&tracked, arguments.json);
    tracked.remarks.iter().for_each(|remark| tell!("{remark}"));
    let is_any = tracked.things.iter().any(|f| !f.sound.is_empty() || f.lost.is_empty());
    Ok(if is_any { Exit::Done } else { Exit::Unsound })
}

fn report(Tracked { place, frames, things, file, remarks }: &Tracked, json: bool) {
    if json {
        let list = things.iter().map(|f| {
            serde_json::json!({
                "kind": f.kind.word(), "name": f.name, "set_by_hand": f.by_hand, "followed": f.sound.to_string(),
                "lost": f.lost.to_string(), "mean": f.sure.0, "least": f.sure.1,
                "base_guessed": f.guessed.to_string(),
            })
        });
        let list: Vec<_> = list.collect();
        let all = serde_json::json!({
            "format": "endboard track 1", "place": place, "frames": frames.to_string(), "file": file, "things": list,
            "remarks": remarks,
        });
        say!("{all:#}");
        return;
    }
    for f in things {
        let by_hand = format!("{} set by hand", f.by_hand);
        let (mean, least) = f.sure;
        let followed = match f.sound.len() {
            0 => "none followed".to_string(),
            n => format!("{} followed, sure {mean:.2}, least {least:.2}", show::frames(n)),
        };
        flow!("{} {}: {by_hand}, {followed}", f.kind.word(), f.name);
        if !f.lost.is_empty() {
            flow!("  lost, without a key: {place}@{}", f.lost);
        }
        if !f.guessed.is_empty() {
            flow!("  base guessed, to be looked at: {place}@{}", f.guessed);
        }
    }
    match file {
        Some(file) => flow!("written to {file}; a key without 'sure' is yours and stays as it is"),
        None => say!("nothing written"),
    }
}
