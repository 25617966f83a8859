//! Taking back: what a person sent is looked at as a whole, and put in place as a whole or not at all.
//!
//! Knows which packet it is, what is good, what was made for inputs that changed meanwhile, and what came before. A packet is
//! untrusted: nothing of it is written before all of it was looked at, and nothing but its pictures ever is.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::contents::TOUCH;
use super::judging::{self, NAME, Sorted, Wanted};
use super::placing::{self, Changed};
use super::taken::{Came, Placed, TakeError, Taken};
use super::telling::{Part, Teller};
use super::{hand, inputs, sheet, unknown};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::crew::packets::{Packet, Packets, Return};
use crate::media::Format;
use crate::packet::bag::{self, Bag};
use crate::packet::open::{Entry, Packet as Opened};
use crate::packet::sums::{Kind, Sums};
use crate::packet::{Fault, TEXT_LIMIT, is_litter};
use crate::project::frames::LookError;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError, Status};

/// Most faults of files that are told.
const TOLD: usize = 40;

/// What is to be taken back, and how.
pub struct Order<'a> {
    /// The folder or zip.
    pub path: &'a Path,
    /// The packet's name, where the files do not tell it.
    pub packet: Option<&'a str>,
    /// In the words of whoever takes it back.
    pub note: &'a str,
    /// Whether it is only looked at.
    pub plan: bool,
    /// Who takes it back.
    pub writer: &'a Writer,
    /// When.
    pub now: Timestamp,
    /// The day of that.
    pub today: Date,
    /// Where days are counted.
    pub zone: &'a TimeZone,
    /// What is told of each change on the disk.
    pub changed: Changed<'a>,
}

/// Files whose bytes were looked at, by place in the wanted stages and frame.
type Sound = BTreeMap<(usize, i64), (Digest, String)>;

impl Project {
    /// Takes a packet back.
    ///
    /// # Errors
    /// Something about it is not as it should be, and then nothing is changed; or the disk refuses.
    pub fn take_back(&self, order: &Order<'_>) -> Result<Taken, TakeError> {
        if let Err(why) = std::fs::metadata(order.path) {
            let why = match why.kind() {
                std::io::ErrorKind::NotFound => "there is no such file or folder".to_string(),
                _ => format!("it cannot be read ({why})"),
            };
            return Err(ProjectError::System(format!(
                "{}: {why}; give the packet's folder or its zip. Nothing was taken",
                order.path.display()
            ))
            .into());
        }
        // Reading a large packet takes time, in which others may work on the film.
        let opened = Opened::open(order.path).map_err(TakeError::Refused)?;
        let bag = bag::check(&opened).map_err(TakeError::Refused)?;
        let _lock = self.lock(order.writer)?;
        let mut remarks = self.finish_taking(order.writer)?;
        let status = self.status(false, &|_, _| {})?;
        let packet = self.which(&status.packets, &opened, bag.as_ref(), order)?.clone();
        let stages = stages(&status, &packet)?;
        let shots: BTreeSet<&str> = status.declared.graph.nodes.iter().map(|node| &*node.shot).collect();
        let begin =
            work_folder(&opened, bag.is_some(), order).map_err(|fault| TakeError::Refused(vec![fault]))?;
        let mut sorted = judging::sort(of_work(&opened, begin), &stages, &shots);
        let lines = self.hours(&opened, &mut sorted, &packet, order);
        let nothing = sorted.files.is_empty() && lines.is_empty() && sorted.faults.is_empty();
        if nothing {
            let why = "there is nothing in it to take: no picture of the packet and no hours";
            let way = "files belong into the folder return, named as the brief says";
            sorted.faults.push(Fault::new(order.path.display().to_string(), why, way));
        }
        let intake = self.intake()?;
        let sound = self.look_at_all(&opened, bag.as_ref(), &status, &stages, &mut sorted, intake.path())?;
        if !sorted.faults.is_empty() {
            sorted.faults.truncate(TOLD);
            return Err(TakeError::Refused(sorted.faults));
        }
        let besides = std::mem::take(&mut sorted.besides);
        remarks.extend(
            besides
                .iter()
                .map(|path| format!("{path} is left where it is: it is no picture and no time sheet")),
        );
        remarks.extend(astray(&opened, begin));
        remarks.extend(bag.iter().flat_map(|bag| bag.remarks.clone()));
        if packet.closed.is_some() {
            remarks.push(format!("{} was closed before; what came is taken all the same", packet.name));
        }
        let came = self.came(&status, &packet, &stages, &sound);
        let (due, passed) = sheet::held(&status.ledger.0, &packet.name, &lines);
        remarks.extend(passed);
        let mut placed = Placed::default();
        if !order.plan {
            for (digest, like) in sound.values() {
                let to = self.folder.join(self.kept_place(digest, like)?);
                self.bring_in(&intake.path().join(digest.to_string()), &to)?;
                (order.changed)(&to).map_err(placing::disk(&to))?;
            }
            placed = self.take(&status, &packet, &stages, &sound, &came, &due, order)?;
        }
        remarks.extend(placed.left);
        let is_open = packet.closed.is_none() && came.iter().any(|came| !came.left.is_empty());
        Ok(Taken {
            packet: packet.name.to_string(),
            person: packet.person.to_string(),
            came,
            hours: sheet::sums(&due),
            kept: placed.kept,
            remarks,
            is_open,
        })
    }

    /// Puts what came in place, and tells the ledger.
    #[allow(clippy::too_many_arguments)] // Each is one thing that was found out before.
    fn take(
        &self,
        status: &Status,
        packet: &Packet,
        stages: &[Wanted<'_>],
        sound: &Sound,
        came: &[Came],
        due: &[sheet::Due],
        order: &Order<'_>,
    ) -> Result<Placed, ProjectError> {
        let film = &status.declared.graph.film;
        let teller = Teller { film, by: &order.writer.name, when: order.now, note: order.note };
        let (mut files, mut rows) = (Vec::new(), Vec::new());
        for (at, (of, came)) in stages.iter().zip(came).enumerate().filter(|(_, of)| !of.1.frames.is_empty())
        {
            let returns = status.packets.returns(&came.shot, &came.stage);
            let file = |n: i64| (n, sound[&(at, n)].0, of.hand.files.path(n));
            let part = Part {
                shot: came.shot.clone(),
                stage: came.stage.clone(),
                version: came.version,
                files: came.frames.iter().map(file).collect(),
            };
            for (n, digest, path) in &part.files {
                let place = (format!("{}/{}@{n}", came.shot, came.stage), came.version);
                let kept = self.kept_place(digest, path)?;
                files.push(self.to_be_placed(returns, place, (digest, kept, path.clone()))?);
            }
            rows.extend(teller.files(&part, Some(packet)));
        }
        rows.extend(teller.hours(&status.ledger.0, packet, due, order.zone));
        self.do_work(files, &rows, order.writer, order.changed)
    }

    /// Which packet it is: by what it says of itself, or by what the caller says.
    fn which<'p>(
        &self,
        packets: &'p Packets,
        opened: &Opened,
        bag: Option<&Bag>,
        order: &Order<'_>,
    ) -> Result<&'p Packet, TakeError> {
        let refused = |fault| TakeError::Refused(vec![fault]);
        let mut names: Vec<(String, String)> = Vec::new();
        names.extend(order.packet.map(|name| ("--packet".to_string(), name.to_string())));
        for path in [
            format!("return/{NAME}"),
            NAME.to_string(),
            format!("data/return/{NAME}"),
            format!("data/{NAME}"),
        ] {
            if let Some(text) = opened.text(&path, TEXT_LIMIT).map_err(refused)? {
                names.push((path, text.trim().to_string()));
            }
        }
        let label = bag.and_then(|bag| bag.label(bag::NAME));
        names.extend(label.map(|name| ("bag-info.txt".to_string(), name.to_string())));
        let Some((_, name)) = names.first() else {
            let place = order.path.display().to_string();
            let way = "say it with --packet NAME; `endboard outstanding` lists the names";
            return Err(refused(Fault::new(place, "it does not tell which packet it is", way)));
        };
        if let Some((place, other)) = names.iter().find(|(_, other)| other != name) {
            let why = format!("it says packet '{}', and {} says '{}'", shown(other), names[0].0, shown(name));
            return Err(refused(Fault::new(place, why, "send each packet by itself")));
        }
        packets.named(name).ok_or_else(|| {
            let words = unknown(packets, &shown(name));
            let way = "if another copy of the film handed it out, bring the files of that one's ledger here (they merge), and take it back then";
            LookError::Words(format!("{words}; {way}")).into()
        })
    }

    /// The lines of the time sheet.
    fn hours(
        &self,
        opened: &Opened,
        sorted: &mut Sorted<'_>,
        packet: &Packet,
        order: &Order<'_>,
    ) -> Vec<sheet::Line> {
        let Some(entry) = sorted.sheet else { return Vec::new() };
        let bytes = opened.bytes(entry, TEXT_LIMIT).map_err(|fault| vec![fault]);
        let lines = bytes.and_then(|bytes| sheet::read(&entry.path, &bytes, packet, order.today));
        lines.unwrap_or_else(|faults| {
            sorted.faults.extend(faults);
            Vec::new()
        })
    }

    /// A folder for what is looked at, which is gone in any case. What a crash left of one is cleared.
    fn intake(&self) -> Result<tempfile::TempDir, ProjectError> {
        let folder = self.folder.join(".endboard/work");
        std::fs::create_dir_all(&folder).map_err(placing::disk(&folder))?;
        tempfile::Builder::new().prefix("intake-").tempdir_in(&folder).map_err(placing::disk(&folder))
    }

    /// Looks at every file, one after the other, and puts sound ones into the intake under their digests.
    fn look_at_all(
        &self,
        opened: &Opened,
        bag: Option<&Bag>,
        status: &Status,
        stages: &[Wanted<'_>],
        sorted: &mut Sorted<'_>,
        intake: &Path,
    ) -> Result<Sound, ProjectError> {
        let size = status.declared.graph.frame_size;
        let mut sound = Sound::new();
        let mut alphas: BTreeMap<usize, [FrameSet; 2]> = BTreeMap::new();
        for (&(at, frame), entry) in &sorted.files {
            if sorted.faults.len() > TOLD {
                break;
            }
            let bytes = match judging::bytes(opened, entry).and_then(|bytes| as_listed(bag, entry, bytes)) {
                Ok(bytes) => bytes,
                Err(fault) => {
                    sorted.faults.push(fault);
                    continue;
                }
            };
            match judging::look(&stages[at], frame, &entry.path, &bytes, size) {
                Ok(found) => {
                    alphas.entry(at).or_default()[usize::from(found.alpha)].insert(frame);
                    let digest = Digest::of(&bytes);
                    let to = intake.join(digest.to_string());
                    std::fs::write(&to, &bytes).map_err(placing::disk(&to))?;
                    sound.insert((at, frame), (digest, stages[at].hand.name(frame)));
                }
                Err((why, way)) => sorted.faults.push(Fault::new(&entry.path, why, way)),
            }
        }
        for (at, [without, with]) in alphas {
            if !without.is_empty() && !with.is_empty() {
                let place = format!("{}@{}", stages[at].hand.node.name(), without);
                let why = format!("these have no alpha, and {with} have one");
                sorted.faults.push(Fault::new(place, why, "save all of them alike"));
            }
        }
        Ok(sound)
    }

    /// Moves a file out of the intake to where returned ones are kept.
    fn bring_in(&self, from: &Path, to: &Path) -> Result<(), ProjectError> {
        let bytes = std::fs::read(from).map_err(placing::disk(from))?;
        self.keep_bytes(to, &bytes)
    }

    /// What came, stage by stage, held against the inputs of now.
    fn came(&self, status: &Status, packet: &Packet, stages: &[Wanted<'_>], sound: &Sound) -> Vec<Came> {
        let of_stage = |(at, of): (usize, &Wanted<'_>)| {
            let node = of.hand.node;
            let files: BTreeMap<i64, Digest> = sound
                .range((at, i64::MIN)..=(at, i64::MAX))
                .map(|(&(_, n), (digest, _))| (n, *digest))
                .collect();
            let returns = status.packets.returns(&node.shot, &node.stage);
            let part = packet.part(&node.shot, &node.stage);
            let mut came =
                Came { shot: node.shot.to_string(), stage: node.stage.to_string(), ..Came::default() };
            for (&n, digest) in &files {
                // What this packet brought before is no news, also where another return came after it: a whole packet that is sent
                // once more undoes nobody's work.
                let is_it = |of: &Return| of.packet == packet.name && of.files.get(&n) == Some(digest);
                let is_again = returns.is_some_and(|all| all.all.iter().any(is_it));
                if is_again { &mut came.again } else { &mut came.frames }.insert(n);
            }
            if !came.frames.is_empty() {
                came.version = returns.map_or(1, |all| all.next_version());
            }
            let within: FrameSet = came.frames.iter().filter(|&n| node.frames.contains(n)).collect();
            came.gone = came.frames.iter().filter(|&n| !node.frames.contains(n)).collect();
            let now = inputs::rest_on(self, status, of.hand, &within, false);
            for (n, on) in now {
                let then = part.and_then(|part| part.rests_on.get(&n));
                match (on, then) {
                    (Some((now, _)), Some(then)) if now == *then => came.good.insert(n),
                    (Some(_), Some(_)) => came.earlier.insert(n),
                    _ => came.unsure.insert(n),
                }
            }
            let back = part.map(|part| part.back.clone()).unwrap_or_default();
            came.left = of.frames.iter().filter(|n| !back.contains(*n) && !files.contains_key(n)).collect();
            let all: FrameSet = files.keys().copied().chain(back.iter()).collect();
            came.gaps = judging::gaps(&all, &of.frames);
            came
        };
        stages.iter().enumerate().map(of_stage).collect()
    }
}

fn shown(text: &str) -> String {
    text.chars().take(80).collect::<String>().escape_debug().to_string()
}

/// The stages of a packet that the film still has.
fn stages<'a>(status: &'a Status, packet: &Packet) -> Result<Vec<Wanted<'a>>, TakeError> {
    let graph = &status.declared.graph;
    let find = |part: &crate::crew::packets::Part| {
        let of = hand(status, graph.find(&part.shot, &part.stage)?)?;
        Some(Wanted { hand: of, frames: part.frames.clone() })
    };
    let stages: Vec<Wanted<'_>> = packet.parts.iter().filter_map(find).collect();
    if stages.is_empty() {
        let names: Vec<String> =
            packet.parts.iter().map(|part| format!("{}/{}", part.shot, part.stage)).collect();
        let why = format!("the film has no hand stage {} any more", names.join(", "));
        let way = "put it back into the declaration, or close the packet with `endboard outstanding --close`";
        return Err(TakeError::Refused(vec![Fault::new(&*packet.name, why, way)]));
    }
    Ok(stages)
}

/// The folder that a person's work lies in, with a `/` at its end: `return`, where the packet has it or where a bag that was made of
/// it has it; of what is neither a bag nor was handed out, all, as it is what `return` held. What else a packet brings along is the
/// film's own: earlier files of the same names among it.
fn work_folder(opened: &Opened, is_bag: bool, order: &Order<'_>) -> Result<&'static str, Fault> {
    let has = |begin: &str| opened.entries().iter().any(|entry| entry.path.starts_with(begin));
    let was_handed_out = || is_bag || has("data/") || opened.find(TOUCH).is_some();
    match ["return/", "data/return/"].into_iter().find(|begin| has(begin)) {
        Some(begin) => Ok(begin),
        None if !was_handed_out() => Ok(""),
        None => {
            let why = "there is no folder return in it, and what else is there is what was handed out";
            let way = "put the files and hours.csv into a folder named return, each file in the folder of its shot, and send that";
            Err(Fault::new(order.path.display().to_string(), why, way))
        }
    }
}

/// The files that a person sent back.
fn of_work<'p>(opened: &'p Opened, begin: &str) -> impl Iterator<Item = &'p Entry> {
    let is_brief = |path: &str| matches!(path, "BRIEF.txt" | "BRIEF.html");
    opened.entries().iter().filter(move |entry| entry.path.starts_with(begin) && !is_brief(&entry.path))
}

/// Pictures that lie beside the folder of the work, where nobody looks for them.
fn astray(opened: &Opened, begin: &str) -> Vec<String> {
    let is_astray = |path: &&str| {
        let is_outside = !path.starts_with(begin) && !path.starts_with("data/");
        is_outside && !is_litter(path) && Format::of_path(path).is_some()
    };
    let told = |path: &str| format!("{path} is not taken: it lies outside of the folder return");
    opened.entries().iter().map(|entry| entry.path.as_str()).filter(is_astray).map(told).collect()
}

/// The bytes of a file, if they are still those that the manifests list.
fn as_listed(bag: Option<&Bag>, entry: &Entry, bytes: Vec<u8>) -> Result<Vec<u8>, Fault> {
    let Some(sums) = bag.and_then(|bag| bag.sums.get(&entry.path)) else { return Ok(bytes) };
    let kinds: Vec<Kind> = sums.iter().map(|(kind, _)| *kind).collect();
    let mut hasher = Sums::new(&kinds);
    hasher.update(&bytes);
    match hasher.finish() == *sums {
        true => Ok(bytes),
        false => Err(Fault::new(&entry.path, "it changed while it was looked at", "start again")),
    }
}
