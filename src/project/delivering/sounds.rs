//! A delivery's sound being made: blocks put together, files that are read again, and what they measure.
//!
//! Knows which samples of it are the film's. Pictures, and what is thrown away on the way, are `make`'s.

use std::ops::Range;
use std::path::{Path, PathBuf};

use super::hearing;
use super::make::{Fault, Making, file_name};
use super::needs::Part;
use super::paper::Paper;
use super::telling::{CAUTIONS, CHECKS, PASSED};
use crate::deliver::frames;
use crate::deliver::target::Target;
use crate::media::sound::{Sound, wave};
use crate::operators::sound::{law, master};

impl Making<'_> {
    /// A part's blocks, one after the other.
    pub(super) fn heard(&self, part: &Part) -> Result<Sound, Fault> {
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

    /// Which samples of a sound beside the picture are the film's own.
    pub(super) fn of_film(&self, sound: &Sound) -> Range<usize> {
        let Some(shown) = self.ready.picture else { return 0..sound.len() };
        shown.leader.of_film(sound.rate, self.target().rate)
    }

    /// Measures the film's own part of a delivered sound. Loudness that is off refuses the delivery, unless it goes out all the same.
    pub(super) fn measured(
        &self,
        sound: &Sound,
        of: Range<usize>,
        file: &str,
        paper: &mut Paper,
    ) -> Result<(), Fault> {
        let film = hearing::part(sound, of);
        match hearing::measured(&film, self.ready.asked, file, paper) {
            Some(why) if !self.as_it_is => Err(Fault::Unfit(format!(
                "{why}; mend the mix or its target, or `--as-it-is` delivers it so"
            ))),
            Some(why) => {
                paper.add(PASSED, format!("{file}: loudness"), why);
                Ok(())
            }
            None => Ok(()),
        }
    }

    /// Tells of samples that lie beyond full scale.
    pub(super) fn beyond(&self, sound: &Sound, file: &str, paper: &mut Paper) {
        let count = wave::beyond(sound);
        if count > 0 {
            let says = format!("{count} samples beyond full scale are cut off: lower the mix, or its parts");
            paper.add(CAUTIONS, file, says);
        }
    }

    /// A broadcast WAV that is read again.
    pub(super) fn wave(
        &self,
        target: &Target,
        folder: &Path,
        sound: &Sound,
        of_film: Range<usize>,
        frames: u64,
        paper: &mut Paper,
    ) -> Result<PathBuf, Fault> {
        let path = frames::write_sound(target, folder, sound, frames, self.made)?;
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
        self.beyond(sound, &file, paper);
        self.measured(&delivered, of_film, &file, paper)?;
        Ok(path)
    }

    /// A file a stem, all with the mix's gain.
    pub(super) fn stems(&self, folder: &Path, paper: &mut Paper) -> Result<(), Fault> {
        let gain = match (self.ready.level, self.needs.parts.last()) {
            (Some(_), Some(level)) => {
                let level = self.heard(level)?;
                master::gain(&level).unwrap_or(0.0)
            }
            _ => 0.0,
        };
        let (factor, count) = (law::factor(gain) as f32, self.ready.stems.len());
        for (index, ((name, _), part)) in self.ready.stems.iter().zip(&self.needs.parts).enumerate() {
            if self.runner.halt.is_asked() {
                return Err(Fault::Stopped);
            }
            let mut sound = self.heard(part)?;
            sound.channels.iter_mut().flatten().for_each(|v| *v *= factor);
            let (rate, length) = (self.target().rate, sound.len() as f64);
            let frames = length * f64::from(rate.frames) / (f64::from(sound.rate) * f64::from(rate.seconds));
            let target = Target { name: format!("{}-{name}", self.target().name), ..self.target().clone() };
            self.wave(&target, folder, &sound, 0..sound.len(), frames.round() as u64, paper)?;
            (self.tell)(&self.ready.name, index as u64 + 1, count as u64);
        }
        let says = format!(
            "each has the gain of the mix, {gain:+.1} dB, so that all together are the mix before its limiter"
        );
        paper.add(CHECKS, "stems", says);
        Ok(())
    }
}
