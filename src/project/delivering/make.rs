//! A delivery being made: its pictures, each looked at again, in a folder that has no final name yet.
//!
//! Knows the order of the work and what is told of it. What goes in was found before; what is thrown away on the way goes
//! with its folder.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use jiff::Timestamp;
use rayon::prelude::*;

use super::needs::{Needs, Part};
use super::paper::Paper;
use super::sync::{self, Synced, Unsynced};
use super::targets::Ready;
use super::telling::{self, CAUTIONS, CHECKS};
use crate::base::digest::Digest;
use crate::base::level::Level;
use crate::deliver::encode::{self, MovieError, Source, Step, Tools};
use crate::deliver::frames::{self, FrameError, Picture};
use crate::deliver::target::{Colour, FrameFormat, Kind, Target};
use crate::deliver::verify::moments;
use crate::execute;
use crate::media::exr::{self, Fact};
use crate::media::image::{Image, Raster};
use crate::media::sound::Sound;
use crate::operators::WorkingSpace;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::Encoding;
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
    /// What is not as it should be, and need not refuse the delivery, goes out.
    pub as_it_is: bool,
}

impl Making<'_> {
    pub(super) fn target(&self) -> &Target {
        &self.ready.target
    }

    /// Makes all files in `folder`, and writes into `paper` what was checked. Gives how picture and sound of its pop lie, when it has
    /// one.
    ///
    /// # Errors
    /// When something cannot be made, or is not as it should be.
    pub fn all(&self, folder: &Path, paper: &mut Paper) -> Result<Option<Synced>, Fault> {
        let Some(shown) = self.ready.picture else {
            self.stems(folder, paper)?;
            return Ok(None);
        };
        let (picture, count) = (&self.needs.parts[0], shown.frames.len() as u64);
        let sound = match self.ready.mix {
            Some(_) => {
                Some(shown.leader.beside(&self.heard(&self.needs.parts[1])?, self.target().rate, count))
            }
            None => None,
        };
        let files = match self.target().kind {
            Kind::Movie { .. } => vec![self.movie(folder, picture, sound.as_ref(), paper)?],
            Kind::Frames { format, .. } => {
                self.frames(folder, format, picture, paper)?;
                let names = (0..count).map(|n| Ok(folder.join(frames::name(self.target(), n)?)));
                let mut files = names.collect::<Result<Vec<_>, FrameError>>()?;
                if let Some(sound) = &sound {
                    let of_film = self.of_film(sound);
                    files.push(self.wave(self.target(), folder, sound, of_film, count, paper)?);
                }
                files
            }
        };
        match (shown.leader.pops[0], sound) {
            (Some(pop), Some(_)) => self.synced(&files, pop, paper).map(Some),
            _ => Ok(None),
        }
    }

    /// Sees and hears the pop in what was written: the movie, or frames with their WAV as the last file.
    fn synced(&self, files: &[PathBuf], pop: u64, paper: &mut Paper) -> Result<Synced, Fault> {
        let target = self.target();
        let found = match files {
            [movie] => sync::movie(movie, Some(target.rate.per_second()), self.tools, self.runner),
            [pictures @ .., wave] => sync::frames(pictures, wave, target.rate, target.timecode.as_deref()),
            [] => Err(Unsynced::None),
        };
        let found = found.map_err(|why| self.stopped_or(format!("its leader: {}", why.sentence())))?;
        if found.frame as u64 != pop {
            let why = format!("its pop is seen at frame {}, where frame {} has it", found.frame + 1, pop + 1);
            return Err(Fault::Unfit(why));
        }
        paper.add(CHECKS, "sync", found.sentence());
        // A coder that keeps to its samples is off by none.
        match found.offset {
            offset if offset.is_noticed() => return Err(Fault::Unfit(offset.sentence())),
            offset if offset.early.abs() > sync::EXACT => paper.add(CAUTIONS, "sync", offset.sentence()),
            _ => {}
        }
        Ok(found)
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
    ) -> Result<PathBuf, Fault> {
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
            self.beyond(sound, &file, paper);
            let form = (sound.channels.len(), sound.rate);
            let delivered = moments::sound(&path, form, None, self.tools, self.runner)?;
            self.measured(&delivered, self.of_film(sound), &file, paper)?;
        }
        Ok(path)
    }

    pub(super) fn stopped_or(&self, why: String) -> Fault {
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
}

/// The last part of a path, as text.
pub fn file_name(path: &Path) -> String {
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
