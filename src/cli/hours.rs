//! `hours`: where the time went, people's and machines'.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;

use super::arguments::{self, Arguments, Hours as Options};
use super::clock::forgotten;
use super::today::{self, Now};
use super::{Answer, Exit, Failure, show};
use crate::base::selector::Selection;
use crate::crew::times::Times;
use crate::crew::waiting::{Packet, Waited, packets, waited};
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, What};
use crate::project::{Declared, Project, spending};
use crate::report::hands::{Asked, BY_HAND, Sides};
use crate::report::hours::Hours;
use crate::report::{hands_table, hands_words, hours_forms, hours_table, words};

/// A span of days and the one before it.
struct Span {
    /// The first day that is counted; all when none.
    from: Option<Date>,
    /// This span and the one before, to compare them: first days, and the day after the last.
    now: (Date, Date),
    before: Date,
    /// What both are called.
    names: (String, String),
}

/// Reads the ledger and prints.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let selection = arguments::selection(&options.selectors, None)?;
    let here = Now::here();
    let span = span(options, here.day()).map_err(Failure::Usage)?;
    // The film says what waits for whom; where it cannot be read, what the ledger says is told all the same.
    let (declared, (entries, problems)) = rayon::join(|| project.read(), || project.ledger());
    for problem in &problems {
        tell!("ledger: {problem}");
    }
    let unmatched = selection.unmatched(entries.iter().map(|e| (&*e.row.shot, &*e.row.stage)));
    let unknown: Vec<&str> = unmatched.iter().map(|selector| selector.text()).collect();
    if !entries.is_empty() && !unknown.is_empty() {
        let shots: BTreeSet<&str> = entries.iter().map(|e| &*e.row.shot).collect();
        let shots: Vec<&str> = shots.into_iter().collect();
        let words = format!(
            "the ledger has no time of '{}'; it has that of {}",
            unknown.join("', '"),
            shots.join(", ")
        );
        if !arguments.json && !options.csv && unknown.len() == selection.selectors.len() {
            return Err(Failure::Usage(words));
        }
        tell!("{words}");
    }
    let film = Film::of(&declared, &entries, &selection, &here);
    let picks = |shot: &str, stage: &str| selection.matches(shot, stage).is_some();
    let rows = entries.iter().map(|entry| &entry.row).filter(|row| picks(&row.shot, &row.stage));
    let is_in = |day: Date| span.from.is_none_or(|from| from <= day);
    let hours = match span.from {
        None => Hours::of(rows),
        Some(_) => Hours::of(rows.filter(|row| is_in(here.zone.to_datetime(row.when).date()))),
    };
    let times = Times::of(&entries);
    let kind = |shot: &str, stage: &str| film.kind(shot, stage);
    let of = |from: Option<Date>, until: Option<Date>| {
        Sides::of(&entries, &times, &Asked { zone: &here.zone, from, until, picks: &picks, kind: &kind })
    };
    let sides = of(span.from, None);
    let both = || (of(Some(span.now.0), Some(span.now.1)), of(Some(span.before), Some(span.now.0)));
    if arguments.json {
        let (now, before) = both();
        let spans =
            hours_forms::Spans { now: &now, before: &before, from: span.now.0, before_from: span.before };
        let waits = hours_forms::Waits { waited: &film.waited, packets: &film.packets };
        say!("{}", hours_forms::json(&hours, &sides, &spans, &waits, times.running.len()));
    } else if options.csv {
        show::say(format_args!("{}", hours_forms::csv(&hours, &sides)));
    } else {
        let has_people = entries.iter().any(|entry| is_peoples(&entry.row.what));
        if !has_people && span.from.is_none() {
            say!("{}", hours_table::table(&hours, &here.zone, show::look()));
            return Ok(Exit::Done);
        }
        text(&hours, &sides, &film, &times, &here, &span);
        let (now, before) = both();
        let lines = hands_words::change(&now, &before, &span.names.0, &span.names.1);
        show::say(format_args!("\n{}", hands_table::paragraphs(&lines, show::look())));
    }
    Ok(Exit::Done)
}

fn is_peoples(what: &What) -> bool {
    matches!(what, What::Crew(Crew::Begin { .. } | Crew::Worked(_) | Crew::Handout(_)))
}

/// What is counted, and what it is set against: weeks from Monday on, or as many days before as there are since a day.
fn span(options: &Options, today: Date) -> Result<Span, String> {
    let since = options.since.map(|day| today::past(day, today, "--since")).transpose()?;
    let past = |day: Date, days: i64| day.checked_sub(days.days()).map_err(|e| e.to_string());
    let tomorrow = today.tomorrow().map_err(|e| e.to_string())?;
    let monday = past(today, i64::from(today.weekday().to_monday_zero_offset()))?;
    Ok(match since {
        Some(from) => {
            let days = from.until(tomorrow).map_err(|e| e.to_string())?.get_days();
            let before = past(from, i64::from(days))?;
            Span {
                from: Some(from),
                now: (from, tomorrow),
                before,
                names: (format!("since {from}"), format!("in the {days} days before")),
            }
        }
        None => {
            let before = past(monday, 7)?;
            let names = ("this week".into(), "last week".into());
            Span { from: options.week.then_some(monday), now: (monday, tomorrow), before, names }
        }
    })
}

/// What the film tells, as far as it can be read.
struct Film {
    kinds: HashMap<(Arc<str>, Arc<str>), Arc<str>>,
    waited: Vec<Waited>,
    packets: Vec<Packet>,
    is_read: bool,
}

impl Film {
    fn of(declared: &Declared, entries: &[Entry], selection: &Selection, here: &Now) -> Self {
        let is_meant = |shot: &str, stage: &str| selection.matches(shot, stage).is_some();
        let mut rests = spending::rests(declared);
        rests.retain(|of| is_meant(&of.shot, &of.stage));
        let packets = match selection.is_everything() {
            true => packets(entries, here.at),
            // A packet may be of several stages, so that it is told of when one of them is meant.
            false => {
                let names: BTreeSet<&str> = (entries.iter().map(|entry| &entry.row))
                    .filter(|row| is_meant(&row.shot, &row.stage))
                    .filter_map(|row| match &row.what {
                        What::Crew(Crew::Handout(handout)) => Some(&*handout.packet),
                        _ => None,
                    })
                    .collect();
                packets(entries, here.at).into_iter().filter(|packet| names.contains(&*packet.name)).collect()
            }
        };
        Self {
            kinds: spending::kinds(declared, BY_HAND),
            waited: waited(&rests, entries, here.at),
            packets,
            is_read: declared.film.is_some(),
        }
    }

    fn kind(&self, shot: &str, stage: &str) -> Arc<str> {
        self.kinds.get(&(shot.into(), stage.into())).cloned().unwrap_or_else(|| "".into())
    }
}

fn text(hours: &Hours, sides: &Sides, film: &Film, times: &Times<'_>, here: &Now, span: &Span) {
    let look = show::look();
    let mut lines = Vec::new();
    if let Some(from) = span.from {
        lines.push(format!("What was done from {from} on."));
    }
    let hands = &sides.total.hands;
    let part = |of| format!("{} ({})", words::time(of), words::percent(words::share(of, hands.all())));
    lines.push(format!(
        "Hands {} of {}: first pass {}, rework {}.",
        words::time(hands.all()),
        if sides.people.len() == 1 {
            "1 person".to_string()
        } else {
            format!("{} people", sides.people.len())
        },
        part(hands.first_pass),
        part(hands.rework)
    ));
    let mut out = hands_table::paragraphs(&lines, look) + &hours_table::head(hours, look);
    let mut lines: Vec<String> = hands_words::finals(sides).into_iter().collect();
    for clock in &times.running {
        let row = &clock.entry.row;
        let why = clock.forgotten(here.at, &here.zone);
        let why = why.map_or(String::new(), |why| format!(", {}, most likely forgotten", forgotten(why)));
        let since = here.clock(row.when);
        lines.push(format!(
            "Not counted: the clock of {} on {}/{}, which runs since {since}{why}.",
            clock.person, row.shot, row.stage
        ));
    }
    out += &hands_table::paragraphs(&lines, look);
    out += &hands_table::table(sides, look);
    if !hours.machines.is_empty() {
        out += &hours_table::machines(hours, look);
    }
    let waiting = hands_words::waiting(&film.waited, &film.packets);
    if !waiting.is_empty() {
        out += &format!("\n{}", hands_table::paragraphs(&waiting, look));
    }
    if !film.is_read {
        out += "\nThe declaration has errors, so that it is not known what waited.\n";
    }
    show::say(format_args!("{out}"));
}
