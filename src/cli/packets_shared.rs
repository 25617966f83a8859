//! Packets by way of the crew's shared store: sent there when handed out, fetched from there to be taken back.
//!
//! Knows what the person who gets one is told. What is in a packet is judged where it would be had it come by other ways.

use std::path::Path;
use std::sync::Arc;

use super::arguments::Arguments;
use super::arguments::share::Way as Sharing;
use super::progress::Reading;
use super::share::Opened;
use super::{Answer, Exit, Failure, rebuild, share, show};
use crate::programs::Halt;
use crate::project::sharing::fetched;
use crate::project::sharing::packets::{self, NotSent, Sent};
use crate::project::{Declared, Project};

/// Days for which a link is good: the most that services allow.
const DAYS: u32 = 7;

/// The way to the shared store.
pub struct Way<'p> {
    project: &'p Project,
    opened: Opened,
    quiet: bool,
    halt: Arc<Halt>,
    _runtime: tokio::runtime::Runtime,
}

/// What came back, fetched; gone when dropped.
pub struct Fetched {
    file: fetched::Fetched,
    at: String,
}

impl Fetched {
    /// Where the zip lies.
    pub fn path(&self) -> &Path {
        &self.file.path
    }

    /// Words on it, with its place in the shared store where they name the file that it was fetched into.
    pub fn named(&self, words: &str) -> String {
        let file =
            self.path().file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        words.replace(&self.path().display().to_string(), &format!("returns/{file} in {}", self.at))
    }
}

/// The way to the film's shared store, to send a packet; `sharing` is how the command says to use it.
pub fn open<'p>(
    project: &'p Project,
    declared: &Declared,
    sharing: Option<Sharing>,
    quiet: bool,
) -> Result<Way<'p>, Failure> {
    share::may_change(declared, sharing)?;
    reach(project, declared, quiet)
}

fn reach<'p>(project: &'p Project, declared: &Declared, quiet: bool) -> Result<Way<'p>, Failure> {
    let (runtime, programs) = rebuild::programs_saying(share::STOPPING, None)?;
    let opened = share::bucket(project, declared, &programs)?;
    Ok(Way { project, opened, quiet, halt: Arc::clone(&programs.halt), _runtime: runtime })
}

/// Does it with a bar, told in MiB, unless it is to be `quiet`.
fn watched<T>(what: &'static str, quiet: bool, does: impl FnOnce(packets::Watch<'_>) -> T) -> T {
    let bar = (!quiet).then(|| Reading::new(what));
    let done = does(&|done, of| {
        let of_mib = |bytes: u64| (bytes >> 20) as usize;
        bar.iter().for_each(|bar| bar.at(of_mib(done), of_mib(of)));
    });
    bar.iter().for_each(Reading::end);
    done
}

/// Sends a packet's zip.
pub fn send(way: &Way<'_>, zip: &Path) -> Result<Sent, Failure> {
    let sent = match way.project.memo_of(zip) {
        Ok(memo) => watched("sending the packet, in MiB", way.quiet, |watch| {
            packets::send(&*way.opened.bucket, zip, &memo, DAYS, watch)
        }),
        Err(error) => Err(NotSent::BrokeOff(error.to_string())),
    };
    sent.map_err(|why| {
        let place = zip.display().to_string();
        let word = shlex::try_quote(&place).map_or_else(|_| place.clone(), |quoted| quoted.into_owned());
        let on = match why {
            NotSent::TooLarge(_) => "send it another way".to_string(),
            NotSent::BrokeOff(_) => {
                format!(
                    "`endboard share --send {word}` goes on from where it came to, or send it another way"
                )
            }
        };
        let words =
            format!("{}: {why}; the packet is handed out and lies at {place}: {on}", way.opened.store.at());
        // That it is handed out has to be known of one that was stopped, too.
        if way.halt.is_asked() { Failure::Stopped(Some(words)) } else { Failure::System(words) }
    })
}

/// `share --send`: sends the zip of a packet that was handed out, from where it came to.
pub fn run(project: &Project, arguments: &Arguments, zip: &Path, sharing: Option<Sharing>) -> Answer {
    let declared = project.read();
    let packet = project.packet_in(zip).map_err(|why| {
        let name = show::clean(&zip.display().to_string());
        Failure::Usage(format!("--send {name}: {why}; give the zip that `handout` wrote"))
    })?;
    let way = open(project, &declared, sharing, arguments.json)?;
    let sent = send(&way, zip)?;
    if arguments.json {
        let at = way.opened.store.at();
        let json = serde_json::json!({ "format": "endboard share 1", "at": at, "packet": packet, "shared": json(&way, &sent) });
        say!("{json:#}");
    } else {
        tell(&way, &sent, &packet);
    }
    Ok(Exit::Done)
}

/// What was sent, as JSON.
pub fn json(way: &Way<'_>, sent: &Sent) -> serde_json::Value {
    let days = way.opened.session.is_none().then_some(DAYS);
    serde_json::json!({ "name": sent.name, "link": sent.link, "back": sent.back, "days": days })
}

/// Says what the person needs.
pub fn tell(way: &Way<'_>, sent: &Sent, packet: &str) {
    flow!("it lies in the shared store as {}", sent.name);
    if let (Some(link), Some(back)) = (&sent.link, &sent.back) {
        match &way.opened.session {
            None => flow!("send the person these two links, of use to whoever has them for {DAYS} days:"),
            Some(from) => flow!(
                "send the person these two links. The keys are a session's: both show its token ({from}) and are of no use \
                 once the session ends, which is sooner than in {DAYS} days:"
            ),
        }
        say!("to fetch the packet:");
        say!("{link}");
        say!("to send what is done, in one zip, the person runs:");
        say!("curl -T DONE.zip '{back}'");
        flow!(
            "the service holds this link to no size; of what comes no more is fetched than the packet asks for, and some more"
        );
    }
    flow!("then take it with `endboard takeback --shared {packet}`");
}

/// Fetches what came back of the packet of this name.
pub fn fetch(project: &Project, name: &str, quiet: bool) -> Result<Fetched, Failure> {
    let declared = project.read();
    let way = reach(project, &declared, quiet)?;
    let asked = project.asked(&declared, name);
    let at = way.opened.store.at();
    let failed = |why: String| match way.halt.is_asked() {
        true => Failure::Stopped(None),
        false => Failure::System(format!("{at}: {why}")),
    };
    let folder = project.for_fetched().map_err(|error| Failure::System(error.to_string()))?;
    let file = watched("fetching what came back, in MiB", way.quiet, |watch| {
        packets::fetch(&*way.opened.bucket, name, asked, &folder, watch)
    });
    Ok(Fetched { file: file.map_err(failed)?, at: at.clone() })
}
