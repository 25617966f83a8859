//! What a person writes down at the page: approvals, notes, clocks, as rows of the ledger.
//!
//! Knows which words make which row, and refuses what names no frame of the film. What is refused of clocks and of approvals, the
//! commands' own doors say. Whether somebody may write at all is for `serve` to say.

use jiff::Zoned;
use serde::Deserialize;

use crate::base::frames::FrameSet;
use crate::base::{said, spent};
use crate::crew::notes;
use crate::crew::times::{Clock, Times};
use crate::graph::NodeId;
use crate::ledger::id::RowId;
use crate::project::approving::{Asked, NotApproved};
use crate::project::clocking::which::{NotOne, one_of};
use crate::project::clocking::{self, NoClock, Place};
use crate::project::noting::NoteOn;
use crate::project::of_cut::OfCut;
use crate::project::paging::shown::Shown;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError, Status};
use crate::report::words;

/// What is to be written down, as the page sends it.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Said {
    /// `approve`, `note`, `resolve`, `begin`, `stop` or `worked`.
    pub does: String,
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Its frames; all when empty.
    pub frames: String,
    /// Whose it is; the writer's when empty.
    pub person: String,
    /// In words.
    pub says: String,
    /// How long, such as `1h30m`.
    pub took: String,
    /// The id of a note.
    pub note: String,
    /// Which renders of the stage the page showed, as it carries it.
    pub shown: String,
}

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// It cannot be meant; in words.
    #[error("{0}")]
    Words(String),
    /// The film or the ledger.
    #[error(transparent)]
    Project(#[from] ProjectError),
}

fn refused<T>(words: impl Into<String>) -> Result<T, Refused> {
    Err(Refused::Words(words.into()))
}

/// A refusal of a clock's, with the way on at the page.
fn no_clock(none: NoClock) -> Refused {
    let way = match &none {
        NoClock::Project(_) => "",
        NoClock::Runs { .. } => "; stop it first",
        NoClock::Future { .. } | NoClock::Forgotten { .. } => {
            "; write under Time how long it took, and stop it again"
        }
        NoClock::Longer { .. } => "; add what was before it as time of its own",
        NoClock::Nothing => "",
    };
    match none {
        NoClock::Project(error) => Refused::Project(error),
        words => Refused::Words(format!("{words}{way}")),
    }
}

/// Why no one clock is stopped, with the way on at the page.
fn which(none: &NotOne<'_, '_>, now: &Zoned) -> String {
    let since = |clock: &Clock<'_>| words::clock(clock.entry.row.when, now.time_zone());
    let words = none.words(|clock| format!("{} since {}", clock.place(), since(clock)));
    let is_one_place = none.running.windows(2).all(|two| two[0].place() == two[1].place());
    match &none.running[..] {
        [] => words,
        // A forgotten one and a new one on the same stage.
        [_, _, ..] if is_one_place => format!("{words}; `endboard clock` tells them apart"),
        [_] => format!("{words}; name its shot and stage, or leave both empty"),
        _ => format!("{words}; name the shot and the stage"),
    }
}

/// Why nothing was approved, with the way on at the page.
fn not_approved(none: NotApproved, fresh: &FrameSet) -> Refused {
    match none {
        NotApproved::Project(error) => Refused::Project(error),
        NotApproved::Nothing => Refused::Words(none.to_string()),
        NotApproved::NotFresh(_) if fresh.is_empty() => {
            Refused::Words(format!("{none}; a rebuild makes what can be approved"))
        }
        NotApproved::NotFresh(_) => {
            Refused::Words(format!("{none}; rebuild them, or write down the frames that are fresh: {fresh}"))
        }
    }
}

/// Who writes what, and when.
struct Desk<'a> {
    status: &'a Status,
    person: &'a str,
    words: &'a str,
    now: &'a Zoned,
    writer: &'a Writer,
}

impl Desk<'_> {
    /// What the person says of time at the page, where neither cause nor round is asked.
    fn timed(&self) -> clocking::Said {
        clocking::Said { person: self.person.into(), cause: None, round: None, note: self.words.into() }
    }
}

impl Project {
    /// Writes down what a person says, and gives it back in a sentence. `shown` knows what pages showed.
    ///
    /// # Errors
    /// It names nothing of the film, the door of the command refuses it, or the ledger cannot be written.
    pub fn write_down(
        &self,
        said: &Said,
        shown: &Shown,
        now: &Zoned,
        writer: &Writer,
    ) -> Result<String, Refused> {
        let person = match said.person.trim() {
            "" => writer.person().to_string(),
            name => said::name(name).map_err(Refused::Words)?,
        };
        let words = said::words(&said.says).map_err(Refused::Words)?;
        let status = self.status(false, &|_, _| {})?;
        let desk = Desk { status: &status, person: &person, words: &words, now, writer };
        match &*said.does {
            "resolve" => self.settle_note(&desk, said),
            "stop" => self.stop_running(&desk, said),
            "approve" => self.approve_shown(&desk, said, shown),
            "note" if words.is_empty() => refused("a note needs words"),
            "note" => {
                let (_, on) = shown_place(&status, said)?;
                let row =
                    NoteOn { film: &on.film, shot: &on.shot, stage: &on.stage, frames: on.frames.clone() };
                self.note(row, (&person, &words), writer)?;
                Ok(format!("Noted on {}.", on.name()))
            }
            "begin" => self.begin(&desk, said),
            "worked" => {
                let took = spent::parse(&said.took).map_err(|no| Refused::Words(no.to_string()))?;
                let (on, when) = (self.time_place(&desk, said)?, (now.timestamp(), None));
                let added = self.add_time(&on, took, when, &desk.timed(), &status.ledger.0, writer);
                let written = added.map_err(no_clock)?;
                Ok(format!("{person} worked {} on {}.", words::time(written.took), on.name()))
            }
            other => {
                refused(format!("'{}' is nothing that can be written down", words::fit(other, 40, false)))
            }
        }
    }

    /// The frames that time is of: those that are named, or else those that a person is to touch, with why.
    fn time_place(&self, desk: &Desk<'_>, said: &Said) -> Result<Place, Refused> {
        let (_, mut on) = place(desk.status, said)?;
        self.learn(desk.status, &mut on, said.frames.trim().is_empty());
        Ok(on)
    }

    fn begin(&self, desk: &Desk<'_>, said: &Said) -> Result<String, Refused> {
        let (on, entries) = (self.time_place(desk, said)?, &desk.status.ledger.0);
        self.start_clock(&on, &desk.timed(), entries, desk.now, desk.writer).map_err(no_clock)?;
        let mut told = format!("The clock of {} runs on {}.", desk.person, on.name());
        for clock in Times::of(entries).running_of(desk.person) {
            told += &format!(" And {}.", clocking::beside(clock, desk.now.time_zone()));
        }
        Ok(told)
    }

    /// Approves a place, if the page showed these very renders.
    fn approve_shown(&self, desk: &Desk<'_>, said: &Said, shown: &Shown) -> Result<String, Refused> {
        let (id, on) = shown_place(desk.status, said)?;
        let asked = Asked::of(desk.status, id, &on.frames);
        let stage = format!("{}/{}", on.shot, on.stage);
        let Some(others) = shown.others(&said.shown, desk.status, &asked) else {
            return refused(format!(
                "which renders of {stage} the page showed is not known any more: look at them as they are now, and approve again"
            ));
        };
        if !others.is_empty() {
            return refused(format!(
                "{stage}@{others} came out otherwise since the page showed it, and nothing was approved: look at it as it is now, and \
                 approve again"
            ));
        }
        let fresh = asked.fresh.clone();
        let given = self.approve(desk.status, &[asked], (desk.person, desk.words), desk.writer);
        match given.map_err(|none| not_approved(none, &fresh))? {
            given if given.new.is_empty() => {
                refused(format!("{stage}@{fresh} is approved already by {}", desk.person))
            }
            _ => Ok(format!("{} approves {stage}@{fresh}.", desk.person)),
        }
    }

    fn settle_note(&self, desk: &Desk<'_>, said: &Said) -> Result<String, Refused> {
        let id: Option<RowId> = said.note.parse().ok();
        let all = notes::notes(&desk.status.ledger.0);
        let Some(noted) = all.iter().find(|noted| Some(noted.entry.id) == id) else {
            return refused("there is no such note");
        };
        if noted.settled.is_some() {
            return refused("that note is settled already");
        }
        self.settle(noted.entry, (desk.person, desk.words), desk.writer)?;
        Ok("The note is settled.".into())
    }

    /// Stops the clock of a person that runs on the stage named, or the person's only one.
    fn stop_running(&self, desk: &Desk<'_>, said: &Said) -> Result<String, Refused> {
        let took = match said.took.trim() {
            "" => None,
            text => Some(spent::parse(text).map_err(|no| Refused::Words(no.to_string()))?),
        };
        let entries = &desk.status.ledger.0;
        let times = Times::of(entries);
        let clock = one_of(&times, desk.person, (said.shot.trim(), said.stage.trim()));
        let clock = clock.map_err(|none| Refused::Words(which(&none, desk.now)))?;
        let stopped = self.stop_clock(clock, took, &desk.timed(), entries, desk.now, desk.writer);
        let written = stopped.map_err(no_clock)?;
        Ok(format!("{} worked {} on {}.", desk.person, words::time(written.took), clock.place()))
    }
}

/// As [`place`]; where no frames are named, those that the film shows.
fn shown_place(status: &Status, said: &Said) -> Result<(NodeId, Place), Refused> {
    let (id, mut on) = place(status, said)?;
    if said.frames.trim().is_empty() {
        on.frames = OfCut::new(&status.declared).frames(id);
    }
    Ok((id, on))
}

/// The stage and frames that are named, all of them of the film.
fn place(status: &Status, said: &Said) -> Result<(NodeId, Place), Refused> {
    let graph = &status.declared.graph;
    let Some(id) = graph.find(&said.shot, &said.stage) else {
        return refused(format!(
            "the film has no stage {}/{}",
            words::fit(&said.shot, 40, false),
            words::fit(&said.stage, 40, false)
        ));
    };
    let node = &graph.nodes[id];
    let mut frames = FrameSet::new();
    if said.frames.trim().is_empty() {
        if !node.frames.is_empty() {
            frames.insert_range(node.frames);
        }
    } else {
        let Ok(asked) = said.frames.trim().parse::<FrameSet>() else {
            return refused("frames are written such as 1012 or 1012-1019");
        };
        // A huge range is refused before anybody goes through it.
        if asked.runs().iter().any(|run| !node.frames.covers(*run)) {
            return refused(format!("{} has the frames {}", node.name(), node.frames));
        }
        frames = asked;
    }
    if frames.is_empty() {
        return refused(format!("{} has no frames", node.name()));
    }
    let (shot, stage) = (node.shot.clone(), node.stage.clone());
    Ok((id, Place { film: graph.film.as_str().into(), shot, stage, frames, cause: None, unknown: None }))
}
