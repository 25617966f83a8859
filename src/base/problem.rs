//! Problems that a person must mend, each with its place in a file of theirs.
//!
//! Knows source texts, byte spans and how to turn them into lines and columns.
//! Does not know how a problem is printed; `cli` does.

use std::fmt;
use std::sync::Arc;

/// Names one source text held by [`Sources`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SourceId(pub u32);

/// A piece of a source text, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Span {
    /// The text.
    pub source: SourceId,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

impl Span {
    /// Bytes `start..end` of `source`.
    pub fn new(source: SourceId, start: usize, end: usize) -> Self {
        Self { source, start: start as u32, end: end.max(start) as u32 }
    }
}

/// One text that the declaration is made of.
#[derive(Debug, Clone)]
pub struct SourceText {
    /// Path relative to the film's folder, with forward slashes.
    pub path: String,
    /// The whole text.
    pub text: Arc<str>,
}

/// All texts that spans may point into.
#[derive(Debug, Clone, Default)]
pub struct Sources {
    texts: Vec<SourceText>,
}

impl Sources {
    /// No texts.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a text in and names it.
    pub fn add(&mut self, path: impl Into<String>, text: impl Into<Arc<str>>) -> SourceId {
        self.texts.push(SourceText { path: path.into(), text: text.into() });
        SourceId(self.texts.len() as u32 - 1)
    }

    /// The text of an id that this value gave out.
    pub fn get(&self, id: SourceId) -> &SourceText {
        &self.texts[id.0 as usize]
    }

    /// The path of the text with a number, while there is one.
    pub fn path(&self, number: usize) -> Option<&str> {
        self.texts.get(number).map(|text| text.path.as_str())
    }

    /// One-based line and column (in characters) of the start of a span.
    pub fn position(&self, span: Span) -> (usize, usize) {
        let text = &self.get(span.source).text;
        let mut start = (span.start as usize).min(text.len());
        while !text.is_char_boundary(start) {
            start -= 1;
        }
        let before = &text[..start];
        let line = before.bytes().filter(|&b| b == b'\n').count() + 1;
        let column = before.rsplit('\n').next().map_or(0, |tail| tail.chars().count()) + 1;
        (line, column)
    }

    /// `path:line:column` of the start of a span.
    pub fn place(&self, span: Span) -> String {
        let (line, column) = self.position(span);
        format!("{}:{line}:{column}", self.get(span.source).path)
    }
}

/// How bad a problem is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// The film can be built, but a person should look.
    Warning,
    /// Nothing can be rendered before it is mended.
    Error,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Severity::Warning => "warning",
            Severity::Error => "error",
        })
    }
}

/// Something wrong, where it is, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// How bad it is.
    pub severity: Severity,
    /// One sentence without a full stop: what is wrong, naming shot, stage and frame where known.
    pub message: String,
    /// What would be right.
    pub help: Option<String>,
    /// Where it stands, when it stands in a text.
    pub span: Option<Span>,
    /// A second place that explains the first, with a few words.
    pub related: Option<(Span, String)>,
}

impl Problem {
    /// An error at a span.
    pub fn error(span: Span, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            message: message.into(),
            help: None,
            span: Some(span),
            related: None,
        }
    }

    /// An error that stands in no text (a missing file, say).
    pub fn bare(message: impl Into<String>) -> Self {
        Self { severity: Severity::Error, message: message.into(), help: None, span: None, related: None }
    }

    /// Makes it a warning.
    pub fn warning(mut self) -> Self {
        self.severity = Severity::Warning;
        self
    }

    /// Adds what would be right.
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Adds a second place.
    pub fn related(mut self, span: Span, words: impl Into<String>) -> Self {
        self.related = Some((span, words.into()));
        self
    }
}

/// Problems in the order they were found.
pub type Problems = Vec<Problem>;

/// The nearest of `names` to `word`, when near enough to be a slip of the hand.
pub fn nearest<'a>(word: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let limit = (word.chars().count() / 3).max(1);
    let small = word.to_lowercase();
    names
        .into_iter()
        .map(|name| (distance(&small, &name.to_lowercase()), name))
        .filter(|&(d, name)| d <= limit || (d == 2 && leaves_out(&small, &name.to_lowercase())))
        // Of those that differ in capitals alone the one that is written most alike.
        .min_by_key(|&(d, name)| (d, distance(word, name)))
        .map(|(_, name)| name)
}

/// Whether a word of some letters is a name with letters left out, as `colr` is of `colour`.
fn leaves_out(word: &str, name: &str) -> bool {
    let mut left = name.chars();
    // The beginning of a name is one that was meant to be there.
    word.chars().count() > 2 && !name.starts_with(word) && word.chars().all(|c| left.any(|of| of == c))
}

/// Edit distance with swaps of neighbours counted once (optimal string alignment).
fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().take(64).collect();
    let b: Vec<char> = b.chars().take(64).collect();
    let mut rows = vec![vec![0usize; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, slot) in rows[0].iter_mut().enumerate() {
        *slot = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (rows[i - 1][j] + 1).min(rows[i][j - 1] + 1).min(rows[i - 1][j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters() {
        let mut sources = Sources::new();
        let id = sources.add("endboard.yaml", "film: Ünter\nrate: 24\n");
        assert_eq!(sources.position(Span::new(id, 9, 10)), (1, 9));
        assert_eq!(sources.place(Span::new(id, 13, 17)), "endboard.yaml:2:1");
    }

    #[test]
    fn slips_are_recognised() {
        assert_eq!(nearest("fraems", ["frames", "film"]), Some("frames"));
        assert_eq!(nearest("SH010", ["sh020", "sh010"]), Some("sh010"));
        assert_eq!(nearest("Sh010", ["sh010", "SH010", "sH010"]), Some("sh010"));
        assert_eq!(nearest("colr", ["cleanup", "colour"]), Some("colour"));
        assert_eq!(nearest("cr", ["colr", "core"]), None);
        assert_eq!(nearest("zzz", ["frames", "film"]), None);
    }
}
