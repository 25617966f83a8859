//! Measures how the takes of a shot lie against its clean plate, and writes the register file that `passes` applies.
//!
//! Knows the rounds of the work: with other offsets in time other frames are needed, so that it is done again. How a round goes
//! `measure` knows. What renders the mattes that a round needs is whoever's that asks.

mod measure;

use std::collections::BTreeMap;
use std::sync::atomic::AtomicUsize;

use self::measure::Measuring;
use super::frames::{Frames, LookError};
use super::standing::Standing;
use super::{Care, Declared, Project, ProjectError, Status};

use crate::base::frames::{FrameRange, FrameSet};
use crate::declare::film::{From, Work as Declares};
use crate::declare::taken;
use crate::graph::{Edge, Graph, Node};
use crate::operators::image::passes::moment::Between;
use crate::operators::image::register::written::{Measured, text};

/// The register file while nothing is measured.
const NOTHING: &str = "takes: {}\n";
/// Rounds, more than which settle nothing.
pub const ROUNDS: usize = 3;

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
    /// Its register file, below the film's folder.
    pub file: String,
    /// How a part of a frame is shown.
    pub between: Between,
}

/// The stage of a place, `SHOT` or `SHOT/STAGE`, that joins takes; or why there is none.
fn joint(declared: &Declared, text: &str) -> Result<Joint, String> {
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
        format!("{shot_name}/{name} names no register file; give it register: takes/{shot_name}.yaml")
    })?;
    if let Some(fault) = crate::declare::path_fault(file) {
        return Err(format!("{file}: {fault}"));
    }
    let between = Between::ALL.into_iter().find(|b| Some(b.word()) == text("between"));
    let between = between.unwrap_or(Between::Nearest);
    Ok(Joint { shot: shot_name.into(), stage: name.clone(), file: file.into(), between })
}

/// One take's inputs.
struct Take<'g> {
    name: String,
    picture: &'g Edge,
    marks: Vec<&'g Edge>,
}

/// The work on one shot.
pub struct Registering<'p> {
    project: &'p Project,
    /// What is measured.
    pub joint: Joint,
    standing: Standing,
    wanted: Wanted,
    asked: String,
    rounds: usize,
    takes: Vec<Measured>,
    text: String,
    before: Option<Vec<Vec<FrameRange>>>,
    is_settled: bool,
    lacking: Option<Declared>,
    /// The film of the next round.
    next: Option<Declared>,
    remarks: Vec<String>,
}

/// What a round needs.
pub struct Round {
    /// The film, as the offsets found so far have it.
    pub declared: Declared,
    /// Stages whose frames must be rendered first, as selectors.
    pub needs: Vec<String>,
}

/// What came of it.
pub struct Registered {
    /// What was measured; where nothing was, no file is written.
    pub takes: Vec<Measured>,
    /// Takes of which nothing could be measured, and why.
    pub unmeasured: Vec<(String, String)>,
    /// Under which name a person's file is kept.
    pub kept: Option<String>,
    /// The film with these moves, when it then lacks frames.
    pub lacking: Option<Declared>,
    /// Whether the frames that are shown stayed the same in the last round.
    pub is_settled: bool,
    /// What is to be known of the frames that were looked at.
    pub remarks: Vec<String>,
}

impl Project {
    /// Begins to measure the takes of a place, `SHOT` or `SHOT/STAGE`.
    ///
    /// # Errors
    /// There is no such stage, the declaration has errors that hide it, or its register file is a person's.
    pub fn register(&self, place: &str, wanted: Wanted, replace: bool) -> Result<Registering<'_>, LookError> {
        if let Some((stage, frames)) = place.split_once('@') {
            return Err(LookError::Words(format!(
                "'{place}': frames cannot be given here (@{frames}), as a take is measured on all frames of its shot; write {stage}"
            )));
        }
        let declared = self.read();
        let shot = place.split('/').next().unwrap_or(place);
        let is_declared = declared.film.as_ref().is_none_or(|film| {
            film.shots.contains_key(shot) || film.left_out.iter().any(|name| name == shot)
        });
        let joint = match joint(&declared, place) {
            Ok(joint) => joint,
            // What is wrong with a shot may be why its stage seems not to be there.
            Err(_) if is_declared && !declared.is_sound() => {
                return Err(ProjectError::Unsound(Box::new(declared)).into());
            }
            Err(words) => return Err(LookError::Words(words)),
        };
        if declared.film.as_ref().is_some_and(|film| taken(&joint.file, film).is_some()) {
            // It is told at the line that names the file.
            return Err(ProjectError::Unsound(Box::new(declared)).into());
        }
        let standing = Standing::of(&self.folder, &joint.file, replace)?;
        Ok(Registering {
            project: self,
            joint,
            standing,
            wanted,
            asked: format!("endboard register {place}"),
            rounds: 0,
            takes: Vec::new(),
            text: NOTHING.into(),
            before: None,
            is_settled: false,
            lacking: None,
            next: None,
            remarks: Vec::new(),
        })
    }

    /// The state of a film that needs nothing rendered.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn status_as(&self, declared: Declared) -> Result<Status, ProjectError> {
        self.status_of(declared, self.recall(Care::Read), Care::Read, &|_, _| {})
    }

    /// Looks at the frames of a film again, after a rebuild.
    pub fn look_again(&self, status: &mut Status) {
        self.look(status);
    }
}

impl Registering<'_> {
    /// What the next round needs; nothing when the work is done.
    ///
    /// # Errors
    /// The declaration has errors, whatever the offsets.
    pub fn round(&mut self) -> Result<Option<Round>, LookError> {
        let declared = match self.next.take() {
            Some(declared) => declared,
            None if self.rounds > 0 => return Ok(None),
            None => self.project.read_as(Some((&self.joint.file, NOTHING))),
        };
        if !declared.is_sound() {
            return Err(ProjectError::Unsound(Box::new(declared)).into());
        }
        let needs = needs(&declared.graph, &self.joint);
        Ok(Some(Round { declared, needs }))
    }

    /// Measures a round, whose inputs were rendered.
    ///
    /// # Errors
    /// Frames are not there.
    pub fn measure(
        &mut self,
        status: &Status,
        step: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<(), LookError> {
        self.rounds += 1;
        let gone =
            || ProjectError::System(format!("{}/{} is not to be had", self.joint.shot, self.joint.stage));
        let graph = &status.declared.graph;
        let node = &graph.nodes[graph.find(&self.joint.shot, &self.joint.stage).ok_or_else(gone)?];
        let takes = takes(status, node, &self.joint);
        let clean = node.inputs.iter().find(|edge| edge.port == "clean").ok_or_else(gone)?;
        self.remarks = remarks(self.project, status, node);
        let (project, between, frames, wanted) = (self.project, self.joint.between, node.frames, self.wanted);
        let done = AtomicUsize::new(0);
        let edges = node.inputs.iter().filter(|edge| edge.port != "holdouts").map(|edge| edge.from);
        let inputs = edges.map(|id| (id, Frames::new(project, status, id))).collect();
        let measuring = Measuring { status, clean, takes, frames, between, wanted, step, done, inputs };
        let cleans = measuring.cleans()?;
        self.takes = measuring.times(&cleans)?;
        let takes: Vec<Measured> = self.takes.iter().filter(|take| take.blind.is_none()).cloned().collect();
        self.text = text(&takes, frames, between.word(), &self.asked);
        let now: Vec<Vec<FrameRange>> = self.takes.iter().map(|take| take.shown(frames, between)).collect();
        let unmoved = || vec![Measured::default().shown(frames, between); now.len()];
        self.is_settled = self.before.take().unwrap_or_else(unmoved) == now;
        self.before = Some(now);
        if !self.is_settled && self.rounds < ROUNDS {
            let next = project.read_as(Some((&self.joint.file, &self.text)));
            if next.is_sound() {
                // Where frames lie is looked at once they are the right ones.
                self.next = Some(next);
                return Ok(());
            }
            self.lacking = Some(next);
        }
        measuring.places(&cleans, &mut self.takes)?;
        self.remarks.extend(measuring.found());
        // What was not measured is left out of the file, so that it is told to lack it.
        let takes: Vec<Measured> = self.takes.iter().filter(|take| take.lack().is_none()).cloned().collect();
        self.text = text(&takes, frames, between.word(), &self.asked);
        Ok(())
    }

    /// Writes the register file, once, so that what ends the work before leaves nothing behind. Where nothing could be measured
    /// none is written.
    ///
    /// # Errors
    /// The file was changed meanwhile.
    pub fn written(self) -> Result<Registered, LookError> {
        let lacks = |take: &Measured| Some((take.name.clone(), take.lack()?.to_string()));
        let unmeasured: Vec<(String, String)> = self.takes.iter().filter_map(lacks).collect();
        let Registering { mut takes, lacking, is_settled, mut remarks, .. } = self;
        takes.retain(|take| take.lack().is_none());
        let kept = match takes.is_empty() {
            true => None,
            false => self.standing.put(&self.text)?,
        };
        for take in &takes {
            let untold = take.frames.iter().filter(|frame| frame.left.is_none()).map(|frame| frame.number);
            let untold: FrameSet = untold.collect();
            if !untold.is_empty() {
                remarks.push(format!(
                    "take '{}' could not be measured on {untold}, and goes there as its neighbours do; look at it",
                    take.name
                ));
            }
        }
        Ok(Registered { takes, unmeasured, kept, lacking, is_settled, remarks })
    }
}

/// The takes of a stage with their inputs. Edges come in the order of the operator's ports, and under a port in the order
/// written.
fn takes<'s>(status: &'s Status, node: &'s Node, joint: &Joint) -> Vec<Take<'s>> {
    let film = status.declared.film.as_ref();
    let Some(stage) = film.and_then(|film| film.shots.get(&joint.shot)?.stages.get(&joint.stage)) else {
        return Vec::new();
    };
    let named = |port: &str| -> Vec<(String, &'s Edge)> {
        let edges = node.inputs.iter().filter(|edge| edge.port == port);
        match stage.from.get(port).map(|at| &at.value) {
            Some(From::Many(map)) => map.keys().cloned().zip(edges).collect(),
            _ => Vec::new(),
        }
    };
    let [mattes, shadows] =
        ["mattes", "shadows"].map(|port| named(port).into_iter().collect::<BTreeMap<_, _>>());
    let take = |(name, picture): (String, &'s Edge)| {
        let marks = [mattes.get(&name), shadows.get(&name)].into_iter().flatten().copied().collect();
        Take { name, picture, marks }
    };
    named("takes").into_iter().map(take).collect()
}

/// What is to be known of the frames that a stage is given.
fn remarks(project: &Project, status: &Status, node: &Node) -> Vec<String> {
    let inputs = node.inputs.iter().filter(|edge| edge.port != "holdouts");
    inputs
        .filter_map(|edge| {
            let frames = Frames::new(project, status, edge.from);
            frames.remark(frames.range().iter())
        })
        .collect()
}

/// Inputs of the stage that must have been rendered before it can be measured, as selectors.
fn needs(graph: &Graph, joint: &Joint) -> Vec<String> {
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
