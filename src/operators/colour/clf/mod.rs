//! Reads Common LUT Format files.
//!
//! Knows the list of process nodes and how their bit depths follow one another (Academy S-2014-006 version 3.0; SMPTE ST
//! 2136-1:2024, which takes it over with a namespace of its own). Does not know the nodes (`nodes`, `curves`) nor what their
//! steps do to colour.
//!
//! Values between nodes are normalised: a node's numbers are divided by the largest code of the bit depth that they are
//! written for, and nothing is rounded or held to a depth's range. What this reader does not know, be it an element,
//! an attribute or a style, is refused, since to leave it out would give other pixels than the file means.

mod curves;
mod nodes;

use super::look::Look;
use super::problem_in;
use super::step::Step;
use super::xml::{self, Element, Place};
use crate::base::problem::{Problem, Problems, nearest};
use crate::operators::Attachment;

/// The largest file that is read, in bytes.
pub const SIZE_LIMIT: usize = 256 << 20;
/// Problems after which reading stops.
const PROBLEM_LIMIT: usize = 20;
/// How the namespaces of the Academy's versions begin.
const ACADEMY: &str = "urn:AMPAS:CLF:v";
/// How the namespaces of SMPTE's editions begin.
const SMPTE: &str = "http://www.smpte-ra.org/ns/2136-1/";
/// The edition that is read.
const EDITION: &str = "2024";
/// Bit depths, and the number that stands for 1 in each.
const DEPTHS: [(&str, f64); 6] =
    [("8i", 255.0), ("10i", 1023.0), ("12i", 4095.0), ("16i", 65535.0), ("16f", 1.0), ("32f", 1.0)];
const NODES: [&str; 7] = ["Matrix", "LUT1D", "LUT3D", "Range", "Log", "Exponent", "ASC_CDL"];
/// What a list may hold beside its nodes.
const TALK: [&str; 5] = ["Description", "InputDescriptor", "OutputDescriptor", "Info", "Id"];

/// Reads a file, or names what is wrong in it, each problem at its place.
pub fn read(file: &Attachment) -> Result<Look, Problems> {
    let text = xml::text(file, SIZE_LIMIT).map_err(|problem| vec![problem])?;
    let root = xml::parse(file, text).map_err(|problem| vec![problem])?;
    let mut reader = Reader { file, text, problems: Problems::new() };
    let Some(root) = root else {
        return Err(vec![problem_in(file, 0, 0, "the file holds no ProcessList")]);
    };
    if root.name != "ProcessList" {
        reader.error(
            &root.place,
            format!("<{}> is not a Common LUT Format file", root.name),
            "the outermost element is ProcessList",
        );
        return Err(reader.problems);
    }
    reader.head(&root);
    let steps = reader.list(&root);
    if reader.problems.is_empty() { Ok(Look::new(steps)) } else { Err(reader.problems) }
}

/// A node's element and what its bit depths make of numbers.
struct Node<'e> {
    element: &'e Element,
    /// The number that stands for 1 in what comes in.
    from: f64,
    /// The number that stands for 1 in what goes out.
    to: f64,
}

struct Reader<'a> {
    file: &'a Attachment,
    text: &'a str,
    problems: Problems,
}

impl Reader<'_> {
    fn problem(&self, place: &Place, message: impl Into<String>, help: &str) -> Problem {
        let problem = problem_in(self.file, place.start, place.end, message);
        if help.is_empty() { problem } else { problem.help(help) }
    }

    fn error(&mut self, place: &Place, message: impl Into<String>, help: &str) {
        if self.problems.len() < PROBLEM_LIMIT {
            self.problems.push(self.problem(place, message, help));
        }
    }

    /// Keeps a result's value, or its problem.
    fn keep<T>(&mut self, result: Result<T, Problem>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(problem) if self.problems.len() < PROBLEM_LIMIT => {
                self.problems.push(problem);
                None
            }
            Err(_) => None,
        }
    }

    /// Namespace, version and name of the list.
    fn head(&mut self, root: &Element) {
        let spaces = root.attributes.iter().filter(|a| a.name == "xmlns" || a.name.starts_with("xmlns:"));
        let mut is_smpte = false;
        for space in spaces {
            match space.value.strip_prefix(SMPTE) {
                Some(EDITION) => is_smpte = true,
                Some(other) => {
                    let message = format!("this is the edition {other} of SMPTE ST 2136-1");
                    self.error(&root.place, message, "the edition of 2024 is read");
                }
                None if space.name == "xmlns" && !space.value.starts_with(ACADEMY) => {
                    let message = format!("'{}' is not a namespace of this format", xml::shown(&space.value));
                    self.error(
                        &root.place,
                        message,
                        "urn:AMPAS:CLF:v3.0, or http://www.smpte-ra.org/ns/2136-1/2024",
                    );
                }
                None => {}
            }
        }
        match root.attribute("compCLFversion").map(str::trim) {
            Some(version) if is_known(version) => {}
            Some(version) => {
                let message = format!("version '{}' is not known", xml::shown(version));
                self.error(&root.place, message, "compCLFversion is 3.0 or less, or ST2136-1:2024");
            }
            None if is_smpte => {}
            None => self.error(&root.place, "the list lacks 'compCLFversion'", "compCLFversion=\"3.0\""),
        }
        if !is_smpte && root.attribute("id").is_none_or(|id| id.trim().is_empty()) {
            self.error(
                &root.place,
                "the list lacks an 'id'",
                "the Academy's versions of the format want one",
            );
        }
        for attribute in &root.attributes {
            let known =
                ["id", "name", "compCLFversion", "inverseOf", "xmlns"].contains(&attribute.name.as_str());
            if !known && !attribute.name.contains(':') {
                self.error(&root.place, format!("'{}' is not an attribute of a list", attribute.name), "");
            }
        }
    }

    /// The steps of all nodes, whose bit depths must follow one another.
    fn list(&mut self, root: &Element) -> Vec<Step> {
        let mut steps = Vec::new();
        let mut last: Option<&'static str> = None;
        let mut count = 0;
        for element in &root.children {
            if TALK.contains(&element.name.as_str()) {
                continue;
            }
            if !NODES.contains(&element.name.as_str()) {
                let help = match nearest(&element.name, NODES) {
                    Some(near) => format!("did you mean {near}?"),
                    None => format!("known nodes: {}", NODES.join(", ")),
                };
                self.error(&element.place, format!("<{}> is not a node of this format", element.name), &help);
                continue;
            }
            count += 1;
            let (from, to) = (self.depth(element, "inBitDepth"), self.depth(element, "outBitDepth"));
            if let (Some(last), Some((from, _))) = (last, from)
                && last != from
            {
                let message = format!("the node takes {from}, and the one before it gives {last}");
                self.error(
                    &element.place,
                    message,
                    "a node's inBitDepth is the outBitDepth of the one before",
                );
            }
            last = to.map(|(name, _)| name);
            if let (Some((_, from)), Some((_, to))) = (from, to) {
                let made = self.node(&Node { element, from, to });
                steps.extend(self.keep(made).flatten());
            }
        }
        if count == 0 && self.problems.is_empty() {
            self.error(&root.place, "the list holds no node", &format!("nodes: {}", NODES.join(", ")));
        }
        steps
    }

    fn depth(&mut self, element: &Element, name: &str) -> Option<(&'static str, f64)> {
        let Some(value) = element.attribute(name) else {
            self.error(
                &element.place,
                format!("the node lacks '{name}'"),
                "one of: 8i, 10i, 12i, 16i, 16f, 32f",
            );
            return None;
        };
        let depth = DEPTHS.into_iter().find(|(depth, _)| *depth == value);
        if depth.is_none() {
            let message = format!("'{}' is not a bit depth", xml::shown(value));
            self.error(&element.place, message, "one of: 8i, 10i, 12i, 16i, 16f, 32f");
        }
        depth
    }

    /// The step of a node; none when it changes nothing.
    fn node(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        match node.element.name.as_str() {
            "Matrix" => self.matrix(node),
            "LUT1D" => self.table(node),
            "LUT3D" => self.lattice(node),
            "Range" => self.range(node),
            "Log" => self.log(node),
            "Exponent" => self.exponent(node),
            _ => self.cdl(node),
        }
    }

    /// Names attributes and elements that a node of this kind has not.
    fn only(&mut self, element: &Element, attributes: &[&str], children: &[&str]) {
        let common = ["id", "name", "inBitDepth", "outBitDepth"];
        for attribute in &element.attributes {
            let name = attribute.name.as_str();
            if !attributes.contains(&name)
                && !common.contains(&name)
                && !name.contains(':')
                && name != "xmlns"
            {
                let message = format!("'{name}' is not an attribute of {}", element.name);
                self.error(&element.place, message, "");
            }
        }
        for child in element.children.iter().filter(|c| c.name != "Description") {
            if !children.contains(&child.name.as_str()) {
                self.error(
                    &child.place,
                    format!("<{}> does not belong in a {}", child.name, element.name),
                    "",
                );
            }
        }
    }

    /// One of the words that an attribute may be, whatever the case of its letters, as its index; the first when it is not
    /// written.
    fn word(&self, element: &Element, name: &str, words: &[&str]) -> Result<usize, Problem> {
        let Some(value) = element.attribute(name) else { return Ok(0) };
        words.iter().position(|word| word.eq_ignore_ascii_case(value)).ok_or_else(|| {
            let message = format!("'{}' is not a choice for '{name}' of {}", xml::shown(value), element.name);
            self.problem(&element.place, message, &format!("one of: {}", words.join(", ")))
        })
    }

    /// The number that an attribute is.
    fn number(&self, element: &Element, name: &str) -> Result<Option<f64>, Problem> {
        let Some(value) = element.attribute(name) else { return Ok(None) };
        match xml::number(value.trim()) {
            Some(number) => Ok(Some(number)),
            None => {
                let message = format!("'{}' is not a number for '{name}'", xml::shown(value));
                Err(self.problem(&element.place, message, ""))
            }
        }
    }
}

fn is_known(version: &str) -> bool {
    if version == "ST2136-1:2024" {
        return true;
    }
    let parts: Option<Vec<u32>> = version.split('.').map(|part| part.parse().ok()).collect();
    parts.is_some_and(|parts| parts.len() <= 3 && parts[0] >= 1 && parts[..] <= [3, 0, 0][..])
}

#[cfg(test)]
mod refusal_tests;
#[cfg(test)]
mod tests;
