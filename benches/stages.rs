//! Times shots of five stages at 1080p, frame by frame through all stages, against the same operators one stage after the
//! other through EXR files: `cargo bench --bench stages`.
//!
//! Knows two shots: five corrections of colour, and mattes, blades and corrections. Both ways read the same EXR plates,
//! write with the same compression, take memory from the same allocator and run on as many threads. Prints frames a
//! second; does not judge.

mod picture;

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Instant;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::exr::{Compression, decode_image, encode};
use endboard::media::image::{Image, RGBA};
use endboard::operators::{Attachment, Connected, Inputs, Prepared, Setup, WorkingSpace, named};

/// The program's own: with the system's, the way through files would spend a quarter of its time on clearing memory.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// `mi_option_purge_delay` of mimalloc.h; see src/main.rs.
const PURGE_DELAY: libmimalloc_sys::mi_option_t = 15;

const SIZE: (u32, u32) = (1920, 1080);
const FRAMES: i64 = 24;

/// A stage: its name, its operator, its settings as written in YAML, and the stages that its ports take, in order.
struct Stage {
    name: &'static str,
    operator: &'static str,
    settings: &'static str,
    from: &'static [(&'static str, &'static str)],
}

const fn colour(
    name: &'static str,
    before: &'static [(&'static str, &'static str)],
    settings: &'static str,
) -> Stage {
    Stage { name, operator: "grade", settings, from: before }
}

const COLOURS: [Stage; 5] = [
    colour("even", &[("picture", "plate")], "exposure: 0.1"),
    colour("warm", &[("picture", "even")], "slope: [1.1, 1, 0.9]"),
    colour("lift", &[("picture", "warm")], "offset: [0.01, 0, -0.01]"),
    colour("calm", &[("picture", "lift")], "saturation: 0.9"),
    colour("out", &[("picture", "calm")], "power: [0.95, 1, 1.05]"),
];

const DUEL: [Stage; 5] = [
    colour("even", &[("picture", "plate")], "exposure: 0.1"),
    Stage { name: "roto", operator: "roto", settings: "shapes: shapes.yaml", from: &[] },
    Stage {
        name: "blades",
        operator: "blades",
        settings: "width: 14",
        from: &[("picture", "even"), ("shapes", "roto"), ("holdout", "roto.actors")],
    },
    colour("warm", &[("picture", "blades")], "slope: [1.1, 1, 0.9]"),
    colour("out", &[("picture", "warm")], "power: [0.95, 1, 1.05]"),
];

const SHAPES: &str = "
mattes:
  actors:
    shapes:
      - keys:
          1001: [[700, 300], [900, 280], [960, 900], [680, 920]]
          1024: [[760, 300], [960, 280], [1020, 900], [740, 920]]
rods:
  keeper: { keys: { 1001: { base: [600, 700], tip: [900, 200] }, 1024: { base: [700, 700], tip: [1300, 300] } } }
  raker: { keys: { 1001: { base: [1300, 700], tip: [1000, 220] }, 1024: { base: [1250, 700], tip: [900, 300] } } }
";

fn main() {
    // SAFETY: the allocator takes options at any time, from one thread.
    unsafe { libmimalloc_sys::mi_option_set(PURGE_DELAY, -1) };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let plates = folder.path().join("plates");
    std::fs::create_dir_all(&plates).expect("a folder");
    for n in 1001..1001 + FRAMES {
        save(&picture::waves(SIZE.0, SIZE.1, n as u64), &plates, "p", n);
    }
    println!(
        "{}x{}, {FRAMES} frames, five stages; frames a second, the middle one of three turns",
        SIZE.0, SIZE.1
    );
    for (what, stages) in [("corrections of colour", &COLOURS), ("mattes, blades and colour", &DUEL)] {
        for jobs in [1, 2] {
            let mut turns: Vec<[f64; 3]> = (0..3).map(|_| turn(folder.path(), stages, jobs)).collect();
            turns.sort_by(|a, b| (a[2] / a[0]).total_cmp(&(b[2] / b[0])));
            let [through, kept, apart] = turns[1].map(|seconds| FRAMES as f64 / seconds);
            println!(
                "{through:8.2} of the last stage alone, {kept:6.2} of all stages kept, {apart:6.2} stage by stage: \
                 {:.2} and {:.2} times as fast; {what}, {jobs} at once",
                through / apart,
                kept / apart
            );
        }
    }
}

/// Seconds of the three ways.
fn turn(folder: &Path, stages: &[Stage], jobs: usize) -> [f64; 3] {
    [
        rebuilt(folder, stages, jobs, false),
        rebuilt(folder, stages, jobs, true),
        by_stage(folder, stages, jobs),
    ]
}

fn save(image: &Image, folder: &Path, name: &str, n: i64) {
    let bytes = encode(image, Compression::Zip, &[]).expect("a sound picture");
    std::fs::write(folder.join(format!("{name}.{n}.exr")), bytes).expect("a writable folder");
}

fn rebuilt(folder: &Path, stages: &[Stage], jobs: usize, keep: bool) -> f64 {
    let film = folder.join("film");
    std::fs::create_dir_all(&film).expect("a folder");
    std::os::unix::fs::symlink(folder.join("plates"), film.join("plates")).expect("a link");
    let last = 1000 + FRAMES;
    let mut text = format!("film: The Brine Lamp\nrate: 24\nframe_size: {}x{}\nplates:\n", SIZE.0, SIZE.1);
    writeln!(text, "  p: {{ files: plates/p.####.exr, frames: 1001-{last}, encoding: linear-rec709 }}")
        .expect("text");
    writeln!(text, "shots:\n  br020:\n    plate: p\n    frames: 1001-{last}\n    stages:").expect("text");
    for (i, stage) in stages.iter().enumerate() {
        let from: Vec<String> = stage.from.iter().map(|(port, from)| format!("{port}: {from}")).collect();
        let keep = if keep || i + 1 == stages.len() { "" } else { ", keep: false" };
        let from = if from.is_empty() { String::new() } else { format!(", from: {{ {} }}", from.join(", ")) };
        writeln!(
            text,
            "      {}: {{ operator: {}, {}{from}{keep} }}",
            stage.name, stage.operator, stage.settings
        )
        .expect("text");
    }
    std::fs::write(film.join("endboard.yaml"), text).expect("a declaration");
    std::fs::write(film.join("shapes.yaml"), SHAPES).expect("shapes");
    let start = Instant::now();
    let out = Command::new(env!("CARGO_BIN_EXE_endboard"))
        .arg("-C")
        .arg(&film)
        .args(["rebuild", "--jobs", &jobs.to_string()])
        .stdin(Stdio::null())
        .output()
        .expect("endboard starts");
    let seconds = start.elapsed().as_secs_f64();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    std::fs::remove_dir_all(&film).expect("the film is ours");
    seconds
}

/// Every frame of a stage is read, made and written before the next stage begins.
fn by_stage(folder: &Path, stages: &[Stage], jobs: usize) -> f64 {
    let start = Instant::now();
    let made = folder.join("by-stage");
    let place = |from: &str| match from {
        "plate" => (folder.join("plates"), "p".to_string()),
        stage => (made.clone(), stage.to_string()),
    };
    std::fs::create_dir_all(&made).expect("a folder");
    for stage in stages {
        let ready = prepared(stage);
        let inputs: Vec<(PathBuf, String)> = stage
            .from
            .iter()
            .filter(|(port, _)| *port != "shapes")
            .map(|(_, from)| place(from.split('.').next().expect("a stage")))
            .collect();
        let next = AtomicI64::new(1001);
        std::thread::scope(|scope| {
            for _ in 0..jobs {
                scope.spawn(|| {
                    loop {
                        let n = next.fetch_add(1, Ordering::Relaxed);
                        if n > 1000 + FRAMES {
                            break;
                        }
                        let read = |(folder, name): &(PathBuf, String)| {
                            let bytes =
                                std::fs::read(folder.join(format!("{name}.{n}.exr"))).expect("made before");
                            vec![(n, Arc::new(decode_image(&bytes).expect("own file")))]
                        };
                        let frames: Vec<_> = inputs.iter().map(read).collect();
                        let image =
                            ready.apply(&Inputs { frames: &frames, raster: None }, n).expect("sound inputs");
                        save(&image, &made, stage.name, n);
                    }
                });
            }
        });
    }
    let seconds = start.elapsed().as_secs_f64();
    std::fs::remove_dir_all(&made).expect("the folder is ours");
    seconds
}

fn prepared(stage: &Stage) -> Box<dyn Prepared> {
    let operator = named(stage.operator).expect("an operator");
    let text = if stage.operator == "roto" { "{}" } else { stage.settings };
    let (value, _) = yaml::parse(SourceId(0), text);
    let settings = value.and_then(|v| v.map().cloned()).expect("settings are a map");
    let mut files = BTreeMap::new();
    if stage.operator != "grade" {
        let bytes = SHAPES.as_bytes().into();
        files.insert("shapes".to_string(), Attachment { path: "shapes.yaml".into(), bytes, source: None });
    }
    let ports = operator.spec().ports;
    let connect = |(port, from): &(&str, &str)| {
        let channel = from.split_once('.').map(|(_, channel)| vec![channel.into()]);
        Connected {
            port: ports.iter().position(|p| p.name == *port).expect("a port"),
            name: String::new(),
            channels: channel.unwrap_or_else(|| RGBA.iter().map(|&c| c.into()).collect()),
            frames: FrameRange::new(1001, 1000 + FRAMES),
        }
    };
    let inputs: Vec<Connected> =
        stage.from.iter().filter(|(port, _)| *port != "shapes").map(connect).collect();
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &files,
        frames: FrameRange::new(1001, 1000 + FRAMES),
        frame_size: SIZE,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &inputs,
        cut: &[],
    };
    operator.prepare(&setup).unwrap_or_else(|problems| panic!("{problems:?}"))
}
