//! A real Slurm on loopback for one test at a time, and the films that tests rebuild there.
//!
//! Knows how the cluster is started, asked and broken (`tests/slurm/one-box.sh`). Where Slurm and munge are not installed, or this is not
//! root, tests say so and compare nothing.

use std::collections::BTreeSet;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use endboard::media::sound::{Sound, wave};
use serde_json::Value;

use super::{Dice, Film, PATIENCE, ended, line, until};

/// A cluster; stopped when dropped.
pub struct Cluster {
    folder: tempfile::TempDir,
    /// Tests take turns: several clusters on one machine would wait for one another's processors.
    _turn: std::fs::File,
}

impl Cluster {
    /// One, where Slurm and munge are installed and this is root.
    pub fn start() -> Option<Self> {
        let there = |program: &str| {
            Path::new("/usr/sbin").join(program).exists() || Path::new("/usr/bin").join(program).exists()
        };
        if !["slurmctld", "slurmd", "sbatch", "munge"].iter().all(|p| there(p)) || !is_root() {
            eprintln!("Slurm and munge are not installed, or this is not root: nothing compared");
            return None;
        }
        let turn = std::fs::File::create(std::env::temp_dir().join("endboard-test-cluster")).unwrap();
        turn.lock().unwrap();
        let cluster = Self { folder: tempfile::tempdir().unwrap(), _turn: turn };
        let port = ports().to_string();
        let output = cluster.script("start").arg(port).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
        Some(cluster)
    }

    /// The script that starts and breaks it.
    pub fn script(&self, verb: &str) -> Command {
        let mut command = Command::new(format!("{}/tests/slurm/one-box.sh", env!("CARGO_MANIFEST_DIR")));
        command.arg(verb).arg(self.folder.path()).stdin(Stdio::null());
        command
    }

    /// Its configuration.
    pub fn conf(&self) -> String {
        self.folder.path().join("slurm.conf").to_str().unwrap().into()
    }

    /// What one of Slurm's programs prints.
    pub fn asked(&self, program: &str, words: &[&str]) -> String {
        let output = Command::new(program).args(words).env("SLURM_CONF", self.conf()).output().unwrap();
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// Has the time of a job at work be up the next time Slurm looks, twice a minute: its limits are of whole minutes, for which
    /// no test need wait.
    pub fn ends_now(&self, job: &str) {
        let said = self.asked("scontrol", &["update", &format!("JobId={job}"), "EndTime=now+1"]);
        assert_eq!(said, "", "{job}");
    }

    /// States of all tasks that Slurm knows.
    pub fn states(&self) -> Vec<String> {
        let said = self.asked("squeue", &["--noheader", "--array", "--states=all", "--format=%T"]);
        said.lines().map(str::to_string).collect()
    }

    /// Waits until all tasks came to their end well.
    pub fn until_over(&self) {
        until("the tasks' end", || self.states().iter().all(|state| state == "COMPLETED"));
    }

    /// A rebuild there.
    pub fn command(&self, film: &Film, more: &[&str]) -> Command {
        let mut command = film.command(&["rebuild", "--on", "slurm"]);
        command.args(more).env("SLURM_CONF", self.conf());
        command
    }

    /// Rebuilds there: how it ended, its JSON, and what it told.
    pub fn rebuild(&self, film: &Film, more: &[&str]) -> (Option<i32>, Value, String) {
        read(&self.command(film, more).arg("--json").output().unwrap())
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let _ = self.script("stop").output();
    }
}

/// How a rebuild ended, its JSON, and what it told.
#[track_caller]
pub fn read(output: &Output) -> (Option<i32>, Value, String) {
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    let json = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}: {out}{err}"));
    (output.status.code(), json, err.into_owned())
}

fn is_root() -> bool {
    let output = Command::new("id").arg("-u").output().unwrap();
    output.stdout == b"0\n"
}

/// The first of three ports that nobody listens at.
fn ports() -> u16 {
    let first = 20_000 + (std::process::id() % 9_000) as u16 * 4;
    let is_free = |from: u16| (from..from + 3).all(|port| TcpListener::bind(("127.0.0.1", port)).is_ok());
    (0..400)
        .map(|i| first.wrapping_add(i * 4).max(20_000))
        .find(|&from| from < 65_000 && is_free(from))
        .unwrap()
}

/// Shows the frame after, where there is one.
const NEXT: &str = "d=${1%/*}
if [ -e \"$d/picture.$(($3 + 1)).exr\" ]; then cp \"$d/picture.$(($3 + 1)).exr\" \"$2\"; else cp \"$d/picture.$3.exr\" \"$2\"; fi
";

/// Shows the shot backwards.
const BACK: &str = "d=${1%/*}
n=$3
while [ $n -le $4 ]; do
  cp \"$d/picture.$(($3 + $4 - n)).exr\" \"$d/out.$n.exr\"
  n=$((n + 1))
done
";

/// Declares the film of [`film`].
pub fn declare(film: &Film, exposure: f64, slurm: &str) {
    film.write(
        "endboard.yaml",
        format!(
            "film: The Brine Lamp
rate: 24
frame_size: 32x18
handles: 2
cut: lock.edl
pools: {{ lamp: 2 }}
plates:
  shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}
shots:
  br010:
    plate: shed
    frames: 1001-1004
    stages:
      grey: {{ operator: grade, keep: false, saturation: 0.5 }}
      next: {{ command: 'sh next.sh {{picture}} {{out}} {{frame}}', from: {{ picture: grey }}, reach: 1 }}
      back: {{ command: 'sh back.sh {{picture}} {{out}} {{first}} {{last}}', each: shot, from: {{ picture: next }} }}
      colour: {{ operator: grade, from: {{ picture: back }}, exposure: {exposure} }}
  br020:
    plate: shed
    frames: 1001-1005
    stages:
      colour: {{ operator: grade, exposure: 1, pools: {{ lamp: 1 }} }}
assembly: {{}}
sound:
  buses: {{ effects: {{}} }}
  cues:
    one: {{ bus: effects, at: br010@1002, clip: sounds/rustle.wav }}
slurm: {slurm}
"
        ),
    );
}

/// A film with every kind of need between parts: reach, calls for whole shots, a pool, a cut and sound.
pub fn film(slurm: &str) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("next.sh", NEXT);
    film.write("back.sh", BACK);
    let list = [
        line(1, "br010", "C", (1001, 1005), 86_400),
        line(2, "br010", "C", (1005, 1005), 86_404),
        line(2, "br020", "D 002", (1001, 1006), 86_404),
    ];
    film.write("lock.edl", list.concat());
    let mut dice = Dice(1);
    let samples = (0..48_000).map(|_| dice.below(20_001) as f32 / 40_000.0 - 0.25).collect();
    film.write("sounds/rustle.wav", wave::plain(&Sound { rate: 48_000, channels: vec![samples] }).unwrap());
    declare(&film, 0.5, slurm);
    film
}

/// A film of one shot whose frames each wait for the file `go` before they are made.
pub fn waiting(slurm: &str) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("wait.sh", "echo $3 >> begun\nwhile [ ! -e go ]; do sleep 0.05; done\ncp \"$1\" \"$2\"\n");
    film.declare("  br010:\n    plate: shed\n    frames: 1001-1008\n    stages:\n      slow: { command: 'sh wait.sh {picture} {out} {frame}' }\n");
    let text = film.text("endboard.yaml");
    film.write("endboard.yaml", format!("{text}slurm: {slurm}\n"));
    film
}

/// Places that were rendered.
pub fn rendered(json: &Value) -> BTreeSet<String> {
    json["rendered"].as_array().unwrap().iter().map(|p| p.as_str().unwrap().to_string()).collect()
}

/// All states, without what depends on the time.
pub fn states(film: &Film) -> Value {
    film.json(&["status"])["ribbons"].clone()
}

/// Starts and waits until so many commands of [`waiting`] have begun.
pub fn begun(cluster: &Cluster, film: &Film, count: usize) -> Child {
    let mut command = cluster.command(film, &["--json"]);
    let run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let lines = || std::fs::read_to_string(film.path().join("begun")).unwrap_or_default().lines().count();
    until("the tasks", || lines() >= count);
    run
}

/// Waits longer than for other programs: Slurm takes its time to see that a node is lost.
pub fn long(mut run: Child) -> Output {
    let began = std::time::Instant::now();
    while run.try_wait().unwrap().is_none() && began.elapsed() < 5 * PATIENCE {
        std::thread::yield_now();
    }
    ended(run)
}
