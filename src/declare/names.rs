//! What shots, plates, stages, takes and mattes may be called, and which paths stay in the project.
//!
//! Knows the rules that let names become folders on any system. Does not look at the disk.

use std::collections::HashMap;

use crate::base::problem::{Problem, Span};
use crate::base::value::{Key, Value};
use crate::declare::found::{Found, shortened};
use crate::declare::inspect::FILM;

/// Longest name, in characters.
pub const NAME_LIMIT: usize = 64;
/// Longest path, in bytes.
pub const PATH_LIMIT: usize = 1024;

/// What a name is for: it decides whether dots are allowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Naming {
    /// Shots and plates, which may hold dots.
    Dotted,
    /// Stages, takes, ports and mattes: a dot would read as a channel.
    Plain,
}

/// Says what is wrong with a name, if anything.
pub fn fault(name: &str, naming: Naming) -> Option<String> {
    let allowed = |c: char| {
        c.is_ascii_alphanumeric() || matches!(c, '-' | '_') || (c == '.' && naming == Naming::Dotted)
    };
    if name.is_empty() {
        return Some("a name cannot be empty".into());
    }
    if name.chars().count() > NAME_LIMIT {
        return Some(format!("a name has at most {NAME_LIMIT} characters"));
    }
    if let Some(odd) = name.chars().find(|&c| !allowed(c)) {
        let dots = if naming == Naming::Dotted { ", - _ and ." } else { ", - and _" };
        return Some(format!("a name is made of the letters a to z, digits{dots}, not {odd:?}"));
    }
    if name.starts_with(['.', '-']) || name.ends_with('.') {
        return Some("a name starts with a letter, digit or _ and does not end with a dot".into());
    }
    let stem = name.split('.').next().unwrap_or(name).to_ascii_uppercase();
    let numbered = |stem: &str| {
        (stem.starts_with("COM") || stem.starts_with("LPT"))
            && stem.len() == 4
            && stem.ends_with(|c: char| c.is_ascii_digit())
    };
    // Reserved device names, which some systems refuse as file names with any extension (value from memory).
    if matches!(stem.as_str(), "CON" | "PRN" | "AUX" | "NUL") || numbered(&stem) {
        return Some(format!("'{stem}' is a reserved device name, which on some systems cannot be a folder"));
    }
    None
}

/// Checks the name of a `what` ("shot"), pushing a problem when it is not one.
pub fn check(key: &Key, what: &str, naming: Naming, context: &str, found: &mut Found) -> bool {
    match fault(&key.text, naming) {
        None => true,
        Some(rule) => {
            let message = format!("'{}' cannot be the name of a {what}", shortened(&key.text, 40));
            found.push(context, Problem::error(key.span, message).help(rule));
            false
        }
    }
}

/// Refuses a shot under the film's own name; says whether it did.
pub fn is_films(key: &Key, found: &mut Found) -> bool {
    let is_films = key.text.eq_ignore_ascii_case(FILM);
    if is_films {
        let problem = Problem::error(key.span, format!("no shot can be called '{}'", key.text));
        let help = "the film's own picture and sound stand under that name; give the shot another";
        found.push("", problem.help(help));
    }
    is_films
}

/// Finds names that differ only in capitals: on many disks they are one folder.
#[derive(Debug, Default)]
pub struct Twins {
    seen: HashMap<String, (String, Span)>,
}

impl Twins {
    /// Takes a name in, pushing a problem when an earlier one has the same letters.
    pub fn check(&mut self, key: &Key, what: &str, context: &str, found: &mut Found) {
        let folded = key.text.to_ascii_lowercase();
        match self.seen.get(&folded) {
            Some((other, span)) if *other != key.text => {
                let message = format!("{what} '{}' and {what} '{other}' differ only in capitals", key.text);
                let problem = Problem::error(key.span, message)
                    .help("they would be one folder on many disks; rename one")
                    .related(*span, "the other one");
                found.push(context, problem);
            }
            Some(_) => {}
            None => {
                self.seen.insert(folded, (key.text.clone(), key.span));
            }
        }
    }
}

/// Says what is wrong with a path that must stay inside the film's folder, if anything.
pub fn path_fault(path: &str) -> Option<&'static str> {
    let drive = path.as_bytes().get(1) == Some(&b':') && path.as_bytes()[0].is_ascii_alphabetic();
    if path.is_empty() {
        Some("a path cannot be empty")
    } else if path.len() > PATH_LIMIT {
        Some("a path has at most 1024 bytes")
    } else if path.chars().any(char::is_control) {
        Some("a path has no control characters")
    } else if path.contains('\\') {
        Some("folders are parted by / on every system")
    } else if path.starts_with('/') || drive {
        Some("paths are relative to the film's folder; a link in it may lead elsewhere")
    } else if path.split('/').any(|part| part == "..") {
        Some("paths stay inside the film's folder, without ..")
    } else if path.split('/').any(|part| part.is_empty() || part == ".") {
        Some("write it without ./, // or a / at its end")
    } else {
        None
    }
}

/// Reads a path that stays inside the film's folder.
pub fn path(value: &Value) -> Result<&str, Problem> {
    let text = value.text().map_err(|_| value.wrong("a path"))?;
    match path_fault(text) {
        None => Ok(text),
        Some(rule) => {
            let message = format!("'{}' is not a path in the film's folder", shortened(text, 80));
            Err(Problem::error(value.span, message).help(rule))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names() {
        for good in ["br030", "_x", "0", "a-b_c", "sc.01", "console", "COM12", &"n".repeat(64)] {
            assert_eq!(fault(good, Naming::Dotted), None, "{good}");
        }
        for bad in
            ["", ".x", "-x", "x.", "a b", "a/b", "é", "con", "Nul.x", "com1", "LPT9", "a\0", &"n".repeat(65)]
        {
            assert!(fault(bad, Naming::Dotted).is_some(), "{bad:?}");
        }
        assert!(fault("sc.01", Naming::Plain).is_some());
    }

    #[test]
    fn paths() {
        for good in ["a", "plates/shed-a/shed-a.####.exr", "a..b/c", "Ünter/x"] {
            assert_eq!(path_fault(good), None, "{good}");
        }
        for bad in ["", "/a", "../a", "a/../b", "a/..", "./a", "a//b", "a/", "C:/x", "a\\b", "a\nb", "a\0"] {
            assert!(path_fault(bad).is_some(), "{bad:?}");
        }
    }
}
