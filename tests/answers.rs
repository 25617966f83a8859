//! What the program answers about frames: why one is stale, blocked, failed or held, how many there are, and what
//! is left behind. Every answer must lead to what a person did, and every number agree with the others.
//!
//! Knows a small film and what was done to it. Does not know how answers are found.

mod project;

use project::{Film, SIZE, picture};
use serde_json::{Value, json};

/// What stands in the film's declaration besides what is always there.
struct Story {
    colour: &'static str,
    tool: &'static str,
    plate: &'static str,
    cut: &'static str,
    last: i64,
}

const STORY: Story = Story {
    colour: "exposure: 0.5, look: grades/salt.cube",
    tool: "command: 'sh tools/copy.sh {picture} {out}'",
    plate: "files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709",
    cut: "",
    last: 1004,
};

const CUBE: &str = "LUT_1D_SIZE 2\n0 0 0\n0.5 0.25 1\n";

impl Story {
    fn film(&self) -> Film {
        let film = Film::new();
        film.write_plate("shed", 3);
        film.write("grades/salt.cube", CUBE);
        film.write("tools/copy.sh", "cp \"$1\" \"$2\"\n");
        (1001..=1004).for_each(|n| film.write(&format!("hands/paint.{n}.exr"), picture(SIZE, 90 + n as u64)));
        self.declare(&film);
        film
    }

    fn declare(&self, film: &Film) {
        let Story { colour, tool, plate, cut, last } = self;
        let text = format!(
            "film: The Brine Lamp
rate: 24
frame_size: 32x18
working_space: linear-rec709
{cut}
plates:
  shed: {{ {plate} }}
shots:
  br010:
    plate: shed
    frames: 1001-{last}
    stages:
      colour: {{ operator: grade, {colour} }}
  br020:
    plate: shed
    frames: 1005-1007
    stages:
      tool: {{ {tool} }}
      colour: {{ operator: grade }}
  br030:
    plate: shed
    frames: 1001-1004
    stages:
      paint: {{ by_hand: {{ files: hands/paint.####.exr }} }}
assembly: {{}}
"
        );
        film.write("endboard.yaml", text);
    }
}

/// What `why` says of a frame, step by step: place, state and words.
#[track_caller]
fn why(film: &Film, place: &str) -> Vec<(String, String, String)> {
    let answer = film.json(&["why", place]);
    let chains = answer["chains"].as_array().unwrap();
    assert_eq!(chains.len(), 1, "{answer}");
    let steps = chains[0]["steps"].as_array().unwrap().iter();
    let text = |step: &Value, key: &str| step[key].as_str().unwrap().to_string();
    steps.map(|step| (text(step, "place"), text(step, "state"), text(step, "says"))).collect()
}

/// The last step of a chain that leads through these places.
#[track_caller]
fn end_of(film: &Film, places: &[&str]) -> (String, String) {
    let steps = why(film, places[0]);
    assert_eq!(steps.iter().map(|(place, _, _)| place.as_str()).collect::<Vec<_>>(), places, "{steps:?}");
    let (_, state, says) = steps.last().unwrap().clone();
    (state, says)
}

fn said(film: &Film, words: &[&str]) -> (Option<i32>, String, String) {
    let output = film.run(words);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

#[track_caller]
fn contains(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "no '{part}' in:\n{text}");
    }
}

#[test]
fn a_blocked_frame_leads_to_what_blocks_it() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    // A comment changes nothing, and is no cause of anything later.
    film.write("grades/salt.cube", format!("# wet salt\n{CUBE}"));
    assert_eq!(film.json(&["status"])["counts"]["stale"], 0);
    let plate = film.path().join("plates/shed.1003.exr");
    let bytes = std::fs::read(&plate).unwrap();
    std::fs::remove_file(&plate).unwrap();
    let (state, says) = end_of(&film, &["film/assembly@3", "br010/colour@1003", "br010/plate@1003"]);
    assert_eq!((&*state, &*says), ("absent", "plates/shed.1003.exr is missing"));

    // A rebuild says the same, counts the same, and does not pass for done.
    let rebuilt = film.rebuild(&[]);
    assert_eq!(rebuilt.code, Some(1), "{}", rebuilt.json);
    assert_eq!(rebuilt.json["blocked"], film.json(&["status"])["counts"]["blocked"]);
    let by = &rebuilt.json["blocked_by"];
    assert_eq!(by[0]["by"], "br010/plate@1003", "{by}");
    assert_eq!(by[0]["frames"], json!(["br010/colour@1003", "film/assembly@3"]));
    let (_, text, _) = said(&film, &["status"]);
    contains(&text, &["blocked by br010/plate@1003 (plates/shed.1003.exr is missing): br010/colour@1003"]);
    assert!(
        text.lines().any(|line| line.starts_with("br010/plate ")),
        "what is missing has a ribbon: {text}"
    );

    // Cut short: its header is read, its pixels are not.
    std::fs::write(&plate, &bytes[..bytes.len() - 40]).unwrap();
    film.rebuild(&[]);
    let (state, says) = end_of(&film, &["film/assembly@3", "br010/colour@1003", "br010/plate@1003"]);
    assert_eq!(state, "failed");
    contains(&says, &["plates/shed.1003.exr"]);
    std::fs::write(&plate, picture((8, 8), 1)).unwrap();
    let (_, says) = end_of(&film, &["br010/colour@1003", "br010/plate@1003"]);
    assert_eq!(says, "plates/shed.1003.exr is 8x8, and the film 32x18");
    std::fs::write(&plate, bytes).unwrap();

    std::fs::remove_file(film.path().join("hands/paint.1002.exr")).unwrap();
    let (_, says) = end_of(&film, &["film/assembly@9", "br030/paint@1002"]);
    assert_eq!(says, "a person is to put hands/paint.1002.exr in place");
    film.write("hands/paint.1002.exr", "salt");
    let (_, says) = end_of(&film, &["film/assembly@9", "br030/paint@1002"]);
    let unfit = "hands/paint.1002.exr cannot be read as a picture: the EXR file is damaged: it does not begin with the magic number";
    assert_eq!(says, unfit);
    let by = &film.rebuild(&[]).json["blocked_by"];
    assert_eq!(by[0]["says"], unfit, "{by}");
    let (_, text, _) = said(&film, &["status"]);
    contains(&text, &[unfit]);
}

#[test]
fn only_settings_that_play_a_part_are_causes() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    film.write("grades/salt.cube", format!("# wet salt\n{CUBE}"));
    Story { colour: "exposure: 0.75, saturation: 1.0, look: grades/salt.cube", ..STORY }.declare(&film);
    film.rebuild(&[]).well();
    Story { colour: "exposure: 0.25, saturation: 1, look: grades/salt.cube", ..STORY }.declare(&film);
    assert_eq!(why(&film, "br010/colour@1002")[0].2, "exposure: 0.75 → 0.25");
    film.rebuild(&[]).well();
    let causes = film.json(&["hours"])["by_cause"].clone();
    let names: Vec<&str> = causes.as_array().unwrap().iter().map(|c| c["name"].as_str().unwrap()).collect();
    assert!(names.contains(&"exposure") && !names.iter().any(|name| name.contains("salt.cube")), "{names:?}");
    film.write("grades/salt.cube", CUBE.replace("0.25", "0.5"));
    contains(&why(&film, "br010/colour@1002")[0].2, &["grades/salt.cube changed ("]);
}

#[test]
fn all_files_that_a_frame_waits_for_are_named() {
    let film = STORY.film();
    film.declare(
        "  br010:
    plate: shed
    frames: 1002-1005
    stages:
      paint: { by_hand: { files: hands/none.####.exr } }
      tool: { command: 'sh tools/copy.sh {picture} {out}', reach: 1 }
",
    );
    let rebuilt = film.rebuild(&[]);
    let by = &rebuilt.json["blocked_by"];
    assert_eq!((&by[0]["by"], &by[1]), (&json!("br010/paint@1002-1005"), &Value::Null), "{by}");
    assert_eq!(by[0]["frames"], json!(["br010/tool@1002-1005"]));
    assert_eq!(rebuilt.json["blocked"], 4);
}

#[test]
fn an_input_from_another_stage_is_told_by_both_names() {
    let film = STORY.film();
    let declare = |from: &str, width: u32| {
        film.declare(&format!(
            "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      warm: {{ operator: grade, exposure: 0.5, from: {{ picture: plate }} }}
      cold: {{ operator: grade, exposure: -0.5, from: {{ picture: plate }} }}
      light: {{ operator: blades, rods: {{ keeper: {{ colour: amber, width: {width} }} }}, from: {{ picture: {from} }}, shapes: rods.yaml }}
"
        ));
    };
    film.write(
        "rods.yaml",
        "rods:\n  keeper:\n    keys:\n      1001: { base: [10, 14], tip: [20, 4] }\n      1003: { base: [12, 14], tip: [24, 4] }\n",
    );
    declare("warm", 3);
    film.rebuild(&[]).well();
    declare("cold", 3);
    let chain = why(&film, "br010/light@1002");
    assert_eq!(chain.last().unwrap().2, "from.picture: warm → cold", "{chain:?}");
    film.rebuild(&[]).well();
    let hours = film.json(&["hours"]);
    let causes = hours["by_cause"].as_array().unwrap().iter();
    assert!(causes.clone().any(|cause| cause["name"] == "from.picture"), "{hours}");
    declare("cold", 5);
    assert_eq!(why(&film, "br010/light@1002").last().unwrap().2, "rods.keeper.width: 3 → 5");
}

#[test]
fn a_command_that_names_another_program_is_told_by_its_words() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    film.write("tools/other.sh", "cp \"$1\" \"$2\"\n");
    Story { tool: "command: 'sh tools/other.sh {picture} {out}'", ..STORY }.declare(&film);
    let (_, says) = end_of(&film, &["br020/tool@1005"]);
    assert_eq!(says, "command: sh tools/copy.sh {picture} {out} → sh tools/other.sh {picture} {out}");
    film.write("tools/copy.sh", "cp \"$1\" \"$2\" # slowly\n");
    STORY.declare(&film);
    contains(&end_of(&film, &["br020/tool@1005"]).1, &["tools/copy.sh changed ("]);
}

#[test]
fn a_failed_frame_tells_its_reason_its_log_and_how_to_try_again() {
    let film = STORY.film();
    film.write("tools/copy.sh", "echo the salt is wet\nexit 7\n");
    let (code, text, errors) = said(&film, &["rebuild", "--jobs", "2"]);
    assert_eq!(code, Some(1), "{text}{errors}");
    assert_eq!(
        text.matches("exit code 7").count() + errors.matches("exit code 7").count(),
        1,
        "{text}{errors}"
    );
    contains(
        &text,
        &["failed: br020/tool@1005-1007 (3 frames): sh ended with exit code 7", "the salt is wet"],
    );
    contains(&text, &["blocked by br020/tool@1005-1007 (failed; 2 frames more): br020/colour@1005-1007"]);

    let (state, says) = end_of(&film, &["br020/colour@1006", "br020/tool@1006"]);
    assert_eq!(state, "failed");
    let log = ".endboard/logs/br020.tool.1006.log";
    contains(&says, &["sh ended with exit code 7", log, "--again"]);
    contains(&std::fs::read_to_string(film.path().join(log)).unwrap(), &["the salt is wet"]);
    let (_, text, _) = said(&film, &["status"]);
    contains(&text, &["failed: br020/tool@1005-1007: sh ended with exit code 7", "1005.log", "--again"]);
}

#[test]
fn a_cut_that_ripples_is_the_cause_and_leaves_no_old_tail() {
    let film = STORY.film();
    let event = |n: i64, shot: &str, (first, last): (i64, i64), at: i64| {
        let code = |frame: i64| {
            format!("{:02}:{:02}:{:02}:{:02}", frame / 86400, frame / 1440 % 60, frame / 24 % 60, frame % 24)
        };
        format!(
            "{n:03}  {shot} V C {} {} {} {}\n* FROM CLIP NAME: {shot}\n",
            code(first),
            code(last + 1),
            code(at),
            code(at + last + 1 - first)
        )
    };
    let whole = event(1, "br010", (1001, 1004), 0) + &event(2, "br020", (1005, 1007), 4);
    let cut = |text: &str| film.write("lock.edl", format!("TITLE: BRINE\nFCM: NON-DROP FRAME\n{text}"));
    Story { cut: "cut: lock.edl", ..STORY }.declare(&film);
    cut(&whole);
    film.rebuild(&[]).well();
    cut(&(event(1, "br010", (1001, 1003), 0) + &event(2, "br020", (1005, 1007), 3)));
    let (state, says) = end_of(&film, &["film/assembly@4"]);
    assert_eq!(
        (&*state, &*says),
        ("stale", "the cut changed: it shows br020/colour@1005 here, and showed br010/colour@1004 before")
    );
    // A frame that shows what it showed before, in another grade, is not the cut's doing.
    Story { cut: "cut: lock.edl", colour: "exposure: 1", ..STORY }.declare(&film);
    let (_, says) = end_of(&film, &["film/assembly@2", "br010/colour@1002"]);
    assert_eq!(says, "exposure: 0.5 → 1; look: grades/salt.cube → not set");
    Story { cut: "cut: lock.edl", ..STORY }.declare(&film);

    let tail = film.path().join("renders/film/assembly/film.0007.exr");
    let theirs = film.path().join("renders/film/assembly/film.0008.exr");
    std::fs::write(&theirs, "a person's file").unwrap();
    assert!(tail.exists());
    contains(&said(&film, &["status"]).1, &["left behind", "renders/film/assembly (1 file)"]);
    assert_eq!(film.rebuild(&[]).well().json["trimmed"], 1);
    assert!(!tail.exists() && theirs.exists());
    assert!(!said(&film, &["status"]).1.contains("left behind"));
    cut(&whole);
    let back = film.rebuild(&[]).well();
    assert!(back.rendered.is_empty() && tail.exists(), "{}", back.json);
}

#[test]
fn what_a_shorter_shot_leaves_is_told_at_every_look_until_it_is_swept() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    let old = film.path().join("renders/br010/colour/br010.1004.exr");
    let written = film.path().join("renders/br010/colour/br010.1003.exr");
    Story { last: 1002, ..STORY }.declare(&film);
    // Where a person put something in a render's place, it is theirs.
    std::fs::remove_file(&written).unwrap();
    std::fs::write(&written, "a person's file").unwrap();
    film.rebuild(&[]).well();
    for _ in 0..3 {
        contains(&said(&film, &["status"]).1, &["renders/br010/colour (1 file)"]);
    }
    assert!(old.exists(), "only the folder of the film's picture is tidied by a rebuild");
    assert_eq!(film.json(&["sweep"])["left_behind"], 1);
    assert_eq!(film.json(&["sweep", "--remove"])["left_behind"], 1);
    assert!(!old.exists() && written.exists());
    assert!(!said(&film, &["status"]).1.contains("left behind"));
}

#[test]
fn holding_tells_what_it_holds_and_letting_go_what_was_held() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    let (code, text, _) = said(&film, &["rebuild", "--hold", "br010", "--note", "approved"]);
    assert_eq!(
        (code, &*text),
        (
            Some(0),
            "4 frames held, all of them fresh now: later changes will not render them until --let-go\n"
        )
    );
    let (_, text, _) = said(&film, &["status", "br010"]);
    contains(&text, &["▛▛▛▛", "held: br010/colour@1001-1004 by keeper since ", "(approved); fresh now"]);
    contains(
        &why(&film, "br010/colour@1002")[0].2,
        &["held by keeper since ", "(approved), so that later changes"],
    );

    Story { colour: "exposure: 1", ..STORY }.declare(&film);
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    let (_, state, says) = why(&film, "br010/colour@1002").remove(0);
    assert_eq!(state, "held");
    contains(&says, &["by keeper since ", "(approved)", "exposure: 0.5 → 1"]);
    let status = film.json(&["status", "br010/colour@1002-1003"]);
    assert_eq!(status["counts"]["held"], 2);
    assert_eq!((&status["holds"][0]["count"], &status["holds"][0]["fresh"]), (&json!(2), &json!(0)));

    let (code, text, _) = said(&film, &["rebuild", "--let-go", "*/colour"]);
    assert_eq!((code, &*text), (Some(0), "4 frames let go\n"));
    let held = json!({ "format": "endboard hold 1", "did": "held", "frames": 1, "fresh": 0 });
    assert_eq!(film.json(&["rebuild", "--hold", "br010/colour@1002"]), held);
    let gone = json!({ "format": "endboard hold 1", "did": "let go", "frames": 1 });
    assert_eq!(film.json(&["rebuild", "--let-go", "br010"]), gone);
    assert_eq!(said(&film, &["rebuild", "--let-go", "br010"]).0, Some(2));
    assert_eq!(film.rebuild(&[]).well().rendered.len(), 8);
    // A plate that is only passed on has no render to keep.
    assert_eq!(said(&film, &["rebuild", "--hold", "br010/plate"]).0, Some(2));
}

#[test]
fn numbers_agree_wherever_they_stand() {
    let film = STORY.film();
    // Two frames of a plate are the same picture: what is made of them is made once.
    std::fs::copy(film.path().join("plates/shed.1001.exr"), film.path().join("plates/shed.1002.exr"))
        .unwrap();
    let planned = said(&film, &["status"]).1;
    contains(&planned, &["next: `endboard rebuild` makes up to 25 frames\n"]);
    let first = film.rebuild(&["--jobs", "1"]).well();
    let count =
        |json: &Value, key: &str| json[key].as_array().map_or(json[key].clone(), |list| json!(list.len()));
    assert_eq!(count(&first.json, "rendered"), 25, "{}", first.json);
    assert_eq!((&first.json["restored"], &first.json["same"]), (&json!(0), &json!(0)));
    assert!(first.json["alike"].as_u64().unwrap() > 0 && first.json["taken_in"].as_u64().unwrap() > 0);
    assert_eq!(film.json(&["status"])["counts"]["fresh"], 25);
    assert_eq!(film.json(&["hours"])["total"]["frames"], 25);
    assert!(first.json["elapsed_seconds"].as_f64().unwrap() > 0.0);

    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    contains(&said(&film, &["status"]).1, &["puts 25 frames back without rendering"]);
    let back = film.rebuild(&[]).well();
    assert_eq!((count(&back.json, "rendered"), back.restored()), (json!(0), 25));
    assert_eq!(film.json(&["hours"])["total"]["frames"], 25);
}

#[test]
fn a_plate_under_a_hand_stage_is_looked_at_again() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    // Stored otherwise, and the same picture: no person need look at it, once it is decoded.
    let path = film.path().join("plates/shed.1002.exr");
    let before = std::fs::read(&path).unwrap();
    let image = endboard::media::exr::decode_image(&before).unwrap();
    let packed = endboard::media::exr::encode(&image, endboard::media::exr::Compression::Zip, &[]).unwrap();
    assert_ne!(before, packed);
    std::fs::write(&path, packed).unwrap();
    let (_, says) = end_of(&film, &["br030/paint@1002", "br030/plate@1002"]);
    assert_eq!(says, "plates/shed.1002.exr has other bytes than before");
    assert!(film.rebuild(&["br030"]).well().rendered.is_empty());
    assert_eq!(film.status_of("br030/paint"), json!([["1001-1004", "fresh"]]));

    film.write_plate_frame("shed", 1003, 77);
    film.rebuild(&["br030"]).well();
    assert_eq!(film.status_of("br030/plate"), json!([["1001-1004", "fresh"]]), "it is not left as stale");
    let (state, says) = end_of(&film, &["br030/paint@1003", "br030/plate@1003"]);
    assert_eq!((&*state, &*says), ("fresh", "it was read anew from plates/shed.1003.exr since then"));
    contains(&said(&film, &["status", "br030"]).1, &["next, by hand: br030/paint@1003", "nothing to render"]);
    contains(&said(&film, &["rebuild", "br030"]).1, &["next, by hand: br030/paint@1003"]);
    let (_, says) = end_of(&film, &["film/assembly@2"]);
    assert_eq!(says, "its render matches the declaration; it shows br010/colour@1002");
}

#[test]
fn a_plate_that_is_numbered_or_named_otherwise_is_not_another_file() {
    let film = STORY.film();
    film.rebuild(&[]).well();
    film.write_plate("barn", 4);
    Story { plate: "files: plates/barn.####.exr, frames: 1001-1008, encoding: linear-rec709", ..STORY }
        .declare(&film);
    let (_, says) = end_of(&film, &["br010/colour@1002", "br010/plate@1002"]);
    assert_eq!(says, "files: plates/shed.####.exr → plates/barn.####.exr");
    STORY.declare(&film);

    let drawn = std::process::Command::new("ffmpeg")
        .args(["-loglevel", "error", "-f", "lavfi", "-i", "testsrc2=size=32x18:rate=24", "-frames:v", "9"])
        .args(["-c:v", "ffv1"])
        .arg(film.path().join("plates/shed.mkv"))
        .status();
    if !drawn.is_ok_and(|status| status.success()) {
        println!("movies not checked: ffmpeg drew none here");
        return;
    }
    Story { plate: "movie: plates/shed.mkv, first: 1001, encoding: rec709", ..STORY }.declare(&film);
    film.rebuild(&[]).well();
    Story { plate: "movie: plates/shed.mkv, first: 1000, encoding: rec709", ..STORY }.declare(&film);
    let (_, says) = end_of(&film, &["br010/plate@1002"]);
    assert_eq!(says, "first: 1001 → 1000");
}

#[test]
fn selectors_choose_what_is_shown_and_slips_are_named() {
    let film = STORY.film();
    film.rebuild(&["br010"]).well();
    let (_, text, _) = said(&film, &["status", "br010"]);
    contains(&text, &["br010: all fresh\n", "nothing to render"]);
    assert!(!text.contains("br010/plate"), "{text}");
    let (_, text, _) = said(&film, &["status", "br020"]);
    contains(&text, &["br020: 6 absent\n", "next: `endboard rebuild br020` makes up to 6 frames"]);
    assert_eq!(film.status_of("br010/colour@1002"), json!([["1002", "fresh"]]));
    assert_eq!(film.json(&["status", "@1002"])["counts"]["fresh"], 1);
    let (code, _, errors) = said(&film, &["why", "br010/colour@2000"]);
    assert_eq!(code, Some(2));
    contains(&errors, &["'br010/colour@2000' selects no frame: there are 1001-1004"]);
    for (slip, meant) in [
        ("br010/color", "br010/colour?"),
        ("br01/colour", "br010/colour?"),
        ("br01", "br010?"),
        ("br0*/colou", "br0*/colour?"),
    ] {
        let (code, _, errors) = said(&film, &["status", slip]);
        assert_eq!(code, Some(2), "{slip}");
        assert!(errors.trim_end().ends_with(&format!("did you mean {meant}")), "{slip}: {errors}");
    }
}

#[test]
fn problems_of_the_declaration_are_no_answer() {
    let film = STORY.film();
    Story { colour: "exposure: bright", ..STORY }.declare(&film);
    for words in [&["status"][..], &["why", "br010"], &["rebuild"]] {
        let (code, text, errors) = said(&film, words);
        assert_eq!((code, &*text), (Some(1), ""), "{words:?}");
        contains(&errors, &["endboard.yaml:", "1 error"]);
    }
    let (code, text, _) = said(&film, &["check"]);
    assert_eq!(code, Some(1));
    contains(&text, &["1 error"]);
}

#[test]
fn the_shot_that_another_cut_shows_is_named() {
    let film = STORY.film();
    // Two shots of one length in turn, which no film frame's number tells apart.
    let cut = |a: &str, b: &str| {
        let line = |n: i64, shot: &str, first: i64, at: i64| {
            let code =
                |frame: i64| format!("00:{:02}:{:02}:{:02}", frame / 1440, frame / 24 % 60, frame % 24);
            let times = [first, first + 3, at, at + 3].map(code).join(" ");
            format!("{n:03}  {shot} V C {times}\n")
        };
        film.write("lock.edl", line(1, a, 1001, 0) + &line(2, b, 1001, 3));
    };
    Story { cut: "cut: lock.edl", ..STORY }.declare(&film);
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", text + "prints: { review: { burn_in: { top: \"{shot}\" } } }\n");
    cut("br010", "br030");
    film.rebuild(&[]).well();
    cut("br030", "br010");
    let shows = "the cut changed: it shows br030/paint@1002 here, and showed br010/colour@1002 before";
    assert_eq!(end_of(&film, &["film/assembly@2"]).1, shows);
    let steps = why(&film, "film/review@1");
    assert!(steps[0].2.contains("the cut changed"), "{steps:?}");
    assert_eq!((&*steps[1].0, &*steps[1].2), ("film/assembly@2", shows), "{steps:?}");
}

#[test]
fn what_waits_for_hands_is_not_done() {
    let film = STORY.film();
    std::fs::remove_file(film.path().join("hands/paint.1003.exr")).unwrap();
    film.rebuild(&[]).but_for_hands();
    assert_eq!(film.rebuild(&["br010"]).code, Some(0), "nothing of it is blocked");
}

#[test]
fn files_that_cannot_be_used_did_not_fail_before_and_no_number_is_told_of() {
    let film = STORY.film();
    film.write("plates/shed.1001.exr", picture((SIZE.0 / 2, SIZE.1), 1));
    let (code, text, _) = said(&film, &["rebuild"]);
    contains(&text, &["2 whose files cannot be used", "plates/shed.1001.exr is 16x18"]);
    assert!(code == Some(1) && !text.contains("failed before"), "{text}");
    contains(&said(&film, &["rebuild", "--plan"]).1, &["@1001: its file cannot be used"]);

    // One line of a shot's plate, however many frames.
    for frame in [1001, 1002] {
        let mut image = endboard::media::image::Image::new(SIZE.0, SIZE.1, &endboard::media::image::RGBA);
        image.samples_mut(0)[3] = half::f16::from_f32(frame as f32);
        image.samples_mut(1)[7] = half::f16::NAN;
        image.samples_mut(2)[9] = half::f16::INFINITY;
        let odd = endboard::media::exr::encode(&image, endboard::media::exr::Compression::None, &[]).unwrap();
        film.write(&format!("plates/shed.{frame}.exr"), odd);
    }
    let output = film.run(&["rebuild", "br010"]);
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    contains(
        &text,
        &[
            "br010/plate@1001: plates/shed.1001.exr has 2 pixels of 576 that hold no finite number",
            "br010/plate@1002: the like on 1 more frame",
        ],
    );
}

#[test]
fn a_plan_names_what_the_frames_asked_for_need_what_is_put_back_and_what_is_blocked() {
    let film = STORY.film();
    let plan = |words: &[&str]| said(&film, &[&["rebuild", "--plan"], words].concat()).1;
    assert_eq!(plan(&["br020/colour@1006"]), "br020/tool@1006: one frame\nbr020/colour@1006: one frame\n");
    film.rebuild(&[]).well();
    Story { colour: "exposure: 1", ..STORY }.declare(&film);
    film.rebuild(&["br010"]);
    STORY.declare(&film);
    contains(&plan(&["br010/colour"]), &["br010/colour@1001-1004: 4 frames, put back from the store"]);

    let film = STORY.film();
    std::fs::remove_file(film.path().join("hands/paint.1003.exr")).unwrap();
    contains(&said(&film, &["rebuild", "--plan"]).1, &["film/assembly@10: blocked"]);
    let blocked = film.json(&["rebuild", "--plan"])["blocked"].clone();
    assert_eq!(blocked, json!([{ "shot": "film", "stage": "assembly", "frames": "10" }]));
}

#[test]
fn people_whose_names_are_written_in_other_letters_have_files_of_their_own() {
    let film = STORY.film();
    for name in ["Ольга", "Ирина", "keeper"] {
        let run = film.command(&["rebuild", "br010"]).env("ENDBOARD_WRITER", name).output().unwrap();
        assert!(run.status.success(), "{name}");
        film.write("grades/salt.cube", CUBE.replace("0.25", &format!("0.2{}", name.len())));
    }
    let names: Vec<_> =
        std::fs::read_dir(film.path().join("ledger")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names.len(), 3, "{names:?}");
    assert!(names.iter().any(|name| name == "keeper.jsonl"), "{names:?}");
}
