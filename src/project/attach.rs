//! Files that stages name, read from the project folder once each.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant};

use crate::base::digest::Digest;
use crate::base::problem::Sources;
use crate::graph::build::Files;
use crate::operators::Attachment;

/// Longest time that a version command may take.
const VERSION_LIMIT: Duration = Duration::from_secs(20);

/// The project folder as a graph sees it.
pub struct Folder<'a> {
    folder: PathBuf,
    sources: &'a mut Sources,
    read: HashMap<String, Attachment>,
    digests: HashMap<String, Option<Digest>>,
    versions: HashMap<Vec<String>, Result<String, String>>,
}

impl<'a> Folder<'a> {
    /// Texts that are read join `sources`, so that problems can point into them.
    pub fn new(folder: &Path, sources: &'a mut Sources) -> Self {
        let folder = folder.to_path_buf();
        Self { folder, sources, read: HashMap::new(), digests: HashMap::new(), versions: HashMap::new() }
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
        let bytes = super::read_limited(&self.folder.join(path))?;
        let source = std::str::from_utf8(&bytes).ok().map(|text| self.sources.add(path, text));
        let attachment = Attachment { path: path.to_string(), bytes: bytes.into(), source };
        self.read.insert(path.to_string(), attachment.clone());
        Ok(attachment)
    }

    fn digest(&mut self, path: &str) -> Option<Digest> {
        if path.is_empty() || path.contains('{') || crate::declare::path_fault(path).is_some() {
            return None;
        }
        if let Some(known) = self.digests.get(path) {
            return *known;
        }
        let digest = super::read_limited(&self.folder.join(path)).ok().map(|bytes| Digest::of(&bytes));
        self.digests.insert(path.to_string(), digest);
        digest
    }

    fn version(&mut self, words: &[String]) -> Result<String, String> {
        if let Some(known) = self.versions.get(words) {
            return known.clone();
        }
        let version = version(&self.folder, words);
        self.versions.insert(words.to_vec(), version.clone());
        version
    }
}

fn version(folder: &Path, words: &[String]) -> Result<String, String> {
    let (program, arguments) = words.split_first().ok_or("it has no words")?;
    let out = tempfile::NamedTempFile::new().map_err(|e| e.to_string())?;
    let to = || out.reopen().map(Stdio::from).map_err(|e| e.to_string());
    let mut child = std::process::Command::new(program)
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(to()?)
        .stderr(to()?)
        .spawn()
        .map_err(|e| format!("{program} could not be started: {e}"))?;
    let began = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().map_err(|e| e.to_string())? {
            break status;
        }
        if began.elapsed() > VERSION_LIMIT {
            let _ = child.kill();
            let _ = child.wait();
            return Err(format!("{program} gave no version within {} s", VERSION_LIMIT.as_secs()));
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let bytes = std::fs::read(out.path()).map_err(|e| e.to_string())?;
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(4096)]).into_owned();
    if status.success() { Ok(text) } else { Err(format!("{program} ended with {status}: {}", text.trim())) }
}
