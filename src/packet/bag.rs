//! Whether a packet is a bag, complete and valid (RFC 8493, section 3).
//!
//! Knows what a bag must hold and that every file is what its manifests say. Nothing is fetched: a bag that leaves files elsewhere
//! is refused. Files are read once, piece by piece.

use std::collections::{BTreeMap, BTreeSet};

use super::open::{Entry, Packet};
use super::sums::{Kind, Sums};
use super::tags::{self, Version};
use super::{Fault, MANIFEST_LIMIT, TEXT_LIMIT, is_litter};

/// A bag that is complete and valid.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Bag {
    /// What `bag-info.txt` says, in order.
    pub info: Vec<(String, String)>,
    /// Of each payload file, its digests by manifests, to be looked at once more when it is taken.
    pub sums: BTreeMap<String, Vec<(Kind, String)>>,
    /// What could not be looked at, in words.
    pub remarks: Vec<String>,
}

impl Bag {
    /// The value of a label, of several the first one.
    pub fn label(&self, label: &str) -> Option<&str> {
        value(&self.info, label)
    }
}

fn value<'i>(info: &'i [(String, String)], label: &str) -> Option<&'i str> {
    info.iter().find(|(of, _)| of.eq_ignore_ascii_case(label)).map(|(_, value)| value.as_str())
}

/// A manifest's digests by path.
type Manifest = (Kind, BTreeMap<String, String>);

/// The name of whose packet it is.
pub const NAME: &str = "External-Identifier";

/// The name that a bag says it has; its payload is not looked at.
///
/// # Errors
/// What it says of itself cannot be read.
pub fn name(packet: &Packet) -> Result<Option<String>, Fault> {
    const INFO: &str = "bag-info.txt";
    let Some(text) = packet.text(INFO, TEXT_LIMIT)? else { return Ok(None) };
    let info = tags::labels(&text).map_err(|why| Fault::new(INFO, why, "have it packed once more"))?;
    Ok(value(&info, NAME).map(str::to_string))
}

/// Looks at a packet as a bag; nothing when it is none.
///
/// # Errors
/// All that makes the bag none that is complete and valid.
pub fn check(packet: &Packet) -> Result<Option<Bag>, Vec<Fault>> {
    let Some(text) = packet.text("bagit.txt", TEXT_LIMIT).map_err(|fault| vec![fault])? else {
        return Ok(None);
    };
    let again = "have it packed and sent once more";
    let one = |place: &str, why: String| vec![Fault::new(place, why, again)];
    let version = tags::declaration(&text).map_err(|why| one("bagit.txt", why))?;
    if packet.find("fetch.txt").is_some() {
        let why = "the bag leaves files elsewhere, and nothing is fetched";
        return Err(vec![Fault::new("fetch.txt", why, "have it sent with all its files")]);
    }
    let mut bag = Bag::default();
    if let Some(info) = packet.text("bag-info.txt", TEXT_LIMIT).map_err(|fault| vec![fault])? {
        bag.info = tags::labels(&info).map_err(|why| one("bag-info.txt", why))?;
    }
    let payload = manifests(packet, "manifest-", version, &mut bag.remarks)?;
    let tag_files = manifests(packet, "tagmanifest-", version, &mut bag.remarks)?;
    if payload.is_empty() {
        let why = "no payload manifest of SHA-512, SHA-256, SHA-1 or MD5 is there".to_string();
        return Err(one("bagit.txt", why));
    }
    let mut faults = listed(packet, &payload, &tag_files);
    faults.extend(oxum(packet, &bag));
    // Wrong lists are told by themselves: what they lack would be told of each file once more.
    if faults.is_empty() {
        faults.extend(digests(packet, &payload, true, &mut bag.sums));
        faults.extend(digests(packet, &tag_files, false, &mut BTreeMap::new()));
    }
    if faults.is_empty() { Ok(Some(bag)) } else { Err(faults) }
}

fn manifests(
    packet: &Packet,
    begin: &str,
    version: Version,
    remarks: &mut Vec<String>,
) -> Result<Vec<Manifest>, Vec<Fault>> {
    let mut all = Vec::new();
    let names: Vec<&Entry> = packet
        .entries()
        .iter()
        .filter(|entry| {
            entry.path.starts_with(begin) && entry.path.ends_with(".txt") && !entry.path.contains('/')
        })
        .collect();
    for entry in names {
        let name = &entry.path[begin.len()..entry.path.len() - ".txt".len()];
        let kind = Kind::named(name);
        let text = packet.text(&entry.path, MANIFEST_LIMIT).map_err(|fault| vec![fault])?.unwrap_or_default();
        let fault = |why: String| vec![Fault::new(&entry.path, why, "have it packed and sent once more")];
        let lines = tags::manifest(&text, kind, version).map_err(fault)?;
        match kind {
            Some(kind) => all.push((kind, lines)),
            None => {
                remarks.push(format!("{}: digests of this kind are not known, and not looked at", entry.path))
            }
        }
    }
    Ok(all)
}

/// What manifests list and is not there, and what is there and not listed (sections 2.1.3 and 2.2.1).
fn listed(packet: &Packet, payload: &[Manifest], tag_files: &[Manifest]) -> Vec<Fault> {
    let mut faults = Vec::new();
    let is_payload = |path: &str| path.starts_with("data/");
    let paths: BTreeSet<&str> =
        payload.iter().flat_map(|(_, lines)| lines.keys().map(String::as_str)).collect();
    let back = "send the packet whole, or the folder `return` by itself";
    for path in &paths {
        if !is_payload(path) {
            faults.push(Fault::new(
                *path,
                "a payload manifest lists it, and it is not below data/",
                "have it packed anew",
            ));
        } else if packet.find(path).is_none() {
            faults.push(Fault::new(*path, "the manifest lists it, and it is not there", back));
        }
        for (kind, lines) in payload {
            if !lines.contains_key(*path) {
                let why = format!("manifest-{}.txt does not list it, and another does", kind.name());
                faults.push(Fault::new(*path, why, "have it packed anew"));
            }
        }
    }
    let extra = packet.entries().iter().filter(|e| is_payload(&e.path) && !is_litter(&e.path));
    for entry in extra.filter(|entry| !paths.contains(&*entry.path)) {
        faults.push(Fault::new(
            &entry.path,
            "no manifest lists it",
            "put what is sent back into the folder `return`",
        ));
    }
    for (kind, lines) in tag_files {
        for path in lines.keys() {
            let place = format!("tagmanifest-{}.txt", kind.name());
            if is_payload(path) || path.starts_with("tagmanifest-") {
                faults.push(Fault::new(
                    place,
                    format!("it lists {path}, which is no tag file of it"),
                    "have it packed anew",
                ));
            } else if packet.find(path).is_none() {
                faults.push(Fault::new(path, "the tag manifest lists it, and it is not there", back));
            }
        }
    }
    faults
}

/// `Payload-Oxum` counts the bytes and files of the payload (section 2.2.2).
fn oxum(packet: &Packet, bag: &Bag) -> Option<Fault> {
    let said = bag.label("Payload-Oxum")?;
    let payload = packet.entries().iter().filter(|e| e.path.starts_with("data/"));
    let is_counted = |with_litter: bool| {
        let of = payload.clone().filter(|entry| with_litter || !is_litter(&entry.path));
        let (bytes, files) = of.fold((0u64, 0u64), |(bytes, files), entry| (bytes + entry.size, files + 1));
        format!("{bytes}.{files}")
    };
    let (all, own) = (is_counted(true), is_counted(false));
    if said == all || said == own {
        return None;
    }
    let why = format!("Payload-Oxum says {said} (bytes.files), and there are {own}");
    Some(Fault::new("bag-info.txt", why, "have it sent once more"))
}

/// Files that are not what their manifests say. Digests of sound ones go into `sums`.
fn digests(
    packet: &Packet,
    manifests: &[Manifest],
    is_payload: bool,
    sums: &mut BTreeMap<String, Vec<(Kind, String)>>,
) -> Vec<Fault> {
    let mut faults = Vec::new();
    let paths: BTreeSet<&String> = manifests.iter().flat_map(|(_, lines)| lines.keys()).collect();
    for path in paths {
        let Some(entry) = packet.find(path) else { continue };
        let want: Vec<(Kind, &String)> =
            manifests.iter().filter_map(|(kind, lines)| Some((*kind, lines.get(path)?))).collect();
        let kinds: Vec<Kind> = want.iter().map(|(kind, _)| *kind).collect();
        let mut hasher = Sums::new(&kinds);
        if let Err(fault) = packet.read(entry, &mut |part| {
            hasher.update(part);
            Ok(())
        }) {
            faults.push(fault);
            continue;
        }
        let found = hasher.finish();
        let wrong = found.iter().zip(&want).find(|((_, found), (_, want))| found != *want);
        match wrong {
            Some(((kind, found), (_, want))) => {
                let why =
                    format!("its {} is {}…, and the manifest says {}…", kind.name(), &found[..8], &want[..8]);
                let way = if is_payload {
                    "it was changed or damaged: send it as it was given, or the folder `return` by itself"
                } else {
                    "it was changed or damaged on its way: have it sent once more"
                };
                faults.push(Fault::new(path, why, way));
            }
            None => drop(sums.insert(path.clone(), found)),
        }
    }
    faults
}
