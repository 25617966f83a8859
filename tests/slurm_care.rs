//! What a person does, and what befalls a run, while it is on a cluster: it is cancelled, copied, left, held up, damaged, or changed
//! behind its back. On a real Slurm on loopback.

mod project;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use project::cluster::{Cluster, begun, long, read, rendered, waiting};
use project::{Film, copy_all, until};
use serde_json::Value;

/// The folder of the run that is out.
fn run_of(folder: &Path) -> PathBuf {
    let mut all = std::fs::read_dir(folder.join(".endboard/slurm")).unwrap().flatten().map(|e| e.path());
    all.find(|path| path.join("run.json").is_file()).expect("a run is out")
}

fn no_run(folder: &Path) -> bool {
    let all = std::fs::read_dir(folder.join(".endboard/slurm")).into_iter().flatten().flatten();
    !all.map(|entry| entry.path()).any(|path| path.join("run.json").is_file())
}

fn signal(run: &Child, name: &str) {
    assert!(Command::new("kill").args([name, &run.id().to_string()]).status().unwrap().success());
}

/// Kills the programs that make parts of a film.
fn kill_tasks(folder: &Path) {
    let words = format!("-C\0{}\0part\0", folder.display());
    for entry in std::fs::read_dir("/proc").unwrap().flatten() {
        let line = std::fs::read(entry.path().join("cmdline")).unwrap_or_default();
        if String::from_utf8_lossy(&line).contains(&words) {
            let number = entry.file_name().into_string().unwrap();
            assert!(Command::new("kill").args(["-KILL", &number]).status().unwrap().success());
        }
    }
}

/// Starts a rebuild there that tells in words, of which all is read.
fn telling(cluster: &Cluster, film: &Film) -> (Child, impl Iterator<Item = String> + use<>) {
    let mut command = cluster.command(film, &[]);
    let mut run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let lines = BufReader::new(run.stderr.take().unwrap()).lines().map_while(Result::ok);
    (run, lines)
}

#[test]
fn interrupting_asks_slurm_which_jobs_are_the_runs() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 1 }");
    let other = cluster.asked("sbatch", &["--parsable", "--hold", "--wrap", "true"]);
    let run = begun(&cluster, &film, 2);
    // Another's job stands in the note, and half of a number behind it.
    std::fs::write(run_of(film.path()).join("jobs"), format!("0 {}\n1 {}", other.trim(), other.trim()))
        .unwrap();
    signal(&run, "-INT");
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, &json["on_slurm"]["cancelled"]), (Some(130), &Value::from(true)), "{json}\n{errors}");
    let left = cluster.asked("squeue", &["--noheader", "--format=%A %T"]);
    assert_eq!(left.trim(), format!("{} PENDING", other.trim()), "the other's job, and nothing of the run");
    assert!(errors.contains("cancelling the run") && !errors.contains("frames being rendered"), "{errors}");
    assert!(no_run(film.path()));
    // Where nothing answers it cannot be cancelled: that is told, and the run stays.
    std::fs::remove_file(film.path().join("begun")).unwrap();
    let run = begun(&cluster, &film, 2);
    assert!(cluster.script("away").status().unwrap().success());
    signal(&run, "-INT");
    let (code, json, errors) = read(&long(run));
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert_eq!((code, &json["on_slurm"]["out"]), (Some(130), &Value::from(true)), "{json}\n{errors}");
    let name = run_of(film.path()).file_name().unwrap().to_str().unwrap().to_string();
    assert!(troubles.contains(&format!("scancel --name=endboard-{name}")), "{troubles}");
    // Whoever does not wait for that is told what becomes of it, whatever is being asked at that time.
    let (mut run, mut lines) = telling(&cluster, &film);
    assert!(lines.any(|line| line.contains("and it is followed")));
    signal(&run, "-INT");
    assert!(lines.any(|line| line.contains("cancelling the run")));
    signal(&run, "-INT");
    let told: Vec<String> = lines.collect();
    assert_eq!(run.wait().unwrap().code(), Some(130), "{told:?}");
    assert!(told.iter().any(|line| line.contains("`endboard rebuild --on slurm` follows it")), "{told:?}");
}

#[test]
fn a_copy_of_the_film_leaves_the_run_alone() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8 }");
    let run = begun(&cluster, &film, 1);
    let copy = tempfile::tempdir().unwrap();
    copy_all(film.path(), copy.path());
    std::fs::write(copy.path().join("go"), "").unwrap();
    let mut there = project::command(copy.path(), &["rebuild", "--on", "slurm"]);
    let output = there.env("SLURM_CONF", cluster.conf()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains(&format!("is of {}", film.path().canonicalize().unwrap().display())), "{said}");
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(cluster.states().iter().any(|state| state == "RUNNING"), "the original's goes on");
    film.write("go", "");
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
}

#[test]
fn a_follower_that_is_ended_says_that_the_run_goes_on() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    begun(&cluster, &film, 1).kill().unwrap();
    for name in ["-TERM", "-HUP"] {
        let (mut run, mut lines) = telling(&cluster, &film);
        assert!(lines.any(|line| line.contains("and it is followed")));
        signal(&run, name);
        assert!(lines.any(|line| line.contains("goes on on Slurm")), "{name}");
        lines.for_each(drop);
        assert_eq!(run.wait().unwrap().code(), Some(130), "{name}");
        assert!(!no_run(film.path()));
    }
    film.write("go", "");
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
}

#[test]
fn why_a_run_waits_is_told_once_and_so_is_a_lost_machine() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 2 }");
    cluster.asked("scontrol", &["update", "PartitionName=main", "State=DOWN"]);
    let (run, mut lines) = telling(&cluster, &film);
    let told = lines.find(|line| line.contains("PartitionDown")).unwrap();
    assert!(told.contains("4 tasks wait") && told.contains("sinfo"), "{told}");
    cluster.asked("scontrol", &["update", "PartitionName=main", "State=UP"]);
    until("the tasks", || film.path().join("begun").exists() && film.text("begun").lines().count() >= 4);
    assert!(cluster.script("lose").arg("n1").status().unwrap().success());
    let told: Vec<String> = {
        let mut before = Vec::new();
        let again = lines.find(|line| {
            before.push(line.clone());
            line.contains("begun again by Slurm, as n1 was lost")
        });
        assert!(again.is_some(), "{before:?}");
        before
    };
    assert!(!told.iter().any(|line| line.contains("PartitionDown")), "once: {told:?}");
    film.write("go", "");
    lines.for_each(drop);
    let output = long(run);
    assert_eq!(output.status.code(), Some(0));
}

#[test]
fn a_run_whose_tasks_are_over_needs_no_controller() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    let run = begun(&cluster, &film, 2);
    assert!(cluster.script("away").status().unwrap().success());
    film.write("go", "");
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
    let output = cluster.command(&film, &["--again"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(4), "{said}");
    assert!(said.contains("does not answer") && said.contains("scontrol ping"), "{said}");
}

#[test]
fn a_damaged_record_of_a_run_is_told_and_set_aside_once_nothing_of_it_runs() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    let mut run = begun(&cluster, &film, 2);
    run.kill().unwrap();
    run.wait().unwrap();
    let folder = run_of(film.path());
    let parts = folder.join("parts-0.jsonl");
    let whole = std::fs::read_to_string(&parts).unwrap();
    std::fs::write(&parts, &whole[..whole.len() / 2]).unwrap();
    let output = cluster.command(&film, &[]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("parts-0.jsonl") && said.contains("scancel --name=endboard-"), "{said}");
    assert_eq!(film.run(&["sweep", "--remove"]).status.code(), Some(3));
    // As the words say.
    let name = folder.file_name().unwrap().to_str().unwrap();
    cluster.asked("scancel", &[&format!("--name=endboard-{name}")]);
    until("its end", || cluster.states().iter().all(|state| state == "CANCELLED"));
    film.write("go", "");
    let (run, lines) = telling(&cluster, &film);
    let told: Vec<String> = lines.collect();
    assert_eq!(long(run).status.code(), Some(0), "{told:?}");
    assert!(told.iter().any(|line| line.contains("set aside as")), "{told:?}");
    assert!(folder.with_file_name(format!("damaged-{name}")).is_dir());
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_film_whose_folder_has_signs_in_its_name_has_its_logs_or_is_refused() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    film.write("go", "");
    let root = tempfile::tempdir().unwrap();
    for (name, want) in [("100%a salt", 0), ("salt\\works", 2)] {
        let folder = root.path().join(name);
        copy_all(film.path(), &folder);
        let mut there = project::command(&folder, &["rebuild", "--on", "slurm"]);
        let output = there.env("SLURM_CONF", cluster.conf()).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(want), "{name}: {said}");
        assert!(no_run(&folder), "{name}");
        if want == 2 {
            assert!(said.contains("backslash") && said.contains("rename the folder"), "{said}");
            continue;
        }
        let logs = std::fs::read_dir(folder.join(".endboard/logs")).unwrap().flatten();
        let names: Vec<String> = logs.map(|entry| entry.file_name().into_string().unwrap()).collect();
        assert_eq!(
            names.iter().filter(|name| name.starts_with("slurm-") && name.ends_with("-1.log")).count(),
            1
        );
    }
}

#[test]
fn a_film_that_was_moved_and_a_task_that_was_killed_are_told_as_what_they_are() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8 }");
    // Nobody starts before the film is elsewhere.
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=DRAIN", "Reason=test"]);
    cluster.rebuild(&film, &["--leave"]);
    let moved = tempfile::tempdir().unwrap();
    let folder = moved.path().join("film");
    copy_all(film.path(), &folder);
    std::fs::remove_dir_all(film.path()).unwrap();
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=RESUME"]);
    let rebuild = |more: &[&str]| {
        let mut command = project::command(&folder, &["rebuild", "--on", "slurm", "--json"]);
        command.args(more).env("SLURM_CONF", cluster.conf()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command.spawn().unwrap()
    };
    let (code, json, errors) = read(&long(rebuild(&[])));
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert_eq!(code, Some(1), "{json}\n{errors}");
    assert!(troubles.contains("left no log") && troubles.contains("(no log)"), "{troubles}");
    // The program that makes a part is killed, as by a kernel short of memory.
    let run = rebuild(&[]);
    until("the task", || folder.join("begun").exists());
    kill_tasks(&folder);
    std::fs::write(folder.join("go"), "").unwrap();
    let (code, json, errors) = read(&long(run));
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert_eq!(code, Some(1), "{json}\n{errors}");
    assert!(troubles.contains("it was killed") && troubles.contains("rebuild again"), "{troubles}");
}

#[test]
fn hours_of_a_task_that_are_damaged_are_told_and_kept() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8 }");
    film.write("go", "");
    cluster.rebuild(&film, &["--leave"]);
    cluster.until_over();
    let attempt = run_of(film.path()).join("parts/00000.0");
    let rows = std::fs::read_to_string(attempt.join("rows.jsonl")).unwrap();
    std::fs::write(attempt.join("rows.jsonl"), rows.replacen("br010", "br0l0", 1)).unwrap();
    let mut actions = std::fs::read(attempt.join("actions")).unwrap();
    let last = actions.len() - 5;
    actions[last] ^= 1;
    std::fs::write(attempt.join("actions"), actions).unwrap();
    let here = film.rebuild(&[]).well();
    let told = here.json["gathered"].to_string();
    assert!(told.contains("hours of its work are lost to the ledger: rows.jsonl:1"), "{told}");
    assert!(told.contains("what has none is rendered again"), "{told}");
    assert_eq!(here.rendered.len(), 1, "the frame whose record is damaged: {}", here.json);
    let logs: Vec<_> = std::fs::read_dir(film.path().join(".endboard/logs")).unwrap().flatten().collect();
    let kept = |end: &str| logs.iter().any(|log| log.file_name().to_str().unwrap().ends_with(end));
    assert!(kept("00000.0-rows.jsonl") && kept("00000.0-actions"));
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_pool_that_nothing_stands_for_is_held_all_the_same() {
    let Some(cluster) = Cluster::start() else { return };
    // Whoever finds another at it fails. Two shots have an array each, as one has another stage before.
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("tool.sh", "mkdir alone || exit 7\nsleep 0.1\ncp \"$1\" \"$2\"\nrmdir alone\n");
    let keyed = "keyed: { command: 'sh tool.sh {picture} {out}', pools: { key: 1 } }";
    let first = "first: { operator: grade, exposure: 0.1 }";
    let next = "next: { command: 'sh tool.sh {picture} {out}', from: { picture: keyed }, reach: 1, pools: { key: 1 } }";
    film.declare(&format!(
        "  br010: {{ plate: shed, frames: 1001-1004, stages: {{ {keyed}, {next} }} }}\n  \
           br020: {{ plate: shed, frames: 1001-1004, stages: {{ {first}, {keyed} }} }}\n"
    ));
    let text = film.text("endboard.yaml");
    film.write(
        "endboard.yaml",
        format!("{text}pools: {{ key: 1 }}\nslurm: {{ frames: 1, processors: 2 }}\n"),
    );
    let (run, lines) = telling(&cluster, &film);
    let told: Vec<String> = lines.collect();
    assert_eq!(long(run).status.code(), Some(0), "{told:?}");
    assert!(
        told.iter().any(|line| line.contains("pool 'key' has no entry in 'pools' of 'slurm'")),
        "{told:?}"
    );
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn what_is_out_is_told_and_left_to_the_cluster() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    let text = film.text("endboard.yaml");
    let more = "{frame}' }\n      colour: { operator: grade, exposure: 0.5, from: { picture: slow } }";
    film.write("endboard.yaml", text.replace("{frame}' }", more));
    let plan = {
        let mut command = cluster.command(&film, &["br010/slow", "--plan", "--json"]);
        let (code, json, errors) =
            read(&command.stdout(Stdio::piped()).stderr(Stdio::piped()).output().unwrap());
        assert_eq!(code, Some(0), "{json}\n{errors}");
        json
    };
    assert_eq!((&plan["on_slurm"]["tasks"], &plan["on_slurm"]["frames"]), (&Value::from(2), &Value::from(8)));
    let (code, json, errors) = cluster.rebuild(&film, &["br010/slow", "--leave"]);
    assert_eq!((code, &json["on_slurm"]["tasks"]), (Some(0), &Value::from(2)), "{json}\n{errors}");
    for words in [vec!["status"], vec!["why", "br010/slow"], vec!["rebuild", "--plan"]] {
        let (_, said) = film.said(&words);
        assert!(
            said.contains("0 of 2 parts are over") && said.contains("br010/slow@1001-1008"),
            "{words:?}: {said}"
        );
        let json = film.json(&words);
        let out = if words[0] == "status" { &json["on_slurm"] } else { &json["out"] };
        assert_eq!(out[0]["frames"][0]["frames"], "1001-1008", "{json}");
    }
    let (_, said) = film.said(&["rebuild", "--plan"]);
    assert!(said.contains("nothing to render"), "{said}");
    // Nor what needs it is made here, unless it is asked for.
    let (code, said) = film.said(&["rebuild"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("0 frames rendered") && said.contains("16 frames are out on a cluster"), "{said}");
    film.write("go", "");
    let here = film.rebuild(&["--here"]).well();
    assert_eq!(here.rendered.len() as u64 + here.restored(), 16, "{}", here.json);
    cluster.until_over();
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    assert!(no_run(film.path()));
}

#[test]
fn what_was_taken_in_before_is_among_what_was_submitted() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    film.write("go", "");
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=DRAIN", "Reason=test"]);
    cluster.rebuild(&film, &["--leave"]);
    let job = cluster.asked("squeue", &["--noheader", "--format=%F"]);
    let second = format!("{}_1", job.lines().next().unwrap().trim());
    cluster.asked("scontrol", &["hold", &second]);
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=RESUME"]);
    until("the first task", || cluster.states().iter().any(|state| state == "COMPLETED"));
    assert_eq!(film.run(&["rebuild"]).status.code(), Some(1), "the others are out");
    cluster.asked("scontrol", &["release", &second]);
    let output = cluster.command(&film, &[]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("4 frames rendered, 4 in place before,"), "{said}");
}

#[test]
fn frames_of_a_stage_that_changed_since_are_told_as_that_and_counts_add_up() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    film.write("go", "");
    cluster.rebuild(&film, &["--leave"]);
    cluster.until_over();
    let text = film.text("endboard.yaml");
    film.write("endboard.yaml", text.replace("{frame}'", "{frame} anew'"));
    let output = cluster.command(&film, &[]).output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    let said = String::from_utf8_lossy(&said).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(
        said.contains("8 frames were made of what br010/slow was; it, or what it needs, changed since"),
        "{said}"
    );
    assert!(said.contains("0 frames rendered, 8 not made") && said.contains("2 tasks on"), "{said}");
    let (run, lines) = telling(&cluster, &film);
    let told: Vec<String> = lines.collect();
    let output = long(run);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told:?}");
    assert!(told.iter().any(|line| line == "submitted to Slurm: 8 frames in 2 tasks of 1 job"), "{told:?}");
    assert!(said.contains("8 frames rendered;"), "{said}");
}
