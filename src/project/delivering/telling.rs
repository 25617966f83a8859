//! What is told of a delivery, in its report and in its manifest.
//!
//! Knows the words. Does not know how a report is laid out.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Due;
use super::paper::Paper;
use crate::base::frames::FrameSet;
use crate::deliver::mhl::Creator;
use crate::deliver::target::Target;
use crate::deliver::verify::Report;
use crate::inspect::flash::CAUTION;
use crate::project::Status;
use crate::project::inspecting::Inspected;
use crate::project::sheet::finished;
use crate::report::words;

/// Parts of the report.
pub const CHECKS: &str = "Checks";
/// See [`CHECKS`].
pub const INSPECTION: &str = "Inspection";
/// See [`CHECKS`]: what went out although it would have refused the delivery, by its place. All that is said of the delivery later
/// says it again.
pub const PASSED: &str = "Delivered as it is";
/// See [`CHECKS`].
pub const CAUTIONS: &str = "Cautions";

/// The report of what is to lie in a folder, as far as it can be told before anything is made.
pub fn begun(status: &Status, due: &Due, folder: &str, date: Timestamp) -> Paper {
    let (graph, target) = (&status.declared.graph, &due.ready.target);
    let mut paper = Paper::new(format!("{}: delivery {}", graph.film, due.name));
    let part = "Delivery";
    paper.add(part, "film", graph.film.as_str());
    paper.add(part, "made", words::clock_told(date, &TimeZone::system()));
    paper.add(part, "by", format!("Endboard {}", env!("CARGO_PKG_VERSION")));
    if !due.known.program.is_empty() {
        paper.add(part, "coded by", due.known.program.as_str());
    }
    paper.add(part, "target", due.ready.told_in(folder));
    paper.add(part, "first frame", target.timecode.as_deref().unwrap_or("no timecode"));
    let part = "What went in";
    for of in &due.needs.parts {
        let frames: FrameSet = of.pieces.iter().map(|(n, _)| *n).collect();
        let (thing, rest) =
            if graph.nodes[of.id].is_heard() { ("block", " of sound") } else { ("frame", "") };
        let says = format!("{}{rest}, digest {}", words::count(frames.len() as u64, thing), of.digest());
        paper.add(part, format!("{}@{frames}", of.name), says);
    }
    if due.ready.picture.is_some() {
        let stages: Vec<String> = finished(graph).into_iter().map(|id| graph.nodes[id].name()).collect();
        paper.add(part, "of these stages", stages.join(", "));
    }
    paper.add(part, "digest of all", due.known.key().to_string());
    paper
}

/// Who lists a delivery, with what is to be known of it.
pub fn creator(paper: &Paper, machine: &str, date: Timestamp) -> Creator {
    let passed: Vec<String> =
        paper.lines(PASSED).iter().map(|(place, says)| format!("{place}: {says}")).collect();
    let comment = (!passed.is_empty()).then(|| format!("delivered as it is: {}", passed.join("; ")));
    Creator {
        date,
        host: machine.to_string(),
        tool: "Endboard".into(),
        version: env!("CARGO_PKG_VERSION").into(),
        authors: Vec::new(),
        location: None,
        comment,
    }
}

/// What is let pass of what goes in.
pub fn passed(due: &Due, paper: &mut Paper) {
    for lack in due.kept.iter().chain(&due.faults) {
        paper.add(PASSED, lack.place.as_str(), lack.why.as_str());
    }
}

/// What whoever takes a delivery should know.
pub fn cautions(due: &Due, inspected: &Inspected, paper: &mut Paper) {
    if due.ready.picture.is_some() {
        let count = inspected.found.iter().filter(|found| found.kind.ends_with("flash")).count();
        let flashes = match count {
            0 => "Inspection found no flashing beyond the limits.".to_string(),
            1 => "Inspection found flashing beyond the limits in one place, named above.".to_string(),
            _ => format!("Inspection found flashing beyond the limits in {count} places, named above."),
        };
        paper.add(
            CAUTIONS,
            "flashing pictures",
            format!(
                "can bring on seizures in some viewers. {flashes} {CAUTION} Before the film is shown, have it tested by the rules that \
                 apply where it is shown."
            ),
        );
    }
    if due.ready.target.sound.is_some() {
        paper.add(
            CAUTIONS,
            "sound",
            "Turn monitors and headphones down before you play it: loud sound harms hearing.",
        );
    }
    paper.add(
        CAUTIONS,
        "files",
        "ascmhl/ lists all of them with digests; `endboard deliver --check FOLDER` checks the files by it.",
    );
}

/// Tells what was found in a movie.
pub fn movie(report: &Report, frames: u64, target: &Target, file: &str, paper: &mut Paper) {
    let ratio =
        |ratio: f64| if ratio.is_infinite() { "no bit differs".into() } else { format!("{ratio:.2} dB") };
    let frame = |ratio: f64, worst: u64| {
        if ratio.is_infinite() { String::new() } else { format!(", in frame {}", worst + 1) }
    };
    paper.add(CHECKS, file, format!("decoded again: {} frames of {frames}", report.frames));
    let (luma, all, limits) = (report.luma, report.all, target.limits);
    for (what, found, limit) in
        [("Y' of the worst frame", luma, limits.luma), ("picture of the worst frame", all, limits.all)]
    {
        let says = format!(
            "{}{}; of all frames together {}; asked for: {}",
            ratio(found.least),
            frame(found.least, found.worst),
            ratio(found.mean),
            ratio(limit)
        );
        paper.add(CHECKS, what, says);
    }
    let said = &report.described;
    let words = |list: &[Option<String>]| {
        let words: Vec<&str> = list.iter().map(|word| word.as_deref().unwrap_or("not told")).collect();
        words.join(", ")
    };
    let rate = said.rate.map_or_else(|| "no rate".into(), |(frames, seconds)| format!("{frames}/{seconds}"));
    paper.add(
        CHECKS,
        "its header says",
        format!(
            "{} x {} at {rate}, {}",
            said.size.0,
            said.size.1,
            words(&[said.pixels.clone(), said.timecode.clone()])
        ),
    );
    paper.add(CHECKS, "its colour", words(&said.colour));
    if let Some(sound) = &report.sound {
        let says = match sound.is_exact {
            true => format!("{} samples, every one that of the film at 24 bits", sound.samples),
            false => {
                let each = |values: &mut dyn Iterator<Item = String>| values.collect::<Vec<_>>().join(", ");
                let below = sound.levels.iter().zip(&sound.residues).map(|(level, left)| level - left);
                format!(
                    "{} samples; levels of its channels against the film's: {}; what the coder adds lies below them by {}",
                    sound.samples,
                    each(&mut sound.differences.iter().map(|db| format!("{db:+.2} dB"))),
                    each(&mut below.map(|db| format!("{db:.1} dB")))
                )
            }
        };
        paper.add(CHECKS, "sound beside the picture", says);
    }
}
