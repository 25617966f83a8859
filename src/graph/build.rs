//! The declared film → its graph, operators prepared, every problem collected.
//!
//! Knows how stages become nodes. Does not read files: `Files` hands their bytes over.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use petgraph::graph::DiGraph;

use super::connect::{Joined, Scope};
use super::{ASSEMBLY, CommandWork, FILM, Graph, Ingredient, Node, NodeId, Source, Work};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Key, Map, Node as ValueNode, Scalar, Value};
use crate::declare::film::{
    At, ByHand, Command, Delivers, Film, From, Media, Plate, Shot, Stage, Work as Declared,
};
use crate::media::image::RGBA;
use crate::operators::{self, Attachment, Kind, Operator, Setup, Slot, WorkingSpace};

/// Hands over project files by path relative to the project folder.
pub trait Files {
    /// The file's bytes, or why they cannot be had.
    fn attach(&mut self, path: &str) -> Result<Attachment, String>;
    /// Digest of the file if it exists in the project; used for files that a command's words name.
    fn digest(&mut self, path: &str) -> Option<Digest>;
    /// What a version command prints.
    fn version(&mut self, words: &[String]) -> Result<String, String>;
}

/// One event of the cut: frames of a shot at a film frame counted from 1.
#[derive(Clone, Debug)]
pub struct Event {
    /// Shot name and where the cut names it.
    pub shot: At<String>,
    /// Frames of the shot.
    pub source: FrameRange,
    /// First film frame, counted from 1.
    pub at: i64,
}

/// Builds the graph. `events` is the cut; without one the film's shots follow one another as declared.
pub fn build(film: &Film, events: Option<&[Event]>, files: &mut dyn Files) -> (Graph, Problems) {
    let mut builder = Builder {
        film,
        files,
        space: if film.working_space.value == "acescg" {
            WorkingSpace::AcesCg
        } else {
            WorkingSpace::LinearRec709
        },
        graph: Graph {
            film: film.name.clone(),
            frame_size: film.frame_size,
            pools: film.pools.iter().map(|(name, n)| (name.clone(), n.value)).collect(),
            ..Graph::default()
        },
        available: HashMap::new(),
        last_stage: HashMap::new(),
        problems: Problems::new(),
    };
    for (name, shot) in &film.shots {
        builder.shot(name, shot);
    }
    if let Some(assembly) = &film.assembly {
        builder.assembly(assembly, events);
    }
    builder.want();
    (builder.graph, builder.problems)
}

struct Builder<'a> {
    film: &'a Film,
    files: &'a mut dyn Files,
    space: WorkingSpace,
    graph: Graph,
    available: HashMap<NodeId, FrameRange>,
    last_stage: HashMap<String, (HashMap<String, NodeId>, Option<NodeId>)>,
    problems: Problems,
}

impl Builder<'_> {
    fn shot(&mut self, name: &str, shot: &Shot) {
        let shot_name: Arc<str> = name.into();
        let mut names = HashMap::new();
        for (label, plate) in &shot.plates {
            if let Some(node) = self.plate(&shot_name, label, plate) {
                names.insert(label.clone(), node);
            }
        }
        let frames = self.rendered(shot);
        let mut last = None;
        for stage_name in order(shot) {
            let stage = &shot.stages[&stage_name];
            let at = shot.stages.get_index_of(&stage_name).unwrap_or(0);
            let before = match at.checked_sub(1).and_then(|i| shot.stages.get_index(i)) {
                Some((before, _)) => before.clone(),
                None => "plate".to_string(),
            };
            if let Some(node) = self.stage(&shot_name, &stage_name, stage, frames, &before, &names, shot) {
                names.insert(stage_name.clone(), node);
            }
        }
        if let Some((final_stage, _)) = shot.stages.last() {
            last = names.get(final_stage).copied();
        }
        self.last_stage.insert(name.to_string(), (names, last));
    }

    /// Frames that a shot's stages are made for: those in the cut and the handles, as far as the plates reach.
    fn rendered(&self, shot: &Shot) -> FrameRange {
        let mut range = shot.frames.value.widen(shot.handles);
        for plate in shot.plates.values() {
            if let Some(frames) = self.film.plates.get(&plate.value).and_then(|p| p.frames.as_ref()) {
                let met = range.meet(frames.value);
                range = FrameRange::new(
                    met.first.min(shot.frames.value.first),
                    met.last.max(shot.frames.value.last),
                );
            }
        }
        range
    }

    fn plate(&mut self, shot: &Arc<str>, label: &str, at: &At<String>) -> Option<NodeId> {
        let plate: &Plate = self.film.plates.get(&at.value)?;
        let source = self.source(at.value.clone(), plate.media.clone(), plate.span, false);
        let available = plate.frames.as_ref().map_or(FrameRange::new(-FRAME_LIMIT, FRAME_LIMIT), |f| f.value);
        let ingredients = vec![ingredient("encoding", plate.encoding.as_ref().map_or("", |e| &e.value))];
        let decode = self.decoder(plate.encoding.as_ref(), &plate.media, plate.span, available)?;
        let keep = matches!(plate.media, Media::Movie { .. });
        let mut node = self.node(shot, label, FrameRange::none(), Work::Plate { source, decode }, at.span);
        node.identity = operators::named("plate").map_or(node.identity, |op| operators::identity(op.spec()));
        node.keep = keep;
        node.ingredients = ingredients;
        Some(self.add(node, available))
    }

    fn source(&mut self, name: String, media: Media, span: Span, by_hand: bool) -> usize {
        if let Some(at) = self.graph.sources.iter().rposition(|s| s.name == name && s.by_hand == by_hand) {
            return at;
        }
        self.graph.sources.push(Source { name, media, wanted: FrameRange::none(), span, by_hand });
        self.graph.sources.len() - 1
    }

    fn decoder(
        &mut self,
        encoding: Option<&At<String>>,
        media: &Media,
        span: Span,
        frames: FrameRange,
    ) -> Option<Box<dyn operators::Prepared>> {
        let path = match media {
            Media::Files(at) => at.value.after.clone(),
            Media::Movie { path, .. } => path.value.clone(),
        };
        let (text, at) = match encoding {
            Some(at) => (at.value.clone(), at.span),
            None => (usual_encoding(&path), span),
        };
        let scalar = ValueNode::Scalar(Scalar { text, quoted: false });
        let settings = Map {
            entries: vec![(Key { text: "encoding".into(), span: at }, Value { span: at, node: scalar })],
        };
        let operator = operators::named("plate")?;
        self.prepare(operator, &settings, span, frames, &[], &[], &BTreeMap::new())
    }

    #[allow(clippy::too_many_arguments)] // Each part of a stage's place is needed once, here.
    fn stage(
        &mut self,
        shot: &Arc<str>,
        name: &str,
        stage: &Stage,
        frames: FrameRange,
        before: &str,
        names: &HashMap<String, NodeId>,
        declared: &Shot,
    ) -> Option<NodeId> {
        let mut problems = Problems::new();
        let operator = match &stage.work {
            Declared::Operator(at) => Some(self.operator(at)?),
            _ => None,
        };
        let scope = Scope {
            nodes: &self.graph.nodes,
            names,
            available: &self.available,
            what: format!("{shot}/{name}"),
            span: stage.span,
        };
        let joined = match operator {
            Some(operator) => scope.join(operator.spec().ports, &stage.from, before, &mut problems),
            None => scope.join_free(&stage.from, before, &mut problems),
        };
        let broken = !problems.is_empty();
        self.problems.append(&mut problems);
        if broken {
            return None;
        }
        let mut node = match &stage.work {
            Declared::Operator(_) => {
                self.operated(shot, name, stage, frames, operator?, &joined, declared)?
            }
            Declared::Command(command) => self.commanded(shot, name, stage, frames, command),
            Declared::ByHand(hand) => self.by_hand(shot, name, stage, frames, hand)?,
        };
        node.inputs = joined.edges;
        node.keep = stage.keep;
        node.pools = stage
            .pools
            .iter()
            .filter_map(|(at, n)| Some((self.graph.pools.iter().position(|(p, _)| *p == at.value)?, *n)))
            .collect();
        Some(self.add(node, frames))
    }

    fn operator(&mut self, at: &At<String>) -> Option<&'static dyn Operator> {
        let found = operators::named(&at.value);
        if found.is_none() {
            let problem = Problem::error(at.span, format!("there is no operator '{}'", at.value));
            let names: Vec<&str> = operators::all().iter().map(|op| op.spec().name).collect();
            self.problems.push(match crate::base::problem::nearest(&at.value, names.iter().copied()) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem.help(format!("operators: {}", names.join(", "))),
            });
        }
        found
    }

    #[allow(clippy::too_many_arguments)] // As above.
    fn operated(
        &mut self,
        shot: &Arc<str>,
        name: &str,
        stage: &Stage,
        frames: FrameRange,
        operator: &'static dyn Operator,
        joined: &Joined,
        declared: &Shot,
    ) -> Option<Node> {
        let mut wanted: Vec<(String, String, Span)> = Vec::new();
        for param in operator.spec().params.iter().filter(|p| p.kind == Kind::File) {
            if let Some(value) = stage.settings.get(param.name).filter(|v| v.node != ValueNode::Null) {
                match value.text() {
                    Ok(path) => wanted.push((param.name.to_string(), path.to_string(), value.span)),
                    Err(problem) => self.problems.push(problem),
                }
            }
        }
        for (other, span) in &joined.shapes {
            match declared
                .stages
                .get(other)
                .and_then(|s| s.settings.get("shapes"))
                .and_then(|v| v.text().ok())
            {
                Some(path) => wanted.push(("shapes".into(), path.to_string(), *span)),
                None => self.problems.push(
                    Problem::error(
                        *span,
                        format!("{shot}/{name} takes shapes from '{other}', which has no shapes file"),
                    )
                    .help("give that stage `shapes: FILE`"),
                ),
            }
        }
        let mut files = BTreeMap::new();
        let mut ingredients: Vec<Ingredient> = stage
            .settings
            .entries
            .iter()
            .map(|(key, value)| ingredient(&key.text, &spelled(value)))
            .collect();
        for (param, path, span) in wanted {
            match self.files.attach(&path) {
                Ok(file) => {
                    ingredients.push(Ingredient { name: path, digest: Digest::of(&file.bytes), text: None });
                    files.insert(param, file);
                }
                Err(reason) => self
                    .problems
                    .push(Problem::error(span, format!("{shot}/{name}: {path} cannot be read: {reason}"))),
            }
        }
        let prepared =
            self.prepare(operator, &stage.settings, stage.span, frames, &joined.connected, &[], &files)?;
        let channels = prepared.channels();
        let spec = operator.spec();
        let mut node = self.node(shot, name, frames, Work::Operator { spec, prepared }, stage.span);
        node.channels = channels;
        node.identity = operators::identity(spec);
        ingredients
            .push(ingredient(&format!("operator {}", spec.name), &format!("version {}", spec.version)));
        node.ingredients = ingredients;
        Some(node)
    }

    fn commanded(
        &mut self,
        shot: &Arc<str>,
        name: &str,
        stage: &Stage,
        frames: FrameRange,
        command: &Command,
    ) -> Node {
        let mut hasher = KeyHasher::new();
        hasher.text("command 1").list(command.words.value.len());
        let mut ingredients = vec![ingredient("command", &command.words.value.join(" "))];
        for word in &command.words.value {
            hasher.text(word);
        }
        for path in command.words.value.iter().chain(command.depends.iter().map(|d| &d.value)) {
            if let Some(digest) = self.files.digest(path) {
                hasher.text(path).digest(&digest);
                ingredients.push(Ingredient { name: path.clone(), digest, text: None });
            }
        }
        for depends in &command.depends {
            if self.files.digest(&depends.value).is_none() {
                self.problems.push(Problem::error(
                    depends.span,
                    format!("{shot}/{name} depends on {}, which cannot be read", depends.value),
                ));
            }
        }
        let values: Vec<(String, String)> =
            stage.settings.entries.iter().map(|(k, v)| (k.text.clone(), spelled(v))).collect();
        for (key, value) in &values {
            hasher.text(key).text(value);
            ingredients.push(ingredient(key, value));
        }
        if let Some(words) = &command.version_from {
            match self.files.version(&words.value) {
                Ok(version) => {
                    hasher.text("version").text(&version);
                    ingredients.push(ingredient("version", version.trim()));
                }
                Err(reason) => self.problems.push(
                    Problem::error(
                        words.span,
                        format!("{shot}/{name}: the version command failed: {reason}"),
                    )
                    .help("it must run and end with success; its output becomes part of every key"),
                ),
            }
        }
        hasher.text(match &command.delivers {
            Delivers::Picture => "picture",
            Delivers::Mattes(_) => "mattes",
        });
        let channels = delivered(&command.delivers);
        for channel in &channels {
            hasher.text(channel);
        }
        hasher.int(command.reach).int(command.each as i64);
        let work = Work::Command(Box::new(CommandWork { command: command.clone(), values }));
        let mut node = self.node(shot, name, frames, work, stage.span);
        node.channels = channels;
        node.identity = hasher.finish();
        node.ingredients = ingredients;
        node
    }

    fn by_hand(
        &mut self,
        shot: &Arc<str>,
        name: &str,
        stage: &Stage,
        frames: FrameRange,
        hand: &ByHand,
    ) -> Option<Node> {
        let media = Media::Files(hand.files.clone());
        let decode = self.decoder(hand.encoding.as_ref(), &media, hand.files.span, frames)?;
        let source = self.source(format!("{shot}/{name}"), media, hand.files.span, true);
        let work = Work::Hand { source, decode, delivers: hand.delivers.clone() };
        let mut node = self.node(shot, name, frames, work, stage.span);
        node.channels = delivered(&hand.delivers);
        let mut hasher = KeyHasher::new();
        hasher.text("hands 1");
        for channel in &node.channels {
            hasher.text(channel);
        }
        node.identity = hasher.finish();
        node.ingredients = vec![ingredient("encoding", hand.encoding.as_ref().map_or("", |e| &e.value))];
        Some(node)
    }

    #[allow(clippy::too_many_arguments)] // The parts of a `Setup`.
    fn prepare(
        &mut self,
        operator: &'static dyn Operator,
        settings: &Map,
        span: Span,
        frames: FrameRange,
        inputs: &[operators::Connected],
        cut: &[Slot],
        files: &BTreeMap<String, Attachment>,
    ) -> Option<Box<dyn operators::Prepared>> {
        let setup = Setup {
            settings,
            span,
            files,
            frames,
            frame_size: self.film.frame_size,
            rate: self.film.rate.per_second(),
            working_space: self.space,
            inputs,
            cut,
        };
        operator.prepare(&setup).map_err(|mut problems| self.problems.append(&mut problems)).ok()
    }

    fn node(&self, shot: &Arc<str>, stage: &str, frames: FrameRange, work: Work, span: Span) -> Node {
        Node {
            shot: Arc::clone(shot),
            stage: stage.into(),
            frames,
            work,
            inputs: Vec::new(),
            channels: RGBA.iter().map(|&c| c.into()).collect(),
            identity: Digest::of(b""),
            keep: true,
            pools: Vec::new(),
            span,
            ingredients: Vec::new(),
        }
    }

    fn add(&mut self, node: Node, available: FrameRange) -> NodeId {
        self.graph.nodes.push(node);
        let id = self.graph.nodes.len() - 1;
        self.available.insert(id, available);
        id
    }

    fn assembly(&mut self, stage: &Stage, events: Option<&[Event]>) {
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

    /// Gives plates the frames that somebody needs, and sources the frames of their nodes.
    fn want(&mut self) {
        let mut wanted: HashMap<NodeId, FrameRange> = HashMap::new();
        for id in (0..self.graph.nodes.len()).rev() {
            let node = &self.graph.nodes[id];
            let frames = wanted
                .get(&id)
                .copied()
                .filter(|_| matches!(node.work, Work::Plate { .. }))
                .unwrap_or(node.frames);
            for frame in frames.iter() {
                node.each_reach(frame, &|n| self.available[&n], &mut |input, range| {
                    let hull = wanted.entry(node.inputs[input].from).or_insert(range);
                    *hull = FrameRange::new(hull.first.min(range.first), hull.last.max(range.last));
                });
            }
        }
        for (id, range) in wanted {
            if matches!(self.graph.nodes[id].work, Work::Plate { .. }) {
                self.graph.nodes[id].frames = range;
            }
        }
        for node in &self.graph.nodes {
            if let Some(source) = node.source()
                && !node.frames.is_empty()
            {
                let wanted = &mut self.graph.sources[source].wanted;
                *wanted = if wanted.is_empty() {
                    node.frames
                } else {
                    FrameRange::new(wanted.first.min(node.frames.first), wanted.last.max(node.frames.last))
                };
            }
        }
    }
}

/// Stage names, inputs first. Cycles were named by the reader; here they are cut so that work can go on.
fn order(shot: &Shot) -> Vec<String> {
    let mut graph = DiGraph::<&str, ()>::new();
    let index: HashMap<&str, _> =
        shot.stages.keys().map(|name| (name.as_str(), graph.add_node(name.as_str()))).collect();
    for (position, (name, stage)) in shot.stages.iter().enumerate() {
        let mut link = |from: &str| {
            if let Some(&from) = index.get(from) {
                graph.update_edge(from, index[name.as_str()], ());
            }
        };
        for at in stage.from.values() {
            match &at.value {
                From::One(reference) => link(&reference.stage),
                From::Many(map) => map.values().for_each(|r| link(&r.value.stage)),
            }
        }
        let first_implied = !matches!(stage.work, Declared::Operator(_)) && stage.from.is_empty()
            || matches!(&stage.work, Declared::Operator(at) if implied_first(&at.value, stage));
        if first_implied
            && let Some((before, _)) = position.checked_sub(1).and_then(|i| shot.stages.get_index(i))
        {
            link(before);
        }
    }
    match petgraph::algo::toposort(&graph, None) {
        Ok(sorted) => sorted.into_iter().map(|node| graph[node].to_string()).collect(),
        Err(_) => Vec::new(),
    }
}

fn implied_first(operator: &str, stage: &Stage) -> bool {
    operators::named(operator)
        .and_then(|op| op.spec().ports.first())
        .is_some_and(|port| !stage.from.contains_key(port.name))
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

fn delivered(delivers: &Delivers) -> Vec<Arc<str>> {
    match delivers {
        Delivers::Picture => RGBA.iter().map(|&c| c.into()).collect(),
        Delivers::Mattes(names) => names.clone(),
    }
}

fn ingredient(name: &str, text: &str) -> Ingredient {
    let short = text.chars().count() <= 60;
    Ingredient {
        name: name.into(),
        digest: Digest::of(text.as_bytes()),
        text: short.then(|| text.to_string()),
    }
}

/// A value as one line of text, the same for the same meaning however it was laid out.
fn spelled(value: &Value) -> String {
    match &value.node {
        ValueNode::Null => String::new(),
        ValueNode::Scalar(scalar) => scalar.text.clone(),
        ValueNode::List(items) => format!("[{}]", items.iter().map(spelled).collect::<Vec<_>>().join(", ")),
        ValueNode::Map(map) => {
            let parts: Vec<String> =
                map.entries.iter().map(|(k, v)| format!("{}: {}", k.text, spelled(v))).collect();
            format!("{{{}}}", parts.join(", "))
        }
    }
}

/// The encoding that a file of this name usually has.
fn usual_encoding(path: &str) -> String {
    let extension = path.rsplit('.').next().unwrap_or("").to_ascii_lowercase();
    operators::colour::encoding::usual_encoding(&extension, false).unwrap_or("linear-rec709").to_string()
}
