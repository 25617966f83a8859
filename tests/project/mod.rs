//! A tiny film in a temporary folder, and the built program run on it.
//!
//! Knows how the film's files are written and how the program's JSON is read. Does not know what a test is after.

#![allow(dead_code)] // Each test file is a crate of its own and uses a part of this.

pub mod bucket;
pub mod calls;
pub mod cluster;
pub mod copies;
pub mod disk;
pub mod packets;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use serde_json::Value;

/// Width and height of the film's frame, in pixels.
pub const SIZE: (u32, u32) = (32, 18);
/// First and last frame of every plate.
pub const PLATE: (i64, i64) = (1001, 1008);

/// A shell script that copies every input frame of a call to its output: `sh tool.sh {picture} {out}`, whatever
/// `each` says.
pub const COPY: &str =
    "d=${1%/*}\nfor f in \"$d\"/picture.*.exr; do cp \"$f\" \"$d/out.${f##*picture.}\"; done\n";

/// Longest time that a state is waited for before the test fails.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// Draws a movie of so many frames of a picture that ffmpeg's `lavfi` makes, coded as mpeg4; false where that cannot be done here.
pub fn draw_movie(to: &Path, picture: &str, frames: u32) -> bool {
    let made = Command::new("ffmpeg")
        .args([
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            picture,
            "-frames:v",
            &frames.to_string(),
            "-c:v",
            "mpeg4",
        ])
        .arg(to)
        .output();
    made.is_ok_and(|output| output.status.success())
}

/// Looks again and again until `found` is there.
#[track_caller]
pub fn until(what: &str, found: impl FnMut() -> bool) {
    within(PATIENCE, what, found);
}

/// The same where much has to be done first.
#[track_caller]
pub fn until_late(what: &str, found: impl FnMut() -> bool) {
    within(5 * PATIENCE, what, found);
}

#[track_caller]
fn within(patience: Duration, what: &str, mut found: impl FnMut() -> bool) {
    let began = Instant::now();
    while !found() {
        assert!(began.elapsed() < patience, "waited in vain for {what}");
        std::thread::yield_now();
    }
}

/// Waits for the program's end; one that does not end is killed, and the test fails.
#[track_caller]
pub fn ended(mut run: Child) -> Output {
    let began = Instant::now();
    while run.try_wait().unwrap().is_none() && began.elapsed() < PATIENCE {
        std::thread::yield_now();
    }
    let lasts = run.try_wait().unwrap().is_none();
    let _ = run.kill();
    assert!(!lasts, "the program does not end");
    run.wait_with_output().unwrap()
}

/// Numbers that look random and are the same in every run (SplitMix64, Steele, Lea & Flood 2014).
pub struct Dice(pub u64);

impl Dice {
    /// The next number.
    pub fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `limit`.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.roll() % limit
    }
}

/// A film's folder; gone when dropped.
pub struct Film {
    folder: tempfile::TempDir,
}

/// What a rebuild said.
pub struct Said {
    /// Exit code.
    pub code: Option<i32>,
    /// Places rendered, plates left out.
    pub rendered: BTreeSet<String>,
    /// The whole answer.
    pub json: Value,
    /// What went to standard error.
    pub errors: String,
}

impl Said {
    /// How many frames were put back.
    pub fn restored(&self) -> u64 {
        self.json["restored"].as_u64().unwrap()
    }

    /// Fails the test unless all went well.
    #[track_caller]
    pub fn well(self) -> Self {
        assert_eq!(self.code, Some(0), "{}\n{}", self.json, self.errors);
        self
    }

    /// Fails the test unless all went well but for frames that wait for a person's files.
    #[track_caller]
    pub fn but_for_hands(self) -> Self {
        let (json, none) = (&self.json, Value::Array(Vec::new()));
        let is_waiting = json["failures"] == none && json["failed_before"] == none && json["blocked"] != 0;
        assert_eq!((self.code, is_waiting), (Some(1), true), "{json}\n{}", self.errors);
        let says = json["blocked_by"].as_array().unwrap().iter().map(|by| by["says"].as_str().unwrap());
        assert!(says.into_iter().all(|says| says.starts_with("a person is to put ")), "{json}");
        self
    }
}

impl Film {
    /// An empty folder.
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    /// The folder.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Writes a file, making its folder.
    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) {
        let path = self.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }

    /// Writes the declaration of a film with the plate `shed`: its shots, and what follows them.
    pub fn declare(&self, shots: &str) {
        self.write("endboard.yaml", head() + shots);
    }

    /// Declares one shot, br010, of four frames of the plate `shed`, with these stages, a line each.
    pub fn declare_shot(&self, stages: &[&str]) {
        let stages: String = stages.iter().map(|stage| format!("      {stage}\n")).collect();
        self.declare(&format!("  br010:\n    plate: shed\n    frames: 1001-1004\n    stages:\n{stages}"));
    }

    /// Writes one frame of a plate: noise from `seed`.
    pub fn write_plate_frame(&self, plate: &str, frame: i64, seed: u64) {
        self.write(&format!("plates/{plate}.{frame}.exr"), picture(SIZE, seed));
    }

    /// Writes a plate's frames.
    pub fn write_plate(&self, plate: &str, seed: u64) {
        (PLATE.0..=PLATE.1)
            .for_each(|n| self.write_plate_frame(plate, n, seed.wrapping_mul(1000) + n as u64));
    }

    /// The program, in this folder.
    pub fn command(&self, words: &[&str]) -> Command {
        command(self.path(), words)
    }

    /// Runs the program.
    pub fn run(&self, words: &[&str]) -> Output {
        self.command(words).output().unwrap()
    }

    /// Runs the program; how it ended, and all that it printed.
    pub fn said(&self, words: &[&str]) -> (Option<i32>, String) {
        let output = self.run(words);
        let all = [output.stdout, output.stderr].concat();
        (output.status.code(), String::from_utf8_lossy(&all).into_owned())
    }

    /// A file as text.
    #[track_caller]
    pub fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path().join(name)).unwrap()
    }

    /// Runs the program and reads its JSON.
    #[track_caller]
    pub fn json(&self, words: &[&str]) -> Value {
        let output = self.command(words).arg("--json").output().unwrap();
        parse(&output)
    }

    /// Starts the program and does not wait for it.
    pub fn start(&self, words: &[&str]) -> Child {
        self.command(words).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// Rebuilds.
    #[track_caller]
    pub fn rebuild(&self, more: &[&str]) -> Said {
        rebuild(self.path(), more)
    }

    /// Bytes of every file under `renders/`, by path.
    pub fn renders(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        renders(self.path())
    }

    /// What `renders/` holds after a rebuild of the same declaration from nothing, in a folder of its own.
    #[track_caller]
    pub fn clean(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let copy = tempfile::tempdir().unwrap();
        for entry in std::fs::read_dir(self.path()).unwrap() {
            let name = entry.unwrap().file_name();
            if !["renders", "ledger", ".endboard"].iter().any(|&made| name == made) {
                copy_all(&self.path().join(&name), &copy.path().join(&name));
            }
        }
        rebuild(copy.path(), &[]).well();
        renders(copy.path())
    }

    /// Runs of a stage's frames as `status` has them, such as `[["1001-1004", "fresh"]]`.
    #[track_caller]
    pub fn status_of(&self, place: &str) -> Value {
        let (shot, stage) = place.split_once('/').unwrap();
        let stage = stage.split('@').next().unwrap();
        let status = self.json(&["status", place]);
        let ribbons = status["ribbons"].as_array().unwrap();
        let strip = ribbons.iter().find(|s| s["shot"] == shot && s["stage"] == stage);
        strip.unwrap_or_else(|| panic!("no {place} in {status}"))["runs"].clone()
    }
}

/// An EXR file of noise.
pub fn picture(size: (u32, u32), seed: u64) -> Vec<u8> {
    let mut image = Image::new(size.0, size.1, &RGBA);
    let mut dice = Dice(seed);
    for channel in 0..4 {
        for sample in image.samples_mut(channel) {
            let value = dice.below(1000) as f32 / 1000.0;
            *sample = half::f16::from_f32(if channel == 3 { 1.0 } else { value });
        }
    }
    exr::encode(&image, Compression::None, &[]).unwrap()
}

/// The declaration of a film with the plate `shed`, up to its shots.
pub fn head() -> String {
    let ((width, height), (first, last)) = (SIZE, PLATE);
    format!(
        "film: The Brine Lamp
rate: 24
frame_size: {width}x{height}
working_space: linear-rec709
plates:
  shed: {{ files: plates/shed.####.exr, frames: {first}-{last}, encoding: linear-rec709 }}
shots:
"
    )
}

/// Timecode of a count at 24 frames a second.
pub fn code(frame: i64) -> String {
    format!("{:02}:{:02}:{:02}:{:02}", frame / 86400, frame / 1440 % 60, frame / 24 % 60, frame % 24)
}

/// A line of an edit list: frames of a reel from the first up to that after the last, from a count of the film's on.
pub fn line(number: u32, reel: &str, how: &str, source: (i64, i64), at: i64) -> String {
    let (first, end) = source;
    let times = [first, end, at, at + end - first].map(code).join(" ");
    format!("{number:03}  {reel}  V  {how}  {times}\n")
}

/// The program, in a folder of its own film.
pub fn command(folder: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_endboard"));
    command
        .current_dir(folder)
        .arg("-C")
        .arg(folder)
        .args(words)
        .env("ENDBOARD_WRITER", "keeper")
        .stdin(Stdio::null());
    command
}

#[track_caller]
fn parse(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| {
        let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        panic!("{e}: {out}{err}")
    })
}

/// Rebuilds the film of a folder.
#[track_caller]
pub fn rebuild(folder: &Path, more: &[&str]) -> Said {
    let output = command(folder, &["rebuild", "--json"]).args(more).output().unwrap();
    let json = parse(&output);
    let places = json["rendered"].as_array().into_iter().flatten().map(|p| p.as_str().unwrap().to_string());
    let rendered = places.filter(|p| !p.contains("/plate@")).collect();
    Said {
        code: output.status.code(),
        rendered,
        json,
        errors: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Bytes of every file under `renders/` of a folder, by path.
pub fn renders(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let root = folder.join("renders");
    let mut files = BTreeMap::new();
    let mut folders = vec![root.clone()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(&at).into_iter().flatten() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                files.insert(path.strip_prefix(&root).unwrap().to_path_buf(), std::fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// Copies a folder with all that is in it.
pub fn copy_all(from: &Path, to: &Path) {
    if !from.is_dir() {
        std::fs::copy(from, to).unwrap();
        return;
    }
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let name = entry.unwrap().file_name();
        copy_all(&from.join(&name), &to.join(&name));
    }
}
