//! `cut`: the cut in use as a table, and the film as it stands for others.
//!
//! Knows how a cut is printed. What is in it, and how files of it are written, others know.

use std::cell::Cell;

use serde_json::json;

use super::arguments::{self, Arguments};
use super::{Answer, Exit, Failure, paths, rebuild, show};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::nearest;
use crate::base::rate::Rate;
use crate::base::selector::{Glob, Selection};
use crate::base::timecode::Counting;
use crate::cut::finished::{Stretch, stretches};
use crate::programs::Runner;
use crate::project::Project;
use crate::project::cutting::done::Shot;
use crate::project::cutting::{Told, Wish};
use crate::report::words::count;

/// Prints the cut, or writes it.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::cut::Cut) -> Answer {
    let wish = Wish {
        edl: options.edl.as_deref().map(|file| paths::inside(project, file)).transpose()?,
        otio: options.otio.as_deref().map(|file| paths::inside(project, file)).transpose()?,
        grades: options.grades,
        delivery: options.delivery.clone(),
        replace: options.replace,
    };
    if wish.delivery.is_some() && !wish.is_of_film() {
        return Err(Failure::Usage(
            "--delivery says what a list points at; add --edl FILE or --otio FILE".into(),
        ));
    }
    let runner = Runner::alone().map_err(|error| Failure::System(error.to_string()))?;
    let writes = wish.is_of_film() || wish.grades;
    let held = Cell::new(if writes { Some(rebuild::end_when_told()?) } else { None });
    let told = project.cut_told(&wish, &runner, &|| drop(held.take()))?;
    let selection = parsed(&options.selectors)?;
    let rows = selected(&told, &selection)?;
    if arguments.json {
        say!("{:#}", as_json(&told, &rows));
        return Ok(Exit::Done);
    }
    if !writes {
        table(&told, &rows);
    }
    for file in &told.files {
        file.told.iter().for_each(|words| tell!("{}: {}", file.file, show::clean(words)));
        if let Some(kept) = &file.kept {
            flow!("the file that stood there is {kept} now");
        }
        flow!("written: {}", file.file);
    }
    if wish.is_of_film() {
        done(&told.shots);
    }
    told.remarks.iter().for_each(|remark| tell!("{}", show::clean(remark)));
    Ok(Exit::Done)
}

/// Selectors of shots that a cut names, which the film may not declare.
pub(super) fn parsed(texts: &[String]) -> Result<Selection, Failure> {
    Selection::parse(texts.iter().map(String::as_str))
        .map_err(|wrong| Failure::Usage(wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")))
}

/// The stretches of the film that show what is selected.
fn selected<'t>(told: &'t Told, selection: &Selection) -> Result<Vec<Stretch<'t>>, Failure> {
    let all = stretches(&told.cut);
    if selection.is_everything() {
        return Ok(all);
    }
    let shows = |row: &Stretch<'_>| -> Vec<(String, FrameSet)> {
        let event = row.event.map(|event| (event.shot.clone(), event.source.into()));
        let going = row.join.and_then(|join| {
            let from = join.from.as_ref()?;
            Some((from.shot.clone(), from.run(join.record.len() as i64).shows().into()))
        });
        event.into_iter().chain(going).collect()
    };
    let pairs: Vec<(String, FrameSet)> = all.iter().flat_map(shows).collect();
    let names = || pairs.iter().map(|(shot, _)| shot.as_str());
    for selector in &selection.selectors {
        let one = Selection { selectors: vec![selector.clone()] };
        let names_none = one.unmatched(told.places.iter().map(|(shot, stage)| (&**shot, &**stage)));
        if !names_none.is_empty() || !pairs.iter().any(|(shot, frames)| one.takes(shot, frames)) {
            let near = nearest(selector.shot().map_or("", Glob::text), names());
            let way = near.map_or(String::new(), |near| format!("; did you mean {near}?"));
            let text = show::clean(selector.text());
            return Err(Failure::Usage(format!("'{text}' matches nothing that the cut shows{way}")));
        }
    }
    let is_meant = |row: &Stretch<'_>| shows(row).iter().any(|(shot, frames)| selection.takes(shot, frames));
    Ok(all.into_iter().filter(is_meant).collect())
}

/// Says which shots are finished, and what keeps the others from it.
fn done(shots: &[Shot]) {
    let finished = shots.iter().filter(|shot| shot.is_finished()).count();
    say!("finished: {finished} of {}", count(shots.len() as u64, "shot"));
    let names: Vec<String> = shots.iter().map(|of| format!("{}/{}", of.shot, of.stage)).collect();
    let width = names.iter().map(|name| name.chars().count()).max().unwrap_or(0);
    for (shot, name) in shots.iter().zip(&names) {
        say!("  {name:<width$}  {}", how(shot));
    }
    let due = |word: &str| shots.iter().any(|shot| shot.not.iter().any(|(of, _)| *of == word));
    if ["stale", "absent", "failed", "without their file"].into_iter().any(due) {
        say!("`endboard rebuild` makes what is not there yet");
    }
}

/// How far a shot is.
fn how(shot: &Shot) -> String {
    if shot.passes {
        return "not yet: it keeps no renders, so that no file stands for it; take its `keep: false` away"
            .into();
    }
    let frames = show::frames(shot.shown.len());
    let not: Vec<String> =
        shot.not.iter().map(|(word, frames)| format!("{} {word} ({frames})", frames.len())).collect();
    let approved = match shot.shown.len() - shot.unapproved.len() {
        _ if shot.is_approved() => "approved".to_string(),
        0 => "not approved".to_string(),
        n => format!("{n} approved"),
    };
    match shot.is_finished() {
        true => format!("{frames}, {approved}"),
        false => format!("not yet: of {frames} {}; {approved}", not.join(", ")),
    }
}

fn label(rate: Rate, drops: bool, frame: i64) -> String {
    let counting = if drops { Counting::drop_frame(rate) } else { Counting::non_drop(rate) };
    counting.map_or_else(|_| frame.to_string(), |counting| counting.label(frame).to_string())
}

/// One line an event, black among them.
fn table(told: &Told, rows: &[Stretch<'_>]) {
    let cut = &told.cut;
    let Some(record) = cut.record else {
        say!("the film shows nothing yet");
        return;
    };
    let lines: Vec<[String; 6]> = rows
        .iter()
        .map(|row| {
            let film = FrameRange::new(row.first - record.first + 1, row.first - record.first + row.frames);
            let (shot, frames) = match row.event {
                Some(event) => (show::clean(&event.shot), event.source.to_string()),
                None => ("black".into(), String::new()),
            };
            [
                label(told.rate, cut.drops, row.first),
                film.to_string(),
                row.frames.to_string(),
                shot,
                frames,
                says(row),
            ]
        })
        .collect();
    let heads = ["timecode", "film", "length", "shot", "frames", ""].map(String::from);
    let width =
        |at: usize| lines.iter().chain([&heads]).map(|line| line[at].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..5).map(width).collect();
    for [timecode, film, length, shot, frames, says] in [&heads].into_iter().chain(&lines) {
        let [a, b, c, d, e] = [widths[0], widths[1], widths[2], widths[3], widths[4]];
        let line = format!("{timecode:<a$}  {film:<b$}  {length:>c$}  {shot:<d$}  {frames:<e$}  {says}");
        say!("{}", line.trim_end());
    }
    let shots: std::collections::BTreeSet<String> =
        cut.events.iter().map(|event| event.shot.to_ascii_lowercase()).collect();
    flow!(
        "{}, {} of {} shots, {}",
        show::frames(record.len()),
        count(cut.events.len() as u64, "event"),
        shots.len(),
        count(cut.dissolves.len() as u64, "transition")
    );
    if !cut.sounds.is_empty() {
        flow!("{} of sound are kept; what is heard is laid by cues", count(cut.sounds.len() as u64, "event"));
    }
}

/// How a row begins, how fast it plays, and what else the cut holds for it.
fn says(row: &Stretch<'_>) -> String {
    let mut words = Vec::new();
    if let Some(join) = row.join {
        let from = join.from.as_ref().map_or("black".to_string(), |from| show::clean(&from.shot));
        words.push(match join.wipe {
            Some(pattern) => format!("wipe {pattern:03} from {from} over {}", join.record.len()),
            None => format!("dissolve from {from} over {}", join.record.len()),
        });
    }
    if let Some(event) = row.event {
        match event.speed {
            speed if speed.is_own() => {}
            speed if speed.is_freeze() => words.push("freeze".into()),
            speed => words.push(format!("speed {speed}")),
        }
        if event.grade.is_some() {
            words.push("grade".into());
        }
    }
    words.join(", ")
}

fn as_json(told: &Told, rows: &[Stretch<'_>]) -> serde_json::Value {
    let cut = &told.cut;
    let start = cut.record.map_or(0, |record| record.first);
    let events: Vec<_> = rows
        .iter()
        .map(|row| {
            let transition = row.join.map(|join| {
                let from =
                    join.from.as_ref().map(|from| json!({ "shot": from.shot, "frame": from.source_first }));
                json!({ "kind": if join.wipe.is_some() { "wipe" } else { "dissolve" }, "pattern": join.wipe,
                    "frames": join.record.len(), "from": from })
            });
            json!({
                "number": row.event.map(|event| event.number),
                "timecode": label(told.rate, cut.drops, row.first),
                "film_first": row.first - start + 1,
                "length": row.frames,
                "shot": row.event.map(|event| &event.shot),
                "first": row.event.map(|event| event.source.first),
                "last": row.event.map(|event| event.source.last),
                "speed": row.event.map(|event| event.speed.number()),
                "transition": transition,
                "grade": row.event.and_then(|event| event.grade).map(|grade| json!({ "slope": grade.slope,
                    "offset": grade.offset, "power": grade.power, "saturation": grade.saturation })),
                "comments": row.event.map_or(&[][..], |event| &event.comments),
            })
        })
        .collect();
    let files: Vec<_> = told
        .files
        .iter()
        .map(|file| json!({ "file": file.file, "kept": file.kept, "told": file.told }))
        .collect();
    let sounds: Vec<_> = cut
        .sounds
        .iter()
        .map(|sound| {
            json!({ "number": sound.number, "clip": sound.clip, "reel": sound.reel, "channels": sound.channels,
                "fade": sound.fade, "source": [sound.source.0, sound.source.1], "speed": sound.speed.number(),
                "record": [sound.record.0, sound.record.1] })
        })
        .collect();
    let shots: Vec<_> = told
        .shots
        .iter()
        .map(|of| {
            let not: Vec<_> = of
                .not
                .iter()
                .map(|(word, frames)| json!({ "state": word, "frames": frames.to_string() }))
                .collect();
            let unapproved = (!of.is_approved()).then(|| of.unapproved.to_string());
            json!({ "shot": of.shot, "stage": of.stage, "frames": of.shown.to_string(), "finished": of.is_finished(),
                "not": not, "passes": of.passes, "unapproved": unapproved })
        })
        .collect();
    json!({ "format": "endboard cut 1", "title": cut.title, "rate": told.rate.to_string(), "drop_frame": cut.drops,
        "start": label(told.rate, cut.drops, start), "frames": cut.record.map_or(0, |record| record.len()),
        "events": events, "sounds": sounds, "files": files, "shots": shots, "remarks": told.remarks })
}
