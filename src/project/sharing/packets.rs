//! Packets by way of the shared store: a packet's zip is put there, and what a person put there in return is taken from there.
//!
//! Knows where packets and returns lie. What is in one is judged as if it had come by any other way.

use std::path::{Path, PathBuf};

use super::fetched::{self, Fetched};
use crate::crew::packets::Packets;
use crate::declare::film::Delivers;
use crate::graph::Work;
use crate::packet::bag;
use crate::project::{Declared, Project};
use crate::report::words;
use crate::store::shared::bucket::{Bucket, BucketError, Does, Source};
use crate::store::shared::incoming::Incoming;
use crate::store::shared::outbox::Outbox;
use crate::store::shared::outgoing::Outgoing;
use crate::store::{Store, StoreError};

/// Where packets lie.
const FOLDER: &str = "packets";
/// Where that lies which came back, under the packet's name.
const RETURNS: &str = "returns";
/// The largest packet that travels this way, in bytes.
const LARGEST: u64 = 4 << 30;
/// Channels of a picture; many applications save them beside mattes, too.
const PICTURE: usize = 4;
/// Bytes of a value at most: whole floats that do not pack.
const VALUE: u64 = 4;
/// Bytes of what a file says of its picture, and the places of its rows.
const HEAD: u64 = 1 << 20;
/// Bytes that may come besides: notes, a time sheet, what an application writes beside its files.
const BESIDES: u64 = 64 << 20;

/// A packet that was put there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// Its name in the shared store.
    pub name: String,
    /// By which it may be fetched.
    pub link: Option<String>,
    /// By which a zip may be put there in return.
    pub back: Option<String>,
}

/// Why a packet is not there.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotSent {
    /// It is too large for this way.
    #[error("{} is larger than 4 GiB", .0.display())]
    TooLarge(PathBuf),
    /// Something was in the way; another try goes on from where this one came to.
    #[error("{0}")]
    BrokeOff(String),
}

/// Is told the bytes that went or came, and all.
pub type Watch<'a> = &'a dyn Fn(u64, u64);

/// Puts a packet's zip there, with links that are good for so many days; how far it came stands in the file `memo`.
///
/// # Errors
/// What is in the way.
pub fn send(
    bucket: &dyn Bucket,
    zip: &Path,
    memo: &Path,
    days: u32,
    watch: Watch<'_>,
) -> Result<Sent, NotSent> {
    let broke_off = |why: String| NotSent::BrokeOff(why);
    let said = |error: BucketError| broke_off(error.to_string());
    let size = std::fs::metadata(zip).map_err(|e| broke_off(format!("{}: {e}", zip.display())))?.len();
    if size > LARGEST {
        return Err(NotSent::TooLarge(zip.into()));
    }
    let file = file_name(zip);
    let (name, back) = (format!("{FOLDER}/{file}"), format!("{RETURNS}/{file}"));
    let outgoing = Outgoing::open(zip, watch).map_err(said)?;
    bucket.send(&name, Source::File(&outgoing), Some(memo)).map_err(said)?;
    let link = bucket.link(&name, Does::Fetch, days).map_err(said)?;
    let back = bucket.link(&back, Does::Put, days).map_err(said)?;
    Ok(Sent { name, link, back })
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// What may come back of a packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Files that it asks for.
    pub files: usize,
    /// Bytes of them at most.
    pub bytes: u64,
}

impl Project {
    /// The packet that a zip is of, by its name and by what it says of itself: it takes the place of what lies under that name.
    ///
    /// # Errors
    /// Nobody handed out one of that name, or it is none of that packet, in words.
    pub fn packet_in(&self, zip: &Path) -> Result<String, String> {
        let (entries, _) = self.ledger();
        let (file, packets) = (file_name(zip), Packets::after(&entries));
        let packet = file.strip_suffix(".zip").and_then(|name| packets.named(name));
        let packet = packet.ok_or("no packet of that name was handed out")?;
        let Some(meta) = std::fs::metadata(zip).ok().filter(std::fs::Metadata::is_file) else {
            return Err("there is no such file".into());
        };
        if meta.len() > LARGEST {
            // Whatever it is, it is not sent.
            return Ok(packet.name.to_string());
        }
        let opened = crate::packet::open::Packet::open(zip).map_err(|faults| faults[0].to_string())?;
        match bag::name(&opened).map_err(|fault| fault.to_string())? {
            Some(name) if *name == *packet.name => Ok(name),
            Some(name) => Err(format!("it is packet '{}', named otherwise", name.escape_debug())),
            None => Err("it is no packet, whatever its name".into()),
        }
    }

    /// Where it is kept how far sending a packet's zip came, also once it is there: new links then cost no second sending. What is
    /// kept of packets of which nothing more is expected goes.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn memo_of(&self, zip: &Path) -> Result<PathBuf, StoreError> {
        let store = self.made_store()?;
        let outbox = Outbox::of(&store);
        outbox.create()?;
        let (file, (entries, _)) = (file_name(zip), self.ledger());
        let packets = Packets::after(&entries);
        let is_open = |name: &str| packets.named(name).is_some_and(|packet| packet.is_open());
        outbox.forget_packets(&|name| file.strip_suffix(".zip") == Some(name) || is_open(name));
        Ok(outbox.packet_memo(&file))
    }

    /// The folder for what is fetched.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn for_fetched(&self) -> Result<PathBuf, StoreError> {
        Ok(self.made_store()?.path(fetched::FOLDER))
    }

    fn made_store(&self) -> Result<Store, StoreError> {
        let store = Store::at(&self.folder)?;
        store.create()?;
        Ok(store)
    }

    /// What a packet asks for; nothing where nobody handed it out.
    pub fn asked(&self, declared: &Declared, name: &str) -> Option<Asked> {
        let (entries, _) = self.ledger();
        let packets = Packets::after(&entries);
        let packet = packets.named(below(name).unwrap_or(name).trim_end_matches(".zip"))?;
        let graph = &declared.graph;
        let files = packet.parts.iter().map(|part| part.frames.len()).sum();
        let bytes = packet.parts.iter().map(|part| {
            let work = graph.find(&part.shot, &part.stage).map(|id| &graph.nodes[id].work);
            largest(graph.frame_size, channels(work)).saturating_mul(part.frames.len() as u64)
        });
        Some(Asked { files, bytes: bytes.fold(0, u64::saturating_add) })
    }
}

/// Channels that a file of a stage may well have.
fn channels(work: Option<&Work>) -> usize {
    match work {
        Some(Work::Hand { delivers: Delivers::Mattes(names), .. }) => PICTURE + names.len(),
        _ => PICTURE,
    }
}

/// Bytes of a file of so many channels, at most.
fn largest((width, height): (u32, u32), channels: usize) -> u64 {
    let pixels = u64::from(width) * u64::from(height);
    pixels.saturating_mul(channels as u64).saturating_mul(VALUE).saturating_add(HEAD)
}

/// The most bytes that are fetched in return of a packet of so many.
fn most(asked: Option<Asked>, packet: u64) -> u64 {
    let asked = asked.map_or(LARGEST, |asked| asked.bytes);
    asked.saturating_add(packet).saturating_add(BESIDES).min(LARGEST)
}

/// Takes what came back of the packet of this name from there into a file of `folder`. The packet itself is never taken, nor what is far
/// larger than what was `asked` for: whoever has the link may put anything there.
///
/// # Errors
/// Words on what is in the way.
pub fn fetch(
    bucket: &dyn Bucket,
    name: &str,
    asked: Option<Asked>,
    folder: &Path,
    watch: Watch<'_>,
) -> Result<Fetched, String> {
    let name = below(name).unwrap_or(name);
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "-_.@".contains(c);
    if name.is_empty() || name.starts_with('.') || !name.chars().all(is_plain) {
        return Err(format!("'{}' is not the name of a packet", name.escape_debug()));
    }
    let file = format!("{}.zip", name.strip_suffix(".zip").unwrap_or(name));
    let path = folder.join(&file);
    let said = |error: BucketError| error.to_string();
    let handed_out = bucket.has(&format!("{FOLDER}/{file}")).map_err(said)?;
    // Many send the whole packet back, with what they made in it.
    let own = handed_out.as_ref().map_or(0, |held| held.size);
    let most = most(asked, own);
    let disk = |error: std::io::Error| format!("{}: {error}", path.display());
    let under_way = fetched::begin(folder, &file).map_err(disk)?;
    let mut incoming = Incoming::to(under_way.as_file(), folder, watch);
    let is_there = match bucket.fetch_into(&format!("{RETURNS}/{file}"), most, &mut incoming) {
        Err(BucketError::TooLarge { size, .. }) => return Err(too_large(&file, size, most, asked)),
        Err(BucketError::NoRoom { place, size }) => return Err(no_room(&file, &place, size)),
        done => done.map_err(said)?,
    };
    if is_there {
        tracing::info!(file, bytes = incoming.came(), digest = %incoming.digest(), "a return was fetched");
        return fetched::end(under_way, path.clone()).map_err(disk);
    }
    let there = listed(bucket).unwrap_or_default();
    let there = if there.is_empty() { "nothing".into() } else { there.join(", ") };
    let why = match handed_out {
        Some(_) => format!("nothing came back of {name} yet: the packet lies there as it was handed out"),
        None => format!("there is no {RETURNS}/{file}"),
    };
    Err(format!("{why}; what came back: {there}"))
}

/// What is said where this machine's disk is too full for a return.
fn no_room(file: &str, place: &Path, size: u64) -> String {
    format!(
        "{RETURNS}/{file} is {}, and this machine has no room for it in {}; make room there, and take it back again",
        words::bytes(size),
        place.display()
    )
}

/// What is said of a return that is too large, with a way on.
fn too_large(file: &str, size: u64, most: u64, asked: Option<Asked>) -> String {
    let why = match asked {
        Some(Asked { files, .. }) if most < LARGEST => format!(
            "the packet asks for {}, and with all that it holds itself {} is the most that is fetched",
            words::count(files as u64, "file"),
            words::bytes(most)
        ),
        _ => format!("{} is the most that is fetched", words::bytes(most)),
    };
    format!(
        "{RETURNS}/{file} is {}, and {why}: whoever has the link can put anything there. Ask the person; if it is meant, \
         fetch it from the bucket by other means and give the zip to `endboard takeback`",
        words::bytes(size)
    )
}

/// The packet whose zip, or whose return, has this name in the shared store.
pub fn packet_of(name: &str) -> Option<&str> {
    let file = below(name)?;
    Some(file.strip_suffix(".zip").unwrap_or(file))
}

/// What follows the folder of packets, or of returns.
fn below(name: &str) -> Option<&str> {
    [FOLDER, RETURNS].iter().find_map(|of| name.strip_prefix(of)?.strip_prefix('/'))
}

/// Names of the returns that lie there.
fn listed(bucket: &dyn Bucket) -> Result<Vec<String>, BucketError> {
    let mut names = Vec::new();
    bucket.list(RETURNS, &mut |held| {
        names.extend(packet_of(&held.name).map(str::to_string));
        names.len() < 50
    })?;
    names.sort();
    Ok(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A film of one stage by hand that delivers twelve mattes.
    fn twelve_mattes() -> Declared {
        let folder = tempfile::tempdir().unwrap();
        let mattes: Vec<String> = (0..12).map(|n| format!("matte{n}")).collect();
        let text = format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: 2048x1080\n\
             plates: {{ shed: {{ files: shed.####.exr, frames: 1-8 }} }}\n\
             shots: {{ br010: {{ plate: shed, frames: 1-8, stages: {{ roto: {{ by_hand: {{ files: roto.####.exr, delivers: [{}] }} }} }} }} }}\n",
            mattes.join(", ")
        );
        std::fs::write(folder.path().join(crate::project::DECLARATION), text).unwrap();
        Project::find(folder.path()).unwrap().read()
    }

    #[test]
    fn what_is_fetched_in_return_holds_all_mattes_of_every_file_and_never_more_than_may_travel() {
        let graph = twelve_mattes().graph;
        let size = graph.frame_size;
        let asked = |files: usize, channels| {
            Some(Asked { files, bytes: largest(size, channels).saturating_mul(files as u64) })
        };
        // Twelve mattes of 8 frames as whole floats that nothing packs, far more than may come besides.
        let work = |stage| graph.find("br010", stage).map(|id| &graph.nodes[id].work);
        let raw = 8 * 2048 * 1080 * (12 + 4) * 4;
        let bound = most(asked(8, channels(work("roto"))), 0);
        assert!((raw..=raw + 8 * HEAD + BESIDES).contains(&bound), "{bound}");
        assert_eq!(
            most(asked(8, channels(work("plate"))), 5000) - most(asked(8, PICTURE), 0),
            5000,
            "with the packet itself"
        );
        // What counts past all numbers is held to the bound, as what nobody handed out.
        for asked in [asked(usize::MAX, 4), Some(Asked { files: 1, bytes: u64::MAX }), None] {
            assert_eq!(most(asked, u64::MAX), LARGEST);
        }
        assert_eq!(largest((u32::MAX, u32::MAX), usize::MAX), u64::MAX);
    }
}
