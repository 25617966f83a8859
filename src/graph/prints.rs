//! Declared prints → nodes that show the film's own picture once more, with what is for review.
//!
//! Knows that a print stands beside the film's picture, under its own name, and which frames it has. Does not know what is drawn.

use std::collections::BTreeMap;

use super::build::{Builder, ingredient};
use super::edit::Edit;
use super::stages::written;
use super::{Edge, FILM, NodeId, Work};
use crate::base::frames::FrameRange;
use crate::declare::film::Stage;
use crate::operators::image::print::{Numbers, Print, Told};
use crate::operators::{self, Connected, Operator, Slot};

impl Builder<'_> {
    /// Adds the prints of the film, whose picture is node `assembly`.
    pub(super) fn prints(&mut self, edit: &Edit, slots: &[Slot], assembly: NodeId) {
        let film = self.film;
        for (name, stage) in &film.prints {
            self.print(name, stage, edit, slots, assembly);
        }
    }

    fn print(
        &mut self,
        name: &str,
        stage: &Stage,
        edit: &Edit,
        slots: &[Slot],
        assembly: NodeId,
    ) -> Option<NodeId> {
        let film = self.film;
        let numbers = Numbers::of(&stage.settings, stage.span, film.rate, edit.starts, edit.frames);
        let frames = numbers.as_ref().map_or(FrameRange::none(), |numbers| numbers.all);
        let from = &self.graph.nodes[assembly];
        let connected = [Connected {
            port: 0,
            name: String::new(),
            channels: from.channels.clone(),
            frames: from.frames,
        }];
        let files = BTreeMap::new();
        let setup = self.setup(&stage.settings, stage.span, frames, &connected, slots, &files);
        let ready = Print.ready(&setup, Told { film: &film.name, rate: film.rate, numbers });
        let prepared = self.taken_up(ready)?;
        let spec = Print.spec();
        let mut node = self.node(&FILM.into(), name, frames, Work::Operator { spec, prepared }, stage.span);
        node.inputs = vec![Edge { from: assembly, channel: None, port: "picture".into() }];
        node.identity = operators::identity(spec);
        node.keep = stage.keep;
        node.pools = self.places(stage);
        node.ingredients = written(&stage.settings);
        node.ingredients.push(super::assembly::shown(edit, slots));
        node.ingredients.push(ingredient("rate", &film.rate.to_string()));
        node.ingredients.push(ingredient("film", &film.name));
        node.ingredients.push(ingredient("first frame", &frames.first.to_string()));
        node.ingredients
            .push(ingredient(&format!("operator {}", spec.name), &format!("version {}", spec.version)));
        Some(self.add(node, frames))
    }
}
