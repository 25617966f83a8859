//! What a delivery says of itself to programs: `report.json` in its folder, written and read again.
//!
//! Knows what is needed to see and hear its pops without the film. A delivery without the file, as somebody else's, is looked at by
//! what its movies tell.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::Due;
use super::paper::Paper;
use super::sync::{self, Synced, Unsynced};
use super::telling::PASSED;
use crate::base::rate::Rate;
use crate::deliver::encode::Tools;
use crate::deliver::target::Preset;
use crate::media::Format;
use crate::programs::Runner;

/// The file's name.
pub const NAME: &str = "report.json";
/// What it calls itself.
const FORMAT: &str = "endboard delivery report 1";
/// Most bytes of one that is read.
const MOST: u64 = 1 << 24;

/// What it says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// Frames and seconds of the rate.
    pub rate: Option<Rate>,
    /// The label of the first frame.
    pub first: Option<String>,
    /// Frames with a pop, counted from 0.
    pub pops: Vec<u64>,
    /// What went out although it would have refused the delivery: its place, and what is the matter.
    pub passed: Vec<(String, String)>,
    /// How the pop before the film lay when it was made: milliseconds by which the sound was early.
    pub early: Option<f64>,
}

impl Facts {
    /// Of a delivery that was made.
    pub fn of(due: &Due, synced: Option<&Synced>, paper: &Paper) -> Self {
        let target = &due.ready.target;
        Self {
            rate: Some(target.rate),
            first: target.timecode.clone(),
            pops: if target.sound.is_some() { due.ready.pops() } else { Vec::new() },
            passed: paper.lines(PASSED).to_vec(),
            early: synced.map(|synced| synced.offset.early),
        }
    }

    /// The file's text, with all that the report tells.
    pub fn json(&self, paper: &Paper) -> String {
        let lines = |lines: &[(String, String)]| -> Value {
            lines.iter().map(|(what, says)| json!({ "what": what, "says": says })).collect()
        };
        let parts: Vec<Value> =
            paper.parts().map(|(part, all)| json!({ "part": part, "lines": lines(all) })).collect();
        let rate = self.rate.map(|rate| json!([rate.frames, rate.seconds]));
        let passed: Value =
            self.passed.iter().map(|(place, says)| json!({ "place": place, "says": says })).collect();
        let value = json!({ "format": FORMAT, "title": paper.title, "rate": rate, "first_frame": self.first,
            "pops": self.pops, "as_it_is": passed, "sound_early_ms": self.early, "parts": parts });
        format!("{value:#}\n")
    }

    /// Reads it from a folder. What is not there, or is no such file, says nothing.
    pub fn read(folder: &Path) -> Self {
        let path = folder.join(NAME);
        // Nothing but a file of a sensible size is opened: a pipe would never end.
        let is_file = path.symlink_metadata().is_ok_and(|data| data.is_file() && data.len() <= MOST);
        let bytes = if is_file { std::fs::read(&path).unwrap_or_default() } else { Vec::new() };
        let value: Value = serde_json::from_slice(&bytes).unwrap_or_default();
        if value["format"] != FORMAT {
            return Self::default();
        }
        let number = |value: &Value| value.as_u64().and_then(|n| u32::try_from(n).ok()).filter(|n| *n > 0);
        let passed =
            |value: &Value| Some((value["place"].as_str()?.to_string(), value["says"].as_str()?.to_string()));
        let rate = number(&value["rate"][0]).zip(number(&value["rate"][1]));
        Self {
            rate: rate.map(|(frames, seconds)| Rate::new(frames, seconds)),
            first: value["first_frame"].as_str().map(str::to_string),
            pops: value["pops"].as_array().into_iter().flatten().filter_map(Value::as_u64).collect(),
            passed: value["as_it_is"].as_array().into_iter().flatten().filter_map(passed).collect(),
            early: value["sound_early_ms"].as_f64(),
        }
    }

    /// Sees and hears pops in the files of a folder, by file. Of files without any that none is expected of nothing is told.
    pub fn synced(
        &self,
        folder: &Path,
        tools: &Tools,
        runner: &Runner,
    ) -> Vec<(String, Result<Synced, Unsynced>)> {
        let (movies, frames, waves) = files(folder);
        let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let mut found: Vec<(String, Result<Synced, Unsynced>)> = movies
            .iter()
            .map(|path| {
                (name(path), sync::movie(path, self.rate.map(|rate| rate.per_second()), tools, runner))
            })
            .collect();
        if let ([wave], Some(rate), [_, ..]) = (waves.as_slice(), self.rate, frames.as_slice()) {
            found.push((name(wave), sync::frames(&frames, wave, rate, self.first.as_deref())));
        }
        // A film that has no leader may have anything in its first minute.
        let is_expected = !self.pops.is_empty();
        found.retain(|(_, found)| is_expected || found.is_ok());
        found
    }
}

/// Movies, frames in their order, and files of sound.
fn files(folder: &Path) -> (Vec<PathBuf>, Vec<PathBuf>, Vec<PathBuf>) {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let is_file = |path: &PathBuf| path.symlink_metadata().is_ok_and(|data| data.is_file());
    let mut all: Vec<PathBuf> = entries.map(|entry| entry.path()).filter(is_file).collect();
    // Numbers grow by a digit, so that longer names come later.
    all.sort_by_key(|path| (path.as_os_str().len(), path.clone()));
    let ends = |path: &Path, endings: &[&str]| {
        path.extension().and_then(|ending| ending.to_str()).is_some_and(|ending| endings.contains(&ending))
    };
    let movies = Preset::ALL.map(Preset::ending);
    let of = |wanted: &dyn Fn(&Path) -> bool| all.iter().filter(|path| wanted(path)).cloned().collect();
    (
        of(&|path| ends(path, &movies)),
        of(&|path| path.to_str().and_then(Format::of_path).is_some()),
        of(&|path| ends(path, &["wav"])),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again_and_nothing_else_is() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Facts::read(folder.path()), Facts::default());
        let facts = Facts {
            rate: Some(Rate::new(30_000, 1001)),
            first: Some("00:59:52;00".into()),
            pops: vec![180, 600],
            passed: vec![("film/mix".into(), "too loud".into())],
            early: Some(-0.5),
        };
        let path = folder.path().join(NAME);
        std::fs::write(&path, facts.json(&Paper::new("web"))).unwrap();
        assert_eq!(Facts::read(folder.path()), facts);
        for text in ["", "[1", "{}", r#"{"format":"endboard delivery report 2"}"#] {
            std::fs::write(&path, text).unwrap();
            assert_eq!(Facts::read(folder.path()), Facts::default(), "{text}");
        }
        let odd = r#"{"format":"endboard delivery report 1","rate":[0,-1],"pops":["a",-1,3]}"#;
        std::fs::write(&path, odd).unwrap();
        assert_eq!(Facts::read(folder.path()), Facts { pops: vec![3], ..Facts::default() });
    }
}
