//! Deliveries frame by frame: a picture file each, and the sound beside them as a broadcast WAV.
//!
//! Knows names, formats and the label that the sound begins with. Does not know what is shown: pictures come scene-linear for
//! EXR, and display-coded from 0 to 1 for the others. The same pictures give the same bytes.

use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::encode;
use super::target::{Colour, FrameFormat, Kind, Target};
use super::whole;
use crate::base::timecode::Counting;
use crate::media::dpx::{self, ByteOrder, Meaning};
use crate::media::exr::{self, Compression, Fact};
use crate::media::image::{Image, Raster};
use crate::media::sound::Sound;
use crate::media::sound::wave::{self, Bext, Depth};
use crate::media::{png, tiff};

/// A picture for a file.
#[derive(Clone, Copy, Debug)]
pub enum Picture<'p> {
    /// Scene-linear, with what the file says of it.
    Linear(&'p Image, &'p [(String, Fact)]),
    /// Display-coded R'G'B' from 0 to 1.
    Coded(&'p Raster),
}

impl Picture<'_> {
    fn size(&self) -> (u32, u32) {
        match self {
            Self::Linear(image, _) => (image.width(), image.height()),
            Self::Coded(raster) => (raster.width, raster.height),
        }
    }
}

/// Why a frame or the sound was not written.
#[derive(Debug, thiserror::Error)]
pub enum FrameError {
    /// The target or the picture cannot be delivered so.
    #[error("{name}: {why}")]
    Unfit {
        /// The file.
        name: String,
        /// Why.
        why: String,
    },
    /// The disk refuses.
    #[error("{}: {error}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        error: io::Error,
    },
}

/// The name of a frame's file, counted from 0: `film.0001.exr`. Numbers have four digits, or as many as they need.
///
/// # Errors
/// When the target is a movie.
pub fn name(target: &Target, index: u64) -> Result<String, FrameError> {
    let (format, first) = form(target)?;
    let ending = match format {
        FrameFormat::ExrHalf => "exr",
        FrameFormat::Dpx10 => "dpx",
        FrameFormat::Png16 => "png",
        FrameFormat::Tiff16 => "tif",
    };
    Ok(format!("{}.{:04}.{ending}", target.name, first.saturating_add_unsigned(index)))
}

fn form(target: &Target) -> Result<(FrameFormat, i64), FrameError> {
    match target.kind {
        Kind::Frames { format, first } => Ok((format, first)),
        Kind::Movie { .. } => {
            Err(FrameError::Unfit { name: target.name.clone(), why: "a movie is no frames".into() })
        }
    }
}

/// The bytes of a frame's file.
///
/// # Errors
/// When the picture is of another size or kind than the target.
pub fn bytes(target: &Target, index: u64, picture: &Picture<'_>) -> Result<Vec<u8>, FrameError> {
    let (name, (format, _)) = (name(target, index)?, form(target)?);
    let unfit = |why: String| FrameError::Unfit { name: name.clone(), why };
    let (is, should) = (picture.size(), target.size);
    if is != should {
        return Err(unfit(format!(
            "it is {} x {}, but the delivery {} x {}",
            is.0, is.1, should.0, should.1
        )));
    }
    let made = match (format, picture) {
        (FrameFormat::ExrHalf, Picture::Linear(image, facts)) => exr::encode(image, Compression::Zip, facts),
        (FrameFormat::Dpx10, Picture::Coded(raster)) => {
            // 6 is BT.709 in both of the standard's tables; other colours are refused by the target's checks.
            dpx::encode(raster, ByteOrder::Big, Meaning { transfer: 6, colorimetric: 6 })
        }
        (FrameFormat::Png16, Picture::Coded(raster)) => {
            png::encode_deep(raster, Some(target.colour.numbers()))
        }
        (FrameFormat::Tiff16, Picture::Coded(raster)) => tiff::encode(raster),
        (FrameFormat::ExrHalf, Picture::Coded(_)) => {
            return Err(unfit("EXR takes scene-linear pictures".into()));
        }
        (_, Picture::Linear(..)) => return Err(unfit("only EXR takes scene-linear pictures".into())),
    };
    made.map_err(|error| unfit(error.to_string()))
}

/// Writes a frame's file into `folder`. One that is there stays.
///
/// # Errors
/// As [`bytes`], or the disk refuses.
pub fn write(
    target: &Target,
    folder: &Path,
    index: u64,
    picture: &Picture<'_>,
) -> Result<PathBuf, FrameError> {
    let bytes = bytes(target, index, picture)?;
    let path = folder.join(name(target, index)?);
    whole::write(&path, &bytes, false).map_err(|error| FrameError::Disk { path: path.clone(), error })?;
    Ok(path)
}

/// Whether the file of a frame holds the picture, byte by byte.
///
/// # Errors
/// As [`bytes`], or the file cannot be read.
pub fn is_as_made(
    target: &Target,
    folder: &Path,
    index: u64,
    picture: &Picture<'_>,
) -> Result<bool, FrameError> {
    let path = folder.join(name(target, index)?);
    let there = std::fs::read(&path).map_err(|error| FrameError::Disk { path, error })?;
    Ok(there == bytes(target, index, picture)?)
}

/// Writes the sound of so many frames as `NAME.wav`, 24 bits, which begins at the target's timecode and says when it was made.
/// Gives its path. What lies beyond full scale is cut off.
///
/// # Errors
/// When the sound is not the target's or not as long as the picture, or the disk refuses.
pub fn write_sound(
    target: &Target,
    folder: &Path,
    sound: &Sound,
    frames: u64,
    made: Timestamp,
) -> Result<PathBuf, FrameError> {
    let path = folder.join(format!("{}.wav", target.name));
    let unfit = |why: String| FrameError::Unfit { name: path.display().to_string(), why };
    let spec = target.sound.ok_or_else(|| unfit("the delivery has no sound".into()))?;
    let mut problems = target.problems();
    encode::sound_fits(spec, sound, target, frames, &mut problems);
    if !problems.is_empty() {
        return Err(unfit(problems.join("; ")));
    }
    let bext = Bext {
        description: target.name.chars().filter(char::is_ascii).collect(),
        originator: "Endboard".into(),
        origination_date: made.strftime("%Y-%m-%d").to_string(),
        origination_time: made.strftime("%H:%M:%S").to_string(),
        time_reference: since_midnight(target, sound.rate).map_err(&unfit)?,
        ..Bext::default()
    };
    let write = || {
        let mut file = whole::beside(folder, whole::UNDER_WAY.1)?;
        let written = wave::write(file.as_file_mut(), sound, Depth::Bits24, &bext);
        written.map_err(|error| io::Error::other(error.to_string()))?;
        whole::named(file, &path, false)
    };
    write().map_err(|error| FrameError::Disk { path: path.clone(), error })?;
    Ok(path)
}

/// The sample, counted from midnight, at which the first frame begins.
fn since_midnight(target: &Target, rate: u32) -> Result<u64, String> {
    let Some(label) = &target.timecode else { return Ok(0) };
    let (_, frame) = Counting::marked(target.rate, label).map_err(|error| error.to_string())?;
    Ok(target.samples(u64::try_from(frame).unwrap_or(0), rate))
}

/// Whether frames of this colour say so in their files.
pub fn tells_colour(format: FrameFormat, colour: Colour) -> bool {
    match format {
        FrameFormat::ExrHalf | FrameFormat::Png16 => true,
        FrameFormat::Dpx10 => colour == Colour::Bt709,
        FrameFormat::Tiff16 => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::layout::Layout;
    use crate::base::rate::Rate;
    use crate::deliver::target::{Preset, SoundSpec};
    use crate::media::image::RGBA;
    use crate::media::sound;
    use crate::media::{Format, decode};

    fn target(format: FrameFormat) -> Target {
        Target {
            name: "film".into(),
            kind: Kind::Frames { format, first: 998 },
            colour: Colour::Bt709,
            size: (7, 3),
            rate: Rate::new(24, 1),
            timecode: Some("00:59:52:00".into()),
            sound: Some(SoundSpec { layout: Layout::FiveOne, rate: 48_000 }),
            limits: Preset::Ffv1.limits(),
        }
    }

    fn coded() -> Raster {
        let plane = |p: usize| (0..21).map(|i| ((i * 3001 + p * 777) % 65536) as f32 / 65535.0).collect();
        let planes = ["R", "G", "B"].iter().zip(0..).map(|(n, p)| (n.to_string(), plane(p))).collect();
        Raster { width: 7, height: 3, planes, straight_alpha: false }
    }

    #[test]
    fn frames_come_back_as_they_were_written() {
        let folder = tempfile::tempdir().unwrap();
        let picture = coded();
        for (format, kind, step) in [
            (FrameFormat::Png16, Format::Png, 65535.0),
            (FrameFormat::Tiff16, Format::Tiff, 65535.0),
            (FrameFormat::Dpx10, Format::Dpx, 1023.0),
        ] {
            let target = target(format);
            let path = write(&target, folder.path(), 2, &Picture::Coded(&picture)).unwrap();
            assert!(path.to_str().unwrap().contains("/film.1000."), "{path:?}");
            let back = decode(kind, &std::fs::read(&path).unwrap()).unwrap();
            for ((_, a), (_, b)) in picture.planes.iter().zip(&back.planes) {
                assert!(a.iter().zip(b).all(|(a, b)| (a - b).abs() <= 0.5001 / step), "{format:?}");
            }
            assert!(is_as_made(&target, folder.path(), 2, &Picture::Coded(&picture)).unwrap());
            let mut other = picture.clone();
            other.planes[1].1[20] = 1.0;
            assert!(!is_as_made(&target, folder.path(), 2, &Picture::Coded(&other)).unwrap());
            let again = write(&target, folder.path(), 2, &Picture::Coded(&other));
            assert!(matches!(again, Err(FrameError::Disk { .. })), "nothing is written over");
        }
        let mut image = Image::new(7, 3, &RGBA);
        image.write_row(1, 2, &[0.1, 2.0, 30.0, -1.0, 0.0, 0.5, 0.25]);
        let path =
            write(&target(FrameFormat::ExrHalf), folder.path(), 0, &Picture::Linear(&image, &[])).unwrap();
        let back = exr::decode_image(&std::fs::read(&path).unwrap()).unwrap();
        assert_eq!(back.digest().whole, image.digest().whole);
    }

    #[test]
    fn pictures_of_another_kind_or_size_are_refused() {
        let picture = coded();
        let error = bytes(&target(FrameFormat::ExrHalf), 0, &Picture::Coded(&picture)).unwrap_err();
        assert!(error.to_string().starts_with("film.0998.exr: EXR takes scene-linear"), "{error}");
        let small = Image::new(2, 2, &RGBA);
        assert!(bytes(&target(FrameFormat::ExrHalf), 0, &Picture::Linear(&small, &[])).is_err());
        let movie =
            Target { kind: Kind::Movie { preset: Preset::Vc3, quality: None }, ..target(FrameFormat::Png16) };
        assert!(bytes(&movie, 0, &Picture::Coded(&picture)).is_err());
    }

    #[test]
    fn sound_begins_at_the_label_and_lasts_as_long_as_the_picture() {
        let folder = tempfile::tempdir().unwrap();
        let mut played = Sound::silent(48_000, 6, 24_000);
        played.channels[3][5] = 0.5;
        let made = "2026-02-03T04:05:06Z".parse().unwrap();
        let target = target(FrameFormat::Png16);
        let path = write_sound(&target, folder.path(), &played, 12, made).unwrap();
        let file = || std::fs::File::open(&path).unwrap();
        // 59 minutes and 52 seconds.
        assert_eq!(sound::outline(file()).unwrap().since_midnight, Some(3592 * 48_000));
        assert_eq!(sound::read(file()).unwrap(), played);
        for frames in [11, 13] {
            let error = write_sound(&target, folder.path(), &played, frames, made).unwrap_err();
            assert!(error.to_string().contains("make them one length"), "{error}");
        }
    }
}
