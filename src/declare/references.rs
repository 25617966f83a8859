//! What feeds a stage: reading `from`, and checking that every reference leads somewhere.
//!
//! Knows stages, plates and takes of one shot, and finds loops among its stages. Does not know
//! operators' ports, nor which channels a render has.

use std::collections::HashMap;

use indexmap::IndexMap;
use petgraph::graph::{DiGraph, NodeIndex};

use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Key, Map, Node, Value};
use crate::declare::film::{At, From, Reference};
use crate::declare::found::{Found, shortened};
use crate::declare::names::{Naming, fault};
use crate::declare::stages::Draft;

/// Reads `from: { PORT: REFERENCE }`, or `{ PORT: { NAME: REFERENCE } }` where a port takes many.
/// Ports written as nothing (`~`) are left out, which is how a shot disconnects one.
pub fn read_from(value: &Value, problems: &mut Problems) -> IndexMap<String, At<From>> {
    let mut ports = IndexMap::new();
    let Node::Map(map) = &value.node else {
        let problem = Problem::error(value.span, format!("'from' is a map of ports, not {}", value.kind()));
        problems.push(problem.help("write from: { picture: STAGE }"));
        return ports;
    };
    for (key, value) in written(map) {
        port_name(key, problems);
        let from = match &value.node {
            Node::Map(many) => {
                let mut named = IndexMap::new();
                for (key, value) in written(many) {
                    port_name(key, problems);
                    match reference(value) {
                        Ok(to) => drop(named.insert(key.text.clone(), At { value: to, span: value.span })),
                        Err(problem) => problems.push(problem),
                    }
                }
                From::Many(named)
            }
            _ => match reference(value) {
                Ok(to) => From::One(to),
                Err(problem) => {
                    problems.push(problem);
                    continue;
                }
            },
        };
        ports.insert(key.text.clone(), At { value: from, span: value.span });
    }
    ports
}

fn written(map: &Map) -> impl Iterator<Item = (&Key, &Value)> {
    map.entries.iter().map(|(key, value)| (key, value)).filter(|(_, value)| value.node != Node::Null)
}

fn port_name(key: &Key, problems: &mut Problems) {
    if let Some(rule) = fault(&key.text, Naming::Plain) {
        let message = format!("'{}' cannot be the name of an input", shortened(&key.text, 40));
        problems.push(Problem::error(key.span, message).help(rule));
    }
}

fn reference(value: &Value) -> Result<Reference, Problem> {
    let text = value.text().map_err(|_| value.wrong("a stage, 'plate' or 'take.NAME'"))?;
    parse(text).ok_or_else(|| {
        let message = format!("'{}' is no reference", shortened(text, 40));
        Problem::error(value.span, message)
            .help("write STAGE, STAGE.CHANNEL, plate or take.NAME; a channel may follow each")
    })
}

/// Reads `STAGE`, `STAGE.CHANNEL`, `plate`, `plate.CHANNEL`, `take.NAME` or `take.NAME.CHANNEL`.
fn parse(text: &str) -> Option<Reference> {
    let mut parts = text.split('.');
    let first = parts.next()?;
    let stage = match first {
        "take" => format!("take.{}", parts.next()?),
        _ => first.to_string(),
    };
    let channel = parts.next();
    let sound = text.split('.').all(|part| fault(part, Naming::Plain).is_none());
    (sound && parts.next().is_none()).then(|| Reference { stage, channel: channel.map(Into::into) })
}

/// All references among a stage's inputs, with their places.
fn of(from: &IndexMap<String, At<From>>) -> impl Iterator<Item = (&Reference, Span)> {
    from.values().flat_map(|from| {
        let (one, many) = match &from.value {
            From::One(reference) => (Some((reference, from.span)), None),
            From::Many(named) => (None, Some(named.values().map(|at| (&at.value, at.span)))),
        };
        one.into_iter().chain(many.into_iter().flatten())
    })
}

/// The stages of one shot or recipe, as far as they could be read.
pub struct Chain<'a> {
    /// "shot br030" or "recipe blade-duel".
    pub who: &'a str,
    /// Where that is named.
    pub span: Span,
    /// `plate` and `take.NAME` of a shot; none for a recipe, which knows no plates.
    pub plates: Option<&'a IndexMap<String, At<String>>>,
    /// Stages in order.
    pub stages: Vec<(&'a str, &'a Draft)>,
}

impl Chain<'_> {
    /// Checks every reference and looks for loops.
    pub fn check(&self, found: &mut Found) {
        let index: HashMap<&str, usize> =
            self.stages.iter().enumerate().map(|(i, (name, _))| (*name, i)).collect();
        let mut graph = DiGraph::<(), Span>::new();
        for _ in &self.stages {
            graph.add_node(());
        }
        for (i, (name, stage)) in self.stages.iter().enumerate() {
            if stage.starts_from_the_one_before() && i > 0 {
                graph.add_edge(NodeIndex::new(i), NodeIndex::new(i - 1), stage.span);
            }
            for (reference, span) in of(&stage.from) {
                match index.get(reference.stage.as_str()) {
                    Some(&to) => drop(graph.add_edge(NodeIndex::new(i), NodeIndex::new(to), span)),
                    None => self.missing(name, reference, span, &index, found),
                }
            }
        }
        self.first_of_takes(found);
        for group in petgraph::algo::tarjan_scc(&graph) {
            self.name_loop(&graph, &group, found);
        }
    }

    /// A reference that names no stage: it may still be a plate or take.
    fn missing(
        &self,
        stage: &str,
        reference: &Reference,
        span: Span,
        index: &HashMap<&str, usize>,
        found: &mut Found,
    ) {
        let wanted = reference.stage.as_str();
        let is_plate = wanted == "plate" || wanted.starts_with("take.");
        let Some(plates) = self.plates else {
            if !is_plate {
                self.unknown_stage(stage, wanted, span, index, found);
            }
            return;
        };
        if plates.contains_key(wanted) {
            return;
        }
        if !is_plate {
            return self.unknown_stage(stage, wanted, span, index, found);
        }
        let message = format!("{} has no '{wanted}', which its stage {stage} takes", self.who);
        let named: Vec<&str> = plates.keys().map(String::as_str).collect();
        let otherwise = format!("it has: {}", named.join(", "));
        let problem = Problem::error(self.span, message).related(span, "taken here");
        let problem = found.suggest(problem, wanted, named.iter().copied(), &otherwise);
        // The place is the shot's, for the recipe that takes it may well be right.
        found.push("", problem);
    }

    fn unknown_stage(
        &self,
        stage: &str,
        wanted: &str,
        span: Span,
        index: &HashMap<&str, usize>,
        found: &mut Found,
    ) {
        let problem =
            Problem::error(span, format!("stage {stage} takes '{wanted}', but no stage is called that"));
        let words = index.keys().copied().chain(["plate"]).filter(|name| *name != stage);
        let mut words: Vec<&str> = words.collect();
        words.sort_unstable();
        let otherwise = format!("known here: {}, take.NAME", shortened(&words.join(", "), 200));
        let problem = found.suggest(problem, wanted, words.iter().copied(), &otherwise);
        found.push(self.who, problem);
    }

    /// A shot of several takes has no plate that its first stage could begin with by itself.
    fn first_of_takes(&self, found: &mut Found) {
        let Some(plates) = self.plates else { return };
        let Some((name, stage)) = self.stages.first() else { return };
        if stage.starts_from_the_one_before() && !plates.is_empty() && !plates.contains_key("plate") {
            let message =
                format!("{} has takes, so its first stage {name} must say which it begins with", self.who);
            let first = plates.keys().next().map_or("take.NAME", String::as_str);
            let problem = Problem::error(self.span, message).related(stage.span, "the stage");
            found.push("", problem.help(format!("write from: {{ picture: {first} }} in the stage")));
        }
    }

    /// Names one loop through a group of stages that all wait for each other.
    fn name_loop(&self, graph: &DiGraph<(), Span>, group: &[NodeIndex], found: &mut Found) {
        let start = *group.iter().min().expect("a group holds at least one stage");
        let step = |at: NodeIndex| graph.neighbors(at).filter(|next| group.contains(next)).min();
        if group.len() == 1 && !graph.contains_edge(start, start) {
            return;
        }
        // Following any edge inside the group must come back to a stage seen before.
        let mut path = vec![start];
        let from = loop {
            let Some(next) = step(path[path.len() - 1]) else { return };
            if let Some(at) = path.iter().position(|seen| *seen == next) {
                break at;
            }
            path.push(next);
        };
        let path = &path[from..];
        let name = |node: NodeIndex| self.stages[node.index()].0;
        let edge = |a, b| graph.find_edge(a, b).map_or(self.span, |edge| graph[edge]);
        if path.len() == 1 {
            let problem =
                Problem::error(edge(path[0], path[0]), format!("stage {} takes itself", name(path[0])));
            return found.push(self.who, problem.help("a stage takes stages that come before it"));
        }
        let names: Vec<&str> = path.iter().map(|&node| name(node)).collect();
        let message = format!("stages wait for each other: {} -> {}", names.join(" -> "), names[0]);
        let problem = Problem::error(edge(path[0], path[1]), message)
            .help("read 'a -> b' as 'a takes b'; one of them must take something else");
        let unsaid = path.iter().find_map(|&node| {
            let stage = self.stages[node.index()].1;
            stage.starts_from_the_one_before().then_some((name(node), stage.span))
        });
        found.push(
            self.who,
            match unsaid {
                Some((name, span)) => {
                    problem.related(span, format!("{name} says no 'from': it takes the stage before it"))
                }
                None => problem,
            },
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn references_parse() {
        let parsed = |text: &str| parse(text).map(|r| (r.stage, r.channel.map(|c| c.to_string())));
        assert_eq!(parsed("roto"), Some(("roto".into(), None)));
        assert_eq!(parsed("roto.crew"), Some(("roto".into(), Some("crew".into()))));
        assert_eq!(parsed("take.left"), Some(("take.left".into(), None)));
        assert_eq!(parsed("take.left.A"), Some(("take.left".into(), Some("A".into()))));
        for bad in ["", ".", "take", "take.", "a.b.c", "a..b", "take.a.b.c", "a b", "../x"] {
            assert_eq!(parsed(bad), None, "{bad}");
        }
    }
}
