//! JSON text (RFC 8259) → a tree of values that keep their places.
//!
//! Knows the grammar and the limits that keep hostile text cheap (size, depth, count). Numbers keep their spelling; whoever
//! reads them decides what they are. A text ends at its first fault. Does not know which keys mean what.

use std::collections::HashMap;

use crate::base::conflict;
use crate::base::problem::{Problem, SourceId, Span};
use crate::base::value::{Key, Map, Node, Scalar, Value};

/// The largest text that is read, in bytes.
pub const SIZE_LIMIT: usize = 64 << 20;
/// How deep objects and lists may nest.
pub const DEPTH_LIMIT: usize = 100;
/// How many values one text may hold.
pub const VALUE_LIMIT: usize = 4_000_000;

/// Reads one value and nothing after it.
///
/// # Errors
/// The first fault, at its place.
pub fn parse(source: SourceId, text: &str) -> Result<Value, Problem> {
    let mut reader = Reader { source, text, at: 0, depth: 0, values: 0 };
    if text.len() > SIZE_LIMIT {
        return Err(reader.fault(format!("this text is larger than {} MiB", SIZE_LIMIT >> 20)));
    }
    if let Some(problem) = conflict::problem(source, text) {
        return Err(problem);
    }
    let value = reader.value()?;
    reader.blank();
    if reader.at < text.len() {
        return Err(reader.fault("something stands after the end of the JSON value"));
    }
    Ok(value)
}

struct Reader<'t> {
    source: SourceId,
    text: &'t str,
    at: usize,
    depth: usize,
    values: usize,
}

impl Reader<'_> {
    fn fault(&self, message: impl Into<String>) -> Problem {
        let long = self.text[self.at..].chars().next().map_or(0, char::len_utf8);
        Problem::error(Span::new(self.source, self.at, self.at + long), message)
            .help("export the file again; JSON is written by programs, and seldom right by hand")
    }

    fn next(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    fn blank(&mut self) {
        while matches!(self.next(), Some(b' ' | b'\t' | b'\n' | b'\r')) {
            self.at += 1;
        }
    }

    fn value(&mut self) -> Result<Value, Problem> {
        self.blank();
        self.values += 1;
        if self.values > VALUE_LIMIT {
            return Err(self.fault(format!("this text holds more than {VALUE_LIMIT} values")));
        }
        let start = self.at;
        let node = match self.next() {
            Some(b'{') => self.nested(Self::object)?,
            Some(b'[') => self.nested(Self::list)?,
            Some(b'"') => Node::Scalar(Scalar { text: self.string()?, quoted: true }),
            Some(b'-' | b'0'..=b'9') => self.number()?,
            Some(_) => self.word()?,
            None => return Err(self.fault("the JSON ends before its last value")),
        };
        Ok(Value { span: Span::new(self.source, start, self.at), node })
    }

    fn nested(&mut self, read: fn(&mut Self) -> Result<Node, Problem>) -> Result<Node, Problem> {
        if self.depth >= DEPTH_LIMIT {
            return Err(self.fault(format!("this JSON nests deeper than {DEPTH_LIMIT}")));
        }
        self.depth += 1;
        self.at += 1;
        let node = read(self)?;
        self.depth -= 1;
        Ok(node)
    }

    /// True at the end of an object or a list; a comma is taken where one must stand.
    fn ends(&mut self, mark: u8, is_first: bool) -> Result<bool, Problem> {
        self.blank();
        match self.next() {
            Some(byte) if byte == mark => {
                self.at += 1;
                return Ok(true);
            }
            _ if is_first => return Ok(false),
            Some(b',') => self.at += 1,
            _ => return Err(self.fault(format!("a comma or '{}' must stand here", char::from(mark)))),
        }
        self.blank();
        Ok(false)
    }

    fn list(&mut self) -> Result<Node, Problem> {
        let mut items = Vec::new();
        while !self.ends(b']', items.is_empty())? {
            items.push(self.value()?);
        }
        Ok(Node::List(items))
    }

    fn object(&mut self) -> Result<Node, Problem> {
        let mut entries: Vec<(Key, Value)> = Vec::new();
        let mut seen: HashMap<String, Span> = HashMap::new();
        while !self.ends(b'}', entries.is_empty())? {
            let start = self.at;
            if self.next() != Some(b'"') {
                return Err(self.fault("a key in double quotes must stand here"));
            }
            let text = self.string()?;
            let span = Span::new(self.source, start, self.at);
            if let Some(first) = seen.insert(text.clone(), span) {
                let problem = Problem::error(span, format!("'{text}' stands twice in this object"));
                return Err(problem.related(first, "first here").help("keep one of them"));
            }
            self.blank();
            if self.next() != Some(b':') {
                return Err(self.fault("a colon must stand here"));
            }
            self.at += 1;
            entries.push((Key { text, span }, self.value()?));
        }
        Ok(Node::Map(Map { entries }))
    }

    fn word(&mut self) -> Result<Node, Problem> {
        for (word, node) in [
            ("null", Node::Null),
            ("true", Node::Scalar(Scalar { text: "true".into(), quoted: false })),
            ("false", Node::Scalar(Scalar { text: "false".into(), quoted: false })),
        ] {
            if self.text[self.at..].starts_with(word) {
                self.at += word.len();
                return Ok(node);
            }
        }
        Err(self.fault("this is no JSON value"))
    }

    fn digits(&mut self) -> Result<(), Problem> {
        if !matches!(self.next(), Some(b'0'..=b'9')) {
            return Err(self.fault("a digit must stand here"));
        }
        while matches!(self.next(), Some(b'0'..=b'9')) {
            self.at += 1;
        }
        Ok(())
    }

    fn number(&mut self) -> Result<Node, Problem> {
        let start = self.at;
        if self.next() == Some(b'-') {
            self.at += 1;
        }
        let leads = self.next() == Some(b'0');
        self.digits()?;
        if leads && self.text[start..self.at].trim_start_matches('-').len() > 1 {
            self.at = start;
            return Err(self.fault("a number must not begin with a nought"));
        }
        if self.next() == Some(b'.') {
            self.at += 1;
            self.digits()?;
        }
        if let Some(b'e' | b'E') = self.next() {
            self.at += 1;
            if let Some(b'+' | b'-') = self.next() {
                self.at += 1;
            }
            self.digits()?;
        }
        Ok(Node::Scalar(Scalar { text: self.text[start..self.at].into(), quoted: false }))
    }

    fn string(&mut self) -> Result<String, Problem> {
        self.at += 1;
        let mut text = String::new();
        loop {
            let plain = self.text[self.at..].find(['"', '\\']).unwrap_or(self.text.len() - self.at);
            let part = &self.text[self.at..self.at + plain];
            if let Some(at) = part.bytes().position(|b| b < 0x20) {
                self.at += at;
                return Err(self.fault("a control character stands in a text: it must be escaped"));
            }
            text.push_str(part);
            self.at += plain;
            match self.next() {
                Some(b'"') => {
                    self.at += 1;
                    return Ok(text);
                }
                Some(_) => text.push(self.escape()?),
                None => return Err(self.fault("a text has no end")),
            }
        }
    }

    fn escape(&mut self) -> Result<char, Problem> {
        self.at += 1;
        let found = match self.next() {
            Some(b'u') => {
                self.at += 1;
                return self.unicode();
            }
            Some(byte @ (b'"' | b'\\' | b'/')) => char::from(byte),
            Some(b'b') => '\u{8}',
            Some(b'f') => '\u{c}',
            Some(b'n') => '\n',
            Some(b'r') => '\r',
            Some(b't') => '\t',
            _ => return Err(self.fault("this escape is none of JSON")),
        };
        self.at += 1;
        Ok(found)
    }

    fn unicode(&mut self) -> Result<char, Problem> {
        let first = self.four()?;
        let point = if (0xd800..0xdc00).contains(&first) {
            if !self.text[self.at..].starts_with("\\u") {
                return Err(self.fault("the second half of a character is missing"));
            }
            self.at += 2;
            let second = self.four()?;
            if !(0xdc00..0xe000).contains(&second) {
                return Err(self.fault("this is no second half of a character"));
            }
            0x1_0000 + ((first - 0xd800) << 10) + (second - 0xdc00)
        } else {
            first
        };
        char::from_u32(point).ok_or_else(|| self.fault("this escape is no character"))
    }

    fn four(&mut self) -> Result<u32, Problem> {
        let digits = self.text.get(self.at..self.at + 4);
        let digits = digits.filter(|digits| digits.bytes().all(|b| b.is_ascii_hexdigit()));
        let Some(found) = digits.and_then(|digits| u32::from_str_radix(digits, 16).ok()) else {
            return Err(self.fault("four hexadecimal digits must stand here"));
        };
        self.at += 4;
        Ok(found)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::base::problem::Sources;

    fn read(text: &str) -> Result<Value, String> {
        let mut sources = Sources::new();
        let id = sources.add("a.json", text);
        parse(id, text).map_err(|p| {
            let (line, column) = sources.position(p.span.unwrap());
            format!("{line}:{column} {}", p.message)
        })
    }

    /// The same value as another reader's, where numbers keep their spelling.
    fn same(value: &Value, other: &serde_json::Value) -> bool {
        match (&value.node, other) {
            (Node::Null, serde_json::Value::Null) => true,
            (Node::Scalar(s), serde_json::Value::Bool(b)) => !s.quoted && s.text == b.to_string(),
            (Node::Scalar(s), serde_json::Value::Number(n)) => {
                !s.quoted && s.text.parse::<f64>().unwrap() == n.as_f64().unwrap()
            }
            (Node::Scalar(s), serde_json::Value::String(t)) => s.quoted && s.text == *t,
            (Node::List(items), serde_json::Value::Array(others)) => {
                items.len() == others.len() && items.iter().zip(others).all(|(a, b)| same(a, b))
            }
            (Node::Map(map), serde_json::Value::Object(others)) => {
                map.entries.len() == others.len()
                    && map
                        .entries
                        .iter()
                        .all(|(key, value)| others.get(&key.text).is_some_and(|o| same(value, o)))
            }
            _ => false,
        }
    }

    /// Against `serde_json`, an independent reader of RFC 8259: the same values, and the same texts refused.
    #[test]
    fn outside_check_of_another_reader() {
        for text in [
            r#"{"a": [1, -2.5e3, true, false, null, "x\"\\\/\b\f\n\r\té\u00e9\ud83d\ude00"], "b": {}, "c": []}"#,
            " \t\r\n 0 ",
            "-0.0",
            "[[[[]]]]",
            "{\"\": \"\"}",
        ] {
            let other = serde_json::from_str(text).unwrap();
            assert!(same(&read(text).unwrap(), &other), "{text}");
        }
        for text in [
            "",
            "[",
            "]",
            "[1,]",
            "{\"a\":1,}",
            "{a:1}",
            "01",
            "+1",
            "1.",
            ".5",
            "1e",
            "nul",
            "NaN",
            "Infinity",
            "'a'",
            "\"\n\"",
            "\"\\x\"",
            "\"\\ud800\"",
            "\"\\ud800\\u0041\"",
            "\"\\udc00\"",
            "1 2",
            "\"a",
            "{\"a\"}",
            "// a",
            "-",
        ] {
            assert!(serde_json::from_str::<serde_json::Value>(text).is_err(), "{text}");
            assert!(read(text).is_err(), "{text}");
        }
    }

    #[test]
    fn faults_have_their_places() {
        assert_eq!(read("{\n  \"a\": 1\n  \"b\": 2\n}").unwrap_err(), "3:3 a comma or '}' must stand here");
        assert_eq!(read("{\"é\": tru}").unwrap_err(), "1:7 this is no JSON value");
        assert_eq!(read("{\"a\": 1,\n \"a\": 2}").unwrap_err(), "2:2 'a' stands twice in this object");
        let deep = "[".repeat(1_000_000);
        assert_eq!(read(&deep).unwrap_err(), "1:101 this JSON nests deeper than 100");
    }

    proptest! {
        #[test]
        fn no_text_panics_and_another_reader_agrees(text in prop_oneof![
            ".{0,40}",
            "[\\[\\]{}:,\"\\\\a0-9.eE+u -]{0,40}",
            "(\\{|\\[|\"a\"|:|,|1|-0|\\}|\\]|null|true){0,20}",
        ]) {
            let other = serde_json::from_str::<serde_json::Value>(&text);
            match (read(&text), other) {
                (Ok(value), Ok(other)) => prop_assert!(same(&value, &other)),
                (Err(_), Err(_)) => {}
                // Repeated keys and numbers beyond a double are told apart on purpose.
                (Err(problem), Ok(_)) => prop_assert!(problem.contains("stands twice"), "{problem}"),
                (Ok(_), Err(error)) => prop_assert!(error.to_string().contains("out of range"), "{error}"),
            }
        }
    }
}
