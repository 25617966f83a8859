//! Deliveries by the built program on the tiny film: when they are made, what refuses them, and what lies there afterwards.
//!
//! Expected labels and samples follow from the rates and the cut; pictures are held against the film's own renders.

mod project;

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::Stdio;

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, ImageDigest, RGBA};
use endboard::media::sound::{self, Sound, wave};
use project::{Film, until};
use serde_json::Value;

const HEAD: &str = "film: The Brine Lamp
rate: RATE
frame_size: 32x18
cut: cut.edl
plates:
  shed: { files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }
shots:
  br010: { plate: shed, frames: 1001-1006, stages: { colour: { operator: grade, exposure: EXPOSURE } } }
  br020: { plate: shed, frames: 1001-1006, stages: { colour: { operator: grade } } }
assembly: {}
sound:
  buses: { words: {}, effects: { gain: -3 } }
  stems: { dialogue: [words], rest: [effects] }
  target: { loudness: -30 }
  cues:
    line: { bus: words, at: br010@1002, clip: sounds/rustle.wav, for: 0.3 }
    hit: { bus: effects, at: br020@1001, clip: sounds/rustle.wav, gain: -6, for: 0.2 }
";

/// Two shots of six frames.
const CUT: &str = "TITLE: LOCK 1
FCM: NON-DROP FRAME
001  br010  V  C  00:00:41:17 00:00:41:23 01:00:00:00 01:00:00:06
002  br020  V  C  00:00:41:17 00:00:41:23 01:00:00:06 01:00:00:12
";

/// The same at 29.97 with drop-frame labels.
const DROP: &str = "TITLE: LOCK 1
FCM: DROP FRAME
001  br010  V  C  00:00:33;11 00:00:33;17 01:00:00;00 01:00:00;06
002  br020  V  C  00:00:33;11 00:00:33;17 01:00:00;06 01:00:00;12
";

fn declare(film: &Film, rate: &str, exposure: f64, deliveries: &str) {
    let head = HEAD.replace("RATE", rate).replace("EXPOSURE", &exposure.to_string());
    film.write("endboard.yaml", format!("{head}deliveries:\n{deliveries}"));
}

/// A plate's frame of still grain, so lit that nothing flashes from one to the next.
fn calm(film: &Film, frame: i64, light: f32) {
    let mut dice = project::Dice(11);
    let mut image = Image::new(32, 18, &RGBA);
    for y in 0..18 {
        for channel in 0..3 {
            let row: Vec<f32> = (0..32).map(|_| light + 0.1 * dice.below(1000) as f32 / 1000.0).collect();
            image.write_row(channel, y, &row);
        }
        image.write_row(3, y, &[1.0; 32]);
    }
    film.write(&format!("plates/shed.{frame}.exr"), exr::encode(&image, Compression::Zip, &[]).unwrap());
}

fn film(deliveries: &str) -> Film {
    let film = Film::new();
    (1001..=1008).for_each(|frame| calm(&film, frame, 0.2 + 0.01 * (frame - 1000) as f32));
    film.write("cut.edl", CUT);
    let mut dice = project::Dice(5);
    let samples = (0..48_000).map(|_| (dice.below(20_001) as f32 / 10_000.0 - 1.0) * 0.25).collect();
    film.write("sounds/rustle.wav", wave::plain(&Sound { rate: 48_000, channels: vec![samples] }).unwrap());
    declare(&film, "24", 0.0, deliveries);
    film.rebuild(&[]).well();
    film
}

/// What came of one delivery.
#[track_caller]
fn deliver(film: &Film, words: &[&str]) -> Value {
    let all = film.json(&[&["deliver"], words].concat());
    assert_eq!(all["format"], "endboard deliver 1");
    all["deliveries"][0].clone()
}

/// What stands in the folder of deliveries.
fn standing(film: &Film) -> Vec<String> {
    let entries = std::fs::read_dir(film.path().join("deliveries")).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries.map(|entry| entry.file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn heard(path: PathBuf) -> (Sound, Option<u64>) {
    let outline = sound::outline(std::fs::File::open(&path).unwrap()).unwrap();
    (sound::read(std::fs::File::open(&path).unwrap()).unwrap(), outline.since_midnight)
}

fn digest(path: PathBuf) -> ImageDigest {
    exr::decode_image(&std::fs::read(path).unwrap()).unwrap().digest()
}

#[test]
fn frames_are_delivered_once_and_anew_beside_after_a_change() {
    let film = film("  master: { frames: exr, sound: mix }\n");
    let plan = deliver(&film, &["--plan"]);
    assert_eq!((&plan["state"], standing(&film).len()), (&"absent".into(), 0));
    let made = deliver(&film, &["master"]);
    assert_eq!((&made["came"], &made["place"]), (&"made".into(), &"deliveries/master".into()), "{made}");
    for n in 1..=12 {
        let delivered = film.path().join(format!("deliveries/master/The-Brine-Lamp-master.{n:04}.exr"));
        let shown = film.path().join(format!("renders/film/assembly/film.{n:04}.exr"));
        assert_eq!(digest(delivered), digest(shown), "frame {n}");
    }
    let text = film.text("deliveries/master/report.txt");
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("keeps the picture exactly") && !flat.contains("inf dB"), "{text}");
    for word in ["The Brine Lamp", "film/assembly@1-12", "br010/colour", "loudness", "seizures", "12 files"] {
        assert!(text.contains(word), "{word}: {text}");
    }
    assert!(film.text("deliveries/master/report.html").contains("<h2>Checks</h2>"));
    assert_eq!(deliver(&film, &[])["came"], "fresh");
    assert_eq!(standing(&film), ["master"]);
    assert_eq!(film.json(&["status"])["deliveries"][0]["state"], "fresh");

    calm(&film, 1003, 0.235);
    assert_eq!(film.json(&["status"])["deliveries"][0]["state"], "stale");
    film.rebuild(&[]).well();
    let before = film.text("deliveries/master/report.txt");
    let why = deliver(&film, &["--plan"])["why"].to_string();
    assert!(why.contains("film/assembly@3,9 changed"), "{why}");
    let made = deliver(&film, &[]);
    assert_eq!((&made["came"], &made["place"]), (&"made".into(), &"deliveries/master-2".into()), "{made}");
    assert_eq!(film.text("deliveries/master/report.txt"), before, "what was delivered stays as it was");
    // A report names the folder that it lies in.
    assert!(before.contains("in deliveries/master, files"), "{before}");
    let after = film.text("deliveries/master-2/report.txt");
    assert!(after.contains("in deliveries/master-2, files"), "{after}");
    assert_eq!(deliver(&film, &[])["came"], "fresh");
    let hours = film.json(&["hours", "film/deliver.master"]);
    assert_eq!((&hours["total"]["rows"], &hours["final_steps"]["rows"]), (&2.into(), &2.into()), "{hours}");
}

#[test]
fn what_is_not_as_declared_refuses_a_delivery_unless_it_is_asked_for() {
    let film = film("  master: { frames: png }\n");
    declare(&film, "24", 1.0, "  master: { frames: png }\n");
    let output = film.command(&["deliver"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("film/assembly@1-6: stale; `endboard rebuild film/assembly@1-6`"), "{said}");
    assert!(standing(&film).is_empty());
    let made = deliver(&film, &["--as-it-is"]);
    assert_eq!(made["came"], "made", "{made}");
    assert!(film.text("deliveries/master/report.txt").contains("film/assembly@1-6"));
    let listed = std::fs::read_dir(film.path().join("deliveries/master/ascmhl")).unwrap().flatten();
    let manifest =
        listed.map(|e| e.path()).find(|path| path.extension().is_some_and(|e| e == "mhl")).unwrap();
    assert!(
        std::fs::read_to_string(manifest).unwrap().contains("delivered as it is: film/assembly@1-6: stale")
    );
    // Frames that were never made are never delivered.
    film.write(
        "endboard.yaml",
        film.text("endboard.yaml")
            .replace("grade }", "grade, exposure: 2 }")
            .replace("sound:", "prints: { review: {} }\nsound:")
            .replace("frames: png", "frames: png, picture: film/review"),
    );
    let came = deliver(&film, &["--as-it-is"]);
    assert_eq!(
        (&came["came"], came["lacking"].to_string().contains("absent")),
        (&"refused".into(), true),
        "{came}"
    );
}

/// Plates that flash at every frame: more than three flashes a second are a fault (Rec. ITU-R BT.1702).
#[test]
fn what_inspection_finds_at_fault_refuses_a_delivery_unless_it_is_asked_for() {
    let film = film("  master: { frames: png }\n");
    (1001..=1008).for_each(|frame| calm(&film, frame, if frame % 2 == 0 { 0.1 } else { 0.7 }));
    film.rebuild(&[]).well();
    let came = deliver(&film, &[]);
    assert_eq!((&came["came"], standing(&film).len()), (&"refused".into(), 0), "{came}");
    let place = came["faults"][0]["place"].as_str().unwrap();
    assert!(place.contains("flash") && place.contains("br010@") && place.contains("01:00:00:"), "{place}");
    let (code, said) = film.said(&["deliver"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("inspection found faults") && said.contains("`--as-it-is`"), "{said}");
    let (code, said) = film.said(&["deliver", "--as-it-is"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("CAUTION: master: film/assembly@"), "{said}");
    for name in ["report.txt", "report.html", "report.json"] {
        let text = film.text(&format!("deliveries/master/{name}"));
        for words in
            ["fault: film/assembly@", "no medical guarantee", "flashing beyond the limits in one place"]
        {
            assert!(text.contains(words), "{name}: {words}: {text}");
        }
    }
    // Whoever asks later hears of it again: it is fresh, and it has the fault.
    let again = deliver(&film, &[]);
    assert_eq!((&again["came"], &again["delivered_as_it_is"][0]["place"]), (&"fresh".into(), &place.into()));
    let stands = &film.json(&["status"])["deliveries"][0];
    assert_eq!(
        (&stands["state"], &stands["delivered_as_it_is"][0]["place"]),
        (&"fresh".into(), &place.into())
    );
    let words = format!("delivered as it is: {place}: ");
    assert!(
        film.said(&["status"]).1.contains(&format!("delivery master: fresh, in deliveries/master; {words}"))
    );
    let passed = format!("CAUTION: master: {place}: ");
    for options in [&["deliver"][..], &["deliver", "--plan"]] {
        let (code, said) = film.said(options);
        assert!(code == Some(0) && said.contains(&passed) && said.contains("master: fresh"), "{said}");
    }
    let folder = film.path().join("deliveries/master");
    let (code, said) = film.said(&["deliver", "--check", folder.to_str().unwrap()]);
    assert!(
        code == Some(0) && said.contains(place) && said.contains("; it was delivered as it is"),
        "{said}"
    );
    let page = film.path().join("page.html");
    film.said(&["page", "--out", page.to_str().unwrap()]);
    assert!(film.text("page.html").contains("Delivered as it is: "));
}

/// EBU R 128 allows half a unit; the mix cannot be brought nearer than its `most` allows.
#[test]
fn a_mix_that_is_not_as_loud_as_asked_is_not_delivered() {
    let film = film("  master: { frames: png, sound: mix }\n");
    film.write(
        "endboard.yaml",
        film.text("endboard.yaml").replace("loudness: -30", "loudness: -30, most: 3"),
    );
    let rebuilt = film.rebuild(&[]).well();
    assert!(
        rebuilt.json["missed"][0].as_str().unwrap().contains("louder than its target of -30.0"),
        "{}",
        rebuilt.json
    );
    let came = deliver(&film, &[]);
    assert_eq!(came["came"], "refused", "{came}");
    assert!(came["faults"][0]["says"].as_str().unwrap().contains("louder than its target"), "{came}");
    let made = deliver(&film, &["--as-it-is"]);
    assert_eq!(made["came"], "made", "{made}");
    let passed = made["delivered_as_it_is"].as_array().unwrap();
    assert!(
        passed.len() == 2 && passed.iter().all(|one| one["says"].to_string().contains("-18.1 LUFS")),
        "{made}"
    );
}

#[test]
fn what_is_held_further_down_is_told_too() {
    let film = film("  master: { frames: png }\n");
    assert_eq!(film.run(&["rebuild", "--hold", "br010/colour@1002"]).status.code(), Some(0));
    declare(&film, "24", 1.0, "  master: { frames: png }\n");
    film.rebuild(&[]);
    let came = deliver(&film, &[]);
    assert_eq!(came["came"], "refused", "{came}");
    assert_eq!(came["lacking"][0]["place"], "br010/colour@1002", "{came}");
    assert_eq!(deliver(&film, &["--as-it-is"])["came"], "made");
}

/// Two stages of the shot and the film itself lie above what a person is to look at again, and all of them are fresh throughout.
#[test]
fn what_waits_for_hands_below_stages_that_are_all_fresh_is_told_too() {
    let film = film("  master: { frames: png }\n");
    let plain = "stages: { colour: { operator: grade, exposure: 0 } }";
    let declared = film.text("endboard.yaml");
    assert!(declared.contains(plain), "{declared}");
    let painted = "stages: { paint: { by_hand: { files: \"hands/paint.####.exr\" } }, \
                   first: { operator: grade, from: { picture: paint } }, \
                   colour: { operator: grade, from: { picture: first } } }";
    film.write("endboard.yaml", declared.replacen(plain, painted, 1));
    for n in 1001..=1006 {
        let bytes = std::fs::read(film.path().join(format!("plates/shed.{n}.exr"))).unwrap();
        film.write(&format!("hands/paint.{n}.exr"), bytes);
    }
    film.rebuild(&[]).well();
    assert_eq!(deliver(&film, &[])["came"], "made");
    calm(&film, 1003, 0.24);
    film.rebuild(&[]);
    // What was painted goes on being used, so that all above it is fresh; the second look knows that it is, stage by stage.
    for _ in 0..2 {
        assert_eq!(film.status_of("br010/paint")[1], serde_json::json!(["1003", "stale"]));
        for above in ["br010/first", "br010/colour"] {
            assert_eq!(film.status_of(above), serde_json::json!([["1001-1006", "fresh"]]), "{above}");
        }
    }
    let came = deliver(&film, &[]);
    assert_eq!(
        (&came["came"], &came["lacking"][0]["place"]),
        (&"refused".into(), &"br010/paint@1003".into()),
        "{came}"
    );
    assert_eq!(deliver(&film, &["--as-it-is"])["came"], "made");
}

#[test]
fn stems_begin_at_the_films_timecode_and_sum_to_the_mix() {
    let film = film("  stems: { stems: all }\n  one: { stems: [rest] }\n");
    let made = deliver(&film, &["stems"]);
    assert_eq!(made["came"], "made", "{made}");
    let at = |name: &str| film.path().join(format!("deliveries/stems/The-Brine-Lamp-stems-{name}.wav"));
    // Of a picture, which there is none of, nothing is told; and one is one.
    let report = film.text("deliveries/stems/report.txt");
    let flat = report.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("1 block of sound, digest") && flat.contains("keeps the sound exactly;"),
        "{report}"
    );
    assert!(
        !flat.contains("no picture") && !flat.contains("the picture") && !flat.contains("inf dB"),
        "{report}"
    );
    let (dialogue, since) = heard(at("dialogue"));
    let (rest, _) = heard(at("rest"));
    // One hour, and half a second of samples.
    assert_eq!((since, dialogue.len()), (Some(172_800_000), 24_000));
    let mix = sound::read(std::fs::File::open(film.path().join("renders/film/mix/film.0001.wav")).unwrap())
        .unwrap();
    assert!(mix.peak() > 0.01 && mix.peak() < 0.8, "no limiter is at work: {}", mix.peak());
    // Each stem is rounded to 24 bits.
    let step = 2f32.powi(-23);
    for (c, plane) in mix.channels.iter().enumerate() {
        for (i, v) in plane.iter().enumerate() {
            let sum = dialogue.channels[c][i] + rest.channels[c][i];
            assert!((sum - v).abs() <= 1.01 * step + v.abs() * 1e-6, "sample {i}: {sum} for {v}");
        }
    }
    assert_eq!(deliver(&film, &["one"])["came"], "made");
    assert!(film.path().join("deliveries/one/The-Brine-Lamp-one-rest.wav").is_file());
    assert!(!film.path().join("deliveries/one/The-Brine-Lamp-one-dialogue.wav").exists());
}

#[test]
fn at_29_97_drop_the_time_reference_counts_frames_and_not_labels() {
    let film = film("  stems: { stems: all }\n");
    film.write("cut.edl", DROP);
    declare(&film, "29.97", 0.0, "  stems: { stems: all }\n");
    film.rebuild(&[]).well();
    let made = deliver(&film, &[]);
    assert_eq!(made["came"], "made", "{made}");
    let (sound, since) = heard(film.path().join("deliveries/stems/The-Brine-Lamp-stems-rest.wav"));
    // 01:00:00;00 is frame 107,892, each of 1601.6 samples; twelve of them are 19,219.
    assert_eq!((since, sound.len()), (Some(172_799_827), 19_219));
}

#[test]
fn a_changed_byte_is_found_and_the_delivery_is_made_anew() {
    let film = film("  stems: { stems: all }\n");
    assert_eq!(deliver(&film, &[])["came"], "made");
    let folder = film.path().join("deliveries/stems");
    let words = ["deliver", "--check", folder.to_str().unwrap()];
    assert_eq!(film.said(&words).0, Some(0), "{:?}", film.said(&words));
    let path = folder.join("The-Brine-Lamp-stems-rest.wav");
    let mut bytes = std::fs::read(&path).unwrap();
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    std::fs::write(&path, &bytes).unwrap();
    let (code, said) = film.said(&words);
    assert_eq!(code, Some(1));
    assert!(said.contains("The-Brine-Lamp-stems-rest.wav: changed"), "{said}");
    let plan = deliver(&film, &["--plan"]);
    assert!(plan["why"].to_string().contains("The-Brine-Lamp-stems-rest.wav changed"), "{plan}");
    assert_eq!(deliver(&film, &[])["place"], "deliveries/stems-2");
    assert_eq!(
        film.said(&["deliver", "--check", film.path().to_str().unwrap()]).0,
        Some(1),
        "nothing lists it"
    );
}

#[test]
fn movies_need_their_programs_and_frames_do_not() {
    let film = film("  keep: { movie: ffv1, sound: mix }\n  master: { frames: dpx }\n");
    let output = film.command(&["deliver"]).env("PATH", "/nonexistent").output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(
        said.contains("keep: not made") && said.contains("movies need the programs ffmpeg and ffprobe"),
        "{said}"
    );
    assert!(said.contains("master: made"), "{said}");
    assert_eq!(standing(&film), ["master"]);
    let made = deliver(&film, &["keep"]);
    assert_eq!(made["came"], "made", "{made}");
    let checks = made["checks"].to_string();
    for word in ["12 frames of 12", "no bit differs", "01:00:00:00", "every one that of the film", "LUFS"] {
        assert!(checks.contains(word), "{word}: {checks}");
    }
    assert_eq!(deliver(&film, &["keep"])["came"], "fresh");
}

#[test]
fn a_movie_that_keeps_too_little_is_not_delivered() {
    let web = "  web: { movie: h264, quality: draft, sound: mix, limits: { luma: 99 } }\n";
    let film = film(web);
    let came = deliver(&film, &[]);
    assert_eq!(came["came"], "failed", "{came}");
    assert!(came["says"].as_str().unwrap().contains("where 99.00 dB are asked for"), "{came}");
    assert!(standing(&film).is_empty());
    declare(&film, "24", 0.0, &web.replace("luma: 99", "luma: 10, picture: 10"));
    let came = deliver(&film, &[]);
    assert_eq!(came["came"], "made", "{came}");
}

#[test]
fn a_killed_delivery_leaves_nothing_under_its_name() {
    let film = film("  keep: { movie: ffv1, sound: mix }\n");
    let unfinished = film.path().join("deliveries/keep.unfinished");
    // A program that comes to its end only with the one that started it stands in for the coder.
    let answers = "#!/bin/sh\ncase \"$*\" in\n*-version*) echo ffmpeg version 7;;\n*-encoders*) echo ' V ffv1'; echo ' A flac';;\n\
                   *) while kill -0 $PPID 2>/dev/null; do sleep 0.1; done;;\nesac\n";
    film.write("bin/ffmpeg", answers);
    let allowed = std::fs::Permissions::from_mode(0o755);
    std::fs::set_permissions(film.path().join("bin/ffmpeg"), allowed).unwrap();
    let search = format!("{}:{}", film.path().join("bin").display(), std::env::var("PATH").unwrap());
    let mut run = film
        .command(&["deliver"])
        .env("PATH", &search)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let work =
        || std::fs::read_dir(unfinished.join("keep")).is_ok_and(|mut entries| entries.next().is_some());
    until("work in the folder", work);
    run.kill().unwrap();
    run.wait().unwrap();
    assert_eq!(standing(&film), ["keep.unfinished"], "what is there says that it is not whole");
    assert_eq!(deliver(&film, &[])["came"], "made");
    assert_eq!(standing(&film), ["keep"]);
}

#[test]
fn deliveries_that_cannot_be_are_told_at_their_lines() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("cut.edl", CUT);
    declare(
        &film,
        "24",
        0.0,
        "  a: { movie: vc-3 }\n  b: { frames: gif }\n  c: { movie: h264, colour: pq }\n  d: { frames: exr, picture: film/none }\n  \
         e: { stems: [dialog] }\n  f: { frames: exr, to: renders/out }\n  g: { frames: png, movie: av1 }\n  h: { frames: exr, qualty: 1 }\n",
    );
    let (code, said) = film.said(&["check"]);
    assert_eq!(code, Some(1));
    let text = film.text("endboard.yaml");
    let first = text.lines().position(|line| line.starts_with("  a: { movie")).unwrap() + 1;
    for (after, words) in [
        (0, "vc-3 cannot hold 32 x 18"),
        (1, "'gif' is not a format of frames"),
        (2, "8 bits are too few"),
        (3, "the film has no picture 'film/none'"),
        (4, "did you mean 'dialogue'?"),
        (5, "renders/, which the tool itself writes"),
        (6, "exactly once"),
        (7, "did you mean 'quality'?"),
    ] {
        let place = format!("endboard.yaml:{}:", first + after);
        let told = said.find(words).unwrap_or_else(|| panic!("{words}: {said}"));
        let around = &said[said[..told].rfind("\nerror").unwrap_or(0)..];
        let around = &around[..around[1..].find("\nerror").map_or(around.len(), |end| end + 1)];
        assert!(around.contains(&place), "{place} {words}: {around}");
    }
}
