//! A first-pass grade for a shot from a reference shot, written as a file that a person edits.
//!
//! Knows which renders are compared, where the grade goes and when a file there is left alone. How pictures are compared
//! `operators::colour::matching` knows.

use std::sync::Arc;

use super::frames::{Frames, Lack, Lacking, LookError, range};
use super::standing::Standing;
use super::{Project, Status, naming};
use crate::base::selector::{Chosen, Selector};
use crate::declare::taken;
use crate::graph::{ASSEMBLY, FILM, NodeId, Work};
use crate::operators::Prepared;
use crate::operators::colour::cdl::Cdl;
use crate::operators::colour::cdl_xml;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::{Encoding, NAMES};
use crate::operators::colour::matching::{FirstPass, Samples, first_pass};

/// Frames of each shot that are compared, spread over those that are there.
const FRAMES: usize = 5;
/// Shots that have less than this in common are matched by guess.
pub const LITTLE: f64 = 0.35;
/// Folder of the grades that are written.
const FOLDER: &str = "grades";

/// What is to be matched.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The shot, with a stage and frames when they are said.
    pub shot: Selector,
    /// The reference, alike.
    pub to: Selector,
    /// A matte of both shots, `STAGE.CHANNEL`, within which alone they are compared.
    pub within: Option<String>,
    /// The space that the grade is made for; when not said, the one that the shot's grade stage works in.
    pub grade_in: Option<String>,
    /// Whether a file that a person changed is replaced.
    pub replace: bool,
}

/// A side of the comparison, as told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Side {
    /// `SHOT/STAGE`.
    pub stage: String,
    /// The frames that were compared.
    pub frames: Vec<i64>,
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct Matched {
    /// The grade and how well it does.
    pub found: FirstPass,
    /// The shot.
    pub shot: Side,
    /// The reference.
    pub to: Side,
    /// The space that the grade is made for.
    pub grade_in: String,
    /// The file that was written.
    pub file: String,
    /// Where the file that stood there was moved to.
    pub moved: Option<String>,
    /// What is to be known of the frames that were compared.
    pub remarks: Vec<String>,
}

fn said<T>(words: impl Into<String>) -> Result<T, LookError> {
    Err(LookError::Words(words.into()))
}

impl Project {
    /// Compares renders that are there and writes `grades/SHOT.cc`. Renders nothing. `writing` is called before anything is
    /// written.
    ///
    /// # Errors
    /// There is nothing to compare, or the file that stands there is a person's.
    pub fn match_shot(&self, wish: &Wish, writing: &dyn Fn()) -> Result<Matched, LookError> {
        let status = self.status(false, &|_, _| {})?;
        let graph = &status.declared.graph;
        let within = wish.within.as_deref();
        // All that is mistyped is told at once, the shot's first.
        let (shot, to) = match [(&wish.shot, true), (&wish.to, false)]
            .map(|(side, is_graded)| meant(&status, side, within, is_graded))
        {
            [Ok(shot), Ok(to)] => (shot, to),
            sides => {
                let mut wrong: Vec<String> = sides.into_iter().filter_map(Result::err).collect();
                wrong.dedup();
                return said(wrong.join("\n"));
            }
        };
        let name = shot.shot;
        let file = format!("{FOLDER}/{name}.cc");
        if let Some(taken) = status.declared.film.as_ref().and_then(|film| taken(&file, film)) {
            return said(format!("a grade cannot be put into {taken}"));
        }
        let standing = Standing::of(&self.folder, &file, wish.replace)?;
        let grade_in = match &wish.grade_in {
            Some(space) => space.clone(),
            None => graded_in(&status, name),
        };
        let working = graph.space.encoding();
        let space = match Encoding::named(&grade_in) {
            Some(space) => space,
            None if grade_in == "working" => working,
            None => {
                return said(format!("'{grade_in}' is not a space; one of: working, {}", NAMES.join(", ")));
            }
        };
        let mut remarks = Vec::new();
        let first = first_steps(&status, &shot, &mut remarks);
        let (of_shot, shot) = self.samples(&status, &shot, first, &mut remarks)?;
        let (of_reference, to) = self.samples(&status, &to, None, &mut remarks)?;
        for (samples, side) in [(&of_shot, &shot), (&of_reference, &to)] {
            let even = samples.is_even().then_some("the pictures show one even tone");
            if let Some(why) = samples.lack().or(even) {
                return Err(LookError::Nothing(format!(
                    "{} tells nothing to match by on {}: {why}; name other frames, or another stage",
                    side.stage,
                    side.told()
                )));
            }
        }
        let found = first_pass(&of_shot, &of_reference, working, space);
        let Some(found) = found.filter(|found| found.cdl != Cdl::default() || found.shared >= LITTLE) else {
            return Err(LookError::Nothing(format!(
                "nothing of {} on {} can be brought to {} on {}: no grade was found that brings their colours together, and \
                 no grade was written; name other frames, or compare more of them",
                shot.stage,
                shot.told(),
                to.stage,
                to.told()
            )));
        };
        let words = format!("First pass from {} to {}, made for the space {grade_in}.", shot.stage, to.stage);
        let text = cdl_xml::written(name, &words, &found.cdl);
        writing();
        let moved = standing.put(&text)?;
        Ok(Matched { found, shot, to, grade_in, file, moved, remarks })
    }

    /// Samples of a side's frames, those that are there, taken through what the grade `first` does before its CDL.
    fn samples(
        &self,
        status: &Status,
        side: &Meant<'_>,
        first: Option<&dyn Prepared>,
        remarks: &mut Vec<String>,
    ) -> Result<(Samples, Side), LookError> {
        let pictures = Frames::new(self, status, side.node);
        let mattes = side.matte.as_ref().map(|(node, channel)| (Frames::new(self, status, *node), channel));
        let all: Vec<i64> = side.chosen.within(pictures.range()).iter().collect();
        let has = |n: i64| pictures.has(n) && mattes.as_ref().is_none_or(|(mattes, _)| mattes.has(n));
        let frames: Vec<i64> = all.iter().copied().filter(|&n| has(n)).collect();
        let mut lacking = pictures.lacking(all.iter().copied());
        lacking.extend(mattes.iter().flat_map(|(mattes, _)| mattes.lacking(all.iter().copied())));
        if frames.is_empty() {
            if lacking.is_empty() {
                return said(format!(
                    "'{}' selects no frame: {} has {}",
                    side.text,
                    pictures.name(),
                    pictures.range()
                ));
            }
            return Err(Lacking(lacking).into());
        }
        let told =
            lacking.iter().map(|Lack { place, why, way }| format!("{place} is not compared: {why}; {way}"));
        remarks.extend(told);
        let count = frames.len().min(FRAMES);
        // The middle of each of so many parts.
        let frames: Vec<i64> = (0..count).map(|i| frames[(2 * i + 1) * frames.len() / (2 * count)]).collect();
        remarks.extend(pictures.remark(frames.iter().copied()));
        remarks.extend(mattes.as_ref().and_then(|(mattes, _)| mattes.remark(frames.iter().copied())));
        let mut looked = Vec::new();
        for &frame in &frames {
            let matte =
                mattes.as_ref().map(|(mattes, channel)| mattes.held_channel(frame, channel)).transpose()?;
            let steps = first.map_or_else(Chain::new, |grade| grade.before_cdl(frame));
            looked.push((pictures.image(frame)?, matte, steps));
        }
        remarks.extend(pictures.found());
        let samples = looked.iter().map(|(image, matte, steps)| (image, matte.as_deref(), steps));
        let samples = Samples::through(samples);
        Ok((samples, Side { stage: pictures.name(), frames }))
    }
}

impl Side {
    /// `frame 1004`, `frames 1003, 1006`.
    fn told(&self) -> String {
        let frames: Vec<String> = self.frames.iter().map(i64::to_string).collect();
        format!("{} {}", if frames.len() == 1 { "frame" } else { "frames" }, frames.join(", "))
    }
}

/// A side of the comparison, as it is meant.
struct Meant<'w> {
    text: &'w str,
    shot: &'w str,
    node: NodeId,
    chosen: Chosen,
    matte: Option<(NodeId, Arc<str>)>,
}

/// What a selector means; `is_graded` says that a grade is to be made for it.
fn meant<'w>(
    status: &Status,
    selector: &'w Selector,
    within: Option<&str>,
    is_graded: bool,
) -> Result<Meant<'w>, String> {
    let shot = plain(selector)?;
    if shot == FILM && (is_graded || selector.stage().is_some_and(|stage| stage.text() != ASSEMBLY)) {
        let what = if is_graded { "graded" } else { "compared" };
        return Err(format!(
            "'{}': the film's picture and its prints are no shot that could be {what}; name a shot",
            selector.text()
        ));
    }
    let node = compared(status, shot, selector)?;
    let matte = within.map(|text| naming::matte(&status.declared.graph, shot, text)).transpose();
    let matte = matte.map_err(|why| format!("--matte {why}"))?;
    let chosen = selector.frames().map_or(Chosen::All, |set| Chosen::Frames(set.clone()));
    Ok(Meant { text: selector.text(), shot, node, chosen, matte })
}

/// The one shot that a selector names.
fn plain(selector: &Selector) -> Result<&str, String> {
    match selector.shot().filter(|glob| glob.is_plain()) {
        Some(glob) => Ok(glob.text()),
        None => Err(format!("'{}' does not name one shot: SHOT or SHOT/STAGE is wanted", selector.text())),
    }
}

/// The stage of a shot that is compared: the one named, or what its grade is given.
fn compared(status: &Status, shot: &str, selector: &Selector) -> Result<NodeId, String> {
    let graph = &status.declared.graph;
    if let Some(stage) = selector.stage().filter(|stage| !stage.is_plain()) {
        return Err(format!(
            "'{}' does not name one stage, as {shot}/{} may be many",
            selector.text(),
            stage.text()
        ));
    }
    let name = selector.stage().map_or(shot.to_string(), |stage| format!("{shot}/{}", stage.text()));
    naming::selection(std::slice::from_ref(&name), Some(graph))?;
    if let Some(stage) = selector.stage() {
        return graph.find(shot, stage.text()).ok_or_else(|| format!("there is no stage {name}"));
    }
    let fed = grade_of(status, shot).and_then(|node| {
        graph.nodes[node].inputs.iter().find(|edge| edge.port == "picture").map(|edge| edge.from)
    });
    fed.ok_or_else(|| {
        format!("{shot} has no grade whose picture could be compared: name a stage, {shot}/STAGE")
    })
}

/// The grade that a shot's picture goes into as it is compared, where that changes it before its CDL: what comes before
/// must be in what the CDL is made for.
fn first_steps<'s>(
    status: &'s Status,
    side: &Meant<'_>,
    remarks: &mut Vec<String>,
) -> Option<&'s dyn Prepared> {
    let graph = &status.declared.graph;
    let node = &graph.nodes[grade_of(status, side.shot)?];
    let Work::Operator { prepared, .. } = &node.work else { return None };
    let frames = side.chosen.within(range(&status.declared, side.node));
    if frames.iter().all(|frame| prepared.before_cdl(frame).is_empty()) {
        return None;
    }
    let (stage, grade) = (graph.nodes[side.node].name(), node.name());
    let is_fed = node.inputs.iter().any(|edge| edge.port == "picture" && edge.from == side.node);
    remarks.push(match is_fed {
        true => format!("{stage} is compared with what {grade} does before its CDL: exposure, white balance, picture_in"),
        false => format!(
            "{stage} is compared as it is: what {grade} does before its CDL (exposure, white balance, picture_in) is not \
             counted, as it is given another picture"
        ),
    });
    is_fed.then_some(&**prepared)
}

/// The first grade of a shot.
fn grade_of(status: &Status, shot: &str) -> Option<NodeId> {
    status.declared.graph.nodes.iter().position(|node| &*node.shot == shot && node.kind() == "grade")
}

/// The space that the CDL of a shot's grade works in.
fn graded_in(status: &Status, shot: &str) -> String {
    let said = grade_of(status, shot).and_then(|node| {
        let ingredients = &status.declared.graph.nodes[node].ingredients;
        ingredients.iter().find(|ingredient| ingredient.name == "grade_in")?.text.clone()
    });
    said.unwrap_or_else(|| "working".into())
}
