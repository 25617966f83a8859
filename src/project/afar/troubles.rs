//! What went wrong with tasks of a run, told once for all parts with which the same did.
//!
//! Knows the wording of it. Does not know how a cause is found.

use std::collections::BTreeSet;

use super::runs::place;
use crate::execute::slurm::record::PartOf;
use crate::report::words;

/// What went wrong with the task of a part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Trouble {
    /// What did, and a way on.
    pub words: String,
    /// The machine; empty where it had none.
    pub node: String,
    /// Where its log lies, in words.
    pub log: String,
}

/// A line a cause: its first part, how many more, their machines, and the first log.
pub(super) fn told<'t>(all: impl Iterator<Item = (&'t PartOf, &'t Trouble)>) -> Vec<String> {
    let mut alike: Vec<(&PartOf, &Trouble, BTreeSet<&str>, u64)> = Vec::new();
    for (part, trouble) in all {
        let node = (!trouble.node.is_empty()).then_some(trouble.node.as_str());
        match alike.iter_mut().find(|(_, of, ..)| of.words == trouble.words) {
            Some((.., nodes, more)) => {
                nodes.extend(node);
                *more += 1;
            }
            None => alike.push((part, trouble, node.into_iter().collect(), 0)),
        }
    }
    let line = |(part, trouble, nodes, more): (&PartOf, &Trouble, BTreeSet<&str>, u64)| {
        let nodes: Vec<&str> = nodes.into_iter().collect();
        let on = if nodes.is_empty() { String::new() } else { format!(" on {}", nodes.join(", ")) };
        let (more, first) = match more {
            0 => (String::new(), ""),
            more => (format!(" and {}", words::count(more, "more part")), "the first: "),
        };
        format!("{}{more}{on}: {} ({first}{})", place(part), trouble.words, trouble.log)
    };
    alike.into_iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_alike_is_told_once_with_its_machines() {
        let part = |n: usize| PartOf {
            targets: vec![("br010".into(), "slow".into(), format!("100{n}"), "0".into())],
            needs: vec![],
            before: vec![],
        };
        let trouble = |words: &str, node: &str, n: usize| Trouble {
            words: words.into(),
            node: node.into(),
            log: format!("log: {n}"),
        };
        let parts: Vec<PartOf> = (0..4).map(part).collect();
        let all = [trouble("a", "n2", 0), trouble("b", "", 1), trouble("a", "n1", 2), trouble("a", "n1", 3)];
        assert_eq!(
            told(parts.iter().zip(&all)),
            [
                "br010/slow@1000 and 2 more parts on n1, n2: a (the first: log: 0)",
                "br010/slow@1001: b (log: 1)"
            ]
        );
    }
}
