//! The ASC colour decision list's ten numbers and what they do to colour.
//!
//! Knows slope, offset, power and saturation (ASC CDL v1.2; ASC technology committee). Does not know the XML
//! that carries them nor which space the colour is in.

use super::power::{self, Exponent};
use crate::base::digest::KeyHasher;
use crate::base::level::{Level, kernel};

/// Luma weights of the ASC's saturation: those of ITU-R BT.709.
pub const LUMA: [f64; 3] = [0.2126, 0.7152, 0.0722];

/// What happens to values outside 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum Style {
    /// Nothing is held; negative values pass the power unchanged. For scene-linear light, which has no top.
    #[default]
    NoClamp,
    /// Held from 0 to 1 before the power and again at the end, as the ASC's text says.
    Clamp,
    /// The way back from `NoClamp`.
    UndoNoClamp,
    /// The way back from `Clamp`, held from 0 to 1 at every step.
    UndoClamp,
}

impl Style {
    fn is_clamped(self) -> bool {
        matches!(self, Style::Clamp | Style::UndoClamp)
    }

    /// True of the two ways back, which need a slope, power and saturation above 0.
    pub fn is_undoing(self) -> bool {
        matches!(self, Style::UndoClamp | Style::UndoNoClamp)
    }
}

/// One grade. Applied in this order: slope, offset, (clamp,) power, saturation about luma (, clamp).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cdl {
    /// Factor of red, green and blue; at least 0.
    pub slope: [f64; 3],
    /// Added to red, green and blue.
    pub offset: [f64; 3],
    /// Exponent of red, green and blue; above 0.
    pub power: [f64; 3],
    /// Factor of the distance from luma; at least 0.
    pub saturation: f64,
}

impl Default for Cdl {
    fn default() -> Self {
        Self { slope: [1.0; 3], offset: [0.0; 3], power: [1.0; 3], saturation: 1.0 }
    }
}

/// The largest size of any of a grade's numbers: beyond it single precision could not hold the result.
pub const LIMIT: f64 = 1e6;

/// Why `value` cannot be the slope, offset, power or saturation of a grade; nothing when it can.
pub fn refusal(part: Part, value: f64) -> Option<&'static str> {
    if !value.is_finite() || value.abs() > LIMIT {
        return Some("the numbers of a grade lie within a million of zero");
    }
    match part {
        Part::Slope if value < 0.0 => Some("a slope is at least 0"),
        Part::Power if value < 1e-6 => Some("a power is above 0"),
        Part::Saturation if value < 0.0 => Some("a saturation is at least 0"),
        _ => None,
    }
}

/// The parts of a grade.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Slope.
    Slope,
    /// Offset.
    Offset,
    /// Power.
    Power,
    /// Saturation.
    Saturation,
}

impl Cdl {
    /// True when it changes nothing in style `style`.
    pub fn is_neutral(&self, style: Style) -> bool {
        !style.is_clamped() && *self == Self::default()
    }

    /// Feeds its numbers into a key.
    pub fn feed(&self, style: Style, key: &mut KeyHasher) {
        key.int(style as i64);
        for value in self.slope.iter().chain(&self.offset).chain(&self.power) {
            key.real(*value);
        }
        key.real(self.saturation);
    }

    /// Grades planes of red, green and blue in place. All hold the same number of samples.
    pub fn apply(&self, style: Style, level: Level, [r, g, b]: [&mut [f32]; 3]) {
        if style.is_undoing() {
            return self.undo(style.is_clamped(), level, [r, g, b]);
        }
        let clamp = style.is_clamped();
        for (i, plane) in [&mut *r, &mut *g, &mut *b].into_iter().enumerate() {
            let (slope, offset) = (self.slope[i] as f32, self.offset[i] as f32);
            if self.power[i] == 1.0 {
                if slope != 1.0 || offset != 0.0 || clamp {
                    slope_offset(level, plane, slope, offset, clamp);
                }
            } else {
                slope_offset_power(level, plane, slope, offset, Exponent::new(self.power[i] as f32), clamp);
            }
        }
        if self.saturation != 1.0 {
            saturate(level, r, g, b, self.saturation as f32, clamp);
        }
    }

    /// Takes every step back, in the other order: saturation, power, offset, slope.
    fn undo(&self, clamp: bool, level: Level, [r, g, b]: [&mut [f32]; 3]) {
        if clamp {
            for plane in [&mut *r, &mut *g, &mut *b] {
                slope_offset(level, plane, 1.0, 0.0, true);
            }
        }
        saturate(level, r, g, b, (1.0 / self.saturation) as f32, clamp);
        for (i, plane) in [r, g, b].into_iter().enumerate() {
            if self.power[i] != 1.0 {
                let back = Exponent::new((1.0 / self.power[i]) as f32);
                slope_offset_power(level, plane, 1.0, 0.0, back, clamp);
            }
            let slope = 1.0 / self.slope[i];
            slope_offset(level, plane, slope as f32, (-self.offset[i] * slope) as f32, clamp);
        }
    }
}

#[inline(always)]
fn unit(x: f32) -> f32 {
    let x = if x < 1.0 { x } else { 1.0 };
    if x > 0.0 { x } else { 0.0 }
}

kernel! {
    fn slope_offset(plane: &mut [f32], slope: f32, offset: f32, clamp: bool) {
        if clamp {
            for v in plane {
                *v = unit(*v * slope + offset);
            }
        } else {
            for v in plane {
                *v = *v * slope + offset;
            }
        }
    }
}

kernel! {
    fn slope_offset_power(plane: &mut [f32], slope: f32, offset: f32, power: Exponent, clamp: bool) {
        if clamp {
            for v in plane {
                *v = power::pow(unit(*v * slope + offset), power);
            }
        } else {
            for v in plane {
                let x = *v * slope + offset;
                let raised = power::pow(x, power);
                *v = if x < 0.0 { x } else { raised };
            }
        }
    }
}

kernel! {
    fn saturate(r: &mut [f32], g: &mut [f32], b: &mut [f32], saturation: f32, clamp: bool) {
        let [wr, wg, wb] = LUMA.map(|w| w as f32);
        for ((r, g), b) in r.iter_mut().zip(g).zip(b) {
            let luma = wr * *r + wg * *g + wb * *b;
            let out = [*r, *g, *b].map(|v| luma + saturation * (v - luma));
            [*r, *g, *b] = if clamp { out.map(unit) } else { out };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn three(value: &serde_json::Value) -> [f64; 3] {
        std::array::from_fn(|i| value[i].as_f64().unwrap())
    }

    #[test]
    fn grades_are_those_of_the_outside_checks() {
        let text = include_str!("../../../tests/checks/cdl.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let cases = all["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 56);
        let mut worst = [0.0f64; 2];
        for case in cases {
            let grade = &all["grades"][case["grade"].as_str().unwrap()];
            let cdl = Cdl {
                slope: three(&grade["slope"]),
                offset: three(&grade["offset"]),
                power: three(&grade["power"]),
                saturation: grade["sat"].as_f64().unwrap(),
            };
            for (style, exact, library) in
                [(Style::Clamp, "asc_v1_2", "ocio_asc"), (Style::NoClamp, "no_clamp", "ocio_no_clamp")]
            {
                let [mut r, mut g, mut b] = three(&case["rgb"]).map(|v| [v as f32]);
                cdl.apply(style, Level::PLAIN, [&mut r, &mut g, &mut b]);
                for (i, got) in [r[0], g[0], b[0]].into_iter().enumerate() {
                    worst[0] = worst[0].max((f64::from(got) - three(&case[exact])[i]).abs());
                    worst[1] = worst[1].max((f64::from(got) - three(&case[library])[i]).abs());
                }
            }
        }
        // The checks' own difference between double and OpenColorIO without approximations is 3.57e-7.
        assert!(worst[0] < 3.57e-7, "against double: {:e}", worst[0]);
        assert!(worst[1] < 6e-7, "against OpenColorIO: {:e}", worst[1]);
    }

    #[test]
    fn every_level_gives_the_same_bits() {
        let cdl = Cdl {
            slope: [1.1, 1.0, 0.9],
            offset: [0.01, -0.1, 0.0],
            power: [0.95, 1.3, 1.0],
            saturation: 1.1,
        };
        let start: Vec<f32> = (0..1001).map(|i| (i as f32 - 200.0) / 300.0).collect();
        for style in [Style::Clamp, Style::NoClamp] {
            let run = |level| {
                let mut planes = [start.clone(), start.iter().rev().copied().collect(), start.clone()];
                let [r, g, b] = &mut planes;
                cdl.apply(style, level, [r, g, b]);
                planes.map(|p| p.into_iter().map(f32::to_bits).collect::<Vec<_>>())
            };
            let plain = run(Level::PLAIN);
            for level in Level::all_here() {
                assert_eq!(run(level), plain, "{style:?} {level:?}");
            }
        }
    }

    #[test]
    fn numbers_that_the_asc_forbids_are_refused() {
        assert!(refusal(Part::Slope, -0.1).is_some() && refusal(Part::Slope, 0.0).is_none());
        assert!(refusal(Part::Power, 0.0).is_some() && refusal(Part::Power, 0.1).is_none());
        assert!(refusal(Part::Saturation, -1.0).is_some() && refusal(Part::Saturation, 0.0).is_none());
        assert!(refusal(Part::Offset, f64::NAN).is_some() && refusal(Part::Offset, -5.0).is_none());
    }
}
