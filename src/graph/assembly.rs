//! The cut → the node of the film's own picture.
//!
//! Knows which stage of each shot the film shows, and where. Does not know how a cut is written down.

use std::collections::{BTreeMap, HashMap};

use super::build::{Builder, Edit, Event};
use super::{ASSEMBLY, CUT, FILM, Ingredient, NodeId, Work};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, nearest};
use crate::declare::film::{At, Film, Stage};
use crate::operators::{self, Slot};

impl Builder<'_> {
    /// Adds the film's own picture. Without a cut its shots follow one another as declared.
    pub(super) fn assembly(&mut self, stage: &Stage, edit: Option<&Edit>) {
        let declared: Edit;
        let edit = match edit {
            Some(edit) => edit,
            None => {
                declared = in_order(self.film);
                &declared
            }
        };
        let mut edges: Vec<super::Edge> = Vec::new();
        let mut connected = Vec::new();
        let mut inputs: HashMap<String, usize> = HashMap::new();
        let mut slots = Vec::new();
        let names = Names::of(self.film);
        for event in &edit.events {
            let Some((shot, node)) = self.assembled(event, &names) else { continue };
            let input = *inputs.entry(shot.to_string()).or_insert_with(|| {
                edges.push(super::Edge { from: node, channel: None, port: shot.to_string() });
                let frames = self.graph.nodes[node].frames;
                let channels = self.graph.nodes[node].channels.clone();
                connected.push(operators::Connected { port: 0, name: shot.to_string(), channels, frames });
                edges.len() - 1
            });
            slots.push(Slot { at: event.at, input, source: event.source });
        }
        if slots.is_empty() {
            return;
        }
        let frames = FrameRange::new(1, edit.frames);
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
        cut.int(edit.frames);
        for slot in &slots {
            cut.int(slot.at).int(slot.source.first).int(slot.source.last);
        }
        node.ingredients = vec![Ingredient { name: CUT.into(), digest: cut.finish(), text: None }];
        self.add(node, frames);
    }

    /// The shot that an event of the cut shows, and its node, when the film has it and it has those frames.
    fn assembled<'n>(&mut self, event: &Event, names: &Names<'n>) -> Option<(&'n str, NodeId)> {
        let Some(name) = names.find(&event.shot.value) else {
            let name = &event.shot.value;
            let problem = Problem::error(
                event.shot.span,
                format!("the cut names shot '{name}', but the film has no such shot"),
            );
            self.problems.push(match nearest(name, names.0.values().copied()) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem.help("declare it under `shots:`"),
            });
            return None;
        };
        // A shot with an error of its own has told it, and is not in the graph.
        let (names, last) = self.last_stage.get(name)?;
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
        Some((name, node))
    }
}

/// Names of all shots, those with errors too, found without regard to capitals, in which edit lists are often
/// written: no two shots differ in capitals alone.
struct Names<'f>(HashMap<String, &'f str>);

impl<'f> Names<'f> {
    fn of(film: &'f Film) -> Self {
        let all = film.shots.keys().chain(&film.left_out);
        Self(all.map(|name| (name.to_ascii_lowercase(), name.as_str())).collect())
    }

    fn find(&self, name: &str) -> Option<&'f str> {
        self.0.get(&name.to_ascii_lowercase()).copied()
    }
}

fn in_order(film: &Film) -> Edit {
    let mut at = 1;
    let mut events = Vec::new();
    for (name, shot) in &film.shots {
        let source = shot.frames.value;
        events.push(Event { shot: At { value: name.clone(), span: shot.span }, source, at });
        at += source.len() as i64;
    }
    Edit { events, frames: at - 1 }
}
