//! Times rebuilds on a real Slurm of one machine: `cargo bench --bench cluster [-- overhead | nodes | submit]`.
//!
//! Knows how to start the controller and two node daemons of `tests/slurm/one-box.sh` (as root, with Slurm and munge installed), a
//! film whose frames a command makes that mostly waits, as for a licence or another machine, and a film of 100,000 plate frames
//! that is only submitted. Beside each stands what plain `srun` takes for the same commands in the same run. Does not judge: it
//! prints. That both nodes are one machine it says.

use std::fmt::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use endboard::media::exr::{Compression, encode};
use endboard::media::image::{Image, RGBA};
use half::f16;

/// Tasks that run at once on both nodes, and on one.
const SLOTS: (usize, usize) = (4, 2);

struct Cluster(tempfile::TempDir);

impl Cluster {
    fn start() -> Self {
        let cluster = Self(tempfile::tempdir().expect("a temporary folder"));
        let is_free =
            |from: &u16| (*from..from + 3).all(|port| TcpListener::bind(("127.0.0.1", port)).is_ok());
        let port = (31_000..40_000).step_by(4).find(is_free).expect("three free ports").to_string();
        let started = cluster.script("start").arg(port).status().expect("a shell");
        assert!(started.success(), "Slurm did not start: it needs root, slurm-wlm and munge");
        cluster
    }

    fn script(&self, verb: &str) -> Command {
        let mut command = Command::new(format!("{}/tests/slurm/one-box.sh", env!("CARGO_MANIFEST_DIR")));
        command.arg(verb).arg(self.0.path()).stdin(Stdio::null());
        command
    }

    fn command(&self, program: &str, words: &[&str]) -> Command {
        let mut command = Command::new(program);
        command.args(words).env("SLURM_CONF", self.0.path().join("slurm.conf"));
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Seconds that it takes and what it says; ends where it fails.
    fn timed(&self, mut command: Command) -> (f64, String) {
        let began = Instant::now();
        let output = command.output().expect("a program");
        let seconds = began.elapsed().as_secs_f64();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{command:?}: {said}{}", String::from_utf8_lossy(&output.stderr));
        (seconds, said)
    }

    fn endboard(&self, folder: &Path, words: &[&str]) -> (f64, String) {
        let mut command = self.command(env!("CARGO_BIN_EXE_endboard"), words);
        command.arg("-C").arg(folder);
        self.timed(command)
    }

    fn node(&self, name: &str, state: &str) {
        let words =
            ["update", &format!("nodename={name}"), &format!("state={state}"), "reason=measured without"];
        self.timed(self.command("scontrol", &words));
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let _ = self.script("stop").output();
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let is_asked = |section: &str| words.is_empty() || words.iter().any(|word| word == section);
    let cluster = Cluster::start();
    println!("one controller and two nodes of two processors each, all on this machine\n");
    is_asked("overhead").then(|| overhead(&cluster));
    is_asked("nodes").then(|| nodes(&cluster));
    is_asked("submit").then(|| submit(&cluster));
}

/// A film of `shots` of `frames` plate frames whose one stage waits `wait` seconds a frame; `each` frames at most go into a task.
fn film(shots: usize, frames: usize, wait: f64, each: usize) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("film");
    let last = 1000 + frames;
    let mut text = "film: The Brine Lamp\nrate: 24\nframe_size: 8x4\nplates:\n".to_string();
    for shot in 0..shots {
        writeln!(text, "  p{shot:04}: {{ files: plates/p{shot:04}/p.####.exr, frames: 1001-{last}, encoding: linear-rec709 }}")
            .expect("memory");
    }
    text += "shots:\n";
    let stages = "{ slow: { command: 'sh slow.sh {picture} {out}' }, colour: { operator: grade, from: { picture: slow }, exposure: 0.1 } }";
    for shot in 0..shots {
        writeln!(text, "  br{shot:04}: {{ plate: p{shot:04}, frames: 1001-{last}, stages: {stages} }}")
            .expect("memory");
    }
    if each > 0 {
        writeln!(text, "slurm: {{ frames: {each} }}").expect("memory");
    } else {
        text += "slurm: {}\n";
    }
    for shot in 0..shots {
        std::fs::create_dir_all(path.join(format!("plates/p{shot:04}"))).expect("a folder");
        for frame in 1001..=last {
            let file = path.join(format!("plates/p{shot:04}/p.{frame}.exr"));
            std::fs::write(file, plate((shot * frames + frame) as u32)).expect("a plate");
        }
    }
    std::fs::write(path.join("endboard.yaml"), text).expect("a declaration");
    std::fs::write(path.join("slow.sh"), format!("sleep {wait}\ncp \"$1\" \"$2\"\n")).expect("a script");
    (folder, path)
}

/// A tiny frame like no other.
fn plate(seed: u32) -> Vec<u8> {
    let mut image = Image::new(8, 4, &RGBA);
    for channel in 0..3 {
        let samples = image.samples_mut(channel);
        samples.fill(f16::from_f32(0.25));
        samples[0] = f16::from_f32((seed % 1000) as f32 / 1000.0);
        samples[1] = f16::from_f32((seed / 1000) as f32 / 1000.0);
    }
    image.samples_mut(3).fill(f16::ONE);
    encode(&image, Compression::Zips, &[]).expect("a frame packs")
}

fn overhead(cluster: &Cluster) {
    const FRAMES: usize = 480;
    const WAIT: f64 = 0.1;
    println!(
        "{FRAMES} frames, a command of {WAIT} s for each, four at a time; ms a frame beyond the command, and in all"
    );
    let beyond = |seconds: f64| 1e3 * (seconds * SLOTS.0 as f64 / FRAMES as f64 - WAIT);
    let row = |seconds: f64, what: &str| println!("{:>8.1} ms {seconds:>8.2} s  {what}", beyond(seconds));
    for each in [120, 30] {
        let (_folder, path) = film(1, FRAMES, WAIT, each);
        cluster.endboard(&path, &["status"]);
        let (seconds, _) = cluster.endboard(&path, &["rebuild", "--on", "slurm"]);
        row(seconds, &format!("rebuild --on slurm, {each} frames a task"));
    }
    let (_folder, path) = film(1, FRAMES, WAIT, 0);
    cluster.endboard(&path, &["status"]);
    let (seconds, _) = cluster.endboard(&path, &["rebuild", "--jobs", "4"]);
    row(seconds, "rebuild here, four jobs");
    let out = path.join("plain");
    std::fs::create_dir_all(&out).expect("a folder");
    let files: Vec<String> =
        (1001..=1000 + FRAMES).map(|frame| format!("plates/p0000/p.{frame}.exr")).collect();
    let list = path.join("frames.txt");
    std::fs::write(&list, files.join("\n")).expect("a list");
    for (count, what) in [(1, "srun for each frame"), (30, "srun for 30 frames each, in a loop of the shell")]
    {
        let mut plain = cluster.command("sh", &["-c"]);
        plain.current_dir(&path).arg(format!(
            "xargs -P 4 -n {count} srun -Q -n1 -c1 sh -c 'for f; do sh slow.sh $f plain/${{f##*/}}; done' - < frames.txt"
        ));
        let (seconds, _) = cluster.timed(plain);
        let made = std::fs::read_dir(&out).expect("a folder").count();
        assert_eq!(made, FRAMES, "plain srun made all");
        row(seconds, what);
    }
    println!();
}

fn nodes(cluster: &Cluster) {
    const FRAMES: usize = 480;
    const WAIT: f64 = 0.25;
    println!("{FRAMES} frames, a command that waits {WAIT} s for each, 20 frames a task");
    let mut took = Vec::new();
    for (name, is_alone) in
        [("two nodes", false), ("one node", true), ("two nodes", false), ("one node", true)]
    {
        if is_alone {
            cluster.node("n2", "drain");
        }
        let (_folder, path) = film(1, FRAMES, WAIT, 20);
        cluster.endboard(&path, &["status"]);
        let (seconds, _) = cluster.endboard(&path, &["rebuild", "--on", "slurm"]);
        println!("{seconds:>8.2} s  {name}");
        took.push(seconds);
        if is_alone {
            cluster.node("n2", "resume");
        }
    }
    println!("{:>8.2} times as fast on two as on one\n", (took[1] + took[3]) / (took[0] + took[2]));
}

fn submit(cluster: &Cluster) {
    ["n1", "n2"].iter().for_each(|node| cluster.node(node, "drain"));
    let (_folder, path) = film(834, 120, 0.0, 0);
    // Files younger than the clock's tick are read once more before their times are trusted.
    (0..2).for_each(|_| drop(cluster.endboard(&path, &["status"])));
    let (status, _) = cluster.endboard(&path, &["status"]);
    println!("{:>8.2} s  status of 834 shots of 120 frames, nothing rendered", status);
    let (seconds, said) = cluster.endboard(&path, &["rebuild", "--on", "slurm", "--leave"]);
    println!("{seconds:>8.2} s  rebuild --on slurm --leave: {}", said.lines().last().unwrap_or_default());
    let (_, queue) = cluster.timed(cluster.command("squeue", &["--noheader", "--array", "--format=%A"]));
    let (_, arrays) = cluster.timed(cluster.command("squeue", &["--noheader", "--format=%A"]));
    println!(
        "{:>10}  tasks that wait, in {} arrays as the controller counts them",
        queue.lines().count(),
        arrays.lines().count()
    );
    let (seconds, _) = cluster.timed(cluster.command("scancel", &["--state=PENDING"]));
    println!("{seconds:>8.2} s  scancel of all");
}
