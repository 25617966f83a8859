//! `share`, and what other commands do with the crew's shared store: opened with the keys of this machine, sent to at the end.
//!
//! Knows which variables of the environment are looked at. Keys are handed on and never printed.

use std::sync::Arc;

use clap::ValueEnum;
use serde_json::json;

use super::arguments::Arguments;
use super::arguments::share::{Share, Way};
use super::progress::Reading;
use super::rebuild::{programs_saying, writer};
use super::{Answer, Exit, Failure, packets_shared};
use crate::bucket::Stop;
use crate::bucket::credentials::{self, Asks, Known};
use crate::declare::shared::SharedStore;
use crate::execute::Ending;
use crate::programs::{Halt, Runner};
use crate::project::rebuild::Rebuilt;
use crate::project::sharing::Purpose;
use crate::project::sharing::members::{self, Member};
use crate::project::sharing::sweeping::OLD;
use crate::project::{Declared, Project, ProjectError, Status};
use crate::report::words;
use crate::store::shared::bucket::{Bucket, BucketError};
use crate::store::shared::sending::Sending;
use crate::store::shared::{Left, Shared};

/// What is said where a person ends what only waits for the shared store.
pub(super) const STOPPING: &str = "stopping; press Ctrl-C again to stop at once";

/// How the shared store is used where no option says so.
pub(super) fn usual_way() -> Result<Way, Failure> {
    let Ok(word) = std::env::var("ENDBOARD_SHARED") else { return Ok(Way::Both) };
    let wrong = || Failure::Usage(format!("ENDBOARD_SHARED is '{word}'; it is one of: both, take, off"));
    Way::from_str(word.trim(), true).map_err(|_| wrong())
}

/// Tells that a run is to end.
fn stop(halt: &Arc<Halt>) -> Stop {
    let halt = Arc::clone(halt);
    Arc::new(move || halt.is_asked())
}

fn keys(asks: Asks) -> Result<Known, String> {
    credentials::find(asks, &|name| std::env::var(name).ok())
}

/// Rebuilds with the film's shared store, to which renders go meanwhile and what is left of them at the end.
pub(super) fn around(
    project: &Project,
    declared: Declared,
    way: Option<Way>,
    halt: &Arc<Halt>,
    quiet: bool,
    run: impl FnOnce(Declared, Option<Arc<Shared>>) -> Result<Rebuilt, ProjectError>,
) -> Result<Rebuilt, Failure> {
    let shared = open(project, &declared, way, Asks::Person, halt, |words| tell!("{words}"))?;
    let sending = shared.clone().map(Sending::start);
    let rebuilt = run(declared, shared.clone());
    match (shared.zip(sending), &rebuilt) {
        (Some((shared, sending)), Ok(rebuilt)) => finish(project, &shared, sending, rebuilt, quiet),
        (Some((_, sending)), Err(_)) => sending.leave(),
        (None, _) => {}
    }
    Ok(rebuilt?)
}

/// The shared store of a film for one run; nothing where there is none, or where it cannot be had, which `tell` is given.
pub(super) fn open(
    project: &Project,
    declared: &Declared,
    way: Option<Way>,
    asks: Asks,
    halt: &Arc<Halt>,
    tell: impl Fn(String) + Clone + Send + Sync + 'static,
) -> Result<Option<Arc<Shared>>, Failure> {
    let Some(store) = declared.film.as_ref().and_then(|film| film.shared.as_ref()) else { return Ok(None) };
    let way = way.map_or_else(usual_way, Ok)?;
    if way == Way::Off {
        return Ok(None);
    }
    let purpose = if way == Way::Take { Purpose::Take } else { Purpose::Both };
    let opened = keys(asks).and_then(|known| {
        project.shared(declared, store, &known, purpose, Box::new(tell.clone()), stop(halt))
    });
    if let Err(why) = &opened {
        tell(format!("{} is not to be had: {why}; going on without it", store.at()));
    }
    Ok(opened.ok())
}

/// A shared store, open for a command that is of no use without it.
pub(super) struct Opened {
    /// As declared.
    pub store: SharedStore,
    /// The bucket.
    pub bucket: Arc<dyn Bucket>,
    /// Where the token is said, when the keys are a session's.
    pub session: Option<String>,
}

/// Where the crew's shared store is declared to be.
pub(super) fn declared_store(declared: &Declared) -> Result<&SharedStore, Failure> {
    let none = || {
        Failure::Usage(
            "the film has no shared store; declare one: `shared: { at: s3://BUCKET/PREFIX }`".into(),
        )
    };
    declared.film.as_ref().and_then(|film| film.shared.as_ref()).ok_or_else(none)
}

/// Opens the bucket of a film that shares.
pub(super) fn bucket(project: &Project, declared: &Declared, programs: &Runner) -> Result<Opened, Failure> {
    let store = declared_store(declared)?.clone();
    let refused = |why: String| Failure::System(format!("{}: {why}", store.at()));
    let known = keys(Asks::Person).map_err(refused)?;
    let bucket = project.bucket(&declared.sources, &store, &known, stop(&programs.halt)).map_err(refused)?;
    let token = known.credentials.and_then(|credentials| credentials.token);
    Ok(Opened { store, bucket, session: token.map(|token| token.from) })
}

/// Refuses where this member only takes from the shared store, or leaves it alone; `option` is how the command says to use it.
pub(super) fn may_change(declared: &Declared, option: Option<Way>) -> Result<(), Failure> {
    let store = declared_store(declared)?;
    match why_not(declared, store, option)? {
        None => Ok(()),
        Some(says) => Err(Failure::Usage(format!(
            "{}: {says}, so that nothing is sent, told or removed there",
            store.at()
        ))),
    }
}

/// What says that this member only takes from the shared store, or leaves it alone, if anything does.
fn why_not(declared: &Declared, store: &SharedStore, option: Option<Way>) -> Result<Option<String>, Failure> {
    let name = |way: Way| way.to_possible_value().map_or_else(String::new, |value| value.get_name().into());
    Ok(match (store.read_only, option) {
        (Some(span), _) => Some(format!("{} says `read_only: true`", declared.sources.place(span))),
        (None, Some(Way::Both)) => None,
        (None, Some(way)) => Some(format!("`--sharing {}` was said", name(way))),
        (None, None) => match usual_way()? {
            Way::Both => None,
            way => Some(format!("ENDBOARD_SHARED is '{}'", name(way))),
        },
    })
}

/// What a shared store said, as a failure of a command that is of no use without it.
pub(super) fn failed(store: &SharedStore) -> impl Fn(BucketError) -> Failure {
    let at = store.at();
    move |error| match error {
        BucketError::Stopped => Failure::Stopped(None),
        error => Failure::System(format!("{at}: {error}")),
    }
}

/// Sends what is left once a rebuild is over, as long as it gets on, and tells the crew what the film uses now.
fn finish(project: &Project, shared: &Shared, sending: Sending, rebuilt: &Rebuilt, quiet: bool) {
    let left = watched(sending, quiet);
    told(shared, &left, quiet);
    tell_spoilt(shared, &left);
    let is_over = rebuilt.outcome.ended != Some(Ending::Asked);
    if is_over && left.count == 0 && !shared.is_read_only() {
        let published = project.publish(&rebuilt.status, &*shared.bucket, &writer(), false);
        if let Err(error) = published {
            tell!("{}: what this film uses could not be told there: {error}", shared.at);
        }
    }
}

/// Waits for what is being sent, with a bar on a terminal.
fn watched(sending: Sending, quiet: bool) -> Left {
    let bar = (!quiet).then(|| Reading::new("sending renders; Ctrl-C leaves the rest to the next run"));
    let left = sending.finish(&|left| {
        bar.iter().for_each(|bar| bar.at(left.sent, left.sent + left.count));
    });
    bar.iter().for_each(Reading::end);
    left
}

fn told(shared: &Shared, left: &Left, quiet: bool) {
    if left.sent > 0 && !quiet {
        let frames = super::show::frames(left.sent);
        tell!("{frames} sent to {}, {}", shared.at, words::bytes(left.bytes));
    }
    if left.count > 0 && shared.is_sent_elsewhere() && !shared.is_read_only() {
        tell!(
            "another process of this film sends now; what it leaves goes with the next rebuild, or `endboard share`"
        );
    } else if left.count > 0 && !shared.is_read_only() {
        let frames = super::show::frames(left.count);
        tell!("{frames} still to be sent to {}: the next rebuild goes on, or `endboard share`", shared.at);
    }
}

/// Tells which frames were damaged there, by place, and what became of them.
fn tell_spoilt(shared: &Shared, left: &Left) {
    let Some(words) = shared.spoilt() else { return };
    let became = match (shared.is_read_only(), left.count) {
        (true, _) => "rendered anew here; as nothing is sent, they stay so there",
        (false, 0) => "rendered anew and replaced",
        (false, _) => "rendered anew, and replaced once what is left is sent",
    };
    tell!("{words}: {became}");
}

/// Sends what the film has, tells what it uses, and lists who does so.
pub fn run(project: &Project, arguments: &Arguments, options: &Share) -> Answer {
    if let Some(zip) = &options.send {
        return packets_shared::run(project, arguments, zip, options.sharing);
    }
    let way = options.sharing.map_or_else(usual_way, Ok)?;
    let (_runtime, programs) = programs_saying(STOPPING, None)?;
    let status = project.status_to_share()?;
    if options.forget.is_some() {
        may_change(&status.declared, options.sharing)?;
    }
    let Opened { store, bucket, .. } = bucket(project, &status.declared, &programs)?;
    let failed = failed(&store);
    if let Some(who) = &options.forget {
        return forget(&*bucket, who, &failed);
    }
    let lacking = project.lacking_there(&status, &*bucket).map_err(&failed)?;
    let to_send = lacking.due.len();
    let mut left = Left { count: to_send, ..Left::default() };
    let mut is_read_only = store.read_only.is_some() || way != Way::Both;
    let mut is_refused = false;
    if !options.plan && !is_read_only {
        let tell = Box::new(|words| tell!("{words}"));
        let (purpose, stop) = (Purpose::Send, stop(&programs.halt));
        let shared = keys(Asks::Person)
            .and_then(|known| project.shared(&status.declared, &store, &known, purpose, tell, stop));
        let shared = shared.map_err(|why| Failure::System(format!("{}: {why}", store.at())))?;
        // Before anything is taken from the queue, so that what waits already is not queued twice.
        shared.queue(lacking.due).map_err(|error| Failure::System(error.to_string()))?;
        let sending = Sending::start(Arc::clone(&shared));
        left = watched(sending, arguments.json);
        (is_read_only, is_refused) = (shared.is_read_only(), shared.is_refused());
        told(&shared, &left, arguments.json);
        if left.count == 0 && !is_read_only {
            project.publish(&status, &*bucket, &writer(), true).map_err(&failed)?;
        }
    }
    let exit = match left.count {
        _ if programs.halt.is_asked() => return Err(Failure::Stopped(None)),
        n if n > 0 && !options.plan && (is_refused || !is_read_only) => Exit::System,
        _ => Exit::Done,
    };
    let members = members::all(&*bucket).map_err(&failed)?;
    if arguments.json {
        let all = json!({ "format": "endboard share 1", "at": store.at(), "there": lacking.there,
            "nowhere": lacking.nowhere, "to_send": to_send, "sent": left.sent, "bytes": left.bytes,
            "left": left.count, "read_only": is_read_only, "members": members_json(&members) });
        say!("{all:#}");
        return Ok(exit);
    }
    if let Some(says) = why_not(&status.declared, &store, options.sharing)? {
        flow!("{}: {says}, so that nothing is sent or told there", store.at());
    }
    as_text(
        &store,
        &status,
        &members,
        (lacking.there, to_send, lacking.nowhere),
        options.plan || is_read_only,
    );
    Ok(exit)
}

fn as_text(
    store: &SharedStore,
    status: &Status,
    members: &[Member],
    (there, to_send, nowhere): (usize, usize, usize),
    is_look: bool,
) {
    let frames = super::show::frames;
    let were = if is_look { "are there" } else { "were there before" };
    flow!("{}: {} of {} {were}", store.at(), frames(there), status.declared.graph.film);
    if to_send > 0 && is_look {
        say!("{} are here and not there", frames(to_send));
    }
    if nowhere > 0 {
        say!("{} are neither there nor here any more", frames(nowhere));
    }
    tell_members(members);
}

/// Members' lists, a line each.
pub(super) fn tell_members(members: &[Member]) {
    let now = jiff::Timestamp::now().as_second();
    for member in members {
        let when = jiff::Timestamp::from_second(member.told).unwrap_or_default();
        let when = when.to_zoned(jiff::tz::TimeZone::system()).strftime("%F %H:%M");
        let says = match &member.list {
            Ok(list) => format!("uses {}", words::count(list.used.len() as u64, "file")),
            Err(why) => format!("its list cannot be read: {why}"),
        };
        let who = super::show::clean(&member.who);
        let old = match now - member.told > OLD {
            true => format!("; OLD: `endboard share --forget {who}` if nobody works there any more"),
            false => String::new(),
        };
        flow!("  {who}  told {when}, {says}{old}");
    }
}

/// The same as JSON.
pub(super) fn members_json(members: &[Member]) -> Vec<serde_json::Value> {
    let now = jiff::Timestamp::now().as_second();
    let one = |member: &Member| {
        let used = member.list.as_ref().ok().map(|list| list.used.len());
        json!({ "who": member.who, "told": jiff::Timestamp::from_second(member.told).ok().map(|t| t.to_string()),
            "uses": used, "unreadable": member.list.as_ref().err(), "old": now - member.told > OLD })
    };
    members.iter().map(one).collect()
}

/// Takes a member's list away, so that it keeps nothing from being swept any more.
fn forget(bucket: &dyn Bucket, who: &str, failed: &dyn Fn(BucketError) -> Failure) -> Answer {
    let members = members::all(bucket).map_err(failed)?;
    let Some(member) = members.iter().find(|member| member.who == who) else {
        let there: Vec<&str> = members.iter().map(|member| member.who.as_str()).collect();
        let there = if there.is_empty() { "nobody's".into() } else { there.join(", ") };
        return Err(Failure::Usage(format!("there is no list of '{who}'; lists there: {there}")));
    };
    bucket.remove(&[format!("{}/{}", members::FOLDER, member.who)]).map_err(failed)?;
    flow!("the list of {} is withdrawn; what only it used may be swept", super::show::clean(who));
    Ok(Exit::Done)
}
