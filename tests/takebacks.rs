//! Takebacks that break off, files that people change meanwhile, and what may be taken as work at all.
//!
//! Knows the built program on a tiny film with stages of hands, and breaks the library's takeback off between any two of its writes.
//! The plain course of packets is `packets`' affair, and hostile ones are `packet_hostile`'s.

mod project;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use endboard::crew::times::Times;
use endboard::project::Project;
use endboard::project::packets::taking::Order;
use endboard::project::rebuild::Writer;
use jiff::Zoned;
use project::Film;
use project::packets::{declared, files, grey, hand_out, put, rows, sheet, take_back};
use serde_json::{Value, json};

/// Takes back by way of the library, until `changed` breaks it off; true when it came to its end.
fn take_until(film: &Film, packet: &Path, changed: &dyn Fn(&Path) -> std::io::Result<()>) -> bool {
    let now = Zoned::now();
    let writer = Writer { name: "keeper".into(), machine: "shed".into(), process: std::process::id() };
    let order = Order {
        path: packet,
        packet: None,
        note: "",
        plan: false,
        writer: &writer,
        now: now.timestamp(),
        today: now.date(),
        zone: now.time_zone(),
        changed,
    };
    Project { folder: film.path().to_path_buf() }.take_back(&order).is_ok()
}

fn broken() -> std::io::Error {
    std::io::Error::other("the power went")
}

/// A film of which a packet has come back with hours only, and comes now with all: frames, a line put right and a new one. One
/// frame lies in its place already, made in another way.
fn about_to_come() -> (Film, String, PathBuf) {
    let film = declared();
    let (name, place) = hand_out(&film, &["br050", "--to", "ana"]);
    sheet(&place, &["2026-01-05,br050,1001,1,first go"]);
    take_back(&film, &place, &[]);
    film.write("hands/br050/cleanup.1002.png", grey(200));
    (1001..=1004).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    sheet(&place, &["2026-01-05,br050,1001,2,first go", "2026-01-06,,,0:30,", "2026-01-06,,,0:30,"]);
    (film, name, place)
}

/// What a takeback came to, without what differs from run to run: rows, files by path below the film, and time of people.
fn came_to(film: &Film, name: &str) -> (Vec<String>, BTreeMap<PathBuf, Vec<u8>>, Duration) {
    let kinds = ["takeback", "delivery", "worked", "correct"];
    let plain = |kind: &str, row: &mut Value| {
        let members = row.as_object_mut().unwrap();
        ["id", "when", "check", "of"].iter().for_each(|of| drop(members.remove(*of)));
        format!("{kind} {row}").replace(name, "NAME")
    };
    let mut all: Vec<String> = kinds
        .iter()
        .flat_map(|kind| {
            rows(film, kind).into_iter().map(|mut row| plain(kind, &mut row)).collect::<Vec<_>>()
        })
        .collect();
    all.sort();
    let below = |folder: &str| {
        files(&film.path().join(folder))
            .into_iter()
            .map(|(path, bytes)| (path.strip_prefix(film.path()).unwrap().to_path_buf(), bytes))
    };
    let (entries, problems) = Project { folder: film.path().to_path_buf() }.ledger();
    assert_eq!(problems, []);
    let spent = Times::of(&entries).counted().map(|work| work.took).sum();
    (all, below("hands").chain(below("returns")).collect(), spent)
}

#[test]
fn a_takeback_that_breaks_off_between_any_two_writes_ends_as_an_unbroken_one() {
    let (film, name, place) = about_to_come();
    take_back(&film, &place, &[]);
    let want = came_to(&film, &name);
    assert_eq!((want.0.len(), want.2), (6, Duration::from_secs(3 * 3600)), "{:#?}", want.0);
    let mut writes = 0;
    loop {
        let (film, name, place) = about_to_come();
        let left = std::cell::Cell::new(writes);
        let changed = |_: &Path| match left.get() {
            0 => Err(broken()),
            n => {
                left.set(n - 1);
                Ok(())
            }
        };
        if take_until(&film, &place, &changed) {
            break;
        }
        // What comes next is another takeback, or now and then a rebuild before it.
        if writes % 2 == 1 {
            film.rebuild(&["br050"]);
        }
        take_back(&film, &place, &[]);
        assert_eq!(came_to(&film, &name), want, "after {writes} writes");
        writes += 1;
    }
    // Four files kept, the note, one file of before kept, four files put in place, two rows of them, three of hours, the note away.
    assert_eq!(writes, 4 + 1 + 1 + 4 + 2 + 3 + 1);
}

#[test]
fn what_a_person_changes_after_a_break_is_left_and_told() {
    let (film, _, place) = about_to_come();
    let is_second = |path: &Path| path.ends_with("hands/br050/cleanup.1002.png");
    assert!(!take_until(&film, &place, &|path| if is_second(path) { Err(broken()) } else { Ok(()) }));
    // One that was in place is worked over, one that was not comes in another way.
    let lies = |n: i64| film.path().join(format!("hands/br050/cleanup.{n}.png"));
    film.write("hands/br050/cleanup.1001.png", grey(221));
    film.write("hands/br050/cleanup.1004.png", grey(224));
    let said = film.rebuild(&["br050"]).well();
    let told = said.json["taken"].to_string();
    for n in [1001, 1004] {
        let says = format!("hands/br050/cleanup.{n}.png was changed by somebody since the takeback began");
        assert!(told.contains(&says), "{told}");
    }
    assert!(told.contains("brought to its end") && !told.contains("cleanup.1003"), "{told}");
    let there = |n: i64| std::fs::read(lies(n)).unwrap();
    assert_eq!(
        [1001, 1002, 1003, 1004].map(there),
        [grey(221), grey(1002u64 as u8), grey(1003u64 as u8), grey(224)]
    );
    // As it is said: the return is kept, and comes by --use; what lay there is kept then.
    let used = film.json(&["takeback", "--go-back", "br050/cleanup@1001", "--return", "1"]);
    assert_eq!(there(1001), grey(1001u64 as u8));
    let kept = film.path().join(used["kept"][0]["kept"].as_str().unwrap());
    assert_eq!(std::fs::read(kept).unwrap(), grey(221));
}

#[test]
fn what_a_packet_brought_along_is_never_taken_as_work() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    (1001..=1004).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    take_back(&film, &place, &[]);
    film.rebuild(&["br050"]).well();
    let (name, place) = hand_out(&film, &["br050/cleanup@1001-1004", "--to", "ines"]);
    assert!(place.join("data/br050/earlier/cleanup.1001.png").is_file());
    std::fs::remove_dir_all(place.join("return")).unwrap();
    // The packet without its folder, without what makes it a bag too, and its data alone.
    let refused = |path: &Path| {
        let (code, said) = film.said(&["takeback", path.to_str().unwrap(), "--packet", &name]);
        assert!(code == Some(1) && said.contains("there is no folder return in it"), "{said}");
        assert!(said.contains("put the files and hours.csv into a folder named return"), "{said}");
    };
    refused(&place);
    refused(&place.join("data"));
    std::fs::remove_file(place.join("bagit.txt")).unwrap();
    refused(&place);
    assert_eq!(rows(&film, "takeback").len(), 1);
}

#[test]
fn a_packet_that_is_sent_once_more_undoes_nobodys_work() {
    let film = declared();
    let (_, first) = hand_out(&film, &["br050", "--to", "ana"]);
    (1001..=1004).for_each(|n| put(&first, "br050", n, &grey(n as u8)));
    take_back(&film, &first, &[]);
    let (_, redo) = hand_out(&film, &["br050/cleanup@1002", "--to", "ines"]);
    put(&redo, "br050", 1002, &grey(200));
    take_back(&film, &redo, &[]);
    let lies = |n: i64| std::fs::read(film.path().join(format!("hands/br050/cleanup.{n}.png"))).unwrap();
    assert_eq!(lies(1002), grey(200));
    let rows_before = rows(&film, "takeback").len();
    let came = take_back(&film, &first, &[]);
    assert_eq!(
        (&came["came"][0]["frames"], &came["came"][0]["again"]),
        (&Value::Null, &json!("1001-1004")),
        "{came}"
    );
    assert_eq!((lies(1002), rows(&film, "takeback").len()), (grey(200), rows_before));
    // What is new in it is taken all the same, and only that.
    put(&first, "br050", 1003, &grey(90));
    let came = take_back(&film, &first, &[]);
    assert_eq!(
        (&came["came"][0]["frames"], &came["came"][0]["again"]),
        (&json!("1003"), &json!("1001-1002,1004"))
    );
    assert_eq!([1002, 1003].map(lies), [grey(200), grey(90)]);
}

#[test]
fn hours_are_rework_by_shot_and_frames_and_not_by_packet() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050/cleanup@1001-1002", "--to", "ana"]);
    (1001..=1002).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    take_back(&film, &place, &[]);
    // One packet: two frames once more, two for the first time, and another shot that nobody has made.
    let (_, place) = hand_out(&film, &["br050/cleanup@1001-1004", "br060/cleanup", "--to", "ana"]);
    let lines = ["2026-01-05,br050,1001-1002,1,", "2026-01-05,br050,1003-1004,2,", "2026-01-05,br060,,3,"];
    sheet(&place, &lines);
    take_back(&film, &place, &[]);
    let mut rounds: Vec<_> = rows(&film, "worked")
        .iter()
        .map(|row| ["shot", "frames", "round"].map(|of| row[of].as_str().unwrap().to_string()).join(" "))
        .collect();
    rounds.sort();
    assert_eq!(rounds, ["br050 1001-1002 rework", "br050 1003-1004 first", "br060 1005-1008 first"]);
}

#[test]
fn a_correction_outlives_the_sheet_that_comes_again() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    sheet(&place, &["2026-01-05,br050,1001,8,first go"]);
    take_back(&film, &place, &[]);
    let worked = rows(&film, "worked")[0]["id"].as_str().unwrap().to_string();
    film.json(&["clock", "correct", &worked, "2h"]);
    for _ in 0..2 {
        let came = take_back(&film, &place, &[]);
        assert_eq!((&came["hours"]["new"], &came["hours"]["corrected"]), (&json!(0), &json!(0)));
    }
    // A note that is taken out is put right once.
    sheet(&place, &["2026-01-05,br050,1001,2,"]);
    let corrected = |_| take_back(&film, &place, &[])["hours"]["corrected"].as_u64().unwrap();
    assert_eq!([(); 3].map(corrected).iter().sum::<u64>(), 0);
    sheet(&place, &["2026-01-05,br050,1001,3,"]);
    assert_eq!([(); 3].map(corrected).iter().sum::<u64>(), 1);
}

#[test]
fn a_days_hours_are_of_that_day_in_the_far_east_too() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    sheet(&place, &["2026-01-05,br050,1001,1,"]);
    let run = |words: &[&str]| {
        let output = film.command(words).env("TZ", "UTC-14").output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    run(&["takeback", place.to_str().unwrap()]);
    let said = run(&["clock", "list"]);
    assert!(said.contains("2026-01-05"), "{said}");
    // Elsewhere it is the same line.
    assert_eq!(take_back(&film, &place, &[])["hours"]["new"], 0);
}

/// As a spreadsheet saves "Unicode text" or writes what parts the cells above them, and counts hours as a time of day.
#[test]
fn a_time_sheet_is_read_as_spreadsheets_save_it() {
    let text = "sep=;\r\ndate;shot;frames;hours;note\r\n5.1.2026;br050;1001;01:30:00;Pfähle\r\n";
    let wide: Vec<u8> =
        std::iter::once(0xfeff).chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
    for bytes in [text.as_bytes(), &wide] {
        let film = declared();
        let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
        std::fs::write(place.join("return/hours.csv"), bytes).unwrap();
        take_back(&film, &place, &[]);
        let worked = rows(&film, "worked");
        assert_eq!(
            (&worked[0]["took"], &worked[0]["note"]),
            (&json!(5400.0), &json!("Pfähle")),
            "{worked:?}"
        );
    }
    // What is neither is refused by its line, and nothing of the packet is taken.
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    let bytes = b"date,shot,frames,hours,note\n2026-01-05,br050,1001,1,Pf\xe4hle\n";
    std::fs::write(place.join("return/hours.csv"), bytes).unwrap();
    put(&place, "br050", 1001, &grey(1));
    let (code, said) = film.said(&["takeback", place.to_str().unwrap()]);
    assert!(
        code == Some(1) && said.contains("return/hours.csv:2: it has a letter that is not UTF-8"),
        "{said}"
    );
    assert!(rows(&film, "takeback").is_empty() && rows(&film, "worked").is_empty());
}

#[test]
fn a_kept_return_is_found_whatever_the_stages_files_end_in_now() {
    let film = declared();
    let (_, place) = hand_out(&film, &["br050", "--to", "ana"]);
    (1001..=1004).for_each(|n| put(&place, "br050", n, &grey(n as u8)));
    take_back(&film, &place, &[]);
    let declaration = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let ends_in = |ending: &str| {
        let text = declaration.replace("cleanup.####.png", &format!("cleanup.####.{ending}"));
        film.write("endboard.yaml", text);
    };
    // Another spelling of the same kind of file takes it; another kind is told as such.
    ends_in("PNG");
    film.json(&["takeback", "--go-back", "br050/cleanup", "--return", "1"]);
    assert_eq!(std::fs::read(film.path().join("hands/br050/cleanup.1003.PNG")).unwrap(), grey(1003u64 as u8));
    ends_in("exr");
    let (code, said) = film.said(&["takeback", "--go-back", "br050/cleanup@1003", "--return", "1"]);
    assert!(code == Some(2) && said.contains("hands/br050/cleanup.1003.exr now"), "{said}");
    assert!(said.contains("return 1 of br050/cleanup@1003 is kept as returns/"), "{said}");
}

#[test]
fn packets_handed_out_apart_have_names_of_their_own() {
    let film = declared();
    let other = declared();
    let name = |film: &Film| hand_out(film, &["br050", "--to", "Ana M."]).0;
    let names = [name(&film), name(&film), name(&other)];
    let day = Zoned::now().strftime("%Y%m%d").to_string();
    assert!(names.iter().all(|name| name.starts_with(&format!("ana-m-{day}-"))), "{names:?}");
    assert!(names[0] != names[1] && names[0] != names[2] && names[1] != names[2], "{names:?}");
}

#[test]
fn a_person_whom_the_crew_does_not_name_is_told_and_gets_the_packet() {
    let film = declared();
    let said =
        |to: &str| film.json(&["handout", "br050", "--to", to, "--brief", "as ever"])["remarks"].clone();
    assert_eq!(said("anna"), json!([]));
    let declaration = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write(
        "endboard.yaml",
        declaration + "crew: { people: { ana: { hours: 6, does: [cleanup] }, joren: { hours: 2, does: [cleanup] } } }\n",
    );
    assert_eq!(said("ana"), json!([]));
    let near = said("anna").to_string();
    assert!(near.contains("`crew:` names no 'anna'") && near.contains("if you mean ana"), "{near}");
    let guest = said("ines").to_string();
    assert!(guest.contains("it names ana, joren"), "{guest}");
}

#[test]
fn outstanding_takes_selectors() {
    let film = declared();
    let (ana, _) = hand_out(&film, &["br050", "--to", "ana"]);
    let (ines, _) = hand_out(&film, &["br060", "--to", "ines"]);
    let names = |words: &[&str]| -> Vec<String> {
        let said = film.json(&[&["outstanding"], words].concat());
        said["packets"].as_array().unwrap().iter().map(|p| p["packet"].as_str().unwrap().into()).collect()
    };
    assert_eq!(names(&[]), [ana.clone(), ines.clone()]);
    assert_eq!(names(&["br060/cleanup"]), [ines]);
    assert_eq!(names(&["*/cleanup@1001"]), [ana]);
    assert_eq!(names(&["*/colour"]), Vec::<String>::new());
    let (code, said) = film.said(&["outstanding", "br007"]);
    assert!(code == Some(2) && said.contains("br007"), "{said}");
}
