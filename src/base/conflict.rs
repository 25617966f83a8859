//! Marks that a merge leaves in a text where two people changed the same lines.
//!
//! Knows the marks of RCS `merge` and of every tool that writes as it does: seven `<`, `=` and `>` (and `|` where the text before both
//! changes is kept) at the begin of a line. Does not know which side is right: a person decides.

use std::ops::Range;

use crate::base::problem::{Problem, SourceId, Span};

/// Which of the marks a line is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// One side begins.
    Begin,
    /// The text before both changes begins.
    Before,
    /// The other side begins.
    Between,
    /// The other side ends.
    End,
}

/// The mark that a line is, without its line feed.
pub fn mark(line: &[u8]) -> Option<Mark> {
    let marks = [(b'<', Mark::Begin), (b'|', Mark::Before), (b'=', Mark::Between), (b'>', Mark::End)];
    let (sign, mark) = marks.into_iter().find(|(sign, _)| line.first() == Some(sign))?;
    let rest = line.strip_prefix(&[sign; 7])?.trim_ascii_end();
    (rest.is_empty() || rest.starts_with(b" ")).then_some(mark)
}

/// The first line of a text that begins a conflict, where a line follows that parts its sides: a single mark may be a
/// person's ornament.
pub fn left_in(text: &[u8]) -> Option<Range<usize>> {
    let (mut begin, mut at) = (None, 0);
    for line in text.split_inclusive(|&byte| byte == b'\n') {
        let bare = line.trim_ascii_end();
        match (mark(bare), &begin) {
            (Some(Mark::Begin), None) => begin = Some(at..at + bare.len()),
            (Some(Mark::Between), Some(_)) => return begin,
            _ => {}
        }
        at += line.len();
    }
    None
}

/// What is wrong with a text in which a conflict was left.
pub fn problem(source: SourceId, text: &str) -> Option<Problem> {
    let at = left_in(text.as_bytes())?;
    let problem = Problem::error(Span::new(source, at.start, at.end), LEFT);
    Some(problem.help(HELP))
}

/// What is wrong.
pub const LEFT: &str = "merge conflict left in the file";
/// What is to be done about it.
pub const HELP: &str = "two people changed these lines: keep what is right of both sides, and take the lines that begin with <<<<<<<, |||||||, \
                        ======= and >>>>>>> away";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_conflict_is_found_where_it_begins() {
        let text = "film: a\n<<<<<<< HEAD\nrate: 24\n||||||| merged common ancestors\nrate: 23\n=======\nrate: 25\n>>>>>>> tomas\n";
        assert_eq!(left_in(text.as_bytes()).map(|at| &text[at]), Some("<<<<<<< HEAD"));
        // Line ends of another system, and marks without names.
        let text = "a\r\n<<<<<<<\r\nb\r\n=======\r\nc\r\n>>>>>>>\r\n";
        assert_eq!(left_in(text.as_bytes()).map(|at| &text[at]), Some("<<<<<<<"));
    }

    #[test]
    fn ornaments_are_none() {
        for text in [
            "",
            "=======\n",
            "<<<<<<<\n",
            "  <<<<<<< a\n=======\n",
            "<<<<<<<<\n=======\n",
            "<<<<<<<a\n=======\n",
            "=======\n<<<<<<< a\n",
        ] {
            assert_eq!(left_in(text.as_bytes()), None, "{text}");
        }
        assert_eq!(mark(b"======= "), Some(Mark::Between));
        assert_eq!(mark(b"========"), None);
        assert_eq!(mark(b">>>>>>> ana"), Some(Mark::End));
        assert_eq!(mark(b"||||||| 1a2b"), Some(Mark::Before));
    }
}
