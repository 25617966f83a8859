//! Parts of a text that keep their place.
//!
//! Knows trimming and words. Does not know what a text says.

use crate::base::problem::{SourceId, Span};

/// A part of the text and where it stands.
#[derive(Clone, Copy)]
pub struct Piece<'a> {
    /// Its place.
    pub span: Span,
    /// The text.
    pub text: &'a str,
}

impl<'a> Piece<'a> {
    /// The text at `start`, without white space on either side.
    pub fn new(source: SourceId, start: usize, text: &'a str) -> Self {
        // A byte order mark at the head of a file is no part of its first line.
        let blank = |c: char| c.is_whitespace() || c == '\u{feff}';
        let front = text.len() - text.trim_start_matches(blank).len();
        let text = text.trim_matches(blank);
        Self { span: Span::new(source, start + front, start + front + text.len()), text }
    }

    /// What follows the first `at` bytes.
    pub fn after(self, at: usize) -> Self {
        Self::new(self.span.source, self.span.start as usize + at, &self.text[at..])
    }

    /// What follows `word`, whatever its case.
    pub fn past(self, word: &str) -> Option<Self> {
        let head = self.text.get(..word.len())?;
        head.eq_ignore_ascii_case(word).then(|| self.after(word.len()))
    }

    /// The words, at most nine: no line of a list has more.
    pub fn words(self) -> Vec<Piece<'a>> {
        let mut words = Vec::with_capacity(9);
        let mut rest = self;
        while !rest.text.is_empty() && words.len() < 9 {
            let end = rest.text.find(char::is_whitespace).unwrap_or(rest.text.len());
            words.push(Self::new(rest.span.source, rest.span.start as usize, &rest.text[..end]));
            rest = rest.after(end);
        }
        words
    }

    /// The text as quoted in messages, cut where it is long.
    pub fn quoted(self) -> String {
        let mut text: String = self.text.chars().take(40).flat_map(char::escape_debug).collect();
        if self.text.chars().nth(40).is_some() {
            text.push('…');
        }
        format!("'{text}'")
    }
}
