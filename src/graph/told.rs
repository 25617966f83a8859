//! Problems of many stages, each said once.
//!
//! Knows which places share a problem. Does not know what is checked.

use std::collections::HashMap;

use crate::base::problem::{Problem, Problems, Span};

/// How many of the places that share a problem are named; the rest is counted.
const NAMED: usize = 6;

/// Problems by what they say and where it stands, with the stages that they concern.
#[derive(Default)]
pub(super) struct Told {
    list: Vec<(Problem, Vec<String>, usize)>,
    seen: HashMap<(Option<Span>, String), usize>,
}

impl Told {
    /// Takes a problem of a place in. The same words at the same spot are one problem, whoever has it.
    pub fn push(&mut self, place: &str, problem: Problem) {
        let next = self.list.len();
        let at = *self.seen.entry((problem.span, problem.message.clone())).or_insert(next);
        if at == next {
            self.list.push((problem, Vec::new(), 0));
        }
        let (_, places, count) = &mut self.list[at];
        if places.last().is_some_and(|last| last == place) {
            return;
        }
        *count += 1;
        if places.len() < NAMED {
            places.push(place.to_string());
        }
    }

    /// All of them, the places in front of the words. A problem of no place stands as it is. An operator does not know whose
    /// stage it is: where its help gives a command for `SHOT`, that is the first place's.
    pub fn finish(self) -> Problems {
        let said = self.list.into_iter().map(|(mut problem, places, count)| {
            if places.iter().all(String::is_empty) {
                return problem;
            }
            if let (Some(help), Some((shot, _))) = (&mut problem.help, places[0].split_once('/'))
                && help.contains("`endboard ")
            {
                *help = help.replace("SHOT", shot);
            }
            problem.message = match count.saturating_sub(places.len()) {
                0 => format!("{}: {}", places.join(", "), problem.message),
                more => format!("{} and {more} more: {}", places.join(", "), problem.message),
            };
            problem
        });
        said.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::SourceId;

    #[test]
    fn one_mistake_is_said_once_with_those_who_share_it() {
        let mut told = Told::default();
        let at = |n: usize| Span::new(SourceId(0), n, n + 1);
        for n in 1..=9 {
            told.push(&format!("br0{n}0/colour"), Problem::error(at(4), "x is wrong"));
        }
        told.push("br010/colour", Problem::error(at(7), "x is wrong"));
        told.push("br010/colour", Problem::error(at(7), "x is wrong"));
        let said: Vec<String> = told.finish().into_iter().map(|p| p.message).collect();
        let all = "br010/colour, br020/colour, br030/colour, br040/colour, br050/colour, br060/colour";
        assert_eq!(said, [format!("{all} and 3 more: x is wrong"), "br010/colour: x is wrong".to_string()]);
    }
}
