//! The declaration's text with another cut, or other frames of a shot, and nothing else changed.
//!
//! Knows where a value stands in the text, so that comments and layout stay. Every new text is read again and held against
//! what it should say: where YAML's many forms defeat the change, it is refused with what a person is to write. Touches no file.

use crate::base::frames::FrameRange;
use crate::base::problem::SourceId;
use crate::base::value::{Key, Map, Node, Scalar, Value};
use crate::base::yaml;

/// The key of the cut.
const CUT: &str = "cut";

/// The text with this cut, or none.
///
/// # Errors
/// Words on what a person is to write, where that cannot be done here.
pub fn with_cut(text: &str, cut: Option<&str>) -> Result<String, String> {
    let refused = || match cut {
        Some(cut) => format!(
            "the declaration's `cut:` cannot be changed here without touching more; write: cut: {}",
            scalar(cut)
        ),
        None => {
            "the declaration's `cut:` cannot be taken out here without touching more; take it out by hand"
                .to_string()
        }
    };
    let value = tree(text).ok_or_else(refused)?;
    let map = value.map().ok_or_else(refused)?;
    let at = map.entries.iter().find(|(key, _)| key.text == CUT);
    let (wanted, tries) = match (at, cut) {
        (Some((_, old)), Some(cut)) => (set(&value, &[CUT], cut), replaced(text, old, &scalar(cut))),
        (Some((key, old)), None) => (unset(&value), vec![without_line(text, key, old).ok_or_else(refused)?]),
        (None, Some(cut)) => {
            let line = format!("cut: {}", scalar(cut));
            (set(&value, &[CUT], cut), vec![inserted(text, map, &line).ok_or_else(refused)?])
        }
        (None, None) => return Ok(text.to_string()),
    };
    tries.into_iter().find(|new| is(new, &wanted)).ok_or_else(refused)
}

/// The text with these frames of a shot.
///
/// # Errors
/// Words on what a person is to write, where that cannot be done here.
pub fn with_frames(text: &str, shot: &str, frames: FrameRange) -> Result<String, String> {
    let refused = || {
        format!("the frames of {shot} cannot be changed here without touching more; write: frames: {frames}")
    };
    let value = tree(text).ok_or_else(refused)?;
    let old = of_shot(&value, shot).ok_or_else(refused)?;
    let new = frames.to_string();
    let wanted = set(&value, &["shots", shot, "frames"], &new);
    replaced(text, old, &new).into_iter().find(|new| is(new, &wanted)).ok_or_else(refused)
}

/// The line on which a shot's frames stand, counted from 1, and what it says.
pub fn frames_line<'t>(text: &'t str, shot: &str) -> Option<(usize, &'t str)> {
    let value = tree(text)?;
    let at = of_shot(&value, shot)?.span.start as usize;
    let line = text.get(..at)?.bytes().filter(|&byte| byte == b'\n').count();
    Some((line + 1, text.lines().nth(line)?))
}

/// What a shot's frames are, as written.
pub fn frames_of(text: &str, shot: &str) -> Option<String> {
    let value = tree(text)?;
    Some(of_shot(&value, shot)?.text().ok()?.to_string())
}

fn tree(text: &str) -> Option<Value> {
    let (value, problems) = yaml::parse(SourceId(0), text);
    value.filter(|_| problems.is_empty())
}

fn of_shot<'v>(value: &'v Value, shot: &str) -> Option<&'v Value> {
    value.map()?.get("shots")?.map()?.get(shot)?.map()?.get("frames")
}

/// A path as YAML: plain where nothing in it could be taken for something else, else in quotes.
fn scalar(text: &str) -> String {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "-_./".contains(c);
    let begins = text.chars().next().is_some_and(|c| c.is_ascii_alphabetic());
    if begins && text.contains('.') && text.chars().all(is_plain) {
        return text.to_string();
    }
    // A JSON string is a YAML scalar in double quotes (YAML 1.2.2, section 1.3).
    serde_json::Value::from(text).to_string()
}

/// The text with a scalar in place of another; twice, as quotes may stand around the place or in it.
fn replaced(text: &str, old: &Value, new: &str) -> Vec<String> {
    let (start, end) = (old.span.start as usize, old.span.end as usize);
    let put = |from: usize, to: usize| Some(format!("{}{new}{}", text.get(..from)?, text.get(to..)?));
    let wider = start.checked_sub(1).and_then(|from| put(from, end + 1));
    put(start, end).into_iter().chain(wider).collect()
}

/// The text with a line after the first entry's.
fn inserted(text: &str, map: &Map, line: &str) -> Option<String> {
    let (_, first) = map.entries.first()?;
    let from = first.span.end as usize;
    let end = text.get(from..)?.find('\n').map_or(text.len(), |at| from + at + 1);
    let (before, after) = (text.get(..end)?, text.get(end..)?);
    let break_ = if text.contains("\r\n") { "\r\n" } else { "\n" };
    let gap = if before.ends_with('\n') { "" } else { break_ };
    Some(format!("{before}{gap}{line}{break_}{after}"))
}

/// The text without the line of an entry.
fn without_line(text: &str, key: &Key, value: &Value) -> Option<String> {
    let start = text.get(..key.span.start as usize)?.rfind('\n').map_or(0, |at| at + 1);
    let from = value.span.end as usize;
    let end = text.get(from..)?.find('\n').map_or(text.len(), |at| from + at + 1);
    Some(format!("{}{}", text.get(..start)?, text.get(end..)?))
}

/// The tree with a text at a path of keys.
fn set(value: &Value, path: &[&str], text: &str) -> Value {
    let Some((first, rest)) = path.split_first() else {
        let node = Node::Scalar(Scalar { text: text.into(), quoted: false });
        return Value { span: value.span, node };
    };
    let mut map = value.map().cloned().unwrap_or_default();
    match map.entries.iter_mut().find(|(key, _)| key.text == *first) {
        Some((_, old)) => *old = set(old, rest, text),
        None => {
            let key = Key { text: (*first).into(), span: value.span };
            let nothing = Value { span: value.span, node: Node::Null };
            map.entries.insert(1.min(map.entries.len()), (key, set(&nothing, rest, text)));
        }
    }
    Value { span: value.span, node: Node::Map(map) }
}

/// The tree without a cut.
fn unset(value: &Value) -> Value {
    let mut map = value.map().cloned().unwrap_or_default();
    map.entries.retain(|(key, _)| key.text != CUT);
    Value { span: value.span, node: Node::Map(map) }
}

/// Whether a text says what a tree says.
fn is(text: &str, wanted: &Value) -> bool {
    tree(text).is_some_and(|value| is_alike(&value, wanted))
}

/// Whether two trees say the same, wherever it stands.
fn is_alike(a: &Value, b: &Value) -> bool {
    match (&a.node, &b.node) {
        (Node::Null, Node::Null) => true,
        (Node::Scalar(a), Node::Scalar(b)) => a.text == b.text,
        (Node::List(a), Node::List(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| is_alike(a, b)),
        (Node::Map(a), Node::Map(b)) => {
            let pairs = || a.entries.iter().zip(&b.entries);
            a.entries.len() == b.entries.len()
                && pairs().all(|((ka, a), (kb, b))| ka.text == kb.text && is_alike(a, b))
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn only_the_cuts_own_words_change() {
        for (before, after) in [
            (
                "film: a # b\ncut: cut/lock-1.edl   # locked in May\nrate: 24\n",
                "film: a # b\ncut: cut/lock-2.edl   # locked in May\nrate: 24\n",
            ),
            ("cut:   'cut/lock 1.edl'\nfilm: a\n", "cut:   cut/lock-2.edl\nfilm: a\n"),
            ("cut: \"cut/lock-1.edl\"  # why\r\nfilm: a\r\n", "cut: cut/lock-2.edl  # why\r\nfilm: a\r\n"),
            ("{ film: a, cut: x.edl, rate: 24 }", "{ film: a, cut: cut/lock-2.edl, rate: 24 }"),
            (
                "film: a  # the lamp\r\nrate: 24\r\n",
                "film: a  # the lamp\r\ncut: cut/lock-2.edl\r\nrate: 24\r\n",
            ),
            ("film: a", "film: a\ncut: cut/lock-2.edl\n"),
        ] {
            assert_eq!(with_cut(before, Some("cut/lock-2.edl")).as_deref(), Ok(after), "{before}");
        }
        assert_eq!(with_cut("film: a\ncut: x.edl # y\nrate: 24\n", None).unwrap(), "film: a\nrate: 24\n");
        assert_eq!(with_cut("film: a\n", None).unwrap(), "film: a\n");
    }

    #[test]
    fn what_cannot_be_changed_by_itself_is_refused_with_what_to_write() {
        for text in
            ["{ film: a, rate: 24 }", "film: &f x.edl\ncut: *f\n", "a: [", "cut: 1\ncut: 2\n", "- a\n"]
        {
            let said = with_cut(text, Some("cut/lock 2.edl"));
            if let Ok(new) = &said {
                // An alias is one value's place twice: the anchor must not change with it.
                assert_eq!(tree(new).unwrap().map().unwrap().get("film").unwrap().text().unwrap(), "x.edl");
                continue;
            }
            assert!(said.unwrap_err().ends_with("write: cut: \"cut/lock 2.edl\""), "{text}");
        }
        assert!(with_cut("{ film: a, cut: b }", None).is_err());
    }

    #[test]
    fn a_shots_frames_change_where_they_stand() {
        let text = "shots:\n  br010: { plate: a, frames: 1009-1048, handles: 4 }\n  br020:\n    frames: 1009-1040 # all\n";
        assert_eq!(frames_line(text, "br020"), Some((4, "    frames: 1009-1040 # all")));
        let new = with_frames(text, "br020", FrameRange::new(1005, 1040)).unwrap();
        assert_eq!(new, text.replace("1009-1040", "1005-1040"));
        assert_eq!(frames_of(&new, "br020").as_deref(), Some("1005-1040"));
        let new = with_frames(text, "br010", FrameRange::one(1009)).unwrap();
        assert_eq!(new, text.replace("1009-1048", "1009"));
        assert!(with_frames(text, "br030", FrameRange::one(1)).unwrap_err().ends_with("write: frames: 1"));
    }

    proptest! {
        #[test]
        fn any_path_is_read_back_as_it_was_written(path in "[^\\p{C}]{1,30}") {
            let text = "film: a # one\ncut: x.edl # two\n";
            if let Ok(new) = with_cut(text, Some(&path)) {
                let value = tree(&new).unwrap();
                prop_assert_eq!(value.map().unwrap().get("cut").unwrap().text().unwrap(), path.as_str());
                let is_kept = new.starts_with("film: a # one\ncut: ") && new.ends_with(" # two\n");
                prop_assert!(is_kept, "{}", new);
            }
        }
    }
}
