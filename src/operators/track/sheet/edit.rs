//! One thing's keys put into the text of a shapes file.
//!
//! Knows lines, indents and braces. Does not know what keys mean: whoever asks reads the text again.

use super::{Thing, keys_of, value};
use crate::base::problem::SourceId;
use crate::base::value::{Map, Value};
use crate::base::yaml;
use crate::operators::shape::sure::Sure;
use crate::operators::track::course::Key;

/// Text with the keys of one thing as they are to be; nothing where there is no place for them.
pub fn put<const N: usize>(text: &str, title: &str, thing: &Thing<N>) -> Option<String> {
    let tree = yaml::parse(SourceId(0), text).0?;
    let root = tree.map()?;
    if let Some(keys) = keys_of(&tree, title, &thing.name) {
        return replaced(text, keys, thing);
    }
    let section = root.entries.iter().find(|(key, _)| key.text == title);
    let Some((key, section)) = section else {
        let end = if text.is_empty() || text.ends_with('\n') { "" } else { "\n" };
        return Some(format!("{text}{end}{title}:\n{}", block(thing, 2)));
    };
    match section.map() {
        Some(map) if begins(text, section) => {
            let close = closing(text, section.span.start as usize)?;
            let comma = if map.entries.is_empty() { " " } else { ", " };
            let inside = text[..close].trim_end_matches([' ', ',']).len();
            Some(format!(
                "{}{comma}{}: {{ keys: {} }} {}",
                &text[..inside],
                thing.name,
                flow(thing),
                &text[close..]
            ))
        }
        Some(map) => {
            let (last, of_last) = map.entries.last()?;
            let indent = column(text, last.span.start as usize);
            let end = extent(text, last.span.start as usize, of_last);
            Some(spliced(text, end, &block(thing, indent)))
        }
        None => Some(spliced(text, line_end(text, key.span.end as usize), &block(thing, 2))),
    }
}

/// Text with the keys of a thing that has some.
fn replaced<const N: usize>(text: &str, keys: &Value, thing: &Thing<N>) -> Option<String> {
    let map = keys.map()?;
    if begins(text, keys) {
        let start = keys.span.start as usize;
        let end = closing(text, start)? + 1;
        let line = &text[line_start(text, start)..start];
        // Braces within braces stay so; those after `keys:` on a line of their own become lines.
        let new = match line.trim_start().strip_prefix("keys:") {
            Some(rest) if rest.trim().is_empty() => {
                let indent = line.len() - line.trim_start().len() + 2;
                let lines: String = thing.keys.iter().map(|key| line_of(key, indent)).collect();
                format!("\n{}", lines.trim_end_matches('\n'))
            }
            _ => flow(thing),
        };
        let before = if new.starts_with('\n') { text[..start].trim_end_matches(' ') } else { &text[..start] };
        return Some(format!("{before}{new}{}", &text[end..]));
    }
    Some(lines(text, map, thing))
}

/// Text with the keys of a thing that stand a line each: those that stay the same are not touched.
fn lines<const N: usize>(text: &str, map: &Map, thing: &Thing<N>) -> String {
    let frame = |text: &str| text.parse::<i64>().ok();
    let indent = map.entries.first().map_or(6, |(key, _)| column(text, key.span.start as usize));
    let mut edits: Vec<(usize, usize, String)> = Vec::new();
    for (key, written) in &map.entries {
        let at = key.span.start as usize;
        let whole = (line_start(text, at), extent(text, at, written));
        match thing.keys.iter().find(|new| Some(new.frame) == frame(&key.text)) {
            None => edits.push((whole.0, whole.1, String::new())),
            Some(new) if same(new, written) => {}
            Some(new) if begins(text, written) => {
                let start = written.span.start as usize;
                let end = closing(text, start).map_or(whole.1, |close| close + 1);
                edits.push((start, end, value(new)));
            }
            Some(new) => edits.push((whole.0, whole.1, line_of(new, indent))),
        }
    }
    for new in &thing.keys {
        let is_there = map.entries.iter().any(|(key, _)| frame(&key.text) == Some(new.frame));
        if is_there {
            continue;
        }
        let before = map.entries.iter().filter(|(key, _)| frame(&key.text).is_some_and(|n| n < new.frame));
        let before = before.max_by_key(|(key, _)| frame(&key.text));
        let at = match (before, map.entries.first()) {
            (Some((key, written)), _) => extent(text, key.span.start as usize, written),
            (None, first) => first.map_or(text.len(), |(key, _)| line_start(text, key.span.start as usize)),
        };
        edits.push((at, at, line_of(new, indent)));
    }
    // What goes in where another part goes out comes after it; of several, in the order of frames.
    edits.sort_by_key(|&(start, end, _)| (start, end));
    let (mut out, mut done) = (String::with_capacity(text.len()), 0);
    for (start, end, new) in edits {
        out.push_str(&text[done..start.max(done)]);
        if !out.is_empty() && !out.ends_with('\n') && new.ends_with('\n') {
            out.push('\n');
        }
        out.push_str(&new);
        done = end.max(done);
    }
    out.push_str(&text[done..]);
    out
}

/// Whether a key is as it is written.
fn same<const N: usize>(key: &Key<N>, written: &Value) -> bool {
    let Some(map) = written.map() else { return false };
    let mut numbers = Vec::new();
    for (name, value) in &map.entries {
        if name.text != "sure" {
            collect(value, &mut numbers);
        }
    }
    // A base may stand after its tip.
    if map.entries.first().is_some_and(|(name, _)| name.text == "tip") {
        numbers.rotate_left(2);
    }
    let sure = map.get("sure").and_then(|value| Sure::of_rod(value).ok());
    numbers == key.at && sure == key.sure
}

fn collect(value: &Value, numbers: &mut Vec<f64>) {
    match value.list() {
        Ok(list) => list.iter().for_each(|value| collect(value, numbers)),
        Err(_) => numbers.extend(value.number().ok()),
    }
}

/// A thing as lines.
fn block<const N: usize>(thing: &Thing<N>, indent: usize) -> String {
    let lines: String = thing.keys.iter().map(|key| line_of(key, indent + 4)).collect();
    format!("{:indent$}{}:\n{:indent$}  keys:\n{lines}", "", thing.name, "")
}

fn line_of<const N: usize>(key: &Key<N>, indent: usize) -> String {
    format!("{:indent$}{}: {}\n", "", key.frame, value(key))
}

/// Keys in braces.
fn flow<const N: usize>(thing: &Thing<N>) -> String {
    let keys: Vec<String> = thing.keys.iter().map(|key| format!("{}: {}", key.frame, value(key))).collect();
    format!("{{ {} }}", keys.join(", "))
}

fn spliced(text: &str, at: usize, new: &str) -> String {
    let end = if text[..at].ends_with('\n') || at == 0 { "" } else { "\n" };
    format!("{}{end}{new}{}", &text[..at], &text[at..])
}

/// Whether a value is written in braces.
fn begins(text: &str, value: &Value) -> bool {
    text[value.span.start as usize..].starts_with('{')
}

fn line_start(text: &str, at: usize) -> usize {
    text[..at].rfind('\n').map_or(0, |end| end + 1)
}

/// Where the next line begins.
fn line_end(text: &str, at: usize) -> usize {
    text[at..].find('\n').map_or(text.len(), |end| at + end + 1)
}

fn column(text: &str, at: usize) -> usize {
    at - line_start(text, at)
}

/// Where the line after an entry of a map begins, whose key stands at `key`.
fn extent(text: &str, key: usize, written: &Value) -> usize {
    if begins(text, written) {
        return line_end(text, closing(text, written.span.start as usize).unwrap_or(key));
    }
    let indent = column(text, key);
    let mut end = line_end(text, key);
    let mut at = end;
    while at < text.len() {
        let line = &text[at..line_end(text, at)];
        let words = line.trim_start();
        at += line.len();
        if words.is_empty() || words.starts_with('#') {
            continue;
        }
        if line.len() - words.len() <= indent {
            break;
        }
        end = at;
    }
    end
}

/// The brace that closes the one at `open`; quotes and remarks hold none.
fn closing(text: &str, open: usize) -> Option<usize> {
    let (mut depth, mut quote, mut remark, mut last) = (0usize, None, false, '\n');
    for (i, c) in text[open..].char_indices() {
        match (quote, c) {
            _ if remark => remark = c != '\n',
            (Some(mark), _) => quote = (c != mark).then_some(mark),
            (None, '"' | '\'') => quote = Some(c),
            (None, '#') if last.is_whitespace() => remark = true,
            (None, '{' | '[') => depth += 1,
            (None, '}' | ']') => {
                depth = depth.checked_sub(1)?;
                if depth == 0 {
                    return Some(open + i);
                }
            }
            _ => {}
        }
        last = c;
    }
    None
}
