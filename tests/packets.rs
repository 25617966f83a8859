//! Work that goes to people and comes back: in parts, again, late, after the plate changed, and once more in an earlier form.
//!
//! Knows the built program on a tiny film with stages of hands. What must never be taken is `packet_hostile`'s.

mod project;

use project::Film;
use project::disk::Mounted;
use project::packets::{declared, files, grey, hand_out, put, rows, sheet, take_back};
use serde_json::{Value, json};

/// What a killed handout leaves goes with the next one, whatever that is called; what is a person's stays.
#[test]
fn what_killed_handouts_left_goes_with_the_next() {
    let film = declared();
    film.rebuild(&[]).but_for_hands();
    let note = "Endboard was writing here, and what lies here is not whole.\n";
    film.write("packets/lamp-1.unfinished/UNFINISHED.txt", note);
    film.write("packets/lamp-1.unfinished/lamp-1/data/half.png", "half");
    film.write("packets/.endboard-a1b2c3.part", "half");
    film.write("packets/mine.unfinished/notes.txt", "a person's");
    let there = |name: &str| film.path().join("packets").join(name).exists();
    hand_out(&film, &["br050/cleanup", "--to", "ana"]);
    let left = ["lamp-1.unfinished", ".endboard-a1b2c3.part", "mine.unfinished/notes.txt"].map(there);
    assert_eq!(left, [false, false, true]);
    // A takeback clears the places that it puts files into.
    let (_, place) = hand_out(&film, &["br060/cleanup", "--to", "ines"]);
    film.write("hands/br060/.endboard-d4e5f6.part", "half");
    (1005..=1008).for_each(|n| put(&place, "br060", n, &grey(n as u8)));
    take_back(&film, &place, &[]);
    assert!(!film.path().join("hands/br060/.endboard-d4e5f6.part").exists());
}

/// A disk that is full is told once, in this program's words, and nothing half-written is left there.
#[test]
fn a_full_disk_ends_a_zip_with_one_message() {
    let Some(disk) = Mounted::of("1m") else { return };
    let film = declared();
    film.rebuild(&[]).but_for_hands();
    let packets = disk.path().join("packets");
    std::fs::create_dir(&packets).unwrap();
    disk.filled_but_for(8 << 10);
    let out = packets.to_str().unwrap();
    let (code, said) = film.said(&["handout", "br050/cleanup", "--to", "ana", "--zip", "--out", out]);
    assert!(code != Some(0) && said.contains("No space left"), "{said}");
    assert!(!said.contains("ZipWriter"), "{said}");
    assert_eq!(std::fs::read_dir(&packets).unwrap().count(), 0);
}

fn state(film: &Film, place: &str) -> Value {
    film.status_of(place)
}

#[test]
fn two_volunteers_send_back_in_parts_and_late() {
    let film = declared();
    film.rebuild(&[]).but_for_hands();
    let (ana, place) =
        hand_out(&film, &["br050/cleanup", "--to", "ana", "--due", "2199-12-05", "--as", "png"]);
    let (ines, zip) = hand_out(
        &film,
        &["br060", "--to", "ines", "--due", "2199-12-01", "--zip", "--brief", "The raker goes."],
    );
    assert!(zip.extension().is_some_and(|e| e == "zip") && place.is_dir());
    // Frames are out, what needs them is blocked, and it is said who has them.
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1004", "out"]]));
    assert_eq!(state(&film, "br050/colour"), json!([["1001-1004", "blocked"]]));
    let why = film.said(&["why", "br050/colour@1002"]).1;
    assert!(
        why.contains("ana has had it since") && why.contains("due 2199-12-05") && why.contains(&ana),
        "{why}"
    );
    let said = film.said(&["status"]).1;
    assert!(
        said.contains(&format!("out: {ana}: ana has 4 frames since")) && !said.contains("next, by hand"),
        "{said}"
    );
    // The page says it with the same frames, and a brief is somebody's words.
    let page = film.path().join("page.html");
    film.run(&["page", "--out", page.to_str().unwrap()]);
    let html = film.text("page.html");
    assert!(html.contains("br050/cleanup@1001-1004 block 4 frames: "), "{html}");
    assert!(html.contains("4 frames: “The raker goes.”"), "{html}");
    // The first due comes first.
    let out = film.json(&["outstanding"]);
    let names: Vec<&str> =
        out["packets"].as_array().unwrap().iter().map(|p| p["packet"].as_str().unwrap()).collect();
    assert_eq!(names, [&ines, &ana]);
    assert_eq!(
        (&out["packets"][0]["overdue"], &out["packets"][0]["brief"]),
        (&json!(false), &json!("The raker goes."))
    );
    // Two frames come, with hours.
    put(&place, "br050", 1001, &grey(10));
    put(&place, "br050", 1002, &grey(20));
    sheet(&place, &["2026-01-05,br050,1001-1002,1.5,first go", "2026-01-06,,,0:30,"]);
    let came = take_back(&film, &place, &[]);
    let part = &came["came"][0];
    assert_eq!(
        [&part["good"], &part["left"], &part["version"]],
        [&json!("1001-1002"), &json!("1003-1004"), &json!(1)]
    );
    assert_eq!((&came["hours"]["new"], &came["hours"]["seconds"]), (&json!(2), &json!(7200.0)));
    assert_eq!(came["open"], true);
    film.rebuild(&["br050"]);
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1002", "fresh"], ["1003-1004", "out"]]));
    assert_eq!(state(&film, "br050/colour"), json!([["1001-1002", "fresh"], ["1003-1004", "blocked"]]));
    // Meanwhile the plate of one frame changes. All comes, with the same sheet, of which one line was put right.
    film.write_plate_frame("shed", 1003, 99);
    put(&place, "br050", 1003, &grey(30));
    put(&place, "br050", 1004, &grey(40));
    sheet(
        &place,
        &["2026-01-05,br050,1001-1002,2,first go", "2026-01-06,,,0:30,", "2026-01-09,,,1,the rest"],
    );
    let came = take_back(&film, &place, &[]);
    let part = &came["came"][0];
    assert_eq!(
        [&part["again"], &part["good"], &part["earlier"]],
        [&json!("1001-1002"), &json!("1004"), &json!("1003")]
    );
    assert_eq!(
        (&came["hours"]["new"], &came["hours"]["corrected"], &came["open"]),
        (&json!(1), &json!(1), &json!(false))
    );
    film.rebuild(&["br050"]);
    // The frame that was made for the earlier plate is used, and a person is to look at it. No other is.
    let want = json!([["1001-1002", "fresh"], ["1003", "stale"], ["1004", "fresh"]]);
    assert_eq!(state(&film, "br050/cleanup"), want);
    let said = film.said(&["status"]).1;
    assert!(said.contains("next, by hand: br050/cleanup@1003") && !said.contains(&ana), "{said}");
    let why = film.said(&["why", "br050/cleanup@1003"]).1;
    assert!(
        why.contains("its inputs changed after a person made it") && why.contains("br050/plate@1003"),
        "{why}"
    );
    // Hours are counted once, however often the sheet comes.
    take_back(&film, &place, &[]);
    assert_eq!((rows(&film, "worked").len(), rows(&film, "correct").len()), (3, 1));
    // The ledger knows what a file was made for, also where all else is lost.
    std::fs::remove_dir_all(film.path().join(".endboard")).unwrap();
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    film.rebuild(&["br050"]);
    assert_eq!(state(&film, "br050/cleanup"), want);
    // The plate goes back to what it was, and with it the frame is as it should be.
    film.write_plate("shed", 3);
    film.rebuild(&["br050"]);
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1004", "fresh"]]));
    assert_eq!(film.json(&["outstanding"])["packets"].as_array().unwrap().len(), 1);
}

#[test]
fn rework_goes_out_with_what_was_made_before_and_says_which_frames_and_why() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    (1001..=1004).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    take_back(&film, &place, &[]);
    film.rebuild(&["br050"]).well();
    film.write_plate_frame("shed", 1002, 77);
    film.rebuild(&["br050"]);
    assert_eq!(
        state(&film, "br050/cleanup"),
        json!([["1001", "fresh"], ["1002", "stale"], ["1003-1004", "fresh"]])
    );
    // Only what waits for a person goes out when no frames are named.
    let (again, place) = hand_out(&film, &["br050", "--to", "ana", "--around", "1", "--as", "jpeg"]);
    let touch = std::fs::read_to_string(place.join("data/touch.csv")).unwrap();
    assert!(
        touch.contains("br050,1002,cleanup.1002.png,\"made before for another picture (br050/plate)"),
        "{touch}"
    );
    assert_eq!(touch.lines().count(), 2);
    let earlier = std::fs::read(place.join("data/br050/earlier/cleanup.1002.png")).unwrap();
    assert_eq!(earlier, grey(1002u64 as u8));
    let looks: Vec<_> = files(&place.join("data/br050/picture"))
        .into_keys()
        .map(|p| p.file_name().unwrap().to_owned())
        .collect();
    assert_eq!(
        looks,
        [1001, 1002, 1003].map(|n| format!("br050.picture.{n}.jpg")).map(std::ffi::OsString::from)
    );
    // What was made before goes on being used while it is out.
    assert_eq!(
        state(&film, "br050/cleanup"),
        json!([["1001", "fresh"], ["1002", "out"], ["1003-1004", "fresh"]])
    );
    assert_eq!(state(&film, "br050/colour"), json!([["1001-1004", "fresh"]]));
    // The person finds that it still serves, and sends the same file: now it is made for the new plate.
    put(&place, "br050", 1002, &earlier);
    let came = take_back(&film, &place, &[]);
    assert_eq!((&came["came"][0]["good"], &came["came"][0]["version"]), (&json!("1002"), &json!(2)));
    film.rebuild(&["br050"]).well();
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1004", "fresh"]]));
    assert!(rows(&film, "takeback").iter().any(|row| row["packet"] == *again));
}

#[test]
fn what_is_left_of_a_packet_is_told_as_it_is_and_as_it_would_be() {
    let film = declared();
    let (packet, place) = hand_out(&film, &["br050", "--to", "ana"]);
    let last = |words: &[&str]| {
        let (code, said) = film.said(&[&["takeback", place.to_str().unwrap()], words].concat());
        assert_eq!(code, Some(0), "{said}");
        let of_packet = |line: &&str| line.starts_with(&format!("{packet}: "));
        said.lines().rfind(of_packet).unwrap_or_else(|| panic!("{said}"))[packet.len() + 2..].to_string()
    };
    (1001..=1003).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    assert_eq!(last(&["--plan"]), "one frame still to come");
    put(&place, "br050", 1004, &grey(4));
    assert_eq!(last(&["--plan"]), "with this, all of it would be back");
    assert_eq!(last(&[]), "all of it is back");
    // One that was closed before all was there.
    let film = declared();
    let (packet, place) = hand_out(&film, &["br050", "--to", "ana"]);
    assert_eq!(film.said(&["outstanding", "--close", &packet]).0, Some(0));
    put(&place, "br050", 1001, &grey(99));
    for words in [&["--plan"][..], &[]] {
        let said = film.said(&[&["takeback", place.to_str().unwrap()], words].concat()).1;
        let left =
            format!("{packet}: it was closed, so that the 3 frames that did not come are not expected");
        assert!(said.contains(&left), "{said}");
    }
}

#[test]
fn an_earlier_return_comes_back_without_rendering() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    (1001..=1004).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    take_back(&film, &place, &[]);
    film.rebuild(&["br050"]).well();
    let first = film.renders();
    (1001..=1002).for_each(|n| put(&place, "br050", n, &grey(200)));
    let came = take_back(&film, &place, &[]);
    assert_eq!((&came["came"][0]["version"], &came["came"][0]["again"]), (&json!(2), &json!("1003-1004")));
    film.rebuild(&["br050"]).well();
    assert_ne!(film.renders(), first);
    let (code, said) = film.said(&["takeback", "--go-back", "br050/cleanup", "--return", "3"]);
    assert!(
        code == Some(2) && said.contains("there is no return 3") && said.contains("there are 1, 2"),
        "{said}"
    );
    // A kept file that is not what came any more is not put in place, nor is any other.
    let digest = endboard::base::digest::Digest::of(&grey(1002u64 as u8)).to_string();
    let kept = film.path().join(format!("returns/{}/{digest}.png", &digest[..2]));
    let hands = || {
        (1001..=1004)
            .map(|n| std::fs::read(film.path().join(format!("hands/br050/cleanup.{n}.png"))).unwrap())
    };
    let before: Vec<_> = hands().collect();
    std::fs::write(&kept, grey(77)).unwrap();
    let (code, said) = film.said(&["takeback", "--go-back", "br050/cleanup", "--return", "1"]);
    assert!(code != Some(0) && said.contains(&digest) && said.contains("br050/cleanup@1002"), "{said}");
    assert!(hands().eq(before), "nothing was put in place");
    std::fs::write(&kept, grey(1002u64 as u8)).unwrap();
    let used = film.json(&["takeback", "--go-back", "br050/cleanup", "--return", "1"]);
    let told = [&used["places"], &used["already"]];
    assert_eq!(told, [&json!(["br050/cleanup@1001-1002"]), &json!(["br050/cleanup@1003-1004"])]);
    let chosen = rows(&film, "choose").len();
    let (code, said) = film.said(&["takeback", "--go-back", "br050/cleanup", "--return", "1"]);
    assert!(code == Some(0) && said.contains("return 1 is in use already"), "{said}");
    assert_eq!((chosen, rows(&film, "choose").len()), (1, 1));
    let said = film.rebuild(&["br050"]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 4));
    assert_eq!(film.renders(), first);
    assert_eq!(std::fs::read(film.path().join("hands/br050/cleanup.1001.png")).unwrap(), grey(1001u64 as u8));
    // Without a number it goes back by one return, and says so where there is none.
    film.json(&["takeback", "--go-back", "br050/cleanup", "--return", "2"]);
    let used = film.json(&["takeback", "--go-back", "br050/cleanup"]);
    assert_eq!(
        (&used["places"], &used["version"]),
        (&json!(["br050/cleanup@1001-1002"]), &json!(1)),
        "{used}"
    );
    let (code, said) = film.said(&["takeback", "--go-back", "br050/cleanup"]);
    assert!(code == Some(2) && said.contains("nothing came before return 1"), "{said}");
    let (code, said) = film.said(&["takeback", "--go-back", "br060/cleanup"]);
    assert!(code == Some(2) && said.contains("came back in a packet"), "{said}");
    // So the number was said once.
    let (code, said) = film.said(&["takeback", "--go-back", "2", "br050/cleanup@1001"]);
    assert!(
        code == Some(2) && said.contains("`endboard takeback --go-back br050/cleanup@1001 --return 2`"),
        "{said}"
    );
    // What somebody put there in another way is kept before it is replaced.
    film.write("hands/br050/cleanup.1001.png", grey(123));
    let (_, said) = film.said(&["takeback", "--go-back", "br050/cleanup@1001", "--return", "2"]);
    assert!(said.contains("is kept as returns/"), "{said}");
    let kept = files(&film.path().join("returns"));
    assert!(kept.values().any(|bytes| *bytes == grey(123)));
}

#[test]
fn what_would_go_out_is_told_and_nothing_is_written() {
    let film = declared();
    film.rebuild(&[]).but_for_hands();
    let words = [
        "handout",
        "br050/cleanup@1001-1002",
        "--to",
        "ana",
        "--due",
        "2099-12-05",
        "--brief",
        "the raker goes",
    ];
    let planned = |more: &[&'static str]| [&words[..], &["--plan"], more].concat();
    let before = files(film.path());
    let plan = film.json(&planned(&[]));
    let (code, said) = film.said(&planned(&["--around", "1"]));
    assert_eq!(code, Some(0), "{said}");
    for part in [
        "br050/cleanup@1001-1002: 2 frames would go to ana, due 2099-12-05",
        "####",
        "1001-1003: EXR",
        "nothing was written",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
    assert!(files(film.path()) == before && !film.path().join("packets").exists());
    assert_eq!(film.json(&["outstanding"])["packets"], json!([]));
    // What it says is what then goes out.
    let handed = film.json(&words);
    for member in ["files", "bytes", "contents", "parts", "due", "person"] {
        assert_eq!(plan[member], handed[member], "{member}");
    }
    let there = files(std::path::Path::new(handed["place"].as_str().unwrap()));
    assert_eq!(handed["files"], there.len(), "{handed}");
    assert_eq!(handed["bytes"], there.values().map(Vec::len).sum::<usize>(), "{handed}");
    assert_eq!(plan["packet"], Value::Null);
    // Who has it already is told before it goes out twice.
    let (_, said) = film.said(&planned(&[]));
    assert!(said.contains("ana has had it since"), "{said}");
}

#[test]
fn who_has_what_already_is_told_and_a_packet_can_be_closed() {
    let film = declared();
    let (ana, _) = hand_out(&film, &["br050", "--to", "ana"]);
    let (_, said) = film.said(&["handout", "br050/cleanup@1003-1004", "--to", "joren"]);
    assert!(said.contains("CAUTION: br050/cleanup@1003-1004: ana has had it since"), "{said}");
    let (code, said) = film.said(&["outstanding", "--close", &ana, "--note", "no time"]);
    assert!(code == Some(0) && said.contains("0 of 4 frames came back"), "{said}");
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1002", "absent"], ["1003-1004", "out"]]));
    let (code, said) = film.said(&["outstanding", "--close", &ana]);
    assert!(code == Some(2) && said.contains("it was closed before"), "{said}");
    let (code, said) = film.said(&["outstanding", "--close", "anna"]);
    assert!(code == Some(2) && said.contains("no packet 'anna'"), "{said}");
    // What comes later all the same is taken.
    let place = film.path().join("packets").join(&ana);
    put(&place, "br050", 1001, &grey(5));
    let came = take_back(&film, &place, &[]);
    assert!(came["remarks"][0].as_str().unwrap().contains("was closed before"), "{came}");
    film.rebuild(&["br050"]);
    assert_eq!(
        state(&film, "br050/cleanup"),
        json!([["1001", "fresh"], ["1002", "absent"], ["1003-1004", "out"]])
    );
}

#[test]
fn inputs_that_are_not_as_declared_go_out_only_when_asked_for() {
    let film = Film::new();
    film.write_plate("shed", 3);
    let declare = |exposure: &str| {
        film.declare(&format!(
            "  br050:
    plate: shed
    frames: 1001-1002
    stages:
      first: {{ operator: grade, exposure: {exposure} }}
      cleanup: {{ by_hand: {{ files: \"hands/cleanup.####.png\" }}, from: {{ picture: first }} }}
"
        ));
    };
    declare("0.5");
    let (code, said) = film.said(&["handout", "br050/cleanup", "--to", "ana"]);
    assert!(
        code == Some(1)
            && said.contains("br050/first@1001-1002: absent")
            && said.contains("endboard rebuild"),
        "{said}"
    );
    assert!(!film.path().join("packets").exists());
    film.rebuild(&[]).well();
    declare("0.6");
    let (code, said) = film.said(&["handout", "br050/cleanup", "--to", "ana"]);
    assert!(code == Some(1) && said.contains("br050/first@1001-1002: stale"), "{said}");
    let (_, said) = film.said(&["handout", "br050/cleanup", "--to", "ana", "--as-it-is"]);
    assert!(said.contains("CAUTION: br050/first@1001-1002 is not as declared"), "{said}");
    // What was made for that is named as soon as the inputs are as declared.
    let place = files(&film.path().join("packets")).into_keys().find(|p| p.ends_with("BRIEF.txt")).unwrap();
    let place = place.parent().unwrap().to_path_buf();
    let folder = place.join("return");
    (1001..=1002).for_each(|n| std::fs::write(folder.join(format!("cleanup.{n}.png")), grey(9)).unwrap());
    let came = take_back(&film, &folder, &[]);
    assert_eq!(came["came"][0]["unsure"], "1001-1002");
    film.rebuild(&[]);
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1002", "stale"]]));
    declare("0.5");
    film.rebuild(&[]).well();
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1002", "fresh"]]));
}

#[test]
fn what_cannot_be_meant_is_refused_before_anything_is_written() {
    let film = declared();
    for (words, code, says) in [
        (&["br050/colour", "--to", "ana"][..], 2, "br050/colour is not made by hand"),
        (&["br070", "--to", "ana"], 2, "did you mean"),
        (&["br050", "--to", "ana", "--due", "2001-01-01"], 2, "is over already"),
        (&["br050", "--to", "ana", "--due", "5.12.2026"], 2, "YYYY-MM-DD"),
        (&["br050", "--to", " "], 2, "a name of"),
        (&["br050", "--to", "ana", "--brief-file", "none.txt"], 2, "none.txt"),
    ] {
        let (exit, said) = film.said(&[&["handout"], words].concat());
        assert!(exit == Some(code) && said.contains(says), "{words:?}: {said}");
    }
    assert!(!film.path().join("packets").exists() && rows(&film, "handout").is_empty());
    let (code, said) = film.said(&["takeback", "nothing-here"]);
    assert!(code == Some(4) && said.contains("there is no such file or folder"), "{said}");
    assert!(film.said(&["outstanding"]).1.contains("nothing is out"));
}

#[test]
fn a_takeback_whose_rows_the_ledger_refuses_takes_nothing() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    (1001..=1004).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    sheet(&place, &["2026-01-05,br050,,3,"]);
    // Its rows are made before the first file is put in place; `takebacks` breaks off after each write.
    std::fs::create_dir_all(film.path().join("ledger/raker.jsonl")).unwrap();
    let output = film
        .command(&["takeback", place.to_str().unwrap()])
        .env("ENDBOARD_WRITER", "raker")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(4), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(!film.path().join("returns/under-way.json").exists() && rows(&film, "takeback").is_empty());
    std::fs::remove_dir(film.path().join("ledger/raker.jsonl")).unwrap();
    let came = take_back(&film, &place, &[]);
    assert_eq!((&came["hours"]["new"], rows(&film, "worked").len()), (&json!(1), 1), "{came}");
    film.rebuild(&["br050"]).well();
    assert_eq!(state(&film, "br050/cleanup"), json!([["1001-1004", "fresh"]]));
    // Once more, it is known.
    let came = take_back(&film, &place, &[]);
    assert_eq!((&came["came"][0]["again"], &came["hours"]["new"]), (&json!("1001-1004"), &json!(0)));
    assert_eq!(rows(&film, "takeback").len(), 1);
}

#[test]
fn a_note_of_a_takeback_that_leads_elsewhere_is_not_followed() {
    let film = declared();
    let digest = endboard::base::digest::Digest::of(&grey(7)).to_string();
    let kept = format!("returns/{}/{digest}.png", &digest[..2]);
    film.write(&kept, grey(7));
    let note = film.path().join("returns/under-way.json");
    for (path, kept, says) in [
        ("../evil.png", &*kept, "../evil.png"),
        ("ledger/evil.jsonl", &*kept, "no picture"),
        ("hands/br050/cleanup.1001.png", "plates/other.png", "not in returns/"),
        ("hands/br050/cleanup.1001.png", "returns/00/none.png", "is not there"),
    ] {
        let file = json!({ "place": "br050/cleanup@1001", "version": 1, "digest": digest, "kept": kept, "path": path,
            "before": null, "is_return": false });
        std::fs::write(&note, json!({ "files": [file], "rows": [] }).to_string()).unwrap();
        let (code, said) = film.said(&["rebuild"]);
        assert!(
            code == Some(4)
                && said.contains(says)
                && said.contains("under-way.json")
                && said.contains("take that file away"),
            "{said}"
        );
        assert!(!film.path().parent().unwrap().join("evil.png").exists());
    }
    std::fs::remove_file(&note).unwrap();
    film.rebuild(&["br050"]).but_for_hands();
}

#[test]
fn a_takeback_killed_at_any_instant_can_be_repeated() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    sheet(&place, &["2026-01-05,br050,,3,"]);
    for round in 0..8u64 {
        (1001..=1004).for_each(|n| put(&place, "br050", n, &grey((round * 20) as u8 + (n - 1000) as u8)));
        let mut run = film.start(&["takeback", place.to_str().unwrap()]);
        // The instants fall where the run gets to, on any machine: before it, into it, after it.
        // Files come and go while it runs, so they are counted and not read.
        let objects = || {
            let all = walkdir::WalkDir::new(film.path().join("returns"));
            all.into_iter().flatten().filter(|entry| entry.file_type().is_file()).count() as u64
        };
        let before = objects();
        let began = std::time::Instant::now();
        while objects() < before + round % 6
            && run.try_wait().unwrap().is_none()
            && began.elapsed() < project::PATIENCE
        {}
        let _ = run.kill();
        run.wait().unwrap();
        take_back(&film, &place, &[]);
        for n in 1001..=1004 {
            let there = std::fs::read(film.path().join(format!("hands/br050/cleanup.{n}.png"))).unwrap();
            assert_eq!(there, grey((round * 20) as u8 + (n - 1000) as u8), "round {round}");
        }
        let versions: Vec<u64> =
            rows(&film, "takeback").iter().map(|row| row["version"].as_u64().unwrap()).collect();
        assert_eq!(versions, (1..=round + 1).collect::<Vec<_>>(), "round {round}");
    }
    assert_eq!(rows(&film, "worked").len(), 1);
    film.rebuild(&["br050"]).well();
}
