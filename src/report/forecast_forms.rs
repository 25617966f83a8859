//! A forecast for programs: JSON.
//!
//! Knows its members. Does not know how a forecast is made, nor how it is worded but for changes and what it does not know.

use serde_json::{Value, json};

use super::forecast_words::{Told, change, idle, unknowns, whose};
use crate::forecast::outlook::{Change, SHARES};
use crate::forecast::rates::{Rate, Rates};
use crate::forecast::work::{Basis, Counts, Stage};

/// The most pieces of the chain that are listed.
const CHAIN: usize = 100;

/// The whole forecast. Dates are `YEAR-MONTH-DAY`, or null when that day never comes; hours and days are numbers.
pub fn json(told: &Told<'_>, rates: &Rates, runs: u64, seed: u64) -> Value {
    let date = |day: f64| told.date(day).map(|date| date.to_string());
    let with = |mut out: Value, key: &str, value: Value| {
        out[key] = value;
        out
    };
    let stage = |at: usize| {
        let stage = &told.work.stages[at];
        json!({ "stage": &*stage.name, "of": whose(stage.whose) })
    };
    let piece =
        |at: usize| with(stage(told.work.pieces[at].stage), "shot", json!(&*told.work.pieces[at].shot));
    let remaining = |part: &crate::forecast::outlook::Remaining| {
        let of = &told.work.stages[part.stage];
        let who: Vec<&str> = of.who.iter().map(|&w| &*told.work.workers[w].name).collect();
        json!({ "stage": &*of.name, "of": whose(of.whose), "shots": part.shots, "frames": part.frames, "counts": counts(of),
            "hours": part.hours, "done": part.done.map(|done| done.map(date)), "who": who, "rests_on": basis(of) })
    };
    let mut out = json!({
        "format": "endboard forecast 1", "film": told.film, "from": told.from.to_string(), "due": told.due.map(|due| due.to_string()),
        "runs": runs, "seed": seed, "shares": SHARES, "is_done": told.is_done(), "selectors": told.part.map(|part| part.split(' ').collect::<Vec<_>>()).unwrap_or_default(),
        "rates": rates.all().map(rate).collect::<Vec<_>>(),
        "people": rates.people.iter()
            .map(|p| json!({ "person": &*p.person, "shots": p.shots, "times_as_long": p.times }))
            .collect::<Vec<_>>(),
        "remarks": idle(told),
        "unknown": if told.is_done() { Vec::new() } else { unknowns(told) },
        "dates": null,
    });
    let Some(outlook) = told.outlook else { return out };
    out["dates"] = json!(outlook.days().map(date));
    out["remaining"] = outlook.remaining.iter().map(remaining).collect();
    let share = |of: Value, share: f64| with(of, "share", json!(share));
    out["holds"] = outlook.holds.iter().map(|&(at, of)| share(stage(at), of)).collect();
    out["chain"] = outlook.chain.iter().take(CHAIN).map(|&(at, of)| share(piece(at), of)).collect();
    let saving = |saving: &crate::forecast::outlook::Saving| {
        let days = Some(saving.days).filter(|days| days.is_finite());
        json!({ "changes": saving.changes.iter().map(changed).collect::<Vec<_>>(), "days": days, "runs": saving.runs })
    };
    out["savings"] = outlook.savings.iter().map(saving).collect();
    let step = |step: &crate::forecast::simulate::Step| {
        if !told.work.pieces[step.piece].asked {
            return None;
        }
        let out = with(piece(step.piece), "who", json!(&*told.work.workers[step.who?].name));
        Some(with(with(out, "from", json!(date(step.from + 1e-6))), "done", json!(date(step.to))))
    };
    out["course"] = outlook.course.iter().filter_map(step).collect();
    out
}

fn counts(stage: &Stage) -> &'static str {
    match stage.counts {
        Counts::Frames => "frames",
        Counts::Blocks => "blocks",
        Counts::Both => "frames and blocks",
    }
}

fn basis(stage: &Stage) -> Value {
    match stage.basis {
        Basis::Measured(shots, sure) => json!({ "measured": shots, "sure": sure }),
        Basis::Alike => json!("other stages of its operator"),
        Basis::Guessed => json!("guess"),
        Basis::Unknown => Value::Null,
    }
}

fn changed(what: &Change) -> Value {
    let says = change(what);
    match what {
        Change::Without(shot) => json!({ "drop": &**shot, "says": says }),
        Change::More(stage) => json!({ "more": &**stage, "says": says }),
        Change::Faster(stage, times) => json!({ "faster": &**stage, "times": times, "says": says }),
    }
}

fn rate(rate: &Rate) -> Value {
    let (low, high) = rate.between();
    json!({
        "stage": &*rate.stage, "of": whose(rate.whose), "shots": rate.shots, "frames": rate.frames,
        "seconds_a_frame": rate.typical(), "mean": rate.mean(), "four_in_five": [low, high], "sure": rate.sure(),
        "rework": rate.rework.0, "rework_error": rate.rework.1, "seconds_a_frame_again": rate.again,
    })
}
