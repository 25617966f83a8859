//! Times the whole of `endboard` on an invented film of many small shots: `cargo bench --bench film [-- SHOTS FRAMES]`.
//!
//! Knows how to write the film (2,000 shots of 50 frames unless told otherwise: 100,000 plate files of 8x4 pixels and
//! six stages a shot), which commands to time, and what other programs to time beside them in the same run: a bare
//! parallel stat of the same files, b3sum over the same bytes, ninja over a build file with as many edges, a bare
//! start of `true`. Does not judge: it prints. What is not installed is named and left out.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use endboard::ledger::crew::{Crew, Worked};
use endboard::ledger::file::Ledger;
use endboard::ledger::row::{Row, What};
use rayon::prelude::*;

const STAGES: usize = 6;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let is_asked = |section: &str| words.iter().any(|word| word == section);
    let folder = tempfile::tempdir().expect("a temporary folder");
    if is_asked("people") {
        // Nothing is rendered: what a machine has to do is all that it ever will.
        let film = Film { folder: folder.path().join("film"), shots: 2000, frames: 50 };
        film.write(4, "");
        film.median(&["status"], 2);
        with_people(&film);
        return;
    }
    if is_asked("hashing") || is_asked("jobs") || is_asked("memory") {
        is_asked("hashing").then(|| frames_hashed(folder.path()));
        is_asked("jobs").then(|| jobs(folder.path()));
        is_asked("memory").then(|| memory(folder.path(), 2, 24));
        return;
    }
    let numbers: Vec<usize> = words.iter().filter_map(|a| a.parse().ok()).collect();
    let (shots, frames) =
        (numbers.first().copied().unwrap_or(2000), numbers.get(1).copied().unwrap_or(50).max(3));
    let film = Film { folder: folder.path().join("film"), shots, frames };
    film.write(4, "");
    println!("{shots} shots, {} plate files, {} rendered frames\n", film.plates().len(), film.edges());
    hashing(&film);
    let (seconds, peak) = film.rebuild(&[]);
    row("rebuild of everything", seconds);
    println!("{:>12.1} us a frame; peak {} MiB", 1e6 * seconds / film.edges() as f64, peak >> 10);
    // Files younger than the clock's tick are read once more before their times are trusted.
    film.median(&["status"], 2);
    nothing_changed(&film);
    one_changed(&film);
    with_people(&film);
    frames_hashed(folder.path());
    jobs(folder.path());
    memory(folder.path(), shots / 40 + 1, frames);
    commands(folder.path(), frames);
}

fn row(name: &str, seconds: f64) {
    println!("{:>9.1} ms  {name}", seconds * 1e3);
}

struct Film {
    folder: PathBuf,
    shots: usize,
    frames: usize,
}

impl Film {
    /// Frames of all stages but the plates, which are only passed on.
    fn edges(&self) -> usize {
        self.shots * self.frames * STAGES
    }

    fn plates(&self) -> Vec<PathBuf> {
        let frames = self.frames;
        let path = |shot, n| self.folder.join(format!("plates/s{shot:05}/s{shot:05}.{:04}.png", 1001 + n));
        (0..self.shots).flat_map(|shot| (0..frames).map(move |n| path(shot, n))).collect()
    }

    /// `size` is the plates' height; `command` the way of one more stage when not empty.
    fn write(&self, size: u32, command: &str) {
        let mut text = format!("film: The Brine Lamp\nrate: 24\nframe_size: {}x{size}\n", width(size));
        text += "recipes: [many.yaml]\nplates:\n";
        let last = 1000 + self.frames;
        for s in 0..self.shots {
            writeln!(
                text,
                "  p{s:05}: {{ files: plates/s{s:05}/s{s:05}.####.png, frames: 1001-{last}, encoding: srgb }}"
            )
            .expect("a text takes all");
        }
        text += "shots:\n";
        for s in 0..self.shots {
            writeln!(text, "  s{s:05}: {{ plate: p{s:05}, frames: 1001-{last}, recipe: many }}")
                .expect("a text takes all");
        }
        let mut recipe = "recipe: many\nstages:\n".to_string();
        let mut from = "plate".to_string();
        for stage in 0..STAGES {
            writeln!(
                recipe,
                "  g{stage}: {{ operator: grade, from: {{ picture: {from} }}, exposure: 0.0{stage} }}"
            )
            .expect("a text takes all");
            from = format!("g{stage}");
        }
        if !command.is_empty() {
            writeln!(recipe, "  call: {{ {command}, from: {{ picture: {from} }} }}")
                .expect("a text takes all");
        }
        std::fs::create_dir_all(&self.folder).expect("a folder");
        std::fs::write(self.folder.join("endboard.yaml"), text).expect("a declaration");
        std::fs::write(self.folder.join("many.yaml"), recipe).expect("a recipe");
        self.plates().par_chunks(self.frames).for_each(|shot| {
            std::fs::create_dir_all(shot[0].parent().expect("a folder")).expect("a folder");
            for path in shot {
                std::fs::write(path, png(width(size), size, path)).expect("a plate");
            }
        });
    }

    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_endboard"));
        command.arg("-C").arg(&self.folder).args(words).stdin(Stdio::null());
        command
    }

    /// Median seconds of a command that must succeed.
    fn median(&self, words: &[&str], times: usize) -> f64 {
        median(times, || {
            let out = self.command(words).output().expect("endboard starts");
            assert!(out.status.success(), "{words:?}: {}", String::from_utf8_lossy(&out.stderr));
        })
    }

    /// Seconds and peak memory in KiB of a rebuild.
    fn rebuild(&self, more: &[&str]) -> (f64, i64) {
        let start = Instant::now();
        let mut command = self.command(&["rebuild"]);
        let mut child =
            command.args(more).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("starts");
        let status = format!("/proc/{}/status", child.id());
        // The kernel's high-water mark vanishes with the process, so that the last reading before the end counts.
        let mut peak = 0;
        loop {
            let text = std::fs::read_to_string(&status).unwrap_or_default();
            let mark =
                text.lines().find_map(|l| l.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB")?.parse().ok());
            peak = peak.max(mark.unwrap_or(0));
            if let Some(exit) = child.try_wait().expect("the child is ours") {
                assert!(exit.success(), "the rebuild failed");
                return (start.elapsed().as_secs_f64(), peak);
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

/// Plates of a few lines are twice as wide as high, larger ones are 16 to 9.
fn width(height: u32) -> u32 {
    if height < 9 { height * 2 } else { height * 16 / 9 }
}

/// A smooth picture with grain, which follows from the name, so that no two plates are the same.
fn png(width: u32, height: u32, path: &Path) -> Vec<u8> {
    let mut seed = crc32fast::hash(path.to_string_lossy().as_bytes());
    let mut bytes = Vec::with_capacity((width * height * 3) as usize);
    for y in 0..height {
        for x in 0..width {
            for c in 0..3 {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                bytes.push((40 * c + 90 * x / width + 60 * y / height + (seed >> 29)) as u8);
            }
        }
    }
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header().and_then(|mut w| w.write_image_data(&bytes)).expect("a sound picture");
    out
}

fn median(times: usize, mut work: impl FnMut()) -> f64 {
    let mut all: Vec<f64> = (0..times)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64()
        })
        .collect();
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

fn has(program: &str) -> bool {
    let there = Command::new(program).arg("--version").output().is_ok();
    if !there {
        println!("notice: {program} is not installed and is not timed");
    }
    there
}

fn run(program: &str, words: &[&str], folder: &Path) {
    let out = Command::new(program).args(words).current_dir(folder).stdin(Stdio::null()).output();
    assert!(out.expect("it was found").status.success(), "{program} failed");
}

/// A first `status` reads all plates; b3sum reads them too and no more. What was remembered is thrown away in between.
fn hashing(film: &Film) {
    let forget = || drop(std::fs::remove_dir_all(film.folder.join(".endboard")));
    let first = || {
        forget();
        film.median(&["status"], 1)
    };
    let mut seconds: Vec<f64> = (0..5).map(|_| first()).collect();
    seconds.sort_by(f64::total_cmp);
    forget();
    row("status, which reads every plate for the first time", seconds[2]);
    if has("b3sum") {
        let words = ["plates", "-type", "f", "-exec", "b3sum", "{}", "+"];
        row("b3sum over the same files", median(5, || run("find", &words, &film.folder)));
    }
}

/// The same over plates as large as a camera's.
fn frames_hashed(folder: &Path) {
    let film = Film { folder: folder.join("frames-hashed"), shots: 4, frames: 96 };
    film.write(1080, "");
    let bytes: u64 = film.plates().iter().map(|p| std::fs::metadata(p).expect("a plate").len()).sum();
    println!("\n{:>9} MiB  in {} plates of 1920x1080", bytes >> 20, film.plates().len());
    hashing(&film);
    std::fs::remove_dir_all(&film.folder).expect("the film is ours");
}

fn nothing_changed(film: &Film) {
    row("status with nothing changed", film.median(&["status"], 5));
    let plates = film.plates();
    let stat = || {
        let there =
            plates.par_iter().with_min_len(64).filter(|p| rustix::fs::stat(p.as_path()).is_ok()).count();
        assert_eq!(there, plates.len());
    };
    row("a bare parallel stat of the plates", median(5, stat));
    if !has("ninja") {
        return;
    }
    let folder = film.folder.with_file_name("ninja");
    std::fs::create_dir_all(&folder).expect("a folder");
    // A generator's outputs are judged by their times alone, so that outputs made here count as made by ninja.
    let mut text = "rule copy\n  command = true\n  generator = 1\n".to_string();
    let mut outputs = Vec::new();
    for plate in &plates {
        let mut from = plate.display().to_string();
        for stage in 0..STAGES {
            let to = format!("{}.g{stage}", plate.file_name().expect("a name").to_string_lossy());
            writeln!(text, "build {to}: copy {from}").expect("a text takes all");
            from.clone_from(&to);
            outputs.push(to);
        }
    }
    std::fs::write(folder.join("build.ninja"), text).expect("a build file");
    outputs.par_chunks(STAGES).for_each(|stages| {
        stages.iter().for_each(|name| std::fs::write(folder.join(name), "").expect("an output"));
    });
    row("ninja with nothing to do, over as many edges", median(3, || run("ninja", &[], &folder)));
}

fn one_changed(film: &Film) {
    let status = film.median(&["status"], 3);
    let plate = &film.plates()[film.frames / 2];
    std::fs::write(plate, png(8, 4, Path::new("another"))).expect("a plate");
    let plan = film.median(&["rebuild", "--plan"], 3);
    row("plan after one plate frame changed, beyond status", plan - status);
    let out = film.command(&["rebuild", "--json"]).output().expect("endboard starts");
    let places = String::from_utf8_lossy(&out.stdout).matches('@').count();
    println!("{places:>12}  frames rendered for it, of {STAGES} stages and the assembly");
}

/// What people ask most, of a film in the midst of its work: eight people who look at three stages of every shot, of whom
/// every tenth shot's time is known, and a grade that was changed, so that most frames are stale.
fn with_people(film: &Film) {
    const STAGES_OF_HANDS: [&str; 3] = ["g0", "g2", "g4"];
    let names = ["ana", "tomas", "ines", "joren", "mara", "pello", "runa", "sorin"];
    let mut text = std::fs::read_to_string(film.folder.join("endboard.yaml")).expect("a declaration");
    text += "crew:\n  people:\n";
    for (at, name) in names.iter().enumerate() {
        writeln!(text, "    {name}: {{ hours: {}, does: [g0, g2, g4] }}", 4 + 3 * at)
            .expect("a text takes all");
    }
    text += "  machines:\n    shed: { hours: 168, side_by_side: 2 }\n  approved: [g0, g2, g4]\n";
    std::fs::write(film.folder.join("endboard.yaml"), text).expect("a declaration");
    let recipe = std::fs::read_to_string(film.folder.join("many.yaml")).expect("a recipe");
    std::fs::write(film.folder.join("many.yaml"), recipe.replace("exposure: 0.01", "exposure: 0.3"))
        .expect("a recipe");
    for (at, name) in names.iter().enumerate() {
        let mut ledger = Ledger::open(&film.folder.join("ledger"), name).expect("a ledger");
        for shot in (at..film.shots.div_ceil(10)).step_by(names.len()) {
            for stage in STAGES_OF_HANDS {
                ledger
                    .append(&worked(&format!("s{:05}", 10 * shot), stage, film.frames, name))
                    .expect("a row");
            }
        }
    }
    println!("\nthe same film with {} people in the midst of its work; medians of three", names.len());
    film.median(&["status"], 2);
    let page = film.folder.join("page.html");
    let page = page.to_string_lossy();
    for words in [
        &["status"][..],
        &["hours"],
        &["forecast"],
        &["forecast", "--more", "g0", "--faster", "g2=2", "--drop", "s00000"],
        &["page", "--out", &page],
    ] {
        let shown: Vec<&str> = words.iter().copied().take_while(|word| *word != "--out").collect();
        row(&shown.join(" "), film.median(words, 3));
    }
}

/// Two hours, a little more or less by shot, that somebody spent on all frames of a stage.
fn worked(shot: &str, stage: &str, frames: usize, person: &str) -> Row {
    let none: Arc<str> = "".into();
    let minutes = 60 + u64::from(crc32fast::hash(shot.as_bytes()) % 120);
    let worked = Worked {
        person: person.into(),
        took: Duration::from_secs(60 * minutes),
        began: None,
        round: None,
        cause: none.clone(),
        ends: None,
        packet: none.clone(),
        note: none,
    };
    Row {
        when: "2026-11-20T20:00:00Z".parse().expect("a time"),
        film: "The Brine Lamp".into(),
        shot: shot.into(),
        stage: stage.into(),
        frames: format!("1001-{}", 1000 + frames).parse().expect("frames"),
        by: person.into(),
        what: What::Crew(Crew::Worked(worked)),
    }
}

/// Two jobs against one over a shot of realistic frames, one after the other three times, so that the middle one of
/// three ratios stands even where other work comes in between.
fn jobs(folder: &Path) {
    const FRAMES: usize = 24;
    for height in [540, 1080] {
        let mut ratios: Vec<(f64, f64, f64)> = (0..3)
            .map(|round| {
                let [one, two] = ["1", "2"].map(|jobs| {
                    let name = format!("jobs-{height}-{round}-{jobs}");
                    let film = Film { folder: folder.join(name), shots: 1, frames: FRAMES };
                    film.write(height, "");
                    let (seconds, _) = film.rebuild(&["--jobs", jobs]);
                    std::fs::remove_dir_all(&film.folder).expect("the film is ours");
                    seconds
                });
                (one / two, one, two)
            })
            .collect();
        ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (ratio, one, two) = ratios[1];
        let width = height * 16 / 9;
        println!(
            "{ratio:>12.2}  two jobs against one ({one:.1} s, {two:.1} s; {FRAMES} frames at {width}x{height})"
        );
    }
}

/// Peaks of two films of which one has four times the frames, also where one call takes a whole shot.
fn memory(folder: &Path, shots: usize, frames: usize) {
    let call = "command: 'sh copy.sh {picture} {out}', each: shot";
    let copy = "for f in \"${1%/*}\"/picture.*; do cp \"$f\" \"${2%/*}/out.${f##*picture.}\"; done\n";
    for (what, command) in [("operators", ""), ("calls for a whole shot", call)] {
        for times in [1, 4] {
            let name = format!("memory-{times}-{}", command.len());
            let film = Film { folder: folder.join(name), shots: shots.min(4), frames: frames * times };
            film.write(540, command);
            std::fs::write(film.folder.join("copy.sh"), copy).expect("a script");
            let (seconds, peak) = film.rebuild(&["--memory", "64MB"]);
            std::fs::remove_dir_all(&film.folder).expect("the film is ours");
            let frames = film.edges();
            println!(
                "{:>9} MiB  peak, {what}, {frames} frames at 960x540 in {seconds:.1} s, of 61 MiB",
                peak >> 10
            );
        }
    }
}

/// What a call of an outside program costs beyond the program itself: rebuilds with and without a stage that copies by
/// `cp`, in turns, against starting `cp` over the same files with nothing around it.
fn commands(folder: &Path, frames: usize) {
    // Every turn has folders of its own: where many files were removed, some file systems are slow to make new ones.
    let film = |name: String, command: &str| {
        let film = Film { folder: folder.join(name), shots: 4, frames };
        film.write(4, command);
        film
    };
    let calls = 4 * frames;
    let each = |began: Instant| began.elapsed().as_secs_f64() / calls as f64;
    let (mut called, mut bare, mut start) = (Vec::new(), Vec::new(), Vec::new());
    for turn in 0..5 {
        let without = film(format!("no-calls-{turn}"), "");
        let with = film(format!("calls-{turn}"), "command: 'cp {picture} {out}'");
        let seconds = [&without, &with].map(|film| film.rebuild(&["--jobs", "1"]).0);
        called.push((seconds[1] - seconds[0]) / calls as f64);
        let from = without.folder.join("renders/s00000/g0/s00000.1001.exr");
        let from = from.to_string_lossy();
        let began = Instant::now();
        for n in 0..calls {
            run("cp", &[&from, &format!("copy.{n}.exr")], &without.folder);
        }
        bare.push(each(began));
        let began = Instant::now();
        (0..calls).for_each(|_| run("true", &[], &without.folder));
        start.push(each(began));
    }
    let [called, bare, start] = [called, bare, start].map(|mut all| {
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    });
    println!("\n{calls:>12} calls by a stage, one at a time, medians of five turns");
    row("a call of cp by a stage, its render stored", called);
    row("a bare start of cp with the same file", bare);
    row("a call beyond that", called - bare);
    row("a bare start of true", start);
}
