//! Several people's copies of one film, kept alike by git or by a program that copies files.
//!
//! Knows what belongs to the film and what to one machine, and what such programs leave behind. Starts none of them. What rows of
//! several people come to `ledger` and `crew` know.

mod index;
mod records;

use std::path::Path;

use super::{DECLARATION, Project};
use crate::base::problem::{Problem, Problems, SourceId, Sources, Span};
use crate::report::words;
use index::Tree;

/// What git is to leave out of a film: what each machine makes for itself.
pub const IGNORE: &str = "# What each machine makes for itself.
/.endboard/
/renders/
/packets/
/deliveries/
/returns/under-way.json
";
/// How git is to merge what grows at its end on both sides: by keeping the lines of both.
pub const ATTRIBUTES: &str =
    "# Lines of both sides stay; each says by itself when it was written, and none counts twice.
/ledger/*.jsonl merge=union -text
/recuts/history.jsonl merge=union -text
";
/// Folders of which nothing may be kept, as they are of one machine only.
const OWN: [&str; 2] = [".endboard", "renders"];
/// Files named one by one in a warning.
const NAMED: usize = 3;

impl Project {
    /// What stands in the way of several people's work on the film.
    pub(super) fn together(&self, sources: &mut Sources) -> Problems {
        let mut problems = Tree::of(&self.folder).map(|tree| self.kept_by(&tree)).unwrap_or_default();
        problems.extend(self.copies(sources));
        problems.extend(self.records(sources));
        problems
    }

    /// What git keeps and should not, and the other way round. Nothing where it does not keep the declaration: the film then only
    /// happens to lie in somebody's work tree.
    fn kept_by(&self, tree: &Tree) -> Problems {
        let mut problems = Problems::new();
        if tree.kept_in(DECLARATION).next().is_none() {
            return problems;
        }
        for folder in OWN {
            let count = tree.kept_in(folder).count();
            if count > 0 {
                let files = words::count(count as u64, "file");
                let message = format!("git keeps {files} of {folder}/, which is this machine's only");
                let help = format!(
                    "`git rm -r --cached {folder}`, and a line `/{folder}/` in the film's .gitignore"
                );
                problems.push(Problem::bare(message).warning().help(help));
            }
        }
        let ledger = names(&self.folder.join("ledger"));
        let kept: Vec<&str> = tree.kept_in("ledger").collect();
        let lacks: Vec<String> = (ledger.iter().filter(|name| name.ends_with(".jsonl")))
            .map(|name| format!("ledger/{name}"))
            .filter(|path| !kept.contains(&path.as_str()))
            .collect();
        if !lacks.is_empty() {
            let more = if lacks.len() > NAMED {
                format!(" and {} more", lacks.len() - NAMED)
            } else {
                String::new()
            };
            let named = lacks[..lacks.len().min(NAMED)].join(", ");
            let message =
                format!("git does not keep {named}{more}: hours, approvals and notes in it reach nobody");
            problems.push(Problem::bare(message).warning().help("`git add ledger`, and commit it"));
        }
        let is_merged = self.folder.canonicalize().is_ok_and(|folder| {
            let up = folder.ancestors().take_while(|at| at.starts_with(&tree.root));
            up.into_iter().any(|at| has_union(&at.join(".gitattributes")))
        });
        if !(kept.is_empty() || is_merged) {
            let message = "git does not know how to merge the ledger, and may leave conflicts in it";
            let help = "lines `/ledger/*.jsonl merge=union -text` and `/recuts/history.jsonl merge=union -text` in .gitattributes beside endboard.yaml";
            problems.push(Problem::bare(message).warning().help(help));
        }
        problems
    }

    /// Copies beside the film's texts that a program made when two people had changed one: nothing reads them.
    fn copies(&self, sources: &Sources) -> Problems {
        let mut problems = Problems::new();
        let mut told = std::collections::HashSet::new();
        let is_used = |folder: &str, name: &str| {
            let path = if folder.is_empty() { name.to_string() } else { format!("{folder}/{name}") };
            (0..).map_while(|n| sources.path(n)).any(|used| used == path)
        };
        for (number, path) in (0..).map_while(|n| Some((n, sources.path(n)?))) {
            let Some((folder, file)) = split(path).filter(|_| told.insert(path.to_string())) else {
                continue;
            };
            for name in names(&self.folder.join(folder)).iter().filter(|name| is_copy(name, file)) {
                if is_used(folder, name) {
                    continue;
                }
                let span = Span::new(SourceId(number as u32), 0, 0);
                let message =
                    format!("'{name}' beside it is a copy that nothing reads: two people changed the file");
                let help = "take over what is right of it, and take the copy away";
                problems.push(Problem::error(span, message).warning().help(help));
            }
        }
        problems
    }
}

/// A path's folder and name.
fn split(path: &str) -> Option<(&str, &str)> {
    (!path.starts_with('/') && !path.is_empty()).then(|| path.rsplit_once('/').unwrap_or(("", path)))
}

/// The names of a folder's files, in order.
fn names(folder: &Path) -> Vec<String> {
    let all = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = all.filter_map(|entry| entry.file_name().into_string().ok()).collect();
    names.sort();
    names
}

/// Names of the copies of a file that a program made in its folder when two people had changed it.
pub(super) fn copies_of(folder: &Path, file: &str) -> Vec<String> {
    names(folder).into_iter().filter(|name| is_copy(name, file)).collect()
}

/// Whether a name is that of a file with words on a conflict put in, before its ending or after it.
fn is_copy(name: &str, of: &str) -> bool {
    let stem = of.rfind('.').filter(|&dot| dot > 0).map_or(of, |dot| &of[..dot]);
    let rest = name.strip_prefix(stem).filter(|_| name != of);
    rest.is_some_and(|rest| {
        rest.starts_with(|c: char| !c.is_alphanumeric()) && rest.to_lowercase().contains("conflict")
    })
}

/// Whether a file of attributes has a line that merges ledgers by keeping both sides.
fn has_union(path: &Path) -> bool {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    text.lines().any(|line| {
        let mut words = line.split_whitespace();
        words.next().is_some_and(is_of_ledgers) && words.any(|word| word == "merge=union")
    })
}

/// Whether a pattern of git's attributes takes in the files of a folder `ledger`.
fn is_of_ledgers(pattern: &str) -> bool {
    let pattern = pattern.trim_start_matches('/');
    let (folder, file) =
        pattern.rsplit_once('/').map_or((None, pattern), |(folder, file)| (Some(folder), file));
    let is_there =
        folder.is_none_or(|folder| matches!(folder.rsplit('/').next(), Some("ledger" | "**" | "*")));
    is_there && matches!(file, "*" | "**" | "*.jsonl")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_are_known_by_their_names() {
        for name in [
            "endboard (ana's conflicted copy 2026-11-28).yaml",
            "endboard.sync-conflict-20261128-201500-ABCDEFG.yaml",
            "endboard_conflict-20261128.yaml",
            "endboard.yaml (Conflict)",
            "endboard.yaml.conflict",
        ] {
            assert!(is_copy(name, "endboard.yaml"), "{name}");
        }
        for name in ["endboard.yaml", "endboard.1.yaml", "endboards-conflict.yaml", "conflict.yaml"] {
            assert!(!is_copy(name, "endboard.yaml"), "{name}");
        }
    }

    #[test]
    fn what_the_demo_writes_is_what_check_asks_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(".gitattributes");
        assert!(!has_union(&path));
        std::fs::write(&path, ATTRIBUTES).unwrap();
        assert!(has_union(&path));
        for pattern in ["ledger/*", "*.jsonl", "/film/ledger/*.jsonl", "**/*.jsonl"] {
            assert!(is_of_ledgers(pattern), "{pattern}");
        }
        for pattern in ["sound/*.jsonl", "ledger", "ledger/*.yaml"] {
            assert!(!is_of_ledgers(pattern), "{pattern}");
        }
        assert!(OWN.iter().all(|own| IGNORE.contains(&format!("\n/{own}/\n"))));
    }
}
