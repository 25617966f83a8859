//! Manifests and chains from XML that strangers may have written.
//!
//! Knows elements, limits and that every path must stay in its folder. Nothing is expanded, no document type is accepted, and
//! elements that are not known are passed over. Does not know files.

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

use super::{Action, Author, Creator, Entry, Folder, Link, Manifest, Process, Recorded, checked};
use crate::deliver::hashes::{Hash, Kind};

/// The deepest nesting of elements.
const DEPTH: usize = 32;
/// The longest text of an element, in bytes.
const TEXT: usize = 1 << 16;
/// The most files and folders of a manifest.
const ENTRIES: usize = 1 << 22;
/// The most of anything else: patterns, people, digests of a file, links of a chain.
const FEW: usize = 10_000;

/// Why XML is not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("near byte {at}: {what}")]
pub struct BadXml {
    /// Where, in bytes.
    pub at: u64,
    /// What is wrong.
    pub what: String,
}

/// An element that has ended: its name without prefix, the names above it, its attributes and its text.
struct Ended<'a> {
    above: &'a [Open],
    name: &'a str,
    attributes: &'a [(String, String)],
    text: &'a str,
}

impl Ended<'_> {
    fn attribute(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(key, _)| key == name).map(|(_, value)| &**value)
    }

    fn parent(&self, up: usize) -> &str {
        self.above.len().checked_sub(up + 1).map_or("", |at| &self.above[at].name)
    }

    fn date<T: std::str::FromStr>(&self, name: &str) -> Result<Option<T>, String> {
        let Some(text) = self.attribute(name) else { return Ok(None) };
        text.parse().map(Some).map_err(|_| format!("{name} is no date and time: {}", shown(text)))
    }

    fn path(&self) -> Result<String, String> {
        checked(self.text).map_err(|error| format!("{}: {error}", shown(self.text)))?;
        Ok(self.text.to_string())
    }

    fn hash(&self, kind: Kind) -> Result<Hash, String> {
        Hash::parse(kind, self.text.trim()).ok_or_else(|| format!("no {kind} digest: {}", shown(self.text)))
    }
}

struct Open {
    name: String,
    attributes: Vec<(String, String)>,
    text: String,
}

fn shown(text: &str) -> String {
    format!("{:?}", text.chars().take(60).collect::<String>())
}

/// Walks over a document and hands over each element when it ends.
fn walk(
    text: &[u8],
    root: &str,
    mut each: impl FnMut(&Ended<'_>) -> Result<(), String>,
) -> Result<(), BadXml> {
    let mut reader = Reader::from_reader(text);
    reader.config_mut().expand_empty_elements = true;
    let (mut open, mut is_done): (Vec<Open>, bool) = (Vec::new(), false);
    loop {
        let event = reader.read_event();
        let at = reader.buffer_position();
        let wrong = |what: String| BadXml { at, what };
        match event.map_err(|error| wrong(error.to_string()))? {
            Event::Start(tag) => {
                let next = begin(&tag).map_err(wrong)?;
                if open.is_empty() && (is_done || next.name != root) {
                    return Err(wrong(format!("the outermost element is <{root}>, and there is one")));
                }
                if open.len() >= DEPTH {
                    return Err(wrong("elements are nested too deep".into()));
                }
                open.push(next);
            }
            Event::End(_) => {
                let Some(last) = open.pop() else { return Err(wrong("nothing to close".into())) };
                is_done = open.is_empty();
                let Open { name, attributes, text } = &last;
                each(&Ended { above: &open, name, attributes, text }).map_err(wrong)?;
            }
            Event::Text(piece) => {
                add(&mut open, &piece.decode().map_err(|e| wrong(e.to_string()))?).map_err(wrong)?
            }
            Event::CData(piece) => {
                add(&mut open, &piece.decode().map_err(|e| wrong(e.to_string()))?).map_err(wrong)?
            }
            Event::GeneralRef(name) => {
                let number = name.resolve_char_ref().map_err(|e| wrong(e.to_string()))?;
                let name = name.decode().map_err(|e| wrong(e.to_string()))?;
                let text = match number {
                    Some(c) => c.to_string(),
                    None => quick_xml::escape::resolve_predefined_entity(&name)
                        .ok_or_else(|| wrong(format!("&{}; stands for nothing", shown(&name))))?
                        .to_string(),
                };
                add(&mut open, &text).map_err(wrong)?;
            }
            Event::DocType(_) => return Err(wrong("a document type is not accepted".into())),
            Event::Eof if is_done => return Ok(()),
            Event::Eof => return Err(wrong("the file ends too early".into())),
            _ => {}
        }
    }
}

fn begin(tag: &BytesStart<'_>) -> Result<Open, String> {
    let text = |bytes: &[u8]| {
        std::str::from_utf8(bytes).map(str::to_string).map_err(|_| "no UTF-8 text".to_string())
    };
    let mut attributes = Vec::new();
    for attribute in tag.attributes() {
        let attribute = attribute.map_err(|error| error.to_string())?;
        let value = attribute.normalized_value(quick_xml::XmlVersion::Explicit1_0);
        let value = value.map_err(|error| error.to_string())?.into_owned();
        if value.len() > TEXT || attributes.len() >= DEPTH {
            return Err("an element says too much".into());
        }
        attributes.push((text(attribute.key.as_ref())?, value));
    }
    Ok(Open { name: text(tag.local_name().as_ref())?, attributes, text: String::new() })
}

fn add(open: &mut [Open], piece: &str) -> Result<(), String> {
    match open.last_mut() {
        Some(element) if element.text.len() + piece.len() <= TEXT => element.text.push_str(piece),
        Some(element) => return Err(format!("<{}> holds too much text", shown(&element.name))),
        None if piece.trim().is_empty() => {}
        None => return Err("text outside of all elements".into()),
    }
    Ok(())
}

fn push<T>(list: &mut Vec<T>, value: T, most: usize) -> Result<(), String> {
    if list.len() >= most {
        return Err("the list is too long".into());
    }
    list.push(value);
    Ok(())
}

/// What has been read of a manifest so far.
#[derive(Default)]
struct Draft {
    version: bool,
    date: Option<jiff::Timestamp>,
    host: Option<String>,
    tool: Option<(String, String)>,
    authors: Vec<Author>,
    location: Option<String>,
    comment: Option<String>,
    process: Option<Process>,
    root: Option<Folder>,
    ignored: Vec<String>,
    files: Vec<Entry>,
    folders: Vec<Folder>,
    /// Path, size and time of the entry that is open.
    path: Option<(String, Option<u64>, Option<jiff::Timestamp>)>,
    hashes: Vec<Recorded>,
    content: Vec<Hash>,
    structure: Vec<Hash>,
}

/// Reads a manifest.
///
/// # Errors
/// When it is no sound XML, no manifest of version 2.0, too large, or a path leaves the folder.
pub fn manifest(bytes: &[u8]) -> Result<Manifest, BadXml> {
    let mut draft = Draft::default();
    walk(bytes, "hashlist", |ended| draft.take(ended))?;
    draft.finish().map_err(|what| BadXml { at: bytes.len() as u64, what })
}

impl Draft {
    fn take(&mut self, ended: &Ended<'_>) -> Result<(), String> {
        // What others add stands under `metadata` and is theirs.
        if ended.above.iter().any(|open| open.name == "metadata") {
            return Ok(());
        }
        match (ended.parent(0), ended.name) {
            ("", "hashlist") => self.version = ended.attribute("version") == Some("2.0"),
            ("creatorinfo", _) => self.creator(ended)?,
            ("processinfo", "process") => {
                self.process = Some(match ended.text.trim() {
                    "in-place" => Process::InPlace,
                    "transfer" => Process::Transfer,
                    "flatten" => Process::Flatten,
                    other => return Err(format!("no process: {}", shown(other))),
                });
            }
            ("processinfo", "roothash") => self.root = Some(self.folder(String::new())),
            ("ignore", "pattern") => push(&mut self.ignored, ended.text.to_string(), FEW)?,
            ("hash", "path") => {
                let size = ended.attribute("size").map(|text| text.trim().parse::<u64>());
                let size = size.transpose().map_err(|_| "a size is no number of bytes".to_string())?;
                self.path = Some((ended.path()?, size, ended.date("lastmodificationdate")?));
            }
            ("directoryhash", "path") => self.path = Some((ended.path()?, None, None)),
            ("hashes", "hash") => {
                let (path, size, modified) = self.path.take().ok_or("a hash names no path")?;
                let hashes = std::mem::take(&mut self.hashes);
                push(&mut self.files, Entry { path, size, modified, hashes }, ENTRIES)?;
            }
            ("hashes", "directoryhash") => {
                let (path, ..) = self.path.take().ok_or("a directoryhash names no path")?;
                let folder = self.folder(path);
                push(&mut self.folders, folder, ENTRIES)?;
            }
            (parent @ ("hash" | "content" | "structure"), name) => {
                // Older editions know kinds that this one has given up.
                let Ok(kind) = name.parse::<Kind>() else { return Ok(()) };
                let hash = ended.hash(kind)?;
                match parent {
                    "content" => push(&mut self.content, hash, FEW)?,
                    "structure" => push(&mut self.structure, hash, FEW)?,
                    _ => push(&mut self.hashes, recorded(ended, hash)?, FEW)?,
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn creator(&mut self, ended: &Ended<'_>) -> Result<(), String> {
        let own = |name: &str| ended.attribute(name).map(str::to_string);
        let text = ended.text.to_string();
        match ended.name {
            "creationdate" => {
                let date = ended.text.trim().parse();
                self.date = Some(date.map_err(|_| format!("no date and time: {}", shown(ended.text)))?);
            }
            "hostname" => self.host = Some(text),
            "tool" => self.tool = Some((text, own("version").unwrap_or_default())),
            "author" => {
                let author =
                    Author { name: text, email: own("email"), phone: own("phone"), role: own("role") };
                push(&mut self.authors, author, FEW)?;
            }
            "location" => self.location = Some(text),
            "comment" => self.comment = Some(text),
            _ => {}
        }
        Ok(())
    }

    fn folder(&mut self, path: String) -> Folder {
        Folder {
            path,
            content: std::mem::take(&mut self.content),
            structure: std::mem::take(&mut self.structure),
        }
    }

    fn finish(self) -> Result<Manifest, String> {
        if !self.version {
            return Err("this is no hash list of version 2.0".into());
        }
        let (tool, version) = self.tool.ok_or("creatorinfo names no tool")?;
        let creator = Creator {
            date: self.date.ok_or("creatorinfo has no creationdate")?,
            host: self.host.ok_or("creatorinfo has no hostname")?,
            tool,
            version,
            authors: self.authors,
            location: self.location,
            comment: self.comment,
        };
        let process = self.process.ok_or("processinfo names no process")?;
        let (root, ignored, files, folders) = (self.root, self.ignored, self.files, self.folders);
        Ok(Manifest { creator, process, root, ignored, files, folders })
    }
}

fn recorded(ended: &Ended<'_>, hash: Hash) -> Result<Recorded, String> {
    let action = match ended.attribute("action") {
        None => None,
        Some("original") => Some(Action::Original),
        Some("verified") => Some(Action::Verified),
        Some("failed") => Some(Action::Failed),
        Some(other) => return Err(format!("no action: {}", shown(other))),
    };
    Ok(Recorded { hash, action, date: ended.date("hashdate")? })
}

/// Reads a chain. Its manifests lie beside it, and their numbers rise.
///
/// # Errors
/// As [`manifest`].
pub fn chain(bytes: &[u8]) -> Result<Vec<Link>, BadXml> {
    let (mut links, mut path, mut c4): (Vec<Link>, _, _) = (Vec::new(), None, None);
    walk(bytes, "ascmhldirectory", |ended| {
        match (ended.parent(0), ended.name) {
            ("hashlist", "path") => path = Some(ended.path()?),
            ("hashlist", "c4") => c4 = Some(ended.hash(Kind::C4)?),
            ("ascmhldirectory", "hashlist") => {
                let number = ended.attribute("sequencenr").and_then(|text| text.trim().parse().ok());
                let number: u32 = number.ok_or("a hashlist has no sequencenr")?;
                let path = path.take().ok_or("a hashlist names no path")?;
                if path.contains('/') {
                    return Err(format!("a manifest lies beside its chain: {}", shown(&path)));
                }
                if links.last().is_some_and(|last| last.number >= number) {
                    return Err(format!("generation {number} does not follow"));
                }
                let c4 = c4.take().ok_or("a hashlist has no c4")?;
                push(&mut links, Link { number, path, c4 }, FEW)?;
            }
            _ => {}
        }
        Ok(())
    })?;
    Ok(links)
}

#[cfg(test)]
mod tests;
