//! What a page shows of a film, gathered from its states, its ledger and its store.
//!
//! Knows which parts of the film the page is made of, and asks for each. Does not know how a page looks. Renders nothing.

pub mod desk;
pub mod findings;
pub mod gallery;
mod people;
mod pieces;
pub mod shown;
mod spent;
mod trace;

use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap, HashSet};

use jiff::Zoned;

use self::gallery::Gallery;
use super::delivering::Due;
use super::forecasting::{self, Kept};
use super::{Project, Status, ribbons, spending};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::graph::{FILM, NodeId};
use crate::ledger::row::Entry;
use crate::report::hands::BY_HAND;
use crate::report::page::values::{Page, Piece, Shot};
use crate::report::states::{Counts, Strip};
use crate::report::words;

/// How many sentences of one sort are told; the rest is counted.
const TOLD: usize = 12;

impl Project {
    /// All that a page shows of what is selected of the film as it was looked at, with pictures from `gallery` and the forecast that
    /// was kept, as of `now`, in whose zone days are counted.
    pub fn page(
        &self,
        status: &Status,
        selection: &Selection,
        dues: &[Due],
        gallery: &Gallery,
        kept: &Kept,
        now: &Zoned,
    ) -> Page {
        let is_whole = selection.is_everything();
        let findings = self.findings_kept(status, now).filter(|_| is_whole);
        let graph = &status.declared.graph;
        let film = status.declared.film.as_ref();
        let (mut by_shot, whole) = self.strips(status, selection);
        let mut counts = Counts::of_all(&whole);
        let (mut pieces, is_cut) = pieces::of(status);
        let mut shots: Vec<Shot> = Vec::new();
        let used: HashSet<String> = pieces.iter().filter_map(|piece| piece.shot.clone()).collect();
        for name in in_order(status, &pieces) {
            let Some(stages) = by_shot.remove(&*name) else { continue };
            let left_out = is_cut && !used.contains(&name);
            if !left_out {
                counts.add(Counts::of_all(&stages));
            }
            shots.push(Shot { name, left_out, stages, pictures: Vec::new() });
        }
        if !is_whole {
            // Without the others, the strip is of the shots that are shown.
            let is_shown = |name: &String| shots.iter().any(|shot| shot.name == *name);
            pieces.retain(|piece| piece.shot.as_ref().is_some_and(is_shown));
        }
        let kinds = spending::kinds(&status.declared, BY_HAND);
        let kind = |shot: &str, stage: &str| {
            kinds.get(&(shot.into(), stage.into())).cloned().unwrap_or_else(|| "".into())
        };
        let (next, trouble) = self.words(status, selection);
        let mut page = Page {
            film: graph.film.clone(),
            made: format!(
                "As of {}; all times are of that clock.",
                now.strftime("%-d %B %Y, %H:%M (UTC%:z)")
            ),
            rate: film.map_or(24.0, |film| film.rate.per_second()),
            pieces,
            is_cut,
            shots,
            whole,
            counts,
            next,
            trouble,
            hours: spent::of(&picked(&status.ledger.0, selection), &kind, now),
            // The forecast, findings and deliveries are of the whole film.
            forecast: is_whole.then(|| forecasting::distribution(status, dues, now.date(), kept)).flatten(),
            is_uninspected: is_whole && findings.is_none(),
            findings,
            deliveries: dues.iter().filter(|_| is_whole).map(Due::told).collect(),
            ..Page::default()
        };
        self.people(&mut page, status, selection, now);
        gallery.hang(self, status, &mut page);
        page
    }

    /// The strips of all shots by name, and those of the film as a whole.
    fn strips(&self, status: &Status, selection: &Selection) -> (HashMap<String, Vec<Strip>>, Vec<Strip>) {
        let graph = &status.declared.graph;
        let mut fresh: HashMap<NodeId, FrameSet> = HashMap::new();
        for kept in self.kept(status) {
            let all = fresh.entry(kept.node).or_default();
            kept.fresh.runs().iter().for_each(|run| all.insert_range(*run));
        }
        let picked = super::wanted(graph, selection);
        let wanted = |id: NodeId| match &picked[id] {
            Some(chosen) if ribbons::is_told(status, id) => chosen.within(graph.nodes[id].frames),
            _ => FrameSet::new(),
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
    fn words(&self, status: &Status, selection: &Selection) -> (Vec<String>, Vec<String>) {
        let graph = &status.declared.graph;
        let plan = self.plan(status, selection, false, &self.out().unwrap_or_default());
        let mut next = Vec::new();
        match plan.count {
            0 => next.push("Nothing is to be rendered.".to_string()),
            n => next.push(format!("A rebuild makes up to {}.", words::count(n as u64, "frame"))),
        }
        let picked = super::wanted(graph, selection);
        let hands =
            ribbons::by_hand(status, &|id, n| picked[id].as_ref().is_some_and(|chosen| chosen.contains(n)));
        next.extend(hands.iter().take(TOLD).map(|place| format!("By hand: {place}.")));
        next.extend(more(hands.len(), "places for hands"));
        let mut trouble = Vec::new();
        let failed = self.failed(status, selection);
        let said = |of: &super::trouble::Failed| {
            format!("{}@{} failed: {}", graph.nodes[of.node].name(), of.frames, of.reason)
        };
        trouble.extend(failed.iter().take(TOLD).map(said));
        trouble.extend(more(failed.len(), "failures"));
        let blocked = self.blocked(status, selection);
        let said = |of: &super::trouble::Blocked| {
            let by = format!("{}@{}", graph.nodes[of.by].name(), of.by_frames);
            let count = words::count(of.count() as u64, "frame");
            if of.by_frames.len() == 1 {
                format!("{by} blocks {count}: {}", of.says)
            } else {
                format!("{by} block {count}: {}", of.says)
            }
        };
        trouble.extend(blocked.iter().take(TOLD).map(said));
        trouble.extend(more(blocked.len(), "that block others"));
        (next, trouble)
    }
}

/// Rows on stages that are selected.
fn picked<'a>(entries: &'a [Entry], selection: &Selection) -> Cow<'a, [Entry]> {
    if selection.is_everything() {
        return Cow::Borrowed(entries);
    }
    let is_picked = |entry: &&Entry| selection.matches(&entry.row.shot, &entry.row.stage).is_some();
    Cow::Owned(entries.iter().filter(is_picked).cloned().collect())
}

fn more(count: usize, things: &str) -> Option<String> {
    (count > TOLD).then(|| format!("And {} more {things}.", count - TOLD))
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
