//! What remains of the film, as pieces, and the forecast of it.
//!
//! Knows states of frames, the ledger, deliveries and the declared crew. Does not know how a forecast is worded, nor today's date:
//! the day from which it counts is handed in.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{Arc, Mutex};

use jiff::civil::Date;

use super::delivering::{Due, Standing};
use super::remains::{Left, counts, left};
use super::{Status, wanted};
use crate::base::frames::FrameSet;
use crate::base::selector::{Chosen, Selection};
use crate::crew::packets::Packets;
use crate::declare::crew::{Crew as Declared, Estimate, Guess};
use crate::forecast::calendar::Calendar;
use crate::forecast::chance::{Three, of_text};
use crate::forecast::outlook::{Ask, Change, Outlook};
use crate::forecast::rates::{Rate, Rates, Rests, Whose};
use crate::forecast::samples::{self, Place, Sample};
use crate::forecast::work::{Basis, Counts, Pace, Piece, Stage, Work, Worker};
use crate::graph::{FILM, Node};
use crate::report::forecast_words::{self, Told};
use crate::report::page::values::Distribution;

/// How far off one guess may be, as the standard deviation of its logarithm: for all shots together, and for each. A working
/// figure, without a source.
const GUESS: f64 = 0.5;
/// How much of the variance of a three-point guess all shots share. A working figure, without a source.
const TOGETHER: f64 = 0.5;

/// A forecast, and what it rests on.
pub struct Forecast {
    /// What remains.
    pub work: Work,
    /// What the runs say; none when nothing that is asked for remains, or can be planned.
    pub outlook: Option<Arc<Outlook>>,
    /// What was measured.
    pub rates: Rates,
    /// The day from which it counts.
    pub from: Date,
    /// The day by which the film should be done.
    pub due: Option<Date>,
    /// Whether the declaration says who works on it.
    pub has_crew: bool,
    /// Whether it says how long machines render.
    pub has_machines: bool,
    /// Packets out with people of whom `crew:` says nothing: person and place.
    pub strangers: Vec<(Arc<str>, String)>,
}

/// The last forecast that was made, for as long as nothing that it rests on changes.
#[derive(Debug, Default)]
pub struct Kept(Mutex<Option<(Work, Ask, Arc<Outlook>)>>);

impl Kept {
    /// What `ask` comes to for `work`: as it was found the last time, if both are what they were.
    fn outlook(&self, work: &Work, ask: &Ask) -> Arc<Outlook> {
        let mut kept = self.0.lock().expect("nothing panics with it");
        if let Some((of, asked, outlook)) = &*kept
            && of == work
            && asked == ask
        {
            return Arc::clone(outlook);
        }
        let outlook = Arc::new(Outlook::of(work, ask));
        *kept = Some((work.clone(), ask.clone(), Arc::clone(&outlook)));
        outlook
    }
}

/// What the film's state, its ledger, its crew and its deliveries (`dues`) foretell of the stages that `selection` takes, counted
/// from a day. All that remains is played, since the same people do it; a stage of which any selected frame remains counts as a
/// whole. Deliveries are asked for with the whole film alone.
pub fn forecast(
    status: &Status,
    dues: &[Due],
    selection: &Selection,
    from: Date,
    ask: &Ask,
    kept: &Kept,
) -> Forecast {
    let film = status.declared.film.as_ref().expect("a status has a sound film");
    let mut builder = Builder::of(status, selection, from);
    builder.nodes();
    for due in dues.iter().filter(|due| due.standing != Standing::Fresh) {
        builder.delivery(&due.name, due.pieces() as u64, selection.is_everything());
    }
    let Builder { work, rates, strangers, .. } = builder;
    let has_plan = work.pieces.iter().any(|piece| piece.asked && work.stages[piece.stage].is_planned());
    Forecast {
        outlook: has_plan.then(|| kept.outlook(&work, ask)),
        rates,
        from,
        due: film.due.as_ref().map(|due| due.value),
        has_crew: film.crew.as_ref().is_some_and(|crew| !crew.people.is_empty()),
        has_machines: film.crew.as_ref().is_some_and(|crew| !crew.machines.is_empty()),
        strangers,
        work,
    }
}

/// The forecast of the whole film as a page shows it: the draws and the sentences are those that the command gives when
/// nothing is said to it. None where no run ends.
pub fn distribution(status: &Status, dues: &[Due], from: Date, kept: &Kept) -> Option<Distribution> {
    let ask = Ask::default();
    let forecast = forecast(status, dues, &Selection::default(), from, &ask, kept);
    let told = forecast.told(&status.declared.graph.film, None, &[]);
    let outlook = told.outlook?;
    let mut days: BTreeMap<Date, u64> = BTreeMap::new();
    outlook.ends.iter().filter_map(|&end| told.date(end)).for_each(|day| *days.entry(day).or_default() += 1);
    let quantile = |(&name, day): (&&str, f64)| Some((name.to_string(), told.date(day)?));
    let quantiles = forecast_words::NAMES.iter().zip(outlook.days()).filter_map(quantile).collect();
    (!days.is_empty()).then(|| Distribution {
        days: days.into_iter().collect(),
        quantiles,
        says: forecast_words::sentences(&told),
        unknown: if told.is_done() { Vec::new() } else { forecast_words::unknowns(&told) },
    })
}

impl Forecast {
    /// What is told of it. `part` is what of the film was asked for, in words, if not all; `asked` the changes that were.
    pub fn told<'a>(&'a self, film: &'a str, part: Option<&'a str>, asked: &'a [Change]) -> Told<'a> {
        Told {
            film,
            part,
            work: &self.work,
            outlook: self.outlook.as_deref(),
            from: self.from,
            due: self.due,
            has_crew: self.has_crew,
            has_machines: self.has_machines,
            strangers: &self.strangers,
            asked,
        }
    }
}

/// What people's work and machines' work took so far.
pub(super) fn measured(status: &Status) -> (Vec<Sample>, Vec<Sample>) {
    let entries = &status.ledger.0;
    let left = left(status, crew(status), entries);
    (samples::of_hands(entries, &waiting(status, &left)), samples::of_machines(entries))
}

fn crew(status: &Status) -> Option<&Declared> {
    status.declared.film.as_ref().and_then(|film| film.crew.as_ref())
}

/// Frames of each stage that people have not done yet.
fn waiting(status: &Status, left: &[Left]) -> HashMap<Place, FrameSet> {
    (status.declared.graph.nodes.iter().zip(left))
        .filter(|(_, left)| !left.first.is_empty())
        .map(|(node, left)| ((node.shot.clone(), node.stage.clone()), left.first.clone()))
        .collect()
}

struct Builder<'s> {
    status: &'s Status,
    crew: Option<&'s Declared>,
    rates: Rates,
    begun: HashMap<Place, f64>,
    left: Vec<Left>,
    /// Frames that are asked for, by node.
    wanted: Vec<Option<Chosen>>,
    packets: Packets,
    strangers: Vec<(Arc<str>, String)>,
    work: Work,
    /// Stages of the work by name.
    stages: HashMap<(Arc<str>, Whose), usize>,
    people: Vec<String>,
}

impl<'s> Builder<'s> {
    fn of(status: &'s Status, selection: &Selection, from: Date) -> Self {
        let crew = crew(status);
        let entries = &status.ledger.0;
        let left = left(status, crew, entries);
        let hands = samples::of_hands(entries, &waiting(status, &left));
        let begun = |s: &Sample| ((s.shot.clone(), s.stage.clone()), s.begun / 3600.0);
        let work = Work { workers: workers(crew, from), ..Work::default() };
        Self {
            status,
            crew,
            begun: hands.iter().filter(|s| s.begun > 0.0).map(begun).collect(),
            rates: Rates::of(&hands, &samples::of_machines(entries)),
            left,
            wanted: wanted(&status.declared.graph, selection),
            packets: Packets::after(entries),
            strangers: Vec::new(),
            work,
            stages: HashMap::new(),
            people: crew.map_or_else(Vec::new, |crew| crew.people.keys().cloned().collect()),
        }
    }

    /// Pieces of all nodes, inputs first.
    fn nodes(&mut self) {
        let graph = &self.status.declared.graph;
        // What a node that needs another rests on: the other's last piece, or through it what that one rests on.
        let mut last: Vec<Vec<u32>> = Vec::with_capacity(graph.nodes.len());
        for (id, node) in graph.nodes.iter().enumerate() {
            let needs: BTreeSet<u32> =
                node.inputs.iter().flat_map(|edge| last[edge.from].iter().copied()).collect();
            let mut needs: Vec<u32> = needs.into_iter().collect();
            let left = std::mem::take(&mut self.left[id]);
            let is_asked = |frames: &FrameSet| {
                let chosen = self.wanted[id].as_ref();
                chosen.is_some_and(|chosen| frames.iter().any(|frame| chosen.contains(frame)))
            };
            let asked = (is_asked(&left.first) || is_asked(&left.again), is_asked(&left.machine));
            if let Some(piece) = self.by_hands(node, &left, &needs, asked.0) {
                needs = vec![piece];
            }
            if let Some(piece) = self.by_machine(node, left.machine.len() as u64, &needs, asked.1) {
                needs = vec![piece];
            }
            last.push(needs);
        }
    }

    /// The piece of people, if anything is left for them.
    fn by_hands(&mut self, node: &Node, left: &Left, needs: &[u32], asked: bool) -> Option<u32> {
        let (first, again) = (left.first.len() as f64, left.again.len() as f64);
        if first + again == 0.0 {
            return None;
        }
        let stage = self.stage(&node.stage, Whose::Hands, "", counts(node));
        let of_shot = self.rates.hands(&node.stage).is_none()
            && self.crew.and_then(|crew| crew.estimates.get(&*node.stage)).is_some_and(|guess| guess.of_shot);
        let scale = if of_shot { 1.0 / node.frames.len() as f64 } else { 1.0 };
        let again = match self.rates.hands(&node.stage) {
            Some(rate) => rate.seconds_again(again as u64) / rate.mean(),
            None => again * scale,
        };
        let place = (node.shot.clone(), node.stage.clone());
        let only = self.holder(node);
        Some(self.add(Piece {
            shot: node.shot.clone(),
            stage,
            frames: (left.first.len() + left.again.len()) as u64,
            units: first * scale,
            again,
            begun: self.begun.get(&place).copied().unwrap_or(0.0),
            needs: needs.to_vec(),
            seed: of_text(&format!("{}/{} hands", node.shot, node.stage)),
            only,
            asked,
            is_approval: left.is_approval,
        }))
    }

    /// The person who has the stage in a packet and is one of the crew.
    fn holder(&mut self, node: &Node) -> Option<usize> {
        let mut open = self.packets.all().iter().filter(|packet| packet.is_open());
        let packet = open.rfind(|packet| {
            packet.part(&node.shot, &node.stage).is_some_and(|part| !part.left().is_empty())
        })?;
        let found = self.people.iter().position(|person| **person == *packet.person);
        if found.is_none() {
            self.strangers.push((packet.person.clone(), node.name()));
        }
        found
    }

    /// The piece of a machine, if anything is left for it.
    fn by_machine(&mut self, node: &Node, frames: u64, needs: &[u32], asked: bool) -> Option<u32> {
        if frames == 0 {
            return None;
        }
        let stage = self.stage(&node.stage, Whose::Machine, node.kind(), counts(node));
        Some(self.add(Piece {
            shot: node.shot.clone(),
            stage,
            frames,
            units: frames as f64,
            again: 0.0,
            begun: 0.0,
            needs: needs.to_vec(),
            seed: of_text(&format!("{}/{} machine", node.shot, node.stage)),
            only: None,
            asked,
            is_approval: false,
        }))
    }

    /// The piece of a delivery, after everything that nothing else needs.
    fn delivery(&mut self, name: &str, frames: u64, asked: bool) {
        let needed: BTreeSet<u32> =
            self.work.pieces.iter().flat_map(|piece| piece.needs.iter().copied()).collect();
        let is_delivery = |piece: &Piece| self.work.stages[piece.stage].name.starts_with("deliver.");
        let needs: Vec<u32> = (0..self.work.pieces.len() as u32)
            .filter(|n| !needed.contains(n) && !is_delivery(&self.work.pieces[*n as usize]))
            .collect();
        let name: Arc<str> = format!("deliver.{name}").into();
        let stage = self.stage(&name, Whose::Machine, "deliver", Counts::Both);
        let seed = of_text(&format!("{FILM}/{name} machine"));
        let units = frames.max(1) as f64;
        self.add(Piece {
            shot: FILM.into(),
            stage,
            frames,
            units,
            again: 0.0,
            begun: 0.0,
            needs,
            seed,
            only: None,
            asked,
            is_approval: false,
        });
    }

    fn add(&mut self, piece: Piece) -> u32 {
        self.work.pieces.push(piece);
        self.work.pieces.len() as u32 - 1
    }

    /// The stage of the work with a name, made when it is new.
    fn stage(&mut self, name: &Arc<str>, whose: Whose, by: &str, counts: Counts) -> usize {
        if let Some(&at) = self.stages.get(&(name.clone(), whose)) {
            return at;
        }
        let rate = match whose {
            Whose::Hands => self.rates.hands(name),
            Whose::Machine => self.rates.machine(name, by),
        };
        let guess = self.crew.and_then(|crew| crew.estimates.get(&**name)).filter(|_| whose == Whose::Hands);
        let (pace, basis) = match (rate, guess) {
            (Some(rate), _) => (Some(of_rate(rate)), basis(rate)),
            (None, Some(guess)) => (Some(guessed(guess)), Basis::Guessed),
            (None, None) => (None, Basis::Unknown),
        };
        let rework = match rate {
            Some(rate) => rate.rework,
            None if whose == Whose::Hands => self.rates.rework_of_hands().unwrap_or((0.0, 0.0)),
            None => (0.0, 0.0),
        };
        let people = self.people.len();
        let who = match whose {
            Whose::Machine => (people..self.work.workers.len()).collect(),
            Whose::Hands => self.who_does(name),
        };
        let seed = of_text(&format!("{name} {}", if whose == Whose::Hands { "hands" } else { "machine" }));
        let at = self.work.stages.len();
        let name = name.clone();
        self.stages.insert((name.clone(), whose), at);
        self.work.stages.push(Stage { name, whose, pace, rework, who, seed, basis, counts });
        at
    }

    fn who_does(&self, stage: &str) -> Vec<usize> {
        let people = self.crew.into_iter().flat_map(|crew| crew.people.values()).enumerate();
        let does = people.filter(|(_, person)| person.does.iter().any(|glob| glob.value.matches(stage)));
        does.map(|(at, _)| at).collect()
    }
}

/// People, in the order declared, and after them machines.
fn workers(crew: Option<&Declared>, from: Date) -> Vec<Worker> {
    let date = |day: usize| from.checked_add(jiff::Span::new().days(day as i64)).unwrap_or(Date::MAX);
    let people = crew.into_iter().flat_map(|crew| &crew.people).map(|(name, person)| Worker {
        name: name.as_str().into(),
        calendar: Calendar::of(|day| person.hours_on(date(day))),
    });
    let mut all: Vec<Worker> = people.collect();
    let machines = crew.into_iter().flat_map(|crew| &crew.machines).map(|(name, machine)| Worker {
        name: name.as_str().into(),
        calendar: Calendar::even(machine.hours * f64::from(machine.side_by_side)),
    });
    let before = all.len();
    all.extend(machines);
    if all.len() == before {
        all.push(Worker { name: "machine".into(), calendar: Calendar::even(crate::declare::crew::WEEK) });
    }
    all
}

fn of_rate(rate: &Rate) -> Pace {
    Pace::Measured { middle: rate.middle - 3600f64.ln(), unsure: rate.unsure, spread: rate.spread }
}

fn basis(rate: &Rate) -> Basis {
    match rate.rests {
        Rests::Measured => Basis::Measured(rate.shots, rate.sure()),
        Rests::Alike => Basis::Alike,
    }
}

fn guessed(estimate: &Estimate) -> Pace {
    match estimate.hours {
        Guess::Middle(hours) => Pace::Measured { middle: hours.ln(), unsure: GUESS, spread: GUESS },
        Guess::Three([least, likely, most]) => Pace::of_three(&Three { least, likely, most }, TOGETHER),
    }
}
