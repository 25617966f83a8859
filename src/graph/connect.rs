//! Inputs of a stage: what its `from` names, in the order of its ports.
//!
//! Knows references and ports. Does not prepare operators; `build` does.

use std::collections::HashMap;
use std::sync::Arc;

use indexmap::IndexMap;

use super::{Edge, Node, NodeId};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span, nearest};
use crate::declare::film::{At, From, Reference, Shot};
use crate::media::image::RGBA;
use crate::operators::{Carries, Connected, Port};

/// One shot's nodes by the name that references use.
pub(super) struct Scope<'g> {
    /// Nodes so far.
    pub nodes: &'g [Node],
    /// Node by stage name.
    pub names: &'g HashMap<String, NodeId>,
    /// Frames that a node can give.
    pub available: &'g [FrameRange],
    /// The shot, whose stages and plates that are not among the nodes have problems of their own.
    pub shot: &'g Shot,
    /// Where it is declared.
    pub span: Span,
}

/// Edges, and the same as operators see them.
#[derive(Default)]
pub(super) struct Joined {
    /// Edges in the order of ports.
    pub edges: Vec<Edge>,
    /// What operators are told of them.
    pub connected: Vec<Connected>,
    /// Stage names whose shapes file is wanted, by port.
    pub shapes: Vec<(String, Span)>,
    /// An input is a stage or plate that has a problem of its own.
    pub lacks: bool,
}

/// The port that takes the stage before when a stage does not say what feeds it: the first, unless it takes a map of names.
pub(super) fn implied(ports: &[Port]) -> Option<&Port> {
    ports.first().filter(|port| !port.carries.is_map())
}

impl Scope<'_> {
    /// Connects an operator's ports.
    pub fn join(
        &self,
        ports: &[Port],
        from: &IndexMap<String, At<From>>,
        before: &str,
        problems: &mut Problems,
    ) -> Joined {
        let mut joined = Joined::default();
        for (name, at) in from {
            if !ports.iter().any(|p| p.name == name) {
                let problem = Problem::error(at.span, format!("there is no input '{name}'"));
                let known: Vec<&str> = ports.iter().map(|p| p.name).collect();
                problems.push(match nearest(name, known.iter().copied()) {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None if known.is_empty() => problem.help("it takes no inputs"),
                    None => problem.help(format!("its inputs: {}", known.join(", "))),
                });
            }
        }
        for (index, port) in ports.iter().enumerate() {
            let implied = (index == 0 && implied(ports).is_some()).then(|| At {
                value: From::One(Reference { stage: before.to_string(), channel: None }),
                span: self.span,
            });
            match from.get(port.name).cloned().or(implied) {
                Some(at) => self.port(index, port, &at, &mut joined, problems),
                None if port.required => {
                    let problem = Problem::error(self.span, format!("the input '{}' is missing", port.name));
                    problems.push(problem.help(format!("add it under `from:`; {}", port.doc)));
                }
                None => {}
            }
        }
        joined
    }

    fn port(&self, index: usize, port: &Port, at: &At<From>, joined: &mut Joined, problems: &mut Problems) {
        match (&at.value, port.carries) {
            (From::One(reference), Carries::Shapes) => joined.shapes.push((reference.stage.clone(), at.span)),
            (From::One(_), carries) if carries.is_map() => {
                problems.push(Problem::error(at.span, format!("input '{}' takes a map of names", port.name)));
            }
            (From::Many(_), carries) if !carries.is_map() => {
                problems.push(Problem::error(at.span, format!("input '{}' takes one stage", port.name)));
            }
            (From::One(reference), carries) => {
                self.edge(
                    index,
                    port,
                    "",
                    &At { value: reference.clone(), span: at.span },
                    carries,
                    joined,
                    problems,
                );
            }
            (From::Many(map), carries) => {
                for (name, reference) in map {
                    self.edge(index, port, name, reference, carries, joined, problems);
                }
            }
        }
    }

    /// Connects the free inputs of a command or a person.
    pub fn join_free(
        &self,
        from: &IndexMap<String, At<From>>,
        before: &str,
        problems: &mut Problems,
    ) -> Joined {
        let mut joined = Joined::default();
        let mut all: Vec<(String, At<Reference>)> = Vec::new();
        for (name, at) in from {
            match &at.value {
                From::One(reference) => {
                    all.push((name.clone(), At { value: reference.clone(), span: at.span }))
                }
                From::Many(map) => {
                    all.extend(map.iter().map(|(part, at)| (format!("{name}.{part}"), at.clone())))
                }
            }
        }
        if from.is_empty() {
            let reference = Reference { stage: before.to_string(), channel: None };
            all.push(("picture".into(), At { value: reference, span: self.span }));
        }
        const FREE: Port = Port { name: "", carries: Carries::Many, required: false, doc: "" };
        for (name, reference) in &all {
            self.edge(0, &FREE, name, reference, Carries::Many, &mut joined, problems);
        }
        joined
    }

    #[allow(clippy::too_many_arguments)] // One connection has this many parts; a struct would be used once.
    fn edge(
        &self,
        index: usize,
        port: &Port,
        name: &str,
        at: &At<Reference>,
        carries: Carries,
        joined: &mut Joined,
        problems: &mut Problems,
    ) {
        let Some(&from) = self.names.get(&at.value.stage) else {
            if self.shot.stages.contains_key(&at.value.stage)
                || self.shot.plates.contains_key(&at.value.stage)
            {
                joined.lacks = true;
                return;
            }
            let problem = Problem::error(
                at.span,
                format!("it takes from '{}', but this shot has no such stage", at.value.stage),
            );
            problems.push(match nearest(&at.value.stage, self.names.keys().map(String::as_str)) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem,
            });
            return;
        };
        let node = &self.nodes[from];
        let (takes_picture, takes_matte) = (
            matches!(carries, Carries::Picture | Carries::Pictures),
            matches!(carries, Carries::Matte | Carries::Mattes),
        );
        let channel = match (&at.value.channel, takes_matte) {
            (Some(channel), _) => Some(channel.clone()),
            (None, true) if node.channels.len() == 1 => Some(node.channels[0].clone()),
            (None, true) if node.channels.iter().any(|c| &**c == "A") => Some("A".into()),
            (None, true) => {
                let problem =
                    Problem::error(at.span, format!("one matte is wanted, and {} has several", node.stage));
                problems.push(problem.help(format!(
                    "write {}.NAME with one of: {}",
                    at.value.stage,
                    node.channels.join(", ")
                )));
                return;
            }
            (None, false) => None,
        };
        if let Some(channel) = &channel
            && !node.channels.contains(channel)
        {
            let problem = Problem::error(at.span, format!("{} has no channel '{channel}'", node.stage));
            problems.push(problem.help(format!("it has: {}", node.channels.join(", "))));
            return;
        }
        let is_picture = RGBA.iter().all(|c| node.channels.iter().any(|n| &**n == *c));
        if takes_picture && (channel.is_some() || !is_picture) {
            let gives = match &channel {
                Some(channel) => format!("{}.{channel} is one channel", node.stage),
                None => format!("{} gives mattes", node.stage),
            };
            let problem = Problem::error(at.span, format!("a picture is wanted, and {gives}"));
            problems.push(problem.help(match is_picture {
                true => format!("write {} alone", at.value.stage),
                false => "name a stage or plate that gives R, G, B and A".to_string(),
            }));
            return;
        }
        let channels = channel.as_ref().map_or_else(|| node.channels.clone(), |c| vec![Arc::clone(c)]);
        joined.connected.push(Connected {
            port: index,
            name: name.to_string(),
            channels,
            frames: self.available[from],
        });
        let port = if port.name.is_empty() { name.to_string() } else { port.name.to_string() };
        joined.edges.push(Edge { from, channel, port });
    }
}
