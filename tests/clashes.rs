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

/// Rods that move at once.
#[test]
fn cues_of_blades_begin_in_the_film() {
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
}

/// A number after a word of a line.
fn number(line: &str, after: &str) -> f64 {
    let rest =
        line[line.find(after).unwrap_or_else(|| panic!("{after}: {line}")) + after.len()..].trim_start();
    let end = rest.find(|c: char| !(c.is_ascii_digit() || ".-".contains(c))).unwrap_or(rest.len());
    rest[..end].parse().unwrap()
}

/// The film of two rods with a change of speed after its blades, and its cues.
fn sped(settings: &str, rods: &str) -> (Film, String) {
    let film = Film::new();
    let sound = "assembly: {}\nsound:\n  buses: { effects: {} }\n  cue_files: [cues/blades.yaml]\n";
    let slow =
        format!("burst: 1 }}\n      slow: {{ operator: retime, from: {{ picture: blades }}, {settings} }}");
    film.declare(&format!("{}{sound}", SHOTS.replacen("burst: 1 }", &slow, 1)));
    film.write("roto/br010.yaml", rods);
    let (code, said) = film.said(&["hum", "--least", "0.05"]);
    assert_eq!(code, Some(0), "{said}");
    let cues = film.text("cues/blades.yaml");
    (film, cues)
}

/// At half speed from source frame 1003 on, the blow of 1005 is seen at 1001 + (1005 - 1003) / 0.5 = 1005; at a speed that falls
/// straight from 100 % at 1001 to 0 at 1008, source 1003 + t - t²/14 comes to 1005 after 7 - √21 frames.
#[test]
fn cues_of_blades_go_with_a_change_of_speed_that_follows() {
    for (settings, wanted) in [
        ("speed: 50, at_frame: 1001, source_frame: 1003", 1005.0),
        ("speed: { 1001: 100, 1008: 0 }, at_frame: 1001, source_frame: 1003", 1001.0 + 7.0 - 21f64.sqrt()),
        // The picture runs back: from 1008 on, 1005 is three frames later.
        ("speed: -100, at_frame: 1001, source_frame: 1008", 1004.0),
    ] {
        let (film, cues) = sped(settings, RODS);
        let clashes: Vec<&str> = cues.lines().filter(|line| line.contains("clash:")).collect();
        assert_eq!(clashes.len(), 1, "{settings}: {cues}");
        // How a blow is found is half a frame wide in the source, as above.
        let slow = if settings.starts_with("speed: 50") { 2.0 } else { 1.0 };
        let at = number(clashes[0], "@");
        assert!((at - wanted).abs() < 0.6 * slow + 0.2, "{settings}: {at}, not {wanted}");
        let (_, said) = film.said(&["check"]);
        assert!(!said.contains("changes the speed") && !said.contains("hum"), "{said}");
    }
    // The blow of 1005 is never come to.
    let (_, cues) = sped("speed: 10, at_frame: 1001, source_frame: 1001", RODS);
    assert!(cues.contains(".hum:") && !cues.contains("clash:"), "{cues}");
}

/// A tip that goes 2 px a frame all the time passes at twice 24 px a second by the height of the frame, at half speed at once 24.
#[test]
fn a_rod_shown_at_half_speed_passes_half_as_fast() {
    // Base and tip go side by side, so that the rod does not turn and its tip goes evenly.
    let rods = "rods:\n  raker: { ease: linear, keys: { 1001: { base: [2, 16], tip: [2, 4] }, 1008: { base: [16, 16], tip: [16, 4] } } }\n";
    let strength = |settings: &str| {
        let (_, cues) = sped(settings, rods);
        let swing = cues.lines().find(|line| line.contains("swing:")).unwrap_or_else(|| panic!("{cues}"));
        number(swing, "swing:")
    };
    let (own, half) = (strength("speed: 100"), strength("speed: 50, at_frame: 1001, source_frame: 1002"));
    // Written to two places.
    assert!((half - own / 2.0).abs() < 0.0101 && own > 0.1, "{own} {half}");
}

/// An edit list of br010 alone: source frames from, to (not included), film frames, and the line of its speed.
fn cut(film: &Film, [from, to]: [i64; 2], lasts: i64, speed: Option<&str>) {
    let code = |frame: i64| format!("00:00:{:02}:{:02}", frame / 24, frame % 24);
    let (first, end) = (code(from), code(to));
    let mut text = format!(
        "TITLE: THE BRINE LAMP\nFCM: NON-DROP FRAME\n001  br010    V     C        {first} {end} 01:00:00:00 01:00:00:{lasts:02}\n"
    );
    if let Some(speed) = speed {
        text += &format!("M2   br010       {speed}                {first}\n");
    }
    film.write("cut/lock-1.edl", text);
}

/// A film of br010 at the cut's own speed, with its rods, a change of speed after its blades where one is given, and cues.
fn cut_film(rods: &str, slow: Option<&str>, cues: &str) -> Film {
    let film = Film::new();
    let sound = format!("assembly: {{}}\nsound:\n  buses: {{ effects: {{}} }}\n{cues}");
    let shots = match slow {
        Some(slow) => SHOTS.replacen(
            "burst: 1 }",
            &format!("burst: 1 }}\n      slow: {{ operator: retime, from: {{ picture: blades }}, {slow} }}"),
            1,
        ),
        None => SHOTS.to_string(),
    };
    film.declare(&format!("{shots}{sound}"));
    film.write(
        "endboard.yaml",
        film.text("endboard.yaml").replace("shots:\n", "cut: cut/lock-1.edl\nshots:\n"),
    );
    film.write("roto/br010.yaml", rods);
    film.write_plate("shed", 1);
    film
}

/// What an operator does to the speed after the blades, and what the cut does to it, sounds the same to a sample.
#[test]
fn a_hum_follows_the_cuts_own_speed_as_it_does_a_retimed_stage() {
    let hum = |frame: i64| {
        format!(
            "  cues: {{ hum: {{ bus: effects, at: br010@{frame}, voice: {{ hum: br010/blades.raker }} }} }}\n"
        )
    };
    let sound = |film: &Film| {
        film.rebuild(&["film/bus.effects"]).well();
        let folder = film.path().join("renders/film/bus.effects");
        let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().path()).collect();
        files.sort();
        files.iter().map(|file| std::fs::read(file).unwrap()).collect::<Vec<_>>()
    };
    let plain = {
        let film = cut_film(RODS, None, &hum(1003));
        cut(&film, [1003, 1009], 6, None);
        sound(&film)
    };
    for (settings, run, frame, speed) in [
        ("speed: 50, at_frame: 1003, source_frame: 1003", [1003, 1006], 1003, "012.0"),
        ("speed: -100, at_frame: 1003, source_frame: 1006", [1001, 1007], 1006, "-024.0"),
        ("speed: 0, at_frame: 1003, source_frame: 1004", [1004, 1005], 1004, "000.0"),
    ] {
        let by_operator = cut_film(RODS, Some(settings), &hum(1003));
        cut(&by_operator, [1003, 1009], 6, None);
        let by_cut = cut_film(RODS, None, &hum(frame));
        cut(&by_cut, run, 6, Some(speed));
        let (wanted, heard) = (sound(&by_operator), sound(&by_cut));
        assert!(!wanted.is_empty() && wanted == heard, "{speed}");
        assert!(heard != plain, "{speed} is not heard");
    }
}

/// Cues are written for what is seen: at half speed a rod passes half as fast, and its blow of 1005 is seen four film frames after
/// 1003; backwards from 1008, three after it. Where the film stands on a frame no blow is come to.
#[test]
fn cues_of_blades_go_with_the_cuts_own_speed() {
    let even = "rods:\n  raker: { ease: linear, keys: { 1001: { base: [2, 16], tip: [2, 4] }, 1008: { base: [16, 16], tip: [16, 4] } } }\n";
    let cues = |rods: &str, run: [i64; 2], lasts: i64, speed: Option<&str>| {
        let film = cut_film(rods, None, "  cue_files: [cues/blades.yaml]\n");
        cut(&film, run, lasts, speed);
        let (code, said) = film.said(&["hum", "--least", "0.05"]);
        assert_eq!(code, Some(0), "{said}");
        let (_, said) = film.said(&["check"]);
        assert!(
            !said.contains("is not heard") && !said.contains("before the film begins"),
            "{speed:?}: {said}"
        );
        film.text("cues/blades.yaml")
    };
    let strength = |cues: &str| {
        let swing = cues.lines().find(|line| line.contains("swing:")).unwrap_or_else(|| panic!("{cues}"));
        number(swing, "swing:")
    };
    let own = strength(&cues(even, [1001, 1009], 8, None));
    let half = strength(&cues(even, [1001, 1005], 8, Some("012.0")));
    assert!((half - own / 2.0).abs() < 0.0101 && own > 0.1, "{own} {half}");

    let clash = |cues: &str| -> Vec<f64> {
        let all = cues.lines().filter(|line| line.contains("clash:"));
        all.map(|line| number(line, "@") + if line.contains("plus:") { number(line, "plus:") } else { 0.0 })
            .collect()
    };
    // How a blow is found is half a frame wide in the source.
    let slow = clash(&cues(RODS, [1003, 1007], 8, Some("012.0")));
    assert!(slow.len() == 1 && (slow[0] - 1005.0).abs() < 0.8, "{slow:?}");
    let back = cues(RODS, [1003, 1009], 6, Some("-024.0"));
    assert!(clash(&back).len() == 1 && back.contains("at: br010@1008,"), "{back}");
    let stands = cues(RODS, [1004, 1005], 6, Some("000.0"));
    assert!(clash(&stands).is_empty() && stands.contains(".hum:"), "{stands}");
}
