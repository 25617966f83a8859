//! `match`: a first-pass grade for a shot, from a reference.

use std::cell::Cell;

use super::arguments::Arguments;
use super::arguments::measure::Match;
use super::{Answer, Exit, Failure, rebuild, show};
use crate::base::selector::Selector;
use crate::operators::colour::cdl::Cdl;
use crate::project::Project;
use crate::project::matching::{LITTLE, Matched, Side, Wish};

/// Writes the grade and says how well it does.
pub fn run(project: &Project, arguments: &Arguments, options: &Match) -> Answer {
    let [shot, to] = match [&options.shot, &options.reference].map(|text| text.parse::<Selector>()) {
        [Ok(shot), Ok(to)] => [shot, to],
        both => {
            let wrong = both.into_iter().filter_map(|read| Some(read.err()?.to_string()));
            return Err(Failure::Usage(wrong.collect::<Vec<_>>().join("\n")));
        }
    };
    let wish = Wish {
        shot,
        to,
        within: options.matte.clone(),
        grade_in: options.space.clone(),
        replace: options.replace,
    };
    let told = Cell::new(Some(rebuild::end_when_told()?));
    let matched = project.match_shot(&wish, &|| drop(told.take()))?;
    matched.remarks.iter().for_each(|remark| tell!("{remark}"));
    if arguments.json {
        json(&matched);
    } else {
        text(&matched);
    }
    Ok(Exit::Done)
}

fn json(matched: &Matched) {
    let Matched { found, shot, to, grade_in, file, moved, remarks } = matched;
    let side = |side: &Side| serde_json::json!({ "stage": side.stage, "frames": side.frames });
    let cdl = &found.cdl;
    let all = serde_json::json!({ "format": "endboard match 1", "shot": side(shot), "to": side(to), "grade_in": grade_in,
        "slope": cdl.slope, "offset": cdl.offset, "power": cdl.power, "saturation": cdl.saturation,
        "difference_before": found.before, "difference_after": found.after, "shared": found.shared,
        "file": file, "moved": moved, "remarks": remarks });
    say!("{all:#}");
}

fn text(matched: &Matched) {
    let Matched { found, shot, to, grade_in, file, moved, .. } = matched;
    let side = |side: &Side| format!("{}, {}", side.stage, show::frames(side.frames.len()));
    flow!("{} matched to {}", side(shot), side(to));
    let three = |v: [f64; 3]| v.map(|n| format!("{n:.4}")).join(" ");
    let cdl = &found.cdl;
    flow!(
        "slope {}   offset {}   power {}   saturation {:.4}",
        three(cdl.slope),
        three(cdl.offset),
        three(cdl.power),
        cdl.saturation
    );
    flow!(
        "difference (mean CIE ΔE*ab of 16 zones of lightness): {:.2} before, {:.2} after; {:.0} % of the shot's colours occur in the reference",
        found.before,
        found.after,
        found.shared * 100.0
    );
    if found.cdl == Cdl::default() {
        flow!("no grade was found that brings them closer: this one changes nothing");
    }
    if found.shared < LITTLE {
        flow!(
            "the two have little in common, so that this is a guess; --matte STAGE.CHANNEL compares only what a matte of both shows"
        );
    }
    if let Some(moved) = moved {
        flow!("the file that stood there is {moved} now");
    }
    let space = if grade_in == "working" { String::new() } else { format!(", grade_in: {grade_in}") };
    flow!("written: {file}; to use it, write `cdl: {file}{space}` in the shot's `grade`");
}
