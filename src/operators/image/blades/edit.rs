//! Which clashes burst, and how: the stage's settings, and what a person says of single clashes.
//!
//! Knows names of clashes and what may be done with them. Finding clashes is `clash`'s; drawing bursts is `burst`'s.

use super::burst::{self, Burst};
use super::clash::{Clash, matched};
use super::look::Look;
use crate::base::curve::Curve;
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Fields, Node, Value};
use crate::operators::{Found, Reader};

/// How far in frames a clash may have gone from the frame that its name says, and still be meant.
const NEAR: f64 = 4.0;
/// Limits of what an edit may say.
const MOVE_LIMIT: f64 = 1e6;
const FRAMES_LIMIT: f64 = 1000.0;
const LIGHT_LIMIT: f64 = 4.0;

/// How a stage's clashes burst.
#[derive(Clone, Debug)]
pub struct Style {
    /// How bright.
    pub burst: Curve<1>,
    sparks: Curve<1>,
    gravity: f64,
    life: f64,
    /// Touching distance as a share of the radii.
    pub touch: f64,
    seed: i64,
    edits: Vec<Edit>,
}

/// What a person says of one clash.
#[derive(Clone, Debug)]
struct Edit {
    rods: String,
    frame: i64,
    name: String,
    span: Span,
    /// Pixels, frames and a factor of its light; none when it is dropped.
    change: Option<([f64; 2], f64, f64)>,
}

/// Reads the settings of bursts.
pub fn read(reader: &mut Reader<'_>) -> Style {
    let mut edits: Vec<Edit> = Vec::new();
    let value = reader.value("clashes");
    if let (Some(value), None) = (value, value.and_then(Value::map)) {
        reader.problems.push(value.wrong("a map of clashes"));
    }
    for (key, value) in value.and_then(Value::map).iter().flat_map(|map| &map.entries) {
        let Some((rods, frame)) = split(&key.text) else {
            let problem = Problem::error(key.span, format!("'{}' does not name a clash", key.text));
            reader.problems.push(problem.help("ROD+ROD@FRAME; `endboard clashes SHOT` lists them"));
            continue;
        };
        let change = match change(value, &key.text, &mut reader.problems) {
            Ok(change) => change,
            Err(problem) => {
                reader.problems.push(problem);
                continue;
            }
        };
        edits.push(Edit { rods, frame, name: key.text.clone(), span: key.span, change });
    }
    Style {
        burst: reader.curve("burst"),
        sparks: reader.curve("sparks"),
        gravity: reader.number("gravity"),
        life: reader.number("life"),
        touch: reader.number("touch"),
        seed: reader.whole("seed"),
        edits,
    }
}

/// The rods in the order of the alphabet, and the frame.
fn split(name: &str) -> Option<(String, i64)> {
    let (rods, frame) = name.split_once('@')?;
    let (a, b) = rods.split_once('+')?;
    let rods = if a <= b { format!("{a}+{b}") } else { format!("{b}+{a}") };
    (!a.is_empty() && !b.is_empty() && a != b).then_some((rods, frame.parse().ok()?))
}

type Change = Option<([f64; 2], f64, f64)>;

fn change(value: &Value, name: &str, problems: &mut Problems) -> Result<Change, Problem> {
    if !matches!(value.node, Node::Map(_)) {
        return match value.text() {
            Ok("drop") => Ok(None),
            Ok("keep") => Ok(Some(([0.0; 2], 0.0, 1.0))),
            _ => Err(value.wrong("keep, drop, or { move: [x, y], frames: N, light: FACTOR }")),
        };
    }
    let mut fields = Fields::of(value, format!("clash {name}"))?;
    let limited = |value: &Value, limits: [f64; 2]| {
        let n = value.number()?;
        let within = (limits[0]..=limits[1]).contains(&n);
        let [min, max] = limits;
        let fault = || {
            Problem::error(value.span, format!("{n} is out of range")).help(format!("from {min} to {max}"))
        };
        if within { Ok(n) } else { Err(fault()) }
    };
    let by = fields.read("move", |v| {
        let by = v.numbers::<2>()?;
        let within = by.iter().all(|n| n.abs() <= MOVE_LIMIT);
        if within { Ok(by) } else { Err(Problem::error(v.span, "a move is out of range")) }
    });
    let frames = fields.read("frames", |v| limited(v, [-FRAMES_LIMIT, FRAMES_LIMIT]));
    let light = fields.read("light", |v| limited(v, [0.0, LIGHT_LIMIT]));
    problems.extend(fields.finish());
    Ok(Some((by.unwrap_or([0.0; 2]), frames.unwrap_or(0.0), light.unwrap_or(1.0))))
}

/// The frame that shows a clash first, which is moved by this many.
fn shown(clash: &Clash, frames: f64) -> i64 {
    (clash.time + frames + 0.5).floor() as i64
}

impl Style {
    /// Whether anything that a person should be told depends on which clashes there are.
    pub fn is_used(&self) -> bool {
        !self.edits.is_empty() || self.is_lit()
    }

    /// Whether any clash may burst.
    pub fn is_lit(&self) -> bool {
        self.burst.keys().iter().any(|(_, [n])| *n > 0.0)
    }

    /// What becomes of each clash.
    fn changes(&self, clashes: &[Clash]) -> (Vec<Change>, Vec<Option<usize>>) {
        let wanted: Vec<(&str, i64)> = self.edits.iter().map(|edit| (&*edit.rods, edit.frame)).collect();
        let meant = matched(clashes, &wanted, NEAR);
        let mut changes = vec![Some(([0.0; 2], 0.0, 1.0)); clashes.len()];
        for (edit, clash) in self.edits.iter().zip(&meant) {
            if let Some(clash) = clash {
                changes[*clash] = edit.change;
            }
        }
        (changes, meant)
    }

    /// What becomes of a clash, in words.
    fn becomes(&self, clash: &Clash, change: &Change) -> String {
        let Some((by, frames, light)) = change else { return "dropped".into() };
        if !self.is_lit() {
            return "no burst: `burst` is 0".into();
        }
        let frame = shown(clash, *frames);
        if self.burst.at(frame as f64)[0] <= 0.0 {
            return format!("no burst: `burst` is 0 at frame {frame}");
        }
        if *light <= 0.0 {
            return "no burst: its `light` is 0".into();
        }
        let mut words = Vec::new();
        if *by != [0.0; 2] {
            words.push(format!("moved by [{}, {}] px", by[0], by[1]));
        }
        if *frames != 0.0 {
            let (count, way) = (frames.abs(), if *frames > 0.0 { "later" } else { "earlier" });
            words.push(format!("{count} {} {way}", if count == 1.0 { "frame" } else { "frames" }));
        }
        if *light != 1.0 {
            words.push(format!("light {light}"));
        }
        if words.is_empty() { "kept".into() } else { words.join(", ") }
    }

    /// The bursts of clashes between rods that shine so.
    pub fn bursts(&self, clashes: &[Clash], looks: &[&Look]) -> Vec<Burst> {
        let (changes, _) = self.changes(clashes);
        let mut out = Vec::new();
        for (clash, change) in clashes.iter().zip(changes) {
            let Some((by, frames, light)) = change else { continue };
            let time = clash.time + frames;
            let frame = shown(clash, frames);
            let [a, b] = clash.pair.map(|rod| looks[rod].at(frame));
            let mean = |x: f64, y: f64| (x + y) / 2.0;
            let [strength] = self.burst.at(frame as f64);
            let strength = strength * light * burst::strength(clash.force);
            let width = mean(a.width, b.width);
            let whole = self.sparks.at(frame as f64)[0];
            out.push(Burst {
                pair: clash.pair,
                time,
                at: [clash.at[0] + by[0], clash.at[1] + by[1]],
                strength,
                sparks: (whole * (0.4 + 0.6 * burst::strength(clash.force))).round() as usize,
                gravity: self.gravity,
                life: self.life,
                width,
                light: mean(a.light, b.light),
                halo: mean(a.halo, b.halo),
                halo_reach: mean(a.halo_size * a.width, b.halo_size * b.width),
                spill: mean(a.spill, b.spill),
                colour: std::array::from_fn(|i| mean(a.colour[i], b.colour[i])),
                seed: burst::seed(self.seed, &clash.name),
            });
        }
        out.retain(|burst| burst.strength > 0.0);
        out
    }

    /// Warnings of edits whose clash is not there any more.
    pub fn lost(&self, clashes: &[Clash]) -> Problems {
        let (_, meant) = self.changes(clashes);
        let lost = self.edits.iter().zip(meant).filter(|(_, meant)| meant.is_none());
        let tell = |edit: &Edit| {
            let message = format!("the rods do not clash near '{}'", edit.name);
            let problem = Problem::error(edit.span, message).warning();
            let of_pair = clashes.iter().filter(|clash| clash.rods() == edit.rods);
            let names: Vec<&str> = of_pair.map(|clash| &*clash.name).take(12).collect();
            match names.is_empty() {
                true => problem.help("`endboard clashes SHOT` lists the clashes that there are"),
                false => problem.help(format!("these rods' clashes: {}", names.join(", "))),
            }
        };
        lost.map(|(edit, _)| tell(edit)).collect()
    }

    /// All clashes, with what becomes of each.
    pub fn finds(&self, clashes: &[Clash]) -> Vec<Found> {
        let (changes, _) = self.changes(clashes);
        let says = |clash: &Clash, change: &Change| {
            let force = format!("strength {:.2}", burst::strength(clash.force));
            format!("{force}, {}", self.becomes(clash, change))
        };
        let found = clashes.iter().zip(&changes).map(|(clash, change)| Found {
            name: clash.name.clone(),
            time: clash.time,
            at: clash.at,
            strength: if change.is_none() { 0.0 } else { burst::strength(clash.force) },
            says: says(clash, change),
        });
        found.collect()
    }
}
