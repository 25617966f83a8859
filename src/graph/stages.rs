//! One stage of a shot → its node, for operators and hands; `command` makes those of commands.
//!
//! Knows what of a stage goes into its identity and what `why` compares. Does not know the frames of plates.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::build::{Builder, ingredient, named};
use super::connect::{Joined, Scope};
use super::{Edge, FROM, Ingredient, Node, NodeId, Work};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::problem::{Problem, Problems, SourceId};
use crate::base::value::{Map, Node as ValueNode, Scalar, Value};
use crate::declare::film::{At, ByHand, Delivers, Media, Shot, Stage, Work as Declared};
use crate::declare::taken;
use crate::media::image::RGBA;
use crate::operators::{self, Attachment, Connected, Kind, Operator, Spec};

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
            shot: declared,
            span: stage.span,
        };
        let joined = match operator {
            Some(operator) => scope.join(operator.spec().ports, &stage.from, before, &mut problems),
            None => scope.join_free(&stage.from, before, &mut problems),
        };
        let whole = problems.is_empty() && !joined.lacks;
        self.problems.append(&mut problems);
        if !whole {
            // Its settings are checked all the same, so that they need not wait for the inputs to be mended.
            if let Some(operator) = operator {
                self.operated(shot, name, stage, frames, operator, &joined, declared, false);
            }
            return None;
        }
        let mut node = match &stage.work {
            Declared::Operator(_) => {
                self.operated(shot, name, stage, frames, operator?, &joined, declared, true)?
            }
            Declared::Command(command) => self.commanded(shot, name, stage, frames, command, &joined),
            Declared::ByHand(hand) => self.by_hand(shot, name, stage, frames, hand)?,
        };
        node.ingredients.extend(self.connections(&joined));
        node.inputs = joined.edges;
        node.keep = stage.keep;
        node.pools = self.places(stage);
        // An operator without inputs knows all frames; whoever needs some beyond the shot's own has them made.
        let is_free = matches!(node.work, Work::Operator { .. }) && node.inputs.is_empty();
        let available = if is_free { FrameRange::new(-FRAME_LIMIT, FRAME_LIMIT) } else { frames };
        Some(self.add(node, available))
    }

    /// Places in pools that a stage takes.
    pub(super) fn places(&self, stage: &Stage) -> Vec<(usize, u32)> {
        let pools = &self.graph.pools;
        let place = |(at, n): &(At<String>, u32)| Some((pools.iter().position(|(p, _)| *p == at.value)?, *n));
        stage.pools.iter().filter_map(place).collect()
    }

    /// Where the inputs come from, as `why` compares it: `from.holdout` and `roto.actors`.
    fn connections(&self, joined: &Joined) -> Vec<Ingredient> {
        let one = |(edge, connected): (&Edge, &Connected)| {
            let many = !connected.name.is_empty() && connected.name != edge.port;
            let name = if many { format!(".{}", connected.name) } else { String::new() };
            let channel = edge.channel.as_ref().map_or(String::new(), |channel| format!(".{channel}"));
            let from = format!("{}{channel}", self.graph.nodes[edge.from].stage);
            ingredient(&format!("{FROM}{}{name}", edge.port), &from)
        };
        joined.edges.iter().zip(&joined.connected).map(one).collect()
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
        whole: bool,
    ) -> Option<Node> {
        let spec = operator.spec();
        let attached = self.attached(shot, spec, stage, joined, declared);
        let before = self.problems.len();
        let prepared = self.prepare(
            operator,
            &stage.settings,
            stage.span,
            frames,
            &joined.connected,
            &[],
            &attached.files,
        );
        if !(whole && attached.whole) {
            // What the stage says of itself as a whole follows from what it lacks, and what it says of another
            // stage's file is that stage's to say.
            let follows = |p: &Problem| {
                p.span.is_some_and(|s| s == stage.span || attached.of_others.contains(&s.source))
            };
            let rest = self.problems.split_off(before);
            self.problems.extend(rest.into_iter().filter(|p| !follows(p)));
            return None;
        }
        let prepared = prepared?;
        let channels = prepared.channels();
        let version = format!("version {}", spec.version);
        let mut ingredients = attached.ingredients(&*prepared);
        ingredients.push(ingredient(&format!("operator {}", spec.name), &version));
        let mut node = self.node(shot, name, frames, Work::Operator { spec, prepared }, stage.span);
        node.channels = channels;
        node.identity = operators::identity(spec);
        node.ingredients = ingredients;
        Some(node)
    }

    /// The files that an operator's settings name, and the shapes files of stages that it takes shapes from.
    fn attached(
        &mut self,
        shot: &str,
        spec: &Spec,
        stage: &Stage,
        joined: &Joined,
        declared: &Shot,
    ) -> Attached {
        let ingredients = written(&stage.settings);
        let mut out = Attached { files: BTreeMap::new(), ingredients, of_others: Vec::new(), whole: true };
        for param in spec.params.iter().filter(|p| p.kind == Kind::File) {
            let Some(value) = stage.settings.get(param.name).filter(|v| v.node != ValueNode::Null) else {
                continue;
            };
            match self.named_file(shot, (spec.name, param.name), value) {
                Ok(file) => out.take(param.name, file),
                Err(problem) => {
                    self.problems.push(problem);
                    out.whole = false;
                }
            }
        }
        for (other, span) in &joined.shapes {
            let from = declared.stages.get(other);
            let operator = from.and_then(|stage| match &stage.work {
                Declared::Operator(at) => Some(at.value.as_str()),
                _ => None,
            });
            let path = from.and_then(|stage| stage.settings.get("shapes")?.text().ok());
            match path.map(|path| self.files.attach(path)) {
                Some(Ok(file)) => {
                    out.of_others.extend(file.source);
                    out.take("shapes", file);
                }
                // The stage that names the file, or should name one, tells of it.
                Some(Err(_)) if operator.is_some() => out.whole = false,
                None if operator == Some("roto") => out.whole = false,
                _ => {
                    let message = format!("it takes shapes from '{other}', which has no shapes file");
                    self.problems.push(Problem::error(*span, message).help("give that stage `shapes: FILE`"));
                    out.whole = false;
                }
            }
        }
        out
    }

    /// The file that a setting of an operator names.
    fn named_file(
        &mut self,
        shot: &str,
        setting: (&str, &str),
        value: &Value,
    ) -> Result<Attachment, Problem> {
        let path = value.text()?;
        let writer = match setting {
            ("passes", "register") => Some("register"),
            (_, "track") => Some("track"),
            _ => None,
        };
        let taken = writer.filter(|writer| *writer == "register").and_then(|_| taken(path, self.film));
        if let Some(taken) = taken {
            let problem = Problem::error(value.span, format!("moves cannot be put into {taken}"));
            return Err(problem.help(format!("for example takes/{shot}.yaml")));
        }
        self.files.attach(path).map_err(|why| {
            let problem = Problem::error(value.span, format!("{path} cannot be read: {why}"));
            match writer.filter(|_| self.files.lacks(path)) {
                Some(writer) => problem.help(format!("`endboard {writer} {shot}` writes it")),
                None => problem,
            }
        })
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
        let decode = self.decoder(&hand.coding, &media, hand.files.span, frames)?;
        let source = self.source(format!("{shot}/{name}"), media, hand.files.span, true);
        let work = Work::Hand { source, decode, delivers: hand.delivers.clone() };
        let mut node = self.node(shot, name, frames, work, stage.span);
        node.channels = delivered(&hand.delivers);
        node.identity = of_hands(operators::named("plate")?.spec());
        node.ingredients = self.coded(&hand.coding);
        node.ingredients.extend(named(&Media::Files(hand.files.clone())));
        Some(node)
    }
}

/// What no frame changes about work of hands: how its files are decoded.
fn of_hands(decoder: &operators::Spec) -> Digest {
    let mut hasher = KeyHasher::new();
    hasher.text("hands 3").digest(&operators::identity(decoder));
    hasher.finish()
}

/// Files that a stage works with.
struct Attached {
    /// By parameter.
    files: BTreeMap<String, Attachment>,
    /// Settings and files, for `why`.
    ingredients: Vec<Ingredient>,
    /// Texts that are other stages' files.
    of_others: Vec<SourceId>,
    /// False when one is missing.
    whole: bool,
}

impl Attached {
    fn take(&mut self, param: &str, file: Attachment) {
        self.files.insert(param.to_string(), file);
    }

    /// Settings and files as `why` compares them: files by what was read from them, where the operator tells.
    fn ingredients(mut self, prepared: &dyn operators::Prepared) -> Vec<Ingredient> {
        for (param, file) in &self.files {
            let digest = prepared.read_from(param).unwrap_or_else(|| Digest::of(&file.bytes));
            self.ingredients.push(Ingredient { name: file.path.clone(), digest, text: None });
        }
        self.ingredients
    }
}

/// Settings as `why` compares them.
pub(super) fn written(settings: &Map) -> Vec<Ingredient> {
    let written = settings.entries.iter().filter(|(_, value)| value.node != ValueNode::Null);
    let ingredients = written.map(|(key, value)| Ingredient {
        digest: Digest::of(spelled_by(value, &meant).as_bytes()),
        ..ingredient(&key.text, &spelled(value))
    });
    ingredients.collect()
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
        fn lacks(&mut self, _: &str) -> bool {
            false
        }

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
        assert_eq!(parameters("[crew, cast]"), parameters("[ 'crew', cast ]"));
    }
}
