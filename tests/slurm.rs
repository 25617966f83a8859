//! Rebuilds on a real Slurm: one controller and two node daemons on loopback, of this test's own.
//!
//! Knows a tiny film that has every kind of need between parts, and what a rebuild on this machine alone makes of it. Tests say
//! so and compare nothing where Slurm and munge are not installed or this is not root.

mod project;

use std::collections::BTreeSet;
use std::process::{Command, Stdio};

use project::cluster::{Cluster, begun, film, long, read, rendered, states, waiting};
use project::{Film, ended};
use serde_json::Value;

#[test]
fn what_comes_out_is_what_this_machine_alone_makes() {
    let Some(cluster) = Cluster::start() else { return };
    let (film, alone) = (film("{ frames: 2 }"), film("{ frames: 2 }"));
    let here = alone.rebuild(&[]).well();
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    assert_eq!(json["left"], 0);
    assert!(
        json["on_slurm"]["waves"].as_u64().unwrap() >= 3 && json["on_slurm"]["tasks"].as_u64().unwrap() > 5,
        "{json}"
    );
    assert_eq!(rendered(&json), rendered(&here.json));
    assert_eq!(json["alike"], here.json["alike"]);
    assert_eq!(film.renders(), alone.renders());
    assert_eq!(states(&film), states(&alone));
    let hours = |film: &Film| {
        let json = film.json(&["hours"]);
        let stages = json["by_stage"].as_array().unwrap();
        stages
            .iter()
            .map(|s| format!("{} {} {}", s["name"], s["frames"], s["failed_frames"]))
            .collect::<BTreeSet<_>>()
    };
    assert_eq!(hours(&film), hours(&alone));
    assert!(
        film.text("ledger/keeper.jsonl").contains("\"n1\"")
            || film.text("ledger/keeper.jsonl").contains("\"n2\"")
    );
    assert!(
        !film.path().join(".endboard/slurm").read_dir().unwrap().any(|e| e.unwrap().path().is_dir()),
        "closed"
    );
    // Nothing is left to do, here or there.
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    let (code, json, _) = cluster.rebuild(&film, &[]);
    assert_eq!((code, &json["on_slurm"]["tasks"], rendered(&json).len()), (Some(0), &Value::from(0), 0));
    // One frame changes: its parts only.
    [&film, &alone].iter().for_each(|film| film.write_plate_frame("shed", 1008, 99));
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    let here = alone.rebuild(&[]).well();
    assert_eq!(rendered(&json), rendered(&here.json));
    assert!(json["on_slurm"]["tasks"].as_u64().unwrap() <= 2, "{json}");
    assert_eq!(film.renders(), alone.renders());
}

#[test]
fn a_lost_node_costs_its_frames_in_flight_only() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 2 }");
    let run = begun(&cluster, &film, 4);
    assert!(cluster.script("lose").arg("n1").status().unwrap().success());
    film.write("go", "");
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, &json["left"]), (Some(0), &Value::from(0)), "{json}\n{errors}");
    assert_eq!(film.renders(), film.clean());
    let begun = film.text("begun").lines().count();
    assert!(begun > 8, "what was in hand was begun anew: {begun}");
}

#[test]
fn a_run_outlives_who_submitted_it_and_is_found_again() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 2 }");
    let mut run = begun(&cluster, &film, 2);
    run.kill().unwrap();
    run.wait().unwrap();
    let jobs = cluster.states().len();
    // A rebuild here says what is out, and sweeping waits.
    let swept = film.run(&["sweep", "--remove"]);
    assert_eq!(swept.status.code(), Some(3), "{}", String::from_utf8_lossy(&swept.stdout));
    let mut again = cluster.command(&film, &["--json"]);
    let run = again.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    film.write("go", "");
    let (code, json, errors) = read(&ended(run));
    assert_eq!((code, &json["on_slurm"]["found"]), (Some(0), &Value::from(true)), "{json}\n{errors}");
    assert_eq!(cluster.states().len(), jobs, "nothing was submitted twice");
    assert_eq!(film.renders(), film.clean());
    assert_eq!(rendered(&json).len(), 8);
}

#[test]
fn what_was_left_is_taken_in_by_a_rebuild_here() {
    let Some(cluster) = Cluster::start() else { return };
    let film = film("{ frames: 2 }");
    let (code, json, errors) = cluster.rebuild(&film, &["--leave"]);
    assert_eq!((code, &json["on_slurm"]["out"]), (Some(0), &Value::from(true)), "{json}\n{errors}");
    cluster.until_over();
    let here = film.rebuild(&[]).well();
    assert_eq!(here.rendered, BTreeSet::new(), "{}", here.json);
    assert!(here.restored() > 20);
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn interrupting_cancels_what_was_submitted_and_only_that() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 1 }");
    let other = cluster.asked("sbatch", &["--parsable", "--hold", "--wrap", "true"]);
    let run = begun(&cluster, &film, 2);
    let asked = Command::new("kill").args(["-INT", &run.id().to_string()]).status().unwrap();
    assert!(asked.success());
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, &json["on_slurm"]["cancelled"]), (Some(130), &Value::from(true)), "{json}\n{errors}");
    assert_eq!(json["left"], 8, "{json}\n{errors}");
    let left = cluster.asked("squeue", &["--noheader", "--format=%A %T"]);
    assert_eq!(left.trim(), format!("{} PENDING", other.trim()));
    // The next one goes on from there.
    film.write("go", "");
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
}

#[test]
fn a_node_with_another_version_or_another_tool_makes_nothing() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8 }");
    film.write("go", "");
    // The tasks are submitted and cannot start yet; meanwhile the tool changes.
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=DRAIN", "Reason=test"]);
    let (code, json, errors) = cluster.rebuild(&film, &["--leave"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    let text = film.text("endboard.yaml");
    film.write("endboard.yaml", text.replace("{picture} {out} {frame}", "{picture} {out} {frame} once"));
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=RESUME"]);
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert_eq!((code, &json["left"]), (Some(1), &Value::from(8)), "{json}\n{errors}");
    assert!(
        troubles.contains("br010/slow is called otherwise there") && troubles.contains("log:"),
        "{troubles}"
    );
    assert!(rendered(&json).is_empty() && !film.path().join("begun").exists());
    // So it is with another version of the program.
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=DRAIN", "Reason=test"]);
    cluster.rebuild(&film, &["--leave"]);
    let run = film
        .path()
        .join(".endboard/slurm")
        .read_dir()
        .unwrap()
        .map(|e| e.unwrap().path())
        .find(|p| p.is_dir())
        .unwrap();
    let version = format!("\"version\": \"{}\"", env!("CARGO_PKG_VERSION"));
    let told = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(told.contains(&version));
    std::fs::write(run.join("run.json"), told.replace(&version, "\"version\": \"0.0.1\"")).unwrap();
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=RESUME"]);
    let (code, json, _) = cluster.rebuild(&film, &[]);
    assert!(json["on_slurm"]["troubles"].to_string().contains("0.0.1 submitted the run"), "{json}");
    assert_eq!((code, rendered(&json).len()), (Some(1), 0));
}

#[test]
fn a_render_that_was_damaged_on_the_shared_disk_is_not_taken() {
    let Some(cluster) = Cluster::start() else { return };
    let film = film("{ frames: 2 }");
    let (code, json, errors) = cluster.rebuild(&film, &["--leave", "br020/colour"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    cluster.until_over();
    let objects = film.path().join(".endboard/objects");
    let first = objects
        .read_dir()
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path()
        .read_dir()
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let mut bytes = std::fs::read(&first).unwrap();
    let middle = bytes.len() * 2 / 3;
    bytes[middle] ^= 0x55;
    std::fs::remove_file(&first).unwrap();
    std::fs::write(&first, &bytes).unwrap();
    let here = film.rebuild(&["br020/colour"]).well();
    assert_eq!(here.rendered.len(), 1, "made anew: {}", here.json);
    assert!(here.json["gathered"].to_string().contains("damaged"), "{}", here.json);
    let clean = film.clean();
    assert!(film.renders().iter().all(|(path, bytes)| clean[path] == *bytes));
}

#[test]
fn failures_are_told_with_their_frames_and_what_needs_them_is_blocked() {
    let Some(cluster) = Cluster::start() else { return };
    let film = film("{ frames: 2 }");
    film.write("back.sh", "echo the salt is wet >&2; exit 3\n");
    let (code, json, errors) = cluster.rebuild(&film, &["br010/colour"]);
    assert_eq!(code, Some(1), "{json}\n{errors}");
    let failures = json["failures"].as_array().unwrap();
    assert!(failures.iter().all(|f| f["place"].as_str().unwrap().starts_with("br010/back@")), "{json}");
    assert!(!failures.is_empty() && failures[0]["reason"].to_string().contains("exit code 3"), "{json}");
    // What was made before is in place.
    assert!(rendered(&json).iter().any(|place| place.starts_with("br010/next@")), "{json}");
    assert_eq!((&json["left"], json["blocked"].as_u64().unwrap() > 0), (&Value::from(0), true), "{json}");
}

#[test]
fn slurm_that_refuses_or_is_not_there_is_told_and_leaves_nothing_behind() {
    let film = film("{ partition: nights }");
    let none = film.command(&["rebuild", "--on", "slurm"]).env("PATH", "/nowhere").output().unwrap();
    assert_eq!(none.status.code(), Some(2));
    let said = String::from_utf8_lossy(&none.stderr).into_owned();
    assert!(said.contains("is not on this machine") && said.contains("without '--on slurm'"), "{said}");
    let Some(cluster) = Cluster::start() else { return };
    let output = cluster.command(&film, &[]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("sbatch refused") && said.contains("partition"), "{said}");
    assert!(!film.path().join(".endboard/slurm").read_dir().unwrap().any(|e| e.unwrap().path().is_dir()));
    // A controller that goes away while a run is followed is waited for.
    let film = waiting("{ frames: 2 }");
    let run = begun(&cluster, &film, 2);
    assert!(cluster.script("away").status().unwrap().success());
    film.write("go", "");
    assert!(cluster.script("controller").status().unwrap().success());
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
}

#[test]
fn a_task_whose_time_is_up_says_so() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8, time: 1 }");
    let run = begun(&cluster, &film, 1);
    let job = cluster.asked("squeue", &["--noheader", "--format=%F"]);
    cluster.ends_now(job.lines().next().unwrap().trim());
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, &json["left"]), (Some(1), &Value::from(8)), "{json}\n{errors}");
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert!(troubles.contains("TIMEOUT") && troubles.contains("'time' in 'slurm'"), "{troubles}");
    // What it takes is not known yet; from now on parts with this stage are half as long.
    let planned = |film: &Film| {
        let mut command = cluster.command(film, &["--plan", "--json"]);
        read(&command.output().unwrap()).1["on_slurm"]["processor_seconds"].as_f64().unwrap()
    };
    assert_eq!((planned(&film), planned(&waiting("{ time: 1 }"))), (16.0, 8.0));
}
