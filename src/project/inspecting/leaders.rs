//! A print's leader looked at: whether the picture of its pop is where the sound of it will be.
//!
//! Knows the leader's own frames and the sound that deliveries lay beside them. Does not know the film's.

use rayon::prelude::*;

use crate::base::frames::FrameRange;
use crate::base::rate::Rate;
use crate::declare::sound::Sound as Declared;
use crate::media::image::RGBA;
use crate::media::sound::Sound;
use crate::operators::image::print::Numbers;
use crate::project::delivering::leader::Leader;
use crate::project::delivering::sync::{self, Synced, Unsynced};
use crate::project::frames::Frames;

/// How picture and sound of a print's pop lie.
#[derive(Clone, Debug)]
pub struct Pop {
    /// `film/NAME`.
    pub stage: String,
    /// The print's frame that is to have it.
    pub frame: i64,
    /// That frame's timecode.
    pub timecode: String,
    /// What was seen and heard.
    pub found: Result<Synced, Unsynced>,
}

impl Pop {
    /// What is wrong with it, if anything.
    pub fn fault(&self, first: i64) -> Option<String> {
        match &self.found {
            Ok(synced) if synced.offset.is_noticed() => Some(synced.offset.sentence()),
            Ok(synced) if first + synced.frame as i64 != self.frame => Some(format!(
                "The pop is seen at frame {}, and not at {}.",
                first + synced.frame as i64,
                self.frame
            )),
            Ok(_) => None,
            Err(why) => Some(format!("{} Rebuild the leader.", why.sentence())),
        }
    }
}

/// Of a print whose leader is there, has a pop, and will have sound.
pub fn look(frames: &Frames<'_>, numbers: &Numbers, rate: Rate, sound: Option<&Declared>) -> Option<Pop> {
    let leader = Leader::of(numbers);
    let (pop, sound) = (leader.pops[0]?, sound?);
    let run = FrameRange::new(numbers.all.first, numbers.pictures.first - 1);
    if !run.iter().all(|frame| frames.has(frame)) {
        return None;
    }
    let first = run.first;
    let looked: Result<Vec<(f64, f32)>, Unsynced> = run
        .iter()
        .collect::<Vec<i64>>()
        .into_par_iter()
        .map(|frame| {
            let image = frames.image(frame).map_err(|why| Unsynced::Unread(why.to_string()))?;
            let planes: Vec<Vec<f32>> = RGBA[..3]
                .iter()
                .filter_map(|name| image.channel(name))
                .map(|channel| image.plane_f32(channel))
                .collect();
            let bright = sync::bright(planes.iter().map(Vec::as_slice), true);
            Ok(((frame - first) as f64 / rate.per_second(), bright))
        })
        .collect();
    let nothing = Sound::silent(sound.rate, sound.layout.channels(), 0);
    let heard = leader.beside(&nothing, rate, leader.lead);
    let found = looked.and_then(|pictures| sync::measure(&pictures, 0.0, &heard, rate.per_second()));
    let frame = first + pop as i64;
    Some(Pop { stage: frames.name(), frame, timecode: numbers.counting.label(frame).to_string(), found })
}
