//! `inspect`: what is wrong with picture and sound, the most serious first.

use super::arguments::{self, Arguments};
use super::progress::Reading;
use super::rebuild::end_when_told;
use super::{Answer, Exit, show};
use crate::base::frames::FrameRange;
use crate::inspect::finding::Weight;
use crate::project::Project;
use crate::project::inspecting::leaders::Pop;
use crate::project::inspecting::sounds::Reading as Measured;
use crate::project::inspecting::{Found, Inspected, Wish};
use crate::report::words;

/// Inspects and tells; a fault makes the exit code 1.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Inspect) -> Answer {
    let told = end_when_told()?;
    let status = project.status(false, &|_, _| {})?;
    let reading = Reading::new("looking and listening");
    let wish = Wish { selectors: options.selectors.clone(), pictures: options.out.clone() };
    let inspected = project.inspect(&status, &wish, &|done, of| reading.at(done, of));
    reading.end();
    let inspected = inspected?;
    if wish.selectors.is_empty()
        && let Err(error) = project.keep_findings(&status, &inspected, jiff::Timestamp::now())
    {
        tell!("what was found could not be kept for `endboard page`: {error}");
    }
    drop(told);
    if arguments.json {
        say!("{:#}", answer(&status.declared.graph.film, &inspected));
    } else {
        text(&inspected);
    }
    Ok(if inspected.count(Weight::Fault) > 0 { Exit::Unsound } else { Exit::Done })
}

fn text(inspected: &Inspected) {
    for found in &inspected.found {
        flow!("{:7}  {}", found.weight.word(), found.place());
        flow!("         {}", show::clean(&found.says));
        if let Some(picture) = &found.picture {
            say!("         {}", picture.display());
        }
    }
    if !inspected.found.is_empty() {
        say!("");
    }
    if !inspected.heard.is_empty() {
        measured(&inspected.heard);
        say!("");
    }
    for pop in &inspected.pops {
        if let Ok(synced) = &pop.found {
            flow!("{}@{}  {}  {}", pop.stage, pop.frame, pop.timecode, synced.sentence());
            say!("");
        }
    }
    inspected.remarks.iter().for_each(|remark| tell!("{remark}"));
    let mut parts: Vec<String> = Vec::new();
    for looked in &inspected.looked {
        let lacking =
            if looked.lacking > 0 { format!(", {} not there", looked.lacking) } else { String::new() };
        parts.push(format!(
            "{}: {} looked at{lacking}",
            looked.stage,
            words::count(looked.frames as u64, "frame")
        ));
    }
    parts.extend(
        inspected.heard.iter().map(|heard| format!("{}: {:.1} s listened to", heard.stage, heard.seconds)),
    );
    parts.iter().for_each(|part| flow!("{part}"));
    let [faults, suspects, hints] =
        [Weight::Fault, Weight::Suspect, Weight::Hint].map(|weight| inspected.count(weight));
    flow!(
        "{}, {}, {}",
        words::count(faults as u64, "fault"),
        words::count(suspects as u64, "suspect"),
        words::count(hints as u64, "hint")
    );
    inspected.cautions().iter().for_each(|caution| flow!("{caution}"));
}

/// What sounds measure, as a table.
fn measured(heard: &[Measured]) {
    let names: Vec<String> = heard
        .iter()
        .map(|one| format!("{}{}", one.stage, if one.is_dialogue { " (dialogue)" } else { "" }))
        .collect();
    let wide = names.iter().map(|name| name.chars().count()).max().unwrap_or(0).max(5);
    say!("{:wide$}   LUFS  range LU  momentary  short-term  peak dBTP", "sound");
    for (one, name) in heard.iter().zip(&names) {
        let of = &one.loudness;
        let target = one.target.map_or(String::new(), |target| {
            format!("   target {:.1} LUFS, {:.1} dBTP", target.loudness, target.true_peak)
        });
        say!(
            "{name:wide$}  {:>5}  {:>8.1}  {:>9}  {:>10}  {:>9}{target}",
            level(of.integrated),
            of.range,
            level(of.momentary),
            level(of.short_term),
            level(of.true_peak)
        );
    }
}

/// A level; silence has none.
fn level(level: f64) -> String {
    if level.is_finite() { format!("{level:.1}") } else { "—".into() }
}

fn answer(film: &str, inspected: &Inspected) -> serde_json::Value {
    let looked = inspected.looked.iter().map(|looked| {
        serde_json::json!({ "stage": looked.stage, "frames": looked.frames, "lacking": looked.lacking })
    });
    let heard = inspected.heard.iter().map(|heard| {
        let of = &heard.loudness;
        let target = heard.target.map(|target| {
            serde_json::json!({ "loudness": target.loudness, "true_peak": target.true_peak })
        });
        serde_json::json!({ "stage": heard.stage, "dialogue": heard.is_dialogue, "seconds": heard.seconds,
            "integrated": of.integrated, "range": of.range, "momentary": of.momentary, "short_term": of.short_term,
            "true_peak": of.true_peak, "sample_peak": of.sample_peak, "target": target })
    });
    serde_json::json!({
        "format": "endboard inspect 1",
        "film": film,
        "faults": inspected.count(Weight::Fault),
        "suspects": inspected.count(Weight::Suspect),
        "hints": inspected.count(Weight::Hint),
        "looked": looked.collect::<Vec<_>>(),
        "heard": heard.collect::<Vec<_>>(),
        "sync": inspected.pops.iter().map(pop).collect::<Vec<_>>(),
        "findings": inspected.found.iter().map(finding).collect::<Vec<_>>(),
        "remarks": inspected.remarks,
        "cautions": inspected.cautions(),
    })
}

fn pop(pop: &Pop) -> serde_json::Value {
    let mut all = super::deliver::synced_json(&pop.found);
    all["stage"] = serde_json::json!(pop.stage);
    all["at"] = serde_json::json!(format!("{}@{}", pop.stage, pop.frame));
    all["timecode"] = serde_json::json!(pop.timecode);
    all
}

fn finding(found: &Found) -> serde_json::Value {
    let text = |frames: Option<FrameRange>| frames.map(|frames| frames.to_string());
    let shots = found
        .shots
        .iter()
        .map(|shown| serde_json::json!({ "shot": shown.shot, "frames": shown.frames.to_string() }));
    let place = found.place.map(|place| {
        serde_json::json!({ "left": place.left, "top": place.top, "width": place.width, "height": place.height })
    });
    serde_json::json!({
        "weight": found.weight.word(),
        "kind": found.kind,
        "stage": found.stage,
        "frames": text(found.frames),
        "shows": found.shows,
        "shots": shots.collect::<Vec<_>>(),
        "film": text(found.film),
        "timecode": found.timecode,
        "says": found.says,
        "amount": found.amount.map(|(amount, _, _)| amount),
        "limit": found.amount.map(|(_, limit, _)| limit),
        "unit": found.amount.map(|(_, _, unit)| unit),
        "place": place,
        "picture": found.picture.as_ref().map(|file| file.display().to_string()),
    })
}
