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

/// A wave that moves on by a pixel a frame: light of a place at a frame. It changes light by less than a flash does.
fn wave_of(x: f32, y: f32, frame: i64) -> f32 {
    0.3 + 0.04 * (std::f32::consts::TAU * (x + 0.3 * y + frame as f32) / 40.0).sin()
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
    /// A last stage of br010.
    last: &'static str,
    more: &'static str,
}

const CLEAN: Made = Made {
    rate: "24",
    cut: CUT,
    target: "{ loudness: -23 }",
    cues: "    bed: { bus: effects, at: br010@1001, clip: sounds/rustle.wav, for: 5 }\n",
    last: "",
    more: "",
};

impl Made {
    fn declaration(&self) -> String {
        let (first, last) = FRAMES;
        let (width, height) = SIZE;
        format!(
            "film: The Brine Lamp
rate: {}
frame_size: {width}x{height}
cut: cut.edl
plates:
  br010: {{ files: 'plates/br010.####.exr', frames: {first}-{last}, encoding: linear-rec709 }}
  br020: {{ files: 'plates/br020.####.exr', frames: {first}-{last}, encoding: linear-rec709 }}
shots:
  br010: {{ plate: br010, frames: {first}-{last}, stages: {{ colour: {{ operator: grade }}{} }} }}
  br020: {{ plate: br020, frames: {first}-{last}, stages: {{ colour: {{ operator: grade }} }} }}
assembly: {{}}
sound:
  buses: {{ effects: {{}} }}
  target: {}
  cues:
{}{}",
            self.rate, self.last, self.target, self.cues, self.more
        )
    }

    fn film(&self) -> Film {
        let film = Film::new();
        film.write("endboard.yaml", self.declaration());
        film.write("cut.edl", self.cut);
        film.write("sounds/rustle.wav", wave::plain(&rustle(6.0, 0.25)).unwrap());
        for frame in FRAMES.0..=FRAMES.1 {
            put(&film, "br010", frame, &drawn(|x, y| wave_of(x, y, frame)));
            put(&film, "br020", frame, &drawn(|x, y| wave_of(y, x, frame)));
        }
        film
    }
}

/// Weight, kind, stage with frames, shots with frames, and timecode of each finding. Of flashing only where it begins: it is
/// told for as long as the second before holds too many flashes.
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
        if text("kind") == "flash" {
            let begins = |text: &str| text.split('-').next().unwrap().to_string();
            let (shot, timecode) = (begins(&shots[0]), timecode.split(' ').next().unwrap());
            return format!(
                "{} flash {} {} {shot} {timecode}",
                text("weight"),
                text("stage"),
                begins(&text("frames"))
            );
        }
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
    film.write("tools/1030.exr", exr::encode(&broken, Compression::None, &[]).unwrap());
    film.write("tools/pass.sh", "[ -e tools/$3.exr ] && cp tools/$3.exr \"$2\" || cp \"$1\" \"$2\"\n");
    for frame in 1041..=1055 {
        put(film, "br010", frame, &drawn(|x, y| wave_of(x, y, 1040)));
    }
    // Two frames bright, two dark: six flashes in a second at 24.
    for frame in 1010..=1041 {
        let gain = if (frame / 2) % 2 == 0 { 2.0 } else { 0.25 };
        put(film, "br020", frame, &drawn(|x, y| gain * wave_of(y, x, frame)));
    }
}

/// A plate's values are made finite where it is read; what a command delivers is taken as it is.
const SPOILT: Made = Made {
    target: "{ loudness: -23, most: 0 }",
    cues: "    first: { bus: effects, at: br010@1001, clip: sounds/rustle.wav, for: 1 }
    last: { bus: effects, at: br020@1037, clip: sounds/rustle.wav, for: 1 }
",
    last: ", last: { command: 'sh tools/pass.sh {picture} {out} {frame}', from: { picture: colour } }",
    ..CLEAN
};

fn strings(wanted: &[&str]) -> Vec<String> {
    wanted.iter().map(ToString::to_string).collect()
}

#[test]
fn a_clean_film_has_no_findings_and_neither_has_its_print() {
    let film = Made { more: "prints:\n  review: { leader: 3 }\n", ..CLEAN }.film();
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
    assert_eq!(json["heard"][1]["stage"], "film/bus.effects");
    assert_eq!(json["cautions"].as_array().unwrap().len(), 2);
    // Its leader is still and black on purpose.
    let (code, json) = inspected(&film, &["film/review"]);
    assert_eq!((told(&json), code), (vec![], Some(0)), "{json:#}");
    assert_eq!(json["looked"][0]["frames"], 120);
    let (code, text) = film.said(&["inspect"]);
    assert_eq!(code, Some(0), "{text}");
    for part in [
        "film/assembly: 120 frames looked at",
        "0 faults, 0 suspects, 0 hints",
        "no medical guarantee",
        "headphones",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

#[test]
fn known_faults_are_found_with_shot_frame_and_timecode() {
    let film = SPOILT.film();
    spoil(&film);
    assert_eq!(film.rebuild(&[]).code, Some(1), "a plate's frame is missing");
    let (code, json) = inspected(&film, &[]);
    let wanted = strings(&[
        "fault loudness film/mix -  -",
        "fault missing film/assembly 10 br010@1010 01:00:00:09 01:00:00:09",
        "fault black film/assembly 20 br010@1020 01:00:00:19 01:00:00:19",
        "fault not-a-number film/assembly 30 br010@1030 01:00:01:05 01:00:01:05",
        "fault flash film/assembly 70 br020@1010 01:00:02:21",
        "suspect silence film/mix - br010@1025-1060+br020@1001-1036 01:00:01:00 01:00:03:23",
        "suspect frozen film/assembly 40-55 br010@1040-1055 01:00:01:15 01:00:02:06",
    ]);
    assert_eq!((told(&json), code), (wanted, Some(1)), "{json:#}");
    let found = json["findings"].as_array().unwrap();
    let says =
        |kind: &str| found.iter().find(|f| f["kind"] == kind).unwrap()["says"].as_str().unwrap().to_string();
    assert!(
        says("missing").contains("`endboard status film/assembly@10` says by what"),
        "{}",
        says("missing")
    );
    assert!(says("flash").ends_with("local rules decide."), "{}", says("flash"));
    assert!(says("loudness").contains("louder than its target of -23.0"), "{}", says("loudness"));
    let broken = found.iter().find(|f| f["kind"] == "not-a-number").unwrap();
    assert_eq!(broken["place"], serde_json::json!({ "left": 9, "top": 5, "width": 1, "height": 1 }));
}

#[test]
fn timecode_is_drop_frame_where_the_cut_is() {
    let film = Made { rate: "29.97", cut: DROP, ..SPOILT }.film();
    spoil(&film);
    assert_eq!(film.rebuild(&[]).code, Some(1), "a plate's frame is missing");
    let (code, json) = inspected(&film, &[]);
    let wanted = strings(&[
        "fault loudness film/mix -  -",
        "fault missing film/assembly 10 br010@1010 01:00:58;09 01:00:58;09",
        "fault black film/assembly 20 br010@1020 01:00:58;19 01:00:58;19",
        "fault not-a-number film/assembly 30 br010@1030 01:00:58;29 01:00:58;29",
        "fault flash film/assembly 70 br020@1010 01:01:00;11",
        // A second of sound is 29.97 frames, so that the silence begins inside frame 30.
        "suspect silence film/mix - br010@1030-1060+br020@1001-1036 01:00:58;29 01:01:01;07",
        "suspect frozen film/assembly 40-55 br010@1040-1055 01:00:59;09 01:00:59;24",
    ]);
    assert_eq!((told(&json), code), (wanted, Some(1)), "{json:#}");
}

/// Draws a black frame and a frozen stretch into br010.
fn hold_still(film: &Film) {
    put(film, "br010", 1020, &drawn(|_, _| 0.0));
    (1041..=1055).for_each(|frame| put(film, "br010", frame, &drawn(|x, y| wave_of(x, y, 1040))));
}

#[test]
fn what_is_declared_still_or_black_is_not_told() {
    let film = CLEAN.film();
    hold_still(&film);
    film.rebuild(&[]).well();
    let black = "fault black film/assembly 20 br010@1020 01:00:00:19 01:00:00:19";
    let frozen = "suspect frozen film/assembly 40-55 br010@1040-1055 01:00:01:15 01:00:02:06";
    assert_eq!(told(&inspected(&film, &[]).1), [black, frozen]);
    for (more, wanted) in [
        ("inspect: { stills: [br010@1040-1055] }\n", vec![black]),
        ("inspect: { stills: [film@40-55], blacks: [br010@1020] }\n", vec![]),
        ("inspect: { stills: [br010@1040-1054], blacks: ['br0*'] }\n", vec![frozen]),
        ("inspect: { frozen: 17, blacks: [film@20] }\n", vec![]),
    ] {
        film.write("endboard.yaml", Made { more, ..CLEAN }.declaration());
        assert_eq!(told(&inspected(&film, &[]).1), wanted, "{more}");
    }
    // The same in a shot's own numbers.
    film.write("endboard.yaml", Made { more: "inspect: { stills: [film@40-55] }\n", ..CLEAN }.declaration());
    let (code, json) = inspected(&film, &["br010/colour@1015-1060"]);
    let wanted = "fault black br010/colour 1020 br010@1020 01:00:00:19 01:00:00:19";
    assert_eq!((told(&json), code), (strings(&[wanted]), Some(1)), "{json:#}");
}

#[test]
fn what_is_kept_stale_is_looked_at_and_what_is_not_is_missing() {
    let film = CLEAN.film();
    film.rebuild(&["br010/colour@1004-1008"]).well();
    assert_eq!(film.said(&["rebuild", "--hold", "br010/colour@1005"]).0, Some(0));
    let declared = CLEAN.declaration().replacen("operator: grade", "operator: grade, exposure: 0.1", 1);
    film.write("endboard.yaml", declared);
    let (code, json) = inspected(&film, &["br010/colour@1004-1009"]);
    let wanted = strings(&[
        "fault missing br010/colour 1004 br010@1004 01:00:00:03 01:00:00:03",
        "fault missing br010/colour 1006-1008 br010@1006-1008 01:00:00:05 01:00:00:07",
        "fault missing br010/colour 1009 br010@1009 01:00:00:08 01:00:00:08",
        "suspect kept br010/colour 1005 br010@1005 01:00:00:04 01:00:00:04",
    ]);
    assert_eq!((told(&json), code), (wanted, Some(1)), "{json:#}");
    let says = json["findings"][1]["says"].as_str().unwrap();
    assert!(says.contains("`endboard rebuild br010/colour@1006-1008` makes them"), "{says}");
    let (code, text) = film.said(&["inspect", "film/meter"]);
    assert!(code == Some(2) && text.contains("film/meter is left out"), "{text}");
}

#[test]
fn pictures_of_findings_replace_only_their_own_kind() {
    let film = CLEAN.film();
    hold_still(&film);
    film.rebuild(&[]).well();
    let folder = film.path().join("seen");
    let words = ["--out", folder.to_str().unwrap()];
    for _ in 0..2 {
        let (_, json) = inspected(&film, &words);
        let file = folder.join("film-assembly.0020.black.png");
        assert_eq!(json["findings"][0]["picture"], file.to_str().unwrap());
        let bytes = std::fs::read(&file).unwrap();
        assert!(endboard::media::png::is_own(&bytes));
        assert!(folder.join("film-assembly.0040.frozen.png").is_file());
    }
    film.write("seen/film-assembly.0020.black.png", "a person's");
    let (code, text) = film.said(&["inspect", "--out", folder.to_str().unwrap()]);
    assert!(code == Some(2) && text.contains("give another name with --out"), "{text}");
    assert_eq!(film.text("seen/film-assembly.0020.black.png"), "a person's");
}

#[test]
fn every_bad_limit_is_told_at_its_line() {
    let film = Film::new();
    let more = "inspect:
  frosen: 3
  black: 2
  odd-change: much
  stills: [br100@1009]
  blacks: [br010/colour@1009]
  picture: [0, 0, 65, 36]
";
    let declared = Made { more, ..CLEAN }.declaration();
    film.write("endboard.yaml", &declared);
    film.write("cut.edl", CUT);
    let json = film.json(&["check"]);
    let problems: Vec<(u64, String)> = json["problems"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|problem| problem["file"] == "endboard.yaml")
        .map(|problem| {
            let words = format!(
                "{} {}",
                problem["message"].as_str().unwrap(),
                problem["help"].as_str().unwrap_or("")
            );
            (problem["line"].as_u64().unwrap(), words)
        })
        .collect();
    let first = declared.lines().position(|line| line == "inspect:").unwrap() as u64 + 1;
    for (by, part) in [
        (1, "did you mean 'frozen'?"),
        (2, "from 0 to 1 of white"),
        (3, "a number is wanted here, not 'much'"),
        (4, "'br100@1009' matches no shot"),
        (5, "names a stage"),
        (6, "does not lie within the frame of 64x36"),
    ] {
        let told = problems.iter().any(|(line, words)| *line == first + by && words.contains(part));
        assert!(told, "{part}: {problems:#?}");
    }
}
