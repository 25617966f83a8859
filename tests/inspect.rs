//! `inspect` on small films with faults that are known: each is found once, with its shot, frame and timecode, and nothing else.
//!
//! Knows how the films are drawn and heard. Limits are the usual ones but where a test says so.

mod project;

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use endboard::media::sound::{Sound, wave};
use half::f16;
use project::{Dice, Film};
use serde_json::Value;

/// Width and height of a frame.
const SIZE: (u32, u32) = (64, 36);
/// First and last frame of either shot.
const FRAMES: (i64, i64) = (1001, 1060);

/// At 24: film frame 1 is 01:00:00:00, br010 is film 1-60 and br020 film 61-120.
const CUT: &str = "TITLE: LOCK 1
FCM: NON-DROP FRAME
001  br010  V  C  00:00:41:17 00:00:44:05 01:00:00:00 01:00:02:12
002  br020  V  C  00:00:41:17 00:00:44:05 01:00:02:12 01:00:05:00
";

/// At 29.97, across a minute whose first two labels are dropped.
const DROP: &str = "TITLE: LOCK 1
FCM: DROP FRAME
001  br010  V  C  00:00:33;11 00:00:35;11 01:00:58;00 01:01:00;02
002  br020  V  C  00:00:33;11 00:00:35;11 01:01:00;02 01:01:02;02
";

/// A wave that moves on by a pixel a frame: light of a place at a frame.
fn wave_of(x: f32, y: f32, frame: i64) -> f32 {
    0.3 + 0.1 * (std::f32::consts::TAU * (x + 0.3 * y + frame as f32) / 40.0).sin()
}

/// An opaque grey picture.
fn drawn(light: impl Fn(f32, f32) -> f32) -> Image {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0).map(|x| light(x as f32, y as f32)).collect();
        (0..3).for_each(|channel| image.write_row(channel, y, &row));
        image.write_row(3, y, &vec![1.0; SIZE.0 as usize]);
    }
    image
}

fn put(film: &Film, shot: &str, frame: i64, image: &Image) {
    film.write(&format!("plates/{shot}.{frame}.exr"), exr::encode(image, Compression::None, &[]).unwrap());
}

/// Two channels of noise, which differ.
fn rustle(seconds: f64, level: f32) -> Sound {
    let mut dice = Dice(7);
    let count = (seconds * 48_000.0) as usize;
    let plane = |dice: &mut Dice| -> Vec<f32> {
        (0..count).map(|_| (dice.below(20_001) as f32 / 10_000.0 - 1.0) * level).collect()
    };
    let channels = vec![plane(&mut dice), plane(&mut dice)];
    Sound { rate: 48_000, channels }
}

/// A film of two shots that move, with sound from beginning to end.
struct Made {
    rate: &'static str,
    cut: &'static str,
    target: &'static str,
    cues: &'static str,
    more: &'static str,
}

const CLEAN: Made = Made {
    rate: "24",
    cut: CUT,
    target: "{ loudness: -23 }",
    cues: "    bed: { bus: effects, at: br010@1001, clip: sounds/rustle.wav, for: 5 }\n",
    more: "",
};

impl Made {
    fn film(&self) -> Film {
        let film = Film::new();
        let (first, last) = FRAMES;
        let (width, height) = SIZE;
        let shots: String = ["br010", "br020"]
            .iter()
            .map(|shot| format!("  {shot}: {{ plate: {shot}, frames: {first}-{last}, stages: {{ colour: {{ operator: grade }} }} }}\n"))
            .collect();
        let plates: String = ["br010", "br020"]
            .iter()
            .map(|shot| format!("  {shot}: {{ files: 'plates/{shot}.####.exr', frames: {first}-{last}, encoding: linear-rec709 }}\n"))
            .collect();
        film.write(
            "endboard.yaml",
            format!(
                "film: The Brine Lamp\nrate: {}\nframe_size: {width}x{height}\ncut: cut.edl\nplates:\n{plates}shots:\n{shots}assembly: {{}}\n\
                 sound:\n  buses: {{ effects: {{}} }}\n  target: {}\n  cues:\n{}{}",
                self.rate, self.target, self.cues, self.more
            ),
        );
        film.write("cut.edl", self.cut);
        film.write("sounds/rustle.wav", wave::plain(&rustle(6.0, 0.25)).unwrap());
        for frame in first..=last {
            put(&film, "br010", frame, &drawn(|x, y| wave_of(x, y, frame)));
            put(&film, "br020", frame, &drawn(|x, y| wave_of(y, x, frame)));
        }
        film
    }
}

/// Weight, kind, stage with frames, shots with frames, and timecode of each finding.
fn told(json: &Value) -> Vec<String> {
    let one = |found: &Value| {
        let text = |key: &str| found[key].as_str().unwrap_or("-").to_string();
        let shots: Vec<String> = found["shots"]
            .as_array()
            .unwrap()
            .iter()
            .map(|shown| format!("{}@{}", shown["shot"].as_str().unwrap(), shown["frames"].as_str().unwrap()))
            .collect();
        let timecode = found["timecode"].as_array().map_or("-".to_string(), |both| {
            both.iter().map(|one| one.as_str().unwrap()).collect::<Vec<_>>().join(" ")
        });
        let words = [text("weight"), text("kind"), text("stage"), text("frames"), shots.join("+"), timecode];
        words.join(" ")
    };
    json["findings"].as_array().unwrap_or_else(|| panic!("{json}")).iter().map(one).collect()
}

#[track_caller]
fn inspected(film: &Film, words: &[&str]) -> (Option<i32>, Value) {
    let output = film.command(&["inspect", "--json"]).args(words).output().unwrap();
    let json = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)));
    (output.status.code(), json)
}

/// Puts every fault into a film. They lie apart, so that none hides another.
fn spoil(film: &Film) {
    std::fs::remove_file(film.path().join("plates/br010.1010.exr")).unwrap();
    put(film, "br010", 1020, &drawn(|_, _| 0.0));
    let mut broken = drawn(|x, y| wave_of(x, y, 1030));
    (0..3).for_each(|channel| broken.samples_mut(channel)[5 * 64 + 9] = f16::NAN);
    put(film, "br010", 1030, &broken);
    for frame in 1041..=1055 {
        put(film, "br010", frame, &drawn(|x, y| wave_of(x, y, 1040)));
    }
    // Two frames bright, two dark: six flashes in a second at 24.
    for frame in 1010..=1041 {
        let gain = if (frame / 2) % 2 == 0 { 2.0 } else { 0.25 };
        put(film, "br020", frame, &drawn(|x, y| gain * wave_of(y, x, frame)));
    }
}

const SPOILT: Made = Made {
    target: "{ loudness: -23, most: 0 }",
    cues: "    first: { bus: effects, at: br010@1001, clip: sounds/rustle.wav, for: 1 }
    last: { bus: effects, at: br020@1037, clip: sounds/rustle.wav, for: 1 }
",
    ..CLEAN
};

#[test]
fn a_clean_film_has_no_findings() {
    let film = CLEAN.film();
    film.rebuild(&[]).well();
    let (code, json) = inspected(&film, &[]);
    assert_eq!((told(&json), code), (vec![], Some(0)), "{json:#}");
    assert_eq!(
        json["looked"][0],
        serde_json::json!({ "stage": "film/assembly", "frames": 120, "lacking": 0 })
    );
    let mix = &json["heard"][0];
    assert_eq!((&mix["stage"], &mix["seconds"]), (&"film/mix".into(), &5.0.into()));
    assert!((mix["integrated"].as_f64().unwrap() + 23.0).abs() < 0.15, "{mix}");
    assert_eq!(json["cautions"].as_array().unwrap().len(), 2);
}

#[test]
fn known_faults_are_found_with_shot_frame_and_timecode() {
    let film = SPOILT.film();
    spoil(&film);
    assert_eq!(film.rebuild(&[]).code, Some(1), "a plate's frame is missing");
    let (code, json) = inspected(&film, &[]);
    let wanted = [
        "fault loudness film/mix -  -",
        "fault missing film/assembly 10 br010@1010 01:00:00:09 01:00:00:09",
        "fault black film/assembly 20 br010@1020 01:00:00:19 01:00:00:19",
        "fault not-a-number film/assembly 30 br010@1030 01:00:01:05 01:00:01:05",
        "fault flash film/assembly 70-101 br020@1010-1041 01:00:02:21 01:00:04:04",
        "look silence film/mix - br010@1025-1060+br020@1001-1036 01:00:01:00 01:00:03:23",
        "look frozen film/assembly 40-55 br010@1040-1055 01:00:01:15 01:00:02:06",
    ];
    assert_eq!((told(&json), code), (wanted.map(str::to_string).to_vec(), Some(1)), "{json:#}");
}
