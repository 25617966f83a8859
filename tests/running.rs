//! What can go wrong around a rebuild: a second one, commands that hang or deliver rubbish, vanished files,
//! held renders, sweeping, a full disk.
//!
//! Knows the tiny film of `project` and what must come of each mishap.

mod project;

use project::disk::Mounted;
use project::{COPY, Film, SIZE, picture, until};
use serde_json::json;

/// Two shots; the second has a command stage where `command` is not empty.
fn film_with(command: &str, exposure: f64) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    declare(&film, command, exposure);
    film
}

fn declare(film: &Film, command: &str, exposure: f64) {
    let (tool, from) = if command.is_empty() {
        (String::new(), "plate")
    } else {
        (format!("      tool: {{ from: {{ picture: plate }}, {command} }}\n"), "tool")
    };
    film.declare(&format!(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      colour: {{ operator: grade, from: {{ picture: plate }}, exposure: {exposure} }}
  br020:
    plate: shed
    frames: 1004-1006
    stages:
{tool}      colour: {{ operator: grade, from: {{ picture: {from} }} }}
"
    ));
}

fn rendered_of(film: &Film, shot: &str) -> usize {
    film.renders().keys().filter(|path| path.starts_with(shot)).count()
}

#[test]
fn a_second_rebuild_is_told_who_is_at_work() {
    let film = film_with("command: 'sh wait.sh {picture} {out}'", 0.0);
    film.write("wait.sh", "touch begun\nwhile [ ! -e go ]; do :; done\ncp \"$1\" \"$2\"\n");
    let mut first = film.start(&["rebuild", "--jobs", "1"]);
    until("the first rebuild's command", || film.path().join("begun").exists());
    let second = film.run(&["rebuild"]);
    let words = String::from_utf8_lossy(&second.stderr).into_owned();
    film.write("go", "");
    assert_eq!(second.status.code(), Some(3), "{words}");
    assert!(words.contains(&format!("process {}", first.id())) && words.contains("keeper"), "{words}");
    assert!(first.wait().unwrap().success());
    assert!(film.rebuild(&[]).well().rendered.is_empty());
}

#[test]
fn a_command_that_hangs_is_ended_with_its_children() {
    let film = film_with("command: 'sh hang.sh {picture} {out}', time_limit: 0.4", 0.0);
    film.write("hang.sh", "sh -c 'echo $$ >> children; while :; do read x < /dev/zero; done' &\nwait\n");
    let said = film.rebuild(&["--jobs", "1"]);
    assert_eq!(said.code, Some(1), "{}", said.json);
    let reasons = said.json["failures"].to_string();
    assert!(reasons.contains("br020/tool@1004") && reasons.contains("time limit of 0.4 s"), "{reasons}");
    assert_eq!(rendered_of(&film, "br010"), 3, "the other shot is rendered all the same");
    let children = std::fs::read_to_string(film.path().join("children")).unwrap();
    assert!(!children.is_empty());
    for child in children.lines() {
        // An ended process may stay in the table until its parent looks, as a zombie.
        until("the end of the command's child", || {
            let stat = std::fs::read_to_string(format!("/proc/{child}/stat")).unwrap_or_default();
            stat.rsplit(')').next().is_none_or(|rest| rest.is_empty() || rest.starts_with(" Z"))
        });
    }
}

#[test]
fn calls_that_say_their_memory_run_within_the_budget() {
    // Every call looks whether another is under way, and two that may run at once wait for each other.
    let alone = "mkdir busy || touch together\ncp \"$1\" \"$2\"\nrmdir busy\n";
    let pair = "touch \"here.$3\"\nwhile [ $(ls here.* | wc -l) -lt 2 ]; do :; done\ncp \"$1\" \"$2\"\n";
    for (memory, script) in [("600MB", alone), ("3GB", alone), ("500MB", pair)] {
        let command =
            format!("command: 'sh tool.sh {{picture}} {{out}} {{frame}}', memory: {memory}, time_limit: 20");
        let film = film_with(&command, 0.0);
        film.write("tool.sh", script);
        film.rebuild(&["--jobs", "3", "--memory", "1GB"]).well();
        assert!(!film.path().join("together").exists(), "two calls of {memory} ran at once in 1GB");
    }
}

#[test]
fn a_file_that_changes_during_a_rebuild_makes_no_pictures_under_its_old_key() {
    let film = film_with("command: 'sh tool.sh {picture} {out} {note}', with: { note: notes/a.txt }", 0.0);
    film.write("notes/a.txt", "salt\n");
    film.write("tool.sh", "cp \"$1\" \"$2\"\necho brine >> \"$3\"\n");
    let said = film.rebuild(&["--jobs", "1"]);
    let failures = said.json["failures"].as_array().unwrap();
    assert_eq!((said.code, failures.len()), (Some(1), 3), "{}", said.json);
    for failure in failures {
        let reason = failure["reason"].as_str().unwrap();
        assert!(reason.contains("notes/a.txt changed during the rebuild"), "{reason}");
    }
    film.write("tool.sh", "cp \"$1\" \"$2\"\n");
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn what_a_command_delivers_is_checked() {
    let small = picture((SIZE.0 / 2, SIZE.1), 1);
    let cases = [
        ("delivers nothing", "command: 'true {picture} {out}'", "delivered no file"),
        ("fails", "command: 'sh fail.sh {picture} {out}'", "exit code 7"),
        ("delivers the wrong size", "command: 'sh small.sh {picture} {out}'", "16x18"),
        ("delivers rubbish", "command: 'sh rubbish.sh {picture} {out}'", "cannot be read"),
        ("is not there", "command: 'no-such-program {picture} {out}'", "could not be started"),
    ];
    for (what, command, wanted) in cases {
        let film = film_with(command, 0.0);
        film.write("small.exr", &small);
        film.write("fail.sh", "echo the salt is wet\nexit 7\n");
        film.write("small.sh", "cp small.exr \"$2\"\n");
        film.write("rubbish.sh", "echo brine > \"$2\"\n");
        let said = film.rebuild(&[]);
        assert_eq!(said.code, Some(1), "a command that {what}: {}", said.json);
        let failures = said.json["failures"].as_array().unwrap();
        assert_eq!(failures.len(), 3, "a command that {what}: {failures:?}");
        for frame in 1004..=1006 {
            let place = format!("br020/tool@{frame}");
            let failure = failures.iter().find(|f| f["place"] == place.as_str());
            let failure = failure.unwrap_or_else(|| panic!("{place} in {failures:?}"));
            assert!(failure["reason"].as_str().unwrap().contains(wanted), "{failure}");
            let log = failure["log"].as_str().unwrap_or_else(|| panic!("no log in {failure}"));
            let log = film.path().join(log);
            let text = std::fs::read_to_string(&log).unwrap();
            assert_eq!(text.contains("the salt is wet"), what == "fails", "{}: {text}", log.display());
        }
        assert_eq!((rendered_of(&film, "br010"), rendered_of(&film, "br020")), (3, 0));
        if what == "is not there" {
            // No key knows whether a program is installed, so that the next rebuild looks for it again.
            let again = film.rebuild(&[]);
            assert_eq!(again.json["failures"].as_array().unwrap().len(), 3, "{}", again.json);
            continue;
        }
        // The same inputs and settings are not tried again for nothing, but still tell; a mended command is.
        for selected in [&[][..], &["br020/colour"]] {
            let again = film.rebuild(selected);
            assert_eq!(
                (again.code, &again.json["failures"]),
                (Some(1), &json!([])),
                "{what}: {}",
                again.json
            );
            assert!(again.rendered.is_empty());
            let before = again.json["failed_before"].as_array().unwrap();
            assert_eq!(before.len(), 1, "{what}: {before:?}");
            let named = [&before[0]["shot"], &before[0]["stage"], &before[0]["frames"]];
            assert_eq!(named, ["br020", "tool", "1004-1006"], "{what}");
            assert!(before[0]["reason"].as_str().unwrap().contains(wanted), "{what}: {before:?}");
            let log = failures.iter().find(|f| f["place"] == "br020/tool@1004").unwrap()["log"].clone();
            // An empty log has nothing to tell.
            let log = log.as_str().unwrap();
            let is_empty = std::fs::metadata(film.path().join(log)).unwrap().len() == 0;
            let told = before[0]["log"].as_str();
            assert!(if is_empty { told.is_none() } else { log.ends_with(told.unwrap()) }, "{what}: {told:?}");
        }
        let out = film.run(&["rebuild"]);
        let said = String::from_utf8_lossy(&out.stdout).into_owned();
        assert!(said.contains("failed: br020/tool@1004-1006: ") && said.contains("--again"), "{said}");
        assert_eq!((out.status.code(), said.contains("3 failed before")), (Some(1), true), "{said}");
        assert_eq!(film.rebuild(&["br010"]).code, Some(0), "nothing failed there");
        assert_eq!(film.status_of("br020/tool"), json!([["1004-1006", "failed"]]));
        declare(&film, "command: 'cp {picture} {out}'", 0.0);
        film.rebuild(&[]).well();
        assert_eq!(film.renders(), film.clean(), "after a command that {what}");
    }
}

#[test]
fn what_failed_is_tried_again_when_asked_with_all_that_it_blocked() {
    for (each, log) in [("frame", "1004"), ("run", "1004-1006"), ("shot", "1004-1006")] {
        let command = format!("command: 'sh tool.sh {{picture}} {{out}}', each: {each}");
        let film = film_with(&command, 0.0);
        // Not named in `depends`, so that mending it changes no key.
        film.write("tool.sh", ". ./inner.sh\n");
        film.write("inner.sh", "echo the salt is wet; exit 7\n");
        assert_eq!(film.rebuild(&[]).code, Some(1));
        let said = film.rebuild(&[]);
        assert_eq!(said.json["failed_before"][0]["log"], format!(".endboard/logs/br020.tool.{log}.log"));
        let plan = film.json(&["rebuild", "--plan"]);
        assert_eq!(plan["failed_before"][0]["frames"], "1004-1006", "{plan}");
        let plan = film.json(&["rebuild", "--plan", "--again"]);
        assert_eq!(
            (&plan["failed_before"], &plan["stages"][0]["stage"]),
            (&json!([]), &json!("tool")),
            "{plan}"
        );

        let said = film.rebuild(&["--again"]);
        assert_eq!((said.code, said.json["failures"].as_array().unwrap().len()), (Some(1), 3), "{each}");
        assert_eq!(said.json["failed_before"], json!([]), "{each}");
        film.write("inner.sh", COPY);
        assert_eq!(film.rebuild(&[]).code, Some(1), "{each}: nothing that is known has changed");
        // One frame of what was blocked is asked for, and what it needs is tried for it.
        let said = film.rebuild(&["br020/colour@1005", "--again"]).well();
        let wanted: &[&str] = match each {
            "shot" => &["br020/colour@1005", "br020/tool@1004", "br020/tool@1005", "br020/tool@1006"],
            _ => &["br020/colour@1005", "br020/tool@1005"],
        };
        assert!(said.rendered.iter().eq(wanted), "{each}: {:?}", said.rendered);
        film.rebuild(&["--again"]).well();
        assert!(film.rebuild(&[]).well().rendered.is_empty());
        assert_eq!(film.renders(), film.clean(), "{each}");
    }
}

#[test]
fn a_hand_file_that_cannot_be_used_is_told_of_until_it_is_replaced() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare(
        "  br010:\n    \
         plate: shed\n    frames: 1001-1003\n    stages:\n      \
         cleanup: { by_hand: { files: 'hands/cleanup.####.exr' }, from: { picture: plate } }\n      \
         colour: { operator: grade, from: { picture: cleanup }, exposure: 1 }\n",
    );
    let deliver = |frame: i64, bytes: &[u8]| film.write(&format!("hands/cleanup.{frame}.exr"), bytes);
    let small = picture((SIZE.0 / 2, SIZE.1), 1);
    // A sound head and half a body, of the first delivery and of a later one.
    let torn = |seed| picture(SIZE, seed)[..900].to_vec();
    deliver(1001, &picture(SIZE, 51));
    deliver(1002, &small);
    deliver(1003, &torn(53));
    let said = film.rebuild(&[]);
    assert_eq!(said.code, Some(1), "{}", said.json);
    for words in [&["rebuild"][..], &["rebuild", "--again"]] {
        let said = film.json(words);
        let before = said["failed_before"].as_array().unwrap();
        let small = before.iter().find(|f| f["frames"] == "1002").unwrap_or_else(|| panic!("{said}"));
        assert_eq!(small["reason"], "hands/cleanup.1002.exr is 16x18, and the film 32x18");
        // What is of the right size is only known to be unsound by trying.
        let tries = said["failures"].to_string().matches("br010/cleanup@1003").count();
        let torn = before.iter().filter(|f| f["frames"] == "1003").count();
        assert_eq!((tries, torn), if words.len() == 1 { (0, 1) } else { (1, 0) }, "{said}");
        assert_eq!(film.run(words).status.code(), Some(1));
    }
    assert_eq!(
        film.status_of("br010/cleanup"),
        json!([["1001", "fresh"], ["1002-1003", "failed"]]),
        "a delivery that failed is no longer waited for"
    );
    [1002, 1003].into_iter().for_each(|n| deliver(n, &picture(SIZE, 50 + n as u64)));
    film.rebuild(&[]).well();
    // After a good one.
    deliver(1001, &small);
    deliver(1002, &torn(54));
    for time in 0..3 {
        let said = film.rebuild(&[]);
        assert_eq!(said.code, Some(1), "{time}: {}", said.json);
        let before = said.json["failed_before"].as_array().unwrap();
        let frames: Vec<_> = before.iter().map(|f| f["frames"].as_str().unwrap()).collect();
        assert_eq!(frames, if time == 0 { vec!["1001"] } else { vec!["1001", "1002"] }, "{before:?}");
    }
    [1001, 1002].into_iter().for_each(|n| deliver(n, &picture(SIZE, 60 + n as u64)));
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_vanished_plate_file_stops_only_what_needs_it() {
    let film = film_with("", 0.0);
    film.rebuild(&[]).well();
    let file = film.path().join("plates/shed.1005.exr");
    let bytes = std::fs::read(&file).unwrap();
    std::fs::remove_file(&file).unwrap();
    declare(&film, "", 1.0);
    let said = film.rebuild(&[]);
    let wanted: Vec<String> = (1001..=1003).map(|n| format!("br010/colour@{n}")).collect();
    assert!(said.rendered.iter().eq(&wanted), "{:?}", said.rendered);
    let runs = film.status_of("br020/colour");
    assert_eq!(runs, json!([["1004", "fresh"], ["1005", "blocked"], ["1006", "fresh"]]));
    std::fs::write(&file, bytes).unwrap();
    assert!(film.rebuild(&[]).well().rendered.is_empty(), "the file came back as it was");
}

#[test]
fn held_renders_stay_and_earlier_grades_come_back() {
    let film = film_with("", 0.0);
    film.rebuild(&[]).well();
    let first = film.renders();
    let held = std::path::Path::new("br010/colour/br010.1002.exr");
    assert!(film.run(&["rebuild", "--hold", "br010/colour@1002", "--note", "approved"]).status.success());
    declare(&film, "", 1.0);
    let said = film.rebuild(&[]).well();
    assert_eq!(said.rendered.iter().collect::<Vec<_>>(), ["br010/colour@1001", "br010/colour@1003"]);
    assert_eq!(film.renders()[held], first[held]);
    assert_eq!(
        film.status_of("br010/colour"),
        json!([["1001", "fresh"], ["1002", "held"], ["1003", "fresh"]])
    );
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    assert!(film.run(&["rebuild", "--let-go", "br010/colour@1002"]).status.success());
    let said = film.rebuild(&[]).well();
    assert_eq!(said.rendered.iter().collect::<Vec<_>>(), ["br010/colour@1002"]);
    assert_eq!(film.renders(), film.clean());

    declare(&film, "", 0.0);
    let said = film.rebuild(&[]).well();
    assert!(said.rendered.is_empty() && said.restored() >= 3, "{}", said.json);
    assert_eq!(film.renders(), first);
}

#[test]
fn holding_waits_for_no_rebuild_and_takes_the_lock_before_it_looks() {
    let film = film_with("command: 'sh wait.sh {picture} {out}'", 0.0);
    film.write("wait.sh", "touch begun\nwhile [ ! -e go ]; do :; done\ncp \"$1\" \"$2\"\n");
    let mut first = film.start(&["rebuild", "--jobs", "1"]);
    until("the rebuild's command", || film.path().join("begun").exists());
    // A declaration that cannot be read shows which comes first: looking would say so.
    let sound = std::fs::read(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", "film: [");
    let codes = [["--hold", "br010"], ["--let-go", "br010"]]
        .map(|[verb, what]| film.run(&["rebuild", verb, what]).status.code());
    film.write("endboard.yaml", sound);
    film.write("go", "");
    assert!(first.wait().unwrap().success());
    assert_eq!(codes, [Some(3), Some(3)]);
    assert!(film.run(&["rebuild", "--hold", "br010"]).status.success());
}

#[test]
fn what_was_rendered_once_is_rework_even_where_the_store_forgot() {
    let film = film_with("command: 'sh tool.sh {picture} {out}', each: run", 0.0);
    film.write("tool.sh", COPY);
    film.rebuild(&[]).well();
    let before = film.json(&["hours"])["total"].clone();
    assert_eq!(before["rework_seconds"], 0.0, "{before}");
    std::fs::remove_dir_all(film.path().join(".endboard")).unwrap();
    film.rebuild(&[]).well();
    let after = film.json(&["hours"]);
    assert_eq!(after["total"]["first_pass_seconds"], before["first_pass_seconds"], "{after}");
    assert!(after["total"]["rework_seconds"].as_f64().unwrap() > 0.0, "{after}");
    let causes = after["by_cause"].as_array().unwrap();
    let names: Vec<_> = causes.iter().map(|c| c["name"].as_str().unwrap()).collect();
    assert_eq!(names.len(), 2, "{names:?}");
    assert!(names.contains(&"first render") && names.contains(&"earlier render lost"), "{names:?}");
    // A failed first attempt is no render.
    let film = film_with("command: 'sh tool.sh {picture} {out}'", 0.0);
    film.write("tool.sh", "exit 7\n");
    assert_eq!(film.rebuild(&[]).code, Some(1));
    film.write("tool.sh", "cp \"$1\" \"$2\"\n");
    film.rebuild(&[]).well();
    let hours = film.json(&["hours"]);
    assert_eq!(hours["total"]["rework_seconds"], 0.0, "{hours}");
}

#[test]
fn sweeping_takes_logs_that_nobody_need_read() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare_shot(&["tool: { command: 'sh tool.sh {picture} {out}', from: { picture: plate } }"]);
    film.write("tool.sh", "echo of $1\ncase $1 in */picture.1001.exr) exit 7;; esac\ncp \"$1\" \"$2\"\n");
    assert_eq!(film.rebuild(&["--jobs", "1"]).code, Some(1));
    let folder = film.path().join(".endboard/logs");
    let logs = || {
        let names = std::fs::read_dir(&folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap());
        names.collect::<std::collections::BTreeSet<_>>()
    };
    // Two runs on a cluster that are over, a shot that is no more, and what is no log.
    for name in ["slurm-salt-0-1.log", "slurm-lamp-0-1.log", "br099.tool.1001.log", "a note"] {
        film.write(&format!(".endboard/logs/{name}"), "brine\n");
    }
    // What fails is the oldest of all, so that nothing but its failure keeps it.
    let all = logs();
    assert_eq!(all.iter().filter(|name| name.starts_with("br010.")).count(), 4, "{all:?}");
    for (hours, name) in all.iter().filter(|name| *name != "a note").enumerate() {
        let file = std::fs::File::options().write(true).open(folder.join(name)).unwrap();
        let at = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_000_000 + 3600 * hours as u64);
        file.set_modified(at).unwrap();
    }
    let gone = ["br099.tool.1001.log", "slurm-lamp-0-1.log"];
    let looked = film.json(&["sweep"]);
    assert_eq!((&looked["logs"], &looked["log_bytes"]), (&json!(2), &json!(12)), "{looked}");
    assert_eq!(logs(), all, "only looked");
    let (_, text) = film.said(&["sweep", "--remove"]);
    let of_what = "of stages that the film no longer has, and of runs on a cluster that are over";
    assert!(text.contains(&format!("2 logs, 12 B, removed: {of_what}")), "{text}");
    let left: std::collections::BTreeSet<_> =
        all.iter().filter(|name| !gone.contains(&name.as_str())).cloned().collect();
    assert_eq!(logs(), left);

    // Once it is made, the latest few of the stage stay, whatever they say.
    film.write("tool.sh", "echo of $1\ncp \"$1\" \"$2\"\n");
    film.rebuild(&["br010@1001"]).well();
    film.rebuild(&[]).well();
    let swept = film.json(&["sweep", "--remove"]);
    assert_eq!(swept["logs"], 1, "{swept}");
    assert_eq!(logs().iter().filter(|name| name.starts_with("br010.")).count(), 3);
    assert_eq!(film.json(&["sweep"])["logs"], 0);
}

#[test]
fn sweeping_takes_only_what_is_not_current() {
    let film = film_with("", 0.5);
    film.rebuild(&[]).well();
    let first = film.renders();
    assert_eq!(film.json(&["sweep", "--remove"])["files"], 0);
    // A held render and a changed, not yet rebuilt declaration: what lies in renders is still current.
    assert!(film.run(&["rebuild", "--hold", "br010/colour@1002"]).status.success());
    declare(&film, "", 1.0);
    assert_eq!(film.json(&["sweep", "--remove"])["files"], 0);
    film.rebuild(&[]).well();
    let looked = film.json(&["sweep"]);
    assert_eq!((&looked["files"], &looked["removed"]), (&json!(2), &json!(false)));
    let swept = film.json(&["sweep", "--remove"]);
    assert_eq!((&swept["files"], &swept["removed"]), (&json!(2), &json!(true)));
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    // Links that were lost are put back from what the sweep left, the held one too.
    let before = film.renders();
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    let why = film.json(&["why", "br010/colour@1002"]).to_string();
    assert!(why.contains("its file was taken out of renders/"), "{why}");
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 6), "{}", said.json);
    assert_eq!(film.renders(), before);
    assert_eq!(film.rebuild(&[]).well().restored(), 0);
    // The earlier grade is gone, so it is rendered, but for the held frame.
    declare(&film, "", 0.5);
    assert_eq!(film.rebuild(&[]).well().rendered.len(), 2);
    assert_eq!(film.renders(), first);
}

/// A shot of two grades, and another shot that stays as it is.
fn declare_grades(film: &Film, has_br010: bool, first: f64, second: f64) {
    let br010 = format!(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      first: {{ operator: grade, from: {{ picture: plate }}, exposure: {first} }}
      second: {{ operator: grade, from: {{ picture: first }}, exposure: {second} }}
"
    );
    film.declare(&format!(
        "{}  br020:
    plate: shed
    frames: 1004-1006
    stages:
      colour: {{ operator: grade, from: {{ picture: plate }} }}
",
        if has_br010 { br010.as_str() } else { "" }
    ));
}

#[test]
fn a_held_render_outlives_the_time_that_its_shot_is_not_in_the_film() {
    let film = Film::new();
    film.write_plate("shed", 3);
    declare_grades(&film, true, 0.0, 1.0);
    film.rebuild(&[]).well();
    let held = std::path::Path::new("br010/first/br010.1002.exr");
    let before = film.renders()[held].clone();
    assert!(film.run(&["rebuild", "--hold", "br010/first@1002"]).status.success());
    declare_grades(&film, true, 0.5, 1.0);
    film.rebuild(&[]).well();
    declare_grades(&film, false, 0.5, 1.0);
    film.rebuild(&[]).well();
    let swept = film.json(&["sweep", "--remove"]);
    // All renders of the shot but the held one, of both grades.
    assert_eq!((&swept["files"], &swept["left_behind"]), (&json!(9), &json!(5)), "{swept}");
    assert_eq!(film.renders()[held], before);
    // What needs it is made of it.
    declare_grades(&film, true, 0.5, 2.0);
    film.rebuild(&[]).well();
    assert_eq!(film.renders()[held], before);
    assert_eq!(
        film.status_of("br010/first"),
        json!([["1001", "fresh"], ["1002", "held"], ["1003", "fresh"]])
    );
    assert_eq!(film.status_of("br010/second"), json!([["1001-1003", "fresh"]]));
}

#[test]
fn a_held_render_that_is_lost_is_told_of_as_such() {
    let film = Film::new();
    film.write_plate("shed", 3);
    declare_grades(&film, true, 0.0, 1.0);
    film.rebuild(&[]).well();
    assert!(film.run(&["rebuild", "--hold", "br010/first@1002"]).status.success());
    declare_grades(&film, true, 0.5, 1.0);
    film.rebuild(&[]).well();
    std::fs::remove_dir_all(film.path().join(".endboard/objects")).unwrap();
    declare_grades(&film, true, 0.5, 2.0);
    let why = film.json(&["why", "br010/first@1002"]).to_string();
    assert!(why.contains("its picture is lost"), "{why}");
    let said = film.rebuild(&[]);
    let failures = said.json["failures"].as_array().unwrap();
    assert_eq!((said.code, failures.len()), (Some(1), 1), "{}", said.json);
    assert_eq!(failures[0]["place"], "br010/second@1002");
    let reason = failures[0]["reason"].as_str().unwrap();
    assert!(reason.contains("held") && reason.contains("--let-go br010/first@1002"), "{reason}");
    assert!(film.run(&["rebuild", "--let-go", "br010/first@1002"]).status.success());
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), film.clean());
}

/// A shot whose frames a person paints over a grade.
fn declare_painted(film: &Film, exposure: f64) {
    film.declare(&format!(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      grade: {{ operator: grade, from: {{ picture: plate }}, exposure: {exposure} }}
      paint: {{ by_hand: {{ files: 'hands/paint.####.exr' }}, from: {{ picture: grade }} }}
"
    ));
}

#[test]
fn a_file_delivered_together_with_a_new_input_is_taken_in_at_once() {
    let film = Film::new();
    film.write_plate("shed", 3);
    declare_painted(&film, 0.0);
    let deliver = |frame: i64, seed| film.write(&format!("hands/paint.{frame}.exr"), picture(SIZE, seed));
    (1001..=1003).for_each(|n| deliver(n, n as u64));
    film.rebuild(&[]).well();
    declare_painted(&film, 1.0);
    deliver(1002, 2000);
    let output = film.run(&["status"]);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(text.contains("next, by hand: br010/paint@1001,1003\n"), "{text}");
    let said = film.rebuild(&[]).well();
    let wanted =
        ["br010/grade@1001", "br010/grade@1002", "br010/grade@1003", "br010/paint@1002"].map(String::from);
    assert!(said.rendered.iter().eq(&wanted), "{:?}", said.rendered);
    assert_eq!(
        film.status_of("br010/paint"),
        json!([["1001", "stale"], ["1002", "fresh"], ["1003", "stale"]])
    );
    assert_eq!(film.renders(), film.clean());
    // What waits for a person has its file put back like any other.
    let before = film.renders();
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 6), "{}", said.json);
    assert_eq!(film.renders(), before);
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    std::fs::remove_dir_all(film.path().join(".endboard/objects")).unwrap();
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (4, 2), "{}", said.json);
    assert_eq!(film.renders(), before);
    assert_eq!(
        film.status_of("br010/paint"),
        json!([["1001", "stale"], ["1002", "fresh"], ["1003", "stale"]])
    );
    // One that cannot be taken in, for want of the picture under it, is not said to be.
    declare_painted(&film, 1.5);
    std::fs::remove_file(film.path().join("plates/shed.1003.exr")).unwrap();
    deliver(1003, 3000);
    assert_eq!(film.status_of("br010/paint"), json!([["1001-1002", "stale"], ["1003", "blocked"]]));
}

#[test]
fn a_full_disk_ends_the_run_and_costs_nothing_that_was_made() {
    let Some(disk) = Mounted::of("160k") else { return };
    let film = film_with("", 0.0);
    let clean = film.clean();
    disk.hold(&film);
    let ballast = disk.path().join("ballast");
    let mut weight = vec![0u8; 128 << 10];
    while std::fs::write(&ballast, &weight).is_err() {
        weight.truncate(weight.len() - 4096);
    }
    let said = film.rebuild(&["--jobs", "1"]);
    let ended = said.json["ended"].as_str().unwrap_or("").to_string();
    for (path, bytes) in film.renders() {
        assert_eq!(clean.get(&path), Some(&bytes), "{} was left half-made", path.display());
    }
    std::fs::remove_file(&ballast).unwrap();
    let again = film.rebuild(&[]);
    let renders = film.renders();
    assert_eq!(said.code, Some(4), "{}", said.errors);
    assert!(ended.contains("disk is full"), "{ended}");
    assert_eq!(again.well().json["ended"], json!(null));
    assert_eq!(renders, clean);
}

#[test]
fn a_command_that_finds_the_disk_full_ends_the_run_and_is_no_failure() {
    let Some(disk) = Mounted::of("100m") else { return };
    let film = film_with("command: 'sh tool.sh {picture} {out}'", 0.0);
    // It writes much beside what it makes, and ends without a word where it cannot.
    let tool = "dd if=/dev/zero of=\"$2.more\" bs=64k count=16 2>/dev/null || exit 1\ncp \"$1\" \"$2\"\n";
    film.write("tool.sh", tool);
    let clean = film.clean();
    disk.hold(&film);
    let ballast = disk.path().join("ballast");
    std::fs::write(&ballast, vec![0u8; (99 << 20) + (512 << 10)]).unwrap();
    for jobs in ["1", "2"] {
        let said = film.rebuild(&["--jobs", jobs]);
        let ended = said.json["ended"].as_str().unwrap_or_default();
        assert_eq!((said.code, &said.json["failures"]), (Some(4), &json!([])), "{}", said.json);
        assert!(ended.contains("the disk is full (") && ended.contains(".endboard/work"), "{ended}");
    }
    std::fs::remove_file(&ballast).unwrap();
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), clean);
}

#[test]
fn a_command_that_fails_for_its_own_reasons_on_a_nearly_full_disk_ends_no_run() {
    let Some(disk) = Mounted::of("100m") else { return };
    let film = film_with("command: 'sh tool.sh {picture} {out}'", 0.0);
    disk.hold(&film);
    let ballast = disk.filled_but_for(20 << 20);
    for tool in ["echo 'no such lamp' >&2; exit 3\n", "exit 3\n"] {
        film.write("tool.sh", tool);
        let said = film.rebuild(&[]);
        let failures = said.json["failures"].as_array().unwrap();
        assert_eq!(
            (said.code, failures.len(), &said.json["ended"]),
            (Some(1), 3, &json!(null)),
            "{}",
            said.json
        );
        let reason = failures[0]["reason"].as_str().unwrap();
        assert!(reason.contains("exit code 3, and the film's disk has less than 64 MiB left"), "{reason}");
    }
    // With just the same it is tried again, as room is no part of the key.
    assert_eq!(film.rebuild(&[]).json["failures"].as_array().unwrap().len(), 3);
    // Here is room for such pictures still: what says that it found none may speak of another disk, and is tried again.
    film.write("tool.sh", "echo 'cp: No space left on device' >&2; exit 1\n");
    for _ in 0..2 {
        let said = film.rebuild(&[]);
        let reason = said.json["failures"][0]["reason"].to_string();
        assert!(said.code == Some(1) && reason.contains("a disk was full by its log"), "{}", said.json);
    }
    // Where hardly anything can be written, no word of its own counts.
    film.write("tool.sh", "echo 'no such lamp' >&2; exit 3\n");
    std::fs::remove_file(ballast).unwrap();
    let ballast = disk.filled_but_for(700 << 10);
    let said = film.rebuild(&["--jobs", "1"]);
    assert_eq!((said.code, &said.json["failures"]), (Some(4), &json!([])), "{}", said.json);
    let ended = said.json["ended"].as_str().unwrap();
    assert!(
        ended.contains("tool@") && ended.contains("failed then: sh ended with exit code 3, log: .endboard/"),
        "{ended}"
    );
    std::fs::remove_file(ballast).unwrap();
    // With room, it is a failure that its key explains.
    let reason = film.rebuild(&[]).json["failures"][0]["reason"].to_string();
    assert!(reason.contains("exit code 3") && !reason.contains("MiB left"), "{reason}");
    let again = film.rebuild(&[]);
    assert_eq!(again.json["failures"], json!([]), "{}", again.json);
    film.write("tool.sh", "cp \"$1\" \"$2\"\n");
    film.rebuild(&[]).well();
}

#[test]
fn a_command_that_tells_of_another_full_disk_is_tried_again() {
    let film = film_with("command: 'sh tool.sh {picture} {out}'", 0.0);
    film.write("tool.sh", "echo 'cp: /elsewhere: No space left on device' >&2; exit 1\n");
    for _ in 0..2 {
        let said = film.rebuild(&[]);
        let failures = said.json["failures"].as_array().unwrap();
        assert_eq!((said.code, failures.len()), (Some(1), 3), "{}", said.json);
        assert!(failures[0]["reason"].as_str().unwrap().contains("a disk was full"), "{}", said.json);
    }
    film.write("tool.sh", "cp \"$1\" \"$2\"\n");
    film.rebuild(&[]).well();
}

/// Chromaticities of AP1 and ACES white: Academy S-2014-004; the attribute: OpenEXR's standard attributes.
#[test]
fn renders_say_what_their_numbers_mean() {
    let film = Film::new();
    film.write_plate("shed", 3);
    let declaration = |primaries: &str| {
        let (width, height) = SIZE;
        format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: {width}x{height}\nworking_space: acescg\nplates:\n  \
             shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709{primaries} }}\nshots:\n  \
             br010: {{ plate: shed, frames: 1001-1002, stages: {{ colour: {{ operator: grade }} }} }}\n"
        )
    };
    let samples = |path: &str| {
        let bytes = std::fs::read(film.path().join(path)).unwrap();
        endboard::media::exr::decode_image(&bytes).unwrap().plane_f32(0)
    };
    film.write("endboard.yaml", declaration(", primaries: ap1"));
    film.rebuild(&[]).well();
    let render = "renders/br010/colour/br010.1001.exr";
    let file = exr::meta::MetaData::read_from_file(film.path().join(render), true).unwrap();
    let said = file.headers[0].shared_attributes.chromaticities.expect("renders say it");
    let all = [said.red, said.green, said.blue, said.white].map(|exr::math::Vec2(x, y)| [x, y]);
    assert_eq!(all, [[0.713, 0.293], [0.165, 0.830], [0.128, 0.044], [0.32168, 0.33767]]);
    assert_eq!(samples(render), samples("plates/shed.1001.exr"), "the plate is in the film's space already");
    film.write("endboard.yaml", declaration(""));
    film.rebuild(&[]).well();
    assert_ne!(samples(render), samples("plates/shed.1001.exr"));
    film.write("endboard.yaml", declaration(", primaries: ap7"));
    let check = film.run(&["check"]);
    let words = String::from_utf8_lossy(&check.stdout).into_owned() + &String::from_utf8_lossy(&check.stderr);
    assert!(check.status.code() == Some(1) && words.contains("ap7") && words.contains("v-gamut"), "{words}");
}
