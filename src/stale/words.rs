//! Settings then and now → the differences, in words.
//!
//! Knows what is worth naming and how long it may be. Does not know whether a setting plays a part at a frame.

use super::explain::Setting;
use super::leaves;
use crate::base::digest::Digest;

/// Longest value that is shown whole, in characters.
const WHOLE: usize = 60;

/// A setting that is not what it was.
pub(super) struct Change<'s> {
    /// Its name, or a file's path.
    pub name: &'s str,
    then: Option<&'s Setting>,
    now: Option<&'s Setting>,
}

/// The settings that differ.
pub(super) fn differing<'s>(then: &'s [Setting], now: &'s [Setting]) -> Vec<Change<'s>> {
    let mut changes = Vec::new();
    for setting in now {
        let before = then.iter().find(|(name, _, _)| *name == setting.0);
        let is_same = before
            .is_some_and(|(_, digest, text)| *digest == setting.1 || (text.is_some() && *text == setting.2));
        if !is_same {
            changes.push(Change { name: &setting.0, then: before, now: Some(setting) });
        }
    }
    let gone = then.iter().filter(|(name, _, _)| !now.iter().any(|(n, _, _)| n == name));
    changes.extend(gone.map(|setting| Change { name: &setting.0, then: Some(setting), now: None }));
    // A file that came or went because other words name it now is told by those words.
    let told: Vec<bool> = changes
        .iter()
        .map(|change| match (change.then, change.now) {
            (Some((_, _, None)), None) | (None, Some((_, _, None))) => {
                changes.iter().any(|other| other.names(change.name))
            }
            _ => false,
        })
        .collect();
    let mut told = told.into_iter();
    changes.retain(|_| !told.next().unwrap_or(false));
    changes
}

impl Change<'_> {
    /// True when its text then or now names `path`.
    fn names(&self, path: &str) -> bool {
        let text = |setting: Option<&Setting>| setting.and_then(|(_, _, text)| text.clone());
        [text(self.then), text(self.now)].into_iter().flatten().any(|text| text.contains(path))
    }

    fn sentence(&self) -> String {
        let name = self.name;
        let what = |setting: &Setting| match setting {
            (_, _, Some(text)) => shown(text),
            (_, digest, None) => digest.short(),
        };
        match (self.then, self.now) {
            (Some((_, _, Some(then))), Some((_, _, Some(now)))) => leaves::differing(name, then, now)
                .unwrap_or_else(|| {
                    let (then, now) = apart(then, now);
                    format!("{name}: {then} → {now}")
                }),
            (Some((_, then, _)), Some((_, now, _))) => changed(name, then, now),
            (Some((_, _, None)), None) => format!("{name} is not there or not named any more"),
            (None, Some((_, _, None))) => format!("{name} is new"),
            (Some(then), None) => format!("{name}: {} → not set", what(then)),
            (None, Some(now)) => format!("{name}: not set → {}", what(now)),
            (None, None) => name.to_string(),
        }
    }
}

fn changed(name: &str, then: &Digest, now: &Digest) -> String {
    format!("{name} changed ({} → {})", then.short(), now.short())
}

/// The settings that differ, as sentences with both values or digests.
pub(super) fn sentences(then: &[Setting], now: &[Setting]) -> Vec<String> {
    differing(then, now).iter().map(Change::sentence).collect()
}

fn shown(text: &str) -> String {
    if text.chars().count() <= WHOLE {
        return text.to_string();
    }
    let start: String = text.chars().take(WHOLE - 1).collect();
    format!("{start}…")
}

/// Two texts without the words that both begin and end with, when they are too long to be shown whole.
fn apart(then: &str, now: &str) -> (String, String) {
    if then.chars().count().max(now.chars().count()) <= WHOLE {
        return (then.into(), now.into());
    }
    let (a, b): (Vec<&str>, Vec<&str>) = (then.split(' ').collect(), now.split(' ').collect());
    let head = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let (a, b) = (&a[head..], &b[head..]);
    let tail = a.iter().rev().zip(b.iter().rev()).take_while(|(x, y)| x == y).count();
    let rest = |words: &[&str]| {
        let middle = words[..words.len() - tail].join(" ");
        let (before, after) = (if head > 0 { "… " } else { "" }, if tail > 0 { " …" } else { "" });
        shown(&format!("{before}{middle}{after}"))
    };
    (rest(a), rest(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setting(name: &str, text: &str) -> Setting {
        (name.into(), Digest::of(text.as_bytes()), Some(text.into()))
    }

    fn file(path: &str, bytes: &str) -> Setting {
        (path.into(), Digest::of(bytes.as_bytes()), None)
    }

    #[test]
    fn a_command_that_names_another_file_is_told_by_its_words() {
        let then =
            [setting("command", "python tools/streak.py {picture} {out}"), file("tools/streak.py", "a")];
        let now = [setting("command", "python tools/smear.py {picture} {out}"), file("tools/smear.py", "b")];
        assert_eq!(
            sentences(&then, &now),
            ["command: python tools/streak.py {picture} {out} → python tools/smear.py {picture} {out}"]
        );
        // The words are as they were, and the file is gone.
        assert_eq!(sentences(&then, &then[..1]), ["tools/streak.py is not there or not named any more"]);
        let long =
            |name: &str| setting("command", &format!("{} tools/{name} {{out}}", "run ".repeat(20).trim()));
        assert_eq!(sentences(&[long("a.py")], &[long("b.py")]), ["command: … tools/a.py … → … tools/b.py …"]);
    }

    #[test]
    fn what_differs_only_in_digest_beside_equal_words_is_not_told() {
        let then =
            [setting("exposure", "0.4"), ("look".into(), Digest::of(b"older form"), Some("a.cube".into()))];
        let now = [setting("exposure", "0.6"), setting("look", "a.cube")];
        assert_eq!(sentences(&then, &now), ["exposure: 0.4 → 0.6"]);
        assert_eq!(sentences(&then, &now[..1]).len(), 2);
        assert_eq!(sentences(&[], &now[..1]), ["exposure: not set → 0.6"]);
    }
}
