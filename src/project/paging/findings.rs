//! Findings of the last inspection of the whole film, kept for the page.
//!
//! Knows the file that they are kept in. What is wrong with a picture or a sound, `inspect` knows; a file that cannot be read
//! counts as none.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::project::inspecting::{Found, Inspected};
use crate::project::{Project, ProjectError, Status};
use crate::report::page::values::{Finding, Findings};
use crate::store::{self, Store};

/// The file's name in the store's folder, and the version of its form.
const FILE: &str = "inspected";
const FORMAT: &str = "endboard inspected 1";

#[derive(Serialize, Deserialize)]
struct Kept {
    format: String,
    when: String,
    looked: Vec<(String, usize, usize)>,
    found: Vec<One>,
    cautions: Vec<String>,
}

#[derive(Serialize, Deserialize)]
struct One {
    weight: String,
    place: String,
    shot: Option<String>,
    says: String,
}

impl Project {
    /// Keeps what an inspection of the whole film found. A film without a store, which has rendered nothing, keeps nothing.
    ///
    /// # Errors
    /// The store's folder cannot be written to.
    pub fn keep_findings(&self, inspected: &Inspected, now: Timestamp) -> Result<(), ProjectError> {
        let store = Store::at(&self.folder)?;
        if !store.path("format").exists() {
            return Ok(());
        }
        let kept = Kept {
            format: FORMAT.into(),
            when: now.to_string(),
            looked: inspected.looked.iter().map(|l| (l.stage.clone(), l.frames, l.lacking)).collect(),
            found: inspected.found.iter().map(one).collect(),
            cautions: inspected.cautions().into_iter().map(str::to_string).collect(),
        };
        let bytes = serde_json::to_vec(&kept).map_err(|error| ProjectError::System(error.to_string()))?;
        let path = store.path(FILE);
        store::write_whole(&path, &bytes)
            .map_err(|error| ProjectError::System(format!("{}: {error}", path.display())))
    }

    /// The findings that were kept last.
    pub(super) fn findings_kept(&self, status: &Status) -> Option<Findings> {
        let bytes = std::fs::read(status.store.path(FILE)).ok()?;
        let kept: Kept = serde_json::from_slice(&bytes).ok()?;
        if kept.format != FORMAT {
            return None;
        }
        let when: Timestamp = kept.when.parse().ok()?;
        let looked = kept.looked.iter().map(|(stage, frames, lacking)| match lacking {
            0 => format!("{stage}: {frames} looked at"),
            n => format!("{stage}: {frames} looked at, {n} more not there"),
        });
        let looked: Vec<String> = looked.collect();
        let what = if looked.is_empty() {
            "its sound".to_string()
        } else {
            format!("frames of {}", looked.join("; "))
        };
        let of = format!(
            "What `endboard inspect` found on {} ({what}). Frames that were made anew since are not looked at again until it runs.",
            when.strftime("%-d %B %Y, %H:%M UTC")
        );
        let finding =
            |one: One| Finding { weight: one.weight, place: one.place, shot: one.shot, says: one.says };
        Some(Findings { of, all: kept.found.into_iter().map(finding).collect(), cautions: kept.cautions })
    }
}

fn one(found: &Found) -> One {
    let frames = found.frames.map_or(String::new(), |frames| format!("@{frames}"));
    let shot = found.shots.first().map(|shown| shown.shot.clone());
    let of_shot = shot.as_ref().filter(|shot| !found.stage.starts_with(&format!("{shot}/")));
    let shown = of_shot
        .zip(found.shots.first())
        .map_or(String::new(), |(shot, shown)| format!(" ({shot}@{})", shown.frames));
    One {
        weight: found.weight.word().into(),
        place: format!("{}{frames}{shown}", found.stage),
        shot,
        says: found.says.clone(),
    }
}
