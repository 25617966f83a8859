//! Problems as they are found, each named once however many shots share it.
//!
//! Knows how to put a shot's or stage's name in front of a message. Does not know what is checked.

use std::collections::HashSet;

use crate::base::problem::{Problem, Problems, Severity, Span, nearest};

/// How many pairs of names are compared at most to say "did you mean": a text of a million
/// unknown names must not take a million times as long as one.
const COMPARISONS: usize = 200_000;
/// How many problems are kept; nobody reads more.
const KEPT: usize = 10_000;
/// How long a message may be, in characters.
const LONGEST: usize = 400;

/// Collects problems.
#[derive(Debug)]
pub struct Found {
    problems: Problems,
    seen: HashSet<(Option<Span>, String)>,
    errors: usize,
    left_out: usize,
    comparisons: usize,
}

impl Default for Found {
    fn default() -> Self {
        let problems = Problems::new();
        Self { problems, seen: HashSet::new(), errors: 0, left_out: 0, comparisons: COMPARISONS }
    }
}

impl Found {
    /// Takes a problem in, with `context: ` in front of its message when there is a context. The same
    /// message at the same place is kept once: a recipe's mistake is no new one in each of its shots.
    pub fn push(&mut self, context: &str, mut problem: Problem) {
        self.errors += usize::from(problem.severity == Severity::Error);
        if problem.message.len() > LONGEST {
            problem.message = shortened(&problem.message, LONGEST);
        }
        if !self.seen.insert((problem.span, problem.message.clone())) {
            return;
        }
        if self.problems.len() == KEPT {
            self.left_out += 1;
            return;
        }
        if !context.is_empty() {
            problem.message = format!("{context}: {}", problem.message);
        }
        self.problems.push(problem);
    }

    /// Takes many in.
    pub fn extend(&mut self, context: &str, problems: Problems) {
        for problem in problems {
            self.push(context, problem);
        }
    }

    /// Keeps a result's value, or its problem.
    pub fn keep<T>(&mut self, context: &str, result: Result<T, Problem>) -> Option<T> {
        result.map_err(|problem| self.push(context, problem)).ok()
    }

    /// How many errors there have been so far, repeated ones included: a part of the declaration is
    /// sound when reading it left this number as it was.
    pub fn errors(&self) -> usize {
        self.errors
    }

    /// `problem` with the nearest of `names` as its help, or `otherwise` when none is near.
    pub fn suggest<'a>(
        &mut self,
        problem: Problem,
        word: &str,
        names: impl IntoIterator<Item = &'a str>,
        otherwise: &str,
    ) -> Problem {
        let length = word.chars().count();
        let near = names
            .into_iter()
            .take(self.comparisons)
            .inspect(|_| self.comparisons -= 1)
            // A name much longer or shorter cannot be near, which is cheaper to see than to compute.
            .filter(|name| name.chars().count().abs_diff(length) <= (length / 3).max(1));
        match nearest(word, near) {
            Some(name) => problem.help(format!("did you mean '{name}'?")),
            None if otherwise.is_empty() => problem,
            None => problem.help(otherwise),
        }
    }

    /// All problems, in the order of the texts.
    pub fn finish(mut self) -> Problems {
        self.problems.sort_by_key(|problem| problem.span.map(|span| (span.source, span.start)));
        if self.left_out > 0 {
            let message = format!("{} more problems are left out here", self.left_out);
            self.problems.push(Problem::bare(message));
        }
        self.problems
    }
}

/// At most `limit` characters of a text, with a sign where it was cut.
pub fn shortened(text: &str, limit: usize) -> String {
    match text.char_indices().nth(limit) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::SourceId;

    #[test]
    fn the_same_mistake_is_named_once_but_counts_again() {
        let mut found = Found::default();
        let span = Span::new(SourceId(0), 3, 4);
        found.push("shot a", Problem::error(span, "x is wrong"));
        found.push("shot b", Problem::error(span, "x is wrong"));
        found.push("", Problem::error(Span::new(SourceId(0), 1, 2), "y is wrong").warning());
        assert_eq!(found.errors(), 2);
        let messages: Vec<String> = found.finish().into_iter().map(|p| p.message).collect();
        assert_eq!(messages, ["y is wrong", "shot a: x is wrong"]);
    }

    #[test]
    fn floods_end() {
        let mut found = Found::default();
        for i in 0..KEPT + 5 {
            found.push("", Problem::error(Span::new(SourceId(0), i, i), "z".repeat(1000)));
        }
        let problems = found.finish();
        assert_eq!(problems.len(), KEPT + 1);
        assert_eq!(problems[0].message.chars().count(), LONGEST + 1);
        assert_eq!(problems[KEPT].message, "5 more problems are left out here");
    }
}
