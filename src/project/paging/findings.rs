//! Findings of the last inspection of the whole film, kept for the page.
//!
//! Knows the file that they are kept in, and which findings are of renders that are others now. What is wrong with a picture or a sound, `inspect` knows; a file that cannot be read
//! counts as none.

use jiff::{Timestamp, Zoned};
use serde::{Deserialize, Serialize};

use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::crew::approvals::Present;
use crate::graph::NodeId;
use crate::project::approving::present;
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
    /// Of which render it is: the stage, its frames where it is of some, and one digest of all their pixels. Nothing where an earlier
    /// version of this program kept it.
    #[serde(default)]
    of: Option<Of>,
}

#[derive(Serialize, Deserialize)]
struct Of {
    shot: String,
    stage: String,
    frames: Option<(i64, i64)>,
    pixels: String,
}

impl Project {
    /// Keeps what an inspection of the whole film found. A film without a store, which has rendered nothing, keeps nothing.
    ///
    /// # Errors
    /// The store's folder cannot be written to.
    pub fn keep_findings(
        &self,
        status: &Status,
        inspected: &Inspected,
        now: Timestamp,
    ) -> Result<(), ProjectError> {
        let store = Store::at(&self.folder)?;
        if !store.path("format").exists() {
            return Ok(());
        }
        let kept = Kept {
            format: FORMAT.into(),
            when: now.to_string(),
            looked: inspected.looked.iter().map(|l| (l.stage.clone(), l.frames, l.lacking)).collect(),
            found: inspected.found.iter().map(|found| one(status, found)).collect(),
            cautions: inspected.cautions().into_iter().map(str::to_string).collect(),
        };
        let bytes = serde_json::to_vec(&kept).map_err(|error| ProjectError::System(error.to_string()))?;
        let path = store.path(FILE);
        store::write_whole(&path, &bytes)
            .map_err(|error| ProjectError::System(format!("{}: {error}", path.display())))
    }

    /// The findings that were kept last.
    pub(super) fn findings_kept(&self, status: &Status, now: &Zoned) -> Option<Findings> {
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
            "What `endboard inspect` found on {} ({what}). Anything rendered since is not checked until `endboard inspect` runs again.",
            when.to_zoned(now.time_zone().clone()).strftime("%-d %B %Y, %H:%M")
        );
        let finding = |one: One| {
            let earlier = one.of.is_some_and(|of| of.is_other(status));
            // So earlier versions called it.
            let weight = if one.weight == "look" { "suspect".into() } else { one.weight };
            Finding { weight, place: one.place, shot: one.shot, says: one.says, earlier }
        };
        Some(Findings { of, all: kept.found.into_iter().map(finding).collect(), cautions: kept.cautions })
    }
}

impl Of {
    /// Whether the render that was looked at is not the one that is there now.
    fn is_other(&self, status: &Status) -> bool {
        let id = status.declared.graph.find(&self.shot, &self.stage);
        let frames = self.frames.map(|(first, last)| FrameRange::new(first, last));
        id.is_none_or(|id| pixels(status, id, frames) != self.pixels)
    }
}

/// One digest of what frames of a stage show, or all of it.
fn pixels(status: &Status, id: NodeId, frames: Option<FrameRange>) -> String {
    let mut hasher = KeyHasher::new();
    for frame in frames.unwrap_or(status.declared.graph.nodes[id].frames).iter() {
        if let Present::Fresh(pixels) | Present::Last(pixels) = present(status, Some(id), frame) {
            hasher.int(frame).digest(&pixels);
        }
    }
    hasher.finish().to_string()
}

fn one(status: &Status, found: &Found) -> One {
    let frames = found.frames.map_or(String::new(), |frames| format!("@{frames}"));
    let shot = found.shots.first().map(|shown| shown.shot.clone());
    let of_shot = shot.as_ref().filter(|shot| !found.stage.starts_with(&format!("{shot}/")));
    let shown = of_shot
        .zip(found.shots.first())
        .map_or(String::new(), |(shot, shown)| format!(" ({shot}@{})", shown.frames));
    let node = &status.declared.graph.nodes[found.id];
    let of = Of {
        shot: node.shot.to_string(),
        stage: node.stage.to_string(),
        frames: found.frames.map(|range| (range.first, range.last)),
        pixels: pixels(status, found.id, found.frames),
    };
    One {
        weight: found.weight.word().into(),
        place: format!("{}{frames}{shown}", found.stage),
        shot,
        says: found.says.clone(),
        of: Some(of),
    }
}
