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
    /// What a call for `frames` is told, by name; the paths of its inputs and of its output are not among it.
    pub fn told(&self, frames: FrameRange) -> Vec<(String, String)> {
        let mut told: Vec<(String, String)> =
            self.values.iter().map(|(name, value)| (name.clone(), value.at(frames.first))).collect();
        for (name, number) in OF_FRAMES.iter().zip([frames.first, frames.first, frames.last]) {
            told.push((name.to_string(), number.to_string()));
        }
        told
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
    fed: BTreeSet<String>,
    faults: Vec<String>,
}

impl Telling<'_> {
    /// The digest of a file of the project; one that is there and cannot be read is a fault.
    fn digest(&mut self, path: &str) -> Option<Digest> {
        self.files.digest(path).unwrap_or_else(|reason| {
            let fault = format!("{path}, which cannot be read: {reason}");
            if !self.faults.contains(&fault) {
                self.faults.push(fault);
            }
            None
        })
    }

    /// Feeds a file that is there, once; false when there is none.
    fn file(&mut self, path: &str) -> bool {
        let Some(digest) = self.digest(path) else { return false };
        if self.fed.insert(path.to_string()) {
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
            fed: BTreeSet::new(),
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
        work.files = telling.files_in_time(&work, joined, frames);
        for depends in &command.depends {
            if !telling.file(&depends.value) && telling.faults.is_empty() {
                let message =
                    format!("{shot}/{name} depends on {}, which is no file of the project", depends.value);
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
                    Problem::error(
                        words.span,
                        format!("{shot}/{name}: the version command failed: {reason}"),
                    )
                    .help("it must run and end with success; its output becomes part of every key"),
                ),
            }
        }
        let Telling { hasher, ingredients, faults, .. } = telling;
        for fault in faults {
            self.problems.push(Problem::error(command.words.span, format!("{shot}/{name} names {fault}")));
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
        CommandWork { command: command.clone(), values, used, files: BTreeMap::new() }
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
                !part.is_empty() && !part.starts_with('-') && !(moving && part.parse::<f64>().is_ok())
            };
            paths.extend(std::iter::once(&*filled).chain(parts).filter(plausible).map(str::to_string));
        }
        paths
    }
}
