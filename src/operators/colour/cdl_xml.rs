//! Reads grades from `.cdl`, `.ccc` and `.cc` files.
//!
//! Knows the ASC's XML (v1.2 and v1.01: `ColorDecisionList`, `ColorCorrectionCollection`, `ColorCorrection`) and
//! takes files from strangers: nothing is expanded, no document type is accepted and memory stays
//! below a few times the file's size. Does not know what a grade does to colour.

use std::collections::BTreeSet;
use std::ops::Range;

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

use super::cdl::{Cdl, Part, refusal};
use super::problem_in;
use crate::base::problem::{Problem, Problems, nearest};
use crate::operators::Attachment;

/// The largest file that is read, in bytes.
pub const SIZE_LIMIT: usize = 16 << 20;
/// The deepest nesting of elements that is read.
const DEPTH_LIMIT: usize = 32;

/// A grade of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// Its `id`; empty when it has none.
    pub id: String,
    /// Its numbers.
    pub cdl: Cdl,
}

/// Reads all grades of a file in their order. Every problem is named at its place; reading stops at the first
/// that makes the rest unsure.
pub fn read(file: &Attachment) -> Result<Vec<Correction>, Problems> {
    if file.bytes.len() > SIZE_LIMIT {
        return Err(vec![
            problem_in(file, 0, 0, "the file is too large for a list of grades")
                .help("at most 16 MiB are read"),
        ]);
    }
    let Ok(text) = std::str::from_utf8(&file.bytes) else {
        return Err(vec![problem_in(file, 0, 0, "the file is not UTF-8 text")]);
    };
    let mut walk = Walk {
        file,
        problems: Problems::new(),
        stack: Vec::new(),
        open: None,
        ids: BTreeSet::new(),
        done: Vec::new(),
    };
    walk.run(text);
    if walk.problems.is_empty() && walk.done.is_empty() {
        walk.problems.push(
            problem_in(file, 0, 0, "the file holds no grade").help("a grade is a ColorCorrection element"),
        );
    }
    if walk.problems.is_empty() { Ok(walk.done) } else { Err(walk.problems) }
}

/// The grade named `id`, or the only one when no name is given.
pub fn choose(file: &Attachment, grades: &[Correction], id: Option<&str>) -> Result<Cdl, Problem> {
    let ids = || {
        let shown: Vec<&str> = grades.iter().take(20).map(|g| g.id.as_str()).collect();
        format!("its grades: {}{}", shown.join(", "), if grades.len() > 20 { ", …" } else { "" })
    };
    match (id, grades) {
        (None, [one]) => Ok(one.cdl),
        (None, _) => Err(problem_in(
            file,
            0,
            0,
            format!("the file holds {} grades and cdl_id names none", grades.len()),
        )
        .help(ids())),
        (Some(id), _) => grades.iter().find(|g| g.id == id).map(|g| g.cdl).ok_or_else(|| {
            let problem = problem_in(file, 0, 0, format!("the file has no grade '{id}'"));
            match nearest(id, grades.iter().map(|g| g.id.as_str())) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem.help(ids()),
            }
        }),
    }
}

/// A grade being read.
struct Open {
    /// Depth of its element.
    depth: usize,
    place: Range<usize>,
    id: String,
    slope: Option<[f64; 3]>,
    offset: Option<[f64; 3]>,
    power: Option<[f64; 3]>,
    saturation: Option<[f64; 1]>,
    has_sop: bool,
}

struct Element {
    name: Vec<u8>,
    /// Where its content starts.
    content: usize,
    /// True once it held another element.
    has_child: bool,
}

struct Walk<'a> {
    file: &'a Attachment,
    problems: Problems,
    stack: Vec<Element>,
    open: Option<Open>,
    ids: BTreeSet<String>,
    done: Vec<Correction>,
}

impl Walk<'_> {
    fn run(&mut self, text: &str) {
        let mut reader = Reader::from_str(text);
        reader.config_mut().expand_empty_elements = true;
        let mut roots = 0;
        while self.problems.is_empty() {
            let start = reader.buffer_position() as usize;
            let event = reader.read_event();
            let place = start.min(text.len())..(reader.buffer_position() as usize).min(text.len());
            match event {
                Ok(Event::Start(tag)) => {
                    if self.stack.is_empty() {
                        roots += 1;
                        self.root(&tag, roots, &place);
                    }
                    self.start(&tag, place);
                }
                Ok(Event::End(_)) => self.end(text, place),
                Ok(Event::DocType(_)) => {
                    self.error(place, "a document type is not accepted here", "remove the <!DOCTYPE …> part");
                }
                Ok(Event::Eof) => {
                    if let Some(open) = self.stack.last() {
                        let name = String::from_utf8_lossy(&open.name).into_owned();
                        self.error(place, format!("the file ends inside <{name}>"), "close every element");
                    }
                    return;
                }
                Ok(_) => {}
                Err(error) => {
                    let at = (reader.error_position() as usize).min(text.len());
                    self.error(at..place.end.max(at), format!("this is not sound XML: {error}"), "");
                }
            }
        }
    }

    fn error(&mut self, place: Range<usize>, message: impl Into<String>, help: &str) {
        let problem = problem_in(self.file, place.start, place.end, message);
        self.problems.push(if help.is_empty() { problem } else { problem.help(help) });
    }

    fn root(&mut self, tag: &BytesStart<'_>, roots: usize, place: &Range<usize>) {
        let name = tag.local_name();
        let known: [&[u8]; 3] = [b"ColorDecisionList", b"ColorCorrectionCollection", b"ColorCorrection"];
        if !known.contains(&name.as_ref()) {
            let name = String::from_utf8_lossy(name.as_ref()).into_owned();
            self.error(
                place.clone(),
                format!("<{name}> is not a list of grades"),
                "the outermost element is ColorDecisionList, ColorCorrectionCollection or ColorCorrection",
            );
        } else if roots > 1 {
            self.error(
                place.clone(),
                "a second outermost element",
                "put grades into one ColorCorrectionCollection",
            );
        }
    }

    fn start(&mut self, tag: &BytesStart<'_>, place: Range<usize>) {
        if self.stack.len() >= DEPTH_LIMIT {
            return self.error(place, "elements are nested too deep", "");
        }
        if let Some(parent) = self.stack.last_mut() {
            parent.has_child = true;
        }
        let name = tag.local_name();
        match name.as_ref() {
            b"ColorCorrection" => {
                if self.open.is_some() {
                    return self.error(place, "a ColorCorrection inside another", "");
                }
                let id = match tag.try_get_attribute("id") {
                    Ok(Some(id)) => match id.normalized_value(quick_xml::XmlVersion::Explicit1_0) {
                        Ok(id) => id.into_owned(),
                        Err(error) => {
                            return self.error(place, format!("the id cannot be read: {error}"), "");
                        }
                    },
                    Ok(None) => String::new(),
                    Err(error) => {
                        return self.error(place, format!("this is not sound XML: {error}"), "");
                    }
                };
                self.open = Some(Open {
                    depth: self.stack.len(),
                    place: place.clone(),
                    id,
                    slope: None,
                    offset: None,
                    power: None,
                    saturation: None,
                    has_sop: false,
                });
            }
            b"SOPNode" => {
                if let Some(open) = &mut self.open {
                    open.has_sop = true;
                }
            }
            _ => {}
        }
        self.stack.push(Element { name: name.as_ref().to_vec(), content: place.end, has_child: false });
    }

    fn end(&mut self, text: &str, place: Range<usize>) {
        let Some(element) = self.stack.pop() else { return };
        let parent = self.stack.last().map(|e| e.name.as_slice());
        let part = match (element.name.as_slice(), parent) {
            (b"Slope", Some(b"SOPNode")) => Some(Part::Slope),
            (b"Offset", Some(b"SOPNode")) => Some(Part::Offset),
            (b"Power", Some(b"SOPNode")) => Some(Part::Power),
            (b"Saturation", Some(b"SatNode" | b"SATNode")) => Some(Part::Saturation),
            _ => None,
        };
        if let Some(part) = part.filter(|_| self.open.is_some()) {
            let content = element.content.min(place.start)..place.start;
            if element.has_child {
                return self.error(content, "only numbers may stand here", "");
            }
            self.part(part, text, content);
        } else if element.name == b"ColorCorrection"
            && self.open.as_ref().is_some_and(|o| o.depth == self.stack.len())
        {
            self.close();
        }
    }

    /// Reads the numbers of a part; `content` is their place.
    fn part(&mut self, part: Part, text: &str, content: Range<usize>) {
        let result = match part {
            Part::Saturation => numbers::<1>(part, text, &content).map(|n| (n[0], [0.0; 3])),
            _ => numbers::<3>(part, text, &content).map(|n| (0.0, n)),
        };
        let (saturation, three) = match result {
            Ok(numbers) => numbers,
            Err((place, message)) => return self.error(place, message, ""),
        };
        let Some(open) = &mut self.open else { return };
        let twice = match part {
            Part::Slope => open.slope.replace(three).is_some(),
            Part::Offset => open.offset.replace(three).is_some(),
            Part::Power => open.power.replace(three).is_some(),
            Part::Saturation => open.saturation.replace([saturation]).is_some(),
        };
        if twice {
            self.error(content, "this part of the grade is given twice", "keep one of them");
        }
    }

    fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        let neutral = Cdl::default();
        let missing: Vec<&str> = [
            ("Slope", open.slope.is_none()),
            ("Offset", open.offset.is_none()),
            ("Power", open.power.is_none()),
        ]
        .into_iter()
        .filter_map(|(name, missing)| missing.then_some(name))
        .collect();
        if open.has_sop && !missing.is_empty() {
            return self.error(
                open.place,
                format!("the SOPNode of this grade lacks {}", missing.join(" and ")),
                "a SOPNode holds Slope, Offset and Power, three numbers each",
            );
        }
        if !open.id.is_empty() && !self.ids.insert(open.id.clone()) {
            return self.error(open.place, format!("a second grade '{}'", open.id), "names of grades differ");
        }
        let cdl = Cdl {
            slope: open.slope.unwrap_or(neutral.slope),
            offset: open.offset.unwrap_or(neutral.offset),
            power: open.power.unwrap_or(neutral.power),
            saturation: open.saturation.map_or(neutral.saturation, |[s]| s),
        };
        self.done.push(Correction { id: open.id, cdl });
    }
}

/// Reads exactly `N` numbers that a part of a grade may hold.
fn numbers<const N: usize>(
    part: Part,
    text: &str,
    content: &Range<usize>,
) -> Result<[f64; N], (Range<usize>, String)> {
    let inside = &text[content.clone()];
    let mut out = [0.0; N];
    let mut count = 0;
    for word in inside.split_ascii_whitespace() {
        // The word lies in the text, so the distance of their starts is its place.
        let start = word.as_ptr() as usize - text.as_ptr() as usize;
        let place = start..start + word.len();
        let plausible = word.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
        let number = word.parse::<f64>().ok().filter(|n| plausible && n.is_finite());
        let Some(number) = number else {
            let shown: String = word.chars().take(40).collect();
            return Err((place, format!("'{shown}' is not a number")));
        };
        if let Some(reason) = refusal(part, number) {
            return Err((place, format!("{number} cannot stand here: {reason}")));
        }
        if count < N {
            out[count] = number;
        }
        count += 1;
    }
    if count == N {
        Ok(out)
    } else {
        Err((content.clone(), format!("{N} numbers are wanted here, not {count}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::{SourceId, Sources};

    fn attached(text: &str) -> Attachment {
        Attachment {
            path: "grades/br030.cdl".into(),
            bytes: text.as_bytes().into(),
            source: Some(SourceId(0)),
        }
    }

    fn first_problem(text: &str) -> (String, String) {
        let problems = read(&attached(text)).unwrap_err();
        let mut sources = Sources::new();
        sources.add("g.cdl", text);
        (sources.place(problems[0].span.unwrap()), problems[0].message.clone())
    }

    fn cc(inside: &str) -> String {
        format!("<ColorCorrection id=\"br030\">\n{inside}\n</ColorCorrection>")
    }

    #[test]
    fn the_three_kinds_of_file_of_the_outside_checks_are_read() {
        let text = include_str!("../../../tests/checks/cdl.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        for kind in ["cdl", "ccc", "cc"] {
            let grades = read(&attached(all["xml"][kind]["text"].as_str().unwrap())).unwrap();
            let wanted = all["xml"]["ocio_reads"][kind].as_array().unwrap();
            assert_eq!(grades.len(), wanted.len(), "{kind}");
            for (grade, want) in grades.iter().zip(wanted) {
                assert_eq!(grade.id, want["id"].as_str().unwrap());
                for i in 0..3 {
                    assert_eq!(grade.cdl.slope[i], want["slope"][i].as_f64().unwrap());
                    assert_eq!(grade.cdl.offset[i], want["offset"][i].as_f64().unwrap());
                    assert_eq!(grade.cdl.power[i], want["power"][i].as_f64().unwrap());
                }
                assert_eq!(grade.cdl.saturation, want["sat"].as_f64().unwrap());
            }
        }
    }

    #[test]
    fn a_grade_is_chosen_by_name_or_by_being_the_only_one() {
        let one = Correction { id: "br030".into(), cdl: Cdl::default() };
        let two = Correction { id: "br040".into(), cdl: Cdl { saturation: 0.5, ..Cdl::default() } };
        let file = attached("");
        assert_eq!(choose(&file, std::slice::from_ref(&one), None), Ok(one.cdl));
        let both = [one, two.clone()];
        assert_eq!(choose(&file, &both, Some("br040")), Ok(two.cdl));
        assert!(choose(&file, &both, None).unwrap_err().help.unwrap().contains("br030, br040"));
        assert_eq!(
            choose(&file, &both, Some("br004")).unwrap_err().help.as_deref(),
            Some("did you mean 'br040'?")
        );
    }

    #[test]
    fn problems_stand_at_their_place() {
        let sop = |s: &str| {
            cc(&format!("<SOPNode><Slope>{s}</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>"))
        };
        assert_eq!(first_problem(&sop("1 -2 1")).0, "g.cdl:2:19");
        assert!(first_problem(&sop("1 nan 1")).1.contains("not a number"));
        assert!(first_problem(&sop("1 1e400 1")).1.contains("not a number"));
        assert!(first_problem(&sop("1 1")).1.contains("3 numbers are wanted here, not 2"));
        assert!(first_problem(&sop("1 <b/> 1 1")).1.contains("only numbers"));
        assert!(first_problem(&cc("<SOPNode><Slope>1 1 1</Slope></SOPNode>")).1.contains("Offset and Power"));
        assert!(
            first_problem(&cc("<SatNode><Saturation>-1</Saturation></SatNode>")).1.contains("at least 0")
        );
        assert!(first_problem("<a/>").1.contains("not a list of grades"));
        assert!(first_problem("<ColorCorrection>").1.contains("ends inside"));
        assert!(first_problem("").1.contains("holds no grade"));
        assert!(first_problem(&cc("</x>")).1.contains("not sound XML"));
    }

    #[test]
    fn document_types_and_deep_nesting_are_refused() {
        let bomb =
            format!("<!DOCTYPE a [<!ENTITY b \"1 1 1\">]>\n{}", cc("<SOPNode><Slope>&b;</Slope></SOPNode>"));
        assert!(first_problem(&bomb).1.contains("document type"));
        let entity = cc("<SatNode><Saturation>&b;</Saturation></SatNode>");
        assert!(first_problem(&entity).1.contains("not a number"));
        let deep = cc(&"<a>".repeat(100_000));
        assert!(first_problem(&deep).1.contains("nested too deep"));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..300)) {
            let file = Attachment { path: "a.cdl".into(), bytes: bytes.into(), source: None };
            let _ = read(&file);
        }

        #[test]
        fn no_damage_makes_it_panic(at in 0usize..400, byte in proptest::prelude::any::<u8>(), cut in 0usize..400) {
            let text = cc("<SOPNode><Slope>1 1 1</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>");
            let mut bytes = text.into_bytes();
            let at = at % bytes.len();
            bytes[at] = byte;
            bytes.truncate(cut.max(1));
            let _ = read(&Attachment { path: "a.cdl".into(), bytes: bytes.into(), source: Some(SourceId(0)) });
        }
    }
}
