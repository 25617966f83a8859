//! `forecast` on a small film with a ledger of rows made by hand.
//!
//! Knows what each film's ledger says and how much work that leaves. Does not know how runs are played.

mod project;

use std::sync::Arc;
use std::time::Duration;

use endboard::ledger::crew::{Crew, Handout, Worked};
use endboard::ledger::file::Ledger;
use endboard::ledger::row::{Row, What};
use project::Film;
use serde_json::Value;

const SHOTS: [&str; 3] = ["br010", "br020", "br030"];

/// Three shots of which people clean up the plate and a machine grades that; what follows them is `more`.
fn film(more: &str) -> Film {
    let film = Film::new();
    let mut text = String::new();
    for shot in SHOTS {
        text += &format!(
            "  {shot}:\n    plate: shed\n    frames: 1001-1008\n    stages:\n      \
             cleanup: {{ by_hand: {{ files: 'hands/{shot}/cleanup.####.exr' }}, from: {{ picture: plate }} }}\n      \
             colour: {{ operator: grade, exposure: 0.5 }}\n"
        );
    }
    film.declare(&(text + more));
    film.write_plate("shed", 1);
    film
}

/// A person's files of a shot.
fn deliver(film: &Film, shot: &str) {
    for n in 1001..=1008 {
        film.write(&format!("hands/{shot}/cleanup.{n}.exr"), project::picture(project::SIZE, n));
    }
}

fn append(film: &Film, shot: &str, what: Crew) {
    let row = Row {
        when: "2026-11-20T20:00:00Z".parse().unwrap(),
        film: "The Brine Lamp".into(),
        shot: shot.into(),
        stage: "cleanup".into(),
        frames: "1001-1008".parse().unwrap(),
        by: "ana".into(),
        what: What::Crew(what),
    };
    Ledger::open(&film.path().join("ledger"), "ana").unwrap().append(&row).unwrap();
}

fn worked(film: &Film, shot: &str, hours: f64) {
    let none: Arc<str> = "".into();
    let worked = Worked {
        person: "ana".into(),
        took: Duration::from_secs_f64(hours * 3600.0),
        began: None,
        round: None,
        cause: none.clone(),
        ends: None,
        packet: none.clone(),
        note: none,
    };
    append(film, shot, Crew::Worked(worked));
}

const ANA: &str = "crew:\n  people:\n    ana: { hours: 7, does: [cleanup] }\n";

/// The film of which br010 took Ana two hours; the two other shots are to be done.
fn begun() -> Film {
    let film = film(ANA);
    deliver(&film, "br010");
    worked(&film, "br010", 2.0);
    film.rebuild(&[]).but_for_hands();
    film
}

/// What it says, all on one line.
fn plainly(film: &Film) -> String {
    let (code, said) = film.said(&FROM);
    assert_eq!(code, Some(0), "{said}");
    said.split_whitespace().collect::<Vec<_>>().join(" ")
}

const FROM: [&str; 5] = ["forecast", "--from", "2026-12-01", "--runs", "200"];

fn stage<'v>(json: &'v Value, stage: &str, of: &str) -> &'v Value {
    let mut all = json["remaining"].as_array().unwrap().iter();
    all.find(|part| part["stage"] == stage && part["of"] == of)
        .unwrap_or_else(|| panic!("no {stage}: {json}"))
}

#[test]
fn what_one_shot_took_tells_of_the_others() {
    let film = begun();
    let json = film.json(&FROM);
    let cleanup = stage(&json, "cleanup", "hands");
    assert_eq!((&cleanup["frames"], &cleanup["shots"]), (&16.into(), &2.into()), "{json}");
    let hours: Vec<f64> = serde_json::from_value(cleanup["hours"].clone()).unwrap();
    // Two shots of about two hours each, one hour a day: some four days, a few more or less.
    assert!((2.5..6.5).contains(&hours[0]) && hours[0] < hours[1] && hours[1] < hours[2], "{hours:?}");
    let dates: Vec<String> = serde_json::from_value(json["dates"].clone()).unwrap();
    assert!(("2026-12-03".."2026-12-09").contains(&dates[0].as_str()), "{dates:?}");
    assert!(dates[0] <= dates[1] && dates[1] <= dates[2]);
    assert_eq!(cleanup["rests_on"]["measured"], 1);
    let ana = json["course"].as_array().unwrap().iter().filter(|step| step["who"] == "ana");
    assert_eq!(ana.count(), 2);
    assert_eq!(json["holds"][0]["stage"], "cleanup");
    // The same draws, so that fewer shots and more hands end sooner.
    let days = |words: &[&str]| {
        let json = film.json(&[&FROM[..], words].concat());
        json["savings"].as_array().unwrap().iter().map(|s| s["days"].as_f64().unwrap()).collect::<Vec<_>>()
    };
    let drop = days(&["--drop", "br030"]);
    assert!(drop.len() == 1 && drop[0] > 1.0, "{drop:?}");
    let all = days(&["--drop", "br030", "--more", "cleanup", "--faster", "cleanup=2"]);
    assert_eq!(all.len(), 4);
    assert!(all[..3].iter().all(|&days| days > 0.5 && days <= all[3]), "{all:?}");
}

#[test]
fn a_part_of_the_film_has_an_end_of_its_own() {
    let film = begun();
    let words = |part: &[&'static str]| [&FROM[..], part].concat();
    let (all, one) = (film.json(&FROM), film.json(&words(&["br020"])));
    let last = |json: &Value| json["dates"][2].as_str().unwrap().to_string();
    // Ana does one shot after the other, so that the first is done while the other is not.
    assert!(last(&one) < last(&all), "{one}");
    assert_eq!(stage(&one, "cleanup", "hands")["shots"], 1, "{one}");
    assert_eq!((&one["selectors"][0], all["selectors"].as_array().unwrap().len()), (&"br020".into(), 0));
    let of_others = |step: &Value| step["shot"] != "br020";
    assert!(!one["course"].as_array().unwrap().iter().any(of_others), "{one}");
    // What is played is the whole film, so that the last shot ends when it does.
    let both = [&words(&["br020/cleanup"])[..], &["br030/cleanup"]].concat();
    assert_eq!(film.json(&both)["dates"], film.json(&words(&["*/cleanup"]))["dates"]);
    let (code, said) = film.said(&words(&["br020@1003"]));
    assert!(code == Some(0) && said.starts_with("br020@1003 of The Brine Lamp: P50 "), "{said}");
    assert!(said.contains(", P80 ") && said.contains(", P95 "), "{said}");
    // br010 was done, and the machine has graded it.
    let (code, said) = film.said(&words(&["br010"]));
    assert_eq!(
        (code, &*said),
        (Some(0), "br010 of The Brine Lamp: everything is fresh; nothing remains to be done.\n")
    );
    let (code, said) = film.said(&words(&["br090"]));
    assert!(code == Some(2) && said.contains("did you mean"), "{said}");
}

#[test]
fn the_page_says_what_the_command_says() {
    let film = begun();
    let out = film.run(&["page", "--out", film.path().join("page.html").to_str().unwrap()]);
    assert!(out.status.success());
    let page = film.text("page.html");
    let page: String = page.split_whitespace().collect::<Vec<_>>().join(" ");
    let (_, said) = film.said(&["forecast"]);
    let first = said.split("\n\n").next().unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(first.contains(", P80 ") && page.contains(&first), "{first}");
    assert!(page.contains("1000 simulated runs"), "{page}");
    assert!(page.contains("<h3>What this does not know</h3>") && page.contains("<code>crew: "), "{page}");
    let json = film.json(&["forecast"]);
    for (name, date) in ["P50", "P80", "P95"].iter().zip(json["dates"].as_array().unwrap()) {
        let date: jiff::civil::Date = date.as_str().unwrap().parse().unwrap();
        let told = format!("{name}: {}", date.strftime("%a %-d %B %Y"));
        assert!(page.contains(&told), "{told}");
    }
}

#[test]
fn the_same_bytes_on_one_thread_and_on_several_and_another_seed_differs() {
    let film = begun();
    let said = |threads: &str, more: &[&str]| {
        let words = [&FROM[..], &["--json"], more].concat();
        let output = film.command(&words).env("RAYON_NUM_THREADS", threads).output().unwrap();
        assert!(output.status.success());
        output.stdout
    };
    let one = said("1", &[]);
    assert!(one == said("4", &[]) && one == said("3", &["--seed", "1"]));
    assert!(one != said("1", &["--seed", "2"]));
}

#[test]
fn what_nothing_tells_is_said_and_not_made_up() {
    let film = film(ANA);
    deliver(&film, "br010");
    film.rebuild(&[]).but_for_hands();
    let said = plainly(&film);
    assert!(said.contains("16 frames of 2 shots, cleanup (hands): never measured"), "{said}");
    assert!(said.contains("not counting what is unknown"), "{said}");
    // A guess is told as one.
    let text = film.text("endboard.yaml") + "  estimates: { cleanup: { hours: [1, 2, 4] } }\n";
    film.write("endboard.yaml", text);
    let json = film.json(&FROM);
    let cleanup = stage(&json, "cleanup", "hands");
    assert_eq!(cleanup["rests_on"], "guess");
    let hours: Vec<f64> = serde_json::from_value(cleanup["hours"].clone()).unwrap();
    // Two shots between one hour and four each.
    assert!(hours[0] > 3.0 && hours[2] < 8.0, "{hours:?}");
}

/// Stages of which the same is to be said stand together; frames that wait for a look are not called unmeasured; sound is counted in
/// blocks; and every chance has one name.
#[test]
fn alike_is_told_once_and_each_thing_by_its_name() {
    let film = film(ANA);
    let declared =
        film.text("endboard.yaml") + "  approved: [colour]\n  estimates: { cleanup: { hours: [1, 2, 4] } }\n";
    // The film is no shot.
    film.write("endboard.yaml", format!("{declared}assembly: {{ from: colour }}\n"));
    let said = plainly(&film);
    assert!(said.contains("24 frames of the film, assembly"), "{said}");
    let mut text = declared;
    for n in 0..7 {
        let stage = format!("      extra{n}: {{ operator: grade, exposure: 0.{n} }}\n      colour:");
        text = text.replacen("      colour:", &stage, 1);
    }
    text += "assembly: { from: colour }\nsound:\n  buses: { effects: {} }\n";
    film.write("endboard.yaml", text);
    let said = plainly(&film);
    assert!(said.contains("and 8 more stages: never measured. The dates leave them out."), "{said}");
    assert_eq!(said.matches(": never measured. The").count(), 1, "{said}");
    let looked = "24 frames of 3 shots, colour (hands): to be looked at and approved, and nothing tells how long that takes";
    assert!(said.contains(looked) && said.contains("to be approved"), "{said}");
    assert!(!said.contains("half a chance") && !said.contains("4 in 5"), "{said}");
    let json = film.json(&FROM);
    assert_eq!(stage(&json, "colour", "machine")["counts"], "frames");
    assert_eq!(stage(&json, "mix", "machine")["counts"], "blocks", "{json}");
    assert!(said.contains("1 block "), "{said}");
}

/// One shot's colour is made by hand, and comes last; the others' is only to be looked at.
#[test]
fn a_stage_that_is_looked_at_in_one_shot_and_made_by_hand_in_another_is_told_of_as_both() {
    let film = film(ANA);
    let text = film.text("endboard.yaml") + "  approved: [colour]\n";
    let by_hand = "colour: { by_hand: { files: 'hands/br030/colour.####.exr' }, from: { picture: cleanup } }";
    let at = text.rfind("colour: { operator").unwrap();
    let end = at + text[at..].find('\n').unwrap();
    film.write("endboard.yaml", format!("{}{by_hand}{}", &text[..at], &text[end..]));
    let said = plainly(&film);
    assert!(said.contains("16 frames of 2 shots, colour (hands): to be looked at and approved"), "{said}");
    assert!(said.contains("8 frames of 1 shot, colour (hands): never measured"), "{said}");
    assert!(said.contains("to be made or approved"), "{said}");
}

#[test]
fn without_people_there_is_no_date_of_their_work() {
    let film = film("");
    deliver(&film, "br010");
    worked(&film, "br010", 2.0);
    film.rebuild(&[]).but_for_hands();
    let said = plainly(&film);
    assert!(said.contains("nobody's hours are: there is no `crew: people:`"), "{said}");
}

#[test]
fn hours_already_spent_are_taken_off() {
    let film = begun();
    let hours = |film: &Film| stage(&film.json(&FROM), "cleanup", "hands")["hours"][0].as_f64().unwrap();
    let before = hours(&film);
    worked(&film, "br020", 1.0);
    let after = hours(&film);
    assert!((0.5..=1.1).contains(&(before - after)), "{before} {after}");
}

#[test]
fn a_packet_stays_with_whoever_has_it() {
    let film = begun();
    let text = film.text("endboard.yaml") + "    ines: { hours: 70, does: [cleanup] }\n";
    film.write("endboard.yaml", text);
    let doer = |film: &Film, shot: &str| {
        let json = film.json(&FROM);
        let mut steps = json["course"].as_array().unwrap().iter();
        steps.find(|s| s["shot"] == shot && s["stage"] == "cleanup").unwrap()["who"].clone()
    };
    assert_eq!(doer(&film, "br030"), "ines");
    let handout = |packet: &str, person: &str| {
        Crew::Handout(Handout {
            packet: packet.into(),
            person: person.into(),
            due: None,
            digests: Vec::new(),
            note: "".into(),
        })
    };
    append(&film, "br030", handout("cleanup-1", "ana"));
    assert_eq!(doer(&film, "br030"), "ana");
    append(&film, "br030", Crew::Close { packet: "cleanup-1".into(), note: "".into() });
    append(&film, "br030", handout("cleanup-2", "joren"));
    let said = plainly(&film);
    assert!(said.contains("br030/cleanup is out with joren"), "{said}");
}

#[test]
fn a_finished_film_says_so_and_lines_keep_to_the_width() {
    let film = begun();
    let output = film.command(&FROM).env("COLUMNS", "80").output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
    assert!(said.starts_with("The Brine Lamp: P50 "), "{said}");
    for shot in SHOTS {
        deliver(&film, shot);
    }
    film.rebuild(&[]).well();
    let (code, said) = film.said(&FROM);
    assert_eq!(
        (code, &*said),
        (Some(0), "The Brine Lamp: everything is fresh; nothing remains to be done.\n")
    );
    assert_eq!(film.json(&FROM)["is_done"], true);
}

#[test]
fn slips_are_refused_with_a_way_on() {
    let film = begun();
    for (words, says) in [
        (&["--drop", "br090"][..], "no shot of this name"),
        (&["--more", "paint"], "no shot has a stage"),
        (&["--faster", "cleanup=fast"], "STAGE=TIMES"),
        (&["--runs", "3"], "20"),
        (&["--from", "next week"], "YYYY-MM-DD"),
    ] {
        let (code, said) = film.said(&[&["forecast"], words].concat());
        assert!(code == Some(2) && said.contains(says), "{words:?}: {said}");
    }
    film.write("endboard.yaml", film.text("endboard.yaml").replace("does: [cleanup]", "does: [clenup]"));
    let (code, said) = film.said(&["check"]);
    assert!(code == Some(1) && said.contains("did you mean 'cleanup'?"), "{said}");
}

/// Lines of a person's whole answer at a width of 80, with none longer and nothing cut off.
#[test]
fn at_80_columns_nothing_is_cut_off() {
    let film = begun();
    let words = [&FROM[..], &["--drop", "br020", "--drop", "br030", "--faster", "cleanup=3.25"]].concat();
    let output = film.command(&words).env("COLUMNS", "80").output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
    assert!(!said.contains('…'), "{said}");
    let plain: String = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(plain.contains("without br020, without br030, cleanup 3.25 times as fast"), "{said}");
}

#[test]
fn changes_that_can_change_nothing_are_told_with_the_reason() {
    let film = begun();
    let plainly = |words: &[&'static str]| {
        let (code, said) = film.said(&[&FROM[..], words].concat());
        assert_eq!(code, Some(0), "{said}");
        said.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let said = plainly(&["--drop", "br010", "--drop", "br020"]);
    assert!(said.contains("without br010: nothing of this shot remains, so that nothing is saved"), "{said}");
    assert!(!said.contains("without br020: "), "{said}");
    let said = plainly(&["--more", "colour"]);
    assert!(said.contains("one more person for colour: nothing remains there to be done by hand"), "{said}");
    let said = plainly(&["br020", "--drop", "br020"]);
    assert!(said.contains("without br020: without this shot nothing remains of what is asked for"), "{said}");
    // Where all is fresh no date is told, and what was asked for is not passed over.
    let said = plainly(&["br010", "--drop", "br030"]);
    assert!(
        said.contains("nothing remains to be done. without br030: nothing of what is asked for"),
        "{said}"
    );
    let json = film.json(&[&FROM[..], &["br010", "--drop", "br030"]].concat());
    assert_eq!(json["remarks"].as_array().map(Vec::len), Some(1), "{json}");
    // Nor where no date can be told.
    let unmeasured = self::film("");
    let (_, said) = unmeasured.said(&["forecast", "--drop", "br030"]);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("without br030: there is no date that it could change"), "{said}");
    let (code, said) = film.said(&["forecast", "--drop", "br030/cleanup"]);
    assert!(code == Some(2) && said.contains("a shot is left out as a whole"), "{said}");
}
