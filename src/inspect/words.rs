//! What a person is told of each finding: one or two sentences.
//!
//! Knows findings. Does not know how they were found.

use super::finding::{Finding, Kind, PixelBox, Side};
use super::remedy::Remedy;
use super::sound::{Heard, HeardKind};

/// The sentence for a finding of the picture.
pub fn of_picture(finding: &Finding) -> String {
    let frames = frames(finding);
    let count = finding.frames.len();
    match &finding.kind {
        Kind::Missing => format!("{frames} {}: render or copy {} again.", are(count, "missing"), them(count)),
        Kind::Size { found, declared } => format!(
            "{frames} {} {} x {} pixels, but the film is {} x {}.",
            verb(count, "measures", "measure"),
            found.0,
            found.1,
            declared.0,
            declared.1
        ),
        Kind::Rate { found, declared } => format!(
            "The material runs at {} frames a second, but the film at {}: it would play at another speed, or out of step with the sound.",
            short(*found),
            short(*declared)
        ),
        Kind::Black => black(finding, &frames, count),
        Kind::Odd => format!(
            "{frames} stands alone: it differs from the frame before and the frame after over {} of the frame{}, while these two resemble each \
             other. It may be a wrong or an old frame; look at it beside its neighbours.",
            percent(finding.amount),
            place(finding)
        ),
        Kind::Stray => format!(
            "{frames} breaks the movement: it lies {:.1} times as far from its neighbours as they move, and these lie closer together. It may be a \
             frame of another moment; look at it beside its neighbours.",
            finding.amount
        ),
        Kind::Frozen { .. } | Kind::Repeat { .. } | Kind::Cadence { .. } => repeats(finding, &frames, count),
        Kind::NotANumber | Kind::Negative { .. } | Kind::AboveWhite { .. } | Kind::SeeThrough { .. } => {
            values(finding, &frames, count)
        }
        Kind::EdgeLines { .. } | Kind::Bars { .. } => sides(finding, &frames),
        Kind::Levels { low, high, filtered } => format!(
            "{frames}: {} of the picture{} lies outside the levels of EBU R 103 (R', G', B' and Y' from 20 to 984 in codes of 10 bits or as set; {} \
             of it may). The codes reach from {low:.0} to {high:.0}{}. Bring the signal within them before delivery.",
            percent(finding.amount),
            place(finding),
            percent(finding.limit),
            if *filtered { ", after a low-pass over 3 x 3 pixels" } else { "" }
        ),
        Kind::Flash { red, changes, area, field, remedy } => {
            let what = if *red { "saturated red flashes" } else { "the picture flashes" };
            format!(
                "{frames}: {what} {} times within a second ({changes} changes), over {} of the screen and {} of a field of ten degrees{}. \
                 No more than three flashes a second are allowed over more than 25 %. {}",
                short(*changes as f64 / 2.0),
                percent(*area),
                percent(*field),
                place(finding),
                way_out(remedy.as_ref())
            )
        }
    }
}

fn way_out(remedy: Option<&Remedy>) -> String {
    let Some(remedy) = remedy else {
        return "Lessen its contrast, its speed or its area.".into();
    };
    let contrast = match remedy.contrast {
        0.0 => String::new(),
        factor => format!("multiply the changes of light by {factor:.3} or less, "),
    };
    let speed = if remedy.speed < 0.01 {
        String::new()
    } else {
        format!("slow it to {:.1} % of its speed, ", remedy.speed * 100.0)
    };
    format!(
        "Any one of these brings it under: {contrast}{speed}begin a flash at least {} frames after the last one, or keep it to {:.0} % of the area.",
        remedy.frames_apart,
        (remedy.area * 100.0).floor()
    )
}

fn black(finding: &Finding, frames: &str, count: usize) -> String {
    use super::finding::Weight;
    match finding.weight {
        Weight::Fault => format!(
            "{frames} {} between lit frames: most likely a gap in the cut or a failed render.",
            are(count, "black")
        ),
        Weight::Suspect => {
            format!("{frames} {} between lit frames ({count} frames). Is that meant?", are(count, "black"))
        }
        Weight::Hint => format!("{frames} {}.", are(count, "black")),
    }
}

fn repeats(finding: &Finding, frames: &str, count: usize) -> String {
    match finding.kind {
        Kind::Frozen { exact: true } => format!(
            "{frames}: the picture stands still for {count} frames, not one pixel differs. If that is meant, declare it as a still."
        ),
        Kind::Frozen { exact: false } => {
            format!(
                "{frames}: the picture nearly stands still for {count} frames. If that is meant, declare it as a still."
            )
        }
        Kind::Cadence { every } => format!(
            "{frames}: every {every} frames a frame repeats the one before, {} times, as a change of frame rate leaves it.",
            finding.amount
        ),
        Kind::Repeat { exact } => format!(
            "{frames} {} the one before although the shot moves{}: a frame too many or one that was rendered twice.",
            verb(count, "repeats", "repeat"),
            if exact { "" } else { " (nearly; not to the pixel)" }
        ),
        _ => String::new(),
    }
}

fn values(finding: &Finding, frames: &str, count: usize) -> String {
    let (share, has, place) = (up_to(finding.amount), verb(count, "has", "have"), place(finding));
    match finding.kind {
        Kind::NotANumber => format!(
            "{frames} {has} values that are no numbers or infinite, in {share} of the frame{place}. They spread through every blur: find \
             the stage that makes them."
        ),
        Kind::Negative { worst, at } => format!(
            "{frames} {has} values below black in {share} of the frame{place}, down to {worst:.3} at column {}, row {} of frame {}. They \
             will be clipped.",
            at.0, at.1, finding.shows
        ),
        Kind::AboveWhite { worst, at } => format!(
            "{frames} {has} values above white in {share} of the frame{place}, up to {worst:.3} at column {}, row {} of frame {}. They will \
             be clipped.",
            at.0, at.1, finding.shows
        ),
        Kind::SeeThrough { least, side } => {
            let along = side.map(|side| format!(", along the {} border", side.word())).unwrap_or_default();
            format!(
                "{frames}: what lies behind shows through in {share} of the frame{along}{place}; alpha falls to {least:.2}. The picture must cover \
                 the whole frame."
            )
        }
        _ => String::new(),
    }
}

fn sides(finding: &Finding, frames: &str) -> String {
    match finding.kind {
        Kind::EdgeLines { side, lines, bright, ratio } => {
            let what = if bright { "brighter" } else { "darker" };
            let of = match side {
                Side::Top | Side::Bottom => several(lines, "row"),
                Side::Left | Side::Right => several(lines, "column"),
            };
            let half = if !bright && (0.25..0.75).contains(&ratio) {
                " Half-lit lines are what a change of size leaves at a border."
            } else {
                ""
            };
            format!(
                "{frames}: the outermost {of} at the {} border {} {what} than the picture beside ({ratio:.2} of it) along {} of the border. \
                 Enlarge the picture a little or fill the border.{half}",
                side.word(),
                verb(lines as usize, "is", "are"),
                percent(finding.amount)
            )
        }
        Kind::Bars { side, lines, declared: 0 } => format!(
            "{frames}: a black bar of {lines} lines lies at the {} border, and none is declared.",
            side.word()
        ),
        Kind::Bars { side, lines, declared } => format!(
            "{frames}: the black bar at the {} border is {lines} lines wide, but {declared} are declared.",
            side.word()
        ),
        _ => String::new(),
    }
}

/// The sentence for a finding of the sound.
pub fn of_sound(heard: &Heard) -> String {
    let at = |sample: u64| seconds(sample as f64 / f64::from(heard.rate));
    let span = format!("From {} to {}", at(heard.from), at(heard.to));
    let channel = heard.channel.map(|channel| format!("channel {}", channel + 1)).unwrap_or_default();
    let (amount, limit) = (heard.amount, heard.limit);
    match heard.kind {
        HeardKind::Silence => format!("{span} there is no sound at all ({amount:.1} s). Is that meant?"),
        HeardKind::SilentHead => format!("The sound begins after {amount:.2} s of silence."),
        HeardKind::SilentTail => format!("The sound ends {amount:.2} s before the end."),
        HeardKind::Dead => {
            format!("Nothing is on {channel} from beginning to end (its peak is {amount:.0} dBFS).")
        }
        HeardKind::AllSilent => "There is no sound at all on any channel.".into(),
        HeardKind::Clipped { runs } => format!(
            "{} is clipped {runs} {}: up to {amount:.0} samples in a row stand at full scale, first at {}.",
            capital(&channel),
            verb(runs as usize, "time", "times"),
            at(heard.from)
        ),
        HeardKind::Offset => format!(
            "{} does not swing about zero: its mean is {amount:.4} of full scale (limit {limit}). Take the offset out.",
            capital(&channel)
        ),
        HeardKind::OutOfPhase => format!(
            "{span} left and right work against each other (correlation down to {amount:.2}, limit {limit}): on one loudspeaker sound will \
             vanish. Is one of them turned over?"
        ),
        HeardKind::Identical => "Left and right are the same: the sound is mono on two channels.".into(),
        HeardKind::Click => format!(
            "{} jumps by {amount:.2} of full scale from one sample to the next at {}: a click, as of a bad edit.",
            capital(&channel),
            at(heard.from)
        ),
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn seconds(at: f64) -> String {
    let whole = at.floor();
    let (minutes, rest) = ((whole / 60.0).floor(), at - (whole / 60.0).floor() * 60.0);
    format!("{minutes:.0}:{rest:06.3}")
}

fn frames(finding: &Finding) -> String {
    let word = if finding.frames.len() == 1 { "Frame" } else { "Frames" };
    format!("{word} {}", finding.frames)
}

fn verb(count: usize, one: &'static str, many: &'static str) -> &'static str {
    if count == 1 { one } else { many }
}

fn are(count: usize, what: &str) -> String {
    format!("{} {what}", verb(count, "is", "are"))
}

fn them(count: usize) -> &'static str {
    verb(count, "it", "them")
}

fn place(finding: &Finding) -> String {
    let Some(PixelBox { left, top, width, height }) = finding.place else { return String::new() };
    match (width, height) {
        (1, 1) => format!(" (column {left}, row {top})"),
        _ => format!(" (columns {left}-{}, rows {top}-{})", left + width - 1, top + height - 1),
    }
}

/// A share in percent, with as many digits as tell something.
fn percent(share: f64) -> String {
    let percent = share * 100.0;
    match percent {
        p if p >= 10.0 => format!("{p:.0} %"),
        p if p >= 0.1 => format!("{p:.1} %"),
        p if p >= 0.001 => format!("{p:.3} %"),
        _ => "less than 0.001 %".into(),
    }
}

/// A number of lines in words; one needs no number.
fn several(count: u32, what: &str) -> String {
    if count == 1 { what.into() } else { format!("{count} {what}s") }
}

/// A share as the most of several.
fn up_to(share: f64) -> String {
    let percent = percent(share);
    if percent.starts_with("less") { percent } else { format!("up to {percent}") }
}

fn short(number: f64) -> String {
    let text = format!("{number:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_told_with_the_digits_that_matter() {
        assert_eq!(
            [0.256, 0.0123, 0.00004, 1e-7].map(percent),
            ["26 %", "1.2 %", "0.004 %", "less than 0.001 %"]
        );
        assert_eq!([24.0, 24000.0 / 1001.0, 3.5].map(short), ["24", "23.976", "3.5"]);
        assert_eq!([0.256, 1e-7].map(up_to), ["up to 26 %", "less than 0.001 %"]);
        assert_eq!([1, 3].map(|count| several(count, "row")), ["row", "3 rows"]);
        assert_eq!(seconds(61.25), "1:01.250");
    }
}
