//! What a page shows of a film, gathered from its states, its ledger and its store.
//!
//! Knows which parts of the film the page is made of, and asks for each. Does not know how a page looks. Renders nothing.

pub mod desk;
pub mod findings;
pub mod gallery;
mod people;
mod pieces;
mod spent;
mod trace;

use std::collections::{BTreeMap, HashMap};

use jiff::Zoned;

use self::gallery::Gallery;
use super::delivering::Due;
use super::forecasting::{self, Kept};
use super::{Project, Status, ribbons};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::graph::{FILM, NodeId};
use crate::report::page::values::{Page, Piece, Shot};
use crate::report::states::{Counts, Delivery, Strip};
use crate::report::words;
use crate::stale;

/// How many sentences of one sort are told; the rest is counted.
const TOLD: usize = 12;

impl Project {
    /// All that a page shows of the film as it was looked at, with pictures from `gallery` and the forecast that was kept, as of
    /// `now`, in whose zone days are counted.
    pub fn page(&self, status: &Status, dues: &[Due], gallery: &Gallery, kept: &Kept, now: &Zoned) -> Page {
        let graph = &status.declared.graph;
        let film = status.declared.film.as_ref();
        let (mut by_shot, whole) = self.strips(status);
        let mut counts = Counts::of_all(&whole);
        let (pieces, is_cut) = pieces::of(status);
        let mut shots: Vec<Shot> = Vec::new();
        for name in in_order(status, &pieces) {
            let Some(stages) = by_shot.remove(&*name) else { continue };
            counts.add(Counts::of_all(&stages));
            shots.push(Shot { name, stages, pictures: Vec::new() });
        }
        let (next, trouble) = self.words(status);
        let mut page = Page {
            film: graph.film.clone(),
            made: format!("As of {}.", now.strftime("%-d %B %Y, %H:%M")),
            rate: film.map_or(24.0, |film| film.rate.per_second()),
            pieces,
            is_cut,
            shots,
            whole,
            counts,
            next,
            trouble,
            hours: spent::of(&status.ledger.0, now),
            forecast: forecasting::distribution(status, dues, now.date(), kept),
            findings: self.findings_kept(status),
            deliveries: dues.iter().map(delivery).collect(),
            ..Page::default()
        };
        people::into(&mut page, status, now);
        gallery.hang(self, status, &mut page);
        page
    }

    /// The strips of all shots by name, and those of the film as a whole.
    fn strips(&self, status: &Status) -> (HashMap<String, Vec<Strip>>, Vec<Strip>) {
        let graph = &status.declared.graph;
        let mut fresh: HashMap<NodeId, FrameSet> = HashMap::new();
        for kept in self.kept(status) {
            let all = fresh.entry(kept.node).or_default();
            kept.fresh.runs().iter().for_each(|run| all.insert_range(*run));
        }
        let wanted = |id: NodeId| {
            let mut frames = FrameSet::new();
            let whole = graph.nodes[id].frames;
            if ribbons::is_told(status, id) && !whole.is_empty() {
                frames.insert_range(whole);
            }
            frames
        };
        let kept = |id: NodeId| fresh.get(&id).cloned().unwrap_or_default();
        let (mut by_shot, mut whole) = (HashMap::<String, Vec<Strip>>::new(), Vec::new());
        for strip in ribbons::strips(graph, &status.report, &wanted, &kept) {
            match strip.shot == FILM {
                true => whole.push(strip),
                false => by_shot.entry(strip.shot.clone()).or_default().push(strip),
            }
        }
        (by_shot, whole)
    }

    /// What comes next, and what stands in the way.
    fn words(&self, status: &Status) -> (Vec<String>, Vec<String>) {
        let graph = &status.declared.graph;
        let all = Selection::default();
        let plan = self.plan(status, &all, false);
        let mut next = Vec::new();
        match plan.count {
            0 => next.push("Nothing is to be rendered.".to_string()),
            n => next.push(format!("A rebuild makes up to {}.", words::count(n as u64, "frame"))),
        }
        let hands = ribbons::by_hand(status, &|_, _| true);
        next.extend(hands.iter().take(TOLD).map(|place| format!("By hand: {place}.")));
        next.extend(more(hands.len(), "places for hands"));
        let mut trouble = Vec::new();
        let failed = self.failed(status, &all);
        let said = |of: &super::trouble::Failed| {
            format!("{}@{} failed: {}", graph.nodes[of.node].name(), of.frames, of.reason)
        };
        trouble.extend(failed.iter().take(TOLD).map(said));
        trouble.extend(more(failed.len(), "failures"));
        let blocked = self.blocked(status, &all);
        let said = |of: &super::trouble::Blocked| {
            let first = of.by_frames.iter().next().unwrap_or_default();
            let place = stale::place(&graph.nodes[of.by], first);
            format!("{place} blocks {}: {}", words::count(of.count() as u64, "frame"), of.says)
        };
        trouble.extend(blocked.iter().take(TOLD).map(said));
        trouble.extend(more(blocked.len(), "that block others"));
        (next, trouble)
    }
}

fn more(count: usize, things: &str) -> Option<String> {
    (count > TOLD).then(|| format!("And {} more {things}.", count - TOLD))
}

fn delivery(due: &Due) -> Delivery {
    let state = due.standing.to_string();
    Delivery { name: due.name.clone(), state, place: due.place.clone(), why: due.why.clone() }
}

/// Shots in the order in which they are first shown, and after them those that are not.
fn in_order(status: &Status, pieces: &[Piece]) -> Vec<String> {
    let declared = status.declared.film.iter().flat_map(|film| film.shots.keys());
    let shown = pieces.iter().filter_map(|piece| piece.shot.as_ref());
    let mut at: BTreeMap<&str, ()> = BTreeMap::new();
    let mut names = Vec::new();
    for name in shown.chain(declared) {
        if at.insert(name, ()).is_none() {
            names.push(name.clone());
        }
    }
    names
}
