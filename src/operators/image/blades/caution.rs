//! Warnings of light that flashes.
//!
//! Knows limits of flicker and of bursts. Does not know pictures: what a film shows in the end must be tested as a whole.

use super::burst::Burst;
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Map, Value};
use crate::operators::WorkingSpace;
use crate::operators::colour::primaries::{Primaries, apply};
use crate::operators::shape::coverage::Window;

/// More flicker than this is warned of (a choice of this tool's own: light that falls by more than a quarter from one
/// frame to the next may count as a flash).
const FLICKER: f64 = 0.25;
/// More bursts than this within a second are warned of: Recommendation ITU-R BT.1702 and WCAG 2.2 allow three flashes.
const BURSTS: usize = 3;
/// Light that counts as a flash, 1 being white, and the share of the frame from which on it does (both the same).
const CHANGE: f64 = 0.1;
const AREA: f64 = 0.25;
/// The share of red from which on red is saturated (WCAG 2.2, red flash: of linear light with BT.709 primaries).
const RED: f64 = 0.8;

/// Warnings of flicker that may flash hard, of the stage's own setting and of each rod's.
pub fn flickers(settings: &Map) -> Problems {
    let rods = settings.get("rods").and_then(Value::map);
    let own = rods.iter().flat_map(|map| &map.entries).filter_map(|(_, rod)| rod.map()?.get("flicker"));
    let mut problems = Problems::new();
    for value in settings.get("flicker").into_iter().chain(own) {
        let Ok(curve) = value.curve() else { continue };
        let most = curve.keys().iter().map(|&(_, [n])| n).fold(0.0, f64::max);
        if most > FLICKER {
            let message =
                format!("flicker of {most} flashes: fast flashing can bring on seizures in some viewers");
            let problem = Problem::error(value.span, message).warning();
            problems
                .push(problem.help(format!("{FLICKER} or less is calmer; read Safety in the README first")));
        }
    }
    problems
}

/// Warnings of bursts: too many within a second, too large, or of saturated red.
pub fn bursts(bursts: &[Burst], space: WorkingSpace, rate: f64, frame: &Window, span: Span) -> Problems {
    let mut problems = Problems::new();
    let mut warn = |message: String, help: &str| {
        problems.push(
            Problem::error(span, message).warning().help(format!("{help}; read Safety in the README first")),
        );
    };
    let frames = |burst: &Burst| (burst.time + 0.5).floor() as i64;
    let mut times: Vec<&Burst> = bursts.iter().collect();
    times.sort_by(|a, b| a.time.total_cmp(&b.time));
    let crowd = times.windows(BURSTS + 1).find(|few| few[BURSTS].time - few[0].time < rate);
    if let Some(few) = crowd {
        let (first, last) = (frames(few[0]), frames(few[BURSTS]));
        warn(
            format!("more than {BURSTS} bursts flash within a second, from frame {first} to {last}"),
            "drop some of them under `clashes`",
        );
    }
    let large = bursts.iter().map(|burst| (burst.flash_area(CHANGE, frame), burst));
    if let Some((area, burst)) = large.max_by(|a, b| a.0.total_cmp(&b.0)).filter(|(area, _)| *area > AREA) {
        let percent = (area * 100.0).round().min(100.0);
        warn(
            format!("the burst on frame {} flashes over {percent}% of the frame", frames(burst)),
            "a lower `burst`, or less `halo`, is calmer",
        );
    }
    let shown = space.encoding().primaries.matrix_to(Primaries::Rec709);
    let red = |burst: &&Burst| {
        // What a display cannot show of a colour it shows as none.
        let [r, g, b] = apply(shown, burst.colour).map(|light| light.max(0.0));
        r > 0.0 && r >= RED * (r + g + b)
    };
    if let Some(burst) = bursts.iter().find(red) {
        warn(
            format!("the burst on frame {} flashes in saturated red", frames(burst)),
            "red flashes are worst: another colour is calmer",
        );
    }
    problems
}
