//! Handing out: frames of a hand stage with what a person needs to make them, as a packet.
//!
//! Knows what goes into a packet and that the ledger learns what each frame rests on. Inputs that are not as declared are handed
//! out only when that is asked for.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::Date;

use super::inputs::{self, Source};
use super::{Hand, PACKETS, contents, hand, in_rows};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::made::{MadeOf, NONE};
use crate::base::selector::Selection;
use crate::base::state::State;
use crate::crew::naming;
use crate::ledger::crew::{Crew, Handout};
use crate::ledger::file::{DIGESTS_A_ROW, Ledger};
use crate::ledger::id::Ids;
use crate::ledger::row::{Row, What};
use crate::packet::write::{Writer as Bag, Written};
use crate::project::frames::{Lack, Lacking, LookError};
use crate::project::naming::is_named;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError, Status, chosen, wanted};
use crate::store::actions::Action;

/// Letters that a packet's name ends in: 20^6 names a person and day.
const LETTERS: usize = 6;

/// How frames are handed out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// As they are.
    Exr,
    /// As a screen shows them, without loss.
    Png,
    /// As a screen shows them, smaller.
    Jpeg,
}

impl Form {
    /// What its files' names end in.
    pub(super) fn ending(self) -> &'static str {
        match self {
            Self::Exr => "exr",
            Self::Png => "png",
            Self::Jpeg => "jpg",
        }
    }
}

/// What is to be handed out, how and to whom.
pub struct Order<'a> {
    /// Shots of one hand stage, and frames of them.
    pub selection: &'a Selection,
    /// To whom.
    pub person: &'a str,
    /// By when.
    pub due: Option<Date>,
    /// What to do.
    pub words: &'a str,
    /// How frames are written.
    pub form: Form,
    /// Whether a zip is written, in place of a folder.
    pub as_zip: bool,
    /// The folder to write into.
    pub out: Option<PathBuf>,
    /// So many frames more at each end of a run are there to look at.
    pub around: i64,
    /// Whether inputs go out that are not as declared.
    pub as_it_is: bool,
    /// Whether it is only looked at what would go out, and nothing is written.
    pub plan: bool,
    /// Who hands out.
    pub writer: &'a Writer,
    /// When.
    pub now: Timestamp,
    /// The day of that.
    pub today: Date,
}

/// Files of one kind in a packet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Content {
    /// Their path there, with `####` for a frame's number.
    pub path: String,
    /// Their frames; empty where they are of none.
    pub frames: String,
    /// What they are.
    pub says: String,
}

/// What was handed out, or would be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HandedOut {
    /// The packet's name; none while it is only planned, as part of it is drawn.
    pub packet: Option<String>,
    /// Where it lies; while it is only planned, the folder that it would lie in.
    pub place: PathBuf,
    /// How many files it holds.
    pub files: u64,
    /// Bytes of all of them.
    pub bytes: u64,
    /// What a person finds in it beside the brief.
    pub contents: Vec<Content>,
    /// `SHOT/STAGE@FRAMES`, and how many.
    pub parts: Vec<(String, usize)>,
    /// Frames that others have too, with who has them since when.
    pub overlaps: Vec<(String, String)>,
    /// What went out although it is not as declared.
    pub as_it_is: Vec<Lack>,
    /// What a person should know besides.
    pub remarks: Vec<String>,
}

/// One shot's part of a packet.
pub(super) struct Part<'a> {
    pub hand: Hand<'a>,
    pub frames: FrameSet,
    pub rests_on: BTreeMap<i64, (Digest, Vec<Digest>)>,
}

impl Project {
    /// Hands frames out, or looks what would go out.
    ///
    /// # Errors
    /// Nothing that a person is to make is selected, inputs are not there or not as declared, or the disk refuses.
    pub fn hand_out(&self, order: &Order<'_>) -> Result<HandedOut, LookError> {
        let _lock = (!order.plan).then(|| self.lock(order.writer)).transpose()?;
        let mut remarks = if order.plan { Vec::new() } else { self.finish_taking(order.writer)? };
        let status = self.status(false, &|_, _| {})?;
        remarks.extend(guest(&status, order));
        if order.words.trim().is_empty() {
            let why = "the brief names the frames and files, and not what to do; `--brief WORDS` says it";
            remarks.push(why.to_string());
        }
        let (parts, as_it_is) = self.parts(&status, order)?;
        let overlaps = overlaps(&status, &parts);
        let within = order.out.clone().unwrap_or_else(|| self.folder.join(PACKETS));
        let told =
            |part: &Part<'_>| (format!("{}@{}", part.hand.node.name(), part.frames), part.frames.len());
        let places = parts.iter().map(told).collect();
        let name = free_name(&status, &within, order);
        let bag = match order.plan {
            true => Bag::counting(&within),
            false => Bag::begin(&within, &name, order.as_zip).map_err(contents::failed)?,
        };
        let (Written { place, files, bytes }, contents) =
            self.write_packet(&status, order, &name, bag, &parts)?;
        if !order.plan {
            self.note_handout(&status, order, &name, &parts).map_err(|why| {
                let place = place.display();
                ProjectError::System(format!(
                    "{place} is written, but the film does not know of it: {why}; take it away and hand out once more"
                ))
            })?;
        }
        let packet = (!order.plan).then_some(name);
        Ok(HandedOut { packet, place, files, bytes, contents, parts: places, overlaps, as_it_is, remarks })
    }

    /// What is to go out, and what of it is not as declared and goes out all the same.
    fn parts<'s>(
        &self,
        status: &'s Status,
        order: &Order<'_>,
    ) -> Result<(Vec<Part<'s>>, Vec<Lack>), LookError> {
        let (mut as_it_is, mut parts) = (Vec::new(), Vec::new());
        for (hand, frames) in pick(status, order.selection)? {
            as_it_is.extend(self.sound(status, hand, &frames, order)?);
            let resting = inputs::rest_on(self, status, hand, &frames, order.as_it_is);
            let rests_on =
                resting.into_iter().filter_map(|(n, on)| Some((n, on?))).collect::<BTreeMap<_, _>>();
            if let Some(n) = frames.iter().find(|n| !rests_on.contains_key(n)) {
                let place = crate::stale::place(hand.node, n);
                let (why, way) =
                    ("an input of it cannot be read".into(), format!("`endboard why {place}` says more"));
                return Err(Lacking(vec![Lack { place, why, way }]).into());
            }
            parts.push(Part { hand, frames, rests_on });
        }
        Ok((parts, as_it_is))
    }

    /// Whether the inputs of frames are there and as declared; gives those that are not and go out all the same.
    fn sound(
        &self,
        status: &Status,
        hand: Hand<'_>,
        frames: &FrameSet,
        order: &Order<'_>,
    ) -> Result<Vec<Lack>, LookError> {
        let (mut lacking, mut kept) = (Vec::new(), Vec::new());
        for from in hand.node.inputs.iter().map(|edge| edge.from).collect::<BTreeSet<_>>() {
            let source = Source::new(self, status, from, order.as_it_is);
            lacking.extend(source.lacking(frames));
            let odd = source.kept(frames);
            if !odd.is_empty() {
                let place = format!("{}@{odd}", status.declared.graph.nodes[from].name());
                let way = "rebuild it first, or hand it out so with --as-it-is".into();
                kept.push(Lack { place, why: "not as declared".into(), way });
            }
        }
        if !order.as_it_is {
            lacking.append(&mut kept);
        }
        if lacking.is_empty() { Ok(kept) } else { Err(Lacking(lacking).into()) }
    }

    /// Tells the ledger what is out and what it rests on, and the store what that is made of.
    fn note_handout(
        &self,
        status: &Status,
        order: &Order<'_>,
        name: &str,
        parts: &[Part<'_>],
    ) -> Result<(), ProjectError> {
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &order.writer.name)?;
        let graph = &status.declared.graph;
        let sentence: String = order.words.split_whitespace().collect::<Vec<_>>().join(" ");
        let sentence: String = sentence.chars().take(400).collect();
        for part in parts {
            let frames: Vec<i64> = part.frames.iter().collect();
            for (begin, set) in in_rows(&frames) {
                let of_row = &frames[begin..(begin + DIGESTS_A_ROW).min(frames.len())];
                let handout = Handout {
                    packet: name.into(),
                    person: order.person.into(),
                    due: order.due,
                    digests: of_row.iter().map(|n| part.rests_on[n].0).collect(),
                    note: sentence.as_str().into(),
                };
                ledger.append(&Row {
                    when: order.now,
                    film: graph.film.as_str().into(),
                    shot: part.hand.node.shot.clone(),
                    stage: part.hand.node.stage.clone(),
                    frames: set,
                    by: order.writer.name.as_str().into(),
                    what: What::Crew(Crew::Handout(handout)),
                })?;
            }
            for (rests_on, inputs) in part.rests_on.values().filter(|(on, _)| !status.actions.has(on)) {
                let identity = part.hand.node.identity;
                let made_of =
                    MadeOf { identity, parameters: NONE, ingredients: NONE, inputs: inputs.clone() };
                status.actions.put(&Action { key: *rests_on, pixels: NONE, planes: Vec::new(), made_of })?;
            }
        }
        Ok(())
    }
}

/// The hand stages and frames that a selection means.
fn pick<'a>(status: &'a Status, selection: &Selection) -> Result<Vec<(Hand<'a>, FrameSet)>, LookError> {
    let graph = &status.declared.graph;
    let picked = wanted(graph, selection);
    let mut all: Vec<(Hand<'_>, FrameSet)> = Vec::new();
    for (id, node) in graph.nodes.iter().enumerate() {
        let Some(of) = hand(status, id) else {
            if picked[id].is_some() && is_named(selection, &node.shot, &node.stage) {
                return Err(LookError::Words(format!(
                    "{} is not made by hand; name a hand stage",
                    node.name()
                )));
            }
            continue;
        };
        let frames = chosen(picked[id].as_ref(), node.frames);
        let names_frames = selection
            .selectors
            .iter()
            .any(|s| s.frames().is_some() && s.matches(&node.shot, &node.stage).is_some());
        let waits = |n: &i64| {
            let cell = status.report.strips[id].get(*n);
            names_frames || cell.is_some_and(|cell| cell.state != State::Fresh)
        };
        let frames: FrameSet = frames.iter().filter(waits).collect();
        if !frames.is_empty() {
            all.push((of, frames));
        }
    }
    let mut stages: Vec<&str> = all.iter().map(|(hand, _)| &*hand.node.stage).collect();
    stages.sort_unstable();
    stages.dedup();
    match stages[..] {
        [] => Err(LookError::Nothing(
            "nothing that is selected waits for a person; name frames, such as br050/cleanup@1001-1004, to hand them out all the same"
                .into(),
        )),
        [_] => Ok(all),
        _ => Err(LookError::Words(format!(
            "a packet is of one stage, and these are {}; name one, such as {}",
            stages.join(", "),
            all[0].0.node.name()
        ))),
    }
}

/// Frames that others have as well.
fn overlaps(status: &Status, parts: &[Part<'_>]) -> Vec<(String, String)> {
    let mut all: Vec<(String, FrameSet, String)> = Vec::new();
    for part in parts {
        let node = part.hand.node;
        for n in part.frames.iter() {
            for packet in status.packets.out(&node.shot, &node.stage, n) {
                let who = crate::project::past::with_whom(packet);
                match all.iter_mut().find(|(of, _, other)| *of == node.name() && *other == who) {
                    Some((_, set, _)) => set.insert(n),
                    None => all.push((node.name(), [n].into_iter().collect(), who)),
                }
            }
        }
    }
    all.into_iter().map(|(name, set, who)| (format!("{name}@{set}"), who)).collect()
}

/// What is said of a person whom `crew:` does not name, where there is one. It may be a guest, and it may be a slip of the pen: hours
/// under a name that is off by a letter are lost from sight.
fn guest(status: &Status, order: &Order<'_>) -> Option<String> {
    let person = order.person;
    let people = &status.declared.film.as_ref()?.crew.as_ref()?.people;
    if people.is_empty() || people.contains_key(person) {
        return None;
    }
    let near = crate::base::problem::nearest(person, people.keys().map(String::as_str));
    let way = match near {
        Some(near) if order.plan => format!("if you mean {near}, hand out to {near}"),
        Some(near) => {
            format!("if you mean {near}, `endboard outstanding --close` this packet and hand out to {near}")
        }
        None => format!("it names {}", people.keys().cloned().collect::<Vec<_>>().join(", ")),
    };
    Some(format!("`crew:` names no '{}', who is taken for a guest; {way}", person.escape_debug()))
}

/// A free name: of the person, the day and letters of its own. These are drawn, so that people who hand out apart to one person on
/// one day give two names.
fn free_name(status: &Status, within: &std::path::Path, order: &Order<'_>) -> String {
    let person: String = order
        .person
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .collect();
    let person = person.trim_matches('-');
    let person = if person.is_empty() { "packet" } else { person };
    let mut ids = Ids::new();
    let mut name = || {
        let letters = naming::whole(ids.next(order.now.as_millisecond().max(0) as u64));
        format!("{person}-{}-{}", order.today.strftime("%Y%m%d"), &letters[..LETTERS])
    };
    let is_there = |name: &str| {
        status.packets.named(name).is_some()
            || [name.to_string(), format!("{name}.zip")]
                .iter()
                .any(|file| within.join(file).symlink_metadata().is_ok())
    };
    loop {
        let name = name();
        if !is_there(&name) {
            return name;
        }
    }
}
