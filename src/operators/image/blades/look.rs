//! How a rod shines: its settings, read and evaluated.
//!
//! Knows colours by name, defaults of the stage and a rod's own settings. Does not know pixels.

use super::light::{MIDDLE_WIDTH, TUBE_LIGHT};
use crate::base::curve::{Curve, Ease};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, nearest};
use crate::base::value::{Fields, Node, Value};
use crate::operators::colour::primaries::Primaries;
use crate::operators::shape::Rod;
use crate::operators::{Kind, Param, Reader, WorkingSpace};

/// Colours by name, in linear light with BT.709 primaries: a choice of this tool's own.
const COLOURS: [(&str, [f64; 3]); 8] = [
    ("amber", [1.0, 0.42, 0.05]),
    ("teal", [0.03, 0.78, 0.62]),
    ("ember", [1.0, 0.13, 0.02]),
    ("rose", [1.0, 0.10, 0.34]),
    ("lime", [0.34, 1.0, 0.06]),
    ("violet", [0.42, 0.12, 1.0]),
    ("ice", [0.30, 0.66, 1.0]),
    ("pearl", [1.0, 0.92, 0.80]),
];

/// The keyed settings that a rod may have of its own; each is a parameter of the operator too.
const KEYED: [&str; 10] =
    ["width", "light", "white", "halo", "halo_size", "flicker", "taper", "length", "held", "spill"];

/// The places of `width`, `light` and `length` among them.
const WIDTH: usize = 0;
const LIGHT: usize = 1;
const LENGTH: usize = 7;

/// How one rod shines through the shot.
#[derive(Clone, Debug)]
pub struct Look {
    colour: Curve<3>,
    seed: i64,
    /// In the order of [`KEYED`].
    keyed: [Curve<1>; 10],
}

/// How one rod shines on one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shine {
    /// Colour of halo and fringe, linear, in the working space.
    pub colour: [f64; 3],
    /// Width at the base in pixels.
    pub width: f64,
    /// Light of the rod, 1.0 being diffuse white; flicker is in it.
    pub light: f64,
    /// How white the middle is, 0 to 1.
    pub white: f64,
    /// Light scattered around the rod, as a share of the rod's own.
    pub halo: f64,
    /// The widest Gaussian's standard deviation, in widths.
    pub halo_size: f64,
    /// How much thinner the tip is, 0 to 1.
    pub taper: f64,
    /// How much the stage's holdout hides it, 0 to 1.
    pub held: f64,
    /// How much of its light falls on surfaces.
    pub spill: f64,
}

impl Look {
    /// The rod on one frame.
    pub fn at(&self, frame: i64) -> Shine {
        let time = frame as f64;
        let [width, light, white, halo, halo_size, flicker, taper, _, held, spill] =
            self.keyed.each_ref().map(|curve| curve.at(time)[0]);
        let light = light * (1.0 - flicker * chance(self.seed, frame));
        Shine { colour: self.colour.at(time), width, light, white, halo, halo_size, taper, held, spill }
    }

    /// The share of the rod that is lit, from its base on, at a time seen while the shutter of `frame` is open.
    pub fn length(&self, time: f64, frame: i64) -> f64 {
        let curve = &self.keyed[LENGTH];
        // A length that jumps from key to key lights nothing in between.
        curve.at(if curve.ease() == Ease::Hold { frame as f64 } else { time })[0]
    }

    /// Frames between which its lit share, its width or its light changes, if any does.
    pub fn changes(&self) -> Option<FrameRange> {
        [WIDTH, LIGHT, LENGTH].iter().filter_map(|&at| self.keyed[at].frames()).reduce(FrameRange::hull)
    }
}

impl Shine {
    /// The colour of all its light together, as surfaces around see it.
    pub fn mean(&self) -> [f64; 3] {
        let core = MIDDLE_WIDTH * (1.0 - TUBE_LIGHT);
        self.colour.map(|c| c * TUBE_LIGHT + (c + (1.0 - c) * self.white) * core)
    }

    /// Feeds everything that the pixels of its own light depend on into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        let rest = [self.width, self.light, self.white, self.halo, self.halo_size, self.taper];
        for value in self.colour.iter().chain(&rest) {
            key.real(*value);
        }
    }
}

/// A number from 0 to 1 that only seed and number decide: SplitMix64's output function (Steele, Lea & Flood, "Fast
/// Splittable Pseudorandom Number Generators", 2014) of both.
pub fn chance(seed: i64, number: i64) -> f64 {
    let mut z = (seed as u64).wrapping_mul(0xD134_2543_DE82_EF95).wrapping_add(number as u64);
    z = z.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64
}

/// Reads how every rod shines: the stage's settings, and over them each rod's own under `rods`. Where it is not
/// known which rods there are, for want of their file, settings are checked and there are no looks.
pub fn read(
    reader: &mut Reader<'_>,
    params: &'static [Param],
    rods: Option<&[Rod]>,
    space: WorkingSpace,
) -> Vec<Look> {
    let plain = Curve::steady(in_space(COLOURS[0].1, space));
    let colour = match reader.value("colour").map(|value| colours(value, space)) {
        Some(Ok(colour)) => colour,
        Some(Err(problem)) => {
            reader.problems.push(problem);
            plain
        }
        None => plain,
    };
    let shared = Look { colour, seed: reader.whole("seed"), keyed: KEYED.map(|name| reader.curve(name)) };
    let own = reader.value("rods");
    let map = own.and_then(Value::map);
    if let (Some(value), None) = (own, map) {
        reader.problems.push(value.wrong("a map of rods"));
    }
    let Some(rods) = rods else {
        for (key, value) in map.iter().flat_map(|m| &m.entries) {
            own_look(value, shared.clone(), &key.text, params, space, &mut reader.problems);
        }
        return Vec::new();
    };
    for (key, _) in map.iter().flat_map(|m| &m.entries) {
        if !rods.iter().any(|rod| *rod.name == key.text) {
            let problem = Problem::error(key.span, format!("the shapes file has no rod '{}'", key.text));
            let names: Vec<&str> = rods.iter().map(|r| &*r.name).collect();
            reader.problems.push(match nearest(&key.text, names.iter().copied()) {
                Some(name) => problem.help(format!("did you mean '{name}'?")),
                None if names.is_empty() => problem.help("a rod that is in no file has its own `keys`"),
                None => problem.help(format!("its rods: {}", names.join(", "))),
            });
        }
    }
    let mut looks = Vec::with_capacity(rods.len());
    for rod in rods {
        // Rods of one stage flicker each in its own way unless a seed says otherwise; by their names, so that one more rod
        // in the file leaves the others as they are.
        let seed = super::burst::seed(shared.seed, &rod.name);
        let look = Look { seed, ..shared.clone() };
        looks.push(match map.and_then(|m| m.get(&rod.name)) {
            Some(value) => own_look(value, look, &rod.name, params, space, &mut reader.problems),
            None => look,
        });
    }
    looks
}

fn own_look(
    value: &Value,
    mut look: Look,
    rod: &str,
    params: &'static [Param],
    space: WorkingSpace,
    problems: &mut Problems,
) -> Look {
    let mut fields = match Fields::of(value, format!("rod {rod}")) {
        Ok(fields) => fields,
        Err(problem) => {
            problems.push(problem);
            return look;
        }
    };
    // Where it is and what holds it out are read elsewhere.
    for known in super::rods::OWN.into_iter().chain([super::hold::OWN]) {
        fields.get(known);
    }
    if let Some(own) = fields.read("colour", |v| colours(v, space)) {
        look.colour = own;
    }
    if let Some(seed) = fields.read("seed", Value::int) {
        look.seed = seed;
    }
    for (name, curve) in KEYED.into_iter().zip(&mut look.keyed) {
        if let Some(own) = fields.read(name, |v| within(v, name, params)) {
            *curve = own;
        }
    }
    problems.extend(fields.finish());
    look
}

/// A keyed number within the limits that the operator's own parameter of that name has.
fn within(value: &Value, name: &str, params: &'static [Param]) -> Result<Curve<1>, Problem> {
    let curve = value.curve()?;
    let limits = params.iter().find(|p| p.name == name).map(|p| p.kind);
    if let Some(Kind::Keyed { min, max }) = limits
        && let Some((_, [n])) = curve.keys().iter().find(|(_, [n])| *n < min || *n > max)
    {
        return Err(Problem::error(value.span, format!("{n} is out of range for '{name}'"))
            .help(format!("from {min} to {max}")));
    }
    Ok(curve)
}

/// A colour, or colours keyed in time; what lies between two of them is their mixture in linear light.
fn colours(value: &Value, space: WorkingSpace) -> Result<Curve<3>, Problem> {
    value.keyed(|one| colour(one, space))
}

/// A colour by name, or three linear numbers of the working space.
fn colour(value: &Value, space: WorkingSpace) -> Result<[f64; 3], Problem> {
    if let Node::List(_) = value.node {
        let numbers = value.numbers::<3>()?;
        if numbers.iter().all(|n| (0.0..=100.0).contains(n)) {
            return Ok(numbers);
        }
        return Err(Problem::error(value.span, "a colour's numbers lie between 0 and 100"));
    }
    let names: Vec<&str> = COLOURS.iter().map(|(name, _)| *name).collect();
    let help = format!("one of: {}; or [red, green, blue] in linear light", names.join(", "));
    let name = value.text().map_err(|problem| problem.help(help.clone()))?;
    COLOURS
        .iter()
        .find(|(known, _)| *known == name)
        .map(|(_, rgb)| in_space(*rgb, space))
        .ok_or_else(|| Problem::error(value.span, format!("'{name}' is not a colour known here")).help(help))
}

fn in_space(rgb: [f64; 3], space: WorkingSpace) -> [f64; 3] {
    match space {
        WorkingSpace::LinearRec709 => rgb,
        WorkingSpace::AcesCg => {
            let matrix = Primaries::Rec709.matrix_to(Primaries::Ap1);
            matrix.map(|row| row.iter().zip(&rgb).map(|(m, c)| m * c).sum())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chance_is_even_and_fixed() {
        let values: Vec<f64> = (1..=2000).map(|n| chance(7, n)).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        assert!((mean - 0.5).abs() < 0.02 && values.iter().all(|v| (0.0..=1.0).contains(v)));
        assert_ne!(chance(7, 1), chance(8, 1));
    }

    #[test]
    fn white_stays_white_in_every_space() {
        for channel in in_space([1.0; 3], WorkingSpace::AcesCg) {
            assert!((channel - 1.0).abs() < 1e-9);
        }
    }
}
