//! Several people and one film: copies that edit, render and merge, by git and by a folder that is copied both ways.
//!
//! Knows the built program, the git of this machine, and the ledger's public face. What rows of one person come to other tests know.

mod project;

use std::collections::BTreeSet;
use std::path::Path;

use endboard::ledger::crew::Crew;
use endboard::ledger::file::read_all;
use endboard::ledger::row::What;
use project::copies::{Copy, git};
use project::packets::{grey, put};
use project::{PLATE, SIZE, head, picture};
use serde_json::json;

/// What keeps the lines of both sides of the ledger.
const ATTRIBUTES: &str = "/ledger/*.jsonl merge=union -text\n/recuts/history.jsonl merge=union -text\n";
/// What each machine makes for itself.
const IGNORE: &str = "/.endboard/\n/renders/\n/packets/\n";

/// Writes a film of three shots, one of which has a stage of hands.
fn film(copy: &Copy) {
    let graded = |shot: &str, exposure: &str| {
        format!(
            "  {shot}:
    plate: shed
    frames: 1001-1004
    stages:
      colour: {{ operator: grade, exposure: {exposure} }}
"
        )
    };
    let text = format!(
        "{}{}{}  br050:
    plate: shed
    frames: 1005-1008
    stages:
      cleanup: {{ by_hand: {{ files: \"hands/{{shot}}/cleanup.####.png\" }} }}
",
        head(),
        graded("br010", "0.1"),
        graded("br020", "0.2"),
    );
    copy.write("endboard.yaml", text);
    (PLATE.0..=PLATE.1).for_each(|n| copy.write(&format!("plates/shed.{n}.exr"), picture(SIZE, n as u64)));
}

/// Three clones of one bare repository that has the film. `writers` names whose ledgers they write.
fn clones(root: &Path, writers: [&str; 3], attributes: &str) -> [Copy; 3] {
    let said = git(root, &["init", "-q", "--bare", "film.git"]);
    assert!(said.0, "{said:?}");
    let copies = ["ana", "tomas", "ines"].map(|name| {
        let said = git(root, &["clone", "-q", "film.git", name]);
        assert!(said.0, "{said:?}");
        root.join(name)
    });
    let mut writers = writers.into_iter();
    let copies = copies.map(|at| Copy::new(at, writers.next().unwrap()));
    film(&copies[0]);
    copies[0].write(".gitignore", IGNORE);
    copies[0].write(".gitattributes", attributes);
    copies[0].commit("the film");
    assert!(copies[0].git(&["push", "-q", "-u", "origin", "HEAD:main"]).0);
    for copy in &copies[1..] {
        let said = copy.git(&["pull", "-q", "origin", "main"]);
        assert!(said.0, "{said:?}");
    }
    copies
}

/// Brings a copy and the common repository together, by a merge or by a rebase.
#[track_caller]
fn meet(copy: &Copy, way: &str) {
    for words in [&["pull", "-q", way, "origin", "main"][..], &["push", "-q", "origin", "HEAD:main"]] {
        let (well, said) = copy.git(words);
        assert!(well, "{}: {words:?}: {said}", copy.at.display());
    }
}

fn places(shot: &str) -> Vec<String> {
    (1001..=1004).map(|n| format!("{shot}/colour@{n}")).collect()
}

const MERGE: &str = "--no-rebase";
const REBASE: &str = "--rebase";

/// Three copies that edit, render and note apart, then meet in some order.
fn apart_and_together(writers: [&str; 3], order: &[(usize, &str)]) {
    let root = tempfile::tempdir().unwrap();
    let copies = clones(root.path(), writers, ATTRIBUTES);
    for copy in &copies {
        assert_eq!(copy.rebuild(), [places("br010"), places("br020")].concat());
        copy.commit("rendered");
    }
    let [ana, tomas, ines] = &copies;
    ana.edit("endboard.yaml", "exposure: 0.1", "exposure: 0.5");
    assert_eq!(ana.rebuild(), places("br010"));
    ana.well(&["approve", "br010", "--person", "ana"]);
    ana.well(&["clock", "add", "br010/colour", "1h", "--person", "ana"]);
    ana.commit("br010 lighter");
    tomas.edit("endboard.yaml", "exposure: 0.2", "exposure: 0.6");
    assert_eq!(tomas.rebuild(), places("br020"));
    tomas.well(&["approve", "br020", "--person", "tomas"]);
    tomas.well(&["notes", "add", "br010/colour@1002", "halo on the pole", "--person", "tomas"]);
    tomas.commit("br020 lighter");
    ines.well(&["notes", "add", "br020/colour@1003", "too wet", "--person", "ines"]);
    ines.well(&["clock", "add", "br020/colour", "30m", "--person", "ines"]);
    ines.well(&["handout", "br050", "--to", "joren"]);
    ines.commit("looked");

    for &(at, way) in order {
        meet(&copies[at], way);
    }
    // All have met once; those that met early take the rest.
    copies.iter().for_each(|copy| meet(copy, REBASE));
    // Each renders what changed for it, and nothing else.
    assert_eq!(ana.rebuild(), places("br020"));
    assert_eq!(tomas.rebuild(), places("br010"));
    assert_eq!(ines.rebuild(), [places("br010"), places("br020")].concat());
    for copy in &copies {
        assert_eq!(copy.rebuild(), Vec::<String>::new());
        copy.commit("rendered what others changed");
    }
    copies.iter().for_each(|copy| meet(copy, MERGE));
    copies.iter().for_each(|copy| meet(copy, MERGE));
    let all: Vec<_> = copies.iter().map(Copy::people).collect();
    assert!(all[0] == all[1] && all[1] == all[2], "{all:#?}");
    let [notes, approved, out, clock] = all[0].as_slice() else { panic!() };
    assert_eq!(notes["notes"].as_array().unwrap().len(), 2, "{notes}");
    let by: BTreeSet<&str> =
        approved["approvals"].as_array().unwrap().iter().map(|one| one["by"].as_str().unwrap()).collect();
    assert_eq!(by, BTreeSet::from(["ana", "tomas"]), "{approved}");
    let standing = approved["approvals"].as_array().unwrap().iter().map(|one| &one["standing"]);
    assert!(standing.into_iter().all(|standing| standing == "in force"), "{approved}");
    assert_eq!(out["packets"][0]["person"], "joren");
    assert_eq!(clock["week_seconds"], 5400.0, "{clock}");
    // No row was lost, none is read twice, and nothing is told as wrong.
    let (entries, problems) = read_all(&ana.at.join("ledger"));
    assert_eq!(problems, []);
    let worked = entries.iter().filter(|e| matches!(e.row.what, What::Crew(Crew::Worked(_)))).count();
    assert_eq!(worked, 2);
    let (code, out, err) = ana.run(&["check"]);
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert!(out.starts_with("no problems"), "{out}");
}

#[test]
fn what_failed_in_another_copy_is_told_as_that() {
    let root = tempfile::tempdir().unwrap();
    let [ana, _, ines] = clones(root.path(), ["ana@lamp", "tomas@pan", "ines@rake"], ATTRIBUTES);
    let command = "tool: { command: 'sh tool.sh {picture} {out}', from: { picture: plate } }";
    ana.edit("endboard.yaml", "colour: { operator: grade, exposure: 0.1 }", command);
    ana.write("tool.sh", "echo the salt is dry\ncp \"$1\" \"$2\"\n");
    ana.commit("a tool");
    [&ana, &ines].iter().for_each(|copy| meet(copy, MERGE));
    ines.well(&["rebuild", "br010"]);
    ines.commit("rendered");
    let log = ".endboard/logs/br010.tool.1001.log";
    assert_eq!(ines.text(log), "the salt is dry\n");
    ana.write("tool.sh", "echo the salt is wet; exit 7\n");
    assert_eq!(ana.run(&["rebuild", "br010"]).0, Some(1));
    ana.commit("tried");
    [&ana, &ines].iter().for_each(|copy| meet(copy, MERGE));
    // In hers nothing was tried yet, and the log that lies there is of what she made before.
    let why = ines.run(&["why", "br010/tool@1001"]).1;
    assert!(why.contains("the last attempt, ") && why.contains("exit code 7"), "{why}");
    assert!(!why.contains("its log is"), "{why}");
    assert_eq!(ines.json(&["status"])["failed_last"], json!([]));
    // What she tries herself is hers: a program that is not there may be there next time.
    ines.edit("endboard.yaml", "sh tool.sh", "./tool.sh");
    assert_eq!(ines.run(&["rebuild", "br010"]).0, Some(1));
    assert_eq!(ines.json(&["status"])["failed_last"][0]["frames"], "1001-1004");
    ines.commit("tried");
    ana.commit("tried");
    [&ines, &ana].iter().for_each(|copy| meet(copy, MERGE));
    assert_eq!(ana.json(&["status"])["failed_last"], json!([]));
}

#[test]
fn three_clones_with_ledgers_of_their_own_merge() {
    apart_and_together(["ana@shed", "tomas@attic", "ines@boat"], &[(0, MERGE), (1, MERGE), (2, MERGE)]);
}

#[test]
fn three_clones_that_write_one_ledger_merge_in_this_order_and_that() {
    apart_and_together(["keeper"; 3], &[(2, MERGE), (0, REBASE), (1, MERGE)]);
    apart_and_together(["keeper"; 3], &[(1, REBASE), (2, REBASE), (0, REBASE), (2, MERGE)]);
}

#[test]
fn a_ledger_with_a_conflict_left_in_it_is_read_whole_and_goes_on() {
    let root = tempfile::tempdir().unwrap();
    let [ana, tomas, _] = clones(root.path(), ["keeper"; 3], "");
    for (copy, words) in [(&ana, "halo"), (&tomas, "too wet")] {
        copy.well(&["notes", "add", "br010/colour@1002", words, "--person", "ana"]);
        copy.commit(words);
    }
    meet(&ana, MERGE);
    let (well, said) = tomas.git(&["pull", "-q", MERGE, "origin", "main"]);
    assert!(!well && said.contains("ledger/keeper.jsonl"), "{said}");
    assert!(tomas.text("ledger/keeper.jsonl").starts_with("<<<<<<<"));
    let (code, out, err) = tomas.run(&["notes"]);
    assert_eq!(code, Some(0));
    assert!(out.contains("halo") && out.contains("too wet"), "{out}");
    assert!(
        err.contains("ledger: keeper.jsonl:1: merge conflict left in the file; the rows of both sides count")
            && err.matches("keeper.jsonl").count() == 1,
        "{err}"
    );
    let check = tomas.json(&["check"]);
    let told = |check: &serde_json::Value| {
        let of = |p: &&serde_json::Value| p["message"] == "merge conflict left in the file";
        check["problems"].as_array().unwrap().iter().filter(of).cloned().collect::<Vec<_>>()
    };
    let problem = &told(&check)[0];
    assert_eq!(told(&check).len(), 1, "{check}");
    assert_eq!(
        (&problem["severity"], &problem["file"], &problem["line"]),
        (&json!("warning"), &json!("ledger/keeper.jsonl"), &json!(1))
    );
    let help = problem["help"].as_str().unwrap();
    assert!(help.starts_with("the rows of both sides count: keep them all, and take "), "{help}");
    // Writing goes on, and taking the marks away loses nothing.
    tomas.well(&["notes", "add", "br010/colour@1003", "soft", "--person", "tomas"]);
    let before = tomas.json(&["notes"]);
    assert_eq!(before["notes"].as_array().unwrap().len(), 3);
    let text = tomas.text("ledger/keeper.jsonl");
    let rows = text.lines().filter(|line| line.starts_with('{')).map(|line| format!("{line}\n"));
    tomas.write("ledger/keeper.jsonl", rows.collect::<String>());
    assert_eq!(tomas.json(&["notes"]), before);
    assert_eq!(tomas.run(&["notes"]).2, "");
    assert_eq!(told(&tomas.json(&["check"])).len(), 0);
    // A line that broke off is a fault of the ledger too, and the list of cuts is merged as it is.
    let rows = tomas.text("ledger/keeper.jsonl");
    tomas.write("ledger/keeper.jsonl", &rows[..rows.len() - 40]);
    tomas.write("recuts/history.jsonl", "{}\n<<<<<<< HEAD\n{}\n=======\n{}\n>>>>>>> ana\n");
    let check = tomas.json(&["check"]);
    let at = |p: &serde_json::Value| {
        format!("{}:{}: {}", p["file"].as_str().unwrap_or(""), p["line"], p["message"])
    };
    let all: Vec<String> = check["problems"].as_array().unwrap().iter().map(at).collect();
    let line = rows.lines().count();
    for told in [
        format!("ledger/keeper.jsonl:{line}: \"the last line breaks off\""),
        "recuts/history.jsonl:2: \"merge conflict left in the file\"".into(),
    ] {
        assert!(all.contains(&told), "no {told} in {all:?}");
    }
}

#[test]
fn a_conflict_in_a_file_that_people_edit_is_told_at_its_line() {
    let root = tempfile::tempdir().unwrap();
    let [ana, tomas, _] = clones(root.path(), ["ana", "tomas", "ines"], ATTRIBUTES);
    for (copy, exposure) in [(&ana, "exposure: 0.5"), (&tomas, "exposure: 0.6")] {
        copy.edit("endboard.yaml", "exposure: 0.1", exposure);
        copy.commit(exposure);
    }
    meet(&ana, MERGE);
    assert!(!tomas.git(&["pull", "-q", MERGE, "origin", "main"]).0);
    let text = tomas.text("endboard.yaml");
    let line = text.lines().position(|line| line.starts_with("<<<<<<<")).unwrap() + 1;
    for words in [&["check"][..], &["status"], &["rebuild"]] {
        let (code, out, err) = tomas.run(words);
        let said = out + &err;
        assert_eq!(code, Some(1), "{said}");
        let told = said.contains(&format!("endboard.yaml:{line}:1"))
            && said.contains("merge conflict left in the file");
        assert!(told && said.contains("1 error"), "{said}");
    }
    // The same in everything that the declaration names.
    let [_, _, ines] = clones(&root.path().join(make(root.path(), "second")), ["a", "b", "c"], ATTRIBUTES);
    let whole = ines.text("endboard.yaml");
    let marked = |before: &str| format!("{before}<<<<<<< HEAD\none\n=======\nother\n>>>>>>> tomas\n");
    let roto = "frames: 1001-1004\n    stages:\n      roto: { operator: roto, shapes: roto/br010.yaml }";
    let grade = |file: &str| format!("operator: grade, {file}, exposure: 0.1");
    for (name, before, text) in [
        ("cut/lock.edl", "TITLE: THE BRINE LAMP\n", whole.replace("shots:\n", "cut: cut/lock.edl\nshots:\n")),
        ("cut/lock.otio", "{\n", whole.replace("shots:\n", "cut: cut/lock.otio\nshots:\n")),
        ("roto/br010.yaml", "mattes:\n", whole.replacen("frames: 1001-1004\n    stages:", roto, 1)),
        (
            "grades/br010.cc",
            "<ColorCorrection>\n",
            whole.replacen("operator: grade, exposure: 0.1", &grade("cdl: grades/br010.cc"), 1),
        ),
        (
            "grades/look.cube",
            "TITLE \"look\"\n",
            whole.replacen("operator: grade, exposure: 0.1", &grade("look: grades/look.cube"), 1),
        ),
    ] {
        assert_ne!(text, whole, "{name}");
        ines.write("endboard.yaml", text);
        ines.write(name, marked(before));
        let said = ines.json(&["check"]);
        let problems = said["problems"].as_array().unwrap();
        let told = problems.iter().any(|p| {
            p["file"] == name
                && p["line"] == 2
                && p["message"].as_str().unwrap().contains("merge conflict left in the file")
        });
        assert!(told && said["errors"] == 1, "{name}: {said:#}");
    }
}

fn make(root: &Path, name: &str) -> String {
    std::fs::create_dir(root.join(name)).unwrap();
    name.into()
}

#[test]
fn check_says_what_git_keeps_and_should_not_and_the_other_way_round() {
    let root = tempfile::tempdir().unwrap();
    for (name, format) in [("one", "sha1"), ("other", "sha256")] {
        let copy = Copy::new(root.path().join(make(root.path(), name)).join("film"), "ana@shed");
        film(&copy);
        copy.rebuild();
        // In no work tree, and in one that does not keep the film, git is nobody's business.
        assert!(copy.well(&["check"]).starts_with("no problems"));
        let (well, said) =
            git(copy.at.parent().unwrap(), &["init", "-q", &format!("--object-format={format}")]);
        assert!(well, "{said}");
        assert!(copy.well(&["check"]).starts_with("no problems"));
        copy.git(&["add", "endboard.yaml"]);
        let said = copy.well(&["check"]);
        assert!(
            said.contains("git does not keep ledger/ana@shed.jsonl") && said.contains("git add ledger"),
            "{said}"
        );
        assert!(said.ends_with("1 warning: 3 shots, 3 stages\n"), "{said}");
        copy.git(&["add", "-A"]);
        for version in ["2", "4"] {
            assert!(copy.git(&["update-index", "--index-version", version]).0);
            let said = copy.well(&["check"]);
            for part in [
                "of .endboard/, which",
                "of renders/, which",
                "does not know how to merge the ledger",
                "3 warnings",
            ] {
                assert!(said.contains(part), "{name} {version}: {part}: {said}");
            }
        }
        copy.write(".gitignore", IGNORE);
        copy.write(".gitattributes", ATTRIBUTES);
        assert!(copy.git(&["rm", "-f", "-r", "-q", "--cached", ".endboard", "renders"]).0);
        assert!(copy.well(&["check"]).starts_with("no problems"), "{name}");
        // A second work tree of the same repository has an index of its own.
        copy.commit("the film");
        assert!(copy.git(&["worktree", "add", "-q", "../../beside", "HEAD"]).0, "{name}");
        let beside = Copy::new(root.path().join("beside/film"), "tomas@attic");
        beside.well(&["notes", "add", "br010/colour@1001", "halo"]);
        let said = beside.well(&["check"]);
        assert!(said.contains("git does not keep ledger/tomas@attic.jsonl"), "{said}");
        std::fs::remove_dir_all(root.path().join("beside")).unwrap();
    }
}

#[test]
fn frames_handed_to_two_are_told_after_the_merge() {
    let root = tempfile::tempdir().unwrap();
    let [ana, tomas, ines] = clones(root.path(), ["ana", "tomas", "ines"], ATTRIBUTES);
    let first = ana.json(&["handout", "br050", "--to", "joren"])["packet"].as_str().unwrap().to_string();
    let second =
        tomas.json(&["handout", "br050@1006-1008", "--to", "maren"])["packet"].as_str().unwrap().to_string();
    // Two who hand out to one person apart do not give one name.
    let third =
        ines.json(&["handout", "br050@1005", "--to", "joren"])["packet"].as_str().unwrap().to_string();
    assert_ne!(first, third);
    for copy in [&ana, &tomas, &ines] {
        copy.commit("handed out");
        meet(copy, MERGE);
    }
    meet(&ana, MERGE);
    for words in [&["status"][..], &["outstanding"]] {
        let said = ana.well_or_waiting(words);
        let told = "br050/cleanup@1006-1008 is out with several people: ";
        assert!(said.contains(told) && said.contains(&first) && said.contains(&second), "{said}");
    }
    let twice = &ana.json(&["outstanding"])["twice"];
    assert_eq!((&twice[0]["frames"], twice.as_array().unwrap().len()), (&json!("1006-1008"), 1), "{twice}");
    // One is closed in one copy while files of the other come back in another.
    ana.well(&["outstanding", "--close", &first]);
    ana.commit("closed");
    let packet = tomas.at.join("packets").join(&second);
    (1006..=1008).for_each(|n| put(&packet, "br050", n, &grey(n as u8)));
    tomas.well(&["takeback", packet.to_str().unwrap()]);
    tomas.commit("taken back");
    for copy in [&ana, &tomas, &ana, &ines, &tomas] {
        meet(copy, REBASE);
    }
    for copy in [&ana, &tomas, &ines] {
        let said = copy.json(&["outstanding"]);
        assert_eq!(said["twice"], json!([]));
        let left: Vec<&str> =
            said["packets"].as_array().unwrap().iter().map(|p| p["packet"].as_str().unwrap()).collect();
        assert_eq!(left, [&third]);
    }
    // The returned files travelled with the film; where they did not, going back says what is missing.
    assert_eq!(ines.json(&["takeback", "--go-back", "br050/cleanup@1006", "--return", "1"])["version"], 1);
    std::fs::remove_dir_all(ines.at.join("returns")).unwrap();
    std::fs::remove_dir_all(ines.at.join("hands")).unwrap();
    let (code, out, err) = ines.run(&["takeback", "--go-back", "br050/cleanup@1006", "--return", "1"]);
    let said = out + &err;
    assert!(code != Some(0) && said.contains("is not there, which return 1 of br050/cleanup"), "{said}");
}

/// An edit list of shots: source in and out, record in and out, in frames of the second.
fn list(shots: &[(&str, &str, &str, &str, &str)]) -> String {
    let mut text = "TITLE: THE BRINE LAMP\nFCM: NON-DROP FRAME\n".to_string();
    for (at, (shot, a, b, c, d)) in shots.iter().enumerate() {
        text += &format!(
            "{:03}  {shot:8} V     C        00:00:41:{a} 00:00:41:{b} 01:00:00:{c} 01:00:00:{d}\n",
            at + 1
        );
    }
    text
}

/// Two take up a cut each, apart. Whichever the merge keeps, there is a way back from it, the other is told, and can be taken up.
#[test]
fn of_two_cuts_taken_up_apart_either_may_stand_and_has_a_way_back() {
    for (kept, other, by) in
        [("cut/lock-2.edl", "cut/lock-3.edl", "tomas"), ("cut/lock-3.edl", "cut/lock-2.edl", "ana")]
    {
        let root = tempfile::tempdir().unwrap();
        let [ana, tomas, _] = clones(root.path(), ["ana", "tomas", "ines"], ATTRIBUTES);
        ana.write("cut/lock-1.edl", list(&[("br010", "17", "21", "00", "04")]));
        ana.write("cut/lock-2.edl", list(&[("br010", "17", "20", "00", "03")]));
        ana.write("cut/lock-3.edl", list(&[("br010", "18", "20", "00", "02")]));
        ana.edit("endboard.yaml", "shots:\n", "cut: cut/lock-1.edl\nshots:\n");
        ana.commit("a cut");
        meet(&ana, MERGE);
        meet(&tomas, MERGE);
        for (copy, cut) in [(&ana, "cut/lock-2.edl"), (&tomas, "cut/lock-3.edl")] {
            copy.well(&["recut", cut, "--take-up"]);
            copy.commit("taken up");
        }
        assert!(ana.git(&["push", "-q", "origin", "HEAD:main"]).0);
        // Both changed one line, which is a person's to settle.
        assert!(!tomas.git(&["pull", "-q", MERGE, "origin", "main"]).0);
        let (_, said, told) = tomas.run(&["check"]);
        let said = said + &told;
        assert!(said.contains("merge conflict left in the file"), "{said}");
        let settled: String = {
            let text = tomas.text("endboard.yaml");
            let lines = text.lines().filter(|line| {
                let is_mark = ["<<<<<<<", "=======", ">>>>>>>"].iter().any(|mark| line.starts_with(mark));
                !is_mark && *line != format!("cut: {other}")
            });
            lines.map(|line| format!("{line}\n")).collect()
        };
        tomas.write("endboard.yaml", settled);
        tomas.commit("settled");
        assert!(tomas.text("endboard.yaml").contains(&format!("cut: {kept}")));
        assert!(!tomas.text("recuts/history.jsonl").contains("<<<"));
        meet(&tomas, MERGE);
        meet(&ana, MERGE);
        for copy in [&ana, &tomas] {
            let said = copy.well(&["recut", "cut/lock-1.edl"]);
            assert!(said.contains(&format!("{by} took up {other} on ")), "{said}");
            assert!(!said.contains(&format!("took up {kept}")), "{said}");
            let said = copy.well(&["recut", "--go-back"]);
            assert!(said.starts_with("the film is cut by cut/lock-1.edl again"), "{said}");
            // The other is taken up like any, and gone back from like any.
            copy.well(&["recut", other, "--take-up"]);
            let said = copy.well(&["recut", "--go-back"]);
            assert!(said.starts_with("the film is cut by cut/lock-1.edl again"), "{said}");
        }
    }
}

#[test]
fn a_cut_taken_up_here_and_a_packet_handed_out_there_go_together() {
    let root = tempfile::tempdir().unwrap();
    let [ana, tomas, _] = clones(root.path(), ["ana", "tomas", "ines"], ATTRIBUTES);
    // Frame 1001 at 24 frames a second is 00:00:41:17.
    ana.write(
        "cut/lock-1.edl",
        list(&[("br010", "17", "21", "00", "04"), ("br050", "21", "23", "04", "06")]),
    );
    ana.write("cut/lock-2.edl", list(&[("br010", "17", "20", "00", "03")]));
    ana.edit("endboard.yaml", "shots:\n", "cut: cut/lock-1.edl\nshots:\n");
    ana.commit("a cut");
    meet(&ana, MERGE);
    meet(&tomas, MERGE);
    ana.well(&["recut", "cut/lock-2.edl", "--take-up"]);
    ana.commit("taken up");
    let packet = tomas.json(&["handout", "br050", "--to", "joren"])["packet"].as_str().unwrap().to_string();
    tomas.commit("handed out");
    meet(&ana, REBASE);
    meet(&tomas, MERGE);
    meet(&ana, MERGE);
    for copy in [&ana, &tomas] {
        assert!(copy.text("endboard.yaml").contains("lock-2.edl"));
        assert!(copy.well(&["check"]).starts_with("no problems"));
        assert!(copy.well_or_waiting(&["outstanding"]).contains(&packet));
    }
    // Either may go back.
    tomas.well(&["recut", "--go-back"]);
    assert!(tomas.text("endboard.yaml").contains("lock-1.edl"));
}

#[test]
fn one_row_that_two_people_correct_is_told_and_one_note_that_two_settle_is_settled() {
    let root = tempfile::tempdir().unwrap();
    let [ana, tomas, _] = clones(root.path(), ["ana", "tomas", "ines"], ATTRIBUTES);
    let row = ana.json(&["clock", "add", "br010/colour", "2h", "--person", "ana"]);
    ana.well(&["notes", "add", "br010/colour@1002", "halo"]);
    ana.well(&["clock", "start", "br020/colour", "--person", "ana"]);
    ana.commit("an evening");
    meet(&ana, MERGE);
    meet(&tomas, MERGE);
    let name =
        ana.json(&["clock"])["rows"][0]["name"].as_str().unwrap_or_else(|| panic!("{row}")).to_string();
    let note = ana.json(&["notes"])["notes"][0]["name"].as_str().unwrap().to_string();
    for (copy, took, words) in [(&ana, "1h", "softer"), (&tomas, "1h30m", "gone")] {
        copy.well(&["clock", "correct", &name, took]);
        copy.well(&["notes", "settle", &note, words]);
        // Both stop one clock.
        copy.well(&[
            "clock",
            "stop",
            "--person",
            "ana",
            "--took",
            if words == "gone" { "1m" } else { "0.5m" },
        ]);
        copy.commit(words);
    }
    meet(&ana, MERGE);
    meet(&tomas, REBASE);
    meet(&ana, MERGE);
    let both = [ana.people(), tomas.people()];
    assert_eq!(both[0], both[1]);
    let clock = &both[0][3];
    let contested = &clock["contested"][0];
    assert_eq!(
        (&contested["counts"]["by"], &contested["counts"]["seconds"]),
        (&json!("tomas"), &json!(5400.0)),
        "{clock}"
    );
    assert_eq!(contested["before"]["by"], "ana");
    // The clock counts once.
    assert_eq!((&clock["running"], &clock["week_seconds"]), (&json!([]), &json!(5400.0 + 30.0)), "{clock}");
    assert_eq!(clock["doubled"].as_array().unwrap().len(), 1);
    let said = ana.well(&["clock"]);
    let told = said
        .lines()
        .find(|line| line.starts_with(&format!("{name} was corrected to ")))
        .unwrap_or_else(|| panic!("{said}"));
    assert!(told.contains(" by ana and to ") && told.contains(" by tomas: the later counts"), "{told}");
    assert!(ana.well(&["notes"]).contains("no open notes"));
    // Whoever has seen both has the last word, and it is quiet.
    ana.well(&["clock", "correct", &name, "1h10m"]);
    ana.well(&["clock", "correct", &name, "1h15m"]);
    assert_eq!(ana.json(&["clock"])["contested"], json!([]));
}

/// The film's files that people share, without what each machine makes for itself and without the ledger.
fn share(from: &Copy, to: &Copy) {
    let mut folders = vec![from.at.clone()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            let below = path.strip_prefix(&from.at).unwrap();
            if [".endboard", "renders", "packets", "ledger"].iter().any(|own| below.starts_with(own)) {
                continue;
            }
            match path.is_dir() {
                true => folders.push(path),
                false => to.write(below.to_str().unwrap(), std::fs::read(&path).unwrap()),
            }
        }
    }
}

/// Puts a file in the place of another as programs that copy do: whole, under another name first.
fn arrive(to: &Copy, name: &str, bytes: &[u8]) {
    let beside = format!("{name}.arriving");
    to.write(&beside, bytes);
    std::fs::rename(to.at.join(beside), to.at.join(name)).unwrap();
}

fn bytes(copy: &Copy, name: &str) -> Vec<u8> {
    std::fs::read(copy.at.join(name)).unwrap()
}

#[test]
fn a_folder_that_is_copied_both_ways_comes_to_the_same_whatever_the_copying_leaves() {
    let root = tempfile::tempdir().unwrap();
    let copy = |name: &str, writer: &str| Copy::new(root.path().join(name), writer);
    // Two machines whose writer has one name, and a third.
    let (ana, tomas, ines) = (copy("ana", "keeper"), copy("tomas", "keeper"), copy("ines", "ines@boat"));
    film(&ana);
    share(&ana, &tomas);
    share(&ana, &ines);
    let own = "ledger/keeper.jsonl";
    let add = |copy: &Copy, words: &str| {
        copy.well(&["notes", "add", "br010/colour@1002", words, "--person", "ana"])
    };
    let notes = |copy: &Copy| copy.json(&["notes", "list", "--all"])["notes"].as_array().unwrap().len();
    for words in ["halo", "soft", "too wet"] {
        add(&ana, words);
    }
    add(&tomas, "crooked");
    tomas.well(&["clock", "add", "br010/colour", "1h", "--person", "tomas"]);
    // Both wrote the same file. Of each copy the other's arrives under a name of its own.
    let (of_ana, of_tomas) = (bytes(&ana, own), bytes(&tomas, own));
    arrive(&ana, "ledger/keeper (tomas's conflicted copy 2026-11-28).jsonl", &of_tomas);
    std::fs::rename(
        tomas.at.join(own),
        tomas.at.join("ledger/keeper.sync-conflict-20261128-201500-ABCDEFG.jsonl"),
    )
    .unwrap();
    arrive(&tomas, own, &of_ana);
    assert_eq!((notes(&ana), notes(&tomas)), (4, 4));
    assert_eq!(ana.people(), tomas.people());
    assert_eq!((ana.run(&["notes"]).2, tomas.run(&["notes"]).2), (String::new(), String::new()));
    // To the third comes half a file, and files that are on their way under other names.
    let half = of_ana.len() - 20;
    ines.write(own, &of_ana[..half]);
    ines.write("ledger/.keeper.jsonl.part", &of_ana[..half]);
    ines.write("ledger/~keeper.jsonl.tmp", &of_ana[..30]);
    let (_, out, err) = ines.run(&["notes"]);
    assert!(out.contains("halo") && out.contains("soft") && !out.contains("too wet"), "{out}");
    assert!(err.contains("ledger: keeper.jsonl:3: the last line breaks off; it is left out"), "{err}");
    // Meanwhile it writes on; what settles a note travels before the note.
    let name = ines.json(&["notes"])["notes"][0]["name"].as_str().unwrap().to_string();
    ines.well(&["notes", "settle", &name, "softer"]);
    let late = copy("late", "late");
    share(&ana, &late);
    arrive_all(&ines, &late, &["ledger/ines@boat.jsonl"]);
    assert_eq!(notes(&late), 0);
    assert_eq!(late.run(&["status"]).2, "");
    // All have written on while nothing was copied. Then everything reaches everybody, in another order each.
    add(&ana, "blue");
    add(&tomas, "green");
    let ledgers = |of: &Copy| -> Vec<(String, Vec<u8>)> {
        let all = std::fs::read_dir(of.at.join("ledger")).unwrap().map(|e| e.unwrap().file_name());
        let names = all.map(|n| format!("ledger/{}", n.to_str().unwrap())).filter(|n| n.ends_with(".jsonl"));
        names.map(|n| (n.clone(), bytes(of, &n))).collect()
    };
    let (of_ana, of_tomas, of_ines) = (ledgers(&ana), ledgers(&tomas), ledgers(&ines));
    let take = |to: &Copy, from: &[(String, Vec<u8>)], mark: &str| {
        for (name, bytes) in from {
            // What stands there differs, so the file that arrives is put beside it.
            let name = match to.at.join(name).exists() {
                true => name.replace(".jsonl", &format!("_conflict-{mark}.jsonl")),
                false => name.clone(),
            };
            arrive(to, &name, bytes);
        }
    };
    take(&ana, &of_ines, "i");
    take(&ana, &of_tomas, "t");
    take(&tomas, &of_ana, "a");
    take(&tomas, &of_ines, "i");
    take(&ines, &of_tomas, "t");
    take(&ines, &of_ana, "a");
    take(&late, &of_tomas, "t");
    take(&late, &of_ana, "a");
    let all: Vec<_> = [&ana, &tomas, &ines, &late].map(Copy::people).into();
    assert!(all.windows(2).all(|two| two[0] == two[1]), "{all:#?}");
    assert_eq!(notes(&late), 6);
    assert_eq!(late.json(&["notes"])["notes"].as_array().unwrap().len(), 5);
    // Of a text that two changed the copy is told, and nothing reads it.
    ana.write("endboard (tomas's conflicted copy 2026-11-28).yaml", "film: other\n");
    let said = ana.well(&["check"]);
    assert!(
        said.contains(
            "'endboard (tomas's conflicted copy 2026-11-28).yaml' beside it is a copy that nothing reads"
        ),
        "{said}"
    );
    // One of those that came was half there.
    assert!(said.contains("ledger/keeper_conflict-i.jsonl:"), "{said}");
    assert!(said.contains("warning: the last line breaks off"), "{said}");
    assert!(said.ends_with("2 warnings: 3 shots, 3 stages\n"), "{said}");
}

fn arrive_all(from: &Copy, to: &Copy, names: &[&str]) {
    names.iter().for_each(|name| arrive(to, name, &bytes(from, name)));
}
