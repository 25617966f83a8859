//! What is remembered of a delivery: where it lies, what went into it, and by which manifest its files are known.
//!
//! Knows `.endboard/deliveries/`. What is lost there is a reason to deliver once more, beside what lies there.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::needs::{Needs, Part};
use super::targets::Ready;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameSet;
use crate::deliver::mhl::history::{self, Differences};
use crate::store::{Store, StoreError, file, write_own};

const FORMAT: &str = "endboard delivery 1";

/// What a delivery is known by.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Its settings, in words.
    pub settings: String,
    /// The program that codes it; nothing for frames.
    pub program: String,
    /// Number and digest of each frame and block, by stage.
    pub parts: BTreeMap<String, Vec<(i64, String)>>,
    /// What went in although it was not as declared.
    pub kept: Vec<String>,
}

impl Known {
    /// Of what would be made now.
    pub fn now(ready: &Ready, needs: &Needs, program: &str) -> Self {
        let of = |part: &Part| {
            let pieces = part.pieces.iter().map(|(n, digest)| (*n, digest.to_string())).collect();
            (part.name.clone(), pieces)
        };
        Self {
            settings: ready.says(),
            program: program.into(),
            parts: needs.parts.iter().map(of).collect(),
            kept: needs.kept.iter().map(|lack| format!("{}: {}", lack.place, lack.why)).collect(),
        }
    }

    /// Digest of all of it.
    pub fn key(&self) -> Digest {
        let mut key = KeyHasher::new();
        key.text(FORMAT).text(&self.settings).text(&self.program).list(self.parts.len());
        for (name, pieces) in &self.parts {
            key.text(name).list(pieces.len());
            pieces.iter().for_each(|(n, digest)| {
                key.int(*n).text(digest);
            });
        }
        key.list(self.kept.len());
        self.kept.iter().for_each(|text| {
            key.text(text);
        });
        key.finish()
    }

    /// How this differs from what was delivered `before`, in words.
    pub fn differences(&self, before: &Known) -> Vec<String> {
        let mut out = Vec::new();
        if self.settings != before.settings {
            out.push("its settings changed".to_string());
        }
        if self.program != before.program {
            out.push(format!("it is coded by another program now: {}", self.program));
        }
        for (name, pieces) in &self.parts {
            let Some(old) = before.parts.get(name) else {
                out.push(format!("{name} is new in it"));
                continue;
            };
            let old: BTreeMap<i64, &str> = old.iter().map(|(n, digest)| (*n, digest.as_str())).collect();
            let new: BTreeMap<i64, &str> = pieces.iter().map(|(n, digest)| (*n, digest.as_str())).collect();
            let changed: FrameSet =
                old.keys().chain(new.keys()).copied().filter(|n| old.get(n) != new.get(n)).collect();
            if !changed.is_empty() {
                out.push(format!("{name}@{changed} changed"));
            }
        }
        let gone = before.parts.keys().filter(|name| !self.parts.contains_key(*name));
        out.extend(gone.map(|name| format!("{name} is no longer in it")));
        if self.kept != before.kept {
            out.push("what goes in as it is changed".into());
        }
        out
    }
}

/// A delivery that was made.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// What it is known by.
    pub known: Known,
    /// Its folder, below the project's.
    pub place: String,
    /// What went out although it would have refused it: its place, and what is the matter.
    pub passed: Vec<(String, String)>,
    /// The C4 identifier of its manifest.
    pub c4: String,
    /// Its files as the system told of them after it was made: path, bytes, time of change in nanoseconds, and its number.
    pub files: Vec<(String, u64, i64, u64)>,
}

fn path(store: &Store, name: &str) -> PathBuf {
    store.path("deliveries").join(format!("{name}.json"))
}

impl Record {
    /// The last one of this name; nothing when there is none or it cannot be read.
    pub fn load(store: &Store, name: &str) -> Option<Self> {
        let bytes = file::read(&path(store, name)).ok().flatten()?;
        let value: Value = serde_json::from_slice(&bytes).ok()?;
        if value["format"] != FORMAT {
            return None;
        }
        let text = |value: &Value| value.as_str().map(str::to_string);
        let pair = |value: &Value| Some((text(&value[0])?, text(&value[1])?));
        let piece = |value: &Value| Some((value[0].as_i64()?, text(&value[1])?));
        let part = |(name, pieces): (&String, &Value)| {
            Some((name.clone(), pieces.as_array()?.iter().map(piece).collect::<Option<Vec<_>>>()?))
        };
        let stat = |value: &Value| {
            Some((text(&value[0])?, value[1].as_u64()?, value[2].as_i64()?, value[3].as_u64()?))
        };
        Some(Self {
            known: Known {
                settings: text(&value["settings"])?,
                program: text(&value["program"])?,
                parts: value["parts"].as_object()?.iter().map(part).collect::<Option<_>>()?,
                kept: value["kept"].as_array()?.iter().map(text).collect::<Option<_>>()?,
            },
            place: text(&value["place"])?,
            // Those that were made before it was kept do not say.
            passed: value["passed"].as_array().into_iter().flatten().filter_map(pair).collect(),
            c4: text(&value["c4"])?,
            files: value["files"].as_array()?.iter().map(stat).collect::<Option<_>>()?,
        })
    }

    /// Keeps it as the last one of this name.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn save(&self, store: &Store, name: &str) -> Result<(), StoreError> {
        let value = json!({
            "format": FORMAT, "settings": self.known.settings, "program": self.known.program,
            "parts": self.known.parts, "kept": self.known.kept, "place": self.place, "c4": self.c4,
            "passed": self.passed, "files": self.files,
        });
        let folder = store.path("deliveries");
        std::fs::create_dir_all(&folder).map_err(StoreError::file(&folder))?;
        write_own(&path(store, name), value.to_string().as_bytes())
    }

    /// What is the matter with the files of the delivery, if anything. Unless looked at closely, files that the system tells the
    /// same of as before are taken for the same.
    pub fn fault(&self, project: &Path, closely: bool) -> Option<String> {
        let folder = project.join(&self.place);
        if !folder.is_dir() {
            return Some(format!("{} is not there", self.place));
        }
        if !closely && stats(&folder) == self.files {
            return None;
        }
        let history = match history::load(&folder) {
            Ok(history) => history,
            Err(error) => return Some(error.to_string()),
        };
        if !history.links.iter().any(|link| link.c4.to_string() == self.c4) {
            return Some(format!("{}: its manifest is not the one that was made", self.place));
        }
        match history::verify(&folder) {
            Ok(differences) if differences.is_none() => None,
            Ok(differences) => Some(format!("{}: {}", self.place, told(&differences))),
            Err(error) => Some(error.to_string()),
        }
    }
}

/// What the system tells of the files of a folder, by path.
pub fn stats(folder: &Path) -> Vec<(String, u64, i64, u64)> {
    let entries = walkdir::WalkDir::new(folder).sort_by_file_name().into_iter().flatten();
    let files = entries.filter(|entry| !entry.file_type().is_dir());
    files
        .filter_map(|entry| {
            let (below, meta) = (entry.path().strip_prefix(folder).ok()?, entry.metadata().ok()?);
            let time = meta.mtime().wrapping_mul(1_000_000_000).wrapping_add(meta.mtime_nsec());
            Some((below.to_string_lossy().into_owned(), meta.len(), time, meta.ino()))
        })
        .collect()
}

/// `film.mov changed, 2 files missing`.
fn told(differences: &Differences) -> String {
    let mut parts = Vec::new();
    for (list, word) in [
        (&differences.changed, "changed"),
        (&differences.missing, "missing"),
        (&differences.new, "new"),
        (&differences.stray, "in no chain"),
    ] {
        match list.as_slice() {
            [] => {}
            [one] => parts.push(format!("{one} {word}")),
            many => parts.push(format!("{} files {word}, {} the first", many.len(), many[0])),
        }
    }
    if let Some((path, why)) = differences.odd.first() {
        parts.push(format!("{path}: {why}"));
    }
    parts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known() -> Known {
        let pieces = vec![(1, "aa".to_string()), (2, "bb".to_string())];
        Known {
            settings: "h264".into(),
            program: "ffmpeg 7".into(),
            parts: [("film/assembly".to_string(), pieces)].into(),
            kept: vec![],
        }
    }

    #[test]
    fn what_is_remembered_comes_back_and_differences_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        assert_eq!(Record::load(&store, "web"), None);
        let files = vec![("film.mp4".to_string(), 12, -5, 77)];
        let passed = vec![("film/mix".to_string(), "too loud".to_string())];
        let record =
            Record { known: known(), place: "deliveries/web".into(), passed, c4: "c4x".into(), files };
        record.save(&store, "web").unwrap();
        assert_eq!(Record::load(&store, "web").as_ref(), Some(&record));
        // As it was written before it said what was let pass.
        let written = std::fs::read_to_string(path(&store, "web")).unwrap();
        let mut value: Value = serde_json::from_str(&written).unwrap();
        value.as_object_mut().unwrap().remove("passed");
        std::fs::write(path(&store, "web"), value.to_string()).unwrap();
        assert_eq!(Record::load(&store, "web"), Some(Record { passed: vec![], ..record }));
        let mut other = known();
        assert!(other.differences(&known()).is_empty() && other.key() == known().key());
        other.parts.get_mut("film/assembly").unwrap()[1].1 = "cc".into();
        other.program = "ffmpeg 8".into();
        other.kept = vec!["film/assembly@2: stale".into()];
        let said = other.differences(&known());
        assert_eq!(said.len(), 3, "{said:?}");
        assert!(said.contains(&"film/assembly@2 changed".to_string()));
        assert_ne!(other.key(), known().key());
    }
}
