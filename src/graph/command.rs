//! A program of the user's as a stage: what each of its calls is told, and what of that makes its key.
//!
//! Knows the names that words may hold, their values at a frame, and which project files filled words name.
//! The same values fill the words of a call and its key, so that the two cannot differ. Runs nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::build::{Builder, Files, ingredient};
use super::connect::Joined;
use super::stages::{delivered, spelled};
use super::{Ingredient, Node, Work};
use crate::base::braces::{self, Piece};
use crate::base::curve::{Curve, Ease};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::Problem;
use crate::base::value::{Node as ValueNode, Value};
use crate::declare::film::{Command, Delivers, Each, Stage};

/// A command as declared, with the values that its words may name.
pub struct CommandWork {
    /// The declaration.
    pub command: Command,
    /// Values by name, besides the paths of inputs and output and the numbers of a call's frames.
    values: Vec<(String, Told)>,
    /// Names that the words hold, each once, and whether the frames of a call tell their value.
    used: Vec<(String, bool)>,
    /// Digest of the files that words name at some frames only, by frame.
    files: BTreeMap<i64, Digest>,
    /// Every project file that words or `depends` name, with the digest that went into keys.
    pub reads: BTreeMap<String, Digest>,
}

/// A value that words name.
#[derive(Clone, Debug, PartialEq)]
enum Told {
    /// The same in every call.
    Always(String),
    /// A number keyed in time; a call of one frame is told its value there.
    InTime(Curve<1>),
}

impl Told {
    fn of(value: &Value) -> Self {
        match (&value.node, value.curve()) {
            (ValueNode::Map(_), Ok(curve)) => Told::InTime(curve),
            _ => Told::Always(spelled(value)),
        }
    }

    fn at(&self, frame: i64) -> String {
        match self {
            Told::Always(text) => text.clone(),
            Told::InTime(curve) => curve.at(frame as f64)[0].to_string(),
        }
    }
}

/// Names that stand for numbers of the frames that a call makes.
const OF_FRAMES: [&str; 3] = ["frame", "first", "last"];

impl CommandWork {
    /// A command whose words name nothing but its inputs and its output.
    #[cfg(test)]
    pub(crate) fn plain(command: Command) -> Self {
        Self { command, values: Vec::new(), used: Vec::new(), files: BTreeMap::new(), reads: BTreeMap::new() }
    }

    /// What a call for `frames` is told, by name; the paths of its inputs and of its output are not among it.
    pub fn told(&self, frames: FrameRange) -> Vec<(String, String)> {
        let mut told: Vec<(String, String)> =
            self.values.iter().map(|(name, value)| (name.clone(), value.at(frames.first))).collect();
        for (name, number) in OF_FRAMES.iter().zip([frames.first, frames.first, frames.last]) {
            told.push((name.to_string(), number.to_string()));
        }
        told
    }

    /// True when one call makes a whole run of frames.
    pub fn makes_runs(&self) -> bool {
        self.command.each == Each::Run
    }

    /// True when every frame's call is told the same.
    pub(super) fn is_steady(&self) -> bool {
        self.used.iter().all(|(_, moves)| !moves)
    }

    /// Feeds what a call is told at `frame` and not at every frame.
    pub(super) fn at(&self, frame: i64, hasher: &mut KeyHasher) {
        let told = self.told(FrameRange::one(frame));
        for (name, _) in self.used.iter().filter(|(_, moves)| *moves) {
            if let Some((_, value)) = told.iter().find(|(n, _)| n == name) {
                hasher.text(name).text(value);
            }
        }
        if let Some(digest) = self.files.get(&frame) {
            hasher.digest(digest);
        }
    }
}

/// What is fed and shown of a command while its node is made.
struct Telling<'f> {
    files: &'f mut dyn Files,
    hasher: KeyHasher,
    ingredients: Vec<Ingredient>,
    reads: BTreeMap<String, Digest>,
    faults: Vec<String>,
}

impl Telling<'_> {
    /// The digest of a file of the project; one that is there and cannot be read is a fault.
    fn digest(&mut self, path: &str) -> Option<Digest> {
        let found = self.files.digest(path).unwrap_or_else(|reason| {
            self.faults.push(format!("{path}, which cannot be read: {reason}"));
            None
        });
        if let Some(digest) = found {
            self.reads.insert(path.to_string(), digest);
        }
        found
    }

    /// Feeds a file that is there, once; false when there is none.
    fn file(&mut self, path: &str) -> bool {
        let is_new = !self.reads.contains_key(path);
        let Some(digest) = self.digest(path) else { return false };
        if is_new {
            self.hasher.text(path).digest(&digest);
            self.ingredients.push(Ingredient { name: path.to_string(), digest, text: None });
        }
        true
    }
}

impl Builder<'_> {
    /// A command's node; `identity` takes in all that is the same for every frame.
    pub(super) fn commanded(
        &mut self,
        shot: &Arc<str>,
        name: &str,
        stage: &Stage,
        frames: FrameRange,
        command: &Command,
        joined: &Joined,
    ) -> Node {
        let mut work = self.worded(shot, name, stage, frames, command, joined);
        let mut telling = Telling {
            files: &mut *self.files,
            hasher: KeyHasher::new(),
            ingredients: vec![ingredient("command", &command.words.value.join(" "))],
            reads: BTreeMap::new(),
            faults: Vec::new(),
        };
        telling.hasher.text("command 2").int(command.reach).int(command.each as i64);
        telling.words(&work);
        telling.inputs(joined);
        telling.hasher.text(match &command.delivers {
            Delivers::Picture => "picture",
            Delivers::Mattes(_) => "mattes",
        });
        telling.steady_files(&work, joined);
        for depends in &command.depends {
            let faults = telling.faults.len();
            if !telling.file(&depends.value) && telling.faults.len() == faults {
                let message =
                    format!("it depends on {}, which is no file in the film's folder", depends.value);
                self.problems.push(Problem::error(depends.span, message));
            }
        }
        if let Some(words) = &command.version_from {
            match telling.files.version(&words.value) {
                Ok(version) => {
                    telling.hasher.text("version").bytes(&version);
                    let text = String::from_utf8_lossy(&version);
                    telling.ingredients.push(ingredient("version", text.trim()));
                }
                Err(reason) => self.problems.push(
                    Problem::error(words.span, format!("the version command failed: {reason}"))
                        .help("it must run and end with success; its output becomes part of every key"),
                ),
            }
        }
        work.files = telling.files_in_time(&work, joined, frames);
        let Telling { hasher, ingredients, faults, reads, .. } = telling;
        work.reads = reads;
        for fault in faults.into_iter().collect::<BTreeSet<_>>() {
            self.problems.push(Problem::error(command.words.span, format!("it names {fault}")));
        }
        let mut node = self.node(shot, name, frames, Work::Command(Box::new(work)), stage.span);
        node.channels = delivered(&command.delivers);
        node.identity = hasher.finish();
        node.ingredients = ingredients;
        node
    }

    /// The values that a command's words may name, and which of them they do.
    fn worded(
        &self,
        shot: &str,
        name: &str,
        stage: &Stage,
        frames: FrameRange,
        command: &Command,
        joined: &Joined,
    ) -> CommandWork {
        let (width, height) = self.film.frame_size;
        let own = [
            ("shot", shot.to_string()),
            ("stage", name.to_string()),
            ("film", self.film.name.clone()),
            ("width", width.to_string()),
            ("height", height.to_string()),
        ];
        let mut values: Vec<(String, Told)> =
            own.into_iter().map(|(name, value)| (name.to_string(), Told::Always(value))).collect();
        values.extend(stage.settings.entries.iter().map(|(key, v)| (key.text.clone(), Told::of(v))));
        if command.each == Each::Shot {
            // One call makes them all, so that these are two numbers of the shot.
            for (name, number) in [("first", frames.first), ("last", frames.last)] {
                values.push((name.into(), Told::Always(number.to_string())));
            }
        }
        let mut used: Vec<(String, bool)> = Vec::new();
        for piece in command.words.value.iter().flat_map(|word| braces::pieces(word).unwrap_or_default()) {
            let Piece::Name(name) = piece else { continue };
            if used.iter().any(|(n, _)| n == name) || joined.edges.iter().any(|edge| edge.port == name) {
                continue;
            }
            let moves = match values.iter().find(|(n, _)| n == name) {
                Some((_, told)) => matches!(told, Told::InTime(_)),
                None => OF_FRAMES.contains(&name),
            };
            used.push((name.to_string(), moves));
        }
        CommandWork { command: command.clone(), values, used, files: BTreeMap::new(), reads: BTreeMap::new() }
    }
}

/// Numbers keyed in time as one line of text.
fn keyed(curve: &Curve<1>) -> String {
    let keys: Vec<String> = curve.keys().iter().map(|(n, value)| format!("{n}: {}", value[0])).collect();
    let ease = match curve.ease() {
        Ease::Hold => "hold",
        Ease::Linear => "linear",
        Ease::Smooth => "smooth",
    };
    format!("{}, {ease}", keys.join(", "))
}

impl Telling<'_> {
    /// Feeds the words, with the values of the names in them that no frame changes.
    fn words(&mut self, work: &CommandWork) {
        self.hasher.list(work.command.words.value.len());
        for word in &work.command.words.value {
            let pieces = braces::pieces(word).unwrap_or_default();
            self.hasher.list(pieces.len());
            for piece in pieces {
                match piece {
                    Piece::Text(text) => self.hasher.flag(false).text(text),
                    Piece::Name(name) => self.hasher.flag(true).text(name),
                };
            }
        }
        for (name, _) in &work.used {
            match work.values.iter().find(|(n, _)| n == name) {
                Some((_, Told::Always(text))) => {
                    self.hasher.text(name).text(text);
                    self.ingredients.push(ingredient(name, text));
                }
                Some((_, Told::InTime(curve))) => self.ingredients.push(ingredient(name, &keyed(curve))),
                None => {}
            }
        }
    }

    /// Feeds under which names inputs are laid out, and which channel of each: the digest of a plane says neither.
    fn inputs(&mut self, joined: &Joined) {
        self.hasher.list(joined.edges.len());
        for edge in &joined.edges {
            let channel = edge.channel.as_deref();
            self.hasher.text(&edge.port).flag(channel.is_some()).text(channel.unwrap_or_default());
            if let Some(channel) = channel {
                self.ingredients.push(ingredient(&format!("channel of {}", edge.port), channel));
            }
        }
    }

    /// Feeds the files that words name at every frame.
    fn steady_files(&mut self, work: &CommandWork, joined: &Joined) {
        let told = work.told(FrameRange::one(0));
        for path in work.paths(joined, false, &told) {
            self.file(&path);
        }
    }

    /// The digests of files that words name at one frame and not at another.
    fn files_in_time(
        &mut self,
        work: &CommandWork,
        joined: &Joined,
        frames: FrameRange,
    ) -> BTreeMap<i64, Digest> {
        let mut found = BTreeMap::new();
        let told = |n| work.told(FrameRange::one(n));
        // Which words these are is the same at every frame; most commands have none.
        if work.command.each != Each::Frame || work.paths(joined, true, &told(frames.first)).is_empty() {
            return found;
        }
        for frame in frames.iter() {
            let mut hasher = KeyHasher::new();
            let mut any = false;
            for path in work.paths(joined, true, &told(frame)) {
                if let Some(digest) = self.digest(&path) {
                    hasher.text(&path).digest(&digest);
                    any = true;
                }
            }
            if any {
                found.insert(frame, hasher.finish());
            }
        }
        found
    }
}

impl CommandWork {
    /// What the words may name as files, filled in with `told`: whole words, what follows a `=` in them, and the
    /// values of `with` that they use. `moving` picks those that differ from frame to frame, or the others. Words
    /// that hold a path of the call's own folder, options and bare numbers are none.
    fn paths(&self, joined: &Joined, moving: bool, told: &[(String, String)]) -> Vec<String> {
        let of_call = |name: &str| name == "out" || joined.edges.iter().any(|edge| edge.port == name);
        let moves = |name: &str| self.used.iter().any(|(n, moves)| n == name && *moves);
        let mut paths = Vec::new();
        for word in &self.command.words.value {
            let pieces = braces::pieces(word).unwrap_or_default();
            let names =
                || pieces.iter().filter_map(|piece| if let Piece::Name(n) = piece { Some(*n) } else { None });
            for name in names().filter(|name| moves(name) == moving && !of_call(name)) {
                let value = told.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
                paths.extend(value.filter(|value| pieces.len() > 1 && value.parse::<f64>().is_err()));
            }
            if names().any(of_call) || names().any(moves) != moving {
                continue;
            }
            let value = |name: &str| told.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
            let Ok(filled) = braces::fill(word, value) else { continue };
            let parts = filled.match_indices('=').map(|(at, _)| &filled[at + 1..]);
            let plausible = |part: &&str| {
                let is_number = moving && part.parse::<f64>().is_ok();
                !(part.is_empty() || part.starts_with('-') || is_number)
            };
            paths.extend(std::iter::once(&*filled).chain(parts).filter(plausible).map(str::to_string));
        }
        paths
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::{Problems, Sources};
    use crate::declare;
    use crate::graph::{Graph, NodeId};
    use crate::operators::Attachment;

    /// Texts by path; one that is `locked` cannot be read. Versions by program.
    struct Shelf(Vec<(&'static str, &'static str)>);

    impl Files for Shelf {
        fn lacks(&mut self, _: &str) -> bool {
            false
        }

        fn attach(&mut self, path: &str) -> Result<Attachment, String> {
            Err(format!("{path} is not for this test"))
        }
        fn digest(&mut self, path: &str) -> Result<Option<Digest>, String> {
            match self.0.iter().find(|(name, _)| *name == path) {
                Some((_, "locked")) => Err("it is locked".into()),
                found => Ok(found.map(|(_, text)| Digest::of(text.as_bytes()))),
            }
        }
        fn version(&mut self, words: &[String]) -> Result<Vec<u8>, String> {
            let found = self.0.iter().find(|(name, _)| *name == words[0]);
            found.map(|(_, text)| text.as_bytes().to_vec()).ok_or_else(|| "not there".into())
        }
    }

    fn graph(stages: &str, files: &[(&'static str, &'static str)]) -> (Graph, Problems) {
        let text = "film: Brine\nrate: 24\nframe_size: 64x36\nplates:\n  a: { files: 'a.####.exr', frames: 1-9 }\n  \
             m: { movie: m.mp4, frames: 1-9 }\nrecipes: [r.yaml]\nshots:\n  \
             one: { plate: a, frames: 1-4, recipe: r }\n  two: { plate: a, frames: 1-4, recipe: r }\n  \
             ride: { plate: m, frames: 1-4, recipe: r }\n  long: { plate: a, frames: 1-5, recipe: r }\n";
        let recipe = format!("recipe: r\nstages:\n{stages}");
        let mut sources = Sources::new();
        let main = sources.add("endboard.yaml", text);
        let (film, problems) = declare::read(&mut sources, main, &mut |_| Ok(recipe.clone()));
        assert!(problems.is_empty(), "{problems:?}");
        crate::graph::build::build(&film.unwrap(), None, &mut Shelf(files.to_vec()))
    }

    /// Identity and parameters at a frame of a stage, which are all of its key but the pixels of its inputs.
    fn key(graph: &Graph, shot: &str, stage: &str, frame: i64) -> (Digest, Digest) {
        let node = &graph.nodes[found(graph, shot, stage)];
        assert_eq!(node.is_steady(), node.frames.iter().all(|n| node.parameters(n) == node.parameters(1)));
        (node.identity, node.parameters(frame))
    }

    fn found(graph: &Graph, shot: &str, stage: &str) -> NodeId {
        graph.find(shot, stage).unwrap()
    }

    fn sound(stages: &str, files: &[(&'static str, &'static str)]) -> Graph {
        let files: Vec<_> = files.iter().copied().chain([("ffmpeg", "ffmpeg version 7.1")]).collect();
        let (graph, problems) = graph(stages, &files);
        assert!(problems.is_empty(), "{problems:?}");
        graph
    }

    #[test]
    fn what_words_name_is_in_the_key_and_nothing_else() {
        let g = sound(
            "  plain: { command: 'x {picture} {out}', from: { picture: plate } }\n  \
             shot: { command: 'x {picture} {out} {shot}', from: { picture: plate } }\n  \
             a: { command: 'x {picture} {out} {stage}', from: { picture: plate } }\n  \
             b: { command: 'x {picture} {out} {stage}', from: { picture: plate } }\n",
            &[],
        );
        assert_eq!(key(&g, "one", "plain", 1), key(&g, "two", "plain", 2));
        assert_ne!(key(&g, "one", "shot", 1), key(&g, "two", "shot", 1));
        assert_ne!(key(&g, "one", "a", 1), key(&g, "one", "b", 1));
        assert_eq!(key(&g, "one", "a", 1), key(&g, "two", "a", 1));
    }

    #[test]
    fn numbers_of_frames_are_those_that_a_call_is_told() {
        let stage = |name: &str, word: &str, each: &str| {
            format!(
                "  {name}: {{ command: 'x {{picture}} {{out}} {word}', each: {each}, from: {{ picture: plate }} }}\n"
            )
        };
        let stages: String = [
            stage("frame", "{frame}", "frame"),
            stage("first", "{first}", "frame"),
            stage("last", "n{last}", "frame"),
            stage("run", "{first}", "run"),
            stage("shot", "{last}", "shot"),
            stage("braces", "{{{{frame}}}}", "frame"),
        ]
        .concat();
        let g = sound(&stages, &[]);
        for name in ["frame", "first", "last", "run"] {
            assert_ne!(key(&g, "one", name, 1), key(&g, "one", name, 2), "{name}");
            assert_eq!(key(&g, "one", name, 2), key(&g, "long", name, 2), "{name}");
        }
        assert_eq!(key(&g, "one", "shot", 1), key(&g, "one", "shot", 2));
        assert_ne!(key(&g, "one", "shot", 1), key(&g, "long", "shot", 1));
        assert_eq!(key(&g, "one", "braces", 1), key(&g, "one", "braces", 2));
    }

    #[test]
    fn values_in_time_are_told_and_keyed_at_the_frame() {
        let stage = |keys: &str| {
            let stages = format!(
                "  s: {{ command: 'x {{picture}} {{out}} {{n}}', with: {{ n: {keys}, unused: {keys} }}, from: {{ picture: plate }} }}\n"
            );
            sound(&stages, &[])
        };
        let (a, b) = (stage("{ 1: 0, 3: 1 }"), stage("{ 1: 0, 3: 1, 4: 5 }"));
        let Work::Command(work) = &a.nodes[found(&a, "one", "s")].work else { panic!() };
        let told = work.told(FrameRange::one(2));
        assert!(told.contains(&("n".into(), "0.5".into())), "{told:?}");
        assert!(told.contains(&("width".into(), "64".into())), "{told:?}");
        assert_ne!(key(&a, "one", "s", 1), key(&a, "one", "s", 2));
        assert_eq!(key(&a, "one", "s", 3), key(&b, "one", "s", 3));
        assert_ne!(key(&a, "one", "s", 4), key(&b, "one", "s", 4));
    }

    #[test]
    fn files_that_filled_words_name_are_in_the_key() {
        let stages = "  s: { command: 'tools/run {picture} {out} --lut=x.cube {list} tools/{stage}.py --at={at}/k.txt n/{frame}.txt {out}.txt', \
                      with: { list: l.txt, at: deep, unused: u.txt }, depends: [d.txt], from: { picture: plate } }\n";
        let before = [
            ("tools/run", "1"),
            ("x.cube", "1"),
            ("l.txt", "1"),
            ("tools/s.py", "1"),
            ("deep/k.txt", "1"),
            ("n/2.txt", "1"),
            ("d.txt", "1"),
            ("u.txt", "1"),
        ];
        let old = sound(stages, &before);
        for (at, (name, _)) in before.iter().enumerate() {
            let mut after = before;
            after[at].1 = "2";
            let new = sound(stages, &after);
            let differs = |n| key(&old, "one", "s", n) != key(&new, "one", "s", n);
            assert_eq!(differs(1), !["n/2.txt", "u.txt"].contains(name), "{name}");
            assert_eq!(differs(2), *name != "u.txt", "{name}");
            // A file that is not there may come to be.
            if *name != "d.txt" {
                let gone: Vec<_> = before.into_iter().filter(|(n, _)| n != name).collect();
                let new = sound(stages, &gone);
                assert_eq!(key(&old, "one", "s", 2) != key(&new, "one", "s", 2), *name != "u.txt", "{name}");
            }
        }
    }

    #[test]
    fn files_that_cannot_be_read_are_problems() {
        let stages =
            "  s: { command: 'x {picture} {out} a.txt', depends: [b.txt], from: { picture: plate } }\n";
        let (_, problems) = graph(stages, &[("ffmpeg", "7"), ("a.txt", "locked")]);
        let told: BTreeSet<&str> = problems.iter().map(|p| &*p.message).collect();
        assert!(
            told.contains("one/s, two/s, ride/s, long/s: it names a.txt, which cannot be read: it is locked"),
            "{told:?}"
        );
        assert!(
            told.contains(
                "one/s, two/s, ride/s, long/s: it depends on b.txt, which is no file in the film's folder"
            ),
            "{told:?}"
        );
    }

    #[test]
    fn inputs_count_by_name_and_channel() {
        let stages = |mattes: &str, from: &str| {
            format!(
                "  m: {{ command: 'x {{picture}} {{out}}', delivers: [{mattes}], from: {{ picture: plate }} }}\n  \
                 s: {{ command: 'x {{a}} {{b}} {{out}}', from: {{ {from} }} }}\n"
            )
        };
        let a = sound(&stages("crew, cast", "a: m.crew, b: plate"), &[]);
        for (mattes, from) in [("crew, cast", "a: m.cast, b: plate"), ("crew, cast", "b: m.crew, a: plate")] {
            let b = sound(&stages(mattes, from), &[]);
            assert_ne!(key(&a, "one", "s", 1), key(&b, "one", "s", 1), "{from}");
        }
    }

    #[test]
    fn movies_know_the_release_that_decodes_them() {
        let stages = "  s: { operator: grade }\n";
        let plate = |g: &Graph, shot: &str| g.nodes[found(g, shot, "plate")].identity;
        let (a, _) = graph(stages, &[("ffmpeg", "ffmpeg version 7.1\nbuilt on a Monday")]);
        let (b, _) = graph(stages, &[("ffmpeg", "ffmpeg version 7.1\nbuilt on a Friday")]);
        let (c, _) = graph(stages, &[("ffmpeg", "ffmpeg version 8.0\nbuilt on a Friday")]);
        let (none, problems) = graph(stages, &[]);
        assert_eq!(plate(&a, "ride"), plate(&b, "ride"));
        assert_ne!(plate(&b, "ride"), plate(&c, "ride"));
        assert_ne!(plate(&b, "ride"), plate(&none, "ride"));
        assert_eq!(plate(&a, "one"), plate(&none, "one"));
        let told: Vec<String> = problems.iter().map(|p| p.message.clone()).collect();
        assert_eq!(told, ["plate m: the movie cannot be decoded here: not there"]);
    }
}
