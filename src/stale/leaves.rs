//! Two settings of many parts, as one line of text each → the parts that differ.
//!
//! Knows how maps are spelled in one line (`{keeper: {width: 9}, speed: [1, 2]}`), lists being parts as a whole. A text
//! that cannot be taken apart is left to whoever asked.

/// Most parts that are named one by one.
const MOST: usize = 3;

/// `keeper.width: 9 → 8`, `at 1020: 100 → 90`: the parts that differ, each after `name`. Nothing when one of the texts is
/// not a map, or when they do not differ in their parts.
pub(super) fn differing(name: &str, then: &str, now: &str) -> Option<String> {
    let (then, now) = (leaves(then)?, leaves(now)?);
    let find = |all: &[(String, String)], path: &str| {
        all.iter().find(|(other, _)| other == path).map(|(_, value)| value.clone())
    };
    let mut told: Vec<String> = Vec::new();
    let mut paths: Vec<&String> = then.iter().chain(&now).map(|(path, _)| path).collect();
    let mut seen = std::collections::HashSet::new();
    paths.retain(|path| seen.insert(*path));
    for path in paths {
        let (before, after) = (find(&then, path), find(&now, path));
        if before != after {
            let word = |value: Option<String>| value.unwrap_or_else(|| "not set".into());
            told.push(format!("{name}{path}: {} → {}", word(before), word(after)));
        }
    }
    let rest = told.len().saturating_sub(MOST);
    told.truncate(MOST);
    if rest > 0 {
        told.push(format!("and {rest} more of its parts"));
    }
    (!told.is_empty()).then(|| told.join(", "))
}

/// The parts of a map with their paths, each beginning with what joins it to the name before it.
fn leaves(text: &str) -> Option<Vec<(String, String)>> {
    let mut out = Vec::new();
    take_apart("", text, &mut out)?;
    Some(out)
}

fn take_apart(path: &str, text: &str, out: &mut Vec<(String, String)>) -> Option<()> {
    let inside = text.strip_prefix('{')?.strip_suffix('}')?;
    for entry in entries(inside)? {
        let (key, value) = entry.split_once(": ").or_else(|| Some((entry.strip_suffix(':')?, "")))?;
        let is_time = key.parse::<i64>().is_ok();
        let path = if is_time { format!("{path} at {key}") } else { format!("{path}.{key}") };
        if take_apart(&path, value, out).is_none() {
            out.push((path, value.to_string()));
        }
    }
    Some(())
}

/// The entries of a map's inside, parted by commas outside of brackets.
fn entries(text: &str) -> Option<Vec<&str>> {
    let (mut depth, mut begin, mut out) = (0usize, 0, Vec::new());
    for (at, c) in text.char_indices() {
        match c {
            '{' | '[' => depth += 1,
            '}' | ']' => depth = depth.checked_sub(1)?,
            ',' if depth == 0 => {
                out.push(text[begin..at].trim());
                begin = at + 1;
            }
            _ => {}
        }
    }
    let last = text[begin..].trim();
    if !last.is_empty() {
        out.push(last);
    }
    (depth == 0).then_some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_that_differ_are_named() {
        let told = |then: &str, now: &str| differing("rods", then, now);
        let then = "{keeper: {colour: amber, width: 9}, other: {colour: teal, width: [1, 2]}}";
        let now = "{keeper: {colour: amber, width: 8}, other: {colour: teal, width: [1, 3]}}";
        assert_eq!(told(then, now).unwrap(), "rods.keeper.width: 9 → 8, rods.other.width: [1, 2] → [1, 3]");
        let speed = |n: u32| format!("{{1003: 100, 1020: {n}, ease: smooth}}");
        assert_eq!(differing("speed", &speed(100), &speed(90)).unwrap(), "speed at 1020: 100 → 90");
        assert_eq!(told("{}", "{keeper: {width: 8}}").unwrap(), "rods.keeper.width: not set → 8");
        assert_eq!(told("{keeper: {}, x: 1}", "{keeper: {}, x: }").unwrap(), "rods.x: 1 → ");
        let many =
            |n: u32| format!("{{{}}}", (0..5).map(|k| format!("k{k}: {n}")).collect::<Vec<_>>().join(", "));
        assert_eq!(
            told(&many(1), &many(2)).unwrap(),
            "rods.k0: 1 → 2, rods.k1: 1 → 2, rods.k2: 1 → 2, and 2 more of its parts"
        );
    }

    #[test]
    fn what_is_no_map_or_does_not_differ_is_left_alone() {
        for (then, now) in
            [("7", "{1: 2}"), ("{a: 1}", "{a: 1}"), ("{a: 1", "{a: 2"), ("{a}", "{b}"), ("{a: ]}", "{a: 1}")]
        {
            assert_eq!(differing("x", then, now), None, "{then} {now}");
        }
    }
}
