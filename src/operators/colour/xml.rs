//! XML of strangers' files as a tree whose parts keep their places.
//!
//! Knows elements, attributes and text. Nothing is expanded, no document type is accepted and memory stays
//! below a few times the file's size. Does not know what any element means.

use std::ops::Range;

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

use super::{conflict_in, problem_in};
use crate::base::problem::Problem;
use crate::operators::Attachment;

/// The deepest nesting of elements that is read.
const DEPTH_LIMIT: usize = 32;

/// A piece of a file, in bytes.
pub type Place = Range<usize>;

/// An attribute of an element.
#[derive(Clone, Debug, PartialEq)]
pub struct Attribute {
    /// Its name as written, with a prefix if there is one.
    pub name: String,
    /// Its value.
    pub value: String,
}

/// An element.
#[derive(Clone, Debug, PartialEq)]
pub struct Element {
    /// Its name without a prefix.
    pub name: String,
    /// Where its start tag stands.
    pub place: Place,
    /// Where its content stands.
    pub content: Place,
    /// Its attributes.
    pub attributes: Vec<Attribute>,
    /// The elements in it.
    pub children: Vec<Element>,
    /// Where the text directly in it stands, comments left out.
    pub text: Vec<Place>,
}

impl Element {
    /// The value of an attribute.
    pub fn attribute(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|a| a.name == name).map(|a| a.value.as_str())
    }

    /// The first element of that name in it.
    pub fn child(&self, name: &str) -> Option<&Element> {
        self.children.iter().find(|c| c.name == name)
    }

    /// The words of its text, each with its place.
    pub fn words<'t>(&self, text: &'t str) -> impl Iterator<Item = (Place, &'t str)> {
        self.text.clone().into_iter().flat_map(move |piece| {
            text[piece].split_ascii_whitespace().map(move |word| {
                // The word lies in the text, so the distance of their starts is its place.
                let start = word.as_ptr() as usize - text.as_ptr() as usize;
                (start..start + word.len(), word)
            })
        })
    }
}

/// The finite number that a word is.
pub fn number(word: &str) -> Option<f64> {
    let plausible = word.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
    word.parse::<f64>().ok().filter(|n| plausible && n.is_finite())
}

/// A word as it may be shown in a message.
pub fn shown(word: &str) -> String {
    word.chars().take(40).collect()
}

/// The text of a file, without the mark that may stand before it.
///
/// # Errors
/// The file is larger than `limit` bytes, is no UTF-8 text, or a merge conflict was left in it.
pub fn text(file: &Attachment, limit: usize) -> Result<&str, Problem> {
    if file.bytes.len() > limit {
        let problem = problem_in(file, 0, 0, "the file is too large for what it should hold");
        return Err(problem.help(format!("at most {} MiB are read", limit >> 20)));
    }
    if let Some(problem) = conflict_in(file) {
        return Err(problem);
    }
    std::str::from_utf8(&file.bytes).map_err(|_| problem_in(file, 0, 0, "the file is not UTF-8 text"))
}

/// The outermost element of a file's text; nothing when there is none.
///
/// # Errors
/// The first thing that is not sound XML, or is not accepted.
pub fn parse(file: &Attachment, text: &str) -> Result<Option<Element>, Problem> {
    let mark = if text.starts_with('\u{feff}') { 3 } else { 0 };
    let mut reader = Reader::from_str(&text[mark..]);
    reader.config_mut().expand_empty_elements = true;
    let mut tree = Tree { file, open: Vec::new(), root: None };
    loop {
        let at = |position: u64| (position as usize + mark).min(text.len());
        let start = at(reader.buffer_position());
        let event = reader.read_event();
        let place = start..at(reader.buffer_position()).max(start);
        match event {
            Ok(Event::Start(tag)) => tree.start(&tag, place)?,
            Ok(Event::End(_)) => tree.end(&place),
            // What stands for a character is left as written: no number and no word of these formats has one.
            Ok(Event::Text(_) | Event::CData(_) | Event::GeneralRef(_)) => {
                if let Some(element) = tree.open.last_mut() {
                    element.text.push(place);
                }
            }
            Ok(Event::DocType(_)) => {
                let problem = tree.wrong(&place, "a document type is not accepted here");
                return Err(problem.help("remove the <!DOCTYPE …> part"));
            }
            Ok(Event::Eof) => return tree.whole(),
            Ok(_) => {}
            Err(error) => {
                let from = at(reader.error_position());
                let place = from..place.end.max(from);
                return Err(tree.wrong(&place, format!("this is not sound XML: {error}")));
            }
        }
    }
}

/// A tree that grows.
struct Tree<'a> {
    file: &'a Attachment,
    /// Elements that are not closed, the innermost last.
    open: Vec<Element>,
    root: Option<Element>,
}

impl Tree<'_> {
    fn wrong(&self, place: &Place, message: impl Into<String>) -> Problem {
        problem_in(self.file, place.start, place.end, message)
    }

    fn start(&mut self, tag: &BytesStart<'_>, place: Place) -> Result<(), Problem> {
        if self.open.len() >= DEPTH_LIMIT {
            return Err(self.wrong(&place, "elements are nested too deep"));
        }
        if self.open.is_empty() && self.root.is_some() {
            let problem = self.wrong(&place, "a second outermost element");
            return Err(problem.help("a file has one outermost element"));
        }
        let attributes = attributes(tag).map_err(|message| self.wrong(&place, message))?;
        let name = String::from_utf8_lossy(tag.local_name().as_ref()).into_owned();
        let content = place.end..place.end;
        self.open.push(Element { name, place, content, attributes, children: Vec::new(), text: Vec::new() });
        Ok(())
    }

    fn end(&mut self, place: &Place) {
        let Some(mut element) = self.open.pop() else { return };
        element.content.end = place.start.max(element.content.start);
        match self.open.last_mut() {
            Some(parent) => parent.children.push(element),
            None => self.root = Some(element),
        }
    }

    fn whole(self) -> Result<Option<Element>, Problem> {
        match self.open.last() {
            Some(element) => {
                let message = format!("the file ends inside <{}>", element.name);
                Err(self.wrong(&element.place, message).help("close every element"))
            }
            None => Ok(self.root),
        }
    }
}

fn attributes(tag: &BytesStart<'_>) -> Result<Vec<Attribute>, String> {
    let mut out = Vec::new();
    for attribute in tag.attributes() {
        let attribute = attribute.map_err(|error| format!("this is not sound XML: {error}"))?;
        let name = String::from_utf8_lossy(attribute.key.as_ref()).into_owned();
        let value = attribute.normalized_value(quick_xml::XmlVersion::Explicit1_0);
        let value =
            value.map_err(|error| format!("the attribute {name} cannot be read: {error}"))?.into_owned();
        out.push(Attribute { name, value });
    }
    Ok(out)
}
