//! Values as a person wrote them: a tree in which every key and value keeps its place.
//!
//! Knows the shape of the tree and how to read typed values from it, collecting every
//! problem. Does not know YAML's syntax (`base::yaml`) nor any particular file's keys.

use std::ops::RangeInclusive;

use crate::base::curve::{Curve, Ease};
use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::problem::{Problem, Problems, Span, nearest};

/// A value and where it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// Its place.
    pub span: Span,
    /// What it is.
    pub node: Node,
}

/// The kinds of value.
#[derive(Clone, Debug, PartialEq)]
pub enum Node {
    /// Nothing written, `~` or `null`.
    Null,
    /// A scalar, as written.
    Scalar(Scalar),
    /// A list.
    List(Vec<Value>),
    /// A map.
    Map(Map),
}

/// A scalar as written: types are decided by whoever reads it, never guessed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scalar {
    /// The text, quotes and escapes resolved.
    pub text: String,
    /// True when it stood in quotes or a block, so it can only be text.
    pub quoted: bool,
}

/// A key and where it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// The key's text.
    pub text: String,
    /// Its place.
    pub span: Span,
}

/// Keys and values in the order written. Keys are unique (the reader sees to it).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Map {
    /// The entries.
    pub entries: Vec<(Key, Value)>,
}

impl Map {
    /// The value of a key.
    pub fn get(&self, key: &str) -> Option<&Value> {
        self.entries.iter().find(|(k, _)| k.text == key).map(|(_, v)| v)
    }

    /// Puts `over` on top of `self`: maps merge key by key and all else is replaced.
    /// A map whose keys are all frame numbers is one value (keys in time) and is replaced whole.
    pub fn overlaid(&self, over: &Map) -> Map {
        let mut out = self.clone();
        for (key, value) in &over.entries {
            match out.entries.iter_mut().find(|(k, _)| k.text == key.text) {
                Some((k, old)) => {
                    *k = key.clone();
                    *old = old.overlaid(value);
                }
                None => out.entries.push((key.clone(), value.clone())),
            }
        }
        out
    }

    fn is_keyed(&self) -> bool {
        !self.entries.is_empty()
            && self.entries.iter().all(|(k, _)| k.text == "ease" || k.text.parse::<i64>().is_ok())
    }
}

impl Value {
    /// What kind it is, for messages.
    pub fn kind(&self) -> &'static str {
        match &self.node {
            Node::Null => "nothing",
            Node::Scalar(_) => "a single value",
            Node::List(_) => "a list",
            Node::Map(_) => "a map",
        }
    }

    /// The map, if it is one.
    pub fn map(&self) -> Option<&Map> {
        match &self.node {
            Node::Map(map) => Some(map),
            _ => None,
        }
    }

    fn overlaid(&self, over: &Value) -> Value {
        match (&self.node, &over.node) {
            (Node::Map(old), Node::Map(new)) if !old.is_keyed() && !new.is_keyed() => {
                Value { span: over.span, node: Node::Map(old.overlaid(new)) }
            }
            _ => over.clone(),
        }
    }

    /// Reads text. Numbers are text too; a list, a map or nothing is not.
    pub fn text(&self) -> Result<&str, Problem> {
        match &self.node {
            Node::Scalar(scalar) => Ok(&scalar.text),
            _ => Err(self.wrong("text")),
        }
    }

    /// Reads a finite real number written in decimal.
    pub fn number(&self) -> Result<f64, Problem> {
        let Node::Scalar(scalar) = &self.node else { return Err(self.wrong("a number")) };
        let plausible = scalar.text.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
        match scalar.text.parse::<f64>() {
            Ok(n) if plausible && !scalar.quoted && n.is_finite() => Ok(n),
            _ => Err(self.wrong("a number")),
        }
    }

    /// Reads a whole number written in decimal digits.
    pub fn int(&self) -> Result<i64, Problem> {
        let Node::Scalar(scalar) = &self.node else { return Err(self.wrong("a whole number")) };
        match scalar.text.parse::<i64>() {
            Ok(n) if !scalar.quoted => Ok(n),
            _ => Err(self.wrong("a whole number")),
        }
    }

    /// Reads `true` or `false`; nothing else counts.
    pub fn flag(&self) -> Result<bool, Problem> {
        match &self.node {
            Node::Scalar(s) if !s.quoted && s.text == "true" => Ok(true),
            Node::Scalar(s) if !s.quoted && s.text == "false" => Ok(false),
            _ => Err(self.wrong("true or false")),
        }
    }

    /// Reads a range of frames, `FIRST-LAST` or one number.
    pub fn frames(&self) -> Result<FrameRange, Problem> {
        let text = self.text().map_err(|_| self.wrong("a range of frames"))?;
        text.parse().map_err(|e| {
            Problem::error(self.span, format!("'{text}' is not a range of frames")).help(format!("{e}"))
        })
    }

    /// Reads a list.
    pub fn list(&self) -> Result<&[Value], Problem> {
        match &self.node {
            Node::List(items) => Ok(items),
            _ => Err(self.wrong("a list")),
        }
    }

    /// Reads a list of exactly `N` numbers, such as a point.
    pub fn numbers<const N: usize>(&self) -> Result<[f64; N], Problem> {
        let items = self.list().map_err(|_| self.wrong(&format!("a list of {N} numbers")))?;
        if items.len() != N {
            return Err(Problem::error(
                self.span,
                format!("{N} numbers are wanted here, not {}", items.len()),
            ));
        }
        let mut out = [0.0; N];
        for (slot, item) in out.iter_mut().zip(items) {
            *slot = item.number()?;
        }
        Ok(out)
    }

    /// Reads a number that may change in time: one number, or a map of frame to number with
    /// an optional `ease: hold | linear | smooth` (linear when not said).
    pub fn curve(&self) -> Result<Curve<1>, Problem> {
        self.keyed(|value| value.number().map(|n| [n]))
    }

    /// Reads a value that may change in time, one value being read by `one`.
    pub fn keyed<const N: usize>(
        &self,
        one: impl Fn(&Value) -> Result<[f64; N], Problem>,
    ) -> Result<Curve<N>, Problem> {
        let Node::Map(map) = &self.node else { return Ok(Curve::steady(one(self)?)) };
        let mut keys = Vec::with_capacity(map.entries.len());
        let mut ease = Ease::Linear;
        for (key, value) in &map.entries {
            if key.text == "ease" {
                let word = value.text()?;
                ease = Ease::named(word).ok_or_else(|| {
                    Problem::error(value.span, format!("'{word}' is not a way to move between keys"))
                        .help("one of: hold, linear, smooth")
                })?;
                continue;
            }
            match key.text.parse::<i64>() {
                Ok(frame) if frame.abs() <= FRAME_LIMIT => keys.push((frame, one(value)?)),
                _ => {
                    return Err(Problem::error(key.span, format!("'{}' is not a frame number", key.text))
                        .help("keys in time are written FRAME: value"));
                }
            }
        }
        keys.sort_by_key(|&(frame, _)| frame);
        if let Some(twice) = keys.windows(2).find(|pair| pair[0].0 == pair[1].0) {
            return Err(Problem::error(self.span, format!("frame {} has two keys", twice[0].0))
                .help("keep one of them"));
        }
        if keys.is_empty() {
            return Err(Problem::error(self.span, "keys in time need at least one frame")
                .help("write FRAME: value, or just a value"));
        }
        Ok(Curve::new(keys, ease))
    }

    /// "`X` is wanted here".
    pub fn wrong(&self, wanted: &str) -> Problem {
        let got = match &self.node {
            Node::Scalar(s) if s.text.chars().count() <= 40 => format!("'{}'", s.text),
            _ => self.kind().to_string(),
        };
        Problem::error(self.span, format!("{wanted} is wanted here, not {got}"))
    }
}

/// Reads the entries of one map, collecting problems, and names the unknown ones at the end.
pub struct Fields<'a> {
    map: &'a Map,
    span: Span,
    what: String,
    known: Vec<&'static str>,
    /// Problems so far.
    pub problems: Problems,
}

impl<'a> Fields<'a> {
    /// Starts on a map. `what` names it in messages ("shot br030").
    pub fn of(value: &'a Value, what: impl Into<String>) -> Result<Self, Problem> {
        let what = what.into();
        match &value.node {
            Node::Map(map) => Ok(Self::new(map, value.span, what)),
            _ => {
                Err(Problem::error(value.span, format!("{what} is a map of settings, not {}", value.kind())))
            }
        }
    }

    /// Starts on a map that stands at `span`.
    pub fn new(map: &'a Map, span: Span, what: impl Into<String>) -> Self {
        Self { map, span, what: what.into(), known: Vec::new(), problems: Problems::new() }
    }

    /// The value of a key, if written and not null.
    pub fn get(&mut self, key: &'static str) -> Option<&'a Value> {
        if !self.known.contains(&key) {
            self.known.push(key);
        }
        self.map.get(key).filter(|v| v.node != Node::Null)
    }

    /// The value of a key that must be there.
    pub fn need(&mut self, key: &'static str) -> Option<&'a Value> {
        let value = self.get(key);
        if value.is_none() {
            self.problems.push(Problem::error(self.span, format!("{} lacks '{key}'", self.what)));
        }
        value
    }

    /// Reads a key with `read`, if written.
    pub fn read<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&'a Value) -> Result<T, Problem>,
    ) -> Option<T> {
        let value = self.get(key)?;
        self.keep(read(value))
    }

    /// A number within limits, if written.
    pub fn within(&mut self, key: &'static str, limits: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        self.read(key, |value| {
            let n = value.number()?;
            if limits.contains(&n) {
                return Ok(n);
            }
            let problem = Problem::error(value.span, format!("{n} is out of range for '{key}'"));
            let help = format!("from {} to {} {unit}", limits.start(), limits.end());
            Err(problem.help(help.trim_end()))
        })
    }

    /// Keeps a result's value, or its problem.
    pub fn keep<T>(&mut self, result: Result<T, Problem>) -> Option<T> {
        result.map_err(|problem| self.problems.push(problem)).ok()
    }

    /// Ends: every key not asked for is a problem.
    pub fn finish(mut self) -> Problems {
        let mut told = 0;
        for (key, _) in &self.map.entries {
            if !self.known.contains(&key.text.as_str()) {
                let problem =
                    Problem::error(key.span, format!("{} has no setting '{}'", self.what, key.text));
                // Beyond some slips it is not a slip, and comparing a million names takes seconds.
                told += 1;
                let near = if told > 100 { None } else { nearest(&key.text, self.known.iter().copied()) };
                self.problems.push(match near {
                    Some(name) => problem.help(format!("did you mean '{name}'?")),
                    None if self.known.is_empty() => problem,
                    None => problem.help(format!("known here: {}", self.known.join(", "))),
                });
            }
        }
        self.problems
    }
}
