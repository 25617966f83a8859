//! Patterns of files that are passed over, in the form that ignore files of version control have.
//!
//! Knows `*`, `?`, `[…]`, `**`, a leading and a trailing `/`. Does not know `!`: such a pattern matches nothing, so that more is
//! checked rather than less. Time is bounded by the product of the lengths, since patterns come from strangers' manifests.

/// What is always passed over: the manifests themselves, and what a file manager leaves behind.
pub const ALWAYS: [&str; 3] = [".DS_Store", "ascmhl", "ascmhl/"];

/// Patterns taken apart.
#[derive(Clone, Debug, Default)]
pub struct Ignore(Vec<Pattern>);

#[derive(Clone, Debug)]
struct Pattern {
    /// Parts between `/`, `**` among them.
    parts: Vec<Vec<char>>,
    folders_only: bool,
}

impl Ignore {
    /// Of these patterns.
    pub fn new<S: AsRef<str>>(patterns: &[S]) -> Self {
        Self(patterns.iter().filter_map(|text| Pattern::new(text.as_ref())).collect())
    }

    /// Whether the path itself is passed over; the caller asks for the folders above it first.
    pub fn matches(&self, path: &str, is_folder: bool) -> bool {
        let parts: Vec<Vec<char>> = path.split('/').map(|part| part.chars().collect()).collect();
        self.0.iter().any(|pattern| (is_folder || !pattern.folders_only) && pattern.matches(&parts))
    }

    /// Whether the path or a folder above it is passed over.
    pub fn covers(&self, path: &str) -> bool {
        let above = path.match_indices('/').map(|(at, _)| &path[..at]);
        above.into_iter().any(|folder| self.matches(folder, true)) || self.matches(path, false)
    }
}

impl Pattern {
    fn new(text: &str) -> Option<Self> {
        if text.is_empty() || text.starts_with(['#', '!']) {
            return None;
        }
        let folders_only = text.ends_with('/');
        let text = text.trim_end_matches('/');
        if text.is_empty() {
            return None;
        }
        let mut parts: Vec<Vec<char>> =
            text.trim_start_matches('/').split('/').map(|part| part.chars().collect()).collect();
        // A name alone stands for that name anywhere.
        if !text.contains('/') {
            parts.insert(0, vec!['*', '*']);
        }
        Some(Self { parts, folders_only })
    }

    /// Row by row: which lengths of the path the parts so far can make.
    fn matches(&self, path: &[Vec<char>]) -> bool {
        let mut made = vec![false; path.len() + 1];
        made[0] = true;
        for part in &self.parts {
            if part[..] == ['*', '*'] {
                let first = made.iter().position(|&m| m).unwrap_or(made.len());
                made.iter_mut().skip(first).for_each(|m| *m = true);
            } else {
                for at in (0..path.len()).rev() {
                    made[at + 1] = made[at] && name_matches(part, &path[at]);
                }
                made[0] = false;
            }
        }
        made[path.len()]
    }
}

/// One name against one part. Of several `*` only the last that was met is ever moved on, which is enough.
fn name_matches(part: &[char], name: &[char]) -> bool {
    let (mut p, mut n) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while n < name.len() {
        if part.get(p) == Some(&'*') {
            star = Some((p, n));
            p += 1;
            continue;
        }
        match one(part, p, name[n]) {
            Some(next) => (p, n) = (next, n + 1),
            None => match &mut star {
                Some((at, from)) => {
                    *from += 1;
                    (p, n) = (*at + 1, *from);
                }
                None => return false,
            },
        }
    }
    part[p..].iter().all(|&c| c == '*')
}

/// Where the pattern goes on when the character at `p` of it matches.
fn one(part: &[char], p: usize, c: char) -> Option<usize> {
    match *part.get(p)? {
        '?' => Some(p + 1),
        '\\' => (*part.get(p + 1)? == c).then_some(p + 2),
        '[' => {
            let negated = matches!(part.get(p + 1), Some('!' | '^'));
            let first = p + 1 + usize::from(negated);
            // A bracket that stands first is one of the set.
            let end = first + 1 + part.get(first + 1..)?.iter().position(|&c| c == ']')?;
            let (mut at, mut found) = (first, false);
            while at < end {
                if at + 2 < end && part[at + 1] == '-' {
                    found |= (part[at]..=part[at + 2]).contains(&c);
                    at += 3;
                } else {
                    found |= part[at] == c;
                    at += 1;
                }
            }
            (found != negated).then_some(end + 1)
        }
        other => (other == c).then_some(p + 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn patterns_mean_what_ignore_files_mean() {
        let check = |pattern: &str, path: &str, expect: bool| {
            assert_eq!(Ignore::new(&[pattern]).covers(path), expect, "{pattern} {path}");
        };
        check(".DS_Store", "br010/.DS_Store", true);
        check("ascmhl/", "ascmhl/0001_a.mhl", true);
        check("ascmhl/", "ascmhl", false);
        check("ascmhl", "br010/ascmhl/x", true);
        check("*.tmp", "a/b.tmp", true);
        check("*.tmp", "a/b.tmp2", false);
        check("/a", "a/b", true);
        check("/a", "b/a", false);
        check("a/*.exr", "a/b.exr", true);
        check("a/*.exr", "a/c/b.exr", false);
        check("a/**/b", "a/b", true);
        check("a/**/b", "a/x/y/b", true);
        check("a/**", "a/x/y", true);
        check("**/c", "c", true);
        check("f?[0-9]", "fo7", true);
        check("f[!0-9]", "f7", false);
        check("f[]]", "f]", true);
        check("!x", "x", false);
        check("*a*b*c", "xxaxxbxxc", true);
        check("*a*b*c", "xxaxxcxxb", false);
        check("\\*", "*", true);
        check("\\*", "a", false);
    }

    #[test]
    fn no_pattern_takes_for_ever() {
        let pattern = "*a".repeat(1000) + "b";
        assert!(!Ignore::new(&[pattern]).covers(&"a".repeat(4000)));
    }

    proptest! {
        #[test]
        fn no_pattern_panics(pattern in "[a\\[\\]!*?/\\\\\\-]{0,12}", path in "[a/b\\]]{1,9}") {
            Ignore::new(&[pattern]).covers(&path);
        }
    }
}
