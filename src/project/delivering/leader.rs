//! What stands before the film and after it, as sound: silence, and a pop beside each picture of one.
//!
//! Knows where a print's pops are, in frames of a delivery. Does not know what its pictures show.

use std::ops::Range;

use crate::base::rate::Rate;
use crate::media::sound::{Sound, pop};
use crate::operators::image::print::{Numbers, leader};

/// Frames of a delivery round the film's own.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Leader {
    /// How many frames come before the film's first.
    pub lead: u64,
    /// How many are the film's.
    pub film: u64,
    /// Frames with a pop, counted from the delivery's first: before the film, and after it.
    pub pops: [Option<u64>; 2],
}

impl Leader {
    /// As a print counts.
    pub fn of(numbers: &Numbers) -> Self {
        let all = numbers.all;
        let lead = (numbers.pictures.first - all.first).max(0) as u64;
        let pops = leader::pops(numbers.pictures, numbers.nominal);
        Self {
            lead,
            film: numbers.pictures.len() as u64,
            pops: pops.map(|frame| all.contains(frame).then(|| (frame - all.first) as u64)),
        }
    }

    /// The film's sound beside a picture of so many frames in all, with silence and pops round it.
    pub fn beside(&self, film: &Sound, rate: Rate, frames: u64) -> Sound {
        let at = |frame: u64| rate.samples(frame, film.rate) as usize;
        let mut out = Sound::silent(film.rate, film.channels.len(), at(frames));
        let of_film = self.of_film(film.rate, rate);
        for (to, from) in out.channels.iter_mut().zip(&film.channels) {
            let whole = to.len();
            let to = &mut to[of_film.start.min(whole)..of_film.end.min(whole)];
            to.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
        }
        for frame in self.pops.into_iter().flatten().filter(|&frame| frame < frames) {
            pop::lay(&mut out, at(frame)..at(frame + 1));
        }
        out
    }

    /// Which samples of such a sound are the film's own.
    pub fn of_film(&self, sampling: u32, rate: Rate) -> Range<usize> {
        let [start, end] =
            [self.lead, self.lead + self.film].map(|frame| rate.samples(frame, sampling) as usize);
        start..end
    }
}
