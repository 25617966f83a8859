//! Reads grades from `.cdl`, `.ccc` and `.cc` files.
//!
//! Knows the ASC's XML (v1.2 and v1.01: `ColorDecisionList`, `ColorCorrectionCollection`, `ColorCorrection`) and how a
//! single grade is written. Does not know what a grade does to colour.

use std::collections::BTreeSet;

use super::cdl::{Cdl, Part, refusal};
use super::problem_in;
use super::xml::{self, Element, Place};
use crate::base::mark;
use crate::base::problem::{Problem, Problems, nearest};
use crate::operators::Attachment;

/// The largest file that is read, in bytes.
pub const SIZE_LIMIT: usize = 16 << 20;
/// Problems after which reading stops.
const PROBLEM_LIMIT: usize = 20;

/// A grade of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// Its `id`; empty when it has none.
    pub id: String,
    /// Its numbers.
    pub cdl: Cdl,
}

/// Reads all grades of a file in their order, or names every problem at its place.
pub fn read(file: &Attachment) -> Result<Vec<Correction>, Problems> {
    let text = xml::text(file, SIZE_LIMIT).map_err(|problem| vec![problem])?;
    let root = xml::parse(file, text).map_err(|problem| vec![problem])?;
    let mut walk = Walk { file, text, problems: Problems::new(), ids: BTreeSet::new(), done: Vec::new() };
    if let Some(root) = &root {
        if !["ColorDecisionList", "ColorCorrectionCollection", "ColorCorrection"]
            .contains(&root.name.as_str())
        {
            walk.error(
                &root.place,
                format!("<{}> is not a list of grades", root.name),
                "the outermost element is ColorDecisionList, ColorCorrectionCollection or ColorCorrection",
            );
        } else {
            walk.element(root);
        }
    }
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

/// The text of a `.cc` file with one grade, which says of itself what `words` say and carries a mark.
pub fn written(id: &str, words: &str, cdl: &Cdl) -> String {
    let three = |v: [f64; 3]| v.map(|n| (n + 0.0).to_string()).join(" ");
    let text = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <ColorCorrection xmlns=\"urn:ASC:CDL:v1.2\" id=\"{}\">\n  <Description>{}</Description>\n  \
         <Description>{}</Description>\n  <SOPNode>\n    <Slope>{}</Slope>\n    <Offset>{}</Offset>\n    \
         <Power>{}</Power>\n  </SOPNode>\n  <SatNode>\n    <Saturation>{}</Saturation>\n  </SatNode>\n</ColorCorrection>\n",
        quick_xml::escape::escape(id),
        quick_xml::escape::escape(words),
        mark::PLACE,
        three(cdl.slope),
        three(cdl.offset),
        three(cdl.power),
        cdl.saturation + 0.0,
    );
    mark::sealed(&text)
}

struct Walk<'a> {
    file: &'a Attachment,
    text: &'a str,
    problems: Problems,
    ids: BTreeSet<String>,
    done: Vec<Correction>,
}

impl Walk<'_> {
    fn error(&mut self, place: &Place, message: impl Into<String>, help: &str) {
        if self.problems.len() < PROBLEM_LIMIT {
            let problem = problem_in(self.file, place.start, place.end, message);
            self.problems.push(if help.is_empty() { problem } else { problem.help(help) });
        }
    }

    /// Grades wherever they stand among elements that only hold others.
    fn element(&mut self, element: &Element) {
        if element.name == "ColorCorrection" {
            return self.grade(element);
        }
        for child in &element.children {
            self.element(child);
        }
    }

    fn grade(&mut self, element: &Element) {
        let before = self.problems.len();
        let numbers = numbers_of(self.file, self.text, element);
        match numbers {
            Ok(cdl) => {
                let id = element.attribute("id").unwrap_or_default().to_string();
                if !id.is_empty() && !self.ids.insert(id.clone()) {
                    return self.error(
                        &element.place,
                        format!("a second grade '{id}'"),
                        "names of grades differ",
                    );
                }
                self.done.push(Correction { id, cdl });
            }
            Err(problems) => self.problems.extend(problems),
        }
        self.problems.truncate(PROBLEM_LIMIT.max(before));
        if let Some(inner) = element.children.iter().find(|c| c.name == "ColorCorrection") {
            self.error(&inner.place, "a ColorCorrection inside another", "");
        }
    }
}

/// The numbers of an element that holds a SOPNode, a SatNode or both.
///
/// # Errors
/// Every number that cannot stand where it stands, and every part that is missing or given twice.
pub fn numbers_of(file: &Attachment, text: &str, element: &Element) -> Result<Cdl, Problems> {
    let mut problems = Problems::new();
    let mut cdl = Cdl::default();
    let mut seen: Vec<&str> = Vec::new();
    let mut wrong = |place: &Place, message: String, help: &str| {
        let problem = problem_in(file, place.start, place.end, message);
        problems.push(if help.is_empty() { problem } else { problem.help(help) });
    };
    for node in &element.children {
        let parts: &[(&str, Part)] = match node.name.as_str() {
            "SOPNode" => &[("Slope", Part::Slope), ("Offset", Part::Offset), ("Power", Part::Power)],
            "SatNode" | "SATNode" => &[("Saturation", Part::Saturation)],
            _ => continue,
        };
        let missing: Vec<&str> =
            parts.iter().map(|(name, _)| *name).filter(|name| node.child(name).is_none()).collect();
        if !missing.is_empty() {
            let message = format!("the {} of this grade lacks {}", node.name, missing.join(" and "));
            let help = if parts.len() > 1 {
                "a SOPNode holds Slope, Offset and Power, three numbers each"
            } else {
                "a SatNode holds Saturation, one number"
            };
            wrong(&node.place, message, help);
        }
        for child in &node.children {
            let Some(&(name, part)) = parts.iter().find(|(name, _)| *name == child.name) else { continue };
            if seen.contains(&name) {
                wrong(&child.place, "this part of the grade is given twice".into(), "keep one of them");
                continue;
            }
            seen.push(name);
            let read = match part {
                Part::Saturation => numbers::<1>(part, text, child).map(|[n]| cdl.saturation = n),
                Part::Slope => numbers(part, text, child).map(|n| cdl.slope = n),
                Part::Offset => numbers(part, text, child).map(|n| cdl.offset = n),
                Part::Power => numbers(part, text, child).map(|n| cdl.power = n),
            };
            if let Err((place, message)) = read {
                wrong(&place, message, "");
            }
        }
    }
    if problems.is_empty() { Ok(cdl) } else { Err(problems) }
}

/// Reads exactly `N` numbers that a part of a grade may hold.
fn numbers<const N: usize>(part: Part, text: &str, element: &Element) -> Result<[f64; N], (Place, String)> {
    if let Some(child) = element.children.first() {
        return Err((child.place.clone(), "only numbers may stand here".into()));
    }
    let mut out = [0.0; N];
    let mut count = 0;
    for (place, word) in element.words(text) {
        let Some(number) = xml::number(word) else {
            return Err((place, format!("'{}' is not a number", xml::shown(word))));
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
        Err((element.content.clone(), format!("{N} numbers are wanted here, not {count}")))
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
    fn older_files_write_the_node_of_saturation_in_capitals() {
        let text = cc("<SATNode><Saturation>0.5</Saturation></SATNode>");
        assert_eq!(read(&attached(&text)).unwrap()[0].cdl.saturation, 0.5);
    }

    /// Reading goes on after a problem, so that one run names them all.
    #[test]
    fn every_problem_is_named_in_one_run() {
        let bad = "<SOPNode><Slope>1 -2 1</Slope><Offset>0 0</Offset><Power>1 0 1</Power></SOPNode>";
        assert_eq!(read(&attached(&cc(bad))).unwrap_err().len(), 3);
    }

    #[test]
    fn a_written_grade_is_read_again_and_tells_whether_it_was_changed() {
        let cdl = Cdl {
            slope: [1.1, 1.0, 0.9],
            offset: [0.02, -0.0, -0.03],
            power: [0.95, 1.0, 1.1],
            saturation: 1.2,
        };
        let text = written("br020", "First pass: br020 to br030 <& back>", &cdl);
        let read = read(&attached(&text)).unwrap();
        assert_eq!(read, [Correction { id: "br020".into(), cdl }]);
        assert!(mark::is_as_written(&text), "{text}");
        for changed in [
            text.replace("1.1 1 0.9", "1.2 1 0.9"),
            text.replace("back", "forth"),
            format!("{text}\n"),
            cc(""),
        ] {
            assert!(!mark::is_as_written(&changed), "{changed}");
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
