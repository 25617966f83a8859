//! Measures how the takes of a shot lie against its clean plate, for the file of moves that `passes` applies.
//!
//! Knows which frames are looked at and in which order. What is measured of them `operators::image::register` knows.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::read::read_limited;
use super::{Care, DECLARATION, Declared, Project, ProjectError, Status, attach};
use crate::base::digest::Digest;
use crate::base::frames::FrameRange;
use crate::declare::film::Work as Declares;
use crate::execute::source;
use crate::graph::build::{Files, build};
use crate::graph::{Edge, Graph, NodeId};
use crate::media::image::Image;
use crate::operators::Attachment;
use crate::operators::image::passes::moment::{Between, Moment};
use crate::operators::image::register::align::{Along, Fit, Model};
use crate::operators::image::register::light::{Light, Sizes};
use crate::operators::image::register::when::{Compared, When, part, spread, whole};
use crate::operators::image::register::written::{Frame, Measured};
use crate::operators::image::register::{
    along, coarse, compare, exposure, left, place, placed, steadied, timed,
};

/// Frames of the clean plate at which whole offsets are compared, and at which parts of a frame are measured.
const COMPARED: usize = 6;
const TIMED: usize = 20;
/// Rounds in which the whole offset may be put right by its part.
const ROUNDS: usize = 4;

/// What to look for.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    /// Furthest that a take may be ahead or behind, in frames.
    pub within: i64,
    /// Turns and sizes as well.
    pub turns: bool,
}

/// A stage that joins takes, as declared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joint {
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Its file of moves, below the project's folder.
    pub file: String,
    /// How a part of a frame is shown.
    pub between: Between,
}

/// The stage of a place, `SHOT` or `SHOT/STAGE`, that joins takes; or why there is none.
pub fn joint(declared: &Declared, text: &str) -> Result<Joint, String> {
    let (shot_name, wanted) = text.split_once('/').map_or((text, None), |(shot, stage)| (shot, Some(stage)));
    let film = declared.film.as_ref().ok_or("the declaration cannot be read")?;
    let Some(shot) = film.shots.get(shot_name) else {
        let near = crate::base::problem::nearest(shot_name, film.shots.keys().map(String::as_str));
        let hint = near.map_or(String::new(), |near| format!("; did you mean {near}?"));
        return Err(format!("there is no shot '{shot_name}'{hint}"));
    };
    let joins = shot.stages.iter().filter(|(name, stage)| {
        let is_passes = matches!(&stage.work, Declares::Operator(at) if at.value == "passes");
        is_passes && wanted.is_none_or(|wanted| wanted == name.as_str())
    });
    let joins: Vec<_> = joins.collect();
    let (name, stage) = match &joins[..] {
        [one] => *one,
        [] => return Err(format!("{text} has no stage that joins takes (operator: passes)")),
        many => {
            let names: Vec<String> = many.iter().map(|(name, _)| format!("{shot_name}/{name}")).collect();
            return Err(format!("{shot_name} has several stages that join takes: {}", names.join(", ")));
        }
    };
    let text = |key: &str| stage.settings.get(key).and_then(|value| value.text().ok());
    let file = text("register").ok_or_else(|| {
        format!("{shot_name}/{name} names no file of moves; give it register: takes/{shot_name}.yaml")
    })?;
    if let Some(fault) = crate::declare::path_fault(file) {
        return Err(format!("{file}: {fault}"));
    }
    let between = Between::ALL.into_iter().find(|b| Some(b.word()) == text("between"));
    let between = between.unwrap_or(Between::Nearest);
    Ok(Joint { shot: shot_name.into(), stage: name.clone(), file: file.into(), between })
}

/// Inputs of the stage that must have been rendered before it can be measured, as selectors.
pub fn needs(graph: &Graph, joint: &Joint) -> Vec<String> {
    let Some(id) = graph.find(&joint.shot, &joint.stage) else { return Vec::new() };
    let mut names: Vec<String> = graph.nodes[id]
        .inputs
        .iter()
        .filter(|edge| edge.port != "holdouts" && !graph.nodes[edge.from].is_passed_on())
        .map(|edge| graph.nodes[edge.from].name())
        .collect();
    names.sort();
    names.dedup();
    names
}

/// One take's inputs.
struct Take<'g> {
    name: String,
    picture: &'g Edge,
    marks: Vec<&'g Edge>,
}

/// Reads frames of a shot and measures.
struct Measuring<'a> {
    project: &'a Project,
    status: &'a Status,
    graph: &'a Graph,
    clean: &'a Edge,
    takes: Vec<Take<'a>>,
    frames: FrameRange,
    between: Between,
    wanted: Wanted,
    step: &'a (dyn Fn(usize, usize) + Sync),
    done: AtomicUsize,
    of: usize,
}

impl Project {
    /// Measures all takes of a stage whose inputs were rendered.
    pub fn register(
        &self,
        status: &Status,
        joint: &Joint,
        wanted: Wanted,
        step: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Vec<Measured>, ProjectError> {
        let graph = &status.declared.graph;
        let missing = || ProjectError::System(format!("{}/{} is not to be had", joint.shot, joint.stage));
        let node = &graph.nodes[graph.find(&joint.shot, &joint.stage).ok_or_else(missing)?];
        let film = status.declared.film.as_ref().ok_or_else(missing)?;
        let stage = &film.shots[&joint.shot].stages[&joint.stage];
        // Edges come in the order of the operator's ports, and under a port in the order written.
        let names = |port: &str| -> Vec<String> {
            match stage.from.get(port).map(|at| &at.value) {
                Some(crate::declare::film::From::Many(map)) => map.keys().cloned().collect(),
                _ => Vec::new(),
            }
        };
        let edges = |port: &str| node.inputs.iter().filter(|e| e.port == port).collect::<Vec<_>>();
        let named = |port: &str| names(port).into_iter().zip(edges(port)).collect::<BTreeMap<_, _>>();
        let (mattes, shadows) = (named("mattes"), named("shadows"));
        let takes: Vec<Take<'_>> = names("takes")
            .into_iter()
            .zip(edges("takes"))
            .map(|(name, picture)| {
                let marks = [mattes.get(&name), shadows.get(&name)].into_iter().flatten().copied().collect();
                Take { name, picture, marks }
            })
            .collect();
        let clean = *edges("clean").first().ok_or_else(missing)?;
        let of = takes.len() * 3;
        let (between, frames) = (joint.between, node.frames);
        let done = AtomicUsize::new(0);
        Measuring { project: self, status, graph, clean, takes, frames, between, wanted, step, done, of }
            .all()
    }

    /// The film as it would be with this text for the joint's file of moves, whatever stands there. The cut is left out: it
    /// says nothing of how takes lie.
    pub fn read_moved(&self, joint: &Joint, moves: &str) -> Result<Declared, ProjectError> {
        let mut declared = Declared::default();
        let read = |path: &str| {
            let bytes = read_limited(&self.folder.join(path))?;
            String::from_utf8(bytes).map_err(|_| "it is not UTF-8 text".to_string())
        };
        let text = read(DECLARATION).map_err(ProjectError::System)?;
        let main = declared.sources.add(DECLARATION, text);
        let (film, problems) = crate::declare::read(&mut declared.sources, main, &mut |path| read(path));
        declared.problems = problems;
        let Some(film) = film else { return Ok(declared) };
        let source = Some(declared.sources.add(joint.file.clone(), moves));
        let bytes = moves.as_bytes().to_vec().into();
        let moves = Attachment { path: joint.file.clone(), bytes, source };
        let folder = attach::Folder::new(&self.folder, &mut declared.sources);
        let (graph, mut problems) = build(&film, None, &mut Moved { folder, moves });
        declared.problems.append(&mut problems);
        declared.graph = graph;
        declared.film = Some(film);
        Ok(declared)
    }

    /// The state of a film that was read so.
    pub fn status_moved(&self, declared: Declared) -> Result<Status, ProjectError> {
        self.status_of(declared, self.recall(Care::Read), Care::Read, &|_, _| {})
    }
}

/// The project's folder with another text in the place of a file of moves.
struct Moved<'a> {
    folder: attach::Folder<'a>,
    moves: Attachment,
}

impl Files for Moved<'_> {
    fn attach(&mut self, path: &str) -> Result<Attachment, String> {
        if path == self.moves.path { Ok(self.moves.clone()) } else { self.folder.attach(path) }
    }

    fn digest(&mut self, path: &str) -> Result<Option<Digest>, String> {
        self.folder.digest(path)
    }

    fn version(&mut self, words: &[String]) -> Result<Vec<u8>, String> {
        self.folder.version(words)
    }
}

impl Measuring<'_> {
    fn all(&self) -> Result<Vec<Measured>, ProjectError> {
        let clean_frames: Vec<i64> =
            self.frames.meet(self.graph.nodes[self.clean.from].frames).iter().collect();
        let cleans = clean_frames
            .par_iter()
            .map(|&n| Ok((n, Light::of(&*self.image(self.clean, n)?, &[]))))
            .collect::<Result<BTreeMap<i64, Light>, ProjectError>>()?;
        let motions: BTreeMap<i64, Along> = spread(&clean_frames, TIMED)
            .into_par_iter()
            .filter_map(|n| {
                let [before, here, after] = [n - 1, n, n + 1].map(|n| cleans.get(&n));
                Some((n, along(before?, here?, after?)?))
            })
            .collect();
        self.takes.iter().map(|take| self.take(take, &cleans, &motions)).collect()
    }

    fn tell(&self) {
        (self.step)(self.done.fetch_add(1, Ordering::Relaxed) + 1, self.of);
    }

    /// Measures one take: its whole offset, then the part of a frame, then where every frame lies.
    fn take(
        &self,
        take: &Take<'_>,
        cleans: &BTreeMap<i64, Light>,
        motions: &BTreeMap<i64, Along>,
    ) -> Result<Measured, ProjectError> {
        let frames: Vec<i64> = self.graph.nodes[take.picture.from].frames.iter().collect();
        let lights = frames
            .par_iter()
            .map(|&n| Ok((n, Light::of(&*self.image(take.picture, n)?, &self.marks(take, n)?))))
            .collect::<Result<BTreeMap<i64, Light>, ProjectError>>()?;
        self.tell();
        let when = self.when(cleans, &lights, motions).filter(When::is_sure);
        self.tell();
        let mut measured = Measured { name: take.name.clone(), when, frames: Vec::new() };
        let shown = self.frames.iter().filter(|n| cleans.contains_key(n));
        let shown: Vec<(i64, Moment)> =
            shown.map(|n| (n, Moment::at(n, measured.time(n), self.between))).collect();
        let known = |moment: &Moment| moment.frames().iter().all(|n| lights.contains_key(&n));
        let shown: Vec<&(i64, Moment)> = shown.iter().filter(|(_, moment)| known(moment)).collect();
        let looked = shown
            .par_iter()
            .map(|(n, moment)| self.look(take, cleans, *n, moment))
            .collect::<Result<Vec<Option<Look>>, ProjectError>>()?;
        let looked: Vec<Look> = looked.into_iter().flatten().collect();
        let fits: Vec<(i64, Fit)> = looked.iter().map(|look| (look.frame, look.fit.clone())).collect();
        // Another nearest frame is another place.
        let jumps = |i: usize| looked[i].first - looked[i].frame != looked[i - 1].first - looked[i - 1].frame;
        let steady = steadied(&fits, &jumps);
        measured.frames = looked
            .par_iter()
            .zip(&steady)
            .map(|(look, found)| {
                let light = &cleans[&look.frame];
                let mut place = place(*found, light.scale());
                place.exposure = look.exposure;
                Frame { number: look.frame, place, left: left(light, &look.light, *found) }
            })
            .collect();
        self.tell();
        Ok(measured)
    }

    /// The take's offset in time.
    fn when(
        &self,
        cleans: &BTreeMap<i64, Light>,
        takes: &BTreeMap<i64, Light>,
        motions: &BTreeMap<i64, Along>,
    ) -> Option<When> {
        let within = self.wanted.within;
        let few = spread(&cleans.keys().copied().collect::<Vec<_>>(), COMPARED);
        let small_cleans: BTreeMap<i64, Sizes> = few.par_iter().map(|n| (*n, coarse(&cleans[n]))).collect();
        let near = |m: &i64| few.iter().any(|n| (m - n).abs() <= within);
        let small: BTreeMap<i64, Sizes> =
            takes.par_iter().filter(|(m, _)| near(m)).map(|(m, light)| (*m, coarse(light))).collect();
        let pairs: Vec<(i64, i64)> =
            few.iter().flat_map(|n| small.range(n - within..=n + within).map(|(m, _)| (*n, *m))).collect();
        let compared: Vec<Compared> =
            pairs.par_iter().filter_map(|(n, m)| compare((*n, &small_cleans[n]), (*m, &small[m]))).collect();
        let mut ahead = whole(&compared)?;
        let model = Model { turns: self.wanted.turns };
        let mut found = None;
        for _ in 0..ROUNDS {
            let fits: Vec<(i64, Fit)> = motions
                .par_iter()
                .filter_map(|(n, along)| {
                    Some((*n, timed(&cleans[n], takes.get(&(n + ahead))?, model, along)?))
                })
                .collect();
            found = part(&fits, ahead);
            let nearest = (found?.time + 0.5).floor() as i64;
            if nearest == ahead {
                break;
            }
            ahead = nearest;
        }
        found
    }

    /// Looks at one frame as it is shown.
    fn look(
        &self,
        take: &Take<'_>,
        cleans: &BTreeMap<i64, Light>,
        frame: i64,
        moment: &Moment,
    ) -> Result<Option<Look>, ProjectError> {
        let needed: Vec<i64> = moment.frames().iter().collect();
        let pictures =
            needed.iter().map(|n| self.image(take.picture, *n)).collect::<Result<Vec<Arc<Image>>, _>>()?;
        let marks = needed.iter().map(|n| self.marks(take, *n)).collect::<Result<Vec<_>, _>>()?;
        let pictures: Vec<&Image> = pictures.iter().map(|image| &**image).collect();
        let (image, marks) = moment.show(&pictures, marks);
        let light = Light::of(&image, &marks);
        let clean = &cleans[&frame];
        let model = Model { turns: self.wanted.turns };
        let Some(fit) = placed(clean, &light, model) else { return Ok(None) };
        let by = [fit.found[0] * clean.scale(), fit.found[1] * clean.scale()];
        // A figure's shadow is no other exposure of the set.
        let mut covered = vec![0.0f32; image.width() as usize * image.height() as usize];
        for mark in &marks {
            covered.iter_mut().zip(mark).for_each(|(c, m)| *c = c.max(*m));
        }
        let exposure = exposure(&*self.image(self.clean, frame)?, &image, &covered, by).unwrap_or([1.0; 3]);
        Ok(Some(Look { frame, first: needed[0], light, fit, exposure }))
    }

    /// The mattes of a take's frame, those that are to be had.
    fn marks(&self, take: &Take<'_>, frame: i64) -> Result<Vec<Vec<f32>>, ProjectError> {
        let has = |edge: &&&Edge| self.graph.nodes[edge.from].frames.contains(frame);
        take.marks
            .iter()
            .filter(has)
            .map(|edge| {
                let image = self.image(edge, frame)?;
                let name = edge.channel.as_deref().unwrap_or("A");
                let channel = image.channel(name).unwrap_or(0);
                Ok(image.plane_f32(channel))
            })
            .collect()
    }

    /// A frame of an input: of a render, or of a plate's file.
    fn image(&self, edge: &Edge, frame: i64) -> Result<Arc<Image>, ProjectError> {
        let (id, node) = (edge.from, &self.graph.nodes[edge.from]);
        let place = format!("{}@{frame}", node.name());
        let trouble = |why: String| ProjectError::System(format!("{place}: {why}"));
        let image = match node.is_passed_on() {
            true => source::plate(&self.project.folder, self.graph, &self.status.seen, id, frame),
            false => self.rendered(id, frame),
        };
        image.map(Arc::new).map_err(trouble)
    }

    fn rendered(&self, id: NodeId, frame: i64) -> Result<Image, String> {
        let node = &self.graph.nodes[id];
        if !node.keep {
            return Err("it is not kept, so that it cannot be measured; leave out keep: false".into());
        }
        let table = self.status.state.table(&node.shot, &node.stage).ok_or("it was not rendered")?;
        let row = table.rows().find(|(n, _)| *n == frame).ok_or("it was not rendered")?.1;
        crate::store::objects::Objects::of(&self.status.store).get(&row.pixels).map_err(|e| e.to_string())
    }
}

/// What was seen of one frame.
struct Look {
    frame: i64,
    /// The first of the take's frames that is shown.
    first: i64,
    light: Light,
    fit: Fit,
    exposure: [f64; 3],
}
