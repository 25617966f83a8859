//! Frame rates as exact ratios.
//!
//! Knows the rates of the trade and their spellings. Does not know timecode labels.

use std::fmt;
use std::str::FromStr;

/// Frames a second, exactly: 24 is 24/1, 23.976 is 24000/1001.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Rate {
    /// Frames.
    pub frames: u32,
    /// In so many seconds.
    pub seconds: u32,
}

impl Rate {
    /// `frames` in `seconds` seconds.
    pub const fn new(frames: u32, seconds: u32) -> Self {
        Self { frames, seconds }
    }

    /// The nearest double.
    pub fn per_second(&self) -> f64 {
        f64::from(self.frames) / f64::from(self.seconds)
    }

    /// Samples of sound beside so many frames at so many samples a second, to the nearest.
    pub fn samples(&self, frames: u64, sampling: u32) -> u64 {
        let above = u128::from(frames) * u128::from(self.seconds) * u128::from(sampling);
        let below = u128::from(self.frames);
        ((2 * above + below) / (2 * below)) as u64
    }

    /// Frames that timecode counts in one second: 24 for 23.976, 30 for 29.97.
    pub fn nominal(&self) -> u32 {
        self.frames.div_ceil(self.seconds)
    }
}

/// Not a rate.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a rate is frames a second, such as 24, 25, 23.976, 29.97 or 24000/1001, from 1 to 240")]
pub struct BadRate;

impl FromStr for Rate {
    type Err = BadRate;

    fn from_str(text: &str) -> Result<Self, BadRate> {
        // The customary short spellings of the rates n·1000/1001 (common practice, no source).
        let rate = match text.trim() {
            "23.976" | "23.98" => Rate::new(24_000, 1001),
            "29.97" => Rate::new(30_000, 1001),
            "47.952" | "47.95" => Rate::new(48_000, 1001),
            "59.94" => Rate::new(60_000, 1001),
            "119.88" => Rate::new(120_000, 1001),
            text => match text.split_once('/') {
                Some((frames, seconds)) => {
                    Rate::new(frames.parse().map_err(|_| BadRate)?, seconds.parse().map_err(|_| BadRate)?)
                }
                None => Rate::new(text.parse().map_err(|_| BadRate)?, 1),
            },
        };
        let sound = rate.frames > 0 && rate.seconds > 0 && (1.0..=240.0).contains(&rate.per_second());
        if sound { Ok(rate) } else { Err(BadRate) }
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.seconds == 1 {
            return write!(f, "{}", self.frames);
        }
        let text = format!("{:.3}", self.per_second());
        match text.parse::<Rate>() {
            Ok(back) if back == *self => write!(f, "{text}"),
            _ if text.ends_with('0') && text[..text.len() - 1].parse::<Rate>() == Ok(*self) => {
                write!(f, "{}", &text[..text.len() - 1])
            }
            _ => write!(f, "{}/{}", self.frames, self.seconds),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings() {
        for (text, rate) in [
            ("24", Rate::new(24, 1)),
            ("23.976", Rate::new(24_000, 1001)),
            ("29.97", Rate::new(30_000, 1001)),
        ] {
            assert_eq!(text.parse(), Ok(rate));
            assert_eq!(rate.to_string(), text);
        }
        assert_eq!("24000/1001".parse(), Ok(Rate::new(24_000, 1001)));
        for bad in ["", "0", "-24", "24/0", "1e9", "500", "24.5"] {
            assert_eq!(bad.parse::<Rate>(), Err(BadRate), "{bad}");
        }
    }
}
