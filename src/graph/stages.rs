//! One stage of a shot → its node, for operators and hands; `command` makes those of commands.
//!
//! Knows what of a stage goes into its identity and what `why` compares. Does not know the frames of plates.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::build::{Builder, ingredient, named};
use super::connect::{Joined, Scope};
use super::{Ingredient, Node, NodeId, Work};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Node as ValueNode, Scalar, Value};
use crate::declare::film::{At, ByHand, Delivers, Media, Shot, Stage, Work as Declared};
use crate::media::image::RGBA;
use crate::operators::{self, Kind, Operator};

impl Builder<'_> {
    #[allow(clippy::too_many_arguments)] // Each part of a stage's place is needed once, here.
    pub(super) fn stage(
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
            Declared::Command(command) => self.commanded(shot, name, stage, frames, command, &joined),
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
            .map(|(key, value)| Ingredient {
                digest: Digest::of(spelled_by(value, &meant).as_bytes()),
                ..ingredient(&key.text, &spelled(value))
            })
            .collect();
        let mut attached: Vec<(String, String)> = Vec::new();
        for (param, path, span) in wanted {
            match self.files.attach(&path) {
                Ok(file) => {
                    attached.push((param.clone(), path));
                    files.insert(param, file);
                }
                Err(reason) => self
                    .problems
                    .push(Problem::error(span, format!("{shot}/{name}: {path} cannot be read: {reason}"))),
            }
        }
        let prepared =
            self.prepare(operator, &stage.settings, stage.span, frames, &joined.connected, &[], &files)?;
        for (param, path) in attached {
            let read = prepared.read_from(&param).unwrap_or_else(|| Digest::of(&files[&param].bytes));
            ingredients.push(Ingredient { name: path, digest: read, text: None });
        }
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
        node.identity = of_hands(operators::named("plate")?.spec());
        node.ingredients = vec![ingredient("encoding", hand.encoding.as_ref().map_or("", |e| &e.value))];
        node.ingredients.extend(named(&Media::Files(hand.files.clone())));
        Some(node)
    }
}

/// What no frame changes about work of hands: how its files are decoded.
fn of_hands(decoder: &operators::Spec) -> Digest {
    let mut hasher = KeyHasher::new();
    hasher.text("hands 2").digest(&operators::identity(decoder));
    hasher.finish()
}

/// Names of the channels that come out of a command or of hands.
pub(super) fn delivered(delivers: &Delivers) -> Vec<Arc<str>> {
    match delivers {
        Delivers::Picture => RGBA.iter().map(|&c| c.into()).collect(),
        Delivers::Mattes(names) => names.clone(),
    }
}

/// A value as one line of text, the same for the same meaning however it was laid out.
pub(super) fn spelled(value: &Value) -> String {
    spelled_by(value, &|scalar| scalar.text.clone())
}

/// A scalar, the same for the same number however it was written.
fn meant(scalar: &Scalar) -> String {
    match scalar.text.parse::<f64>() {
        Ok(number) if number.is_finite() && !scalar.quoted => number.to_string(),
        _ => scalar.text.clone(),
    }
}

fn spelled_by(value: &Value, scalar: &dyn Fn(&Scalar) -> String) -> String {
    let spelled = |value: &Value| spelled_by(value, scalar);
    match &value.node {
        ValueNode::Null => String::new(),
        ValueNode::Scalar(one) => scalar(one),
        ValueNode::List(items) => format!("[{}]", items.iter().map(spelled).collect::<Vec<_>>().join(", ")),
        ValueNode::Map(map) => {
            let parts: Vec<String> =
                map.entries.iter().map(|(k, v)| format!("{}: {}", k.text, spelled(v))).collect();
            format!("{{{}}}", parts.join(", "))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hands_know_the_version_that_decodes_them() {
        let spec = operators::named("plate").unwrap().spec();
        let next = operators::Spec { version: spec.version + 1, ..*spec };
        assert_ne!(of_hands(spec), of_hands(&next));
    }

    /// Nobody's files are read here.
    struct Nothing;

    impl crate::graph::build::Files for Nothing {
        fn attach(&mut self, _: &str) -> Result<operators::Attachment, String> {
            Err("nothing is here".into())
        }
        fn digest(&mut self, _: &str) -> Result<Option<Digest>, String> {
            Ok(None)
        }
        fn version(&mut self, _: &[String]) -> Result<Vec<u8>, String> {
            Err("nothing is here".into())
        }
    }

    #[test]
    fn hands_that_promise_other_channels_have_other_parameters() {
        let parameters = |delivers: &str| {
            let text = format!(
                "film: Brine\nrate: 24\nframe_size: 64x36\nplates:\n  a: {{ files: 'a.####.exr', frames: 1-9 }}\nshots:\n  \
                 one: {{ plate: a, frames: 1-4, stages: {{ h: {{ by_hand: {{ files: 'h.####.exr', delivers: {delivers} }} }} }} }}\n"
            );
            let mut sources = crate::base::problem::Sources::new();
            let main = sources.add("endboard.yaml", text);
            let (film, problems) = crate::declare::read(&mut sources, main, &mut |_| Err("none".into()));
            assert!(problems.is_empty(), "{problems:?}");
            let (graph, problems) = crate::graph::build::build(&film.unwrap(), None, &mut Nothing);
            assert!(problems.is_empty(), "{problems:?}");
            graph.nodes[graph.find("one", "h").unwrap()].parameters(1)
        };
        // By their parameters alone files to be taken in anew are told from frames to be looked at again.
        assert_ne!(parameters("[crew]"), parameters("[crew, cast]"));
        assert_ne!(parameters("[crew]"), parameters("picture"));
        assert_eq!(parameters("picture"), parameters("picture"));
    }
}
