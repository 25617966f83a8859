//! People's time: clocks kept by the program, ledgers of several people read together, and what `hours` makes of it.
//!
//! Knows the program's words and its JSON. Ledgers of earlier days are written with the library. Sums are held against the standard
//! library of Python where one is named.

mod outside;
mod project;

use std::path::Path;
use std::time::Duration;

use endboard::ledger::crew::{Crew, Worked};
use endboard::ledger::file::Ledger;
use endboard::ledger::id::RowId;
use endboard::ledger::row::{Row, What};
use jiff::Timestamp;
use project::{Film, SIZE, picture};
use serde_json::{Value, json};

const HOUR: Duration = Duration::from_secs(3600);

fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 1);
    declare(&film, 0.5);
    film
}

fn declare(film: &Film, exposure: f64) {
    film.declare_shot(&[
        &format!("colour: {{ operator: grade, from: {{ picture: plate }}, exposure: {exposure} }}"),
        "paint: { by_hand: { files: 'hands/paint.####.exr' }, from: { picture: colour } }",
    ]);
}

fn row(when: Timestamp, stage: &str, what: Crew) -> Row {
    Row {
        when,
        film: "The Brine Lamp".into(),
        shot: "br010".into(),
        stage: stage.into(),
        frames: "1001-1004".parse().unwrap(),
        by: "ana".into(),
        what: What::Crew(what),
    }
}

fn worked(person: &str, began: &str, took: Duration, cause: &str) -> Row {
    let began: Timestamp = began.parse().unwrap();
    let worked = Worked {
        person: person.into(),
        took,
        began: Some(began),
        round: None,
        cause: cause.into(),
        ends: None,
        packet: "".into(),
        note: "".into(),
    };
    row(began + took, "colour", Crew::Worked(worked))
}

fn begin(person: &str, note: &str) -> Crew {
    Crew::Begin { person: person.into(), cause: "".into(), note: note.into() }
}

fn append(folder: &Path, writer: &str, rows: &[Row]) -> Vec<RowId> {
    let mut ledger = Ledger::open(&folder.join("ledger"), writer).unwrap();
    rows.iter().map(|row| ledger.append(row).unwrap()).collect()
}

fn in_zone(film: &Film, zone: &str, words: &[&str]) -> Value {
    let output = film.command(words).arg("--json").env("TZ", zone).output().unwrap();
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {output:?}"))
}

fn sums(list: &Value) -> Vec<(String, f64)> {
    let hours = |one: &Value| one["seconds"].as_f64().unwrap() / 3600.0;
    list.as_array().unwrap().iter().map(|one| (one["name"].as_str().unwrap().into(), hours(one))).collect()
}

#[test]
fn a_clock_is_started_stopped_added_to_and_corrected() {
    let film = film();
    let (code, said) = film.said(&["clock"]);
    assert_eq!((code, said.contains("no clock runs")), (Some(0), true), "{said}");
    let started = film.json(&["clock", "start", "br010/colour@1001-1002", "--note", "by lamplight"]);
    assert_eq!(
        (&started["person"], &started["frames"]),
        (&json!("keeper"), &json!("1001-1002")),
        "{started}"
    );
    // The same stage again is a slip; another one is told of.
    let (code, said) = film.said(&["clock", "start", "br010/colour"]);
    assert_eq!((code, said.contains("already runs")), (Some(2), true), "{said}");
    let (code, said) = film.said(&["clock", "start", "br010/paint"]);
    assert_eq!((code, said.contains("the same minutes count for both")), (Some(0), true), "{said}");
    // Another person's clock is nobody else's matter.
    let (code, said) =
        film.said(&["clock", "start", "br010/colour", "--person", "ana", "--cause", "the third cut"]);
    assert_eq!((code, said.contains("beside")), (Some(0), false), "{said}");
    let (code, said) = film.said(&["clock", "stop"]);
    assert_eq!((code, said.contains("2 clocks of keeper run")), (Some(2), true), "{said}");
    let (code, said) = film.said(&["clock", "stop", "br010/paint"]);
    assert_eq!(code, Some(0), "{said}");
    let name = started["name"].as_str().unwrap();
    assert_eq!(film.json(&["clock", "stop", name, "--took", "1m"])["seconds"], 60.0);
    let (code, said) = film.said(&["clock", "stop"]);
    assert_eq!((code, said.contains("no clock of keeper runs; those of others")), (Some(2), true), "{said}");
    let stopped = film.json(&["clock", "stop", "--person", "ana", "--took", "1m"]);
    assert_eq!(
        film.json(&["clock", "correct", stopped["name"].as_str().unwrap(), "1:15"])["seconds"],
        4500.0
    );

    let added = film.json(&["clock", "add", "br010/colour", "1h30m", "--day", "yesterday", "--rework"]);
    assert_eq!((&added["seconds"], &added["round"]), (&json!(5400.0), &json!("rework")));
    let name = added["name"].as_str().unwrap();
    let (code, said) = film.said(&["clock", "correct", name, "0.5h", "--note", "a break"]);
    assert_eq!((code, said.contains("30 m 00 s of keeper, and not 1 h 30 m")), (Some(0), true), "{said}");
    let hands = film.json(&["hours"])["hands"].clone();
    assert_eq!(hands["total"]["rework_seconds"], 1800.0, "{hands}");
    let people = sums(&hands["by_person"]);
    assert!(people.contains(&("ana".into(), 1.25)), "{hands}");
    assert_eq!(hands["by_cause"][0]["name"], "the third cut");
    let (code, said) = film.said(&["clock", "correct", name, "0"]);
    assert_eq!((code, said.contains("taken away")), (Some(0), true), "{said}");
    assert_eq!(film.json(&["hours"])["hands"]["total"]["rework_seconds"], 0.0);
    // Nothing was rewritten: all rows are still there.
    let lines = film.text("ledger/keeper.jsonl").lines().count();
    assert_eq!(lines, 3 + 3 + 1 + 3);
}

#[test]
fn a_clock_keeps_its_name_when_it_stops() {
    let film = film();
    let name = film.json(&["clock", "start", "br010/colour"])["name"].clone();
    let listed = |part: &str| film.json(&["clock"])[part][0]["name"].clone();
    assert_eq!(listed("running"), name);
    let name = name.as_str().unwrap();
    assert_eq!(film.json(&["clock", "stop", name, "--took", "1m"])["name"], name);
    assert_eq!(listed("rows"), name);
    assert_eq!(film.json(&["clock", "correct", name, "30m"])["seconds_before"], 60.0);
    let (_, said) = film.said(&["clock"]);
    assert!(said.contains(name) && said.contains("corrected from 1 m"), "{said}");
}

#[test]
fn what_makes_no_sense_is_refused_with_a_way_on() {
    let film = film();
    let said = |words: &[&str], exit: i32, part: &str| {
        let (code, said) = film.said(words);
        assert!(code == Some(exit) && said.contains(part), "{words:?}: {code:?} {said}");
    };
    said(&["clock", "start", "br010/colur"], 2, "did you mean br010/colour?");
    said(&["clock", "start", "br01/colour"], 2, "did you mean br010/colour?");
    said(&["clock", "start", "br010"], 2, "say which: ");
    said(&["clock", "start", "br010/colour@2000"], 2, "selects no frame");
    said(&["clock", "add", "br010/colour", "90"], 2, "hours or minutes, such as 90h or 90m");
    said(&["clock", "add", "br010/colour", "0"], 2, "cannot be added");
    said(&["clock", "add", "br010/colour", "1h", "--day", "2999-01-01"], 2, "yet to come");
    said(&["clock", "add", "br010/colour", "1h", "--day", "20.11."], 2, "YYYY-MM-DD");
    said(&["clock", "add", "br010/colour", "1h", "--note", "two\nlines"], 2, "in one line");
    said(&["clock", "add", "br010/colour", "1h", "--note", &"x".repeat(5000)], 2, "at most 2000 characters");
    said(&["clock", "add", "br010/colour", "1h", "--person", " "], 2, "a person's name");
    said(&["clock", "correct", "zzzz", "1h"], 2, "no row is called 'zzzz'");
    assert!(!film.path().join("ledger").exists());
    said(
        &["clock", "add", "br010/colour", "1h", "--person", "joren"],
        0,
        "joren on br010/colour@1001-1004, first pass",
    );
    said(&["clock", "add", "br010/colour", "1h", "--person", "jorem"], 0, "if you mean joren");
    // Time can be kept while the declaration has errors elsewhere.
    let declared = film.text("endboard.yaml").replace("exposure: 0.5", "exposure: soon");
    film.write("endboard.yaml", declared);
    said(&["clock", "list"], 0, "joren");
    said(&["hours"], 0, "joren");
}

#[test]
fn forgotten_clocks_and_clocks_of_the_future_are_found() {
    let film = film();
    let now = Timestamp::now();
    append(
        film.path(),
        "shed",
        &[
            row(now - 30 * HOUR, "colour", begin("keeper", "")),
            row(now + 48 * HOUR, "paint", begin("ana", "")),
        ],
    );
    let (code, said) = film.said(&["clock"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(
        said.contains("longer than a working day, so most likely forgotten") && said.contains("--took 1h30m"),
        "{said}"
    );
    assert!(said.contains("yet to come"), "{said}");
    let (code, said) = film.said(&["clock", "stop"]);
    assert_eq!((code, said.contains("most likely forgotten")), (Some(2), true), "{said}");
    let (code, said) = film.said(&["clock", "stop", "--person", "ana"]);
    assert_eq!((code, said.contains("which is yet to come")), (Some(2), true), "{said}");
    let (_, said) = film.said(&["hours"]);
    assert!(said.contains("Not counted: the clock of keeper on br010/colour"), "{said}");
    assert_eq!(film.json(&["clock", "stop", "--took", "2h"])["seconds"], 7200.0);
    // It is of the evening on which it began.
    let clock = film.json(&["clock", "list"]);
    let ended: Timestamp = clock["rows"][0]["when"].as_str().unwrap().parse().unwrap();
    let off = ended.duration_since(now - 28 * HOUR).as_millis().abs();
    assert!(off < 2, "{clock}");
    assert_eq!(clock["running"].as_array().unwrap().len(), 1);
    // One that began later than now is of now, whatever its beginning says.
    assert_eq!(film.json(&["clock", "stop", "--person", "ana", "--took", "1h"])["seconds"], 3600.0);
    let (_, said) = film.said(&["clock"]);
    assert!(said.contains("1 h 00 m  ana on br010/paint") && !said.contains("yet to come"), "{said}");
}

/// Who names another stage than the one that runs stops nothing, and neither does who says more time than has gone by.
#[test]
fn a_clock_is_stopped_only_when_it_is_the_one_meant_and_has_run_so_long() {
    let film = film();
    append(film.path(), "keeper", &[row(Timestamp::now() - 2 * HOUR, "colour", begin("keeper", ""))]);
    let refused = |words: &[&str], parts: &[&str]| {
        let (code, said) = film.said(words);
        assert!(
            code == Some(2) && parts.iter().all(|part| said.contains(part)),
            "{words:?}: {code:?} {said}"
        );
        assert_eq!(film.json(&["clock"])["running"].as_array().unwrap().len(), 1);
    };
    let runs = ["no clock of keeper runs on br010/paint", "the one that runs is ", "(br010/colour)"];
    refused(&["clock", "stop", "br010/paint"], &runs);
    refused(
        &["clock", "stop", "br010/colour", "--took", "5h"],
        &["2 h 00 m, so that this cannot have taken 5 h 00 m", "clock add"],
    );
    refused(
        &["clock", "stop", "br010/colour", "--person", "ana"],
        &["no clock of ana runs; those of others: "],
    );
    assert_eq!(film.json(&["clock", "stop", "br010/colour", "--took", "1:30"])["seconds"], 5400.0);
}

/// Time of a day without a time of day stands at an hour of it that may be yet to come, on a day that is not.
#[test]
fn a_days_time_is_not_yet_to_come_on_its_own_day() {
    let film = film();
    let now = Timestamp::now();
    // A zone where it is between six and seven in the morning; POSIX counts them westwards.
    let hour = now.as_second().rem_euclid(86_400) / 3600;
    let east = (6 - hour + 11).rem_euclid(24) - 11;
    let zone = format!("SALT{:+}", -east);
    let day = |when: Timestamp| {
        let mut of_day = worked("ana", &when.to_string(), HOUR, "");
        if let What::Crew(Crew::Worked(worked)) = &mut of_day.what {
            worked.began = None;
        }
        Row { when, ..of_day }
    };
    let told = |film: &Film| {
        let output = film.command(&["clock"]).env("TZ", &zone).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    append(film.path(), "ana", &[day(now + 10 * HOUR)]);
    let said = told(&film);
    assert!(said.contains("1 h 00 m  ana on br010/colour") && !said.contains("yet to come"), "{said}");
    append(film.path(), "ana", &[day(now + 30 * HOUR)]);
    assert_eq!(told(&film).matches("yet to come").count(), 1, "{}", told(&film));
    // Where the time of day is known, it counts.
    append(film.path(), "ana", &[worked("ana", &(now + 10 * HOUR).to_string(), HOUR, "")]);
    assert_eq!(told(&film).matches("yet to come").count(), 2, "{}", told(&film));
}

/// By the IANA time zone database clocks in Brussels went forward on 2026-03-29 at 02:00, and back on 2026-10-25 at 03:00.
#[test]
fn time_within_an_hour_that_clocks_skip_or_show_twice_is_told() {
    let film = film();
    let add = |day: &str, from: &str| {
        let words = ["clock", "add", "br010/colour", "30m", "--day", day, "--began", from];
        let output = film.command(&words).env("TZ", "Europe/Brussels").output().unwrap();
        let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        (output.status.code(), said)
    };
    let (code, said) = add("2026-03-29", "02:15");
    assert!(code == Some(2) && said.contains("there is no 02:15 on 2026-03-29"), "{said}");
    assert!(!film.path().join("ledger").exists());
    let (code, said) = add("2026-10-25", "02:15");
    assert!(code == Some(0) && said.contains("read as the first time, at UTC+02"), "{said}");
    assert_eq!(film.json(&["clock"])["rows"][0]["began"], "2026-10-25T00:15:00Z");
    let (code, said) = add("2026-10-25", "04:15");
    assert!(code == Some(0) && !said.contains("twice"), "{said}");
}

/// Ana's and Tomas' ledgers, written apart around the turn of a year and an hour that comes twice.
fn two_ledgers(folder: &Path) {
    let ids = append(
        folder,
        "ana@attic",
        &[
            // Sunday night into Monday.
            worked("ana", "2020-12-27T22:30:00Z", 3 * HOUR, ""),
            // The night in which clocks go back in Brussels, at 01:00 UTC: 23:00 to 04:00 by the clock on the wall are six hours.
            worked("ana", "2020-10-24T21:00:00Z", 6 * HOUR, "keeper moved"),
            worked("ana", "2021-01-03T23:30:00Z", HOUR, ""),
        ],
    );
    append(
        folder,
        "tomas@shed",
        &[
            worked("tomas", "2020-12-31T10:00:00Z", 10 * HOUR, "the third cut"),
            worked("tomas", "2021-01-01T10:00:00Z", 2 * HOUR, ""),
            // Tomas corrects what Ana wrote, and a row that is not there.
            row(
                "2021-01-02T10:00:00Z".parse().unwrap(),
                "colour",
                Crew::Correct { of: ids[0], took: 2 * HOUR, note: "".into() },
            ),
            row(
                "2021-01-02T10:00:00Z".parse().unwrap(),
                "colour",
                Crew::Correct { of: RowId(3), took: HOUR, note: "".into() },
            ),
        ],
    );
}

#[test]
fn two_peoples_ledgers_come_together_day_by_day_and_week_by_week() {
    let film = film();
    two_ledgers(film.path());
    let weeks = |zone: &str| sums(&in_zone(&film, zone, &["hours"])["hands"]["by_week"]);
    let want = |list: &[(&str, f64)]| {
        list.iter().map(|(name, hours)| (name.to_string(), *hours)).collect::<Vec<_>>()
    };
    // By ISO 8601-1:2019 2020 has 53 weeks, and Sunday 3 January 2021 is of the last one.
    assert_eq!(
        weeks("UTC"),
        want(&[("2020-W43", 6.0), ("2020-W52", 1.5), ("2020-W53", 13.0), ("2021-W01", 0.5)])
    );
    // In Brussels it is an hour later in winter. 25 October 2020 is a Sunday and has 25 hours there.
    assert_eq!(
        weeks("Europe/Brussels"),
        want(&[("2020-W43", 6.0), ("2020-W52", 0.5), ("2020-W53", 13.5), ("2021-W01", 1.0)])
    );
    let hands = in_zone(&film, "UTC", &["hours"])["hands"].clone();
    assert_eq!(sums(&hands["by_person"]), want(&[("tomas", 12.0), ("ana", 9.0)]));
    let causes = want(&[("the third cut", 10.0), ("keeper moved", 6.0), ("first pass", 5.0)]);
    assert_eq!(sums(&hands["by_cause"]), causes);
    // What copies say counts once.
    std::fs::copy(film.path().join("ledger/ana@attic.jsonl"), film.path().join("ledger/copy.jsonl")).unwrap();
    assert_eq!(in_zone(&film, "UTC", &["hours"])["hands"]["total"]["seconds"], 21.0 * 3600.0);
    let since = in_zone(&film, "UTC", &["hours", "--since", "2021-01-01"]);
    assert_eq!(since["hands"]["total"]["seconds"], 3.0 * 3600.0, "{since}");
    // 1 January until now, against as long before it.
    assert_eq!(since["change"]["from"], "2021-01-01");
    let (code, said) = film.said(&["hours", "--since", "2020-10-01"]);
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn weeks_and_sums_are_those_of_another_program() {
    let film = film();
    two_ledgers(film.path());
    let mut dice = project::Dice(7);
    let rows: Vec<Row> = (0..400)
        .map(|n| {
            let began: Timestamp = "2024-12-20T00:00:00Z".parse().unwrap();
            let began = began + Duration::from_secs(dice.below(3 * 365 * 24 * 3600));
            let took = Duration::from_millis(1 + dice.below(9 * 3600 * 1000));
            worked(["ana", "ines", "joren"][n % 3], &began.to_string(), took, ["", "a", "b"][n % 2])
        })
        .collect();
    let ids = append(film.path(), "ines", &rows);
    let correct = |id: &RowId| Crew::Correct {
        of: *id,
        took: Duration::from_millis(dice.below(7_200_000)),
        note: "".into(),
    };
    let corrections: Vec<Crew> = ids.iter().step_by(7).map(correct).collect();
    let corrections: Vec<Row> =
        corrections.into_iter().map(|what| row(Timestamp::now(), "colour", what)).collect();
    append(film.path(), "joren", &corrections);
    for zone in ["UTC", "Europe/Brussels", "America/St_Johns", "Pacific/Apia"] {
        let folder = film.path().join("ledger");
        let Some(out) = outside::outside("hours_check.py", &[folder.to_str().unwrap(), zone], b"") else {
            return;
        };
        let theirs: Value = serde_json::from_slice(&out).unwrap();
        let ours = in_zone(&film, zone, &["hours"])["hands"].clone();
        for list in ["by_week", "by_person", "by_cause"] {
            let all = sums(&ours[list]);
            assert_eq!(all.len(), theirs[list].as_object().unwrap().len(), "{zone} {list}");
            for (name, hours) in all {
                let want =
                    theirs[list][&name].as_f64().unwrap_or_else(|| panic!("{zone} {list} {name}")) / 3600.0;
                assert!((hours - want).abs() < 1e-9, "{zone} {list} {name}: {hours} and not {want}");
            }
        }
    }
}

#[test]
fn hostile_rows_command_no_terminal_and_no_spreadsheet() {
    let film = film();
    let evil = "\u{1b}[2J\u{202e}=HYPERLINK(\"http://example.invalid\",\"x\")\r\n";
    let mut first = worked(&format!("={evil}"), "2026-11-20T10:00:00Z", HOUR, &"=1+1,\"x\"\n".repeat(500));
    if let What::Crew(Crew::Worked(worked)) = &mut first.what {
        worked.note = evil.repeat(100).into();
    }
    let mut other = first.clone();
    (other.shot, other.stage) = ("+shot".into(), "@stage".into());
    append(
        film.path(),
        "ana",
        &[first, other, row("2026-11-20T10:00:00Z".parse().unwrap(), "x", begin("-ana", evil))],
    );
    for words in
        [&["clock"][..], &["clock", "list"], &["hours"], &["hours", "--since", "2020-11-01"], &["status"]]
    {
        let (code, said) = film.said(words);
        assert_eq!(code, Some(0), "{words:?}: {said}");
        assert!(!said.contains(['\u{1b}', '\u{202e}', '\r']), "{words:?}: {said}");
    }
    let (code, csv) = film.said(&["hours", "--csv"]);
    assert_eq!(code, Some(0));
    // Whatever begins a cell begins no formula.
    assert!(csv.contains("shot,'+shot,") && csv.contains("stage,'@stage,"), "{csv}");
    assert!(csv.contains("person,\"'=") && csv.contains("cause,\"'=1+1"), "{csv}");
    assert!(!csv.contains(",=") && !csv.contains(",\"="), "{csv}");
}

/// What a list may leave out is said to `clock` as to `clock list`, and to `notes` as to `notes list`.
#[test]
fn a_list_takes_its_options_with_its_word_and_without() {
    let film = film();
    for person in ["ana", "ines"] {
        film.json(&["clock", "add", "br010/colour", "1h", "--person", person]);
    }
    let rows = |words: &[&str]| film.json(words)["rows"].as_array().unwrap().len();
    assert_eq!(rows(&["clock"]), 2);
    for words in [
        &["clock", "--person", "ana"][..],
        &["clock", "br010", "--person", "ana"],
        &["clock", "list", "--person", "ana"],
    ] {
        assert_eq!(rows(words), 1, "{words:?}");
    }
    let note = film.json(&["notes", "add", "br010/colour", "too dark"])["name"].as_str().unwrap().to_string();
    film.json(&["notes", "settle", &note]);
    let notes = |words: &[&str]| film.json(words)["notes"].as_array().unwrap().len();
    assert_eq!(
        [notes(&["notes"]), notes(&["notes", "--all"]), notes(&["notes", "list", "--all"])],
        [0, 1, 1]
    );
    // Before a word that writes it would be of nothing.
    let (code, said) = film.said(&["clock", "--person", "ana", "stop"]);
    assert!(code == Some(2) && said.contains("`endboard clock stop --person ana`"), "{said}");
}

#[test]
fn an_empty_ledger_is_no_trouble() {
    let film = film();
    for words in [
        &["clock"][..],
        &["clock", "list", "--person", "ana"],
        &["hours"],
        &["hours", "--week"],
        &["hours", "--csv"],
    ] {
        let (code, said) = film.said(words);
        assert_eq!(code, Some(0), "{words:?}: {said}");
    }
    assert_eq!(film.json(&["hours", "--week"])["hands"]["by_week"], json!([]));
    assert_eq!(film.json(&["clock"])["rows"], json!([]));
}

#[test]
fn round_cause_and_frames_follow_from_what_happened() {
    let film = film();
    film.rebuild(&[]).well();
    // Ready, and nobody has touched it.
    let waiting = film.json(&["hours"])["waiting"].clone();
    assert_eq!((&waiting[0]["stage"], &waiting[0]["touched"]), (&json!("paint"), &Value::Null), "{waiting}");
    assert_eq!(film.json(&["clock", "add", "br010/paint", "3h", "--person", "ana"])["round"], "first pass");
    let waiting = film.json(&["hours"])["waiting"].clone();
    assert_eq!((&waiting[0]["person"], waiting.as_array().unwrap().len()), (&json!("ana"), 1), "{waiting}");
    (1001..=1004).for_each(|n| film.write(&format!("hands/paint.{n}.exr"), picture(SIZE, n as u64)));
    film.rebuild(&[]).well();
    declare(&film, 1.0);
    film.rebuild(&[]).well();
    // What is under the paint changed, so that a person must look again; and why, in the ledger's words.
    let started = film.json(&["clock", "start", "br010/paint", "--person", "ana"]);
    assert_eq!(started["frames"], "1001-1004", "{started}");
    assert_eq!(started["cause"], "exposure", "{started}");
    let stopped = film.json(&["clock", "stop", "--person", "ana", "--took", "1m"]);
    assert_eq!(stopped["round"], "rework", "{stopped}");
    film.json(&["clock", "correct", stopped["name"].as_str().unwrap(), "20m"]);
    let hours = film.json(&["hours"]);
    let machines = hours["by_cause"].as_array().unwrap().iter().find(|one| one["name"] == "exposure");
    assert!(machines.is_some_and(|one| one["frames"] == 4), "{hours}");
    let hands = hours["hands"]["by_cause"].as_array().unwrap().iter().find(|one| one["name"] == "exposure");
    assert!(hands.is_some_and(|one| one["seconds"] == 1200.0), "{hours}");
    // The end of a shot's way, by hand, is a final step.
    let (_, said) = film.said(&["hours"]);
    assert!(said.contains("The final steps (colour, last by hand) took 3 h 20 m of hands"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 100), "{said}");
    let narrow = film.command(&["hours"]).env("COLUMNS", "80").output().unwrap();
    let narrow = String::from_utf8(narrow.stdout).unwrap();
    assert!(narrow.lines().all(|line| line.chars().count() <= 80), "{narrow}");
}

/// A day that a person names is that day for the person, however far east or west, and for those who read it elsewhere.
#[test]
fn a_day_given_is_that_day_for_the_person_and_for_readers() {
    for (zone, readers) in [
        ("Pacific/Auckland", &["Pacific/Auckland", "UTC", "Europe/Brussels", "America/New_York"][..]),
        ("Pacific/Kiritimati", &["Pacific/Kiritimati", "UTC", "America/Los_Angeles"]),
        ("America/Los_Angeles", &["America/Los_Angeles", "UTC", "Australia/Sydney"]),
        ("Europe/Brussels", &["Europe/Brussels", "UTC", "Asia/Tokyo", "America/Los_Angeles"]),
    ] {
        let film = film();
        let output = film
            .command(&["clock", "add", "br010/colour", "1h", "--day", "2026-11-20"])
            .env("TZ", zone)
            .output()
            .unwrap();
        assert!(output.status.success(), "{output:?}");
        for reader in readers {
            let listed = film.command(&["clock"]).env("TZ", reader).output().unwrap();
            let listed = String::from_utf8(listed.stdout).unwrap();
            assert!(listed.contains("2026-11-20"), "{zone} read in {reader}: {listed}");
        }
    }
}

#[test]
fn what_is_of_nothing_and_more_than_a_day_holds_are_refused() {
    let film = film();
    for words in [&["clock", "br999"][..], &["notes", "br999"], &["approvals", "br999"], &["notes", "delete"]]
    {
        let (code, said) = film.said(words);
        assert!(code == Some(2) && said.contains("matches nothing of the film"), "{words:?}: {said}");
    }
    assert_eq!(film.said(&["clock", "br010"]).0, Some(0));
    let (code, said) = film.said(&["clock", "add", "br010/colour", "24h30m", "--day", "2026-11-20"]);
    assert!(code == Some(2) && said.contains("a day has 24 hours"), "{said}");
    assert!(!film.path().join("ledger").exists());
    // Time that is there twice is told with the names of the rows.
    let add = |began: &str| {
        film.json(&["clock", "add", "br010/colour", "2h", "--day", "2026-11-20", "--began", began])["name"]
            .clone()
    };
    let names = [add("02:00"), add("02:30")];
    let (_, said) = film.said(&["clock"]);
    assert!(said.contains("1 h 30 m") && said.contains("is counted twice"), "{said}");
    assert!(
        names.iter().all(|name| said.contains(&format!("{} on br010/colour", name.as_str().unwrap()))),
        "{said}"
    );
}
