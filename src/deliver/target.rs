//! What is to be delivered, as plain values, and whether it can be.
//!
//! Knows codings, colour and sound of the trade. Does not know YAML, files or programs.

use std::fmt;

use crate::base::layout::Layout;
use crate::base::rate::Rate;
use crate::base::timecode::Counting;

/// A delivery.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// Names the folder and the files in it.
    pub name: String,
    /// Frames one by one, or a movie.
    pub kind: Kind,
    /// How the picture's values are coded.
    pub colour: Colour,
    /// Width and height in pixels.
    pub size: (u32, u32),
    /// Frames a second.
    pub rate: Rate,
    /// The label of the first frame; `;` before the frames counts drop-frame.
    pub timecode: Option<String>,
    /// The sound, when there is any.
    pub sound: Option<SoundSpec>,
    /// What a movie must keep.
    pub limits: Limits,
}

/// Frames one by one, or a movie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A file a frame, and the sound beside them as a broadcast WAV.
    Frames {
        /// The file format.
        format: FrameFormat,
        /// The number of the first frame's file.
        first: i64,
    },
    /// One file.
    Movie {
        /// Coding and container.
        preset: Preset,
        /// The coder's constant quality, less being better; the preset's own when not given.
        quality: Option<u8>,
    },
}

/// Formats of single frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameFormat {
    /// OpenEXR, half float, scene-linear.
    ExrHalf,
    /// SMPTE ST 268-1, 10 bits, full range.
    Dpx10,
    /// PNG, 16 bits.
    Png16,
    /// TIFF 6.0, 16 bits.
    Tiff16,
}

/// Codings of movies, by their standards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Preset {
    /// SMPTE ST 2019-1 (VC-3), high quality with 10 bits of 4:2:2 at any size, in QuickTime: for further work.
    Vc3,
    /// SMPTE RDD 36, 422 HQ, 10 bits of 4:2:2, in QuickTime: for further work.
    Rdd36,
    /// RFC 9043 version 3 in Matroska, 16 bits of R'G'B' without loss, with sound by RFC 9639: for keeping.
    Ffv1,
    /// ITU-T H.264, 8 bits of 4:2:0, in MP4 that plays before it is whole: for looking at.
    H264,
    /// AV1 of the Alliance for Open Media, 10 bits of 4:2:0, in MP4 that plays before it is whole: for looking at.
    Av1,
}

impl Preset {
    /// All presets.
    pub const ALL: [Self; 5] = [Self::Vc3, Self::Rdd36, Self::Ffv1, Self::H264, Self::Av1];

    /// The word for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Vc3 => "vc-3",
            Self::Rdd36 => "rdd-36",
            Self::Ffv1 => "ffv1",
            Self::H264 => "h264",
            Self::Av1 => "av1",
        }
    }

    /// The ending of its files.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Vc3 | Self::Rdd36 => "mov",
            Self::Ffv1 => "mkv",
            Self::H264 | Self::Av1 => "mp4",
        }
    }

    /// Whether its sound is as it was, sample by sample, at 24 bits.
    pub fn keeps_samples(self) -> bool {
        !matches!(self, Self::H264 | Self::Av1)
    }

    /// The least width and height that its coders take, and what both must be multiples of.
    fn sizes(self) -> ((u32, u32), (u32, u32)) {
        match self {
            // The least of ST 2019-1's coding at any size, as ffmpeg's coder tells it.
            Self::Vc3 => ((256, 120), (2, 1)),
            Self::Rdd36 => ((2, 1), (2, 1)),
            Self::Ffv1 => ((1, 1), (1, 1)),
            Self::H264 => ((16, 16), (2, 2)),
            Self::Av1 => ((64, 64), (2, 2)),
        }
    }

    /// The numbers that its coder takes for a constant quality, less being better; none where there is nothing to set.
    pub fn qualities(self) -> Option<std::ops::RangeInclusive<u8>> {
        match self {
            Self::H264 => Some(1..=51),
            Self::Av1 => Some(1..=63),
            _ => None,
        }
    }

    /// What is asked of it when nothing else is said. Common practice, no source: a picture of 40 dB can hardly be told from its source.
    pub fn limits(self) -> Limits {
        let (luma, all) = match self {
            Self::Ffv1 => (f64::INFINITY, f64::INFINITY),
            Self::Vc3 | Self::Rdd36 => (40.0, 40.0),
            Self::H264 | Self::Av1 => (34.0, 34.0),
        };
        let sound_level = if self.keeps_samples() { 0.0 } else { 0.5 };
        Limits { luma, all, sound_level }
    }
}

impl fmt::Display for Preset {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// What a movie must keep of its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// The least ratio of peak to error of Y' in any frame, in dB; infinite when not one bit may differ.
    pub luma: f64,
    /// The same of all samples.
    pub all: f64,
    /// The most by which any channel's level may differ, in dB; 0 when not one sample may differ.
    pub sound_level: f64,
}

/// How the picture's values are coded for display.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Colour {
    /// Rec. ITU-R BT.709.
    Bt709,
    /// Rec. ITU-R BT.2100 PQ, with BT.2020's primaries.
    Pq,
    /// Rec. ITU-R BT.2100 HLG, with BT.2020's primaries.
    Hlg,
}

impl Colour {
    /// Primaries and transfer by the numbers of Rec. ITU-T H.273.
    pub fn numbers(self) -> (u8, u8) {
        match self {
            Self::Bt709 => (1, 1),
            Self::Pq => (9, 16),
            Self::Hlg => (9, 18),
        }
    }

    /// Weights of red and blue in Y' (BT.709-6, BT.2020-2).
    pub fn weights(self) -> (f32, f32) {
        match self {
            Self::Bt709 => (0.2126, 0.0722),
            Self::Pq | Self::Hlg => (0.2627, 0.0593),
        }
    }
}

/// The sound of a delivery.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SoundSpec {
    /// Which channels.
    pub layout: Layout,
    /// Samples a second.
    pub rate: u32,
}

impl Target {
    /// All that stands against the delivery, each with a way on.
    pub fn problems(&self) -> Vec<String> {
        let mut out = Vec::new();
        if !is_plain_name(&self.name) {
            out.push(format!("{:?} names no file: use letters, digits, spaces, '.', '-' and '_'", self.name));
        }
        match (Counting::non_drop(self.rate), &self.timecode) {
            (Err(error), _) => out.push(error.to_string()),
            (Ok(_), Some(label)) => {
                if let Err(error) = Counting::marked(self.rate, label) {
                    out.push(format!("timecode: {error}"));
                }
            }
            (Ok(_), None) => {}
        }
        if let Some(sound) = self.sound
            && ![44_100, 48_000, 96_000].contains(&sound.rate)
        {
            out.push(format!("sound of {} Hz cannot be delivered: 44100, 48000 or 96000 Hz can", sound.rate));
        }
        match self.kind {
            Kind::Frames { format, first } => self.frame_problems(format, first, &mut out),
            Kind::Movie { preset, quality } => self.movie_problems(preset, quality, &mut out),
        }
        out
    }

    fn frame_problems(&self, format: FrameFormat, first: i64, out: &mut Vec<String>) {
        if first < 0 {
            out.push(format!("frames cannot be numbered from {first}: begin at 0 or more"));
        }
        let is_plain = matches!(format, FrameFormat::Dpx10 | FrameFormat::Tiff16);
        if is_plain && self.colour != Colour::Bt709 {
            out.push(
                "DPX and TIFF files cannot say that they hold PQ or HLG: use PNG, EXR or a movie".into(),
            );
        }
        let side = crate::media::image::SIDE_LIMIT;
        if self.size.0 == 0 || self.size.1 == 0 || self.size.0.max(self.size.1) > side {
            out.push(format!("a frame has 1 to {side} pixels a side, not {} x {}", self.size.0, self.size.1));
        }
    }

    fn movie_problems(&self, preset: Preset, quality: Option<u8>, out: &mut Vec<String>) {
        let ((width, height), (across, down)) = preset.sizes();
        let (w, h) = self.size;
        if w < width || h < height || !w.is_multiple_of(across) || !h.is_multiple_of(down) || w.max(h) > 8192
        {
            out.push(format!(
                "{preset} cannot hold {w} x {h}: its least size is {width} x {height} and its largest 8192 a side, in steps of \
                 {across} x {down}"
            ));
        }
        if preset == Preset::H264 && self.colour != Colour::Bt709 {
            out.push("8 bits are too few for PQ and HLG: use av1, or deliver h264 in BT.709".into());
        }
        match (quality, preset.qualities()) {
            (Some(_), None) => out.push(format!("{preset} has no quality to set: leave it out")),
            (Some(q), Some(range)) if !range.contains(&q) => {
                out.push(format!(
                    "{preset} has qualities from {} to {}, not {q}",
                    range.start(),
                    range.end()
                ));
            }
            _ => {}
        }
    }

    /// Samples of each channel for so many frames, to the nearest.
    pub fn samples(&self, frames: u64, rate: u32) -> u64 {
        self.rate.samples(frames, rate)
    }
}

/// Whether a name is one part of a path, needs no escape anywhere and hides nothing.
pub fn is_plain_name(name: &str) -> bool {
    let is_plain = |c: char| c.is_alphanumeric() || " .-_".contains(c);
    !name.is_empty()
        && name.len() <= 200
        && !name.starts_with(['.', '-', ' '])
        && !name.ends_with([' ', '.'])
        && name.chars().all(is_plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn target(kind: Kind) -> Target {
        Target {
            name: "The Brine Lamp".into(),
            kind,
            colour: Colour::Bt709,
            size: (960, 540),
            rate: Rate::new(24, 1),
            timecode: Some("00:59:52:00".into()),
            sound: Some(SoundSpec { layout: Layout::FiveOne, rate: 48_000 }),
            limits: Preset::Vc3.limits(),
        }
    }

    fn movie(preset: Preset) -> Target {
        target(Kind::Movie { preset, quality: None })
    }

    #[test]
    fn what_can_be_delivered_has_no_problems() {
        for preset in Preset::ALL {
            assert_eq!(movie(preset).problems(), Vec::<String>::new());
        }
        for format in [FrameFormat::ExrHalf, FrameFormat::Dpx10, FrameFormat::Png16, FrameFormat::Tiff16] {
            assert_eq!(target(Kind::Frames { format, first: 86_400 }).problems(), Vec::<String>::new());
        }
        let drop = Target {
            rate: Rate::new(30_000, 1001),
            timecode: Some("01:00:00;02".into()),
            ..movie(Preset::Vc3)
        };
        assert_eq!(drop.problems(), Vec::<String>::new());
    }

    #[test]
    fn every_problem_is_told_at_once() {
        let wrong = Target {
            name: "../film".into(),
            size: (959, 540),
            colour: Colour::Pq,
            timecode: Some("01:00:00;02".into()),
            sound: Some(SoundSpec { layout: Layout::Mono, rate: 22_050 }),
            ..target(Kind::Movie { preset: Preset::H264, quality: Some(60) })
        };
        let said = wrong.problems();
        for word in ["names no file", "drop-frame", "22050", "959 x 540", "PQ", "not 60"] {
            assert!(said.iter().any(|line| line.contains(word)), "{word}: {said:?}");
        }
        assert_eq!(said.len(), 6);
        let rate = Target { rate: Rate::new(47, 2), ..movie(Preset::Ffv1) };
        assert!(rate.problems()[0].contains("timecode counts"));
        let frames =
            Target { colour: Colour::Hlg, ..target(Kind::Frames { format: FrameFormat::Dpx10, first: -1 }) };
        assert_eq!(frames.problems().len(), 2);
        let quality = target(Kind::Movie { preset: Preset::Vc3, quality: Some(1) });
        assert!(quality.problems()[0].contains("no quality"));
    }

    /// 48 kHz samples a frame (`tests/checks` of the working numbers: 2000, 1920, 2002, and 8008 in five frames).
    #[test]
    fn frames_last_so_many_samples() {
        let check = |rate: Rate, frames: u64, expect: u64| {
            assert_eq!(Target { rate, ..movie(Preset::Vc3) }.samples(frames, 48_000), expect);
        };
        check(Rate::new(24, 1), 1, 2000);
        check(Rate::new(25, 1), 1, 1920);
        check(Rate::new(24_000, 1001), 1, 2002);
        check(Rate::new(30_000, 1001), 5, 8008);
        check(Rate::new(30_000, 1001), 1, 1602);
        check(Rate::new(30_000, 1001), 2, 3203);
    }

    #[test]
    fn names_need_no_escape() {
        for name in ["film", "The Brine Lamp", "lámpara_2.mov"] {
            assert!(is_plain_name(name), "{name}");
        }
        for name in ["", ".", "..", ".film", "-film", "a/b", "a\\b", "a\n", "a:b", "a%d", "film ", "film."] {
            assert!(!is_plain_name(name), "{name}");
        }
    }
}
