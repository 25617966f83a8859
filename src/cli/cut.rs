//! `cut`: the cut in use as a table, and the film as it stands for others.
//!
//! Knows how a cut is printed. What is in it, and how files of it are written, others know.

use std::cell::Cell;

use serde_json::json;

use super::arguments::{self, Arguments};
use super::{Answer, Exit, rebuild, show};
use crate::base::frames::FrameRange;
use crate::base::rate::Rate;
use crate::base::timecode::Counting;
use crate::cut::finished::{Stretch, stretches};
use crate::project::Project;
use crate::project::cutting::{Told, Wish};

/// Prints the cut, or writes it.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::cut::Cut) -> Answer {
    let wish = Wish {
        edl: options.edl.clone(),
        otio: options.otio.clone(),
        grades: options.grades,
        replace: options.replace,
    };
    let writes = wish.edl.is_some() || wish.otio.is_some() || wish.grades;
    let held = Cell::new(if writes { Some(rebuild::end_when_told()?) } else { None });
    let told = project.cut_told(&wish, &|| drop(held.take()))?;
    if arguments.json {
        say!("{:#}", as_json(&told));
        return Ok(Exit::Done);
    }
    if !writes {
        table(&told);
    }
    for file in &told.files {
        file.told.iter().for_each(|words| tell!("{}: {}", file.file, show::clean(words)));
        if let Some(kept) = &file.kept {
            say!("the file that stood there is {kept} now");
        }
        say!("written: {}", file.file);
    }
    told.remarks.iter().for_each(|remark| tell!("{}", show::clean(remark)));
    Ok(Exit::Done)
}

fn label(rate: Rate, drops: bool, frame: i64) -> String {
    let counting = if drops { Counting::drop_frame(rate) } else { Counting::non_drop(rate) };
    counting.map_or_else(|_| frame.to_string(), |counting| counting.label(frame).to_string())
}

/// One line an event, black among them.
fn table(told: &Told) {
    let cut = &told.cut;
    let Some(record) = cut.record else {
        say!("the film shows nothing yet");
        return;
    };
    let lines: Vec<[String; 6]> = stretches(cut)
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
    say!(
        "{}, {} of {} shots, {}",
        show::frames(record.len()),
        counted(cut.events.len(), "event"),
        shots.len(),
        counted(cut.dissolves.len(), "transition")
    );
    if !cut.sounds.is_empty() {
        say!("{} of sound are kept; what is heard is laid by cues", counted(cut.sounds.len(), "event"));
    }
}

fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
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

fn as_json(told: &Told) -> serde_json::Value {
    let cut = &told.cut;
    let start = cut.record.map_or(0, |record| record.first);
    let events: Vec<_> = stretches(cut)
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
    json!({ "format": "endboard cut 1", "title": cut.title, "rate": told.rate.to_string(), "drop_frame": cut.drops,
        "start": label(told.rate, cut.drops, start), "frames": cut.record.map_or(0, |record| record.len()),
        "events": events, "sounds": sounds, "files": files, "remarks": told.remarks })
}
