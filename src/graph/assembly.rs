//! The cut → the node of the film's own picture.
//!
//! Knows which stage of each shot the film shows, and where. Does not know how a cut is written down.

use std::collections::{BTreeMap, HashMap};

use super::build::{Builder, Event};
use super::{ASSEMBLY, FILM, Ingredient, NodeId, Work};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::Problem;
use crate::declare::film::{At, Film, Stage};
use crate::operators::{self, Slot};

impl Builder<'_> {
    /// Adds the film's own picture. Without a cut its shots follow one another as declared.
    pub(super) fn assembly(&mut self, stage: &Stage, events: Option<&[Event]>) {
        let declared: Vec<Event>;
        let events = match events {
            Some(events) => events,
            None => {
                declared = in_order(self.film);
                &declared
            }
        };
        let mut edges: Vec<super::Edge> = Vec::new();
        let mut connected = Vec::new();
        let mut inputs: HashMap<String, usize> = HashMap::new();
        let mut slots = Vec::new();
        for event in events {
            let Some(node) = self.assembled(event) else { continue };
            let input = *inputs.entry(event.shot.value.clone()).or_insert_with(|| {
                edges.push(super::Edge { from: node, channel: None, port: event.shot.value.clone() });
                let frames = self.graph.nodes[node].frames;
                let channels = self.graph.nodes[node].channels.clone();
                connected.push(operators::Connected {
                    port: 0,
                    name: event.shot.value.clone(),
                    channels,
                    frames,
                });
                edges.len() - 1
            });
            slots.push(Slot { at: event.at, input, source: event.source });
        }
        let Some(last) = slots.iter().map(|s| s.at + s.source.len() as i64 - 1).max() else { return };
        let frames = FrameRange::new(1, last);
        let Some(operator) = operators::named("assemble") else { return };
        let settings = stage.settings.clone();
        let Some(prepared) =
            self.prepare(operator, &settings, stage.span, frames, &connected, &slots, &BTreeMap::new())
        else {
            return;
        };
        let spec = operator.spec();
        let mut node =
            self.node(&FILM.into(), ASSEMBLY, frames, Work::Operator { spec, prepared }, stage.span);
        node.inputs = edges;
        node.identity = operators::identity(spec);
        node.keep = stage.keep;
        let mut cut = KeyHasher::new();
        for slot in &slots {
            cut.int(slot.at).int(slot.source.first).int(slot.source.last);
        }
        node.ingredients = vec![Ingredient { name: "the cut".into(), digest: cut.finish(), text: None }];
        self.add(node, frames);
    }

    /// The node that an event of the cut shows, when the film has it and it has those frames.
    fn assembled(&mut self, event: &Event) -> Option<NodeId> {
        let name = &event.shot.value;
        let Some((names, last)) = self.last_stage.get(name) else {
            let problem = Problem::error(
                event.shot.span,
                format!("the cut names shot '{name}', which the film has not"),
            );
            self.problems.push(
                match crate::base::problem::nearest(name, self.film.shots.keys().map(String::as_str)) {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None => problem.help("declare it under `shots:`"),
                },
            );
            return None;
        };
        let node = match &self.film.assembly_from {
            Some(stage) => names.get(&stage.value).copied().or(*last),
            None => *last,
        }?;
        let has = self.graph.nodes[node].frames;
        if !has.covers(event.source) {
            let problem = Problem::error(
                event.shot.span,
                format!("the cut uses {name}@{}, and the shot is made for {has}", event.source),
            );
            self.problems.push(problem.help("give the shot those frames, or more handles"));
            return None;
        }
        Some(node)
    }
}

fn in_order(film: &Film) -> Vec<Event> {
    let mut at = 1;
    let mut events = Vec::new();
    for (name, shot) in &film.shots {
        let source = shot.frames.value;
        events.push(Event { shot: At { value: name.clone(), span: shot.span }, source, at });
        at += source.len() as i64;
    }
    events
}
