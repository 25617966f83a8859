//! Several people's copies of one film, and git between them.
//!
//! Knows how a copy is made and how the program runs in one under a writer's name. Does not know what a test is after.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

use super::command;

/// One person's copy of the film.
pub struct Copy {
    /// Its folder.
    pub at: PathBuf,
    /// Under which name its ledger is written.
    pub writer: String,
}

impl Copy {
    /// A copy in that folder.
    pub fn new(at: PathBuf, writer: &str) -> Self {
        Self { at, writer: writer.into() }
    }

    /// Runs the program; its exit code, what it printed, and what it told beside.
    pub fn run(&self, words: &[&str]) -> (Option<i32>, String, String) {
        let mut command = command(&self.at, words);
        command.env("ENDBOARD_WRITER", &self.writer);
        let Output { status, stdout, stderr } = command.output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
        (status.code(), text(stdout), text(stderr))
    }

    /// Runs the program, which is to go well.
    #[track_caller]
    pub fn well(&self, words: &[&str]) -> String {
        let (code, out, err) = self.run(words);
        assert_eq!(code, Some(0), "{words:?}: {out}{err}");
        out
    }

    /// Runs the program, which is to go well or to say that something waits.
    #[track_caller]
    pub fn well_or_waiting(&self, words: &[&str]) -> String {
        let (code, out, err) = self.run(words);
        assert!(matches!(code, Some(0 | 1)), "{words:?}: {out}{err}");
        out
    }

    /// Runs the program and reads its JSON.
    #[track_caller]
    pub fn json(&self, words: &[&str]) -> Value {
        let (_, out, err) = self.run(&[words, &["--json"]].concat());
        serde_json::from_str(&out).unwrap_or_else(|e| panic!("{words:?}: {e}: {out}{err}"))
    }

    /// What a rebuild renders, plates left out.
    #[track_caller]
    pub fn rebuild(&self) -> Vec<String> {
        let said = self.json(&["rebuild"]);
        let places = said["rendered"].as_array().unwrap_or_else(|| panic!("{said}"));
        let mut places: Vec<String> = places
            .iter()
            .map(|p| p.as_str().unwrap().to_string())
            .filter(|p| !p.contains("/plate@"))
            .collect();
        places.sort();
        places
    }

    /// A file's text.
    #[track_caller]
    pub fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.at.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }

    /// Writes a file, making its folder.
    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) {
        let path = self.at.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }

    /// Puts one text for another in a file, where it stands.
    #[track_caller]
    pub fn edit(&self, name: &str, from: &str, to: &str) {
        let text = self.text(name);
        assert!(text.contains(from), "{name} has no {from}: {text}");
        self.write(name, text.replace(from, to));
    }

    /// Runs git in the copy; whether it went well, and what it printed.
    pub fn git(&self, words: &[&str]) -> (bool, String) {
        git(&self.at, words)
    }

    /// Takes everything in that git does not leave out.
    #[track_caller]
    pub fn commit(&self, message: &str) {
        for words in [&["add", "-A"][..], &["commit", "-q", "--allow-empty", "-m", message]] {
            let (well, said) = self.git(words);
            assert!(well, "{words:?}: {said}");
        }
    }

    /// Everything that rows of people's work come to, as the program tells it.
    #[track_caller]
    pub fn people(&self) -> Vec<Value> {
        let mut all: Vec<Value> =
            [&["notes", "list", "--all"][..], &["approvals"], &["outstanding"], &["clock"]]
                .iter()
                .map(|words| self.json(words))
                .collect();
        // Of time only what was written down: how long a clock has run by now differs from run to run.
        for clock in all[3]["running"].as_array_mut().unwrap() {
            clock["seconds"] = Value::Null;
        }
        all
    }
}

/// Runs git in a folder with settings of nobody's home.
pub fn git(folder: &Path, words: &[&str]) -> (bool, String) {
    let mut command = Command::new("git");
    let who = [("user.name", "keeper"), ("user.email", "keeper@localhost"), ("init.defaultBranch", "main")];
    for (key, value) in who {
        command.arg("-c").arg(format!("{key}={value}"));
    }
    command.current_dir(folder).args(words).stdin(Stdio::null());
    command.env("GIT_CONFIG_GLOBAL", "/dev/null").env("GIT_CONFIG_NOSYSTEM", "1").env("GIT_EDITOR", "true");
    // Tests may themselves be run by a hook of git.
    for key in ["GIT_DIR", "GIT_INDEX_FILE", "GIT_WORK_TREE", "GIT_PREFIX"] {
        command.env_remove(key);
    }
    let output = command.output().expect("git is there");
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8_lossy(&said).into_owned())
}
