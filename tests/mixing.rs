//! The film's sound as a whole: where cues land, what a change mixes anew, and what is said of cues that fall off.
//!
//! Frames of sound are blocks of a second. Expected samples follow from the rates and the cut.

mod project;

use std::collections::BTreeSet;

use endboard::media::sound::{Sound, wave};
use project::Film;

const HEAD: &str = "film: The Brine Lamp
rate: RATE
frame_size: 32x18
cut: cut.edl
plates:
  a: { files: plates/a.####.exr, frames: 1001-1120 }
shots:
  br010: { plate: a, frames: 1001-1060, stages: { colour: { operator: grade } } }
  br020: { plate: a, frames: 1001-1060, stages: { colour: { operator: grade } } }
";

/// Two shots of 60 frames, the second one from its frame 1001 on: film frames 1-60 and 61-120.
const CUT: &str = "TITLE: LOCK 1
FCM: NON-DROP FRAME
001  br010  V  C  00:00:41:17 00:00:44:05 01:00:00:00 01:00:02:12
002  br020  V  C  00:00:41:17 00:00:44:05 01:00:02:12 01:00:05:00
";

/// A click of one sample at full scale, half a second into a second of silence.
fn click() -> Sound {
    let mut sound = Sound::silent(48_000, 1, 48_000);
    sound.channels[0][24_000] = 1.0;
    sound
}

/// Noise that is the same in every run.
fn rustle(seconds: f64, seed: u64) -> Sound {
    let mut dice = project::Dice(seed);
    let samples = (0..(seconds * 48_000.0) as usize)
        .map(|_| (dice.below(20_001) as f32 / 10_000.0 - 1.0) * 0.25)
        .collect();
    Sound { rate: 48_000, channels: vec![samples] }
}

fn film(rate: &str, sound: &str) -> Film {
    let film = Film::new();
    film.write("endboard.yaml", HEAD.replace("RATE", rate) + sound);
    film.write("cut.edl", CUT);
    film.write("sounds/click.wav", wave::plain(&click()).unwrap());
    film.write("sounds/rustle.wav", wave::plain(&rustle(4.0, 1)).unwrap());
    film
}

/// Only sound is made: pictures have no plates here.
fn mixed(film: &Film) -> BTreeSet<String> {
    let said = film.rebuild(&["film/mix"]);
    assert_eq!(said.code, Some(0), "{}\n{}", said.json, said.errors);
    said.rendered
}

/// All blocks of a stage, one after the other.
fn heard(film: &Film, stage: &str) -> Sound {
    let mut whole = Sound::silent(48_000, 2, 0);
    for block in 1.. {
        let path = film.path().join(format!("renders/film/{stage}/film.{block:04}.wav"));
        let Ok(file) = std::fs::File::open(path) else { break };
        let part = endboard::media::sound::read(file).unwrap();
        whole.channels.iter_mut().zip(part.channels).for_each(|(to, from)| to.extend(from));
    }
    whole
}

/// Places of samples that are heard, of the left channel.
fn clicks(sound: &Sound) -> Vec<usize> {
    let plane = &sound.channels[0];
    (0..plane.len()).filter(|&i| plane[i].abs() > 0.1).collect()
}

const CUES: &str = "sound:
  buses: { effects: {} }
  cues:
    one: { bus: effects, at: br010@1013, clip: sounds/click.wav, from: 0.5, for: 0.1 }
    two: { bus: effects, at: br020@1002.5, clip: sounds/click.wav, from: 0.5, for: 0.1 }
    three: { bus: effects, with: two, plus: 12, clip: sounds/click.wav, from: 0.5, for: 0.1 }
    four: { bus: effects, at: '01:00:04:12', clip: sounds/click.wav, from: 0.5, for: 0.1 }
    five: { bus: effects, after: one, clip: sounds/click.wav, from: 0.5, for: 0.1 }
";

#[test]
fn cues_land_on_their_samples_and_sound_is_as_long_as_the_picture() {
    let film = film("24", CUES);
    mixed(&film);
    let mix = heard(&film, "mix");
    assert_eq!(mix.len(), 240_000, "120 frames at 24 are 5 s");
    // Film frame 13 begins 12 frames in; film frame 62.5 is br020@1002.5; and so on.
    let expected = [24_000, 24_000 + 4_800, 123_000, 147_000, 216_000];
    assert_eq!(clicks(&mix), expected);
    let level = mix.channels[0][24_000];
    assert!((level - 0.5f32.sqrt()).abs() < 1e-6, "a mono sound in the middle is 3 dB down: {level}");
}

#[test]
fn at_29_97_sound_stays_with_the_picture_to_the_sample() {
    let film = film("29.97", CUES);
    film.write(
        "cut.edl",
        CUT.replace("00:00:41:17 00:00:44:05", "00:00:33:11 00:00:35:11")
            .replace("01:00:02:12", "01:00:02:00")
            .replace("01:00:05:00", "01:00:04:00"),
    );
    film.write("endboard.yaml", film.text("endboard.yaml").replace("01:00:04:12", "01:00:03:10"));
    mixed(&film);
    let mix = heard(&film, "mix");
    // 1601.6 samples a frame: 120 frames are 192,192; frame n begins at the sample nearest to (n - 1) 1601.6.
    assert_eq!(mix.len(), 192_192);
    let at = |frames: f64| (frames * 1601.6).round() as usize;
    let expected = [at(12.0), at(12.0) + 4_800, at(61.5), at(73.5), at(100.0)];
    assert_eq!(clicks(&mix), expected);
}

const WORKS: &str = "sound:
  buses:
    words: {}
    music: { duck: { by: words, attack: 0.01, release: 0.05 } }
    effects: { filters: [ { high-pass: 120 } ] }
  stems: { dialogue: [words], rest: [music, effects] }
  target: { loudness: -23 }
  cues:
    line: { bus: words, at: br020@1020, clip: sounds/rustle.wav, for: 0.5 }
    bed: { bus: music, at: br010@1001, clip: sounds/rustle.wav, gain: -12, loop: 0.2, for: 5 }
    hit: { bus: effects, at: br010@1030, clip: sounds/rustle.wav, for: 0.1 }
";

fn of<'a>(ran: &'a BTreeSet<String>, stage: &str) -> Vec<&'a str> {
    let place = format!("film/{stage}@");
    ran.iter().filter_map(|ran| ran.strip_prefix(&place)).collect()
}

#[test]
fn a_moved_cue_mixes_only_the_blocks_that_it_touches() {
    let film = film("24", WORKS);
    assert_eq!(mixed(&film).len(), 3 * 5 + 2 * 5 + 5 + 5 + 1 + 5);
    assert!(mixed(&film).is_empty(), "nothing changed");
    // From film frame 30 (block 2) to 31: same block, and nobody else's.
    film.write("endboard.yaml", film.text("endboard.yaml").replace("br010@1030", "br010@1031"));
    let ran = mixed(&film);
    assert_eq!(of(&ran, "bus.effects"), ["2"]);
    assert_eq!(of(&ran, "stem.rest"), ["2"]);
    assert!(of(&ran, "bus.music").is_empty() && of(&ran, "bus.words").is_empty());
    assert!(of(&ran, "stem.dialogue").is_empty());
    // The limiter looks ahead and back within its reach, and the gain stays as it was, to a tenth.
    let mixed_anew = of(&ran, "mix");
    assert!(mixed_anew.contains(&"2") && mixed_anew.len() <= 3, "{ran:?}");
    // What words do to the music is heard where they are, and a little after.
    film.write("endboard.yaml", film.text("endboard.yaml").replace("br020@1020", "br020@1021"));
    let ran = mixed(&film);
    assert_eq!(of(&ran, "bus.words"), ["4"]);
    assert!(of(&ran, "bus.music").iter().all(|block| ["4", "5"].contains(block)), "{ran:?}");
}

#[test]
fn the_same_samples_in_another_file_mix_nothing_anew() {
    let film = film("24", WORKS);
    mixed(&film);
    let mut bytes = Vec::new();
    let bext = wave::Bext::default();
    wave::write(std::io::Cursor::new(&mut bytes), &rustle(4.0, 1), wave::Depth::Float, &bext).unwrap();
    film.write("sounds/rustle.wav", &bytes);
    assert!(mixed(&film).is_empty());
    film.write("sounds/rustle.wav", wave::plain(&rustle(4.0, 2)).unwrap());
    assert!(!mixed(&film).is_empty());
}

#[test]
fn stems_together_are_the_mix_and_the_mix_is_at_its_target() {
    let film = film("24", WORKS);
    mixed(&film);
    let (dialogue, rest, mix) =
        (heard(&film, "stem.dialogue"), heard(&film, "stem.rest"), heard(&film, "mix"));
    let level = std::fs::File::open(film.path().join("renders/film/level/film.0001.wav")).unwrap();
    let level = endboard::media::sound::read(level).unwrap();
    let gain = endboard::operators::sound::master::gain(&level).unwrap();
    let factor = 10f32.powf(gain as f32 / 20.0);
    for c in 0..2 {
        for i in 0..mix.len() {
            let sum = (dialogue.channels[c][i] + rest.channels[c][i]) * factor;
            assert!((sum - mix.channels[c][i]).abs() < 1e-5, "nothing here reaches the limiter");
        }
    }
    let measured = endboard::operators::sound::loudness::measure(&mix);
    // EBU Tech 3341: a meter may be off by 0.1 LU; the gain is in tenths of a decibel besides.
    assert!((measured.integrated + 23.0).abs() < 0.15, "{measured:?}");
}

#[test]
fn a_new_cut_moves_cues_with_their_frames_and_names_those_that_fall_off() {
    let film = film("24", WORKS);
    mixed(&film);
    // 12 frames fewer at the head of the second shot, and it ends with them.
    film.write(
        "cut.edl",
        CUT.replace("br020  V  C  00:00:41:17 00:00:44:05", "br020  V  C  00:00:43:00 00:00:44:05")
            .replace("01:00:05:00", "01:00:03:17"),
    );
    let (code, said) = film.said(&["check"]);
    assert!(code == Some(1) || code == Some(0), "{said}");
    assert!(
        said.contains("cue line: it hangs on br020@1020, and the cut shows br020@1032-1060: it is not heard"),
        "{said}"
    );
    assert!(said.contains("cue bed: its last"), "{said}");
    let why = film.said(&["why", "film/bus.effects@2"]).1;
    assert!(why.contains("fresh"), "the effects are before the change: {why}");
    mixed(&film);
    assert_eq!(heard(&film, "mix").len(), 89 * 2000);
}

#[test]
fn why_names_the_cue_and_what_changed_of_it() {
    let film = film("24", WORKS);
    mixed(&film);
    film.write("endboard.yaml", film.text("endboard.yaml").replace("gain: -12", "gain: -9"));
    let why = film.said(&["why", "film/mix@3"]).1;
    assert!(why.contains("is stale: cue bed.gain: -12 → -9"), "{why}");
}

#[test]
fn a_clip_that_is_missing_blocks_what_plays_it_and_is_named() {
    let film = film("24", WORKS);
    std::fs::remove_file(film.path().join("sounds/rustle.wav")).unwrap();
    let said = film.said(&["check"]).1;
    assert!(said.contains("there is no sound file sounds/rustle.wav"), "{said}");
    let said = film.rebuild(&["film/mix"]);
    assert_eq!(said.code, Some(1), "{}", said.json);
    film.write("sounds/rustle.wav", "brine");
    let said = film.said(&["check"]).1;
    assert!(said.contains("cannot be read as sound"), "{said}");
}

#[test]
fn mistakes_in_cues_are_told_at_their_places() {
    let film = film(
        "24",
        "sound:
  buses: { words: {}, effects: {} }
  stems: { all: [words] }
  cues:
    a: { bus: wrods, at: br010@1010, clip: sounds/rustle.wav }
    b: { bus: words, at: br010, clip: sounds/rustle.wav }
    c: { bus: words, with: d, clip: sounds/rustle.wav }
    d: { bus: words, with: c, clip: sounds/rustle.wav }
    e: { bus: words, at: br010@1010, clip: sounds/rustle.wav, gian: 3 }
    f: { bus: words, at: br010@1010, clip: sounds/rustle.wav, loop: 0.1 }
    g: { bus: words, at: br010@1010 }
    h: { bus: words, at: br010@1010, voice: { hum: br010/colour.keeper } }
    i: { bus: words, at: br010@1010, clip: sounds/rustle.wav, filters: [ { high-pass: 80, gain: 3 } ] }
    j: { bus: words, at: br070@1010, clip: sounds/rustle.wav }
    k: { bus: words, after: nobody, clip: sounds/rustle.wav }
    l: { bus: [words], at: br010@1010, clip: sounds/rustle.wav }
    m: { bus: words, clip: sounds/rustle.wav }
    n: { at: br010@1010, clip: sounds/rustle.wav }
",
    );
    let said = film.said(&["check"]).1;
    for words in [
        "cue a: there is no bus 'wrods'",
        "did you mean 'words'?",
        "cue b: 'br010' is no place in the film",
        "cue c: it hangs on a cue that hangs on it",
        "a cue has no setting 'gian'",
        "cue f: it loops and does not say for how long",
        "cue g: it does not say what is heard",
        "cue l: text is wanted here, not a list",
        "cue m: it does not say where it plays",
        "cue n lacks 'bus'",
        "br010/colour has no rod 'keeper'",
        "a pass has no gain",
        "the film has no shot 'br070'",
        "there is no cue 'nobody'",
        "no stem takes these buses: effects",
    ] {
        assert!(said.contains(words), "{words}\n{said}");
    }
}

#[test]
fn settings_that_change_nothing_are_told_at_their_lines() {
    let sound = "sound:
  layout: LAYOUT
  buses: { effects: {} }
  cues:
    a: { bus: effects, at: br010@1001, clip: sounds/click.wav, pan: 0.5 }
    b: { bus: effects, at: br010@1001, clip: sounds/click.wav, back: 0.5 }
    c: { bus: effects, at: br010@1001, clip: sounds/click.wav, pan: 0.5, speakers: [SPEAKER] }
    d: { bus: effects, at: br010@1001, voice: { swing: 0.5, bend: 3 } }
    e: { bus: effects, at: br010@1001, voice: { clash: 0.5, pan: [0.1, 0.1] } }
";
    let told = |layout: &str, speaker: &str| -> Vec<String> {
        let film = film("24", &sound.replace("LAYOUT", layout).replace("SPEAKER", speaker));
        let text = film.text("endboard.yaml");
        let problems = film.json(&["check"])["problems"].as_array().unwrap().clone();
        let of = |problem: &serde_json::Value| {
            let message = problem["message"].as_str().unwrap();
            let line = text.lines().nth(problem["line"].as_u64().unwrap() as usize - 1).unwrap().trim();
            message.contains("changes nothing").then(|| format!("{}: {message}", &line[..1]))
        };
        problems.iter().filter_map(of).collect()
    };
    assert_eq!(
        told("stereo", "L"),
        [
            "b: cue b: 'back' changes nothing: the film has no surrounds",
            "c: cue c: 'pan' changes nothing: its loudspeakers are named",
            "d: cue d: 'bend' changes nothing: it is of a hum",
        ]
    );
    assert_eq!(
        told("mono", "C"),
        [
            "a: cue a: 'pan' changes nothing: the film's sound is mono",
            "b: cue b: 'back' changes nothing: the film's sound is mono",
            "c: cue c: 'pan' changes nothing: its loudspeakers are named",
            "d: cue d: 'bend' changes nothing: it is of a hum",
            "e: cue e: 'pan' changes nothing: the film's sound is mono",
        ]
    );
    assert_eq!(told("'5.1'", "L").len(), 2);
}

/// At 24 a block has 24 frames: film frames 25-48 are block 2.
#[test]
fn film_frames_pick_the_blocks_that_hold_them() {
    let film = film("24", CUES);
    let picked = |selector: &str| {
        let ran = film.rebuild(&[selector]).rendered;
        let of_mix = ran.iter().filter(|place| place.starts_with("film/mix@")).cloned();
        of_mix.collect::<Vec<String>>()
    };
    assert_eq!(picked("film/m*@26-30"), ["film/mix@2"]);
    assert_eq!(picked("film/m*@48-49"), ["film/mix@3"], "block 2 is there");
    // By its own name a stage of sound is told in blocks, as it tells of itself.
    assert_eq!(picked("film/mix@5"), ["film/mix@5"]);
    let (code, said) = film.said(&["rebuild", "film/mix@1"]);
    assert!(code == Some(0) && said.contains("of sound rendered"), "{said}");
    assert!(
        !film.said(&["sheet", "film/*"]).1.contains("it is sound"),
        "of many stages only pictures are meant"
    );
}
