//! A new cut foretold, taken up and gone back from: what is said, what a rebuild then renders, and what stays as it was.
//!
//! Knows the tiny film of `project` under edit lists. How uses are matched is `cut::compare`'s own tests' matter.

mod project;

use std::collections::BTreeMap;

use endboard::ledger::crew::{Crew, Handout, Worked};
use endboard::ledger::file::Ledger;
use endboard::ledger::row::{Row, What};
use endboard::media::exr;
use endboard::media::sound::{Sound, wave};
use project::{Film, SIZE, code};
use serde_json::Value;

/// A list of these uses one after the other: shot, first frame, and the frame past its last.
fn list(uses: &[(&str, i64, i64)]) -> String {
    let mut at = 86_400;
    let mut text = "TITLE: THE BRINE LAMP\n".to_string();
    for (number, (shot, first, end)) in (1..).zip(uses) {
        let times = [*first, *end, at, at + end - first].map(code).join(" ");
        text += &format!("{number:03}  {shot}  V  C  {times}\n");
        at += end - first;
    }
    text
}

/// Three shots of one plate of frames 1001 to 1008, each made with a handle; one has a stage made by hand.
const SHOTS: &str =
    "  br010: { plate: shed, frames: 1002-1005, handles: 1, recipe: plain-grade, colour: { exposure: 0.5 } }
  br020:
    plate: shed
    frames: 1002-1004   # the parry
    handles: 1
    recipe: plain-grade
    stages: { paint: { by_hand: { files: hands/br020.####.exr }, from: { picture: plate } } }
    colour: { from: { picture: paint } }
  br030: { plate: shed, frames: 1003-1006, handles: 1, recipe: plain-grade, colour: { exposure: 1 } }
assembly: {}
";
const OLD: [(&str, i64, i64); 3] = [("br010", 1002, 1006), ("br020", 1002, 1005), ("br030", 1003, 1007)];

fn declare(film: &Film, more: &str) {
    let (width, height) = SIZE;
    let head = format!(
        "# the lamp\nfilm: The Brine Lamp\nrate: 24\nframe_size: {width}x{height}\ncut: cut/lock-1.edl   # locked in May\nplates:\n  \
         shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}\nshots:\n"
    );
    film.write("endboard.yaml", format!("{head}{SHOTS}{more}"));
}

/// The film, rendered whole.
fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    for frame in 1001..=1005 {
        film.write(&format!("hands/br020.{frame}.exr"), project::picture(SIZE, 500 + frame as u64));
    }
    film.write("cut/lock-1.edl", list(&OLD));
    declare(&film, "");
    film.rebuild(&[]).well();
    film
}

/// Frames by stage in the answer's `render`, of those that have any under `key`.
fn foretold(answer: &Value, key: &str) -> BTreeMap<String, String> {
    let stages = answer["render"].as_array().unwrap().iter();
    stages
        .filter_map(|of| {
            let place = format!("{}/{}", of["shot"].as_str().unwrap(), of["stage"].as_str().unwrap());
            Some((place, of[key].as_str()?.to_string()))
        })
        .collect()
}

/// Frames that a rebuild rendered, by stage.
fn rendered(said: &project::Said) -> BTreeMap<String, String> {
    let mut stages: BTreeMap<String, endboard::base::frames::FrameSet> = BTreeMap::new();
    for place in &said.rendered {
        let (stage, frame) = place.split_once('@').unwrap();
        stages.entry(stage.into()).or_default().insert(frame.parse().unwrap());
    }
    stages.into_iter().map(|(stage, frames)| (stage, frames.to_string())).collect()
}

fn fates(answer: &Value) -> Vec<String> {
    let changes = answer["changes"].as_array().unwrap().iter();
    changes
        .map(|of| {
            let words: Vec<&str> =
                of["fates"].as_array().unwrap().iter().map(|word| word.as_str().unwrap()).collect();
            format!("{} {}", of["shot"].as_str().unwrap(), words.join(" "))
        })
        .collect()
}

#[test]
fn a_tighter_cut_is_foretold_taken_up_and_gone_back_from() {
    let film = film();
    let (before, declared) = (film.renders(), film.text("endboard.yaml"));
    film.write("cut/lock-2.edl", list(&[("br030", 1003, 1007), ("br010", 1003, 1006)]));
    let (code, said) = film.said(&["recut", "cut/lock-1.edl"]);
    assert!(code == Some(0) && said.contains("cut/lock-1.edl is the cut in use"), "{said}");
    let answer = film.json(&["recut", "cut/lock-2.edl"]);
    assert_eq!(fates(&answer), ["br030 kept", "br010 moved trimmed", "br020 dropped"]);
    assert_eq!((&answer["frames_before"], &answer["frames_after"]), (&11.into(), &7.into()));
    assert_eq!(answer["changes"][1]["trimmed"]["head"], "1002");
    // Every frame of the film was shown before, so that all come back and none is rendered.
    assert_eq!(foretold(&answer, "frames"), BTreeMap::new());
    assert_eq!(foretold(&answer, "put_back"), BTreeMap::from([("film/assembly".into(), "1-7".into())]));
    let rests = &answer["resting"];
    assert_eq!((&rests[0]["shot"], &rests[0]["frames"]), (&"br010".into(), &"1002".into()));
    assert_eq!((&rests[1]["whole_shot"], &rests[1]["renders"]), (&true.into(), &6.into()));
    // Nothing was changed by asking.
    assert!(film.text("endboard.yaml") == declared && !film.path().join("recuts").exists());

    let taken = film.json(&["recut", "cut/lock-2.edl", "--take-up"]);
    assert_eq!(taken["taken_up"], true);
    assert_eq!(film.text("endboard.yaml"), declared.replace("cut/lock-1.edl", "cut/lock-2.edl"));
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 7));
    assert_eq!(film.renders().keys().filter(|path| path.starts_with("film")).count(), 7);

    let back = film.json(&["recut", "--go-back"]);
    assert_eq!((&back["from"], &back["to"]), (&"cut/lock-2.edl".into(), &"cut/lock-1.edl".into()));
    assert_eq!(film.text("endboard.yaml"), declared);
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    assert_eq!(film.renders(), before);
    let (code, said) = film.said(&["recut", "--go-back"]);
    assert!(code == Some(2) && said.contains("not taken up by `endboard recut`"), "{said}");
}

#[test]
fn a_longer_cut_renders_exactly_what_was_foretold() {
    let film = film();
    // A frame of the handle, a frame beyond it, and hands: br020 goes on for two frames more.
    film.write(
        "cut/lock-2.edl",
        list(&[("br010", 1001, 1006), ("br020", 1002, 1007), ("br030", 1003, 1008)]),
    );
    let answer = film.json(&["recut", "cut/lock-2.edl"]);
    assert_eq!(fates(&answer), ["br010 extended", "br020 extended", "br030 extended"]);
    let extended = |at: usize, key: &str| answer["changes"][at]["extended"][key].as_u64().unwrap();
    assert_eq!((extended(0, "within_handles"), extended(0, "beyond_handles")), (1, 0));
    assert_eq!((extended(1, "within_handles"), extended(1, "beyond_handles")), (1, 1));
    let longer = &answer["longer"][0];
    assert_eq!(
        (&longer["shot"], &longer["before"], &longer["after"]),
        (&"br020".into(), &"1002-1004".into(), &"1002-1006".into())
    );
    assert_eq!((&longer["line"], &longer["write"]), (&12.into(), &"frames: 1002-1006   # the parry".into()));
    let hand = &answer["by_hand"][0];
    assert_eq!(
        (&hand["stage"], &hand["new"], &hand["last"]),
        (&"paint".into(), &"1006-1007".into(), &Value::Null)
    );
    assert_eq!(
        foretold(&answer, "waiting"),
        BTreeMap::from([("br020/colour".into(), "1006-1007".into()), ("film/assembly".into(), "10".into()),])
    );
    // Not without being asked to.
    let declared = film.text("endboard.yaml");
    let (code, said) = film.said(&["recut", "cut/lock-2.edl", "--take-up"]);
    assert!(code == Some(1) && said.contains("br020 must be declared longer; --grow"), "{said}");
    assert_eq!(film.text("endboard.yaml"), declared);
    let taken = film.json(&["recut", "cut/lock-2.edl", "--take-up", "--grow"]);
    assert_eq!(taken["frames"][0]["to"], "1002-1006");
    let now = film.text("endboard.yaml");
    assert_eq!(now, declared.replace("lock-1", "lock-2").replace("frames: 1002-1004 ", "frames: 1002-1006 "));
    // First what needs no hands, then the rest.
    let said = film.rebuild(&[]);
    assert_eq!(rendered(&said), foretold(&answer, "frames"));
    for frame in 1006..=1007 {
        film.write(&format!("hands/br020.{frame}.exr"), project::picture(SIZE, 500 + frame as u64));
    }
    let mut later = foretold(&answer, "waiting");
    later.insert("br020/paint".into(), "1006-1007".into());
    assert_eq!(rendered(&film.rebuild(&[]).well()), later);
    // And all the way back.
    let back = film.json(&["recut", "--go-back"]);
    assert_eq!(back["frames"][0]["to"], "1002-1004");
    assert_eq!(film.text("endboard.yaml"), declared);
    assert!(film.rebuild(&[]).well().rendered.is_empty());
}

#[test]
fn prints_and_dissolves_are_foretold_by_stage() {
    let film = film();
    declare(&film, "prints: { review: { leader: 1, burn_in: { bottom: \"{shot} {frame} {timecode}\" } } }\n");
    film.rebuild(&[]).well();
    let times = |first: i64, end: i64, at: i64| [first, end, at, at + end - first].map(code).join(" ");
    let text = format!(
        "001 br010 V C {}\n002 br010 V C {}\n002 br030 V D 001 {}\n",
        times(1002, 1006, 86_400),
        times(1006, 1006, 86_404),
        times(1004, 1007, 86_404)
    );
    film.write("cut/lock-2.edl", text);
    let answer = film.json(&["recut", "cut/lock-2.edl"]);
    assert_eq!(fates(&answer), ["br010 kept", "br020 dropped", "br030 trimmed"]);
    let transition = &answer["transitions"][0];
    assert_eq!((&transition["before"], &transition["after"]["frames"]), (&Value::Null, &1.into()));
    assert_eq!(foretold(&answer, "frames")["film/assembly"], "5");
    assert_eq!(film.json(&["recut", "cut/lock-2.edl", "--take-up"])["taken_up"], true);
    assert_eq!(rendered(&film.rebuild(&[]).well()), foretold(&answer, "frames"));
}

fn ledger(film: &Film, shot: &str, stage: &str, frames: &str, by: &str, what: What) {
    let mut ledger = Ledger::open(&film.path().join("ledger"), by).unwrap();
    let row = Row {
        // Whose row is the later one must not be left to chance.
        when: if by == "ines" { "2026-03-02T20:00:00Z" } else { "2026-03-02T10:00:00Z" }.parse().unwrap(),
        film: "The Brine Lamp".into(),
        shot: shot.into(),
        stage: stage.into(),
        frames: frames.parse().unwrap(),
        by: by.into(),
        what,
    };
    ledger.append(&row).unwrap();
}

#[test]
fn who_had_it_how_long_it_took_and_what_lapses() {
    let film = film();
    let handout = |person: &str, packet: &str| {
        let (person, packet) = (person.into(), packet.into());
        What::Crew(Crew::Handout(Handout { packet, person, due: None, digests: Vec::new(), note: "".into() }))
    };
    ledger(&film, "br020", "paint", "1001-1005", "keeper", handout("tomas", "p1"));
    let worked = Worked {
        person: "ines".into(),
        took: std::time::Duration::from_secs(5 * 600),
        began: None,
        round: None,
        cause: "".into(),
        ends: None,
        packet: "".into(),
        note: "".into(),
    };
    // What was touched again afterwards makes a first pass no slower.
    let again = Worked { round: Some(endboard::ledger::row::Round::Rework), ..worked.clone() };
    ledger(&film, "br020", "paint", "1001-1005", "ines", What::Crew(Crew::Worked(worked)));
    ledger(&film, "br020", "paint", "1001-1002", "ines", What::Crew(Crew::Worked(again)));
    // A frame of the film that will show something else, two that stay, one that will be gone; and a shot's own.
    let pixels = |place: &str, frame: &str| {
        let bytes = std::fs::read(film.path().join(format!("renders/{place}/{frame}.exr"))).unwrap();
        exr::decode_image(&bytes).unwrap().digest().whole
    };
    let approve = |place: &str, frames: &[&str], set: &str| {
        let digests = frames.iter().map(|frame| pixels(place, frame)).collect();
        let (shot, stage) = place.split_once('/').unwrap();
        ledger(&film, shot, stage, set, "joren", What::Crew(Crew::Approval { digests, note: "good".into() }));
    };
    let shown = ["film.0003", "film.0004", "film.0008", "film.0011"];
    approve("film/assembly", &shown, "3-4,8,11");
    approve("br010/colour", &["br010.1003"], "1003");
    let grown = list(&[("br010", 1002, 1006), ("br020", 1002, 1007), ("br030", 1003, 1007)]);
    film.write("cut/lock-2.edl", grown);
    let answer = film.json(&["recut", "cut/lock-2.edl"]);
    let hand = &answer["by_hand"][0];
    assert_eq!((&hand["last"]["person"], &hand["last"]["same_frames"]), (&"ines".into(), &false.into()));
    assert_eq!((&hand["seconds_a_frame"], &hand["seconds"]), (&600.0.into(), &1200.0.into()));
    let (code, said) = film.said(&["recut", "cut/lock-2.edl"]);
    assert_eq!(code, Some(0));
    assert!(said.lines().all(|line| line.chars().count() <= 100), "{said}");
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("2 frames to touch by hand (about 20 m 00 s)"), "{said}");
    assert!(flat.contains("ines had the stage last, 2026-03-02"), "{said}");
    // A packet that is out for nothing.
    film.write("cut/lock-3.edl", list(&[("br010", 1002, 1006), ("br030", 1003, 1007)]));
    let answer = film.json(&["recut", "cut/lock-3.edl"]);
    let out = &answer["out"][0];
    assert_eq!(
        (&out["packet"], &out["person"], &out["frames"]),
        (&"p1".into(), &"tomas".into(), &"1002-1004".into())
    );
    let lapses = answer["approvals"].as_array().unwrap();
    let lapse = (&lapses[0]["stage"], &lapses[0]["by"], &lapses[0]["changed"], &lapses[0]["gone"]);
    assert_eq!((lapses.len(), lapse), (1, (&"assembly".into(), &"joren".into(), &"8".into(), &"11".into())));
}

/// Whoever had the very frames comes before who had others of the stage later, and both before who let a rebuild take files in.
#[test]
fn who_had_the_frames_last_is_told_or_else_who_had_the_stage() {
    let film = film();
    film.write(
        "cut/lock-2.edl",
        list(&[("br010", 1002, 1006), ("br020", 1002, 1007), ("br030", 1003, 1007)]),
    );
    let last = || {
        let hand = film.json(&["recut", "cut/lock-2.edl"])["by_hand"][0].clone();
        assert_eq!(hand["new"], "1006-1007", "{hand}");
        let (_, said) = film.said(&["recut", "cut/lock-2.edl"]);
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        (hand["last"]["person"].clone(), hand["last"]["same_frames"] == true, said)
    };
    // The files of the film's own people came from nobody in particular.
    assert_eq!(last().0, Value::Null);
    let worked = |person: &str, frames: &str| {
        let worked = Worked {
            person: person.into(),
            took: std::time::Duration::from_secs(600),
            began: None,
            round: None,
            cause: "".into(),
            ends: None,
            packet: "".into(),
            note: "".into(),
        };
        ledger(&film, "br020", "paint", frames, person, What::Crew(Crew::Worked(worked)));
    };
    worked("ines", "1001-1002");
    let (person, same, said) = last();
    assert!(
        person == "ines" && !same && said.contains("ines had the stage last, 2026-03-02"),
        "{person} {said}"
    );
    worked("tomas", "1007");
    let (person, same, said) = last();
    assert!(person == "tomas" && same && said.contains("tomas had them last, 2026-03-02"), "{person} {said}");
    // Another stage and another shot are nobody's business here.
    ledger(
        &film,
        "br030",
        "colour",
        "1006-1007",
        "joren",
        What::Crew(Crew::Handout(Handout {
            packet: "p9".into(),
            person: "joren".into(),
            due: None,
            digests: Vec::new(),
            note: "".into(),
        })),
    );
    assert_eq!(last().0, "tomas");
}

#[test]
fn a_list_with_problems_is_refused_each_at_its_line() {
    let film = film();
    let declared = film.text("endboard.yaml");
    film.write("cut/bad.edl", list(&OLD).replace("00:00:41:18", "00:00:41:99"));
    let (code, said) = film.said(&["recut", "cut/bad.edl", "--take-up"]);
    assert!(code == Some(1) && said.contains("cut/bad.edl:2:"), "{said}");
    for (name, bytes) in
        [("empty.edl", &b""[..]), ("noise.edl", b"\xff\xfe\0\0x"), ("words.edl", b"a\nb\nc\n")]
    {
        film.write(&format!("cut/{name}"), bytes);
        let (code, said) = film.said(&["recut", &format!("cut/{name}"), "--take-up"]);
        assert!(matches!(code, Some(1 | 2)) && !said.contains("panicked"), "{name}: {code:?} {said}");
    }
    let (code, said) = film.said(&["recut", "cut/none.edl"]);
    assert!(code == Some(2) && said.contains("there is no list cut/none.edl"), "{said}");
    assert_eq!(film.said(&["recut"]).0, Some(2));
    // Shots that are not declared and frames that no plate has are named, and nothing is made up.
    film.write("cut/far.edl", list(&[("br010", 1002, 1012), ("br040", 1003, 1005), ("br030", 1003, 1007)]));
    let answer = film.json(&["recut", "cut/far.edl"]);
    let undeclared = &answer["undeclared"][0];
    assert_eq!(
        (&undeclared["shot"], &undeclared["line"], &undeclared["frames"]),
        (&"br040".into(), &3.into(), &"1003-1004".into())
    );
    assert_eq!(undeclared["to_add"][2], "    frames: 1003-1004");
    let short = &answer["without_plate"][0];
    assert_eq!(
        (&short["frames"], &short["there"], &short["line"]),
        (&"1009-1011".into(), &"1001-1008".into(), &2.into())
    );
    assert_eq!(answer["film_frames_lost"], "8-12");
    let (code, said) = film.said(&["recut", "cut/far.edl", "--take-up", "--grow"]);
    assert_eq!(code, Some(1));
    assert!(
        said.contains("shot br040 is not declared") && said.contains("br010@1009-1011 has no plate"),
        "{said}"
    );
    assert!(film.text("endboard.yaml") == declared && !film.path().join("recuts").exists());
    // A list elsewhere can be looked at and not be taken up.
    let away = tempfile::tempdir().unwrap();
    let path = away.path().join("lock.edl");
    std::fs::write(&path, list(&OLD[..2])).unwrap();
    assert_eq!(film.json(&["recut", path.to_str().unwrap()])["frames_after"], 7);
    let (code, said) = film.said(&["recut", path.to_str().unwrap(), "--take-up"]);
    assert!(code == Some(1) && said.contains("outside the film's folder"), "{said}");
}

#[test]
fn going_back_keeps_what_a_person_changed_since_and_finds_a_list_that_is_gone() {
    let film = film();
    film.write("cut/lock-2.edl", list(&[("br020", 1002, 1007), ("br010", 1002, 1006)]));
    film.json(&["recut", "cut/lock-2.edl", "--take-up", "--grow"]);
    let edited = film
        .text("endboard.yaml")
        .replace("exposure: 1 ", "exposure: 2 ")
        .replace("1002-1006   #", "1002-1007   #");
    film.write("endboard.yaml", &edited);
    film.write("cut/lock-1.edl", list(&OLD[..1]));
    let back = film.json(&["recut", "--go-back"]);
    assert_eq!(back["to"], "recuts/lock-1.1.edl");
    let remarks = back["remarks"].to_string();
    assert!(remarks.contains("was changed since") && remarks.contains("1002-1007 now"), "{remarks}");
    assert_eq!(film.text("endboard.yaml"), edited.replace("cut/lock-2.edl", "recuts/lock-1.1.edl"));
    assert_eq!(film.text("recuts/lock-1.1.edl"), list(&OLD));
    assert_eq!(film.text("recuts/history.jsonl").lines().count(), 2);
}

#[test]
fn a_film_without_a_cut_takes_its_first_one_up_and_lets_it_go_again() {
    let film = film();
    let bare = film.text("endboard.yaml").replace("cut: cut/lock-1.edl   # locked in May\n", "");
    film.write("endboard.yaml", &bare);
    let answer = film.json(&["recut", "cut/lock-1.edl"]);
    assert_eq!(
        (&answer["was"], fates(&answer)),
        (&Value::Null, vec!["br010 kept".into(), "br020 kept".into(), "br030 kept".into()])
    );
    film.json(&["recut", "cut/lock-1.edl", "--take-up"]);
    assert!(film.text("endboard.yaml").contains("film: The Brine Lamp\ncut: cut/lock-1.edl\n"));
    assert_eq!(film.json(&["recut", "--go-back"])["to"], Value::Null);
    assert_eq!(film.text("endboard.yaml"), bare);
    // The lock is respected, and the same list is nothing to take up.
    declare(&film, "");
    let (code, said) = film.said(&["recut", "cut/lock-1.edl", "--take-up"]);
    assert!(code == Some(1) && said.contains("is the cut in use"), "{said}");
}

#[test]
fn drop_frame_lists_are_told_in_their_own_timecode() {
    let film = film();
    let (width, height) = SIZE;
    let shots = SHOTS.replace("paint", "painted");
    let text = |cut: &str| {
        format!(
            "film: The Brine Lamp\nrate: 29.97\nframe_size: {width}x{height}\ncut: {cut}\nplates:\n  shed: {{ files: \
             plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}\nshots:\n{shots}"
        )
    };
    film.write("endboard.yaml", text("cut/drop-1.edl"));
    // 1002 frames at 30 a second are 00:00:33:12. Around the first full minute two labels are left out.
    let head = "FCM: DROP FRAME\n001 br010 V C 00:00:33;12 00:00:33;16 00:00:59;28 00:01:00;04\n";
    film.write(
        "cut/drop-1.edl",
        format!("{head}002 br030 V C 00:00:33;13 00:00:33;17 00:01:00;04 00:01:00;08\n"),
    );
    film.write(
        "cut/drop-2.edl",
        "FCM: DROP FRAME\n001 br030 V C 00:00:33;13 00:00:33;17 00:00:59;28 00:01:00;04\n",
    );
    let answer = film.json(&["recut", "cut/drop-2.edl"]);
    assert_eq!(answer["changes"][1]["after"][0]["film_frames"], "1-4", "{answer}");
    let (_, said) = film.said(&["recut", "cut/drop-2.edl"]);
    assert!(said.contains("was at 00:00:59;28"), "{said}");
}

#[test]
fn the_picture_is_written_and_never_over_anything_else() {
    let film = film();
    film.write("cut/lock-2.edl", list(&[("br030", 1003, 1007), ("br010", 1003, 1006)]));
    let file = film.path().join("cuts.png");
    let words = ["recut", "cut/lock-2.edl", "--out", file.to_str().unwrap()];
    assert_eq!(film.json(&words)["picture"].as_str(), file.to_str());
    let first = std::fs::read(&file).unwrap();
    assert!(first.starts_with(b"\x89PNG"));
    film.json(&words);
    assert_eq!(std::fs::read(&file).unwrap(), first);
    film.write("cuts.png", "mine");
    let (code, said) = film.said(&words);
    assert!(code == Some(2) && said.contains("--out"), "{said}");
    assert_eq!(film.text("cuts.png"), "mine");
}

/// A diagonal from the upper left to the lower right of the overlap, as the trade draws it on paper: as bright as writing on it, and
/// the two shots' tones on either side.
#[test]
fn a_dissolve_is_drawn_as_a_diagonal_across_the_overlap() {
    let film = film();
    let times = |first: i64, end: i64, at: i64| [first, end, at, at + end - first].map(code).join(" ");
    let cut = |effect: &str| {
        let (a, b, c) = (times(1002, 1006, 86_400), times(1006, 1006, 86_404), times(1004, 1007, 86_404));
        match effect {
            "C" => format!("001 br010 V C {a}\n002 br030 V C {c}\n"),
            _ => format!("001 br010 V C {a}\n002 br010 V C {b}\n002 br030 V {effect} 002 {c}\n"),
        }
    };
    let file = film.path().join("cuts.png");
    // Of a row in the middle of the lower strip: 11 film frames of the longer cut lie from 28 to 1252, and the overlap is 5 and 6.
    let row = |effect: &str| -> Vec<u8> {
        film.write("cut/lock-2.edl", cut(effect));
        film.json(&["recut", "cut/lock-2.edl", "--out", file.to_str().unwrap()]);
        let mut reader =
            png::Decoder::new(std::io::Cursor::new(std::fs::read(&file).unwrap())).read_info().unwrap();
        let mut codes = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut codes).unwrap();
        let wide = reader.info().width as usize;
        assert_eq!(wide, 1280);
        codes[394 * wide * 3..395 * wide * 3].chunks(3).map(|pixel| pixel[0]).collect()
    };
    let x = |frames: f64| (28.0 + frames * 1224.0 / 11.0) as usize;
    let [plain, dissolve, wipe] = ["C", "D", "W001"].map(row);
    let middle = x(5.0);
    assert!(plain[middle] < 160 && plain[x(4.6)] == plain[x(5.4)], "{}", plain[middle]);
    assert!(dissolve[middle] > 180, "{}", dissolve[middle]);
    assert!(dissolve[x(4.6)] != dissolve[x(5.4)] && dissolve[x(4.6)] < 180, "what comes in lies above");
    // A wipe's is broken, and its middle falls between two dashes.
    assert!(wipe[middle] < 180 && wipe[x(4.6)] != wipe[x(5.4)], "{}", wipe[middle]);
}

#[test]
fn cues_that_fall_off_move_or_stay_are_told_and_the_mix_is_foretold() {
    let film = film();
    let mut click = Sound::silent(48_000, 1, 4800);
    click.channels[0][10] = 0.5;
    film.write("sounds/click.wav", wave::plain(&click).unwrap());
    declare(
        &film,
        "sound:
  buses: { effects: {} }
  cues:
    knock: { bus: effects, at: br010@1002, clip: sounds/click.wav }
    step: { bus: effects, at: br030@1004, clip: sounds/click.wav, for: 0.05 }
    after: { bus: effects, with: step, plus: 1, clip: sounds/click.wav, for: 0.05 }
    hum: { bus: effects, at: '01:00:00:05', clip: sounds/click.wav, for: 0.02 }
",
    );
    film.rebuild(&[]).well();
    film.write(
        "cut/lock-2.edl",
        list(&[("br010", 1003, 1006), ("br020", 1002, 1005), ("br030", 1003, 1007)]),
    );
    let answer = film.json(&["recut", "cut/lock-2.edl"]);
    let cues: Vec<(&str, &str)> = (answer["cues"].as_array().unwrap().iter())
        .map(|cue| (cue["cue"].as_str().unwrap(), cue["fate"].as_str().unwrap()))
        .collect();
    assert_eq!(
        cues,
        [
            ("knock", "falls off"),
            ("step", "moves with its shot"),
            ("after", "moves with its shot"),
            ("hum", "stays while the picture changes"),
        ]
    );
    assert_eq!(
        answer["cues"][1]["before"][0].as_f64().unwrap() - answer["cues"][1]["after"][0].as_f64().unwrap(),
        1.0
    );
    assert_eq!(answer["cues"][3]["seen"], serde_json::json!(["br020@1003", "br020@1004"]));
    let (_, said) = film.said(&["recut", "cut/lock-2.edl"]);
    assert!(said.contains("1 cue falls off") && said.contains("2 cues move with their shots"), "{said}");
    assert_eq!(film.json(&["recut", "cut/lock-2.edl", "--take-up"])["taken_up"], true);
    assert_eq!(rendered(&film.rebuild(&[]).well()), foretold(&answer, "frames"));
}

#[test]
fn a_hold_that_stands_in_the_way_is_told() {
    let film = film();
    assert_eq!(film.said(&["rebuild", "film/assembly@2-11", "--hold"]).0, Some(0));
    film.write("cut/lock-2.edl", list(&[("br010", 1002, 1006), ("br030", 1003, 1007)]));
    let holds = &film.json(&["recut", "cut/lock-2.edl"])["holds"];
    assert_eq!(
        (&holds[0]["stage"], &holds[0]["stale"], &holds[0]["gone"]),
        (&"assembly".into(), &"5-8".into(), &"9-11".into())
    );
}

#[test]
fn a_packet_that_was_handed_out_again_after_it_was_closed_is_told() {
    let film = film();
    let handout = |person: &str| {
        let (packet, person) = ("p1".into(), person.into());
        What::Crew(Crew::Handout(Handout { packet, person, due: None, digests: Vec::new(), note: "".into() }))
    };
    let row = |what: What| ledger(&film, "br020", "paint", "1001-1005", "keeper", what);
    row(handout("tomas"));
    row(What::Crew(Crew::Close { packet: "p1".into(), note: "no time".into() }));
    film.write("cut/lock-2.edl", list(&[("br010", 1002, 1006), ("br030", 1003, 1007)]));
    let out = |film: &Film| film.json(&["recut", "cut/lock-2.edl"])["out"].clone();
    assert_eq!(out(&film), Value::Array(Vec::new()));
    row(handout("tomas"));
    let named = film.json(&["outstanding"])["packets"].as_array().unwrap().len();
    assert_eq!((named, out(&film)[0]["frames"].clone()), (1, "1002-1004".into()));
}

#[test]
fn the_way_back_goes_on_from_a_copy_and_after_a_step_that_was_broken_off() {
    let film = film();
    let bare = film.text("endboard.yaml").replace("cut: cut/lock-1.edl   # locked in May\n", "");
    film.write("endboard.yaml", &bare);
    for at in [1, 2, 3] {
        film.write(&format!("cut/lock-{at}.edl"), list(&OLD[..at]));
        assert_eq!(film.json(&["recut", &format!("cut/lock-{at}.edl"), "--take-up"])["taken_up"], true);
    }
    // The list that is gone back to was changed since, so that its copy is in use; from there the way goes on.
    film.write("cut/lock-2.edl", list(&OLD[1..]));
    assert_eq!(film.json(&["recut", "--go-back"])["to"], "recuts/lock-2.1.edl");
    // Going on is refused, after its line is written: the declaration is of a person who changes it meanwhile. The line is there
    // and the film is cut as before.
    let now = film.text("endboard.yaml");
    assert_eq!(film.json(&["recut", "--go-back"])["to"], "cut/lock-1.edl");
    film.write("endboard.yaml", &now);
    assert_eq!(film.json(&["recut", "--go-back"])["to"], "cut/lock-1.edl");
    assert_eq!(film.json(&["recut", "--go-back"])["to"], Value::Null);
    assert_eq!(film.text("endboard.yaml"), bare);
    assert_eq!(film.said(&["recut", "--go-back"]).0, Some(2));
}

/// The film, a longer cut beside it, and what endboard.yaml says before and after it is taken up.
fn two_cuts() -> (Film, [String; 2]) {
    let film = film();
    film.write("cut/lock-2.edl", list(&[("br020", 1002, 1007), ("br010", 1002, 1006)]));
    let before = film.text("endboard.yaml");
    let after = before.replace("lock-1", "lock-2").replace("frames: 1002-1004 ", "frames: 1002-1006 ");
    (film, [before, after])
}

const TAKE_UP: [&str; 4] = ["recut", "cut/lock-2.edl", "--take-up", "--grow"];

/// Whatever was broken off: the film is whole, the step can be taken, and so can the way back.
#[track_caller]
fn goes_on(film: &Film, [before, after]: &[String; 2]) {
    let now = film.text("endboard.yaml");
    assert!(now == *before || now == *after, "half one cut and half the other: {now}");
    assert!(matches!(film.said(&["status"]).0, Some(0)));
    let (code, said) = film.said(&TAKE_UP);
    if now == *before {
        assert_eq!(code, Some(0), "{said}");
    } else {
        assert!(code == Some(1) && said.contains("cut/lock-2.edl is the cut in use"), "{said}");
    }
    assert_eq!(film.text("endboard.yaml"), *after);
    let back = film.json(&["recut", "--go-back"]);
    assert_eq!(back["to"], "cut/lock-1.edl", "{back}");
    assert_eq!(film.text("endboard.yaml"), *before);
    let (code, said) = film.said(&["recut", "--go-back"]);
    assert!(code == Some(2) && said.contains("no way back"), "{said}");
}

#[test]
fn broken_off_between_any_two_writes_a_step_can_be_taken_again_and_gone_back_from() {
    let (film, texts) = two_cuts();
    let files = ["recuts/lock-1.1.edl", "recuts/history.jsonl", "endboard.yaml"];
    let written = |film: &Film| files.map(|name| std::fs::read(film.path().join(name)).ok());
    let begun = written(&film);
    assert_eq!(film.json(&TAKE_UP)["taken_up"], true);
    let taken = written(&film);
    assert_eq!(film.json(&["recut", "--go-back"])["to"], "cut/lock-1.edl");
    let gone_back = written(&film);
    for (from, to) in [(&begun, &taken), (&taken, &gone_back)] {
        // They are written in this order: so many of them were, and of the next one a half lies beside its place.
        for whole in 0..=files.len() {
            let _ = std::fs::remove_dir_all(film.path().join("recuts"));
            for (at, name) in files.iter().enumerate() {
                let bytes = if at < whole { &to[at] } else { &from[at] };
                bytes.iter().for_each(|bytes| film.write(name, bytes));
            }
            if let (Some(name), Some(Some(bytes))) = (files.get(whole), to.get(whole)) {
                let folder = name.rsplit_once('/').map_or("", |(folder, _)| folder);
                film.write(
                    format!("{folder}/.tmpa1B2c3").replace("//", "/").trim_start_matches('/'),
                    &bytes[..bytes.len() / 2],
                );
            }
            goes_on(&film, &texts);
        }
    }
}

#[test]
fn killed_at_any_instant_a_cut_is_taken_up_or_not() {
    let (film, texts) = two_cuts();
    let began = std::time::Instant::now();
    assert_eq!(film.json(&TAKE_UP)["taken_up"], true);
    let length = began.elapsed();
    assert_eq!(film.json(&["recut", "--go-back"])["to"], "cut/lock-1.edl");
    let mut dice = project::Dice(0x7e1d);
    let mut between = [0; 3];
    for _ in 0..24 {
        let _ = std::fs::remove_dir_all(film.path().join("recuts"));
        let mut run = film.start(&TAKE_UP);
        // Half of them as soon as something is written, the others anywhere.
        let instant = std::time::Duration::from_nanos(dice.below(length.as_nanos() as u64));
        let (started, at_once) = (std::time::Instant::now(), dice.below(2) == 0);
        let is_due = || match at_once {
            true => film.path().join("recuts").exists(),
            false => started.elapsed() >= instant,
        };
        while !is_due() && run.try_wait().unwrap().is_none() {
            std::hint::spin_loop();
        }
        let _ = run.kill();
        run.wait().unwrap();
        let (copy, line) =
            (film.path().join("recuts/lock-1.1.edl"), film.path().join("recuts/history.jsonl"));
        let is_taken = film.text("endboard.yaml") == texts[1];
        // Each is there only after the one before it, and whole.
        if copy.exists() {
            assert_eq!(film.text("recuts/lock-1.1.edl"), list(&OLD));
        }
        assert!((copy.exists() || !line.exists()) && (line.exists() || !is_taken));
        between[usize::from(copy.exists()) + usize::from(is_taken)] += 1;
        goes_on(&film, &texts);
    }
    println!("before the first write, between, after the last: {between:?}");
}

#[test]
fn the_film_is_written_in_both_forms_or_in_none() {
    let film = film();
    film.write("out/mine.otio", "mine");
    let there = || -> Vec<String> {
        let all = std::fs::read_dir(film.path().join("out")).unwrap();
        let mut all: Vec<String> = all.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        all.sort();
        all
    };
    std::os::unix::fs::symlink("out", film.path().join("link")).unwrap();
    std::fs::create_dir(film.path().join("out/folder")).unwrap();
    for (otio, says) in [
        ("out/film", "are one file"),
        ("link/film", "are one file"),
        ("out/mine.otio", "--replace"),
        ("out/folder", "no regular file"),
        ("out/mine.otio/film", "cannot be read"),
        ("cut/lock-1.edl", "the cut in use"),
    ] {
        let (code, said) = film.said(&["cut", "--edl", "out/film", "--otio", otio]);
        assert!(matches!(code, Some(2 | 4)), "{otio}: {code:?} {said}");
        assert!(said.contains(says), "{otio}: {said}");
        assert_eq!(there(), ["folder", "mine.otio"], "{otio}");
    }
    // A grade's name is taken as well.
    let graded = list(&OLD).replacen("\n002", "\n* ASC_SOP (1 1 1)(0 0 0)(1 1 1)\n002", 1);
    film.write("cut/lock-1.edl", graded);
    let (code, said) = film.said(&["cut", "--edl", "grades/br010.cc", "--grades"]);
    assert!(code == Some(2) && said.contains("are one file"), "{said}");
    assert!(!film.path().join("grades/br010.cc").exists());
    let (code, said) = film.said(&["cut", "--edl", "out/film.edl", "--otio", "out/mine.otio", "--replace"]);
    assert!(code == Some(0) && said.contains("is out/mine.1.otio now"), "{said}");
    assert_eq!(film.text("out/mine.1.otio"), "mine");
}

#[test]
fn what_is_finished_is_told_shot_by_shot() {
    let film = film();
    assert!(film.run(&["rebuild", "--hold", "br030/colour@1004"]).status.success());
    film.write("hands/br020.1003.exr", project::picture(SIZE, 999));
    assert_eq!(film.said(&["approve", "br010", "--person", "joren"]).0, Some(0));
    std::fs::remove_file(film.path().join("renders/br010/colour/br010.1005.exr")).unwrap();
    let (code, said) = film.said(&["cut", "--edl", "out/film.edl"]);
    assert_eq!(code, Some(0), "{said}");
    for line in [
        "finished: 0 of 3 shots",
        "  br010/colour  not yet: of 4 frames 1 stale (1005); approved",
        "  br020/paint   not yet: of 3 frames 1 stale (1003); not approved",
        "  br030/colour  not yet: of 4 frames 1 fresh, held (1004); not approved",
    ] {
        assert!(said.lines().any(|said| said == line), "{line}\n{said}");
    }
    assert_eq!(film.rebuild(&[]).code, Some(0));
    let (_, said) = film.said(&["cut", "--otio", "out/film.otio"]);
    assert!(
        said.contains("finished: 2 of 3 shots") && said.contains("br010/colour  4 frames, approved\n"),
        "{said}"
    );
    // A delivery that is none, or not there yet, is nothing to point at.
    let refused = |words: &[&str], says: &str| {
        let (code, said) = film.said(&[&["cut", "--delivery"], words].concat());
        assert!(code == Some(2) && said.contains(says), "{said}");
    };
    refused(&["master"], "add --edl FILE or --otio FILE");
    refused(&["master", "--edl", "out/other.edl"], "the film declares none");
    declare(&film, "deliveries: { master: { frames: exr } }\n");
    refused(&["mastre", "--edl", "out/other.edl"], "did you mean 'master'?");
    refused(&["master", "--edl", "out/other.edl"], "`endboard deliver master` makes them");
    assert!(!film.path().join("out/other.edl").exists());
    // The table of one shot.
    let (_, said) = film.said(&["cut", "br020"]);
    assert!(said.contains("br020  1002-1004") && !said.contains("br010"), "{said}");
    assert_eq!(film.json(&["cut", "br0*@1006"])["events"].as_array().unwrap().len(), 1);
    let (code, said) = film.said(&["cut", "br02"]);
    assert!(code == Some(2) && said.contains("did you mean br020?"), "{said}");
    assert_eq!(film.said(&["cut", "br020/paintt"]).0, Some(2));
}
