//! Re-cuts: what a new cut would do to the film and what that costs, taking it up, and going back.
//!
//! Knows the order in which it is asked: two lists held against one another (`cut::compare`), what the new one asks of the
//! declaration (`needs`), the film as it would be, looked at as any film is (`cost`, `people`, `cues`), and then the declaration's
//! text changed (`taking`). Foretelling keeps nothing and renders nothing. Words are others' to choose.

pub mod cost;
pub mod cues;
pub mod history;
mod lines;
pub mod needs;
pub mod pace;
pub mod people;
pub mod picture;
pub mod taking;

use std::path::{Path, PathBuf};

use self::cost::Stage;
use self::cues::Cue;
use self::needs::Needs;
use self::pace::Paces;
use self::people::{Hand, Held, Lapse, Out};
use super::delivering::Standing as Delivered;
use super::frames::LookError;
use super::read::edit;
use super::{Care, DECLARATION, Declared, Project, ProjectError, Status};
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::problem::{Severity, Span};
use crate::base::rate::Rate;
use crate::base::selector::Selection;
use crate::cut::Cut;
use crate::cut::compare::{Change, Comparison, Side, compare};
use crate::declare::film::Film;
use crate::graph::FILM;
use crate::programs::Runner;

/// A list as a person named it, found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// As the declaration would name it, below the film's folder; else as it was named.
    pub path: String,
    /// Where it lies.
    pub file: PathBuf,
    /// Whether it lies in the project, so that the declaration can name it.
    pub is_inside: bool,
}

/// Frames of a shot that the film shows no longer, and whose renders stay in the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Resting {
    /// The shot.
    pub shot: String,
    /// Its frames.
    pub frames: FrameSet,
    /// How many renders of them there are, over all stages.
    pub renders: usize,
    /// Whether no frame of the shot is shown.
    pub is_whole: bool,
}

/// What a new cut would do.
pub struct Recut {
    /// The film's name.
    pub film: String,
    /// Frames a second.
    pub rate: Rate,
    /// The cut in use; none where shots follow one another as declared.
    pub was: Option<String>,
    /// The new one.
    pub list: Listed,
    /// The text of the new list, and what it is warned of.
    pub listing: Declared,
    /// What became of what.
    pub comparison: Comparison,
    /// What it asks of the declaration.
    pub needs: Needs,
    /// Film frames, from 1, that cannot be made as things are.
    pub lost: FrameSet,
    /// What a rebuild would render; shots counted as long as they must be.
    pub stages: Vec<Stage>,
    /// What people must do by hand.
    pub hands: Vec<Hand>,
    /// What people have in hand for nothing.
    pub out: Vec<Out>,
    /// What becomes of cues.
    pub cues: Vec<Cue>,
    /// Approvals that lapse.
    pub lapses: Vec<Lapse>,
    /// Holds that stand in the way.
    pub held: Vec<Held>,
    /// Deliveries that are fresh and will not be.
    pub deliveries: Vec<String>,
    /// What is shown no longer.
    pub resting: Vec<Resting>,
    /// Words on cuts that somebody took up apart from the one in use.
    pub apart: Vec<String>,
    /// Shots and stages that the film would have, and shots that lists name, under no stage.
    pub places: Vec<(String, String)>,
}

impl Recut {
    /// Leaves only what tells of the selected. What the new cut asks of the declaration stays: it is taken up whole or not.
    pub fn narrow(&mut self, selection: &Selection) {
        if selection.is_everything() {
            return;
        }
        let of_shot = |shot: &str, frames: &FrameSet| selection.takes(shot, frames);
        let of_stage = |shot: &str, stage: &str, all: &[&FrameSet]| {
            let chosen = selection.matches(shot, stage);
            chosen.is_some_and(|chosen| all.iter().any(|set| set.iter().any(|n| chosen.contains(n))))
        };
        let comparison = &self.comparison;
        let seen = |change: &Change| {
            let uses =
                |side: &Side, all: &[usize]| all.iter().map(|&at| side.uses[at].shown()).collect::<Vec<_>>();
            let both = [uses(&comparison.old, &change.old), uses(&comparison.new, &change.new)].concat();
            let mut frames = FrameSet::new();
            both.into_iter().for_each(|run| frames.insert_range(run));
            frames
        };
        let keep: Vec<bool> =
            comparison.changes.iter().map(|change| of_shot(&change.shot, &seen(change))).collect();
        let mut keep = keep.into_iter();
        self.comparison.changes.retain(|_| keep.next().unwrap_or(true));
        let named = |shot: &Option<String>| {
            shot.as_ref()
                .is_some_and(|shot| selection.selectors.iter().any(|selector| selector.names_shot(shot)))
        };
        self.comparison.transitions.retain(|of| {
            [&of.before, &of.after].into_iter().flatten().any(|of| named(&of.from) || named(&of.into))
        });
        self.stages.retain(|of| of_stage(&of.shot, &of.stage, &[&of.frames, &of.later, &of.back]));
        self.hands.retain(|of| of_stage(&of.shot, &of.stage, &[&of.new, &of.again]));
        self.out.retain(|of| of_stage(&of.shot, &of.stage, &[&of.frames]));
        self.lapses.retain(|of| of_stage(&of.shot, &of.stage, &[&of.changed, &of.gone]));
        self.held.retain(|of| of_stage(&of.shot, &of.stage, &[&of.stale, &of.gone]));
        self.resting.retain(|of| of_shot(&of.shot, &of.frames));
        // Cues and deliveries are of the film.
        if !named(&Some(FILM.to_string())) {
            self.cues.clear();
            self.deliveries.clear();
        }
    }

    /// The line of the new list on which something stands, counted from 1.
    pub fn line(&self, span: Span) -> usize {
        self.listing.sources.position(span).0
    }
}

impl Project {
    /// What a new cut would do and cost. `list` names it from `here`.
    ///
    /// # Errors
    /// The film or the list has errors, which come along, or the list cannot be read.
    pub fn recut(&self, list: &str, here: &Path, runner: &Runner) -> Result<Recut, LookError> {
        let text = self.declaration().map_err(|why| ProjectError::System(format!("{DECLARATION}: {why}")))?;
        let now = self.read_text_as(&text);
        let (true, Some(film)) = (now.is_sound(), now.film.as_ref()) else {
            return Err(ProjectError::Unsound(Box::new(now)).into());
        };
        let list = self.listed(list, here)?;
        let (listing, new) = self.new_list(&list, film)?;
        let old = now.film_cut();
        let comparison = compare(&old, &new);
        let needs = needs::of(film, &text, &comparison.new);
        let (priced, lost) = self.priced(&text, &new, &needs)?;
        let was = film.cut.as_ref().map(|at| at.value.clone());
        // What cannot be read of earlier cuts is no reason to say nothing of this one.
        let apart = match self.history(was.as_deref()) {
            Ok(history) => taking::apart(&history, was.as_deref(), Some(&list.path)),
            Err(why) => vec![format!("nothing is said of cuts that were taken up apart: {why}")],
        };
        let (name, rate) = (film.name.clone(), film.rate);
        let cues = cues::of(&now, &priced, &comparison);
        let quiet = |_: usize, _: usize| {};
        let (before, _) = self.looked(now, self.recall(Care::Read), Care::Read, &quiet)?;
        let (after, _) = self.looked(priced, self.recall(Care::Read), Care::Read, &quiet)?;
        let paces = Paces::of(&before);
        let resting = resting(&comparison, &before);
        let places = places(&after, &comparison);
        let gone = resting.iter().map(|rest| (rest.shot.to_ascii_lowercase(), rest.frames.clone())).collect();
        Ok(Recut {
            film: name,
            rate,
            was,
            list,
            stages: cost::stages(&before, &after, &lost, &paces),
            hands: people::hands(&before, &after, &paces),
            out: people::out(&before.packets, &gone),
            lapses: people::lapses(&before, &after),
            held: people::held(self, &before, &after),
            deliveries: self.no_longer_delivered(&before, &after, runner),
            cues,
            listing,
            comparison,
            needs,
            lost,
            resting,
            apart,
            places,
        })
    }

    /// Finds a list below the film's folder, or else from where a person stands.
    fn listed(&self, name: &str, here: &Path) -> Result<Listed, LookError> {
        let file = here.join(name);
        if !file.exists() {
            let words = format!(
                "there is no list {name} seen from {}; paths on the command line begin at the folder that the command is started in",
                here.display()
            );
            return Err(LookError::Words(words));
        }
        let refused = |error: std::io::Error| ProjectError::System(format!("{name}: {error}"));
        let whole = file.canonicalize().map_err(refused)?;
        let folder = self.folder.canonicalize().map_err(refused)?;
        let below = whole.strip_prefix(&folder).ok().and_then(Path::to_str);
        let below = below.filter(|path| crate::declare::path_fault(path).is_none());
        Ok(Listed { path: below.unwrap_or(name).to_string(), is_inside: below.is_some(), file })
    }

    /// The new list's cut. One with errors is not compared: what is missing of it would pass for dropped.
    fn new_list(&self, list: &Listed, film: &Film) -> Result<(Declared, Cut), LookError> {
        let mut listing = Declared::default();
        let cut = self
            .list((&list.file, &list.path), None, film, &mut listing)
            .map_err(|why| LookError::Words(format!("the list {} cannot be read: {why}", list.path)))?;
        if listing.problems.iter().any(|problem| problem.severity == Severity::Error) {
            return Err(ProjectError::Unsound(Box::new(listing)).into());
        }
        Ok((listing, cut))
    }

    /// The film as it would be, shots as long as they must be and without what cannot be made; and the film frames that are
    /// lost by that.
    fn priced(&self, text: &str, new: &Cut, needs: &Needs) -> Result<(Declared, FrameSet), ProjectError> {
        let mut longer = text.to_string();
        for shot in &needs.longer {
            longer = lines::with_frames(&longer, &shot.shot, shot.after).map_err(ProjectError::System)?;
        }
        let (makeable, lost) = needs::makeable(new, needs);
        // The list's own places mean nothing among the texts of this reading.
        let makeable = placeless(makeable);
        let priced = self.read_with(Some(&longer), None, &mut |_, _| Some(edit(&makeable)));
        if !priced.is_sound() {
            return Err(ProjectError::Unsound(Box::new(priced)));
        }
        Ok((priced, lost))
    }

    /// Deliveries that are fresh before and not after.
    fn no_longer_delivered(&self, before: &Status, after: &Status, runner: &Runner) -> Vec<String> {
        let fresh = |status: &Status| -> Vec<String> {
            let all = self.deliveries(status, &[], false, false, runner).into_iter();
            all.filter(|due| due.standing == Delivered::Fresh).map(|due| due.name).collect()
        };
        let will = fresh(after);
        fresh(before).into_iter().filter(|name| !will.contains(name)).collect()
    }
}

/// Shots and stages that can be selected.
fn places(after: &Status, comparison: &Comparison) -> Vec<(String, String)> {
    let nodes = after.declared.graph.nodes.iter().map(|node| (node.shot.to_string(), node.stage.to_string()));
    let uses = comparison.old.uses.iter().chain(&comparison.new.uses);
    nodes.chain(uses.map(|used| (used.shot.clone(), String::new()))).collect()
}

/// A cut whose places all lie at the head of the declaration.
fn placeless(mut cut: Cut) -> Cut {
    let nowhere = Span::new(crate::base::problem::SourceId(0), 0, 0);
    for event in &mut cut.events {
        (event.span, event.shot_span) = (nowhere, nowhere);
    }
    for dissolve in &mut cut.dissolves {
        dissolve.span = nowhere;
        dissolve.from.iter_mut().for_each(|from| from.shot_span = nowhere);
    }
    cut
}

/// What is shown no longer.
fn resting(comparison: &Comparison, before: &Status) -> Vec<Resting> {
    let (old, new) = (comparison.old.shown(), comparison.new.shown());
    let mut all = Vec::new();
    for (shot, shown) in old {
        let still = new.get(&shot).cloned().unwrap_or_default();
        let frames = shown.without(&still);
        if frames.is_empty() {
            continue;
        }
        let stages = before
            .declared
            .graph
            .nodes
            .iter()
            .filter(|node| node.shot.eq_ignore_ascii_case(&shot) && node.keep);
        let renders = stages
            .filter_map(|node| before.state.table(&node.shot, &node.stage))
            .map(|table| frames.iter().filter(|&n| table.get(n).is_some_and(|row| row.key != NONE)).count())
            .sum();
        let named = comparison.old.uses.iter().find(|used| used.shot.eq_ignore_ascii_case(&shot));
        let shot = named.map_or(shot, |used| used.shot.clone());
        all.push(Resting { shot, frames, renders, is_whole: still.is_empty() });
    }
    all
}
