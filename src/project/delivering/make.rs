//! A delivery being made: its files, each looked at again, in a folder that has no final name yet.
//!
//! Knows the order of the work and what is told of it. What goes in was found before; what is thrown away on the way goes
//! with its folder.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

use jiff::Timestamp;
use rayon::prelude::*;

use super::hearing;
use super::needs::{Needs, Part};
use super::paper::Paper;
use super::targets::Ready;
use super::telling::{self, CAUTIONS, CHECKS};
use crate::base::digest::Digest;
use crate::base::level::Level;
use crate::deliver::encode::{self, MovieError, Source, Step, Tools};
use crate::deliver::frames::{self, FrameError, Picture};
use crate::deliver::target::{Colour, FrameFormat, Kind, Target};
use crate::execute;
use crate::media::exr::{self, Fact};
use crate::media::image::{Image, Raster};
use crate::media::sound::Sound;
use crate::operators::WorkingSpace;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::Encoding;
use crate::operators::sound::master;
use crate::programs::Runner;
use crate::store::objects::Objects;

/// Most pictures that are made ready at once, ahead of a coder that takes one after the other.
const AHEAD: usize = 4;

/// Why a delivery was not made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It was asked to stop.
    Stopped,
    /// It is not as it should be, or cannot be made here.
    Unfit(String),
    /// The system refused.
    System(String),
}

impl From<MovieError> for Fault {
    fn from(error: MovieError) -> Self {
        match error {
            MovieError::Stopped => Self::Stopped,
            MovieError::Full(_) | MovieError::Disk { .. } => Self::System(error.to_string()),
            _ => Self::Unfit(error.to_string()),
        }
    }
}

impl From<FrameError> for Fault {
    fn from(error: FrameError) -> Self {
        match error {
            FrameError::Disk { .. } => Self::System(error.to_string()),
            FrameError::Unfit { .. } => Self::Unfit(error.to_string()),
        }
    }
}

/// How far a delivery is: its name, and what is done of how much.
pub type Tell<'t> = &'t (dyn Fn(&str, u64, u64) + Sync);

/// What making needs besides what is made.
pub struct Making<'m> {
    /// The delivery.
    pub ready: &'m Ready,
    /// What goes in.
    pub needs: &'m Needs,
    /// Renders.
    pub objects: &'m Objects,
    /// What the numbers of pixels mean.
    pub space: WorkingSpace,
    /// The programs that code.
    pub tools: &'m Tools,
    /// What starts them.
    pub runner: &'m Runner,
    /// Now.
    pub made: Timestamp,
    /// Who waits.
    pub tell: Tell<'m>,
}

impl Making<'_> {
    fn target(&self) -> &Target {
        &self.ready.target
    }

    /// Makes all files in `folder`, and writes into `paper` what was checked.
    ///
    /// # Errors
    /// When something cannot be made, or is not as it should be.
    pub fn all(&self, folder: &Path, paper: &mut Paper) -> Result<(), Fault> {
        let Some(shown) = self.ready.picture else { return self.stems(folder, paper) };
        let picture = &self.needs.parts[0];
        let sound = match self.ready.mix {
            Some(_) => Some(self.beside(&self.heard(&self.needs.parts[1])?, shown.lead, shown.frames.len())),
            None => None,
        };
        match self.target().kind {
            Kind::Movie { .. } => self.movie(folder, picture, sound.as_ref(), paper),
            Kind::Frames { format, .. } => {
                self.frames(folder, format, picture, paper)?;
                sound.map_or(Ok(()), |sound| {
                    self.wave(self.target(), folder, &sound, picture.pieces.len() as u64, paper)
                })
            }
        }
    }

    fn picture(&self, part: &Part, index: usize) -> Result<(Image, Digest), String> {
        let (number, digest) = part.pieces[index];
        let image = self.objects.picture(&digest);
        let image = image.map_err(|error| format!("{}@{number}: {error}; rebuild it", part.name))?;
        Ok((std::sync::Arc::unwrap_or_clone(image), digest))
    }

    fn movie(
        &self,
        folder: &Path,
        part: &Part,
        sound: Option<&Sound>,
        paper: &mut Paper,
    ) -> Result<(), Fault> {
        let count = part.pieces.len();
        let mut ahead: VecDeque<(u64, Raster)> = VecDeque::new();
        let most = rayon::current_num_threads().clamp(1, AHEAD);
        // A coder takes one frame after the other; those that follow are made ready together.
        let mut raster = |n: u64| {
            if ahead.front().is_none_or(|(number, _)| *number != n) {
                let next = n as usize..(n as usize + most).min(count);
                let made: Result<Vec<_>, String> = next
                    .into_par_iter()
                    .map(|n| {
                        Ok((n as u64, coded(&self.picture(part, n)?.0, self.space, self.target().colour)))
                    })
                    .collect();
                ahead = made?.into();
            }
            ahead.pop_front().map(|(_, raster)| raster).ok_or_else(|| "there is no such frame".to_string())
        };
        let mut source = Source { frames: count as u64, picture: &mut raster, sound };
        let mut tell = |step| {
            let done = match step {
                Step::Coded(n) => n,
                Step::Checked(n) => count as u64 + n,
            };
            (self.tell)(&self.ready.name, done, 2 * count as u64);
        };
        let (path, report) =
            encode::make(self.target(), &mut source, folder, self.tools, self.runner, &mut tell)?;
        let file = file_name(&path);
        telling::movie(&report, count as u64, self.target(), &file, paper);
        if let Some(sound) = sound {
            let channels = sound.channels.len();
            let delivered = hearing::decoded(&path, channels, sound.rate, self.tools, self.runner);
            let delivered = delivered.map_err(|why| self.stopped_or(format!("{file}: {why}")))?;
            hearing::measured(&delivered, self.ready.asked, &file, paper);
        }
        Ok(())
    }

    fn stopped_or(&self, why: String) -> Fault {
        if self.runner.halt.is_asked() { Fault::Stopped } else { Fault::Unfit(why) }
    }

    fn frames(
        &self,
        folder: &Path,
        format: FrameFormat,
        part: &Part,
        paper: &mut Paper,
    ) -> Result<(), Fault> {
        let (done, count) = (AtomicU64::new(0), part.pieces.len());
        let facts = [("chromaticities".to_string(), execute::colour(self.space))];
        (0..count).into_par_iter().try_for_each(|index| {
            if self.runner.halt.is_asked() {
                return Err(Fault::Stopped);
            }
            self.frame(folder, format, part, index, &facts)?;
            (self.tell)(&self.ready.name, done.fetch_add(1, Ordering::Relaxed) + 1, count as u64);
            Ok(())
        })?;
        let (first, last) = (frames::name(self.target(), 0)?, frames::name(self.target(), count as u64 - 1)?);
        let says = match format {
            FrameFormat::ExrHalf => "each read again: its pixels are those of the film, bit by bit",
            _ => "each read again: its bytes are those of the film's frame as coded",
        };
        paper.add(CHECKS, format!("{first} to {last}"), format!("{count} files, {says}"));
        Ok(())
    }

    fn frame(
        &self,
        folder: &Path,
        format: FrameFormat,
        part: &Part,
        index: usize,
        facts: &[(String, Fact)],
    ) -> Result<(), Fault> {
        let (image, digest) = self.picture(part, index).map_err(Fault::Unfit)?;
        let raster: Raster;
        let picture = match format {
            FrameFormat::ExrHalf => Picture::Linear(&image, facts),
            _ => {
                raster = coded(&image, self.space, self.target().colour);
                Picture::Coded(&raster)
            }
        };
        let path = frames::write(self.target(), folder, index as u64, &picture)?;
        let is_sound = match format {
            FrameFormat::ExrHalf => {
                let bytes = std::fs::read(&path)
                    .map_err(|error| Fault::System(format!("{}: {error}", path.display())))?;
                exr::decode_image(&bytes).is_ok_and(|image| image.digest().whole == digest)
            }
            _ => frames::is_as_made(self.target(), folder, index as u64, &picture)?,
        };
        if is_sound {
            return Ok(());
        }
        Err(Fault::Unfit(format!("{} does not hold the film's frame; is the disk sound?", file_name(&path))))
    }

    /// A part's blocks, one after the other.
    fn heard(&self, part: &Part) -> Result<Sound, Fault> {
        let mut whole: Option<Sound> = None;
        for (number, digest) in &part.pieces {
            let lost = |why: String| Fault::Unfit(format!("{}@{number}: {why}; rebuild it", part.name));
            let render = self.objects.get(digest).map_err(|error| lost(error.to_string()))?;
            let block = render.sound().ok_or_else(|| lost("it is no sound".into()))?;
            let all = whole.get_or_insert_with(|| Sound::silent(block.rate, block.channels.len(), 0));
            if (all.rate, all.channels.len()) != (block.rate, block.channels.len()) {
                return Err(lost("it has other channels than the blocks before".into()));
            }
            all.channels.iter_mut().zip(&block.channels).for_each(|(to, from)| to.extend_from_slice(from));
        }
        whole.ok_or_else(|| Fault::Unfit(format!("{}: there is no sound", part.name)))
    }

    /// The film's sound as long as a picture of so many frames, of which some come before the film's first.
    fn beside(&self, film: &Sound, lead: u64, frames: usize) -> Sound {
        let start = self.target().samples(lead, film.rate) as usize;
        let whole = self.target().samples(frames as u64, film.rate) as usize;
        let mut out = Sound::silent(film.rate, film.channels.len(), whole);
        for (to, from) in out.channels.iter_mut().zip(&film.channels) {
            let count = from.len().min(whole.saturating_sub(start));
            to[start..start + count].copy_from_slice(&from[..count]);
        }
        out
    }

    /// A broadcast WAV that is read again.
    fn wave(
        &self,
        target: &Target,
        folder: &Path,
        sound: &Sound,
        frames: u64,
        paper: &mut Paper,
    ) -> Result<(), Fault> {
        let (path, cut) = frames::write_sound(target, folder, sound, frames, self.made)?;
        let file = file_name(&path);
        let delivered = hearing::as_written(&path, sound).map_err(Fault::Unfit)?;
        let (samples, needs) = (delivered.len() as u64, target.samples(frames, sound.rate));
        paper.add(
            CHECKS,
            file.clone(),
            format!(
                "read again: every sample is that of the film at 24 bits; {samples} samples beside a picture of {needs}, from {}",
                target.timecode.as_deref().unwrap_or("no timecode")
            ),
        );
        if cut > 0 {
            let says = format!("{cut} samples beyond full scale were cut off: lower the mix, or its parts");
            paper.add(CAUTIONS, file.clone(), says);
        }
        hearing::measured(&delivered, self.ready.asked, &file, paper);
        Ok(())
    }

    /// A file a stem, all with the mix's gain.
    fn stems(&self, folder: &Path, paper: &mut Paper) -> Result<(), Fault> {
        let gain = match (self.ready.level, self.needs.parts.last()) {
            (Some(_), Some(level)) => {
                let level = self.heard(level)?;
                master::gain(&level).unwrap_or(0.0)
            }
            _ => 0.0,
        };
        let (factor, count) = (crate::operators::sound::law::factor(gain) as f32, self.ready.stems.len());
        for (index, ((name, _), part)) in self.ready.stems.iter().zip(&self.needs.parts).enumerate() {
            if self.runner.halt.is_asked() {
                return Err(Fault::Stopped);
            }
            let mut sound = self.heard(part)?;
            sound.channels.iter_mut().flatten().for_each(|v| *v *= factor);
            let (rate, length) = (self.target().rate, sound.len() as f64);
            let frames = length * f64::from(rate.frames) / (f64::from(sound.rate) * f64::from(rate.seconds));
            let target = Target { name: format!("{}-{name}", self.target().name), ..self.target().clone() };
            self.wave(&target, folder, &sound, frames.round() as u64, paper)?;
            (self.tell)(&self.ready.name, index as u64 + 1, count as u64);
        }
        let says = format!(
            "each has the gain of the mix, {gain:+.1} dB, so that all together are the mix before its limiter"
        );
        paper.add(CHECKS, "stems", says);
        Ok(())
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// A picture coded for display: light goes to the primaries and by the curve of the colour (BT.709 for a display of BT.1886; BT.2100
/// PQ and HLG), and what is outside of 0 to 1 is held there. What is transparent is black under it.
pub fn coded(image: &Image, space: WorkingSpace, colour: Colour) -> Raster {
    let name = match colour {
        Colour::Bt709 => "bt1886",
        Colour::Pq => "pq",
        Colour::Hlg => "hlg",
    };
    let mut chain = Chain::new();
    chain.convert(space.encoding(), Encoding::named(name).expect("a name of the list"));
    let mut planes: Vec<Vec<f32>> = (0..3).map(|channel| image.plane_f32(channel)).collect();
    if let [r, g, b] = planes.as_mut_slice() {
        chain.apply(Level::best(), [r, g, b]);
    }
    planes.iter_mut().flatten().for_each(|v| *v = if v.is_nan() { 0.0 } else { v.clamp(0.0, 1.0) });
    let planes = ["R", "G", "B"].map(String::from).into_iter().zip(planes).collect();
    Raster { width: image.width(), height: image.height(), planes, straight_alpha: false }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::image::RGBA;

    #[test]
    fn light_is_coded_by_the_targets_curve_and_held() {
        let mut image = Image::new(4, 1, &RGBA);
        for channel in 0..3 {
            image.write_row(channel, 0, &[0.18, 1.0, 4.0, f32::NAN]);
        }
        let raster = coded(&image, WorkingSpace::LinearRec709, Colour::Bt709);
        let grey = &raster.planes[1].1;
        // BT.1886 with black at 0 is a power of 2.4.
        assert!((f64::from(grey[0]) - 0.18f64.powf(1.0 / 2.4)).abs() < 1e-3, "{grey:?}");
        assert_eq!(&grey[1..], [1.0, 1.0, 0.0]);
        // ST 2084: 100 cd/m² has the signal 0.5081.
        let pq = coded(&image, WorkingSpace::LinearRec709, Colour::Pq);
        assert!((pq.planes[0].1[1] - 0.5081).abs() < 1e-3, "{:?}", pq.planes[0].1);
        // BT.2408: diffuse white has the signal 0.75.
        let hlg = coded(&image, WorkingSpace::LinearRec709, Colour::Hlg);
        assert!((hlg.planes[0].1[1] - 0.75).abs() < 1e-3, "{:?}", hlg.planes[0].1);
    }
}
