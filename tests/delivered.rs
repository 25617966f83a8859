//! What lies in a delivery, by the built program on small films, judged by `ffprobe` and by the samples themselves: leaders with their pops,
//! tags, timecode and channels.
//!
//! Expected moments and samples follow from rates and lengths; limits of picture and sound are Rec. ITU-R BT.1359-1's.

mod project;

use std::path::{Path, PathBuf};
use std::process::Command;

use endboard::deliver::encode::Tools;
use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use endboard::media::sound::{self, Sound, wave};
use endboard::programs::Runner;
use endboard::project::delivering::sync::{self, Synced};
use project::{Dice, Film};
use serde_json::Value;

/// Width and height: the least of VC-3 at any size, in even numbers.
const SIZE: (u32, u32) = (256, 144);
/// Frames of the film, at 24 a second.
const FRAMES: usize = 12;

const CUT: &str = "TITLE: LOCK 1
FCM: NON-DROP FRAME
001  br010  V  C  00:00:41:17 00:00:42:05 01:00:00:00 01:00:00:12
";

fn declared(layout: &str, cue: &str, deliveries: &str) -> String {
    let (width, height) = SIZE;
    format!(
        "film: The Brine Lamp
rate: 24
frame_size: {width}x{height}
cut: cut.edl
plates:
  shed: {{ files: plates/shed.####.exr, frames: 1001-1012, encoding: linear-rec709 }}
shots:
  br010: {{ plate: shed, frames: 1001-1012, stages: {{ colour: {{ operator: grade }} }} }}
assembly: {{}}
prints:
  review: {{ leader: 3, tail: 2 }}
sound:
  layout: {layout}
  buses: {{ effects: {{}} }}
  target: {{ loudness: -30 }}
  cues:
    bed: {{ bus: effects, at: br010@1001, clip: sounds/rustle.wav, for: 0.5{cue} }}
deliveries:
{deliveries}"
    )
}

/// A film of one shot: light that moves softly, and a rustle.
fn film(layout: &str, cue: &str, deliveries: &str) -> Film {
    let film = Film::new();
    film.write("cut.edl", CUT);
    let mut dice = Dice(5);
    let samples = (0..24_000).map(|_| (dice.below(20_001) as f32 / 10_000.0 - 1.0) * 0.25).collect();
    film.write("sounds/rustle.wav", wave::plain(&Sound { rate: 48_000, channels: vec![samples] }).unwrap());
    for frame in 1001..1001 + FRAMES as i64 {
        let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
        for y in 0..SIZE.1 {
            let light = |x: u32| 0.3 + 0.1 * ((x + y) as f32 / 40.0 + frame as f32 / 6.0).sin();
            let row: Vec<f32> = (0..SIZE.0).map(light).collect();
            (0..3).for_each(|channel| image.write_row(channel, y, &row));
            image.write_row(3, y, &vec![1.0; SIZE.0 as usize]);
        }
        film.write(&format!("plates/shed.{frame}.exr"), exr::encode(&image, Compression::Zip, &[]).unwrap());
    }
    film.write("endboard.yaml", declared(layout, cue, deliveries));
    film.rebuild(&[]).well();
    film
}

/// What came of every delivery, by name.
#[track_caller]
fn deliver(film: &Film) -> Vec<(String, Value)> {
    let all = film.json(&["deliver"]);
    let named = all["deliveries"].as_array().unwrap_or_else(|| panic!("{all}")).iter();
    named.map(|one| (one["name"].as_str().unwrap().to_string(), one.clone())).collect()
}

fn file(film: &Film, name: &str, ending: &str) -> PathBuf {
    film.path().join(format!("deliveries/{name}/The-Brine-Lamp-{name}.{ending}"))
}

/// What `ffprobe` says of a file's streams.
fn streams(path: &Path) -> Value {
    let output = Command::new("ffprobe")
        .args(["-v", "error", "-show_streams", "-show_format", "-of", "json", path.to_str().unwrap()])
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

fn stream<'a>(told: &'a Value, kind: &str) -> &'a Value {
    let all = told["streams"].as_array().unwrap();
    all.iter().find(|stream| stream["codec_type"] == kind).unwrap_or_else(|| panic!("{kind}: {told}"))
}

/// Runs `ffmpeg`; it must succeed.
#[track_caller]
fn ffmpeg(words: &[&str]) {
    let output = Command::new("ffmpeg").args(["-v", "error", "-y"]).args(words).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[track_caller]
fn measured(path: &Path) -> Synced {
    sync::movie(path, None, &Tools::default(), &Runner::alone().unwrap()).unwrap()
}

const REVIEW: &str = "  keep: { movie: ffv1, picture: film/review, sound: mix }
  web: { movie: h264, picture: film/review, sound: mix }
  still: { frames: png, picture: film/review, sound: mix }
  light: { frames: exr, picture: film/review, sound: mix }
";

#[test]
fn a_leaders_pop_is_seen_and_heard_in_what_was_delivered() {
    let film = film("stereo", "", REVIEW);
    for (name, made) in deliver(&film) {
        assert_eq!(made["came"], "made", "{made}");
        // A coder with losses smears the first sample; the others keep it.
        let most = if name == "web" { 1.0 } else { 0.03 };
        let sync = &made["sync"];
        assert!(sync["early_ms"].as_f64().unwrap().abs() < most, "{name}: {sync}");
        // Three seconds of leader: the pop is a second after the beginning.
        assert_eq!((&sync["frame"], &sync["noticed"]), (&25.into(), &false.into()), "{name}");
        let folder = film.path().join("deliveries").join(&name);
        let checked = film.json(&["deliver", "--check", folder.to_str().unwrap()]);
        assert_eq!(checked["as_listed"], true, "{checked}");
        assert!(checked["sync"][0]["early_ms"].as_f64().unwrap().abs() < most, "{name}: {checked}");
        let text = film.text(&format!("deliveries/{name}/report.txt"));
        assert!(text.contains("BT.1359") && text.contains("the pop is seen at 1.000 s"), "{text}");
    }
    let path = file(&film, "still", "wav");
    let wav = sound::read(std::fs::File::open(&path).unwrap()).unwrap();
    let outline = sound::outline(std::fs::File::open(&path).unwrap()).unwrap();
    // Leader, film and tail of 72, 12 and 48 frames, each of 2000 samples; 00:59:57:00 is 3597 s after midnight.
    assert_eq!((wav.len(), outline.since_midnight), (264_000, Some(3597 * 48_000)));
    let mix = sound::read(std::fs::File::open(film.path().join("renders/film/mix/film.0001.wav")).unwrap());
    let mix = mix.unwrap();
    for (plane, own) in wav.channels.iter().zip(&mix.channels) {
        let is_silent = |of: std::ops::Range<usize>| plane[of].iter().all(|&v| v == 0.0);
        assert!(is_silent(0..48_001) && is_silent(50_000..144_000) && is_silent(168_000..262_001));
        for pop in [&plane[48_001..50_000], &plane[262_001..264_000]] {
            let peak = pop.iter().fold(0.0f32, |peak, v| peak.max(v.abs()));
            assert!((peak - 0.1).abs() < 1e-3, "-20 dB of full scale: {peak}");
        }
        assert!(plane[144_000..168_000].iter().zip(own).all(|(a, b)| *a == wave::at_24_bits(*b)));
    }
    let inspected = film.json(&["inspect", "film/review"]);
    assert_eq!(inspected["sync"][0]["at"], "film/review@86352", "{inspected:#}");
    assert!(inspected["sync"][0]["early_ms"].as_f64().unwrap().abs() < 0.03, "{inspected:#}");
}

#[test]
fn a_sound_that_was_moved_is_measured_to_a_millisecond() {
    let film = film("stereo", "", "  keep: { movie: ffv1, picture: film/review, sound: mix }\n");
    assert_eq!(deliver(&film)[0].1["came"], "made");
    let kept = file(&film, "keep", "mkv");
    let kept = kept.to_str().unwrap();
    // Later sound is moved itself; for earlier sound the picture is.
    for (late, noticed, accepted) in [
        (0.020, false, true),
        (0.140, true, true),
        (0.250, true, false),
        (-0.030, false, true),
        (-0.060, true, true),
        (-0.120, true, false),
    ] {
        let by = f64::abs(late).to_string();
        let to = film.path().join("moved.mkv");
        let inputs = match late > 0.0 {
            true => ["-i", kept, "-itsoffset", &by, "-i", kept],
            false => ["-itsoffset", &by, "-i", kept, "-i", kept],
        };
        let inputs: Vec<&str> = inputs.to_vec();
        ffmpeg(&[&inputs[..], &["-map", "0:v", "-map", "1:a", "-c", "copy", to.to_str().unwrap()]].concat());
        let offset = measured(&to).offset;
        assert!((offset.early + late * 1000.0).abs() < 1.0, "{late}: {offset:?}");
        assert_eq!((offset.is_noticed(), offset.is_accepted()), (noticed, accepted), "{offset:?}");
    }
}

/// What a coder puts before the sound is 1024 samples here (ISO/IEC 14496-3: a frame of AAC), told by the MP4's edit list. A file that
/// has lost it plays them.
#[test]
fn a_coders_delay_that_is_not_told_is_measured() {
    let film = film("stereo", "", "  web: { movie: h264, picture: film/review, sound: mix }\n");
    assert_eq!(deliver(&film)[0].1["came"], "made");
    let web = file(&film, "web", "mp4");
    assert!(measured(&web).offset.early.abs() < 1.0);
    let (bare, lost) = (film.path().join("bare.aac"), film.path().join("lost.mp4"));
    let (web, bare, lost) = (web.to_str().unwrap(), bare.to_str().unwrap(), lost.to_str().unwrap());
    ffmpeg(&["-i", web, "-map", "0:a", "-c", "copy", bare]);
    ffmpeg(&["-i", web, "-i", bare, "-map", "0:v", "-map", "1:a", "-c", "copy", lost]);
    let early = measured(Path::new(lost)).offset.early;
    assert!((early + 1024.0 / 48.0).abs() < 1.0, "{early}");
}

#[test]
fn a_folder_whose_sound_was_moved_is_not_as_it_should_be() {
    let film = film("stereo", "", "  still: { frames: png, picture: film/review, sound: mix }\n");
    assert_eq!(deliver(&film)[0].1["came"], "made");
    let path = file(&film, "still", "wav");
    let mut wav = sound::read(std::fs::File::open(&path).unwrap()).unwrap();
    for plane in &mut wav.channels {
        plane.rotate_right(7200);
        // The tail's pop does not come round to the beginning.
        plane[..7200].fill(0.0);
    }
    let bytes = std::fs::File::create(&path).unwrap();
    wave::write(
        bytes,
        &wav,
        wave::Depth::Bits24,
        &wave::Bext { time_reference: 3597 * 48_000, ..Default::default() },
    )
    .unwrap();
    let folder = film.path().join("deliveries/still");
    let (code, said) = film.said(&["deliver", "--check", folder.to_str().unwrap()]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("still.wav: changed") && said.contains("-150.0 ms, -3.60 frames"), "{said}");
}

#[test]
fn each_coding_says_of_itself_what_it_is() {
    let film = film(
        "stereo",
        "",
        "  a: { movie: vc-3, sound: mix }
  b: { movie: rdd-36, sound: mix }
  c: { movie: av1, sound: mix }
  d: { movie: av1, colour: pq, sound: mix }
  e: { movie: vc-3, colour: hlg }
  f: { frames: png, colour: pq }
  g: { frames: png, colour: hlg }
",
    );
    for (name, made) in deliver(&film) {
        assert_eq!(made["came"], "made", "{name}: {made}");
    }
    // Names of codings are ffprobe's; primaries and curves are those of BT.709, BT.2100 PQ and BT.2100 HLG.
    for (name, ending, coding, pixels, colour, sound) in [
        ("a", "mov", "dnxhd", "yuv422p10le", ["bt709", "bt709", "bt709"], "pcm_s24le"),
        ("b", "mov", "prores", "yuv422p10le", ["bt709", "bt709", "bt709"], "pcm_s24le"),
        ("c", "mp4", "av1", "yuv420p10le", ["bt709", "bt709", "bt709"], "aac"),
        ("d", "mp4", "av1", "yuv420p10le", ["bt2020", "smpte2084", "bt2020nc"], "aac"),
        ("e", "mov", "dnxhd", "yuv422p10le", ["bt2020", "arib-std-b67", "bt2020nc"], ""),
    ] {
        let told = streams(&file(&film, name, ending));
        let picture = stream(&told, "video");
        assert_eq!((&picture["codec_name"], &picture["pix_fmt"]), (&coding.into(), &pixels.into()), "{name}");
        let tags = ["color_primaries", "color_transfer", "color_space"].map(|tag| picture[tag].clone());
        assert_eq!(tags, colour.map(Value::from), "{name}");
        assert_eq!((&picture["width"], &picture["r_frame_rate"]), (&SIZE.0.into(), &"24/1".into()), "{name}");
        assert!(told.to_string().contains(r#""timecode":"01:00:00:00""#), "{name}: {told}");
        if !sound.is_empty() {
            let heard = stream(&told, "audio");
            assert_eq!(
                (&heard["codec_name"], &heard["channel_layout"]),
                (&sound.into(), &"stereo".into()),
                "{name}"
            );
            assert_eq!(heard["sample_rate"], "48000", "{name}");
        }
    }
    // A PNG's colour is its chunk cICP: primaries, curve, matrix and range by the numbers of Rec. ITU-T H.273.
    for (name, numbers) in [("f", [9, 16, 0, 1]), ("g", [9, 18, 0, 1])] {
        let bytes =
            std::fs::read(film.path().join(format!("deliveries/{name}/The-Brine-Lamp-{name}.0001.png")));
        let bytes = bytes.unwrap();
        let at = bytes.windows(4).position(|four| four == b"cICP").expect("a chunk of that name");
        assert_eq!(bytes[at + 4..at + 8], numbers, "{name}");
    }
}

#[test]
fn five_channels_and_one_keep_their_places() {
    let film = film(
        "5.1",
        ", pan: { 1: -1, 12: 1 }",
        "  master: { frames: png, sound: mix }
  keep: { movie: rdd-36, sound: mix }
  web: { movie: h264, picture: film/review, sound: mix }
",
    );
    let all = deliver(&film);
    for (name, made) in &all {
        assert_eq!(made["came"], "made", "{name}: {made}");
    }
    let wav = sound::read(std::fs::File::open(file(&film, "master", "wav")).unwrap()).unwrap();
    assert_eq!((wav.channels.len(), wav.len()), (6, 24_000));
    for (name, ending, coding) in
        [("master", "wav", "pcm_s24le"), ("keep", "mov", "pcm_s24le"), ("web", "mp4", "aac")]
    {
        let told = streams(&file(&film, name, ending));
        let heard = stream(&told, "audio");
        assert_eq!((&heard["codec_name"], &heard["channels"]), (&coding.into(), &6.into()), "{name}");
        let layout = heard["channel_layout"].as_str().unwrap();
        assert!(layout == "5.1" || layout == "5.1(side)", "{name}: {layout}");
    }
    // Each channel of the movie is the one of the film, by its level.
    let mix = sound::read(std::fs::File::open(film.path().join("renders/film/mix/film.0001.wav")).unwrap());
    let mix = mix.unwrap();
    let level = |plane: &[f32]| (plane.iter().map(|v| f64::from(v * v)).sum::<f64>() / 24_000.0).sqrt();
    let kept = endboard::deliver::verify::moments::sound(
        &file(&film, "keep", "mov"),
        (6, 48_000),
        None,
        &Tools::default(),
        &Runner::alone().unwrap(),
    )
    .unwrap();
    for (c, (a, b)) in kept.channels.iter().zip(&mix.channels).enumerate() {
        assert!((level(a) - level(b)).abs() < 1e-6, "channel {c}");
    }
    let sync = &all[2].1["sync"];
    assert!(sync["early_ms"].as_f64().unwrap().abs() < 1.0, "{sync}");
}
