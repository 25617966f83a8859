//! Manifests and chains as XML.
//!
//! Knows elements and their order. Does not know files: the same values give the same bytes.

use std::io::{self, Write};

use jiff::Timestamp;
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use super::{Action, Creator, Entry, Folder, Link, Manifest, Process};
use crate::deliver::hashes::Hash;

type Xml = Writer<Vec<u8>>;

/// The bytes of a manifest.
///
/// # Panics
/// Never: memory takes all.
pub fn manifest(manifest: &Manifest) -> Vec<u8> {
    let root = [("version", "2.0".to_string()), ("xmlns", "urn:ASC:MHL:v2.0".to_string())];
    document("hashlist", &root, |xml| {
        creator(xml, &manifest.creator)?;
        inside(xml, "processinfo", &[], |xml| {
            let process = match manifest.process {
                Process::InPlace => "in-place",
                Process::Transfer => "transfer",
                Process::Flatten => "flatten",
            };
            text(xml, "process", &[], process)?;
            if let Some(root) = &manifest.root {
                inside(xml, "roothash", &[], |xml| digests(xml, root))?;
            }
            if manifest.ignored.is_empty() {
                return Ok(());
            }
            inside(xml, "ignore", &[], |xml| {
                manifest.ignored.iter().try_for_each(|pattern| text(xml, "pattern", &[], pattern))
            })
        })?;
        // The schema wants an element where there is a list.
        if manifest.files.is_empty() && manifest.folders.is_empty() {
            return Ok(());
        }
        inside(xml, "hashes", &[], |xml| {
            manifest.files.iter().try_for_each(|file| entry(xml, file))?;
            manifest.folders.iter().try_for_each(|folder| {
                inside(xml, "directoryhash", &[], |xml| {
                    text(xml, "path", &[], &folder.path)?;
                    digests(xml, folder)
                })
            })
        })
    })
}

/// The bytes of a chain.
pub fn chain(links: &[Link]) -> Vec<u8> {
    let root = [("xmlns", "urn:ASC:MHL:DIRECTORY:v2.0".to_string())];
    document("ascmhldirectory", &root, |xml| {
        links.iter().try_for_each(|link| {
            inside(xml, "hashlist", &[("sequencenr", link.number.to_string())], |xml| {
                text(xml, "path", &[], &link.path)?;
                text(xml, "c4", &[], &link.c4.to_string())
            })
        })
    })
}

/// A time as XML Schema writes it, in UTC.
fn date(at: Timestamp) -> String {
    at.strftime("%Y-%m-%dT%H:%M:%S+00:00").to_string()
}

fn creator(xml: &mut Xml, creator: &Creator) -> io::Result<()> {
    inside(xml, "creatorinfo", &[], |xml| {
        text(xml, "creationdate", &[], &date(creator.date))?;
        text(xml, "hostname", &[], &creator.host)?;
        text(xml, "tool", &[("version", creator.version.clone())], &creator.tool)?;
        for author in &creator.authors {
            let told = [("email", &author.email), ("phone", &author.phone), ("role", &author.role)];
            let told: Vec<_> =
                told.into_iter().filter_map(|(name, value)| Some((name, value.clone()?))).collect();
            text(xml, "author", &told, &author.name)?;
        }
        for (name, value) in [("location", &creator.location), ("comment", &creator.comment)] {
            value.iter().try_for_each(|value| text(xml, name, &[], value))?;
        }
        Ok(())
    })
}

fn entry(xml: &mut Xml, file: &Entry) -> io::Result<()> {
    inside(xml, "hash", &[], |xml| {
        let size = file.size.map(|size| ("size", size.to_string()));
        let modified = file.modified.map(|at| ("lastmodificationdate", date(at)));
        let told: Vec<_> = size.into_iter().chain(modified).collect();
        text(xml, "path", &told, &file.path)?;
        let mut hashes: Vec<_> = file.hashes.iter().collect();
        hashes.sort_by_key(|recorded| recorded.hash.kind);
        for recorded in hashes {
            let action = recorded.action.map(|action| {
                let word = match action {
                    Action::Original => "original",
                    Action::Verified => "verified",
                    Action::Failed => "failed",
                };
                ("action", word.to_string())
            });
            let taken = recorded.date.map(|at| ("hashdate", date(at)));
            let told: Vec<_> = action.into_iter().chain(taken).collect();
            text(xml, recorded.hash.kind.name(), &told, &recorded.hash.to_string())?;
        }
        Ok(())
    })
}

fn digests(xml: &mut Xml, folder: &Folder) -> io::Result<()> {
    let all = |xml: &mut Xml, name: &str, hashes: &[Hash]| {
        inside(xml, name, &[], |xml| {
            hashes.iter().try_for_each(|hash| text(xml, hash.kind.name(), &[], &hash.to_string()))
        })
    };
    all(xml, "content", &folder.content)?;
    all(xml, "structure", &folder.structure)
}

fn document(
    name: &str,
    attributes: &[(&str, String)],
    content: impl FnOnce(&mut Xml) -> io::Result<()>,
) -> Vec<u8> {
    let mut xml = Writer::new_with_indent(Vec::new(), b' ', 2);
    let written = xml
        .write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))
        .and_then(|()| inside(&mut xml, name, attributes, content))
        .and_then(|()| xml.get_mut().write_all(b"\n"));
    written.expect("memory takes all");
    xml.into_inner()
}

fn start<'n>(name: &'n str, attributes: &[(&str, String)]) -> BytesStart<'n> {
    let mut tag = BytesStart::new(name);
    for (key, value) in attributes {
        tag.push_attribute((*key, &*legal(value)));
    }
    tag
}

fn inside(
    xml: &mut Xml,
    name: &str,
    attributes: &[(&str, String)],
    content: impl FnOnce(&mut Xml) -> io::Result<()>,
) -> io::Result<()> {
    xml.write_event(Event::Start(start(name, attributes)))?;
    content(xml)?;
    xml.write_event(Event::End(BytesEnd::new(name)))
}

fn text(xml: &mut Xml, name: &str, attributes: &[(&str, String)], value: &str) -> io::Result<()> {
    xml.write_event(Event::Start(start(name, attributes)))?;
    xml.write_event(Event::Text(BytesText::new(&legal(value))))?;
    xml.write_event(Event::End(BytesEnd::new(name)))
}

/// Free words without the characters that XML 1.0 cannot hold. Paths have none, for they are checked.
fn legal(value: &str) -> String {
    let is_legal =
        |c: &char| matches!(c, '\t' | '\n') || !(c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}'));
    value.chars().filter(is_legal).collect()
}
