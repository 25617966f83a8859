//! Records of runs that this version cannot read: those in the form of another one, and those that are set aside.
//!
//! Knows what of a record is the same in every form. Does not know how a run is followed.

use std::path::PathBuf;

use serde::Deserialize;

use super::record::{FORMAT, Folder, written};
use crate::store::StoreError;

/// What of `run.json` is the same in every form.
#[derive(Deserialize)]
struct FormOf {
    format: String,
    version: Option<String>,
}

/// How names of records begin that were set aside.
pub(super) const ASIDE: &str = "damaged-";

impl Folder {
    /// In words, that it was written in a form that this version does not read.
    pub fn other_form(&self) -> Option<String> {
        let path = self.path().join("run.json");
        let (bytes, told) = written(&path).ok()?;
        let form: FormOf = serde_json::from_slice(&bytes).ok()?;
        let by = form.version.map_or(String::new(), |version| format!(" by endboard {version}"));
        (form.format != FORMAT).then(|| {
            told(format!(
                "this run on a cluster was written{by} in the form '{}', and this version reads '{FORMAT}'; {}",
                form.format,
                self.way_on()
            ))
        })
    }

    /// How to go on with a run that cannot be read.
    fn way_on(&self) -> String {
        let version = "take it in with the version that wrote it";
        format!(
            "{version}; or, once `squeue --name {}` lists nothing, take {} away, and what its tasks made is rendered again",
            self.job_name(),
            self.path().display()
        )
    }

    /// Sets its record aside, as it cannot be followed. Gives where it lies then.
    ///
    /// # Errors
    /// The system refuses.
    pub fn set_aside(&self) -> Result<PathBuf, StoreError> {
        let to = self.path().with_file_name(format!("{ASIDE}{}", self.name()));
        std::fs::rename(self.path(), &to).map_err(StoreError::file(self.path()))?;
        Ok(to)
    }
}
