//! Times the mix of 200 cues over fifteen minutes and its loudness on one thread, beside ffmpeg's sum of the same clips and
//! pyloudnorm's measure: `cargo bench --bench mix`.
//!
//! Knows cues with a gain, a place and fades, in stereo at 48 kHz. Prints how many times as fast as it is heard. The peers are left
//! out where ffmpeg, or a Python with pyloudnorm named by `ENDBOARD_PYTHON`, is not there. Does not judge.

mod clock;

use std::collections::BTreeMap;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Instant;

use endboard::base::problem::{SourceId, Span};
use endboard::base::rate::Rate;
use endboard::base::value::Map;
use endboard::base::yaml;
use endboard::media::sound::{CLIP, Outline, Sound, SoundFormat, wave};
use endboard::operators::sound::blocks::Blocks;
use endboard::operators::sound::bus::{Bus, Others, Placed};
use endboard::operators::sound::cue::{Cue, Plays};
use endboard::operators::sound::{Heard, PreparedSound, loudness};
use endboard::operators::{Setup, WorkingSpace};

const SECONDS: i64 = 900;
const CUES: i64 = 200;
const CLIPS: usize = 8;
const RATE: u32 = 48_000;

/// Noise of ten seconds, mono or stereo.
fn clip(number: usize) -> Sound {
    let mut state = number as u32 + 1;
    let mut plane = || {
        (0..10 * RATE)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1 << 24) as f32 * 0.2 - 0.1
            })
            .collect()
    };
    Sound { rate: RATE, channels: (0..=number % 2).map(|_| plane()).collect() }
}

fn setup<'a>(
    map: &'a Map,
    files: &'a BTreeMap<String, endboard::operators::Attachment>,
    blocks: &Blocks,
) -> Setup<'a> {
    Setup {
        settings: map,
        span: Span::new(SourceId(0), 0, 0),
        files,
        frames: blocks.all(),
        frame_size: (1920, 1080),
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[],
        cut: &[],
    }
}

fn map(text: &str) -> Map {
    let (value, problems) = yaml::parse(SourceId(0), text);
    assert!(problems.is_empty(), "{problems:?}");
    value.and_then(|value| value.map().cloned()).expect("a map")
}

/// Where a cue begins, in seconds.
fn begins(cue: i64) -> f64 {
    (cue * 4_391 % (SECONDS - 12) * 1000) as f64 / 1000.0
}

fn bus(clips: &[Sound], settings: &str, blocks: &Blocks) -> Bus {
    let files = BTreeMap::new();
    let placed = |cue: i64| {
        let input = cue as usize % CLIPS;
        let clip = &clips[input];
        let outline = Outline {
            format: SoundFormat::Wave,
            rate: clip.rate,
            channels: clip.channels.len(),
            samples: Some(clip.len() as u64),
            since_midnight: None,
            is_late: false,
        };
        let map = map("{ gain: -6, fade_in: 0.5, fade_out: 1, pan: 0.3 }");
        let (cue_of, _) =
            Cue::read(&setup(&map, &files, blocks), *blocks, 2, Plays::Clip(outline)).expect("a cue");
        Placed { start: (begins(cue) * f64::from(RATE)) as i64, input: Some(input), cue: cue_of }
    };
    let map = map(settings);
    let others = Others { room: None, under: None };
    let ready = Bus::read(&setup(&map, &files, blocks), *blocks, 2, (0..CUES).map(placed).collect(), &others);
    ready.expect("a bus").0
}

/// All blocks, one after the other.
fn mixed(bus: &Bus, clips: &[Sound], blocks: &Blocks) -> Sound {
    let shared: Vec<Arc<Sound>> = clips.iter().map(|clip| Arc::new(clip.clone())).collect();
    let mut whole = Sound::silent(RATE, 2, 0);
    for block in blocks.all().iter() {
        let mut heard: Vec<Heard> = vec![Vec::new(); CLIPS];
        bus.each_reach(block, &mut |input, _| heard[input] = vec![(CLIP, Arc::clone(&shared[input]))]);
        let part = bus.apply(&heard, block).expect("a block");
        whole.channels.iter_mut().zip(part.channels).for_each(|(to, from)| to.extend(from));
    }
    whole
}

/// Seconds that ffmpeg takes for the same sum on one thread; none where it is not installed.
fn ffmpeg(clips: &[Sound], folder: &std::path::Path) -> Option<f64> {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-y", "-filter_threads", "1", "-filter_complex_threads", "1"]);
    for (i, clip) in clips.iter().enumerate() {
        std::fs::write(folder.join(format!("{i}.wav")), wave::plain(clip).ok()?).ok()?;
    }
    let (mut graph, mut names) = (String::new(), String::new());
    for cue in 0..CUES {
        let file = folder.join(format!("{}.wav", cue as usize % CLIPS));
        command.arg("-i").arg(file);
        let late = (begins(cue) * 1000.0) as i64;
        graph += &format!(
            "[{cue}]aformat=channel_layouts=stereo,volume=-6dB,afade=in:d=0.5,afade=out:st=9:d=1,adelay={late}|{late}[c{cue}];"
        );
        names += &format!("[c{cue}]");
    }
    graph += &format!("{names}amix=inputs={CUES}:normalize=0");
    command.args(["-filter_complex", &graph, "-f", "f32le", "-t", &SECONDS.to_string(), "-"]);
    let began = Instant::now();
    let run = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status().ok()?;
    run.success().then(|| began.elapsed().as_secs_f64())
}

fn main() {
    let blocks = Blocks { rate: Rate::new(24, 1), sampling: RATE, frames: SECONDS * 24 };
    let clips: Vec<Sound> = (0..CLIPS).map(clip).collect();
    let folder = tempfile::tempdir().expect("a folder");
    println!("{CUES} cues over {SECONDS} s, stereo, one thread: times as fast as it is heard");
    let print = |name: &str, seconds: f64| println!("{:8.0}  {name}", SECONDS as f64 / seconds);
    let plain = bus(&clips, "{}", &blocks);
    let first = clock::median(1, || drop(std::hint::black_box(mixed(&plain, &clips, &blocks)))) / 1e3;
    let peer = ffmpeg(&clips, folder.path());
    let again = clock::median(1, || drop(std::hint::black_box(mixed(&plain, &clips, &blocks)))) / 1e3;
    print("mixed", first.min(again));
    match peer {
        Some(seconds) => print("ffmpeg: delayed, faded and summed", seconds),
        None => println!("not compared: ffmpeg is not installed"),
    }
    let work = "{ filters: [ { high-pass: 80 }, { bell: 2500, gain: -3 } ], compress: { threshold: -20, ratio: 3 } }";
    let work = bus(&clips, work, &blocks);
    print(
        "mixed, filtered and compressed",
        clock::median(1, || drop(std::hint::black_box(mixed(&work, &clips, &blocks)))) / 1e3,
    );
    let whole = mixed(&plain, &clips, &blocks);
    let file = folder.path().join("mix.wav");
    std::fs::write(&file, wave::plain(&whole).expect("a file")).expect("room");
    let measured = || {
        let work = || {
            std::hint::black_box(loudness::measure(&whole));
        };
        clock::median(1, work) / 1e3
    };
    let first = measured();
    let peer = clock::peers("loudness_check.py", &["time", &file.to_string_lossy()]);
    print("loudness, range, momentary, short-term and true peak", first.min(measured()));
    match peer.trim().parse::<f64>() {
        Ok(seconds) => print("pyloudnorm: integrated loudness alone", seconds),
        Err(_) => println!("not compared: ENDBOARD_PYTHON names no Python with pyloudnorm"),
    }
}
