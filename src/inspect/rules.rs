//! The limits by which picture and sound are judged, each with its unit, range, default and source.
//!
//! Knows numbers and their names. Does not know how they are written down nor what is measured against them.

use crate::base::frames::FrameRange;

use super::finding::PixelBox;

/// What the numbers of a picture that is handed over stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// R'G'B' from 0 to 1 for a display that follows Rec. ITU-R BT.1886 (a power of 2.4, black at no light).
    Display,
    /// R'G'B' from 0 to 1, encoded by IEC 61966-2-1.
    Srgb,
    /// R'G'B' as narrow-range codes of so many bits (Rec. ITU-R BT.709: 16 to 235 of 8).
    Narrow {
        /// Bits a code, 8 to 16.
        bits: u32,
    },
    /// Linear light, white at 1. Where a signal is needed, as for black, the square root stands for it; levels are not
    /// looked at.
    Linear,
}

impl Signal {
    /// Factor and summand that bring a number to a range from black at 0 to white at 1.
    pub fn to_unit(self) -> (f32, f32) {
        match self {
            Self::Narrow { bits } => {
                let step = 2f32.powi(bits as i32 - 8);
                (1.0 / (219.0 * step), -16.0 / 219.0)
            }
            _ => (1.0, 0.0),
        }
    }
}

/// By what a film is judged. Numbers are named and described by [`table`], so that a declaration can set each of them.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// What the pictures' numbers stand for.
    pub signal: Signal,
    /// Frames a second.
    pub rate: f64,
    /// Width and height that the film declares.
    pub size: Option<(u32, u32)>,
    /// The part of the frame that the picture is declared to fill, with bars around it.
    pub picture: Option<PixelBox>,
    /// Frames that are meant to stand still.
    pub stills: Vec<FrameRange>,
    /// Frames that are meant to be black.
    pub blacks: Vec<FrameRange>,
    /// True when levels are taken after a small low-pass, as EBU R 103 advises.
    pub filter: bool,
    /// True when the film is for a screen brighter than that of BT.1702's main rule.
    pub hdr: bool,
    /// The numbers, which are read by their own methods and changed by [`Rules::set`].
    pub limits: Limits,
}

/// The numbers of [`table`], in its order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits([f64; RULES]);

/// A limit: what it is called and what it means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Its name in a declaration.
    pub name: &'static str,
    /// Unit of the number.
    pub unit: &'static str,
    /// Least and largest value that is accepted.
    pub range: (f64, f64),
    /// Value where nothing is said.
    pub default: f64,
    /// What it means.
    pub says: &'static str,
    /// Where the default comes from.
    pub source: &'static str,
}

/// The value cannot be taken.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadRule {
    /// There is no such name.
    #[error("there is no limit called '{0}'; the limits are {1}")]
    Unknown(String, String),
    /// Too small, too large, or not a number.
    #[error("'{name}' is {value}; it lies between {from} and {to} {unit}")]
    Range {
        /// Its name.
        name: &'static str,
        /// What was asked for.
        value: f64,
        /// The least.
        from: f64,
        /// The largest.
        to: f64,
        /// Their unit.
        unit: &'static str,
    },
}

impl Default for Rules {
    fn default() -> Self {
        let mut values = [0.0; RULES];
        for (value, rule) in values.iter_mut().zip(&TABLE) {
            *value = rule.default;
        }
        Self {
            signal: Signal::Display,
            rate: 24.0,
            size: None,
            picture: None,
            stills: Vec::new(),
            blacks: Vec::new(),
            filter: true,
            hdr: false,
            limits: Limits(values),
        }
    }
}

/// All limits, in order.
pub fn table() -> &'static [Rule] {
    &TABLE
}

impl Rules {
    /// Sets the limit called `name`.
    ///
    /// # Errors
    /// When there is none of that name, or the value is out of its range.
    pub fn set(&mut self, name: &str, value: f64) -> Result<(), BadRule> {
        let Some(at) = TABLE.iter().position(|rule| rule.name == name) else {
            let all: Vec<&str> = TABLE.iter().map(|rule| rule.name).collect();
            return Err(BadRule::Unknown(name.into(), all.join(", ")));
        };
        let rule = &TABLE[at];
        let (from, to) = rule.range;
        if !(from..=to).contains(&value) {
            return Err(BadRule::Range { name: rule.name, value, from, to, unit: rule.unit });
        }
        self.limits.0[at] = value;
        Ok(())
    }

    /// The limit called `name`, if there is one.
    pub fn get(&self, name: &str) -> Option<f64> {
        TABLE.iter().position(|rule| rule.name == name).map(|at| self.limits.0[at])
    }
}

/// Makes the table and a reader for each limit, so that neither can lack what the other has.
macro_rules! rules {
    ($($name:ident ($text:literal, $unit:literal, $from:literal to $to:literal, $default:literal): $says:literal, $source:literal;)*) => {
        const RULES: usize = [$(stringify!($name)),*].len();
        static TABLE: [Rule; RULES] = [$(Rule {
            name: $text,
            unit: $unit,
            range: ($from, $to),
            default: $default,
            says: $says,
            source: $source,
        }),*];
        #[allow(non_camel_case_types, reason = "names of limits, for their places in the list")]
        #[derive(Clone, Copy)]
        enum Place { $($name),* }
        impl Rules {
            $(#[doc = $says]
            pub fn $name(&self) -> f64 {
                self.limits.0[Place::$name as usize]
            })*
        }
    };
}

rules! {
    white ("white", "of white", 0.1 to 100.0, 1.0): "The brightest value that the target shows.", "the signal's own definition";
    above ("above", "of white", 0.0 to 1.0, 0.001): "How far beyond white a value may lie before it counts as clipped.", "about one code of 10 bits";
    below ("below", "of white", 0.0 to 1.0, 0.001): "How far below zero a value may lie before it counts.", "about one code of 10 bits";
    black ("black", "of white", 0.0 to 1.0, 0.02): "Luma (BT.709) up to which a pixel is black.", "common practice, no source; +2 percent of the line-up signal of SMPTE RP 219";
    black_share ("black-share", "of the frame", 0.5 to 1.0, 0.9998): "Share of black pixels from which a frame is black.", "common practice, no source";
    black_brief ("black-brief", "frames", 0.0 to 1000.0, 2.0): "Black of no more frames than this, inside lit picture, is a fault.", "common practice, no source";
    frozen ("frozen", "frames", 2.0 to 100000.0, 12.0): "Frames alike in a row from which a picture is frozen.", "common practice, no source";
    alike ("alike", "of white", 0.0 to 1.0, 0.002): "Root mean square of the change of luma up to which two frames are nearly the same.", "half a code of 8 bits";
    alike_place ("alike-place", "of white", 0.0 to 1.0, 0.008): "The same in any one place of the frame (a cell, 1/64 of its width).", "two codes of 8 bits; common practice, no source";
    moving ("moving", "of white", 0.0 to 1.0, 0.003): "Change of luma (root mean square) from which a shot counts as moving, so that a repeat in it shows.", "common practice, no source";
    odd_change ("odd-change", "of white", 0.01 to 1.0, 0.1): "Change of a place, there and back within a frame, from which it counts as odd.", "common practice, no source";
    odd_share ("odd-share", "of the frame", 0.001 to 1.0, 0.02): "Share of such places from which a single frame is odd.", "common practice, no source";
    stray ("stray", "times", 1.0 to 1000.0, 2.0): "How many times larger than the movement before and after it the steps into a frame and out of it must be, where both its neighbours lie closer together.", "common practice, no source";
    edge_frames ("edge-frames", "frames", 1.0 to 100000.0, 12.0): "Frames for which a line at the border must stand before it is told.", "common practice, no source";
    edge_length ("edge-length", "of the border", 0.5 to 1.0, 0.95): "Share of the border's length along which a line must be unlike its neighbour.", "common practice, no source";
    edge_change ("edge-change", "of its neighbour", 0.01 to 1.0, 0.1): "How much darker or brighter than its neighbour a line must be.", "common practice, no source";
    level_low ("level-low", "codes of 10 bits", 0.0 to 512.0, 20.0): "Least R', G', B' and Y' in narrow range.", "EBU R 103 (5 of 8 bits)";
    level_high ("level-high", "codes of 10 bits", 512.0 to 1023.0, 984.0): "Largest R', G', B' and Y' in narrow range.", "EBU R 103 (246 of 8 bits)";
    level_share ("level-share", "of the frame", 0.0 to 1.0, 0.01): "Share of the picture that may lie outside.", "EBU R 103";
    flash_white ("flash-white", "cd/m²", 20.0 to 10000.0, 200.0): "Light of white on the viewer's screen.", "Rec. ITU-R BT.1702-3";
    silence ("silence", "dBFS", -140.0 to 0.0, -60.0): "Level below which sound is silent.", "common practice, no source";
    silence_long ("silence-long", "s", 0.0 to 3600.0, 2.0): "Silence inside the film from which it is told.", "common practice, no source";
    clipped ("clipped", "samples", 1.0 to 100000.0, 3.0): "Samples at full scale in a row from which sound is clipped.", "common practice, no source";
    offset ("offset", "of full scale", 0.0 to 1.0, 0.005): "Mean of a channel from which it is offset.", "common practice, no source";
    phase ("phase", "correlation", -1.0 to 1.0, -0.3): "Correlation of left and right below which they are out of phase.", "common practice, no source";
    phase_long ("phase-long", "s", 0.0 to 3600.0, 2.0): "Time for which that must last before it is told.", "common practice, no source";
    loudness_off ("loudness-off", "LU", 0.0 to 20.0, 0.5): "How far the loudness of the mix may lie from its target.", "EBU R 128 (from memory)";
    peak_over ("peak-over", "dB", 0.0 to 20.0, 0.1): "How far the true peak of the mix may lie above its target.", "a tenth, as levels are told; common practice, no source";
    click ("click", "times", 3.0 to 10000.0, 25.0): "How many times larger than all steps around it a step must be to be a click.", "common practice, no source";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_set_by_name_within_their_range() {
        let mut rules = Rules::default();
        assert_eq!(rules.set("frozen", 24.0), Ok(()));
        assert_eq!((rules.frozen(), rules.get("frozen")), (24.0, Some(24.0)));
        let bad = rules.set("black", 2.0).unwrap_err().to_string();
        assert_eq!(bad, "'black' is 2; it lies between 0 and 1 of white");
        assert!(rules.set("black", f64::NAN).is_err());
        assert!(rules.set("frost", 1.0).unwrap_err().to_string().contains("frozen"));
    }

    #[test]
    fn defaults_lie_in_their_ranges_and_names_differ() {
        for (i, rule) in table().iter().enumerate() {
            assert!((rule.range.0..=rule.range.1).contains(&rule.default), "{}", rule.name);
            assert!(table()[..i].iter().all(|other| other.name != rule.name), "{}", rule.name);
            assert!(rule.says.ends_with('.') && !rule.source.is_empty(), "{}", rule.name);
        }
    }

    #[test]
    fn narrow_codes_come_to_a_range_from_black_to_white() {
        for (bits, code, want) in [(8, 16.0, 0.0), (8, 235.0, 1.0), (10, 64.0, 0.0), (10, 940.0, 1.0)] {
            let (scale, add) = Signal::Narrow { bits }.to_unit();
            assert!((code * scale + add - want as f32).abs() < 1e-6, "{bits} {code}");
        }
    }
}
