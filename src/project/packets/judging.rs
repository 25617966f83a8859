//! What came back, file by file: which frame it is, and whether it is what the stage wants.
//!
//! Knows names, sizes, channels, alpha and values that are not numbers. Every file is decoded as a rebuild would, so that what is taken
//! does not fail later. Knows nothing of the ledger.

use std::collections::{BTreeMap, BTreeSet};

use super::Hand;
use crate::base::frames::FrameSet;
use crate::declare::film::Delivers;
use crate::execute::source;
use crate::graph::Work;
use crate::media::image::Raster;
use crate::media::{self, Format};
use crate::packet::open::{Entry, Packet as Opened};
use crate::packet::{Fault, is_litter};

/// Files that pack others.
const ARCHIVES: [&str; 12] =
    ["zip", "7z", "rar", "tar", "gz", "tgz", "bz2", "xz", "zst", "lz4", "cab", "iso"];
/// Most bytes of one picture, which is in memory while it is looked at.
pub const PICTURE_LIMIT: u64 = 1 << 30;
/// Names of the two files that a packet is sent back with.
pub const SHEET: &str = "hours.csv";
/// See [`SHEET`].
pub const NAME: &str = "packet.txt";

/// One stage of a shot, as a packet has it.
#[derive(Clone)]
pub(super) struct Wanted<'a> {
    /// The stage.
    pub hand: Hand<'a>,
    /// The frames that were handed out.
    pub frames: FrameSet,
}

/// The files of a packet by what they are.
#[derive(Debug, Default)]
pub(super) struct Sorted<'p> {
    /// By place in the wanted stages and frame.
    pub files: BTreeMap<(usize, i64), &'p Entry>,
    /// The time sheet.
    pub sheet: Option<&'p Entry>,
    /// What is passed over.
    pub besides: Vec<String>,
    /// What stands in the way.
    pub faults: Vec<Fault>,
}

/// Tells files apart by their names. `all_shots` are the film's.
pub(super) fn sort<'p>(
    entries: impl Iterator<Item = &'p Entry>,
    wanted: &[Wanted<'_>],
    all_shots: &BTreeSet<&str>,
) -> Sorted<'p> {
    let mut by_name: BTreeMap<String, Vec<(usize, i64)>> = BTreeMap::new();
    for (at, of) in wanted.iter().enumerate() {
        of.frames.iter().for_each(|n| by_name.entry(of.hand.name(n)).or_default().push((at, n)));
    }
    let mut sorted = Sorted::default();
    for entry in entries.filter(|entry| !is_litter(&entry.path)) {
        let (folder, name) = entry.path.rsplit_once('/').unwrap_or(("", &entry.path));
        if name.eq_ignore_ascii_case(SHEET) {
            if sorted.sheet.replace(entry).is_some() {
                sorted.faults.push(Fault::new(&entry.path, "there is more than one time sheet", "send one"));
            }
            continue;
        }
        if name == NAME {
            continue;
        }
        let ending = name.rsplit_once('.').map_or("", |(_, ending)| ending).to_lowercase();
        if ARCHIVES.contains(&&*ending) {
            let way = "unpack it, and send its files in the folder return";
            sorted.faults.push(Fault::new(
                &entry.path,
                "a packed file inside of a packet is not opened",
                way,
            ));
            continue;
        }
        let shot = folder.split('/').rev().find(|part| all_shots.contains(part));
        let may_be: Vec<(usize, i64)> = by_name.get(name).cloned().unwrap_or_default();
        let fits: Vec<(usize, i64)> = (may_be.iter().copied())
            .filter(|(at, _)| shot.is_none_or(|shot| *wanted[*at].hand.node.shot == *shot))
            .collect();
        match fits[..] {
            [place] => {
                if let Some(other) = sorted.files.insert(place, entry) {
                    let why = format!("it is the same frame as {}", other.path);
                    sorted.faults.push(Fault::new(&entry.path, why, "send one of them"));
                }
            }
            [] if Format::of_path(name).is_none() => sorted.besides.push(entry.path.clone()),
            [] => sorted.faults.push(unasked(entry, name, shot, wanted)),
            _ => {
                let shots: Vec<&str> = fits.iter().map(|(at, _)| &*wanted[*at].hand.node.shot).collect();
                let why = format!("it may be of {}", shots.join(" or "));
                sorted.faults.push(Fault::new(&entry.path, why, "put it into a folder with the shot's name"));
            }
        }
    }
    sorted
}

/// What is said of a picture that was not asked for.
fn unasked(entry: &Entry, name: &str, shot: Option<&str>, wanted: &[Wanted<'_>]) -> Fault {
    let of_shot = |of: &&Wanted<'_>| shot.is_none_or(|shot| *of.hand.node.shot == *shot);
    let Some(of) = wanted.iter().find(of_shot) else {
        let shots: Vec<&str> = wanted.iter().map(|of| &*of.hand.node.shot).collect();
        let why = format!("the packet has no shot {}", shot.unwrap_or(""));
        return Fault::new(&entry.path, why, format!("it has {}", shots.join(", ")));
    };
    let before = &of.hand.files.before[of.hand.files.folder().len()..];
    let number = name.strip_prefix(before).and_then(|rest| rest.strip_suffix(&*of.hand.files.after));
    let number: Option<i64> = number.and_then(|number| number.parse().ok());
    let first = of.frames.iter().next().unwrap_or(0);
    match number {
        Some(n) if of.frames.contains(n) => Fault::new(
            &entry.path,
            format!("frame {n} is written otherwise"),
            format!("name it {}", of.hand.name(n)),
        ),
        Some(n) => {
            let why = format!("frame {n} of {} is not in the packet", of.hand.node.shot);
            Fault::new(&entry.path, why, format!("it has {}; take the file out", of.frames))
        }
        None => Fault::new(
            &entry.path,
            "its name is none that was asked for",
            format!("name it as {}, or take it out", of.hand.name(first)),
        ),
    }
}

/// What a sound picture holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Found {
    /// Whether it has an alpha channel.
    pub alpha: bool,
}

/// Looks at one file's picture.
///
/// # Errors
/// In words, why it is not taken.
pub(super) fn look(
    of: &Wanted<'_>,
    frame: i64,
    path: &str,
    bytes: &[u8],
    size: (u32, u32),
) -> Result<Found, (String, String)> {
    let way = |way: &str| way.to_string();
    let format =
        Format::of_path(path).ok_or_else(|| ("it is no picture file".to_string(), way("send a picture")))?;
    let unread = |why: String| {
        (format!("it cannot be read: {why}"), way("save it once more, and look at it before it is sent"))
    };
    // The header first: what it promises is held against the film before room for pixels is made.
    let outline = media::probe(format, bytes).map_err(|why| unread(why.to_string()))?;
    if (outline.width, outline.height) != size {
        let why = format!("it is {}x{}, and the film {}x{}", outline.width, outline.height, size.0, size.1);
        return Err((why, way("make it from the frames of the packet, not scaled and not cut")));
    }
    let has = |name: &str| outline.channels.iter().any(|channel| channel == name);
    match of.hand.delivers {
        Delivers::Picture if !["R", "G", "B"].iter().all(|name| has(name)) => {
            let why = format!(
                "it has channels {}, and red, green and blue are wanted",
                outline.channels.join(", ")
            );
            return Err((why, way("save it as a picture in colour")));
        }
        Delivers::Mattes(names) => {
            let lacks = names.iter().find(|name| !has(name) && !(names.len() == 1 && (has("Y") || has("R"))));
            if let Some(name) = lacks {
                let why = format!("it has no channel '{name}', only {}", outline.channels.join(", "));
                return Err((why, way("save all mattes as channels of these names")));
            }
        }
        Delivers::Picture => {}
    }
    let raster = media::decode(format, bytes).map_err(|why| unread(why.to_string()))?;
    numbers(&raster)?;
    let alpha = raster.planes.iter().find(|(name, _)| name == "A").map(|(_, plane)| plane);
    if let Some(plane) = alpha.filter(|_| matches!(of.hand.delivers, Delivers::Picture)) {
        sound_alpha(plane)?;
    }
    let found = Found { alpha: alpha.is_some() };
    let Work::Hand { decode, delivers, .. } = &of.hand.node.work else { return Ok(found) };
    source::delivered(raster, delivers, &**decode, frame, size).map_err(unread)?;
    Ok(found)
}

/// Whether every value is a finite number.
fn numbers(raster: &Raster) -> Result<(), (String, String)> {
    for (name, plane) in &raster.planes {
        if let Some(at) = plane.iter().position(|v| !v.is_finite()) {
            let (x, y) = (at % raster.width as usize, at / raster.width as usize);
            let what = if plane[at].is_nan() { "no number (NaN)" } else { "infinite" };
            return Err((
                format!("channel {name} is {what} at pixel {x}, {y}"),
                "take such pixels out".into(),
            ));
        }
    }
    Ok(())
}

/// Whether an alpha channel shows anything, and lies where alpha lies.
fn sound_alpha(plane: &[f32]) -> Result<(), (String, String)> {
    if plane.iter().all(|&v| v <= 0.0) {
        let why = "its alpha is 0 everywhere, so that nothing of it would be seen";
        return Err((why.into(), "save it with its alpha, or without any".into()));
    }
    match plane.iter().find(|v| !(-0.001..=1.001).contains(*v)) {
        Some(v) => {
            Err((format!("its alpha reaches {v}, and lies between 0 and 1"), "save it once more".into()))
        }
        None => Ok(()),
    }
}

/// Where runs of frames that came have holes that others of the packet should fill.
pub(super) fn gaps(came: &FrameSet, frames: &FrameSet) -> FrameSet {
    let (Some(first), Some(last)) = (came.runs().first(), came.runs().last()) else { return FrameSet::new() };
    frames.iter().filter(|&n| n > first.first && n < last.last && !came.contains(n)).collect()
}

/// The bytes of one file.
///
/// # Errors
/// It is too large, or cannot be read.
pub(super) fn bytes(packet: &Opened, entry: &Entry) -> Result<Vec<u8>, Fault> {
    packet.bytes(entry, PICTURE_LIMIT)
}
