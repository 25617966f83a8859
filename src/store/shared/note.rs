//! The small record of what a key came to, as it lies in a bucket and waits to be sent.
//!
//! Knows its form and its check sum, and the names of things in a bucket. A record that is not whole, or is another's, is told
//! apart from one that is sound; who wrote it nothing tells.

use std::sync::Arc;

use serde_json::{Value, json};

use super::sealed;
use crate::base::digest::Digest;

/// Where records lie.
pub const FOLDER: &str = "actions";
/// Where renders lie.
pub const OBJECTS: &str = "objects";
/// The largest record that is read, in bytes: thousands of planes.
pub const MOST: u64 = 1 << 20;
const FORMAT: &str = "endboard action 1";

/// What lies in a bucket of a render.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// A picture's file.
    Picture,
    /// A file of sound.
    Sound,
    /// No file: the stage leaves none, and its digest alone is enough to go on from.
    Passed,
}

/// What a key came to.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Note {
    /// The key.
    pub key: Digest,
    /// Digest of the pixels or samples.
    pub pixels: Digest,
    /// Digests of planes by channel name.
    pub planes: Vec<(Arc<str>, Digest)>,
    /// What lies there of it.
    pub kind: Kind,
}

/// Where the record of a key lies.
pub fn name(key: &Digest) -> String {
    placed(FOLDER, key, "")
}

/// The key of a record by where it lies.
pub fn key_of(name: &str) -> Option<Digest> {
    digest_of(name.strip_prefix(FOLDER)?)
}

/// The digest that the name of an object tells, below its folder: `/AA/REST.ending`.
pub fn digest_of(below: &str) -> Option<Digest> {
    let (first, rest) = below.strip_prefix('/')?.split_once('/')?;
    let rest = rest.split('.').next()?;
    format!("{first}{rest}").parse().ok()
}

fn placed(folder: &str, digest: &Digest, ending: &str) -> String {
    let hex = digest.to_string();
    format!("{folder}/{}/{}{ending}", &hex[..2], &hex[2..])
}

impl Note {
    /// Where the render lies, if its stage leaves one.
    pub fn object(&self) -> Option<String> {
        let ending = match self.kind {
            Kind::Picture => ".exr",
            Kind::Sound => ".wav",
            Kind::Passed => return None,
        };
        Some(placed(OBJECTS, &self.pixels, ending))
    }

    /// As it lies there, [`sealed`].
    pub fn write(&self) -> Vec<u8> {
        let planes: Vec<Value> =
            self.planes.iter().map(|(name, digest)| json!([&**name, digest.to_string()])).collect();
        let kind = match self.kind {
            Kind::Picture => "picture",
            Kind::Sound => "sound",
            Kind::Passed => "passed",
        };
        sealed::write(
            &json!({ "format": FORMAT, "key": self.key.to_string(), "pixels": self.pixels.to_string(),
            "planes": planes, "kind": kind }),
        )
    }

    /// Reads it.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        Self::of(&sealed::read(bytes)?)
            .ok_or_else(|| "it is not a record of a render that this version reads".into())
    }

    fn of(value: &Value) -> Option<Self> {
        let digest = |value: &Value| value.as_str()?.parse::<Digest>().ok();
        if value["format"] != FORMAT {
            return None;
        }
        let kind = match value["kind"].as_str()? {
            "picture" => Kind::Picture,
            "sound" => Kind::Sound,
            "passed" => Kind::Passed,
            _ => return None,
        };
        let plane = |value: &Value| Some((value[0].as_str()?.into(), digest(&value[1])?));
        // What made what has room for no more.
        let planes = value["planes"].as_array().filter(|planes| planes.len() <= usize::from(u8::MAX))?;
        let planes = planes.iter().map(plane).collect::<Option<_>>()?;
        Some(Self { key: digest(&value["key"])?, pixels: digest(&value["pixels"])?, planes, kind })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn note() -> Note {
        let d = |n: u8| Digest::of(&[n]);
        let planes = vec![("R".into(), d(2)), ("a \"name\"\n".into(), d(3))];
        Note { key: d(0), pixels: d(1), planes, kind: Kind::Picture }
    }

    #[test]
    fn a_record_comes_back_as_it_was_written() {
        for kind in [Kind::Picture, Kind::Sound, Kind::Passed] {
            let note = Note { kind, ..note() };
            assert_eq!(Note::read(&note.write()), Ok(note.clone()));
            assert_eq!(key_of(&name(&note.key)), Some(note.key));
            let object = note.object();
            assert_eq!(object.is_none(), kind == Kind::Passed);
            let told = object.and_then(|name| digest_of(name.strip_prefix(OBJECTS).unwrap()));
            assert_eq!(told.unwrap_or(note.pixels), note.pixels);
        }
    }

    proptest! {
        #[test]
        fn a_record_with_any_byte_changed_or_cut_off_is_none(at in 0usize..400, to: u8) {
            let bytes = note().write();
            let at = at % bytes.len();
            let mut other = bytes.clone();
            other[at] = to;
            prop_assert_eq!(Note::read(&other).is_ok(), other == bytes);
            prop_assert!(Note::read(&bytes[..at]).is_err());
        }

        #[test]
        fn as_many_planes_are_read_as_what_made_what_has_room_for(count in 250usize..260) {
            let planes = (0..count).map(|n| (n.to_string().into(), Digest::of(b"plane"))).collect();
            prop_assert_eq!(Note::read(&Note { planes, ..note() }.write()).is_ok(), count <= 255);
        }

        #[test]
        fn whatever_is_read_breaks_nothing(bytes: Vec<u8>, line in ".{0,80}") {
            let _ = Note::read(&bytes);
            let summed = format!("{line}\n{}\n", Digest::of(line.as_bytes()));
            let _ = Note::read(summed.as_bytes());
            let _ = key_of(&line);
        }
    }
}
