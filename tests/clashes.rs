//! `endboard clashes` end to end: names, times, places and what settings make of them.
//!
//! Knows two rods whose blow can be worked out by hand. How clashes are found, the tests of `operators::image::blades` know.

mod project;

use project::Film;
use serde_json::json;

/// The keeper stands at x = 16; the raker's tip comes at two pixels a frame and is thrown back at 1005.
const RODS: &str = "\
rods:
  keeper: { ease: linear, keys: { 1001: { base: [16, 16], tip: [16, 1] } } }
  raker:
    ease: linear
    keys:
      1001: { base: [2, 16], tip: [8, 4] }
      1005: { base: [10, 16], tip: [16, 4] }
      1008: { base: [2, 16], tip: [8, 4] }
";

const SHOTS: &str = "  br010:
    plate: shed
    frames: 1001-1008
    stages:
      blades: { operator: blades, from: { picture: plate }, shapes: roto/br010.yaml, width: 2, burst: 1 }
  br020:
    plate: shed
    frames: 1001-1008
    stages: { colour: { operator: grade } }
";

fn film() -> Film {
    let film = Film::new();
    film.declare(SHOTS);
    film.write("roto/br010.yaml", RODS);
    film
}

#[test]
fn a_blow_is_listed_by_name_and_place_without_a_picture() {
    let film = film();
    let answer = film.json(&["clashes"]);
    assert_eq!(
        (&answer["format"], &answer["film"]),
        (&json!("endboard clashes 1"), &json!("The Brine Lamp"))
    );
    let list = answer["clashes"].as_array().unwrap();
    assert_eq!(list.len(), 1, "{answer}");
    assert_eq!((&list[0]["stage"], &list[0]["name"]), (&"br010/blades".into(), &"keeper+raker@1005".into()));
    // Half a frame to either side is looked at, and a sixteenth of a frame is the step.
    assert!((list[0]["time"].as_f64().unwrap() - 1005.0).abs() < 0.6, "{answer}");
    let at = |i: usize| list[0]["at"][i].as_f64().unwrap();
    assert!((at(0) - 16.0).abs() < 2.0 && (at(1) - 4.0).abs() < 2.5, "{answer}");
    let (code, words) = film.said(&["clashes", "br010"]);
    assert!(code == Some(0) && words.starts_with("br010/blades  keeper+raker@1005  at frame 100"), "{words}");
    // No plate was there to be read, and nothing is left behind.
    assert!(!film.path().join(".endboard").exists() && !film.path().join("renders").exists());
}

#[test]
fn the_name_drops_it_and_selectors_choose() {
    let film = film();
    for words in [["clashes", "br020"], ["clashes", "br010@1001-1003"], ["clashes", "br010/plate"]] {
        assert_eq!(film.said(&words), (Some(0), "no clashes\n".into()), "{words:?}");
        assert_eq!(film.json(&words)["clashes"], json!([]));
    }
    assert!(film.said(&["clashes", "br010/blades@1004-1006"]).1.contains("keeper+raker@1005"));
    let says = |film: &Film| film.json(&["clashes"])["clashes"][0]["says"].to_string();
    assert!(says(&film).contains("kept"), "{}", says(&film));
    let dropped = "burst: 1, clashes: { keeper+raker@1005: drop }";
    film.declare(&SHOTS.replace("burst: 1", dropped));
    assert!(says(&film).contains("dropped"), "{}", says(&film));
    let (code, words) = film.said(&["clashes", "br01"]);
    assert!(code == Some(2) && words.contains("did you mean br010"), "{words}");
    film.declare(&SHOTS.replace("width: 2", "width: wide"));
    let (code, words) = film.said(&["clashes"]);
    assert!(code == Some(1) && words.contains("endboard.yaml"), "{words}");
}

#[test]
fn what_becomes_of_a_blow_is_told_as_it_will_be() {
    let film = film();
    let says = |settings: &str| {
        film.declare(&SHOTS.replace("burst: 1", settings));
        let words = film.json(&["clashes"])["clashes"][0]["says"].as_str().unwrap().to_string();
        words.split_once(", ").unwrap().1.to_string()
    };
    let edit = |what: &str| format!("clashes: {{ keeper+raker@1005: {{ {what} }} }}");
    for (settings, wanted) in [
        (format!("burst: 0, {}", edit("light: 0.5")), "no burst: `burst` is 0"),
        ("burst: { 1001: 1, 1003: 0 }".into(), "no burst: `burst` is 0 at frame 1005"),
        (format!("burst: {{ 1001: 1, 1003: 0 }}, {}", edit("frames: -3")), "3 frames earlier"),
        (format!("burst: 1, {}", edit("light: 0")), "no burst: its `light` is 0"),
        (format!("burst: 1, {}", edit("frames: 1, light: 0.5")), "1 frame later, light 0.5"),
        (format!("burst: 1, {}", edit("move: [4, -2]")), "moved by [4, -2] px"),
        (format!("burst: 1, {}", edit("light: 1")), "kept"),
    ] {
        assert_eq!(says(&settings), wanted, "{settings}");
    }
}

/// Rods that move at once, and a hum that would not follow another speed of their picture.
#[test]
fn cues_of_blades_begin_in_the_film_and_a_changed_speed_is_told() {
    let film = Film::new();
    let sound = "assembly: {}\nsound:\n  buses: { effects: {} }\n  cue_files: [cues/blades.yaml]\n";
    film.declare(&format!("{SHOTS}{sound}"));
    film.write("roto/br010.yaml", RODS);
    let (code, said) = film.said(&["hum", "--least", "0.5"]);
    assert_eq!(code, Some(0), "{said}");
    let cues = film.text("cues/blades.yaml");
    let swings: Vec<&str> = cues.lines().filter(|line| line.contains("swing:")).collect();
    assert!(!swings.is_empty(), "{cues}");
    for line in swings {
        let number = |after: &str| -> f64 {
            let rest = &line[line.find(after).unwrap() + after.len()..];
            rest[..rest.find(',').unwrap()].trim().parse().unwrap()
        };
        // The film's first frame is br010@1001.
        assert!(number("@") - 1001.0 + number("plus:") >= -0.011, "{line}");
    }
    assert!(!film.said(&["check"]).1.contains("before the film begins"), "{cues}");
    let slowed = SHOTS.replacen(
        "width: 2, burst: 1 }",
        "width: 2, burst: 1 }\n      slow: { operator: retime, from: { picture: blades }, speed: 50 }",
        1,
    );
    film.declare(&format!("{slowed}{sound}"));
    let said = film.said(&["check"]).1;
    assert!(said.contains("br010/slow changes the speed of this rod's picture"), "{said}");
}
