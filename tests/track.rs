//! `endboard track` on a small film whose motion is known: what it writes, keeps, refuses and says.
//!
//! Knows the truth by formula. Does not know how things are followed.

mod project;

use endboard::base::frames::FrameSet;
use endboard::base::problem::SourceId;
use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use endboard::operators::shape;
use project::Film;
use serde_json::Value;

const SIZE: (u32, u32) = (192, 128);
const FRAMES: std::ops::RangeInclusive<i64> = 1001..=1012;

const FILM: &str = "\
film: The Brine Lamp
rate: 24
frame_size: 192x128
plates:
  shed: { files: plates/shed.####.exr, frames: 1001-1012, encoding: linear-rec709 }
shots:
  br030:
    plate: shed
    frames: 1001-1012
    stages:
      roto: { operator: roto, shapes: roto/br030.yaml }
      colour: { operator: grade, from: { picture: plate }, exposure: 1 }
";

/// A matte of the raker, who comes in from the right.
const ROTO: &str = "\
mattes:
  raker:
    shapes:
      - keys:
          1001: [[150, 0], [192, 0], [192, 128], [150, 128]]
          1010: [[100, 0], [192, 0], [192, 128], [100, 128]]
";

/// The camera's way.
fn way(n: i64) -> [f64; 2] {
    let t = (n - 1001) as f64;
    [1.3 * t, 0.6 * (t * 0.8).sin()]
}

/// Base and tip of a pole that swings.
fn pole(n: i64) -> [f64; 4] {
    let turn = 0.9 + 0.16 * (n - 1001) as f64;
    [70.0, 90.0, 70.0 + 58.0 * turn.cos(), 90.0 - 58.0 * turn.sin()]
}

fn light(n: i64, x: f64, y: f64) -> f64 {
    let [u, v] = [x - way(n)[0], y - way(n)[1]];
    let wave = |a: f64, b: f64, p: f64| (a * u + b * v + p).sin();
    let set = 0.12
        + 0.02 * wave(0.6, 0.3, 0.0) * wave(-0.2, 0.7, 1.0)
        + 0.03 * wave(0.2, -0.2, 2.0)
        + 0.02 * wave(0.1, 0.15, 4.0);
    let [a, b, c, d] = pole(n);
    let (dx, dy) = (c - a, d - b);
    let along = (((x - a) * dx + (y - b) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
    let apart = (x - a - along * dx).hypot(y - b - along * dy);
    set + 0.5 * (2.5 - apart).clamp(0.0, 1.0)
}

fn film() -> Film {
    let film = Film::new();
    film.write("endboard.yaml", FILM);
    film.write("roto/br030.yaml", ROTO);
    for n in FRAMES {
        let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
        for y in 0..SIZE.1 {
            let row = |x: u32| light(n, f64::from(x) + 0.5, f64::from(y) + 0.5) as f32;
            let row: Vec<f32> = (0..SIZE.0).map(row).collect();
            (0..3).for_each(|c| image.write_row(c, y, &row));
            image.write_row(3, y, &vec![1.0; SIZE.0 as usize]);
        }
        film.write(&format!("plates/shed.{n}.exr"), exr::encode(&image, Compression::None, &[]).unwrap());
    }
    film
}

/// Numbers of the key of a frame.
fn numbers(text: &str, thing: &str, frame: i64) -> Vec<f64> {
    let part = text.split_once(&format!("  {thing}:\n")).expect("the thing").1;
    let line = part.lines().find(|l| l.trim_start().starts_with(&format!("{frame}:"))).expect("the key");
    let line = line.split_once(':').unwrap().1.split("sure").next().unwrap();
    line.split(|c: char| !c.is_ascii_digit() && c != '.' && c != '-').filter_map(|w| w.parse().ok()).collect()
}

/// How sure the base of the keeper's key is: 1 where a person set it.
fn base_sure(text: &str, frame: i64) -> f64 {
    let part = text.split_once("  keeper:\n").expect("the rod").1;
    let line = part.lines().find(|l| l.trim_start().starts_with(&format!("{frame}:"))).expect("the key");
    let Some((_, sure)) = line.split_once("sure: ") else { return 1.0 };
    sure.trim_start_matches('[').split([',', ' ']).next().unwrap().parse().unwrap()
}

fn thing<'v>(answer: &'v Value, name: &str) -> &'v Value {
    answer["things"].as_array().unwrap().iter().find(|t| t["name"] == name).unwrap()
}

#[test]
fn a_place_a_patch_and_a_rod_are_followed_from_the_command_line() {
    let film = film();
    let key = |n: i64| pole(n).map(|v| v.to_string()).join(",") + &format!("@{n}");
    let (first, last) = (format!("keeper={}", key(1001)), format!("keeper={}", key(1012)));
    let answer = film.json(&[
        "track",
        "br030",
        "--point",
        "hook=120.5,40.25@1001",
        "--plane",
        "wall=100,20,140,22,138,70,98,66@1004",
        "--blade",
        &first,
        "--blade",
        &last,
    ]);
    assert_eq!(answer["format"], "endboard track 1");
    assert_eq!((&answer["place"], &answer["file"]), (&"br030/plate".into(), &"tracks/br030.yaml".into()));
    for name in ["hook", "wall", "keeper"] {
        assert_eq!(thing(&answer, name)["lost"], "none", "{answer}");
    }
    let text = film.text("tracks/br030.yaml");
    for n in FRAMES {
        let hook = numbers(&text, "hook", n);
        let truth = [120.5 + way(n)[0], 40.25 + way(n)[1]];
        assert!((hook[0] - truth[0]).hypot(hook[1] - truth[1]) < 0.05, "{n}: {hook:?} {truth:?}");
        let wall = numbers(&text, "wall", n);
        for (i, at) in [100.0, 20.0, 140.0, 22.0, 138.0, 70.0, 98.0, 66.0].iter().enumerate() {
            assert!((wall[i] - at - way(n)[i % 2] + way(1004)[i % 2]).abs() < 0.2, "{n}: {wall:?}");
        }
        let rod = numbers(&text, "keeper", n);
        let pole = pole(n);
        // The pole's ends are round: light reaches half its width further.
        assert!((rod[2] - pole[2]).hypot(rod[3] - pole[3]) < 4.0, "{n}: {rod:?} {pole:?}");
        let turn = (rod[3] - rod[1]).atan2(rod[2] - rod[0]) - (pole[3] - pole[1]).atan2(pole[2] - pole[0]);
        assert!(turn.abs() < 0.03, "{n}: {rod:?} {pole:?}");
    }
    // A base that is less sure than frames must be is told of, and its key says so; of all others none is.
    let guessed: FrameSet = FRAMES.filter(|n| base_sure(&text, *n) < 0.35).collect();
    assert_eq!(thing(&answer, "keeper")["base_guessed"], guessed.to_string(), "{text}");
    assert_eq!(thing(&answer, "hook")["base_guessed"], "none");
    // The file is a shapes file: what a person set has no `sure`, and what was followed has.
    assert!(text.contains("1001: { at: [120.5, 40.25] }") && text.contains("sure: 0.9"), "{text}");
}

#[test]
fn what_a_person_set_stays_and_the_rest_of_the_file_too() {
    let film = film();
    let head =
        "# By hand.\nmattes:\n  crew:\n    shapes:\n      - keys: { 1001: [[0, 0], [9, 0], [9, 9]] }\n";
    let keys = "points:\n  hook:\n    keys:\n      1001: { at: [120.5, 40.25] }\n      1006: { at: [126.9, 39.6] }\n      1003: { at: [0, 0], sure: 0.4 }\n";
    film.write("roto/own.yaml", format!("{head}{keys}"));
    let (code, words) = film.said(&["track", "br030@1001-1008", "--file", "roto/own.yaml"]);
    assert_eq!(code, Some(0), "{words}");
    assert!(words.contains("point hook: 2 set by hand, 6 frames followed"), "{words}");
    let once = film.text("roto/own.yaml");
    assert!(once.starts_with(head), "{once}");
    assert!(once.contains("1001: { at: [120.5, 40.25] }") && once.contains("1006: { at: [126.9, 39.6] }"));
    assert!((numbers(&once, "hook", 1003)[0] - 120.5 - way(1003)[0]).abs() < 0.3 && !once.contains("1009:"));
    // Once more is the same file, and no key is set over one that a person set.
    assert_eq!(film.said(&["track", "br030@1001-1008", "--file", "roto/own.yaml"]).0, Some(0));
    assert_eq!(film.text("roto/own.yaml"), once);
    let over = ["track", "br030", "--file", "roto/own.yaml", "--point", "hook=9,9@1006"];
    let (code, words) = film.said(&over);
    assert!(code == Some(2) && words.contains("set by hand"), "{words}");
    assert_eq!(film.text("roto/own.yaml"), once);
    let (code, words) =
        film.said(&["track", "br030", "--file", "roto/own.yaml", "--point", "hook=60,60@1009", "--plan"]);
    assert!(code == Some(0) && words.contains("nothing written"), "{words}");
    assert_eq!(film.text("roto/own.yaml"), once);
}

#[test]
fn a_stages_frames_come_from_the_store_and_are_asked_for_when_they_are_not_there() {
    let film = film();
    let words = ["track", "br030/colour", "--point", "hook=120.5,40.25@1001"];
    let (code, said_so) = film.said(&words);
    assert!(code == Some(1) && said_so.contains("endboard rebuild br030/colour@1001-1012"), "{said_so}");
    assert!(!film.path().join("tracks").exists());
    film.rebuild(&["br030/colour"]).well();
    let answer = film.json(&words);
    assert!(thing(&answer, "hook")["least"].as_f64().unwrap() > 0.9, "{answer}");
    film.write("endboard.yaml", FILM.replace("exposure: 1", "exposure: 2"));
    assert_eq!(film.said(&words).0, Some(1));
}

#[test]
fn what_is_lost_is_told_and_has_no_key() {
    let film = film();
    film.rebuild(&["br030/roto"]).well();
    // By 1010 the raker stands before all that is around it.
    let (code, words) =
        film.said(&["track", "br030", "--point", "hook=148,60@1001", "--holdout", "roto.raker"]);
    assert_eq!(code, Some(0), "{words}");
    let lost = words.lines().find(|l| l.contains("lost, without a key: br030/plate@")).expect("what is lost");
    assert!(lost.contains("1012"), "{words}");
    assert!(!film.text("tracks/br030.yaml").contains("1012:"));
}

/// Shapes that go along with what was followed, the first drawn on 1001, the second on 1004.
const RIDING: &str = "\
mattes:
  mark:
    follows: hook
    shapes:
      - keys: { 1001: [[115.5, 35.25], [125.5, 35.25], [125.5, 45.25], [115.5, 45.25]] }
  sign:
    follows: wall
    shapes:
      - keys: { 1004: [[100, 20], [140, 22], [138, 70], [98, 66]] }
";

#[test]
fn a_written_track_is_read_as_a_shapes_file_and_mattes_ride_on_it() {
    let film = film();
    let wall = "wall=100,20,140,22,138,70,98,66@1004";
    film.json(&["track", "br030", "--point", "hook=120.5,40.25@1001", "--plane", wall]);
    let read = |text: &str| {
        let (shapes, problems) = shape::file::read(SourceId(0), text);
        assert!(problems.is_empty(), "{problems:?}");
        shapes
    };
    let mut shapes = read(RIDING);
    let problems = shapes.follow(Some(read(&film.text("tracks/br030.yaml")).motions));
    assert!(problems.is_empty(), "{problems:?}");
    let drawn: Vec<_> = shapes.mattes.iter().flat_map(|matte| matte.shapes()).collect();
    for n in FRAMES {
        // Bounds of the followers' own checks.
        for (shape, key, bound) in [(drawn[0], 1001, 0.05), (drawn[1], 1004, 0.2)] {
            let (now, then) = (shape.at(n as f64), shape.at(key as f64));
            assert_eq!((now.points.len(), then.points.len()), (4, 4));
            for (at, was) in now.points.iter().zip(&then.points) {
                let gone = [0, 1].map(|i| at[i] - was[i] - way(n)[i] + way(key)[i]);
                assert!(gone[0].hypot(gone[1]) < bound, "{n}: {at:?} {was:?}");
            }
        }
    }
    // And in a film: the two files are two of the stage's own.
    film.write("roto/br030.yaml", RIDING);
    let roto = "shapes: roto/br030.yaml, track: tracks/br030.yaml";
    film.write("endboard.yaml", FILM.replace("shapes: roto/br030.yaml", roto));
    film.rebuild(&["br030/roto"]).well();
    assert_eq!(film.status_of("br030/roto"), serde_json::json!([["1001-1012", "fresh"]]));
}

#[test]
fn a_blade_that_a_holdout_hides_is_not_looked_for_behind_it() {
    let film = film();
    // All of the frame is hidden, though the pole is there to be seen.
    film.write("roto/br030.yaml", ROTO.replace("150", "0").replace("100,", "0,"));
    film.rebuild(&["br030/roto"]).well();
    let key = |n: i64| format!("keeper={}", pole(n).map(|v| v.to_string()).join(",")) + &format!("@{n}");
    let (first, last) = (key(1001), key(1012));
    let words: [&str; 6] = ["track", "br030", "--blade", &first, "--blade", &last];
    let seen = film.json(&[&words[..], &["--plan"][..]].concat());
    assert_eq!(thing(&seen, "keeper")["lost"], "none", "{seen}");
    let (code, said_so) = film.said(&[&words[..], &["--holdout", "roto.raker"][..]].concat());
    assert!(code == Some(2) && said_so.contains("does not stand out"), "{code:?} {said_so}");
}

#[test]
fn what_cannot_be_meant_is_refused() {
    let film = film();
    for (words, says) in [
        (&["track", "br030"][..], "nothing to follow"),
        (&["track", "br031", "--point", "a=1,2@1001"], "did you mean br030"),
        (&["track", "br030", "--point", "a=1@1001"], "2 numbers"),
        (&["track", "br030", "--point", "a=1,2"], "@FRAME"),
        (&["track", "br030", "--point", "a b=1,2@1001"], "letters, digits"),
        (&["track", "br030", "--point", "hook"], "no point of that name; give it a key, hook=X,Y@FRAME"),
        (&["track", "br030", "--blade", "hook"], "no rod of that name; give it a key, hook=X,Y,X,Y@FRAME"),
        (
            &["track", "br030", "--point", "a=1,2@900"],
            "900 is not among the frames that are followed: br030/plate@1001-1012",
        ),
        (&["track", "br030@1001-1005", "--point", "a=1,2@1007"], "br030/plate@1001-1005"),
        (&["track", "br030", "--point", "a=300,2@1001"], "outside the frame, which is 192x128"),
        (&["track", "br030", "--blade", "a=300,2,200,-9@1001"], "outside the frame"),
        (&["track", "br030", "--plane", "a=0,0,10,0,20,0,30,0@1001"], "lie in a line"),
        (&["track", "br030", "--plane", "a=0,0,30,30,30,0,0,30@1001"], "cross over"),
        // All of them at once.
        (&["track", "br030", "--point", "a=1,2@900", "--plane", "b=0,0,10,0,20,0,30,0@1001"], "\n'b=0,0"),
        (&["track", "br030", "--point", "a=1,2@1001", "--holdout", "roto.rakr"], "did you mean roto.raker"),
        (&["track", "br030", "--point", "a=1,2@1001", "--sure", "2"], "from 0 to 1"),
        (&["track", "br030@1001-1003,1007", "--point", "a=1,2@1001"], "one range"),
    ] {
        let (code, said_so) = film.said(words);
        assert!(code == Some(2) && said_so.contains(says), "{words:?}: {code:?} {said_so}");
    }
    film.write("tracks/br030.yaml", "points:\n  hook:\n    keys: { 1001: { at: [1] } }\n");
    let (code, said_so) = film.said(&["track", "br030"]);
    assert!(code == Some(2) && said_so.contains("br030.yaml:3:"), "{said_so}");
    film.write("tracks/br030.yaml", b"points:\n\xff\xfe\n");
    let (code, said_so) = film.said(&["track", "br030"]);
    assert!(
        code == Some(2) && said_so.contains("tracks/br030.yaml is not text (UTF-8) at line 2"),
        "{said_so}"
    );
    // A plane in the file that is none, and words that the reader of shapes files takes.
    film.write(
        "tracks/br030.yaml",
        "planes:\n  wall:\n    keys:\n      1001: { corners: [[0, 0], [9, 0], [18, 0], [30, 0]] }\n",
    );
    let (code, said_so) = film.said(&["track", "br030"]);
    assert!(code == Some(2) && said_so.contains("br030.yaml:4:24: these corners make no plane"), "{said_so}");
}

#[test]
fn a_name_is_followed_as_what_it_was_asked_for() {
    let film = film();
    // One name for a point and a rod.
    let both = "\
points:
  hook:
    keys: { 1001: { at: [120.5, 40.25] } }
rods:
  hook:
    keys: { 1012: { base: [70, 90], tip: [20, 60] } }
";
    for frames in ["br030@1001-1003", "br030"] {
        film.write("tracks/br030.yaml", both);
        let answer = film.json(&["track", frames, "--point", "hook"]);
        let things = answer["things"].as_array().unwrap();
        assert!(things.len() == 1 && things[0]["kind"] == "point", "{answer}");
        assert!(!film.text("tracks/br030.yaml").split("rods:").nth(1).unwrap().contains("sure"));
    }
    let (code, words) = film.said(&["track", "br030@1001-1003", "--blade", "hook"]);
    let form = "rod hook has no key set by hand on 1001-1003; give one, such as hook=X,Y,X,Y@1001";
    assert!(code == Some(2) && words.contains(form), "{code:?} {words}");
}

#[test]
fn a_plate_that_no_stage_uses_is_followed_and_a_file_that_is_missing_is_named() {
    let film = film();
    let used = FILM.split("      colour:").next().unwrap();
    film.write("endboard.yaml", used);
    let words = ["track", "br030", "--point", "hook=120.5,40.25@1001"];
    let answer = film.json(&words);
    assert_eq!(
        (&answer["frames"], &thing(&answer, "hook")["lost"]),
        (&"1001-1012".into(), &"none".into()),
        "{answer}"
    );
    for (declaration, name) in [(used, "shed"), (FILM, "shed")] {
        film.write("endboard.yaml", declaration);
        let file = film.path().join(format!("plates/{name}.1005.exr"));
        let bytes = std::fs::read(&file).unwrap();
        std::fs::remove_file(&file).unwrap();
        let (code, said_so) = film.said(&words);
        assert!(
            code == Some(1) && said_so.contains("br030/plate@1005: plates/shed.1005.exr is missing"),
            "{said_so}"
        );
        assert!(!said_so.contains("rebuild"), "{said_so}");
        std::fs::write(&file, bytes).unwrap();
    }
}

#[test]
fn nothing_but_a_shapes_file_is_written_to_and_remarks_are_kept() {
    let film = film();
    let hook = "hook=120.5,40.25@1001";
    let declaration = film.text("endboard.yaml");
    for file in ["endboard.yaml", "../beside.yaml", "/elsewhere/beside.yaml"] {
        let (code, words) = film.said(&["track", "br030", "--point", hook, "--file", file]);
        assert_eq!(code, Some(2), "{words}");
    }
    assert_eq!(film.text("endboard.yaml"), declaration);
    let (code, words) = film.said(&["track", "br030", "--point", "hook=40,oops,30@1001"]);
    assert!(code == Some(2) && words.contains("2 numbers"), "{words}");
    let own = "points:\n  hook:\n    keys:\n      1001: { at: [120.5, 40.25] }   # by eye\n";
    film.write("tracks/br030.yaml", own);
    assert_eq!(film.said(&["track", "br030"]).0, Some(0));
    let now = film.text("tracks/br030.yaml");
    assert!(now.contains("1002:") && now.starts_with(own), "{now}");
    assert!(!film.path().join("tracks/br030.1.yaml").exists());
}

#[test]
fn names_that_cannot_be_written_are_refused_before_anything_is_followed() {
    let film = film();
    let wall = "wall=100,20,140,22,138,70,98,66@1004";
    film.write("tracks/br030.yaml", "moves:\n  lean: { translate: { 1001: [0, 0], 1012: [1, 1] } }\n");
    let own = film.text("tracks/br030.yaml");
    for (words, says) in [
        (&["--point", "wall=120.5,40.25@1001", "--plane", wall][..], "'wall' names a plane too"),
        (&["--point", "null=120.5,40.25@1001"], "'null' is no name"),
        (&["--point", "True=120.5,40.25@1001"], "'True' is no name"),
        (&["--point", "~=120.5,40.25@1001"], "letters, digits"),
        (&["--point", "lean=120.5,40.25@1001"], "tracks/br030.yaml"),
    ] {
        let (code, said_so) = film.said(&[&["track", "br030"], words].concat());
        assert!(code == Some(2) && said_so.contains(says), "{words:?}: {code:?} {said_so}");
    }
    let names: Vec<_> = std::fs::read_dir(film.path().join("tracks")).unwrap().collect();
    assert_eq!((names.len(), film.text("tracks/br030.yaml")), (1, own));
    // A name that the file has for a plane is none for a point.
    film.write("tracks/br030.yaml", "");
    assert_eq!(film.said(&["track", "br030", "--plane", wall]).0, Some(0));
    let (code, said_so) = film.said(&["track", "br030", "--point", "wall=120.5,40.25@1001"]);
    assert!(code == Some(2) && said_so.contains("'wall' names a plane too"), "{said_so}");
}

#[test]
fn tracks_go_neither_into_what_is_something_elses_nor_into_a_pipe() {
    let film = film();
    let hook = "hook=120.5,40.25@1001";
    for (file, says) in [
        ("endboard.yaml", "which is the declaration"),
        ("plates/shed.1005.exr", "which is of the plate 'shed'"),
        ("renders/a.yaml", "renders/, which the tool itself writes"),
        ("ledger//a.yaml", "ledger/, which the tool itself writes"),
    ] {
        let (code, words) = film.said(&["track", "br030", "--point", hook, "--file", file]);
        assert!(code == Some(2) && words.contains(says), "{code:?} {words}");
    }
    let pipe = film.path().join("pipe.yaml");
    rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    let run = film.start(&["track", "br030", "--point", hook, "--file", "pipe.yaml"]);
    assert_eq!(project::ended(run).status.code(), Some(2));
}

#[test]
fn the_track_file_that_is_to_be_written_may_be_declared_before() {
    let film = film();
    film.write("roto/br030.yaml", RIDING);
    let roto = "shapes: roto/br030.yaml, track: tracks/br030.yaml";
    film.write("endboard.yaml", FILM.replace("shapes: roto/br030.yaml", roto));
    let (code, words) = film.said(&["check"]);
    assert!(code == Some(1) && words.contains("tracks/br030.yaml"), "{words}");
    // What its shapes do not ride on helps nothing, and neither does another file.
    let (point, plane) = ("hook=120.5,40.25@1001", "wall=100,20,140,22,138,70,98,66@1004");
    for more in
        [&["--point", point][..], &["--point", point, "--plane", plane, "--file", "tracks/other.yaml"]]
    {
        let (code, words) = film.said(&[&["track", "br030"], more].concat());
        assert!(code == Some(1) && words.contains("endboard.yaml:") && !words.contains("1001:"), "{words}");
        assert!(words.contains("tracks/br030.yaml"), "{words}");
    }
    let (code, words) = film.said(&["track", "br030", "--point", point, "--plane", plane]);
    assert_eq!(code, Some(0), "{words}");
    let (code, words) = film.said(&["check"]);
    assert_eq!(code, Some(0), "{words}");
}

#[test]
fn what_is_the_matter_with_files_is_told_for_what_it_is() {
    let film = film();
    let words = ["track", "br030", "--point", "hook=120.5,40.25@1001", "--plan"];
    let image = |n: i64| film.path().join(format!("plates/shed.{n}.exr"));
    let mut broken = Image::new(SIZE.0, SIZE.1, &RGBA);
    broken.samples_mut(1)[7] = half::f16::INFINITY;
    for n in [1010, 1012] {
        std::fs::write(image(n), exr::encode(&broken, Compression::None, &[]).unwrap()).unwrap();
    }
    let remarks = film.json(&words)["remarks"].clone();
    let told = remarks[0].as_str().unwrap_or_default();
    assert!(told.starts_with("br030/plate@1010: plates/shed.1010.exr has 1 pixel of "), "{remarks}");
    assert!(told.ends_with("(the like on 1012)") && remarks.as_array().unwrap().len() == 1, "{remarks}");
    for n in [1003, 1004] {
        std::fs::remove_file(image(n)).unwrap();
        std::fs::create_dir(image(n)).unwrap();
    }
    std::fs::remove_file(image(1005)).unwrap();
    let kind = rustix::fs::FileType::Fifo;
    rustix::fs::mknodat(rustix::fs::CWD, image(1005), kind, rustix::fs::Mode::RWXU, 0).unwrap();
    let (code, said) = film.said(&words);
    assert!(code == Some(1) && !said.contains("missing"), "{said}");
    let folder =
        "br030/plate@1003-1004: a folder stands in the place of plates/shed.1003.exr and 1 more file";
    let pipe = "br030/plate@1005: a pipe or a device stands in the place of plates/shed.1005.exr";
    assert!(said.contains(folder) && said.contains(pipe), "{said}");
}
