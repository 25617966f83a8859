//! A small film from locked cut to delivery, by the program alone: work goes out and comes back, the cut changes, what lapsed is
//! done again, the film is approved and delivered, and at the end it is told where the hours went.
//!
//! Knows what each step must render, and no more; whose time is whose, to the minute; and what of the film is new. Expected numbers
//! follow by hand from the two cuts and the sheets, and stand beside them.

mod project;

use std::collections::BTreeMap;
use std::path::Path;

use endboard::base::frames::FrameSet;
use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, ImageDigest, RGBA};
use endboard::media::png;
use endboard::media::sound::{self, Sound, wave};
use project::packets::{hand_out, sheet, take_back};
use project::{Dice, Film, SIZE, Said, code};
use serde_json::{Value, json};

/// Shots of two plates of frames 1001 to 1016; each is made with two frames more at either end than the first cut shows.
const HEAD: &str = "film: The Brine Lamp
rate: 24
frame_size: 32x18
cut: cut/lock-1.edl
handles: 2
plates:
  shed: { files: plates/shed.####.exr, frames: 1001-1016, encoding: linear-rec709 }
  pan: { files: plates/pan.####.exr, frames: 1001-1016, encoding: linear-rec709 }
shots:
  br010: { plate: shed, frames: 1003-1010, recipe: salt, colour: { exposure: 0.1 } }
  br020: { plate: pan, frames: 1003-1010, recipe: salt }
  br030: { plate: shed, frames: 1003-1010, recipe: salt, colour: { exposure: -0.1 } }
";
/// What the new cut asks to be declared, as a person fills it in.
const BR040: &str = "  br040: { plate: pan, frames: 1003-1008, recipe: salt, colour: { exposure: 0.2 } }\n";
const TAIL: &str = "recipes: [pipelines/salt.yaml]
assembly: {}
sound:
  buses: { words: {}, effects: { gain: -3 } }
  target: { loudness: -30 }
  cues:
    salt: { bus: effects, at: br010@1003, clip: sounds/rustle.wav, for: 0.4 }
    line: { bus: words, at: br020@1004, clip: sounds/rustle.wav, for: 0.2 }
deliveries:
  master: { frames: exr, sound: mix }
crew:
  people:
    ana: { hours: 7, does: [roto] }
    ines: { hours: 4, does: [colour] }
";
const RECIPE: &str = "recipe: salt
stages:
  roto: { by_hand: { files: \"hands/{shot}/roto.####.png\", delivers: [crew] }, from: { picture: plate } }
  cleanup: { operator: paint-out, from: { picture: plate, matte: roto.crew }, fill: around }
  colour: { operator: grade, from: { picture: cleanup } }
";

/// A list of these uses one after the other: shot, first frame and last.
fn list(uses: &[(&str, i64, i64)]) -> String {
    let (mut at, mut text) = (86_400, "TITLE: THE BRINE LAMP\n".to_string());
    for (number, (shot, first, last)) in (1..).zip(uses) {
        let times = [*first, last + 1, at, at + last + 1 - first].map(code).join(" ");
        text += &format!("{number:03}  {shot}  V  C  {times}\n");
        at += last + 1 - first;
    }
    text
}

/// A frame of still grain, lit so evenly that nothing flashes.
fn plate(film: &Film, plate: &str, frame: i64, light: f32) {
    let mut dice = Dice(11);
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for y in 0..SIZE.1 {
        for channel in 0..3 {
            let row: Vec<f32> = (0..SIZE.0).map(|_| light + 0.1 * dice.below(1000) as f32 / 1000.0).collect();
            image.write_row(channel, y, &row);
        }
        image.write_row(3, y, &vec![1.0; SIZE.0 as usize]);
    }
    let bytes = exr::encode(&image, Compression::Zip, &[]).unwrap();
    film.write(&format!("plates/{plate}.{frame}.exr"), bytes);
}

/// A matte as a person cuts it: a patch, so far from the left.
fn patch(left: u32) -> Vec<u8> {
    let mut bytes = vec![0; (SIZE.0 * SIZE.1 * 3) as usize];
    for (x, y) in (left..left + 5).flat_map(|x| (6..11).map(move |y| (x, y))) {
        let at = ((y * SIZE.0 + x) * 3) as usize;
        bytes[at..at + 3].fill(255);
    }
    png::encode(SIZE.0, SIZE.1, &bytes)
}

/// Puts a person's mattes of a shot into a packet.
fn work(packet: &Path, shot: &str, frames: std::ops::RangeInclusive<i64>, left: u32) {
    let folder = packet.join("return").join(shot);
    std::fs::create_dir_all(&folder).unwrap();
    for frame in frames {
        std::fs::write(folder.join(format!("roto.{frame}.png")), patch(left + (frame % 8) as u32)).unwrap();
    }
}

/// Frames of picture that a rebuild rendered, by stage; where a hand's file was only taken in anew it is among them.
fn pictures(said: &Said) -> BTreeMap<String, String> {
    let mut stages: BTreeMap<String, FrameSet> = BTreeMap::new();
    for place in &said.rendered {
        let (stage, frame) = place.split_once('@').unwrap();
        let name = stage.split_once('/').unwrap().1;
        if ["roto", "cleanup", "colour", "assembly"].contains(&name) {
            stages.entry(stage.into()).or_default().insert(frame.parse().unwrap());
        }
    }
    stages.into_iter().map(|(stage, frames)| (stage, frames.to_string())).collect()
}

/// As [`pictures`]: these frames of all stages of these shots, and these of the film.
fn all_of(shots: &[(&str, &str)], film: &str) -> BTreeMap<String, String> {
    let stages = shots.iter().flat_map(|(shot, frames)| {
        ["roto", "cleanup", "colour"].map(|stage| (format!("{shot}/{stage}"), frames.to_string()))
    });
    let film = (!film.is_empty()).then(|| ("film/assembly".to_string(), film.to_string()));
    stages.chain(film).collect()
}

/// Fails the test unless all went well but for what waits for people.
#[track_caller]
fn but_for_people(said: Said) -> Said {
    let none = json!([]);
    let is_well = said.json["failures"] == none && said.json["failed_before"] == none;
    assert!(said.code == Some(1) && is_well && said.json["blocked"] != 0, "{}", said.json);
    said
}

fn lapsed(said: &Said) -> Vec<(String, String)> {
    let all = said.json["lapsed"].as_array().unwrap().iter();
    all.map(|of| {
        assert_eq!(of["by"], json!(["joren"]));
        (of["stage"].as_str().unwrap().to_string(), of["frames"].as_str().unwrap().to_string())
    })
    .collect()
}

fn named(list: &Value, name: &str, key: &str) -> f64 {
    let found = list.as_array().unwrap().iter().find(|one| one["name"] == name);
    found.unwrap_or_else(|| panic!("no {name} in {list}"))[key].as_f64().unwrap()
}

fn digest(path: std::path::PathBuf) -> ImageDigest {
    exr::decode_image(&std::fs::read(path).unwrap()).unwrap().digest()
}

/// Writes the film as it is locked.
fn locked() -> Film {
    let film = Film::new();
    for frame in 1001..=1016 {
        plate(&film, "shed", frame, 0.2 + 0.01 * (frame - 1000) as f32);
        plate(&film, "pan", frame, 0.21 + 0.01 * (frame - 1000) as f32);
    }
    let mut dice = Dice(5);
    let samples = (0..48_000).map(|_| (dice.below(20_001) as f32 / 10_000.0 - 1.0) * 0.25).collect();
    film.write("sounds/rustle.wav", wave::plain(&Sound { rate: 48_000, channels: vec![samples] }).unwrap());
    film.write(
        "cut/lock-1.edl",
        list(&[("br010", 1003, 1010), ("br020", 1003, 1010), ("br030", 1003, 1010)]),
    );
    film.write("pipelines/salt.yaml", RECIPE);
    film.write("endboard.yaml", format!("{HEAD}{TAIL}"));
    assert_eq!(film.said(&["check"]).0, Some(0), "{}", film.said(&["check"]).1);
    film
}

/// Mattes go out to two people, and come back in parts.
fn mattes(film: &Film) {
    let said = but_for_people(film.rebuild(&[]));
    assert_eq!(pictures(&said), BTreeMap::new());
    let (_, ana) = hand_out(film, &["br010/roto", "br020/roto", "--to", "ana"]);
    let (_, tomas) = hand_out(film, &["br030/roto", "--to", "tomas"]);
    assert_eq!(film.json(&["outstanding"])["packets"].as_array().unwrap().len(), 2);
    assert_eq!(film.status_of("br030/roto"), json!([["1001-1012", "out"]]));
    // One shot of two comes, and then both with the sheet put right.
    work(&ana, "br010", 1001..=1012, 4);
    sheet(&ana, &["2026-01-05,br010,1001-1012,2,first go"]);
    let came = take_back(film, &ana, &[]);
    assert_eq!((&came["open"], &came["hours"]["seconds"]), (&json!(true), &json!(7200.0)));
    let said = but_for_people(film.rebuild(&[]));
    assert_eq!(pictures(&said), all_of(&[("br010", "1001-1012")], "1-8"));
    work(&ana, "br020", 1001..=1012, 6);
    sheet(&ana, &["2026-01-05,br010,1001-1012,2.5,first go", "2026-01-08,br020,1001-1012,3,"]);
    let came = take_back(film, &ana, &[]);
    let hours = (&came["hours"]["new"], &came["hours"]["corrected"]);
    assert_eq!((&came["open"], hours), (&json!(false), (&json!(1), &json!(1))), "{came}");
    work(&tomas, "br030", 1001..=1012, 8);
    sheet(&tomas, &["2026-01-07,br030,1001-1012,1.2,"]);
    take_back(film, &tomas, &[]);
    let said = film.rebuild(&[]).well();
    assert_eq!(pictures(&said), all_of(&[("br020", "1001-1012"), ("br030", "1001-1012")], "9-24"));
    assert!(film.rebuild(&[]).well().rendered.is_empty());
}

/// The grade is clocked, and all of it approved.
fn grade(film: &Film) {
    film.json(&["clock", "start", "br010/colour", "--person", "keeper"]);
    let stopped = film.json(&["clock", "stop", "--person", "keeper", "--took", "1m"]);
    // Most of it was done before the clock ran.
    assert_eq!(film.json(&["clock", "correct", stopped["name"].as_str().unwrap(), "45m"])["seconds"], 2700.0);
    film.json(&["clock", "add", "br030/colour", "1h30m", "--person", "ines", "--day", "2026-01-10"]);
    let (exit, said) =
        film.said(&["approve", "br010", "br020", "br030", "film/assembly", "--person", "joren"]);
    assert_eq!(exit, Some(0), "{said}");
    assert_eq!(film.json(&["approvals"])["unapproved"], json!([]));
}

/// br030 moves to the front, begins two frames later and goes on for four more, two of them beyond its handles; br010 goes on
/// into its handles; br020 is dropped; br040 is new.
fn recut(film: &Film) {
    let new = [("br030", 1005, 1014), ("br010", 1003, 1012), ("br040", 1003, 1008)];
    film.write("cut/lock-2.edl", list(&new));
    let (exit, said) = film.said(&["recut", "cut/lock-2.edl", "--take-up", "--grow"]);
    assert!(exit == Some(1) && said.contains("br040 is not declared"), "{said}");
    film.write("endboard.yaml", format!("{HEAD}{BR040}{TAIL}"));
    let told = film.json(&["recut", "cut/lock-2.edl"]);
    let mut fates: Vec<String> = (told["changes"].as_array().unwrap().iter())
        .map(|of| format!("{} {}", of["shot"].as_str().unwrap(), of["fates"]))
        .collect();
    fates.sort();
    let want = [
        "br010 [\"extended\"]",
        "br020 [\"dropped\"]",
        "br030 [\"moved\",\"trimmed\",\"extended\"]",
        "br040 [\"new\"]",
    ];
    assert_eq!(fates, want);
    let longer = &told["longer"][0];
    assert_eq!(
        (&longer["shot"], &longer["before"], &longer["after"]),
        (&json!("br030"), &json!("1003-1010"), &json!("1003-1014"))
    );
    // Twelve frames took Tomas 1.2 hours: six minutes each. Those of br040 are due by the declaration already.
    let hand = &told["by_hand"][0];
    let who = (&hand["last"]["person"], &hand["last"]["same_frames"], &hand["seconds"]);
    assert_eq!((&hand["new"], who), (&json!("1013-1016"), (&json!("tomas"), &json!(false), &json!(1440.0))));
    assert_eq!(told["by_hand"].as_array().unwrap().len(), 1, "{told}");
    let lapses = told["approvals"].as_array().unwrap();
    assert_eq!(lapses.len(), 1, "{told}");
    assert_eq!((&lapses[0]["stage"], &lapses[0]["changed"]), (&json!("assembly"), &json!("1-24")));
    let falls: Vec<&Value> =
        told["cues"].as_array().unwrap().iter().filter(|cue| cue["fate"] == "falls off").collect();
    assert_eq!((falls.len(), &falls[0]["cue"]), (1, &json!("line")));
    // Of one shot alone.
    let of_one = film.json(&["recut", "cut/lock-2.edl", "br010"]);
    assert_eq!((of_one["changes"].as_array().unwrap().len(), &of_one["by_hand"]), (1, &json!([])));

    let taken = film.json(&["recut", "cut/lock-2.edl", "--take-up", "--grow"]);
    assert_eq!(
        (&taken["taken_up"], &taken["frames"][0]["to"]),
        (&json!(true), &json!("1003-1014")),
        "{taken}"
    );
    // Film frames 1 to 6 and 11 to 18 were shown before and come back. Four more are of handles; the rest waits for hands.
    let said = but_for_people(film.rebuild(&[]));
    assert_eq!(pictures(&said), all_of(&[], "7-8,19-20"));
    assert_eq!(lapsed(&said), [("film/assembly".into(), "1-8,11-20".into())]);
    // Whoever goes on with it sees what is finished.
    let cut = film.json(&["cut", "--edl", "out/half.edl"]);
    let states: Vec<(&Value, &Value)> =
        cut["shots"].as_array().unwrap().iter().map(|of| (&of["shot"], &of["finished"])).collect();
    let (yes, no) = (json!(true), json!(false));
    assert_eq!(states, [(&json!("br030"), &no), (&json!("br010"), &yes), (&json!("br040"), &no)]);
    assert_eq!(cut["shots"][0]["not"], json!([{ "state": "blocked", "frames": "1013-1014" }]), "{cut}");
    // Its handles were approved by nobody, and two of them are shown now.
    assert_eq!(cut["shots"][1]["unapproved"], "1011-1012");
}

/// What the new cut asks of hands, a plate that was mended meanwhile, and what lapsed with it.
fn again(film: &Film) {
    let (_, tomas) = hand_out(film, &["br030/roto", "--to", "tomas"]);
    work(&tomas, "br030", 1013..=1016, 8);
    sheet(&tomas, &["2026-01-14,br030,1013-1016,0.4,"]);
    let (_, ana) = hand_out(film, &["br040/roto", "--to", "ana"]);
    work(&ana, "br040", 1001..=1010, 16);
    sheet(&ana, &["2026-01-15,br040,1001-1010,1,"]);
    for packet in [&tomas, &ana] {
        assert_eq!(take_back(film, packet, &[])["open"], false);
    }
    let said = film.rebuild(&[]).well();
    assert_eq!(pictures(&said), all_of(&[("br030", "1013-1016"), ("br040", "1001-1010")], "9-10,21-26"));
    assert_eq!(lapsed(&said), [("film/assembly".into(), "9-10,21-24".into())]);

    // A frame of the plate is mended: both shots of it show it, film frames 2 and 14, and their mattes are to be looked at.
    plate(film, "shed", 1006, 0.27);
    let said = film.rebuild(&[]);
    let mended = |stages: &[&str], film: &str| -> BTreeMap<String, String> {
        let all = stages.iter().map(|stage| (stage.to_string(), "1006".to_string()));
        all.chain([("film/assembly".to_string(), film.to_string())]).collect()
    };
    let shots = ["br010/cleanup", "br010/colour", "br030/cleanup", "br030/colour"];
    assert_eq!(pictures(&said), mended(&shots, "2,14"));
    assert_eq!(
        lapsed(&said),
        [("br010/colour".into(), "1006".into()), ("br030/colour".into(), "1006".into())]
    );
    // One is cut anew; the other still serves.
    let (_, ana) = hand_out(film, &["br010/roto", "--to", "ana"]);
    work(&ana, "br010", 1006..=1006, 18);
    sheet(&ana, &["2026-01-20,br010,1006,0.5,"]);
    take_back(film, &ana, &[]);
    let (_, tomas) = hand_out(film, &["br030/roto", "--to", "tomas"]);
    work(&tomas, "br030", 1006..=1006, 8);
    sheet(&tomas, &["2026-01-21,br030,1006,0.1,"]);
    take_back(film, &tomas, &[]);
    let said = film.rebuild(&[]).well();
    assert_eq!(pictures(&said), mended(&["br010/roto", "br010/cleanup", "br010/colour", "br030/roto"], "14"));
    assert_eq!(film.json(&["outstanding"])["packets"], json!([]));
    let words = [
        "approve",
        "br010/colour@1006,1011-1012",
        "br030/colour",
        "br040",
        "film/assembly",
        "--person",
        "joren",
    ];
    assert_eq!(film.said(&words).0, Some(0));
    assert_eq!(film.json(&["approvals"])["unapproved"], json!([]));
}

/// It is looked at, foretold, delivered, and written for others.
fn deliver(film: &Film) {
    let (exit, said) = film.said(&["inspect"]);
    assert_eq!(exit, Some(0), "{said}");
    let forecast = film.json(&["forecast", "--from", "2026-12-01", "--runs", "200"]);
    // Nothing of hands is left.
    let left = forecast["remaining"].as_array().into_iter().flatten().filter(|of| of["of"] == "hands");
    assert!(forecast["format"].is_string() && left.count() == 0, "{forecast}");
    let made = film.json(&["deliver"]);
    let made = &made["deliveries"][0];
    assert_eq!((&made["came"], &made["place"]), (&json!("made"), &json!("deliveries/master")), "{made}");
    let at = |name: String| film.path().join(name);
    for n in 1..=26 {
        let delivered = at(format!("deliveries/master/The-Brine-Lamp-master.{n:04}.exr"));
        assert_eq!(
            digest(delivered),
            digest(at(format!("renders/film/assembly/film.{n:04}.exr"))),
            "frame {n}"
        );
    }
    assert!(!at("deliveries/master/The-Brine-Lamp-master.0027.exr".into()).exists());
    let heard =
        sound::read(std::fs::File::open(at("deliveries/master/The-Brine-Lamp-master.wav".into())).unwrap());
    // 26 frames at 24 a second, of 48,000 samples.
    assert_eq!(heard.unwrap().channels[0].len(), 52_000);
    assert_eq!(film.json(&["deliver"])["deliveries"][0]["came"], "fresh");

    let words = ["cut", "--edl", "out/film.edl", "--otio", "out/film.otio", "--delivery", "master"];
    let cut = film.json(&words);
    let all_done = cut["shots"]
        .as_array()
        .unwrap()
        .iter()
        .all(|of| of["finished"] == true && of["unapproved"].is_null());
    assert!(all_done, "{cut}");
    let edl = film.text("out/film.edl");
    let pattern = "* SOURCE FILE: deliveries/master/The-Brine-Lamp-master.####.exr";
    assert_eq!(edl.matches(pattern).count(), 3, "{edl}");
    // br010 is film frames 11 to 20 of the delivery.
    assert!(
        edl.contains(&format!(
            "master   V     C       {}",
            [11, 21, 86_410, 86_420].map(|n| format!(" {}", code(n))).concat()
        )),
        "{edl}"
    );
    let otio: Value = serde_json::from_str(&film.text("out/film.otio")).unwrap();
    let clip = &otio["tracks"]["children"][0]["children"][1];
    let (range, media) = (&clip["source_range"], &clip["media_references"]["DEFAULT_MEDIA"]);
    assert_eq!((&range["start_time"]["value"], &range["duration"]["value"]), (&json!(11.0), &json!(10.0)));
    assert_eq!(
        (&media["start_frame"], &media["available_range"]["duration"]["value"]),
        (&json!(1), &json!(26.0))
    );
}

/// Where the time went, to the minute.
fn hours(film: &Film) {
    let all = film.json(&["hours"]);
    let hands = &all["hands"];
    let minutes = |n: f64| n * 60.0;
    for (person, want) in [
        // 2.5 h put right, 3 h, 1 h, and half an hour once more; 1.2 h, 0.4 h and six minutes.
        ("ana", minutes(150.0 + 180.0 + 60.0 + 30.0)),
        ("tomas", minutes(72.0 + 24.0 + 6.0)),
        ("ines", minutes(90.0)),
        ("keeper", minutes(45.0)),
    ] {
        assert_eq!(named(&hands["by_person"], person, "seconds"), want, "{person}: {hands}");
    }
    assert_eq!(hands["total"]["seconds"], minutes(420.0 + 102.0 + 90.0 + 45.0));
    // A stage that is handed out again counts as rework, but not for frames that the new cut asked for and that were never made.
    assert_eq!(hands["total"]["rework_seconds"], minutes(30.0 + 6.0), "{hands}");
    assert_eq!(named(&hands["by_stage"], "colour", "seconds"), minutes(135.0));
    assert_eq!(named(&hands["by_shot"], "br030", "rework_seconds"), minutes(6.0));
    assert_eq!(named(&hands["final_steps"], "colour", "seconds"), minutes(135.0));
    // Three shots of 12 frames, four and ten more, both mended ones, and one of them once more.
    for stage in ["cleanup", "colour"] {
        assert_eq!(named(&all["by_stage"], stage, "frames"), 36.0 + 14.0 + 2.0 + 1.0, "{stage}: {all}");
    }
    // The film's frames: all of the first cut, four, eight, two and one.
    assert_eq!(named(&all["by_stage"], "assembly", "frames"), 24.0 + 4.0 + 8.0 + 2.0 + 1.0, "{all}");
    assert!(named(&all["by_stage"], "deliver.master", "wall_seconds") > 0.0);
    let steps = &all["final_steps"];
    let wall = |of: &Value| of["wall_seconds"].as_f64().unwrap_or_else(|| panic!("{all}"));
    assert!(wall(steps) > 0.0 && wall(steps) < wall(&all["total"]), "{all}");
    assert_eq!(all["packets"].as_array().unwrap().len(), 6, "{all}");
    assert!(all["waiting"].is_array());
}

#[test]
fn a_film_is_finished() {
    let film = locked();
    mattes(&film);
    grade(&film);
    recut(&film);
    again(&film);
    deliver(&film);
    hours(&film);
}
