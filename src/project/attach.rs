//! Files that stages name, read from the film's folder once each.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use super::{lengths, read};
use crate::base::digest::Digest;
use crate::base::problem::Sources;
use crate::graph::build::Files;
use crate::media::sound::{self, Outline};
use crate::observe;
use crate::operators::Attachment;
use crate::programs::{Limits, Printed, Runner};

/// Longest time that a version command may take.
const VERSION_LIMIT: Duration = Duration::from_secs(20);
/// Most bytes that a version command may print.
const PRINT_LIMIT: u64 = 1 << 20;
/// Longest word that is looked for as a path, in bytes (PATH_MAX of Linux).
const PATH_LIMIT: usize = 4096;

/// The film's folder as a graph sees it.
pub struct Folder<'a> {
    folder: PathBuf,
    sources: &'a mut Sources,
    read: HashMap<String, Attachment>,
    digests: HashMap<String, Result<Option<Digest>, String>>,
    versions: HashMap<Vec<String>, Result<Vec<u8>, String>>,
}

impl<'a> Folder<'a> {
    /// Texts that are read join `sources`, so that problems can point into them.
    pub fn new(folder: &Path, sources: &'a mut Sources) -> Self {
        let folder = folder.to_path_buf();
        Self { folder, sources, read: HashMap::new(), digests: HashMap::new(), versions: HashMap::new() }
    }

    /// Takes a text for a file, whatever stands there.
    pub fn put(&mut self, path: &str, text: &str) {
        let source = Some(self.sources.add(path, text));
        let bytes = text.as_bytes().to_vec().into();
        self.read.insert(path.to_string(), Attachment { path: path.to_string(), bytes, source });
    }
}

impl Files for Folder<'_> {
    fn attach(&mut self, path: &str) -> Result<Attachment, String> {
        if let Some(found) = self.read.get(path) {
            return Ok(found.clone());
        }
        if let Some(fault) = crate::declare::path_fault(path) {
            return Err(fault.to_string());
        }
        let bytes = read::without_mark(read::read_limited(&self.folder.join(path))?);
        let source = std::str::from_utf8(&bytes).ok().map(|text| self.sources.add(path, text));
        let attachment = Attachment { path: path.to_string(), bytes: bytes.into(), source };
        self.read.insert(path.to_string(), attachment.clone());
        Ok(attachment)
    }

    fn lacks(&mut self, path: &str) -> bool {
        let meta = || std::fs::metadata(self.folder.join(path));
        crate::declare::path_fault(path).is_none()
            && meta().is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound)
    }

    fn digest(&mut self, path: &str) -> Result<Option<Digest>, String> {
        let Some(path) = inside(path) else { return Ok(None) };
        if let Some(known) = self.digests.get(&path) {
            return known.clone();
        }
        let digest = observe::digest(&self.folder.join(&path)).map_err(|e| e.to_string());
        self.digests.insert(path, digest.clone());
        digest
    }

    fn sound(&mut self, path: &str) -> Result<Outline, String> {
        let at = self.folder.join(path);
        let open = || {
            let is_file = std::fs::metadata(&at).is_ok_and(|found| found.is_file());
            if is_file {
                std::fs::File::open(&at).map_err(|e| e.to_string())
            } else {
                Err("it is no file".into())
            }
        };
        let outline = sound::outline(open()?).map_err(|e| e.to_string())?;
        if outline.samples.is_some() {
            return Ok(outline);
        }
        // Some files tell only by what they hold how long they are. That is kept by their bytes, which are read sooner than decoded.
        let digest = observe::digest(&at).map_err(|e| e.to_string())?.ok_or("it is no file")?;
        if let Some(samples) = lengths::known(&self.folder, &digest) {
            return Ok(Outline { samples: Some(samples), ..outline });
        }
        let samples = sound::read(open()?).map_err(|e| e.to_string())?.len() as u64;
        lengths::keep(&self.folder, &digest, samples);
        Ok(Outline { samples: Some(samples), ..outline })
    }

    fn version(&mut self, words: &[String]) -> Result<Vec<u8>, String> {
        if let Some(known) = self.versions.get(words) {
            return known.clone();
        }
        let version = version(&self.folder, words, VERSION_LIMIT);
        self.versions.insert(words.to_vec(), version.clone());
        version
    }
}

/// A path as a program started in the film's folder takes it, in its plainest form; nothing when it leads out of
/// the folder.
fn inside(path: &str) -> Option<String> {
    if path.starts_with('/') || path.len() > PATH_LIMIT {
        return None;
    }
    let mut parts = Vec::new();
    for part in path.split('/') {
        match part {
            "" | "." => {}
            ".." => drop(parts.pop()?),
            part => parts.push(part),
        }
    }
    (!parts.is_empty()).then(|| parts.join("/"))
}

/// All that a program prints on both its outputs, in order. It is ended, with its children, when it takes longer
/// than `limit` or prints without end.
fn version(folder: &Path, words: &[String], limit: Duration) -> Result<Vec<u8>, String> {
    let (program, arguments) = words.split_first().ok_or("it has no words")?;
    let refused = |e: std::io::Error| format!("{program} could not be started: {e}");
    let printed = Printed::new().map_err(refused)?;
    let mut command = Command::new(program);
    command.args(arguments).current_dir(folder).stdin(Stdio::null());
    command.stdout(printed.end().map_err(refused)?).stderr(printed.end().map_err(refused)?);
    let limits = Limits { time: Some(limit), print: Some((printed.file(), PRINT_LIMIT)) };
    let ended = Runner::alone().and_then(|programs| programs.run(&mut command, &limits)).map_err(refused)?;
    let bytes = printed.bytes(PRINT_LIMIT + 1).map_err(|e| e.to_string())?;
    if bytes.len() as u64 > PRINT_LIMIT {
        return Err(format!("{program} prints more than {} KiB", PRINT_LIMIT >> 10));
    }
    if ended.past.is_some() {
        return Err(format!("{program} gave no version within {} s", limit.as_secs_f64()));
    }
    if !ended.status.success() {
        let text: String = String::from_utf8_lossy(&bytes).trim().chars().take(400).collect();
        return Err(format!("{program} ended with {}: {text}", ended.status));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(script: &str) -> Vec<String> {
        ["sh", "-c", script].map(str::to_string).to_vec()
    }

    fn run(script: &str) -> Result<Vec<u8>, String> {
        version(Path::new("/"), &words(script), Duration::from_secs(60))
    }

    #[test]
    fn both_outputs_count_whole_and_in_order() {
        assert_eq!(run("echo a; echo b >&2; echo c").unwrap(), b"a\nb\nc\n");
        let long = run("i=0; while [ $i -lt 2000 ]; do echo 12345 >&2; i=$((i+1)); done; echo end").unwrap();
        assert_eq!(long.len(), 12_004);
        assert!(long.ends_with(b"12345\nend\n"));
        assert_eq!(run("echo worn; exit 3").unwrap_err(), "sh ended with exit status: 3: worn");
        let no = version(Path::new("/"), &["no-such-program".into()], Duration::from_secs(60)).unwrap_err();
        assert!(no.contains("could not be started"), "{no}");
    }

    #[test]
    fn a_program_that_prints_or_runs_without_end_is_ended_with_its_children() {
        assert_eq!(run("while :; do echo brine; done").unwrap_err(), "sh prints more than 1024 KiB");
        let folder = tempfile::tempdir().unwrap();
        let script = words("sh -c 'echo $$ > child; while :; do read x < /dev/zero; done' & wait");
        let late = version(folder.path(), &script, Duration::from_millis(300)).unwrap_err();
        assert_eq!(late, "sh gave no version within 0.3 s");
        // The child may have been ended before it wrote its number; then it is gone as well.
        if let Ok(child) = std::fs::read_to_string(folder.path().join("child"))
            && !child.is_empty()
        {
            let stat = format!("/proc/{}/stat", child.trim());
            let is_gone = || {
                let stat = std::fs::read_to_string(&stat).unwrap_or_default();
                stat.rsplit(')').next().is_none_or(|rest| rest.is_empty() || rest.starts_with(" Z"))
            };
            let began = std::time::Instant::now();
            while !is_gone() {
                assert!(began.elapsed() < Duration::from_secs(30), "the child lives on");
            }
        }
        // A child that outlives its parent does not hold the answer up.
        assert_eq!(run("sh -c 'while :; do read x < /dev/zero; done' & echo 7").unwrap(), b"7\n");
    }

    #[test]
    fn only_regular_files_inside_the_project_are_digested() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(folder.path().join("film/tools")).unwrap();
        std::fs::write(folder.path().join("outside"), "x").unwrap();
        std::fs::write(folder.path().join("film/tools/a b.txt"), "salt").unwrap();
        let mut sources = Sources::new();
        let mut files = Folder::new(&folder.path().join("film"), &mut sources);
        let salt = Ok(Some(Digest::of(b"salt")));
        for path in ["tools/a b.txt", "./tools//a b.txt", "tools/../tools/a b.txt"] {
            assert_eq!(files.digest(path), salt, "{path}");
        }
        let outside = folder.path().join("outside").to_string_lossy().into_owned();
        for path in
            ["../outside", "tools/../../outside", &outside, "tools", "tools/b.txt", "a\0b", "", ".", "/"]
        {
            assert_eq!(files.digest(path), Ok(None), "{path:?}");
        }
    }
}
