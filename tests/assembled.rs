//! The film's own picture with dissolves, its prints, and pictures of what is made: what runs when something changes.
//!
//! Knows the tiny film of `project` under an edit list. Which pixels come out is other tests' matter, but for black.

mod project;

use project::{Film, SIZE, line};
use serde_json::{Value, json};

/// br010 for four frames, a dissolve over two into br020, and three frames of it going out to black.
fn list() -> String {
    [
        line(1, "br010", "C", (1001, 1005), 86_400),
        line(2, "br010", "C", (1005, 1005), 86_404),
        line(2, "br020", "D 002", (1001, 1006), 86_404),
        line(3, "br020", "C", (1006, 1006), 86_409),
        line(3, "BL", "D 003", (0, 4), 86_409),
    ]
    .concat()
}

/// Both shots of one plate, whose frames are 1001 to 1008.
fn declare(film: &Film, handles: i64, exposures: [f64; 2], more: &str) {
    let (width, height) = SIZE;
    let shot = |name: &str, frames: &str, exposure: f64| {
        format!(
            "  {name}: {{ plate: shed, frames: {frames}, recipe: plain-grade, colour: {{ exposure: {exposure} }} }}\n"
        )
    };
    film.write(
        "endboard.yaml",
        format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: {width}x{height}\nhandles: {handles}\ncut: lock.edl\nplates:\n  \
             shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}\nshots:\n{}{}assembly: {{}}\n{more}",
            shot("br010", "1001-1004", exposures[0]),
            shot("br020", "1001-1005", exposures[1]),
        ),
    );
}

fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("lock.edl", list());
    declare(&film, 3, [0.0, 1.0], "");
    film
}

fn of<'s>(rendered: &'s std::collections::BTreeSet<String>, stage: &str) -> Vec<&'s str> {
    rendered.iter().filter_map(|place| place.strip_prefix(stage)?.strip_prefix('@')).collect()
}

#[test]
fn a_dissolve_makes_its_handles_and_no_others() {
    let film = film();
    let said = film.rebuild(&["film/assembly"]).well();
    assert_eq!(of(&said.rendered, "br010/colour"), ["1001", "1002", "1003", "1004", "1005", "1006"]);
    let second = ["1001", "1002", "1003", "1004", "1005", "1006", "1007", "1008"];
    assert_eq!(of(&said.rendered, "br020/colour"), second);
    assert_eq!(of(&said.rendered, "film/assembly").len(), 13);
    let renders = film.renders();
    let at = |path: String| renders.get(std::path::Path::new(&path)).unwrap();
    let shown = |n: i64| at(format!("film/assembly/film.{n:04}.exr"));
    // Straight frames are the shots' own pictures, and black is one picture.
    assert_eq!(shown(4), at("br010/colour/br010.1004.exr".into()));
    assert_eq!(shown(7), at("br020/colour/br020.1003.exr".into()));
    assert_ne!(shown(5), at("br020/colour/br020.1001.exr".into()));
    assert_ne!(shown(12), shown(13));
    assert!(film.rebuild(&["film/assembly"]).well().rendered.is_empty());
}

#[test]
fn a_change_reaches_the_frames_that_show_it() {
    let film = film();
    film.rebuild(&[]).well();
    declare(&film, 3, [0.5, 1.0], "");
    let said = film.rebuild(&[]).well();
    // The four that show the first shot alone, and the two of the dissolve.
    assert_eq!(of(&said.rendered, "film/assembly"), ["1", "2", "3", "4", "5", "6"]);
    declare(&film, 3, [0.5, 2.0], "");
    let said = film.rebuild(&[]).well();
    let all = ["10", "11", "12", "5", "6", "7", "8", "9"];
    assert_eq!(of(&said.rendered, "film/assembly"), all);
    // A frame of plate that a dissolve alone shows of the first shot, and the second shot straight.
    film.write_plate_frame("shed", 1006, 77);
    let said = film.rebuild(&[]).well();
    assert_eq!(of(&said.rendered, "film/assembly"), ["10", "6"]);
    // A longer dissolve changes its own frames alone.
    film.write("lock.edl", list().replace("D 002", "D 003"));
    let said = film.rebuild(&[]).well();
    assert_eq!(of(&said.rendered, "film/assembly"), ["5", "6", "7"]);
    let says = |place: &str| {
        film.json(&["why", place])["chains"][0]["steps"][0]["says"].as_str().unwrap().to_string()
    };
    assert!(says("film/assembly@6").ends_with("it shows br010/colour@1006 and br020/colour@1002"));
    assert_eq!(film.renders(), film.clean());
    film.write("lock.edl", list());
    assert_eq!(film.rebuild(&["--jobs", "1"]).well().restored(), 3);
}

#[test]
fn lacking_handles_are_told_with_what_would_give_them() {
    let film = film();
    let told = |film: &Film| -> Vec<(String, String)> {
        let answer = film.json(&["check"]);
        let text = |p: &Value, key: &str| p[key].as_str().unwrap_or_default().to_string();
        let all = answer["problems"].as_array().unwrap().iter();
        all.filter(|p| p["severity"] == "error").map(|p| (text(p, "message"), text(p, "help"))).collect()
    };
    declare(&film, 1, [0.0, 0.0], "");
    let message = |event: u32, what: &str| format!("the dissolve of event {event} takes {what} missing");
    let two = told(&film);
    assert_eq!(
        two,
        [
            (
                message(2, "br010@1005-1006, and the shot is made for 1001-1005: 1 frame of handle is"),
                "give br010 `handles: 2`; its plate has the frames".to_string()
            ),
            (
                message(3, "br020@1006-1008, and the shot is made for 1001-1006: 2 frames of handle are"),
                "give br020 `handles: 3`; its plate has the frames".to_string()
            ),
        ]
    );
    declare(&film, 3, [0.0, 0.0], "");
    film.write("lock.edl", list().replace("D 003", "D 004"));
    assert_eq!(
        told(&film),
        [(
            message(3, "br020@1006-1009, and the shot is made for 1001-1008: 1 frame of handle is"),
            "br020 cannot be made beyond 1001-1008, as its plates end there: get longer plates, or dissolve over 3 frames"
                .to_string()
        )]
    );
    film.write("lock.edl", list().replace("br020  V  D", "br021  V  D"));
    assert_eq!(told(&film)[0].0, "the cut names shot 'br021', but the film has no such shot");
}

const PRINT: &str = "prints: { review: { leader: 2, tail: 1, size: 15, burn_in: { bottom: \"{shot} {frame}\" } }, bare: {} }\n";

#[test]
fn a_print_follows_the_film_and_its_own_words() {
    let film = film();
    declare(&film, 3, [0.0, 1.0], PRINT);
    let said = film.rebuild(&["film"]).well();
    let review = of(&said.rendered, "film/review");
    // Two seconds before 01:00:00:00, thirteen frames of picture, one second after.
    assert_eq!((review.len(), review[0], review[84]), (48 + 13 + 24, "86352", "86436"));
    // Without words and leaders every frame is the film's own stored picture.
    let renders = film.renders();
    let at = |path: &str| renders.get(std::path::Path::new(path)).unwrap();
    assert_eq!(at("film/bare/film.86406.exr"), at("film/assembly/film.0007.exr"));
    assert_ne!(at("film/review/film.86406.exr"), at("film/assembly/film.0007.exr"));
    declare(&film, 3, [0.5, 1.0], PRINT);
    let said = film.rebuild(&[]).well();
    assert_eq!(of(&said.rendered, "film/review"), ["86400", "86401", "86402", "86403", "86404", "86405"]);
    // A longer tail adds frames; another place for the words changes those of the picture.
    declare(&film, 3, [0.5, 1.0], &PRINT.replace("tail: 1", "tail: 2"));
    // Its black is there already, so that only the pop is new.
    assert_eq!(of(&film.rebuild(&[]).well().rendered, "film/review"), ["86460"]);
    declare(&film, 3, [0.5, 1.0], &PRINT.replace("bottom", "top"));
    let said = film.rebuild(&[]).well();
    assert_eq!(of(&said.rendered, "film/review").len(), 13);
    assert_eq!(said.json["trimmed"], 24);
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn prints_are_checked_with_the_film() {
    let film = film();
    let told = |more: &str| -> Vec<String> {
        declare(&film, 3, [0.0, 0.0], more);
        let answer = film.json(&["check"]);
        let errors = answer["problems"].as_array().unwrap().iter().filter(|p| p["severity"] == "error");
        errors.map(|p| p["message"].as_str().unwrap().to_string()).collect()
    };
    assert_eq!(told(PRINT), Vec::<String>::new());
    let mut wrong = told(
        "prints: { assembly: {}, a/b: {}, review: { leader: 100, starts: noon }, other: { burn_in: { top: \"{shoot}\" } } }\n",
    );
    wrong.sort();
    assert_eq!(
        wrong,
        [
            "'noon' is no timecode at 24 frames a second",
            "100 is out of range for 'leader'",
            "prints: 'a/b' cannot be the name of a print",
            "prints: the film has a stage of its own called assembly, so that no print can be",
            "there is no field {shoot}",
        ]
    );
    told(PRINT);
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", text.replace("assembly: {}\n", ""));
    let answer = film.json(&["check"]);
    let said = answer["problems"].to_string();
    assert!(said.contains("prints show the film's picture, which is not put together"), "{said}");
}

/// Width and height of a PNG file.
fn size(film: &Film, file: &str) -> (u32, u32) {
    let bytes = std::fs::read(film.path().join(file)).unwrap();
    let raster = endboard::media::png::decode(&bytes).unwrap();
    (raster.width, raster.height)
}

#[test]
fn sheets_show_what_is_made_and_name_what_is_not() {
    let film = film();
    let out = film.path().join("sheet.png");
    let out = out.to_str().unwrap();
    let nothing = film.run(&["sheet", "--out", out]);
    assert_eq!(nothing.status.code(), Some(1));
    assert!(!film.path().join("sheet.png").exists());
    film.rebuild(&["br010"]).well();
    let before = film.renders();
    let answer = film.json(&["sheet", "--out", out, "--width", "64", "--across", "2"]);
    assert_eq!(answer["shown"], 1);
    assert_eq!(
        answer["lacking"],
        json!([{ "place": "br020/colour@1005", "says": "absent", "way": "`endboard rebuild br020/colour@1005` makes it" }])
    );
    // Two frames of 64 by 36 with names of 7 pixels, and gaps of 2.
    assert_eq!(size(&film, "sheet.png"), (2 + 2 * 66, 2 + 36 + 14 + 2));
    let answer = film.json(&[
        "sheet",
        "br010/plate",
        "br010/colour@1001-1004",
        "--every",
        "2",
        "--out",
        out,
        "--unnamed",
        "--width",
        "16",
    ]);
    assert_eq!(answer["shown"], 4 + 2);
    assert_eq!(film.renders(), before, "a sheet renders nothing");
    let wide = film.run(&["sheet", "--every", "1", "--across", "100", "--width", "8000", "--out", out]);
    assert_eq!(wide.status.code(), Some(2));
}

#[test]
fn one_channel_is_shown_as_grey() {
    let film = film();
    film.rebuild(&["br010"]).well();
    let out = film.path().join("one.png");
    let out = out.to_str().unwrap();
    let grey = |words: &[&str]| {
        let answer = film.json(&[words, &["--out", out, "--unnamed", "--width", "16"]].concat());
        let bytes = std::fs::read(out).unwrap();
        let planes = endboard::media::png::decode(&bytes).unwrap().planes;
        let is_grey = planes[0].1 == planes[1].1 && planes[1].1 == planes[2].1;
        (answer["shown"].as_u64().unwrap(), is_grey)
    };
    assert_eq!(grey(&["sheet", "br010/colour@1001"]), (1, false));
    // Those named one by one are all meant, also where they are neighbours.
    assert_eq!(grey(&["sheet", "br010/colour@1001,1002"]), (2, false));
    assert_eq!(grey(&["sheet", "br010/colour.R@1001,1003", "br010/colour.A@1001"]), (3, true));
    assert_eq!(grey(&["compare", "br010/colour.R@1001", "br010/colour.B"]), (2, true));
    for command in
        [&["sheet", "br010/colour.near"][..], &["compare", "br010/colour.near@1001", "br010/colour"]]
    {
        let (code, said) = film.said(&[command, &["--out", out]].concat());
        assert_eq!(code, Some(2));
        assert!(said.contains("br010/colour has no channel 'near'"), "{said}");
    }
}

#[test]
fn a_take_that_no_stage_uses_is_shown() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare(
        "  br010:
    takes: { main: shed, spare: shed }
    frames: 1001-1003
    stages: { colour: { operator: grade, from: { picture: take.main } } }
",
    );
    let out = film.path().join("spare.png");
    let out = out.to_str().unwrap();
    for (words, shown) in [
        ("br010/take.spare", 1),
        ("br010/take.spare@1002", 1),
        ("br010/take.spare@1001,1003", 2),
        ("br010/take.spare@1001-1003", 1),
    ] {
        let answer = film.json(&["sheet", words, "--out", out]);
        assert_eq!(answer["shown"], shown, "{answer}");
    }
    let beside = film.run(&["sheet", "br010/take.spare@999", "--out", out]);
    let words = String::from_utf8_lossy(&beside.stderr).into_owned();
    assert!(beside.status.code() == Some(2) && words.contains("there are 1001-"), "{words}");
    // A rebuild has nothing to do with it.
    assert_eq!(film.run(&["rebuild", "br010/take.spare@1002"]).status.code(), Some(2));
}

#[test]
fn before_and_after() {
    let film = film();
    film.rebuild(&["br010", "br020/colour@1001"]).well();
    let out = film.path().join("both.png");
    let out = out.to_str().unwrap();
    let compare = |words: &[&str]| {
        let mut all = vec!["compare", "--out", out, "--width", "32", "--unnamed"];
        all.extend(words);
        film.run(&all)
    };
    assert!(compare(&["br010/plate", "br020/colour@1001", "--split", "0.25"]).status.success());
    let read = |file: &str| {
        let bytes = std::fs::read(film.path().join(file)).unwrap();
        let raster = endboard::media::png::decode(&bytes).unwrap();
        raster.planes.into_iter().map(|(_, samples)| samples).collect::<Vec<_>>()
    };
    let both = read("both.png");
    assert!(compare(&["br010/plate@1001", "br020/colour@1001", "--split", "1"]).status.success());
    let plate = read("both.png");
    assert!(compare(&["br010/plate@1001", "br020/colour@1001", "--split", "0"]).status.success());
    let graded = read("both.png");
    // Left of the line it is the one, right of it the other; the line is white.
    for (i, value) in both[1].iter().enumerate() {
        match i % 32 {
            x if x < 8 => assert_eq!(*value, plate[1][i]),
            8 => assert_eq!(*value, 1.0),
            x => assert!(*value == graded[1][i] || x == 0),
        }
    }
    assert!(compare(&["br010/plate", "br010/colour", "--beside", "--part", "4,2,16,9"]).status.success());
    assert_eq!(size(&film, "both.png"), (66, 18));
    for (words, code) in [
        (&["br010/plate", "br020/colour@1004"][..], 1),
        (&["br010", "br020/colour@1001"], 2),
        (&["br010/plate@1001-1002", "br020/colour@1001"], 2),
        (&["br010/plate", "br010/colour", "--part", "30,0,16,9"], 2),
        // As shown it would be 65,536 pixels high: it is not squashed into fewer.
        (&["br010/plate", "br010/colour", "--part", "0,0,1,32", "--width", "2048"], 2),
        (&["br010/plate", "br010/colour", "--stops", "nan"], 2),
        (&["br010/plate", "br010/colour", "--stops", "1e9"], 2),
    ] {
        assert_eq!(compare(words).status.code(), Some(code), "{words:?}");
    }
}
