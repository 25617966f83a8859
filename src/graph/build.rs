//! The declared film → its graph, operators prepared, every problem collected.
//!
//! Knows how shots and plates become nodes and which frames of plates are needed; `stages` makes the nodes
//! of stages and `assembly` the film's own. Does not read files: `Files` hands their bytes over.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use petgraph::graph::DiGraph;

use super::edit::Edit;
use super::told::Told;
use super::{Graph, Ingredient, Node, NodeId, Source, Work};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::{FRAME_LIMIT, FrameRange, FrameSet};
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Key, Map, Node as ValueNode, Scalar, Value};
use crate::declare::film::{At, Coding, Film, From, Media, Plate, Shot, Stage, Work as Declared};
use crate::media::image::RGBA;
use crate::media::sound::Outline;
use crate::operators::{self, Attachment, Operator, Setup, Slot, WorkingSpace};

/// Hands over project files by path relative to the film's folder.
pub trait Files {
    /// The file's bytes, or why they cannot be had.
    fn attach(&mut self, path: &str) -> Result<Attachment, String>;
    /// Whether nothing stands at a path in the project.
    fn lacks(&mut self, path: &str) -> bool;
    /// Digest of a file of the project of any size, nothing when there is none of that name, or why the one that is
    /// there cannot be read. Used for files that a command reads.
    fn digest(&mut self, path: &str) -> Result<Option<Digest>, String>;
    /// What a sound file of the project holds, or why it cannot be read.
    fn sound(&mut self, path: &str) -> Result<Outline, String> {
        Err(format!("{path} cannot be read"))
    }
    /// All that a version command prints.
    fn version(&mut self, words: &[String]) -> Result<Vec<u8>, String>;
}

/// Builds the graph. Without an `edit` the film's shots follow one another as declared.
pub fn build(film: &Film, edit: Option<&Edit>, files: &mut dyn Files) -> (Graph, Problems) {
    let mut builder = Builder {
        film,
        files,
        graph: Graph {
            film: film.name.clone(),
            frame_size: film.frame_size,
            space: WorkingSpace::named(&film.working_space.value),
            pools: film.pools.iter().map(|(name, n)| (name.clone(), n.value)).collect(),
            ..Graph::default()
        },
        available: Vec::new(),
        sources: HashMap::new(),
        last_stage: HashMap::new(),
        problems: Problems::new(),
        told: Told::default(),
    };
    for (name, shot) in &film.shots {
        builder.shot(name, shot);
    }
    builder.within("", |b| b.film_itself(edit));
    builder.within("", |b| b.want());
    builder.keyed();
    (builder.graph, builder.told.finish())
}

/// The graph as far as it is built, and what its stages find by name.
pub(super) struct Builder<'a> {
    pub(super) film: &'a Film,
    pub(super) files: &'a mut dyn Files,
    pub(super) graph: Graph,
    /// Frames that each node has to give.
    pub(super) available: Vec<FrameRange>,
    /// Places of sources in the graph, by name and by whether a person delivers them.
    sources: HashMap<(String, bool), usize>,
    pub(super) last_stage: HashMap<String, (HashMap<String, NodeId>, Option<NodeId>)>,
    /// Problems of the stage or plate at hand.
    pub(super) problems: Problems,
    pub(super) told: Told,
}

impl Builder<'_> {
    /// Does a part of the work, whose problems are those of `place`.
    fn within<T>(&mut self, place: &str, work: impl FnOnce(&mut Self) -> T) -> T {
        let out = work(self);
        self.problems.drain(..).for_each(|problem| self.told.push(place, problem));
        out
    }

    fn shot(&mut self, name: &str, shot: &Shot) {
        let shot_name: Arc<str> = name.into();
        let mut names = HashMap::new();
        for (label, plate) in &shot.plates {
            let place = format!("plate {}", plate.value);
            if let Some(node) = self.within(&place, |b| b.plate(&shot_name, label, plate)) {
                names.insert(label.clone(), node);
            }
        }
        let frames = shot.rendered(&self.film.plates);
        let mut last = None;
        for stage_name in self.within(name, |b| b.order(shot)) {
            let stage = &shot.stages[&stage_name];
            let at = shot.stages.get_index_of(&stage_name).unwrap_or(0);
            let before = match at.checked_sub(1).and_then(|i| shot.stages.get_index(i)) {
                Some((before, _)) => before.clone(),
                None => "plate".to_string(),
            };
            let place = format!("{name}/{stage_name}");
            let node = self
                .within(&place, |b| b.stage(&shot_name, &stage_name, stage, frames, &before, &names, shot));
            if let Some(node) = node {
                names.insert(stage_name.clone(), node);
            }
        }
        if let Some((final_stage, _)) = shot.stages.last() {
            last = names.get(final_stage).copied();
        }
        self.last_stage.insert(name.to_string(), (names, last));
    }

    /// Stage names, inputs first.
    fn order(&mut self, shot: &Shot) -> Vec<String> {
        order(shot).unwrap_or_else(|stage| {
            let span = shot.stages.get(&stage).map_or(shot.span, |s| s.span);
            let problem = Problem::error(span, format!("stage {stage} waits for a stage that waits for it"));
            self.problems.push(problem.help("a stage that says no `from` takes the stage before it"));
            Vec::new()
        })
    }

    fn plate(&mut self, shot: &Arc<str>, label: &str, at: &At<String>) -> Option<NodeId> {
        let plate: &Plate = self.film.plates.get(&at.value)?;
        let source = self.source(at.value.clone(), plate.media.clone(), plate.span, false);
        let available = plate.frames.as_ref().map_or(FrameRange::new(-FRAME_LIMIT, FRAME_LIMIT), |f| f.value);
        let mut ingredients = self.coded(&plate.coding);
        ingredients.extend(named(&plate.media));
        let decode = self.decoder(&plate.coding, &plate.media, plate.span, available)?;
        let keep = matches!(plate.media, Media::Movie { .. });
        let mut node = self.node(shot, label, FrameRange::none(), Work::Plate { source, decode }, at.span);
        node.identity = operators::named("plate").map_or(node.identity, |op| operators::identity(op.spec()));
        node.keep = keep;
        node.ingredients = ingredients;
        if let Media::Movie { path, .. } = &plate.media {
            self.decoded_by_ffmpeg(&mut node, path.span);
        }
        Some(self.add(node, available))
    }

    /// Another release of ffmpeg may give a movie's pictures other bytes; the pixels stop the wave where not.
    fn decoded_by_ffmpeg(&mut self, node: &mut Node, span: Span) {
        let words = ["ffmpeg", "-version"].map(str::to_string);
        let line = match self.files.version(&words) {
            Ok(printed) => String::from_utf8_lossy(&printed).lines().next().unwrap_or_default().to_string(),
            Err(reason) => {
                let problem = Problem::error(span, format!("the movie cannot be decoded here: {reason}"));
                let problem = problem
                    .help("movies need the programs ffmpeg and ffprobe; an image sequence needs neither");
                if !self.problems.iter().any(|p| p.span == Some(span)) {
                    self.problems.push(problem.warning());
                }
                "none".to_string()
            }
        };
        node.identity = KeyHasher::new().digest(&node.identity).text(&line).finish();
        node.ingredients.push(ingredient("ffmpeg", &line));
    }

    pub(super) fn source(&mut self, name: String, media: Media, span: Span, by_hand: bool) -> usize {
        let sources = &mut self.graph.sources;
        *self.sources.entry((name, by_hand)).or_insert_with_key(|(name, _)| {
            sources.push(Source { name: name.clone(), media, wanted: FrameSet::new(), span, by_hand });
            sources.len() - 1
        })
    }

    pub(super) fn decoder(
        &mut self,
        coding: &Coding,
        media: &Media,
        span: Span,
        frames: FrameRange,
    ) -> Option<Box<dyn operators::Prepared>> {
        let path = match media {
            Media::Files(at) => at.value.after.clone(),
            Media::Movie { path, .. } | Media::Sound(path) => path.value.clone(),
        };
        let usual = || At { value: usual_encoding(&path), span };
        let named = [("encoding", Some(coding.encoding.clone().unwrap_or_else(usual)))];
        let named = named.into_iter().chain([("primaries", coding.primaries.clone())]);
        let setting = |(name, at): (&str, Option<At<String>>)| {
            let At { value, span } = at?;
            let scalar = ValueNode::Scalar(Scalar { text: value, quoted: false });
            Some((Key { text: name.into(), span }, Value { span, node: scalar }))
        };
        let settings = Map { entries: named.filter_map(setting).collect() };
        let operator = operators::named("plate")?;
        self.prepare(operator, &settings, span, frames, &[], &[], &BTreeMap::new())
    }

    /// What `why` compares of how files are coded.
    pub(super) fn coded(&self, coding: &Coding) -> Vec<Ingredient> {
        let text = |at: &Option<At<String>>| at.as_ref().map_or(String::new(), |at| at.value.clone());
        vec![
            ingredient("encoding", &text(&coding.encoding)),
            ingredient("primaries", &text(&coding.primaries)),
            ingredient("working_space", &self.film.working_space.value),
        ]
    }

    #[allow(clippy::too_many_arguments)] // The parts of a `Setup`.
    pub(super) fn prepare(
        &mut self,
        operator: &'static dyn Operator,
        settings: &Map,
        span: Span,
        frames: FrameRange,
        inputs: &[operators::Connected],
        cut: &[Slot],
        files: &BTreeMap<String, Attachment>,
    ) -> Option<Box<dyn operators::Prepared>> {
        let ready = operator.prepare(&self.setup(settings, span, frames, inputs, cut, files));
        self.taken_up(ready)
    }

    /// What an operator is prepared from.
    pub(super) fn setup<'s>(
        &self,
        settings: &'s Map,
        span: Span,
        frames: FrameRange,
        inputs: &'s [operators::Connected],
        cut: &'s [Slot],
        files: &'s BTreeMap<String, Attachment>,
    ) -> Setup<'s> {
        Setup {
            settings,
            span,
            files,
            frames,
            frame_size: self.film.frame_size,
            rate: self.film.rate.per_second(),
            working_space: self.graph.space,
            inputs,
            cut,
        }
    }

    /// What was prepared, its problems or cautions taken down.
    pub(super) fn taken_up(
        &mut self,
        ready: Result<Box<dyn operators::Prepared>, Problems>,
    ) -> Option<Box<dyn operators::Prepared>> {
        let prepared = ready.map_err(|mut problems| self.problems.append(&mut problems)).ok()?;
        self.problems.append(&mut prepared.cautions());
        Some(prepared)
    }

    pub(super) fn node(
        &self,
        shot: &Arc<str>,
        stage: &str,
        frames: FrameRange,
        work: Work,
        span: Span,
    ) -> Node {
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

    /// Takes a node in. The form of what comes out is part of every identity, since the digest of one plane
    /// of an input says neither its size nor its name.
    pub(super) fn add(&mut self, mut node: Node, available: FrameRange) -> NodeId {
        let (width, height) = self.film.frame_size;
        let mut hasher = KeyHasher::new();
        hasher.digest(&node.identity).int(width.into()).int(height.into()).list(node.channels.len());
        for channel in &node.channels {
            hasher.text(channel);
        }
        node.identity = hasher.finish();
        node.ingredients.push(ingredient("frame_size", &format!("{width}x{height}")));
        node.ingredients.push(ingredient("channels", &node.channels.join(", ")));
        self.graph.nodes.push(node);
        self.available.push(available);
        self.graph.nodes.len() - 1
    }
}

/// Stage names, inputs first, or the problem that some wait for each other.
fn order(shot: &Shot) -> Result<Vec<String>, String> {
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
        Ok(sorted) => Ok(sorted.into_iter().map(|node| graph[node].to_string()).collect()),
        Err(cycle) => Err(graph[cycle.node_id()].to_string()),
    }
}

fn implied_first(operator: &str, stage: &Stage) -> bool {
    operators::named(operator)
        .and_then(|op| super::connect::implied(op.spec().ports))
        .is_some_and(|port| !stage.from.contains_key(port.name))
}

/// Longest text of a setting that is kept beside its digest, in characters.
const SHORT: usize = 4000;

pub(super) fn ingredient(name: &str, text: &str) -> Ingredient {
    let short = text.chars().count() <= SHORT;
    Ingredient {
        name: name.into(),
        digest: Digest::of(text.as_bytes()),
        text: short.then(|| text.to_string()),
    }
}

/// Which files frames come from.
pub(super) fn named(media: &Media) -> Vec<Ingredient> {
    match media {
        Media::Files(at) => vec![ingredient("files", &at.value.to_string())],
        Media::Movie { path, first } => {
            vec![ingredient("movie", &path.value), ingredient("first", &first.to_string())]
        }
        Media::Sound(path) => vec![ingredient("clip", &path.value)],
    }
}

/// The encoding that a file of this name usually has.
fn usual_encoding(path: &str) -> String {
    let extension = path.rsplit('.').next().unwrap_or("").to_ascii_lowercase();
    operators::colour::encoding::usual_encoding(&extension, false).unwrap_or("linear-rec709").to_string()
}
