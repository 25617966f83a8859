//! Whether the whole mix measures what its target asks for, for whoever has just made it.
//!
//! Knows when there is a whole to measure. How it is measured, and what is said of it, is `sounds`'s.

use super::judged;
use super::sounds::{self, Part, Told};
use crate::graph::{FILM, MIX};
use crate::project::frames::Frames;
use crate::project::{Project, Status};

impl Project {
    /// What of its target the film's mix misses. Nothing where there is no target, or not all of the mix is there.
    pub fn missed_target(&self, status: &Status) -> Vec<String> {
        let graph = &status.declared.graph;
        let sound = status.declared.film.as_ref().and_then(|film| Some((film, film.sound.as_ref()?)));
        let Some(((film, sound), blocks)) = sound.zip(graph.blocks) else { return Vec::new() };
        let (Some(target), Some(id)) = (sound.target.as_ref(), graph.find(FILM, MIX)) else {
            return Vec::new();
        };
        let frames = Frames::new(self, status, id);
        let part = Part { target: Some(target), is_mix: true, is_dialogue: false };
        let heard = sounds::listen(&frames, &blocks, blocks.all(), part, &judged::of_film(film), &|| {});
        let is_of_target = |told: &Told| matches!(told.kind, sounds::LOUDNESS | sounds::TRUE_PEAK);
        heard.told.into_iter().filter(is_of_target).map(|told| told.says).collect()
    }
}
