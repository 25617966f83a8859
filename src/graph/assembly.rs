//! The cut → the node of the film's own picture.
//!
//! Knows which stage of each shot the film shows, where, and over which frames one goes out while the next comes in. Does not
//! know how a cut is written down.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::build::Builder;
use super::edit::{Dissolve, Edit, Event};
use super::{ASSEMBLY, CUT, FILM, Ingredient, NodeId, Work};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, nearest};
use crate::base::speed::Run;
use crate::declare::film::{At, Film, Stage};
use crate::media::image::RGBA;
use crate::operators::image::assemble::{AS_DISSOLVES, OTHER_WIPES};
use crate::operators::image::wipe;
use crate::operators::{self, Slot};

impl Builder<'_> {
    /// Adds the film's own picture and its prints. Without a cut its shots follow one another as declared.
    pub(super) fn film_itself(&mut self, edit: Option<&Edit>) {
        let declared: Edit;
        let edit = match edit {
            Some(edit) => edit,
            None => {
                declared = in_order(self.film);
                &declared
            }
        };
        if let Some(sound) = &self.film.sound {
            self.sound(sound, edit);
        }
        let Some(stage) = &self.film.assembly else { return };
        if let Some(problem) = self.mattes_alone(stage) {
            self.problems.push(problem);
            return;
        }
        let reel = self.reel(edit);
        if reel.slots.iter().any(|slot| !slot.leaves)
            && let Some(assembly) = self.assembly(stage, edit, &reel)
        {
            self.prints(edit, &reel.slots, assembly);
        }
    }

    /// The problem of shots whose stage that the film takes makes mattes and no picture.
    fn mattes_alone(&self, stage: &Stage) -> Option<Problem> {
        let of_mattes = |name: &&String| {
            let Some((stages, last)) = self.last_stage.get(*name) else { return false };
            let node = self.chosen(stages, *last).map(|node| &self.graph.nodes[node]);
            node.is_some_and(|node| RGBA.iter().any(|c| !node.channels.iter().any(|n| &**n == *c)))
        };
        let shots: Vec<&str> = self.film.shots.keys().filter(of_mattes).map(String::as_str).collect();
        let first = shots.first()?;
        let (named, more) = (shots[..shots.len().min(8)].join(", "), shots.len().saturating_sub(8));
        let named = if more > 0 { format!("{named} and {more} more") } else { named };
        let problem = match &self.film.assembly_from {
            Some(from) => {
                let message = format!("stage '{}' makes mattes and no picture, in {named}", from.value);
                Problem::error(from.span, message)
            }
            None => {
                let message = format!("the last stage makes mattes and no picture, in {named}");
                let problem = Problem::error(stage.span, message);
                match self.film.shots.get(*first).and_then(|shot| shot.stages.last()) {
                    Some((_, last)) => problem.related(last.span, "the first of them"),
                    None => problem,
                }
            }
        };
        Some(problem.help("assembly: { from: STAGE }, a stage that makes a picture"))
    }

    /// The node that the film takes of a shot with these stages.
    pub(super) fn chosen(&self, stages: &HashMap<String, NodeId>, last: Option<NodeId>) -> Option<NodeId> {
        let from = self.film.assembly_from.as_ref();
        from.and_then(|stage| stages.get(&stage.value).copied()).or(last)
    }

    /// What of which shots plays where.
    fn reel(&mut self, edit: &Edit) -> Reel {
        let names = Names::of(self.film);
        let mut reel = Reel::default();
        for event in &edit.events {
            let Some((shot, node)) = self.assembled(event, &names) else { continue };
            let slot = Slot {
                at: event.at,
                input: Some(reel.input(node, shot, false)),
                run: event.run,
                leaves: false,
                wipe: None,
                shot: shot.into(),
                stage: Arc::clone(&self.graph.nodes[node].stage),
            };
            reel.slots.push(slot);
        }
        for dissolve in &edit.dissolves {
            self.draws(dissolve);
            if let Some(slot) = self.leaving(dissolve, &names, &mut reel) {
                reel.slots.push(slot);
            }
        }
        reel
    }

    fn assembly(&mut self, stage: &Stage, edit: &Edit, reel: &Reel) -> Option<NodeId> {
        let connected: Vec<operators::Connected> = reel
            .edges
            .iter()
            .map(|edge| {
                let from = &self.graph.nodes[edge.from];
                let (channels, frames) = (from.channels.clone(), from.frames);
                operators::Connected { port: 0, name: edge.port.clone(), channels, frames }
            })
            .collect();
        let frames = FrameRange::new(1, edit.frames);
        let operator = operators::named("assemble")?;
        let (settings, none) = (stage.settings.clone(), BTreeMap::new());
        let prepared =
            self.prepare(operator, &settings, stage.span, frames, &connected, &reel.slots, &none)?;
        let spec = operator.spec();
        let mut node =
            self.node(&FILM.into(), ASSEMBLY, frames, Work::Operator { spec, prepared }, stage.span);
        node.inputs = reel.edges.clone();
        node.identity = operators::identity(spec);
        node.keep = stage.keep;
        node.pools = self.places(stage);
        node.ingredients = vec![shown(edit, &reel.slots)];
        Some(self.add(node, frames))
    }

    /// The shot of this name, where the cut names it, and the node that the film takes of it.
    fn taken<'n>(&mut self, shot: &At<String>, names: &Names<'n>) -> Option<(&'n str, NodeId)> {
        let Some(name) = names.find(&shot.value) else {
            let name = &shot.value;
            let problem = Problem::error(
                shot.span,
                format!("the cut names shot '{name}', but the film has no such shot"),
            );
            self.problems.push(match nearest(name, names.0.values().copied()) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem.help("declare it under `shots:`"),
            });
            return None;
        };
        // A shot with an error of its own has told it, and is not in the graph.
        let (stages, last) = self.last_stage.get(name)?;
        let node = self.chosen(stages, *last)?;
        Some((name, node))
    }

    /// The shot that an event of the cut shows, and its node, when the film has it and it has those frames.
    fn assembled<'n>(&mut self, event: &Event, names: &Names<'n>) -> Option<(&'n str, NodeId)> {
        let (name, node) = self.taken(&event.shot, names)?;
        let has = self.graph.nodes[node].frames;
        let source = event.run.shows();
        if !has.covers(source) {
            let problem = Problem::error(
                event.shot.span,
                format!("the cut uses {name}@{source}, and the shot is made for {has}"),
            );
            self.problems.push(problem.help("give the shot those frames, or more handles"));
            return None;
        }
        Some((name, node))
    }

    /// What goes out in a dissolve, when it has the frames for it. It is connected by itself, since the shot that comes in
    /// may be the same one at other frames.
    fn leaving(&mut self, dissolve: &Dissolve, names: &Names<'_>, reel: &mut Reel) -> Option<Slot> {
        let (at, length) = (dissolve.frames.first, dissolve.frames.len() as i64);
        let wipe = dissolve.wipe.filter(|&pattern| wipe::is_drawn(pattern));
        let Some((shot, run)) = &dissolve.from else {
            let run = Run::of(FrameRange::new(1, length));
            return Some(Slot {
                at,
                input: None,
                run,
                leaves: true,
                wipe,
                shot: "".into(),
                stage: "".into(),
            });
        };
        let (name, node) = self.taken(shot, names)?;
        let source = run.shows();
        let has = self.graph.nodes[node].frames;
        if !has.covers(source) {
            self.problems.push(lacking(self.film, name, dissolve, source, has));
            return None;
        }
        let stage = Arc::clone(&self.graph.nodes[node].stage);
        let input = Some(reel.input(node, name, true));
        Some(Slot { at, input, run: *run, leaves: true, wipe, shot: name.into(), stage })
    }

    /// Tells of a wipe whose pattern is not drawn: a problem, unless the declaration takes it for a dissolve.
    fn draws(&mut self, dissolve: &Dissolve) {
        let Some(pattern) = dissolve.wipe.filter(|&pattern| !wipe::is_drawn(pattern)) else { return };
        let settings = self.film.assembly.as_ref().map(|stage| &stage.settings);
        let said = settings.and_then(|settings| settings.get(OTHER_WIPES)?.text().ok());
        let message =
            format!("event {} is a wipe of pattern {pattern:03}, which is not drawn", dissolve.number);
        let problem = Problem::error(dissolve.span, message);
        self.problems.push(if said == Some(AS_DISSOLVES) {
            problem.warning().help(format!("it is a dissolve, as `assembly: {{ {OTHER_WIPES}: {AS_DISSOLVES} }}` says"))
        } else {
            let drawn = wipe::drawn().map(|pattern| format!("{pattern:03}")).collect::<Vec<_>>().join(" ");
            problem.help(format!(
                "patterns that are drawn: {drawn}; change it in the edit, or declare `assembly: {{ {OTHER_WIPES}: {AS_DISSOLVES} }}`"
            ))
        });
    }
}

/// What `why` compares of a cut: which frames of which shots it shows, and where.
pub(super) fn shown(edit: &Edit, slots: &[Slot]) -> Ingredient {
    let mut cut = KeyHasher::new();
    cut.int(edit.frames);
    for slot in slots {
        let source = slot.run.shows();
        cut.int(slot.at).int(source.first).int(source.last);
        cut.text(&slot.shot).text(&slot.stage).flag(slot.leaves).flag(slot.input.is_some());
        if !slot.run.speed.is_own() {
            let (frames, over) = slot.run.speed.ratio();
            cut.text("speed").int(frames).int(over).int(slot.run.frames).int(slot.run.played);
        }
        if let Some(pattern) = slot.wipe {
            cut.text("wipe").int(pattern.into());
        }
    }
    Ingredient { name: CUT.into(), digest: cut.finish(), text: None }
}

/// What the film's picture is put together from.
#[derive(Default)]
struct Reel {
    edges: Vec<super::Edge>,
    /// Place of a shot among the edges, by its node and whether it goes out in a dissolve.
    inputs: HashMap<(NodeId, bool), usize>,
    slots: Vec<Slot>,
}

impl Reel {
    fn input(&mut self, node: NodeId, shot: &str, leaves: bool) -> usize {
        *self.inputs.entry((node, leaves)).or_insert_with(|| {
            self.edges.push(super::Edge { from: node, channel: None, port: shot.to_string() });
            self.edges.len() - 1
        })
    }
}

/// Says which handle frames a dissolve lacks, and what would give them.
fn lacking(film: &Film, name: &str, dissolve: &Dissolve, source: FrameRange, has: FrameRange) -> Problem {
    let lack = source.iter().filter(|frame| !has.contains(*frame)).count();
    let (frames, are) = if lack == 1 { ("frame", "is") } else { ("frames", "are") };
    let problem = Problem::error(
        dissolve.span,
        format!(
            "the dissolve of event {} takes {name}@{source}, and the shot is made for {has}: {lack} {frames} of handle {are} missing",
            dissolve.number
        ),
    );
    let Some(shot) = film.shots.get(name) else { return problem };
    let used = shot.frames.value;
    let handles = (source.last - used.last).max(used.first - source.first);
    let wider = crate::declare::film::Shot { handles, ..shot.clone() };
    let there = wider.rendered(&film.plates);
    if there.covers(source) {
        return problem.help(format!("give {name} `handles: {handles}`; its plate has the frames"));
    }
    let left = there.meet(source).len();
    let help = format!("{name} cannot be made beyond {there}, as its plates end there: get longer plates");
    problem.help(match left {
        0 => format!("{help}, or cut without a dissolve"),
        1 => format!("{help}, or dissolve over 1 frame"),
        left => format!("{help}, or dissolve over {left} frames"),
    })
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

/// The shots one after the other as declared.
pub fn in_order(film: &Film) -> Edit {
    let mut at = 1;
    let mut events = Vec::new();
    for (name, shot) in &film.shots {
        let source = shot.frames.value;
        events.push(Event { shot: At { value: name.clone(), span: shot.span }, run: Run::of(source), at });
        at += source.len() as i64;
    }
    Edit { events, frames: at - 1, ..Edit::default() }
}
