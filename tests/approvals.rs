//! Approvals and notes: pinned to pixels, lapsing and coming back with them, kept by a sweep, settled by later rows.

mod project;

use endboard::ledger::crew::Crew;
use endboard::ledger::file::Ledger;
use endboard::ledger::row::{Row, What};
use project::{Film, head, line};
use serde_json::{Value, json};

fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 1);
    declare(&film, 0.5);
    film.rebuild(&[]).well();
    film
}

fn declare(film: &Film, exposure: f64) {
    film.declare_shot(&[
        "first: { operator: grade, from: { picture: plate }, saturation: 0.5 }",
        &format!("colour: {{ operator: grade, from: {{ picture: first }}, exposure: {exposure} }}"),
    ]);
}

/// Stage, frames and standing of each approval.
fn told(film: &Film) -> Vec<(String, String, String)> {
    let listed = film.json(&["approvals"]);
    let word = |of: &Value, name: &str| of[name].as_str().unwrap().to_string();
    let all = listed["approvals"].as_array().unwrap().iter();
    all.map(|of| (word(of, "stage"), word(of, "frames"), word(of, "standing"))).collect()
}

fn one(stage: &str, frames: &str, standing: &str) -> (String, String, String) {
    (stage.into(), frames.into(), standing.into())
}

#[test]
fn an_approval_lapses_with_its_pixels_and_comes_back_with_them() {
    let film = film();
    let (code, said) = film.said(&["approve", "br010", "--person", "ana", "--note", "lovely"]);
    assert_eq!(
        (code, said.contains("br010/colour@1001-1004: 4 frames approved by ana")),
        (Some(0), true),
        "{said}"
    );
    assert_eq!(told(&film), [one("colour", "1001-1004", "in force")]);
    assert_eq!(film.json(&["approvals"])["unapproved"], json!([]));
    // A fresh render that is held is what was approved, as any other fresh one is.
    assert!(film.run(&["rebuild", "--hold", "br010/colour@1001"]).status.success());
    assert_eq!(told(&film), [one("colour", "1001-1004", "in force")]);
    assert!(film.run(&["rebuild", "--let-go", "br010/colour@1001"]).status.success());
    // Stale: nobody knows yet.
    declare(&film, 1.0);
    assert_eq!(told(&film), [one("colour", "1001-1004", "in doubt")]);
    let said = film.rebuild(&[]).well();
    assert_eq!(
        said.json["lapsed"],
        json!([{ "stage": "br010/colour", "frames": "1001-1004", "by": ["ana"] }])
    );
    assert_eq!(told(&film), [one("colour", "1001-1004", "lapsed")]);
    let listed = film.json(&["approvals", "br010/colour"]);
    assert_eq!(
        (&listed["approvals"][0]["cause"], &listed["approvals"][0]["note"]),
        (&json!("exposure"), &json!("lovely"))
    );
    assert_eq!(listed["unapproved"], json!([{ "stage": "br010/colour", "frames": "1001-1004" }]));
    let (_, said) = film.said(&["status"]);
    assert!(said.contains("approved: 0 frames, 4 lapsed; `endboard approvals` lists them"), "{said}");
    assert_eq!(film.json(&["status"])["approvals"]["lapsed"], 4);
    // A rebuild that changes nothing makes nothing lapse.
    assert_eq!(film.rebuild(&[]).well().json["lapsed"], json!([]));
    // What was approved outlives a sweep, so that going back to it renders nothing.
    assert_eq!(film.json(&["sweep", "--remove"])["files"], 0);
    declare(&film, 0.5);
    let back = film.rebuild(&[]).well();
    assert_eq!((back.rendered.len(), back.restored()), (0, 4), "{}", back.json);
    assert_eq!(told(&film), [one("colour", "1001-1004", "in force")]);
    // Taken back, it is kept no longer.
    declare(&film, 1.0);
    film.rebuild(&[]).well();
    let (code, said) = film.said(&["approve", "br010/colour@1001-1003", "--withdraw"]);
    assert_eq!((code, said.contains("no longer approved")), (Some(0), true), "{said}");
    assert_eq!(film.json(&["sweep", "--remove"])["files"], 3);
    assert_eq!(told(&film), [one("colour", "1004", "lapsed")]);
    let (code, said) = film.said(&["approve", "br010/colour@1001-1003", "--withdraw"]);
    assert_eq!((code, said.contains("nothing of this is approved")), (Some(2), true), "{said}");
}

#[test]
fn only_single_frames_lapse_when_only_those_change() {
    let film = film();
    assert_eq!(film.said(&["approve", "*/colour", "*/first@1002"]).0, Some(0));
    film.write_plate_frame("shed", 1002, 99);
    let said = film.rebuild(&[]).well();
    let lapsed: Vec<&str> =
        said.json["lapsed"].as_array().unwrap().iter().map(|l| l["frames"].as_str().unwrap()).collect();
    assert_eq!(lapsed, ["1002", "1002"]);
    assert_eq!(
        told(&film),
        [
            one("colour", "1001,1003-1004", "in force"),
            one("colour", "1002", "lapsed"),
            one("first", "1002", "lapsed"),
        ]
    );
    // Someone looks at it again.
    assert_eq!(film.said(&["approve", "br010/colour@1002", "--person", "ines"]).0, Some(0));
    assert_eq!(
        told(&film)[..2],
        [one("colour", "1001,1003-1004", "in force"), one("colour", "1002", "in force")]
    );
}

#[test]
fn what_is_not_as_declared_is_not_approved() {
    let film = film();
    assert!(film.run(&["rebuild", "--hold", "br010/colour@1001"]).status.success());
    declare(&film, 1.0);
    let (code, said) = film.said(&["approve", "br010/colour"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("br010/colour@1001: held") && said.contains("br010/colour@1002-1004: stale"),
        "{said}"
    );
    assert!(said.contains("nothing was approved") && told(&film).is_empty(), "{said}");
    let (code, said) = film.said(&["approve", "br010/colur"]);
    assert_eq!((code, said.contains("did you mean br010/colour?")), (Some(2), true), "{said}");
    // A plate that is passed on leaves no render.
    let (code, said) = film.said(&["approve", "br010/plate"]);
    assert_eq!((code, said.contains("leaves a render")), (Some(2), true), "{said}");
    assert_eq!(film.said(&["approve", "--note", "fine"]).0, Some(2));
}

/// What lists writes nothing, and what writes needs to be told of what.
#[test]
fn approve_writes_and_approvals_lists() {
    let film = film();
    let rows = film.text("ledger/keeper.jsonl");
    for words in [&["approvals"][..], &["approvals", "br010"], &["notes", "br010"], &["clock", "br010"]] {
        assert_eq!(film.said(words).0, Some(0), "{words:?}");
    }
    for words in [&["approve"][..], &["approve", "--withdraw"], &["approve", "--handles"]] {
        let (code, said) = film.said(words);
        assert!(code == Some(2) && said.contains("`endboard approvals` lists"), "{words:?}: {said}");
    }
    // So approvals were listed once.
    let (code, said) = film.said(&["approve", "list", "br010/colour"]);
    assert!(code == Some(2) && said.contains("`endboard approvals br010/colour`"), "{said}");
    assert_eq!(film.text("ledger/keeper.jsonl"), rows);
}

#[test]
fn approvals_of_what_the_film_no_longer_has_are_told() {
    let film = film();
    assert_eq!(film.said(&["approve", "br010/first@1001-1002"]).0, Some(0));
    let declared = film.text("endboard.yaml");
    let lines: String = declared
        .lines()
        .filter(|line| !line.contains("first:"))
        .map(|line| line.replace("picture: first", "picture: plate") + "\n")
        .collect();
    film.write("endboard.yaml", lines);
    film.rebuild(&[]).well();
    assert_eq!(told(&film), [one("first", "1001-1002", "lost")]);
    assert_eq!(film.said(&["status"]).0, Some(0));
    assert_eq!(film.json(&["sweep", "--remove"])["files"].as_u64().map(|files| files > 0), Some(true));
    film.write("endboard.yaml", declared);
    // Of the four frames of `first` the two that were approved come back without rendering.
    let back = film.rebuild(&[]).well();
    assert_eq!(back.rendered.iter().filter(|place| place.contains("/first@")).count(), 2, "{}", back.json);
    assert_eq!(told(&film), [one("first", "1001-1002", "in force")]);
}

#[test]
fn notes_are_put_on_frames_listed_by_shot_and_settled() {
    let film = film();
    let (code, said) = film.said(&["notes"]);
    assert_eq!((code, &*said), (Some(0), "no open notes\n"));
    let added = film.json(&["notes", "add", "br010@1002", "halo on the pole", "--person", "ana"]);
    assert_eq!((&added["stage"], &added["frames"]), (&json!("colour"), &json!("1002")), "{added}");
    assert_eq!(film.said(&["notes", "add", "br010/first@1001-1003", "too dark"]).0, Some(0));
    let (_, said) = film.said(&["notes"]);
    assert!(said.starts_with("br010\n") && said.contains("colour@1002  halo on the pole (ana, "), "{said}");
    let (_, said) = film.said(&["status"]);
    assert!(said.contains("2 open notes; `endboard notes` lists them"), "{said}");
    assert_eq!(film.json(&["status", "br010/first"])["open_notes"], 1);
    let name = added["name"].as_str().unwrap();
    let (code, said) = film.said(&["notes", "settle", name, "softened the edge", "--person", "tomas"]);
    assert_eq!((code, said.contains("settled: br010/colour@1002")), (Some(0), true), "{said}");
    assert_eq!(film.json(&["notes"])["notes"].as_array().unwrap().len(), 1);
    let all = film.json(&["notes", "list", "br010/colour", "--all"]);
    assert_eq!(all["notes"][0]["settled"]["words"], "softened the edge");
    let (code, said) = film.said(&["notes", "settle", name]);
    assert_eq!((code, said.contains("was settled by tomas")), (Some(2), true), "{said}");
    for (words, part) in [
        (["notes", "settle", "zzzz"].as_slice(), "no row is called"),
        (&["notes", "add", "br010/first", " "], "a note says something"),
        (&["notes", "add", "br010/first", "a\u{1b}[2J"], "in one line"),
        (&["notes", "add", "br010/frist", "x"], "did you mean br010/first?"),
        (&["notes", "add", "br010@3000", "x"], "selects no frame"),
    ] {
        let (code, said) = film.said(words);
        assert!(code == Some(2) && said.contains(part), "{words:?}: {said}");
    }
}

/// br010 is made with a handle on either side and cut tighter than it is declared; br020 plays at half speed; br030 is not in the cut.
fn film_with_handles() -> Film {
    let film = Film::new();
    film.write_plate("shed", 1);
    let shots = "  br010:
    plate: shed
    frames: 1002-1007
    handles: 1
    stages:
      first: { operator: grade, from: { picture: plate }, saturation: 0.5 }
      colour: { operator: grade, from: { picture: first }, exposure: 0.5 }
  br020:
    plate: shed
    frames: 1001-1008
    stages:
      first: { operator: grade, from: { picture: plate }, saturation: 0.5 }
      slow: { operator: retime, from: { picture: first }, speed: 50, between: nearest }
  br030:
    plate: shed
    frames: 1003-1004
    handles: 2
    stages: { colour: { operator: grade, from: { picture: plate } } }
";
    film.write("endboard.yaml", head().replace("shots:", "cut: cut.edl\nshots:") + shots);
    let cut =
        [line(1, "br010", "C   ", (1003, 1007), 86_400), line(2, "br020", "C   ", (1001, 1005), 86_404)];
    film.write("cut.edl", cut.concat());
    film.rebuild(&[]).well();
    film
}

#[test]
fn handles_are_approved_and_noted_only_when_they_are_asked_for() {
    let film = film_with_handles();
    let listed = |said: Value, member: &str| {
        let places = said[member].as_array().unwrap_or_else(|| panic!("{said}")).iter();
        let place =
            |of: &Value| format!("{}@{}", of["stage"].as_str().unwrap(), of["frames"].as_str().unwrap());
        places.map(place).collect::<Vec<_>>()
    };
    let approved = |words: &[&str], member| listed(film.json(&[&["approve"], words].concat()), member);
    assert_eq!(approved(&["br010"], "approved"), ["br010/colour@1003-1006"]);
    // What the film shows is approved with it, and what it does not show nobody waits for.
    let left = listed(film.json(&["approvals"]), "unapproved");
    assert_eq!(left, ["br020/slow@1001-1004", "br030/colour@1003-1004"]);
    // The same once more writes nothing; other words do.
    let rows = film.text("ledger/keeper.jsonl").lines().count();
    assert_eq!(approved(&["br010"], "already"), ["br010/colour@1003-1006"]);
    let (code, said) = film.said(&["approve", "br010"]);
    assert!(code == Some(0) && said.contains("approved already by keeper"), "{said}");
    assert_eq!(film.text("ledger/keeper.jsonl").lines().count(), rows);
    assert_eq!(approved(&["br010", "--note", "at last"], "approved"), ["br010/colour@1003-1006"]);
    // A lower stage's frames are those that the shown ones are made of: source frames under a change of speed.
    assert_eq!(approved(&["br010/first"], "approved"), ["br010/first@1003-1006"]);
    let shown = approved(&["br020/first"], "approved");
    let all = approved(&["br020/first", "--handles"], "approved");
    assert_eq!(
        (shown, all),
        (vec!["br020/first@1001-1003".to_string()], vec!["br020/first@1001-1008".to_string()])
    );
    // Of a shot that the cut leaves out, what it is declared with.
    assert_eq!(approved(&["br030"], "approved"), ["br030/colour@1003-1004"]);
    // Named, a handle is meant; and so are all where they are asked for.
    assert_eq!(approved(&["br010@1001"], "approved"), ["br010/colour@1001"]);
    assert_eq!(approved(&["br010", "--handles"], "approved"), ["br010/colour@1001-1008"]);
    let noted = |words: &[&str]| {
        film.json(&[&["notes", "add"], words, &["too dark"]].concat())["frames"].as_str().unwrap().to_string()
    };
    assert_eq!(noted(&["br010"]), "1003-1006");
    assert_eq!(noted(&["br010/first"]), "1003-1006");
    assert_eq!(noted(&["br010@1008"]), "1008");
    assert_eq!(noted(&["br010", "--handles"]), "1001-1008");
    assert_eq!(film.said(&["approve", "--handles"]).0, Some(2));
}

/// Nobody need approve what the film does not show, so that a forecast waits for no handle.
#[test]
fn a_forecast_waits_for_approvals_of_what_is_shown() {
    let film = film_with_handles();
    let crew = "crew:\n  approved: [colour]\n  people:\n    ana: { hours: 7, does: [colour] }\n";
    film.write("endboard.yaml", film.text("endboard.yaml") + crew);
    film.json(&["clock", "add", "br010/colour", "1h", "--person", "ana"]);
    let waits = || {
        let all = film.json(&["forecast", "--runs", "20"])["remaining"].clone();
        let of_hands =
            all.as_array().into_iter().flatten().filter(|of| of["of"] == "hands" && of["stage"] == "colour");
        of_hands.map(|of| of["frames"].as_u64().unwrap()).sum::<u64>()
    };
    // Four frames of br010, and the two that br030 is declared with.
    assert_eq!(waits(), 4 + 2);
    film.json(&["approve", "br010"]);
    assert_eq!(waits(), 2);
    film.json(&["approve", "br030"]);
    assert_eq!(waits(), 0);
}

#[test]
fn long_lines_go_on_beneath_themselves_on_a_terminal() {
    let film = film_with_handles();
    let words = "the halo on the keeper's pole is too wide where it passes in front of the window; narrow it a little, please";
    film.json(&["approve", "br010", "--person", "ana", "--note", words]);
    film.json(&["approve", "br020@1001,1003", "--person", "a name that is rather long", "--note", words]);
    film.json(&["notes", "add", "br010/first", words]);
    film.json(&["clock", "add", "br010/colour", "1h30m", "--note", words]);
    assert!(film.run(&["rebuild", "--hold", "br010/colour", "--note", words]).status.success());
    film.write("endboard.yaml", film.text("endboard.yaml").replace("exposure: 0.5", "exposure: 0.7"));
    film.rebuild(&[]);
    film.write_plate_frame("shed", 1002, 7);
    std::fs::remove_file(film.path().join("plates/shed.1006.exr")).unwrap();
    for words in [
        &["status"][..],
        &["approvals"],
        &["approvals", "br010"],
        &["notes"],
        &["notes", "list", "--all"],
        &["clock"],
        &["hours"],
        &["outstanding"],
        &["recut", "cut.edl"],
        &["why", "br010/colour"],
    ] {
        let output = film.command(words).env("COLUMNS", "80").output().unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(!said.is_empty(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
        assert!(said.lines().all(|line| line.chars().count() <= 80), "{words:?}: {said}");
    }
    // In a file, or for another program, a line is a line.
    let (_, said) = film.said(&["notes"]);
    assert!(said.lines().any(|line| line.contains(words)), "{said}");
}

/// Errors too, but for the line of a file that they show; in a file, or for another program, an error is one line.
#[test]
fn errors_go_on_beneath_themselves_on_a_terminal() {
    let film = film_with_handles();
    let narrow = |words: &[&str]| {
        let output = film.command(words).env("COLUMNS", "60").output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        let shown = |line: &&str| !line.contains('│');
        assert!(said.lines().filter(shown).all(|line| line.chars().count() <= 60), "{words:?}: {said}");
        said
    };
    for words in [&["approve"][..], &["rebuild", "br010", "br999/colour"]] {
        let (said, whole) = (narrow(words), String::from_utf8(film.run(words).stderr).unwrap());
        assert!(said.lines().count() > whole.lines().count(), "{words:?}: {said}{whole}");
        let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(plain(&said), plain(&whole));
        assert!(whole.starts_with("endboard: ") && whole.lines().count() == 1, "{whole}");
    }
    film.write(
        "endboard.yaml",
        film.text("endboard.yaml").replace("exposure: 0.5", "exposure: a great deal more"),
    );
    let said = narrow(&["status"]);
    assert!(said.contains("exposure: a great deal more"), "{said}");
}

#[test]
fn hostile_notes_and_approvals_command_no_terminal() {
    let film = film();
    let evil = "\u{1b}]0;x\u{7}\u{202e}".repeat(2000);
    let mut ledger = Ledger::open(&film.path().join("ledger"), "stranger").unwrap();
    for what in [
        Crew::Note { note: evil.as_str().into() },
        Crew::Approval {
            digests: vec![endboard::base::digest::Digest::of(b"x")],
            note: evil.as_str().into(),
        },
    ] {
        let row = Row {
            when: jiff::Timestamp::now(),
            film: "The Brine Lamp".into(),
            shot: "br010".into(),
            stage: "colour".into(),
            frames: "1001".parse().unwrap(),
            by: evil.as_str().into(),
            what: What::Crew(what),
        };
        ledger.append(&row).unwrap();
    }
    for words in [&["notes"][..], &["approvals"], &["status"], &["rebuild"]] {
        let (code, said) = film.said(words);
        assert_eq!(code, Some(0), "{words:?}");
        assert!(!said.contains(['\u{1b}', '\u{7}', '\u{202e}']), "{words:?}: {said}");
        assert!(said.lines().all(|line| line.chars().count() < 1200), "{words:?}");
    }
}

/// Every time is of the clock on the reader's wall, and so is its day; what is read elsewhere says which clock that is.
#[test]
fn times_are_of_the_readers_clock() {
    let film = film();
    let row = |what: Crew| Row {
        when: "2026-11-27T23:30:00Z".parse().unwrap(),
        film: "The Brine Lamp".into(),
        shot: "br010".into(),
        stage: "colour".into(),
        frames: "1001".parse().unwrap(),
        by: "ana".into(),
        what: What::Crew(what),
    };
    let mut ledger = Ledger::open(&film.path().join("ledger"), "ana").unwrap();
    ledger.append(&row(Crew::Note { note: "too dark".into() })).unwrap();
    let approval =
        Crew::Approval { digests: vec![endboard::base::digest::Digest::of(b"x")], note: "".into() };
    ledger.append(&row(approval)).unwrap();
    let said = |zone: &str, words: &[&str]| {
        let output = film.command(words).env("TZ", zone).output().unwrap();
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    for (zone, day) in [("UTC", "2026-11-27"), ("Africa/Nairobi", "2026-11-28")] {
        for words in [["notes"], ["approvals"]] {
            assert!(said(zone, &words).contains(day), "{zone} {words:?}: {}", said(zone, &words));
        }
    }
    film.run(&["inspect"]);
    let out = film.path().join("page.html");
    said("Africa/Nairobi", &["page", "--out", out.to_str().unwrap()]);
    let page = film.text("page.html");
    assert!(page.contains("(UTC+03:00); all times are of that clock."), "{page}");
    assert!(page.contains("28 Nov 2026, 02:30") && !page.contains(" UTC (frames of"), "{page}");
}

#[test]
fn a_frame_that_two_people_approved_counts_once() {
    let film = film();
    for person in ["ana", "ines"] {
        assert_eq!(film.said(&["approve", "br010/colour", "--person", person]).0, Some(0));
    }
    let said = film.said(&["status"]).1;
    assert!(said.contains("approved: 4 frames") && !said.contains("approved: 4 frames,"), "{said}");
    declare(&film, 1.0);
    film.rebuild(&[]).well();
    assert_eq!(film.json(&["status"])["approvals"]["lapsed"], 4);
    // One of them looks again: what she approved is not lapsed, though the other's word is.
    assert_eq!(film.said(&["approve", "br010/colour@1001", "--person", "ana"]).0, Some(0));
    let counts = &film.json(&["status"])["approvals"];
    assert_eq!((&counts["in_force"], &counts["lapsed"]), (&json!(1), &json!(3)), "{counts}");
}
