//! `deliver`: what leaves the house is made, or said to be due; a delivered folder is held against its manifest.

use std::path::Path;

use serde_json::{Value, json};

use super::arguments::{Arguments, Deliver};
use super::progress::Reading;
use super::rebuild::{programs, writer};
use super::{Answer, Exit, Failure, people, show};
use crate::base::problem::nearest;
use crate::declare::film::Film;
use crate::project::delivering::sync::{Synced, Unsynced};
use crate::project::delivering::{self, Came, Due, Order, Standing};
use crate::project::frames::Lack;
use crate::project::{Project, ProjectError};
use crate::report::words;

/// Lines of one delivery that are told in full; the rest is counted.
const TOLD: usize = 12;

/// Does what the options say.
pub fn run(project: &Project, arguments: &Arguments, options: &Deliver) -> Answer {
    let declared = project.read();
    if !declared.is_sound() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    known(declared.film.as_ref(), &options.names)?;
    let (_runtime, runner) = programs()?;
    if options.plan {
        let status = project.status(false, &|_, _| {})?;
        people::tell_ledger(&status.ledger.1);
        let dues = project.deliveries(&status, &options.names, options.as_it_is, true, &runner);
        return Ok(plan(&status.declared.graph.film, &dues, arguments.json));
    }
    let reading = Reading::new("delivering");
    let tell = |_: &str, done: u64, of: u64| {
        if !arguments.json {
            reading.at(done as usize, of as usize);
        }
    };
    let order = Order {
        names: &options.names,
        as_it_is: options.as_it_is,
        writer: &writer(),
        runner: &runner,
        now: &jiff::Timestamp::now,
        tell: &tell,
    };
    let delivered = project.deliver(&order)?;
    reading.end();
    if let Some(trouble) = &delivered.ledger_trouble {
        tell!("the ledger could not be written, so the time of this run is missing from it: {trouble}");
    }
    if arguments.json {
        let all: Vec<Value> = delivered.all.iter().map(|(due, came)| came_json(due, came)).collect();
        say!("{:#}", json!({ "format": "endboard deliver 1", "film": delivered.film, "deliveries": all }));
    } else {
        delivered.all.iter().for_each(|(due, came)| told(due, came));
    }
    let is = |wanted: fn(&Came) -> bool| delivered.all.iter().any(|(_, came)| wanted(came));
    Ok(match () {
        () if is(|came| matches!(came, Came::Stopped)) => Exit::Interrupted,
        () if is(|came| matches!(came, Came::System(_))) => Exit::System,
        () if is(|came| matches!(came, Came::Failed(_) | Came::Refused)) => Exit::Unsound,
        () => Exit::Done,
    })
}

/// Whether every name is one of a delivery, and there is any.
fn known(film: Option<&Film>, names: &[String]) -> Result<(), Failure> {
    let Some(film) = film else { return Ok(()) };
    let all: Vec<&str> = film.deliveries.keys().map(String::as_str).collect();
    if all.is_empty() {
        let words =
            "the film declares no deliveries; write `deliveries:` into its declaration, as the README shows";
        return Err(Failure::Usage(words.into()));
    }
    if let Some(name) = names.iter().find(|name| !all.contains(&name.as_str())) {
        let way = match nearest(name, all.iter().copied()) {
            Some(near) => format!("did you mean '{near}'?"),
            None => format!("there are {}", all.join(", ")),
        };
        return Err(Failure::Usage(format!("no delivery is called '{}'; {way}", show::clean(name))));
    }
    Ok(())
}

/// Holds a delivered folder against its manifest.
pub fn check(folder: &Path, as_json: bool) -> Answer {
    let found = delivering::check(folder).map_err(|error| Failure::Unready(error.to_string()))?;
    let (_runtime, runner) = programs()?;
    let synced = delivering::synced(folder, &runner);
    let passed = delivering::passed(folder);
    let is_apart = |found: &Result<Synced, Unsynced>| match found {
        Ok(synced) => synced.offset.is_noticed(),
        Err(why) => !matches!(why, Unsynced::Unread(_)),
    };
    let apart = synced.iter().any(|(_, found)| is_apart(found));
    let exit = if found.is_none() && !apart { Exit::Done } else { Exit::Unsound };
    if as_json {
        let syncs: Vec<Value> = synced
            .iter()
            .map(|(file, found)| {
                let mut all = synced_json(found);
                all["file"] = json!(file);
                all
            })
            .collect();
        let odd: Vec<Value> =
            found.odd.iter().map(|(path, why)| json!({ "path": path, "says": why })).collect();
        say!(
            "{:#}",
            json!({ "format": "endboard deliver 1", "folder": folder.display().to_string(), "as_listed": found.is_none(),
                "same": found.same, "missing": found.missing, "changed": found.changed, "new": found.new, "odd": odd,
                "stray": found.stray, "delivered_as_it_is": passed_json(&passed), "sync": syncs })
        );
        return Ok(exit);
    }
    let lists = [
        ("changed", &found.changed),
        ("missing", &found.missing),
        ("new, and in no list", &found.new),
        ("a manifest that the chain does not name", &found.stray),
    ];
    for (word, list) in lists {
        list.iter().for_each(|path| flow!("{}: {word}", show::clean(path)));
    }
    found.odd.iter().for_each(|(path, why)| flow!("{}: {}", show::clean(path), show::clean(why)));
    for (file, found) in &synced {
        let says = found.as_ref().map_or_else(Unsynced::sentence, Synced::sentence);
        flow!("{}: {}", show::clean(file), show::clean(&says));
    }
    for (place, says) in &passed {
        flow!("{}: {}; it was delivered as it is", show::clean(place), show::clean(says));
    }
    let same = words::count(found.same as u64, "file");
    match found.is_none() {
        true => flow!("{}: {same}, all as listed", folder.display()),
        false => flow!("{}: not as it was delivered; {same} as listed", folder.display()),
    }
    Ok(exit)
}

/// How picture and sound of a pop lie.
pub fn synced_json(found: &Result<Synced, Unsynced>) -> Value {
    match found {
        Ok(synced) => {
            json!({ "early_ms": synced.offset.early, "early_frames": synced.frames, "seen": synced.seen,
            "heard": synced.heard, "frame": synced.frame + 1, "noticed": synced.offset.is_noticed(),
            "accepted": synced.offset.is_accepted(), "says": synced.sentence() })
        }
        Err(why) => json!({ "early_ms": null, "says": why.sentence() }),
    }
}

fn plan(film: &str, dues: &[Due], as_json: bool) -> Exit {
    if as_json {
        let all: Vec<Value> = dues.iter().map(due_json).collect();
        say!("{:#}", json!({ "format": "endboard deliver 1", "film": film, "deliveries": all }));
    } else {
        dues.iter().for_each(say_due);
    }
    if dues.iter().any(|due| !due.lacking.is_empty()) { Exit::Unsound } else { Exit::Done }
}

/// How a delivery stands, and what would be made.
fn say_due(due: &Due) {
    let place = due.place.as_ref().map_or(String::new(), |place| format!(", in {place}"));
    match due.standing {
        Standing::Fresh => flow!("{}: fresh{place}", due.name),
        _ if due.lacking.is_empty() => {
            let count = due.pieces();
            flow!(
                "{}: {}{place}; would be made of {count} frames and blocks of sound",
                due.name,
                due.standing
            );
            lines(&due.why);
        }
        _ => {
            flow!("{}: {}{place}; cannot be made:", due.name, due.standing);
            lacks(&due.lacking);
        }
    }
    passed(&due.name, &due.passed);
    as_it_is(due);
}

fn lines(all: &[String]) {
    all.iter().take(TOLD).for_each(|line| flow!("    {}", show::clean(line)));
    rest(all.len());
}

fn lacks(all: &[Lack]) {
    all.iter().take(TOLD).for_each(|lack| flow!("    {}: {}; {}", lack.place, lack.why, lack.way));
    rest(all.len());
}

fn rest(count: usize) {
    if count > TOLD {
        flow!("    and {} more", count - TOLD);
    }
}

/// Says loudly what would go out although it is not as declared.
fn as_it_is(due: &Due) {
    for lack in &due.kept {
        tell!("CAUTION: {}: {} is {}, and goes out as it is", due.name, lack.place, lack.why);
    }
}

/// Says loudly what went out although it would have refused the delivery.
fn passed(name: &str, all: &[(String, String)]) {
    for (place, says) in all {
        tell!("CAUTION: {name}: {}: {}; it was delivered as it is", show::clean(place), show::clean(says));
    }
}

fn passed_json(all: &[(String, String)]) -> Value {
    all.iter().map(|(place, says)| json!({ "place": place, "says": says })).collect()
}

fn told(due: &Due, came: &Came) {
    let name = &due.name;
    match came {
        Came::Fresh => {
            let place = due.place.as_deref().unwrap_or("its folder");
            flow!("{name}: fresh; {place} is as it was delivered");
            passed(name, &due.passed);
        }
        Came::Made(made) => {
            flow!("{name}: made and checked, in {}; report.txt there has the numbers", made.place);
            if let Some(synced) = &made.sync {
                flow!("    {}", synced.sentence());
            }
            passed(name, &made.passed);
        }
        Came::Refused => {
            let why = match due.lacking.is_empty() {
                true => "inspection found faults in what goes in",
                false => "what goes in is not as declared",
            };
            flow!("{name}: not made: {why}:");
            lacks(&due.lacking);
            lacks(&due.faults);
        }
        Came::Failed(why) | Came::System(why) => {
            flow!("{name}: not made, and nothing stands under its name: {}", show::clean(why));
        }
        Came::Stopped => tell!("{name}: stopped; nothing stands under its name"),
    }
}

fn lacks_json(all: &[Lack]) -> Value {
    all.iter().map(|lack| json!({ "place": lack.place, "says": lack.why, "way": lack.way })).collect()
}

fn due_json(due: &Due) -> Value {
    json!({ "name": due.name, "state": due.standing.to_string(), "place": due.place, "why": due.why,
        "lacking": lacks_json(&due.lacking), "as_it_is": lacks_json(&due.kept),
        "faults": lacks_json(&due.faults), "delivered_as_it_is": passed_json(&due.passed) })
}

fn came_json(due: &Due, came: &Came) -> Value {
    let mut all = due_json(due);
    let (word, says) = match came {
        Came::Fresh => ("fresh", None),
        Came::Made(_) => ("made", None),
        Came::Refused => ("refused", None),
        Came::Failed(why) | Came::System(why) => ("failed", Some(why)),
        Came::Stopped => ("stopped", None),
    };
    all["came"] = json!(word);
    all["says"] = json!(says);
    if let Came::Made(made) = came {
        let pairs = |list: &[(String, String)]| -> Value {
            list.iter().map(|(what, says)| json!({ "what": what, "says": says })).collect()
        };
        all["place"] = json!(made.place);
        all["checks"] = pairs(&made.checks);
        all["delivered_as_it_is"] = passed_json(&made.passed);
        all["inspection"] = pairs(&made.inspection);
        all["cautions"] = pairs(&made.cautions);
        all["sync"] = made.sync.as_ref().map(|synced| synced_json(&Ok(synced.clone()))).unwrap_or_default();
    }
    all
}

/// How deliveries stand, for `status`: what would be made is looked at, and files that the system tells the same of are taken
/// for the same.
pub fn standing(project: &Project, status: &crate::project::Status) -> Result<Vec<Due>, Failure> {
    if status.declared.film.as_ref().is_none_or(|film| film.deliveries.is_empty()) {
        return Ok(Vec::new());
    }
    let runner = crate::programs::Runner::alone().map_err(|error| Failure::System(error.to_string()))?;
    Ok(project.deliveries(status, &[], false, false, &runner))
}

/// A line a delivery, for `status`.
pub fn say_standing(dues: &[Due]) {
    for due in dues {
        let place = due.place.as_ref().map_or(String::new(), |place| format!(", in {place}"));
        let why = match (due.standing, due.why.as_slice()) {
            (Standing::Stale, [first]) => format!("; {}", show::clean(first)),
            (Standing::Stale, [first, more @ ..]) => {
                format!("; {}, and {} more", show::clean(first), more.len())
            }
            _ => String::new(),
        };
        let passed = match due.passed.as_slice() {
            [] => String::new(),
            [(place, says), more @ ..] => {
                let more = if more.is_empty() { String::new() } else { format!(", and {} more", more.len()) };
                format!("; delivered as it is: {}: {}{more}", show::clean(place), show::clean(says))
            }
        };
        flow!("delivery {}: {}{place}{why}{passed}", due.name, due.standing);
    }
}
