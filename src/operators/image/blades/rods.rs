//! Where a stage's rods are: from its shapes file, its track and the keys written in the stage itself.
//!
//! Knows which of them counts. Reading a rod is `operators::shape`'s; how rods shine is `look`'s.

use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Span};
use crate::base::value::{Map, Node, Value};
use crate::operators::shape::{Rod, Shapes, file};
use crate::operators::{Reader, Setup};

/// What of a rod's own settings says where it is.
pub const OWN: [&str; 3] = ["keys", "ease", "follows"];

/// What was read from a file.
pub struct Read {
    /// The parameter that names it.
    pub parameter: &'static str,
    /// Digest of all that it says of rods and of what they may follow.
    pub digest: Digest,
    /// The first of its keys, and the frames that all of them lie in.
    pub keyed: Option<(Span, FrameRange)>,
}

impl Read {
    fn of(parameter: &'static str, shapes: &Shapes) -> Self {
        let mut hasher = KeyHasher::new();
        hasher.list(shapes.rods.len());
        for rod in &shapes.rods {
            rod.feed(&mut hasher);
            rod.follows.iter().for_each(|follows| follows.feed(&mut hasher));
        }
        shapes.motions.feed(&mut hasher);
        Self { parameter, digest: hasher.finish(), keyed: shapes.keyed }
    }
}

/// All rods, with what they follow: those of the shapes file, then those of the track, then those that the stage alone has. What a person drew
/// comes before what was tracked, and the stage's own keys before both. Nothing, when a file cannot be read
/// or nobody says where rods are. With them what was read from each file.
pub fn gather(reader: &mut Reader<'_>, setup: &Setup<'_>) -> Option<(Vec<Rod>, Vec<Read>)> {
    let mut files = Vec::new();
    let (mut all, mut track) = (Shapes::default(), None);
    let mut known = true;
    for parameter in ["shapes", "track"] {
        let Some(attached) = reader.file(parameter) else { continue };
        match file::read_bytes(attached.source, &attached.bytes, setup.span) {
            Ok(mut shapes) => {
                files.push(Read::of(parameter, &shapes));
                shapes.rods.retain(|rod| !all.rods.iter().any(|other| other.name == rod.name));
                all.rods.append(&mut shapes.rods);
                match parameter {
                    "shapes" => all.motions = shapes.motions,
                    _ => track = Some(shapes.motions),
                }
            }
            Err(problems) => {
                reader.problems.extend(problems);
                known = false;
            }
        }
    }
    let mut written = false;
    let own = reader.value("rods").and_then(Value::map);
    for (name, value) in own.iter().flat_map(|map| &map.entries) {
        let Some(place) = value.map().and_then(place) else { continue };
        written = true;
        let place = Value { node: Node::Map(place), ..value.clone() };
        let (rod, problems) = file::rod(&name.text, name.span, &place);
        reader.problems.extend(problems);
        if let Some(rod) = rod {
            match all.rods.iter_mut().find(|other| other.name == rod.name) {
                Some(other) => *other = rod,
                None => all.rods.push(rod),
            }
        }
    }
    let named = ["shapes", "track"].iter().any(|parameter| reader.file(parameter).is_some());
    if !named && !written {
        reader.problems.push(
            Problem::error(setup.span, "blades needs to know where the rods are")
                .help("connect `shapes` to a roto stage, or name a file: shapes: roto/SHOT.yaml"),
        );
        known = false;
    }
    if known {
        reader.problems.extend(all.follow(track));
    }
    known.then_some((all.rods, files))
}

/// The part of a rod's settings that says where it is, when it has keys.
fn place(settings: &Map) -> Option<Map> {
    settings.get("keys").filter(|keys| keys.node != Node::Null)?;
    let mut out = Map::default();
    for (key, value) in settings.entries.iter().filter(|(key, _)| OWN.contains(&&*key.text)) {
        out.entries.push((key.clone(), value.clone()));
    }
    Some(out)
}
