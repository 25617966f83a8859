//! YAML text → a tree of values that keep their places.
//!
//! Knows the limits that keep hostile text cheap (size, depth, aliases) and finds syntax errors and
//! repeated keys. Does not know which keys mean what.

use std::collections::HashMap;
use std::fmt;

use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_yaml::Spanned;
use serde_yaml::options::{DuplicateKeyPolicy, MergeKeyPolicy, NonFiniteFloatPolicy};

use crate::base::conflict;
use crate::base::problem::{Problem, Problems, SourceId, Span};
use crate::base::value::{Key, Map, Node, Scalar, Value};

/// The largest text that is read, in bytes.
pub const SIZE_LIMIT: usize = 16 << 20;
/// How deep maps and lists may nest.
pub const DEPTH_LIMIT: usize = 48;
/// How many values one text may hold, aliases counted each time they are used.
pub const VALUE_LIMIT: usize = 2_000_000;

/// Reads one YAML document. Problems found on the way come with whatever could still be read;
/// `None` means that the text is not YAML. An empty text is one empty map.
pub fn parse(source: SourceId, text: &str) -> (Option<Value>, Problems) {
    if text.len() > SIZE_LIMIT {
        let message = format!("this text is larger than {} MiB", SIZE_LIMIT >> 20);
        return (None, vec![Problem::error(Span::new(source, 0, 0), message)]);
    }
    // What the parser would make of the marks differs with what stands around them.
    if let Some(problem) = conflict::problem(source, text) {
        return (None, vec![problem]);
    }
    match serde_yaml::from_str_with_options::<Option<Spanned<Raw>>>(text, options()) {
        Ok(None) => (Some(empty(source)), Problems::new()),
        Ok(Some(raw)) => {
            let mut reader = Reader { source, text, problems: Problems::new(), offsets: Offsets::new(text) };
            let value = reader.value(raw);
            let value = if value.node == Node::Null { empty(source) } else { value };
            (Some(value), reader.problems)
        }
        Err(error) => (None, vec![syntax(source, text, &error)]),
    }
}

fn options() -> serde_yaml::Options {
    let mut budget = serde_yaml::Budget::default();
    budget.max_depth = DEPTH_LIMIT;
    budget.flow_nesting_limit = DEPTH_LIMIT;
    budget.max_nodes = VALUE_LIMIT;
    budget.max_events = 2 * VALUE_LIMIT;
    budget.max_aliases = 10_000;
    budget.max_anchors = 10_000;
    budget.max_documents = 1;
    let mut options = serde_yaml::Options::default();
    options.budget = Some(budget);
    // Every entry is wanted, so that all repeated keys can be named in one run. (`LastWins` would not do: it
    // drops earlier entries by itself once a map has a number among its keys, as keys in time have.)
    options.duplicate_keys = DuplicateKeyPolicy::PassThrough;
    // Whoever reads a number refuses these, and says what is wanted.
    options.non_finite_float_policy = NonFiniteFloatPolicy::PassThrough;
    options.merge_keys = MergeKeyPolicy::AsOrdinary;
    options.strict_booleans = true;
    options.emit_comments = false;
    options.with_snippet = false;
    options
}

fn empty(source: SourceId) -> Value {
    Value { span: Span::new(source, 0, 0), node: Node::Map(Map::default()) }
}

fn syntax(source: SourceId, text: &str, error: &serde_yaml::Error) -> Problem {
    let offsets = Offsets::new(text);
    let span = error.location().map_or(Span::new(source, 0, 0), |at| offsets.span(source, at));
    let message = error.to_string();
    let first = message.lines().next().unwrap_or("not YAML").trim();
    let words = first.split(" at line ").next().unwrap_or(first).trim_end_matches([':', ' ']);
    match limit(error) {
        Some(words) => Problem::error(span, words),
        None if words == "recursion limit exceeded" => Problem::error(span, TOO_DEEP),
        None => Problem::error(span, format!("this is not YAML that can be read: {words}")),
    }
}

const TOO_DEEP: &str = "this text nests too deep, or repeats its parts too often";

/// What a text has too much of, in words, when that is why it was not read.
fn limit(error: &serde_yaml::Error) -> Option<String> {
    use serde_yaml::budget::BudgetBreach;
    Some(match error.without_snippet() {
        serde_yaml::Error::Budget { breach: BudgetBreach::Documents { .. }, .. } => {
            "a second YAML document begins here, and one file holds one: take the line `---` away".into()
        }
        serde_yaml::Error::Budget {
            breach: BudgetBreach::Nodes { .. } | BudgetBreach::Events { .. },
            ..
        } => {
            format!("this text holds more than {VALUE_LIMIT} values")
        }
        serde_yaml::Error::Budget { .. } => TOO_DEEP.into(),
        _ => return None,
    })
}

/// Turns the parser's places into bytes. Lines are indexed once.
struct Offsets<'t> {
    text: &'t str,
    lines: Vec<usize>,
}

impl<'t> Offsets<'t> {
    fn new(text: &'t str) -> Self {
        let lines = std::iter::once(0)
            .chain(text.bytes().enumerate().filter(|&(_, b)| b == b'\n').map(|(i, _)| i + 1));
        Self { text, lines: lines.collect() }
    }

    fn span(&self, source: SourceId, at: serde_yaml::Location) -> Span {
        let start = match at.span().byte_offset() {
            Some(offset) => offset as usize,
            None => self.byte(at.line() as usize, at.column() as usize),
        };
        let start = start.min(self.text.len());
        let end = match at.span().byte_len() {
            Some(len) => start.saturating_add(len as usize).min(self.text.len()),
            None => self.text[start..]
                .char_indices()
                .nth(at.span().len() as usize)
                .map_or(self.text.len(), |(i, _)| start + i),
        };
        Span::new(source, start, end)
    }

    fn byte(&self, line: usize, column: usize) -> usize {
        let Some(&start) = self.lines.get(line.saturating_sub(1)) else { return self.text.len() };
        let tail = &self.text[start..];
        tail.char_indices().nth(column.saturating_sub(1)).map_or(self.text.len(), |(i, _)| start + i)
    }
}

/// What the parser hands over, before places are known.
enum Raw {
    Null,
    /// A plain scalar that YAML would give a type; its own text is taken from the source.
    Typed(String),
    Text(String),
    List(Vec<Spanned<Raw>>),
    Map(Vec<(Spanned<Raw>, Spanned<Raw>)>),
}

impl<'de> Deserialize<'de> for Raw {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(RawVisitor)
    }
}

struct RawVisitor;

impl<'de> Visitor<'de> for RawVisitor {
    type Value = Raw;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Raw, E> {
        Ok(Raw::Typed(value.to_string()))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Raw, E> {
        Ok(Raw::Typed(value.to_string()))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Raw, E> {
        Ok(Raw::Typed(value.to_string()))
    }

    fn visit_i128<E>(self, value: i128) -> Result<Raw, E> {
        Ok(Raw::Typed(value.to_string()))
    }

    fn visit_u128<E>(self, value: u128) -> Result<Raw, E> {
        Ok(Raw::Typed(value.to_string()))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Raw, E> {
        Ok(Raw::Typed(value.to_string()))
    }

    fn visit_str<E>(self, value: &str) -> Result<Raw, E> {
        Ok(Raw::Text(value.to_string()))
    }

    fn visit_string<E>(self, value: String) -> Result<Raw, E> {
        Ok(Raw::Text(value))
    }

    fn visit_unit<E>(self) -> Result<Raw, E> {
        Ok(Raw::Null)
    }

    fn visit_none<E>(self) -> Result<Raw, E> {
        Ok(Raw::Null)
    }

    fn visit_some<D: Deserializer<'de>>(self, deserializer: D) -> Result<Raw, D::Error> {
        Raw::deserialize(deserializer)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Raw, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = seq.next_element()? {
            items.push(item);
        }
        Ok(Raw::List(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Raw, A::Error> {
        let mut entries = Vec::new();
        while let Some(entry) = map.next_entry()? {
            entries.push(entry);
        }
        Ok(Raw::Map(entries))
    }
}

struct Reader<'t> {
    source: SourceId,
    text: &'t str,
    problems: Problems,
    offsets: Offsets<'t>,
}

impl Reader<'_> {
    fn value(&mut self, raw: Spanned<Raw>) -> Value {
        let span = self.offsets.span(self.source, raw.referenced);
        let written = self.offsets.span(self.source, raw.defined);
        if span == written
            && let Some(tag) = self.tag(written.start as usize)
            && self.problems.last().is_none_or(|told| told.span != Some(tag))
        {
            let problem = Problem::error(tag, "tags mean nothing here, and this one would be lost");
            self.problems.push(problem.help("take it away; a text in quotes stays a text"));
        }
        let node = match raw.value {
            Raw::Null => Node::Null,
            Raw::Typed(text) => Node::Scalar(self.typed(written, text)),
            Raw::Text(text) => Node::Scalar(Scalar { quoted: self.is_quoted(written), text }),
            Raw::List(items) => Node::List(items.into_iter().map(|item| self.value(item)).collect()),
            Raw::Map(entries) => Node::Map(self.map(entries)),
        };
        Value { span, node }
    }

    /// The tag before or at the place where a value begins.
    fn tag(&self, start: usize) -> Option<Span> {
        let before = self.text.get(..start)?.trim_end();
        let begin = match self.text[start..].starts_with('!') {
            true => start,
            false => before.rfind([' ', '\t', '\n', '[', '{', ',']).map_or(0, |at| at + 1),
        };
        let line = self.text[..begin].rfind('\n').map_or(0, |at| at + 1);
        if !self.text[begin..].starts_with('!') || self.text[line..begin].contains('#') {
            return None;
        }
        let end = self.text[begin..].find(char::is_whitespace).map_or(self.text.len(), |len| begin + len);
        Some(Span::new(self.source, begin, end))
    }

    /// The scalar's own spelling, so that `010` stays `010` and `1.50` stays `1.50`.
    fn typed(&self, span: Span, fallback: String) -> Scalar {
        let written =
            self.text.get(span.start as usize..span.end as usize).map(str::trim).filter(|t| !t.is_empty());
        Scalar { text: written.map_or(fallback, str::to_string), quoted: false }
    }

    fn is_quoted(&self, span: Span) -> bool {
        self.text[span.start as usize..].starts_with(['"', '\'', '|', '>', '!'])
    }

    fn map(&mut self, raw: Vec<(Spanned<Raw>, Spanned<Raw>)>) -> Map {
        let mut seen: HashMap<String, Span> = HashMap::with_capacity(raw.len());
        let mut entries = Vec::with_capacity(raw.len());
        for (key, value) in raw {
            let key = self.value(key);
            let value = self.value(value);
            let text = match key.node {
                Node::Scalar(scalar) => scalar.text,
                Node::Null => String::new(),
                Node::List(_) | Node::Map(_) => {
                    self.problems
                        .push(Problem::error(key.span, "a key must be a single word, not a list or a map"));
                    continue;
                }
            };
            if let Some(&first) = seen.get(&text) {
                let problem = Problem::error(key.span, format!("'{text}' stands twice in this map"));
                self.problems.push(problem.related(first, "first here").help("keep one of them"));
                continue;
            }
            seen.insert(text.clone(), key.span);
            entries.push((Key { text, span: key.span }, value));
        }
        Map { entries }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::Sources;

    fn read(text: &str) -> (Option<Value>, Vec<String>) {
        let mut sources = Sources::new();
        let id = sources.add("a.yaml", text);
        let (value, problems) = parse(id, text);
        let lines = problems
            .iter()
            .map(|p| format!("{} {}", p.span.map_or(String::new(), |s| sources.place(s)), p.message));
        (value, lines.collect())
    }

    fn scalar(value: &Value, key: &str) -> Scalar {
        match &value.map().and_then(|m| m.get(key)).expect(key).node {
            Node::Scalar(s) => s.clone(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn scalars_keep_their_spelling() {
        let (value, problems) =
            read("a: 010\nb: no\nc: 1.50\nd: \"12\"\ne: ünter\nf: 1001-1072\ng: 'x'\nh: true\n");
        assert_eq!(problems, Vec::<String>::new());
        let value = value.unwrap();
        for (key, text, quoted) in [
            ("a", "010", false),
            ("b", "no", false),
            ("c", "1.50", false),
            ("d", "12", true),
            ("e", "ünter", false),
            ("f", "1001-1072", false),
            ("g", "x", true),
            ("h", "true", false),
        ] {
            assert_eq!(scalar(&value, key), Scalar { text: text.into(), quoted }, "{key}");
        }
    }

    #[test]
    fn tags_are_named() {
        let text = "a: !!str 12\nb: !salt\n  c: 1\nd: [!x y, own !z]\n# a !tag of it\ne: # any !of\n  f: 1\n";
        let (_, problems) = read(text);
        let places: Vec<&str> = problems.iter().filter_map(|p| p.split(' ').next()).collect();
        assert_eq!(places, ["a.yaml:1:4", "a.yaml:2:4", "a.yaml:4:5"], "{problems:?}");
    }

    #[test]
    fn places_are_exact_after_wide_characters() {
        let text = "é: ü\nmap:\n  key: [1, 22]\n";
        let (value, _) = read(text);
        let value = value.unwrap();
        let (key, inner) = &value.map().unwrap().get("map").unwrap().map().unwrap().entries[0];
        assert_eq!(&text[key.span.start as usize..key.span.end as usize], "key");
        let items = inner.list().unwrap();
        assert_eq!(&text[items[1].span.start as usize..items[1].span.end as usize], "22");
    }

    #[test]
    fn every_repeated_key_is_named() {
        let (_, problems) = read("a: 1\nb: 2\na: 3\nm:\n  x: 1\n  x: 2\n");
        assert_eq!(
            problems,
            ["a.yaml:3:1 'a' stands twice in this map", "a.yaml:6:3 'x' stands twice in this map"]
        );
    }

    #[test]
    fn repeated_numbers_are_named_like_words() {
        let (_, problems) = read("keys:\n  1009: 1\n  1012: 4\n  1009: 2\n  ease: hold\n  ease: smooth\n");
        assert_eq!(
            problems,
            ["a.yaml:4:3 '1009' stands twice in this map", "a.yaml:6:3 'ease' stands twice in this map"]
        );
        let (_, problems) = read("{1: a, 1: b}");
        assert_eq!(problems, ["a.yaml:1:8 '1' stands twice in this map"]);
    }

    #[test]
    fn numbers_without_end_keep_their_spelling() {
        let (value, problems) = read("a: .nan\nb: 1e400\n");
        assert_eq!(problems, Vec::<String>::new());
        let value = value.unwrap();
        assert_eq!((scalar(&value, "a").text, scalar(&value, "b").text), (".nan".into(), "1e400".into()));
    }

    #[test]
    fn limits_are_told_in_words() {
        let check = |text: &str, expect: &str| assert_eq!(read(text).1, [expect]);
        check(
            "a: 1\n---\nb: 2\n",
            "a.yaml:2:1 a second YAML document begins here, and one file holds one: take the line `---` away",
        );
        let many = format!("[{}]", "0,".repeat(VALUE_LIMIT));
        assert!(read(&many).1[0].ends_with("this text holds more than 2000000 values"));
        let deep = "[".repeat(200_000);
        assert!(read(&deep).1[0].ends_with(TOO_DEEP), "{:?}", read(&deep).1);
    }

    #[test]
    fn broken_text_is_placed() {
        let (value, problems) = read("a: [1, 2\nb: }\n");
        assert!(value.is_none());
        assert_eq!(problems.len(), 1);
        assert!(problems[0].starts_with("a.yaml:2:"), "{problems:?}");
    }

    #[test]
    fn hostile_text_ends_in_an_error() {
        let bomb = "a: &a [x,x,x,x,x,x,x,x,x]\n".to_string()
            + &(0..9).fold((String::new(), 'a'), |(text, last), i| {
                let next = (b'b' + i) as char;
                let line = format!("{next}: &{next} [*{last},*{last},*{last},*{last},*{last},*{last},*{last},*{last},*{last}]\n");
                (text + &line, next)
            })
            .0;
        for text in
            ["[".repeat(200_000), "{a: ".repeat(50_000), "- ".repeat(100_000), bomb, "? ".repeat(40_000)]
        {
            let (value, problems) = read(&text);
            assert!(value.is_none() && problems.len() == 1, "{}", &text[..20]);
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "[\\[\\]{}:,&*!|>'\"#%@`a-c0-9 \n\\-\\?é\u{0}\t]{0,200}") {
            let _ = read(&text);
        }
    }
}
