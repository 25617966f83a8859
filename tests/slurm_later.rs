//! A controller that does not answer or has forgotten, and rebuilds here beside a run or after it. On a real Slurm on loopback, some
//! of whose programs a test puts others before.

mod project;

use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use endboard::media::exr;
use project::cluster::{Cluster, long, read, rendered, waiting};
use project::{Film, until};
use serde_json::Value;

/// Puts a program of the shell before the system's of the same name.
fn shim(film: &Film, name: &str, does: &str) {
    film.write(&format!("bin/{name}"), format!("#!/bin/sh\ncd '{}'\n{does}\n", film.path().display()));
    let path = film.path().join("bin").join(name);
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o755)).unwrap();
}

/// A rebuild there that finds such programs first.
fn command(cluster: &Cluster, film: &Film, more: &[&str]) -> Command {
    let mut command = cluster.command(film, more);
    let path = std::env::var("PATH").unwrap();
    command.arg("--json").env("PATH", format!("{}:{path}", film.path().join("bin").display()));
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// A run that is followed, of which so many frames have begun, and a controller that was asked since and has not answered.
fn unanswered(cluster: &Cluster, film: &Film, count: usize) -> Child {
    // One question is taken and never answered, or every one.
    let squeue =
        "if mv dumb asked 2>/dev/null || [ -e dead ]; then exec cat pipe; fi\nexec /usr/bin/squeue \"$@\"";
    shim(film, "squeue", squeue);
    let pipe = film.path().join("pipe");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let run = command(cluster, film, &[]).spawn().unwrap();
    let lines = || std::fs::read_to_string(film.path().join("begun")).unwrap_or_default().lines().count();
    until("the tasks", || lines() >= count);
    film.write("dumb", "");
    until("a question", || film.path().join("asked").exists());
    run
}

#[test]
fn a_controller_that_does_not_answer_holds_up_neither_the_end_of_a_run_nor_ctrl_c() {
    let Some(cluster) = Cluster::start() else { return };
    // Until a question counts as not answered twenty seconds pass, and that would be told.
    let film = waiting("{ frames: 4 }");
    let run = unanswered(&cluster, &film, 2);
    film.write("go", "");
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
    assert!(!errors.contains("does not answer"), "{errors}");
    let film = waiting("{ frames: 4 }");
    let run = unanswered(&cluster, &film, 2);
    interrupt(&run);
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, &json["on_slurm"]["cancelled"]), (Some(130), &Value::from(true)), "{json}\n{errors}");
    assert!(!errors.contains("does not answer"), "{errors}");
}

#[test]
fn whoever_does_not_wait_for_a_run_to_be_cancelled_is_told_at_once_how_to_do_it() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    let tool = film.text("wait.sh").replace("[ ! -e go ]", "[ ! -e go ] && [ ! -e go.$3 ]");
    film.write("wait.sh", tool);
    let mut run = unanswered(&cluster, &film, 2);
    film.write("dead", "");
    let mut lines = BufReader::new(run.stderr.take().unwrap()).lines().map_while(Result::ok);
    interrupt(&run);
    assert!(lines.any(|line| line.contains("cancelling what was submitted to Slurm: 2 of 2 parts")));
    // What comes to its end meanwhile is none that may go on.
    (1001..=1004).for_each(|frame| film.write(&format!("go.{frame}"), ""));
    let run_of = std::fs::read_dir(film.path().join(".endboard/slurm")).unwrap().flatten();
    let name = run_of.map(|entry| entry.file_name().into_string().unwrap()).find(|name| name.contains('-'));
    let name = name.unwrap();
    let parts = film.path().join(".endboard/slurm").join(&name).join("parts");
    let attempts = || std::fs::read_dir(&parts).unwrap().flatten();
    until("a part's end", || attempts().any(|attempt| attempt.path().join("end.json").exists()));
    interrupt(&run);
    // Before the process is ended, which says only that it left.
    let told = lines.next().unwrap();
    assert!(told.contains("1 of 2 parts may go on on Slurm"), "{told}");
    assert!(told.contains(&format!("`scancel --name=endboard-{name}`")), "{told}");
    let (code, json, _) = read(&long(run));
    assert_eq!((code, &json["on_slurm"]["out"]), (Some(130), &Value::from(true)), "{json}");
    film.write("go", "");
}

fn interrupt(run: &Child) {
    assert!(Command::new("kill").args(["-INT", &run.id().to_string()]).status().unwrap().success());
}

/// Runs whose tasks' time was up while nobody followed them. All at once, as Slurm looks at limits twice a minute.
fn timed_out(cluster: &Cluster, films: &[Film]) {
    let jobs: Vec<String> = films.iter().map(|film| begun_alone(cluster, film)).collect();
    jobs.iter().for_each(|job| cluster.ends_now(job));
    let state = |job: &str| {
        cluster.asked("squeue", &["--noheader", "--states=all", "--format=%T", &format!("--jobs={job}")])
    };
    let began = std::time::Instant::now();
    while let Some(job) = jobs.iter().find(|job| state(job).trim() != "TIMEOUT") {
        assert!(began.elapsed() < 3 * project::PATIENCE, "{job}: {}", state(job));
        std::thread::yield_now();
    }
}

/// A run that nobody follows and whose task is at work; gives its job.
fn begun_alone(cluster: &Cluster, film: &Film) -> String {
    let (code, json, errors) = cluster.rebuild(film, &["--leave"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    until("the task", || film.path().join("begun").exists());
    json["on_slurm"]["jobs"][0].to_string()
}

/// What the task of a film's run printed.
fn log(film: &Film) -> std::path::PathBuf {
    let logs = std::fs::read_dir(film.path().join(".endboard/logs")).unwrap().flatten();
    let mut logs = logs.map(|entry| entry.path());
    logs.find(|path| path.file_name().unwrap().to_string_lossy().starts_with("slurm-")).unwrap()
}

/// Seconds of work that a run would be, by what is known of its stage.
fn planned(cluster: &Cluster, film: &Film) -> f64 {
    let (_, json, errors) = cluster.rebuild(film, &["--plan"]);
    json["on_slurm"]["processor_seconds"].as_f64().unwrap_or_else(|| panic!("{json}\n{errors}"))
}

#[test]
fn a_time_limit_that_was_too_short_is_known_also_to_who_comes_later() {
    let Some(cluster) = Cluster::start() else { return };
    let [film, known, unknown] = [(); 3].map(|()| waiting("{ frames: 8, time: 1 }"));
    let films = [film, known, unknown];
    timed_out(&cluster, &films);
    let [film, known, unknown] = films;
    // Slurm knows nothing of it any more: what it wrote into the log is left.
    shim(&film, "squeue", "exit 0");
    let (code, json, errors) = read(&long(command(&cluster, &film, &[]).spawn().unwrap()));
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert!(code == Some(1) && troubles.contains("its time was up"), "{json}\n{errors}");
    assert_eq!(planned(&cluster, &film), 16.0, "as long again as where nothing is known");
    // Nor is there a log: its accounting knows, though nobody answers there at first.
    known.write("silent", "");
    let silent =
        "if mv silent asked 2>/dev/null; then echo 'sacct: error: Connection refused' >&2; exit 1; fi";
    for (film, sacct, says, seconds) in [
        (known, "echo \"$JOB|TIMEOUT|n1|$NAME\"", "its time was up", 16.0),
        (unknown, "exit 1", "why is not known; rebuild again", 8.0),
    ] {
        std::fs::write(log(&film), "").unwrap();
        shim(&film, "squeue", "exit 0");
        // The name of the run's jobs, and the job, as they were asked for.
        let run = "RUN=$(ls .endboard/slurm | grep -v '^startup$\\|^pace$'); NAME=endboard-$RUN";
        let job = "JOB=$(grep '^0 ' \".endboard/slurm/$RUN/jobs\" | cut -d' ' -f2)_0";
        shim(&film, "sacct", &format!("{silent}\n{run}\n{job}\n{sacct}"));
        let (code, json, errors) = read(&long(command(&cluster, &film, &[]).spawn().unwrap()));
        let troubles = json["on_slurm"]["troubles"].to_string();
        assert!(code == Some(1) && troubles.contains(says), "{says}: {json}\n{errors}");
        let is_told = errors.contains("Connection refused; it is asked again");
        assert_eq!(is_told, film.path().join("asked").exists(), "{errors}");
        assert_eq!(planned(&cluster, &film), seconds);
    }
}

#[test]
fn a_pool_that_a_run_and_a_rebuild_here_take_places_in_at_once_is_told_of() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8, pools: { lamp: {} } }");
    let text = film.text("endboard.yaml").replace("{frame}' }", "{frame}', pools: { lamp: 1 } }");
    let more = "  br020:\n    plate: shed\n    frames: 1001-1002\n    stages:\n      lit: { operator: grade, pools: { lamp: 1 } }\n";
    let at = text.find("slurm:").unwrap();
    film.write("endboard.yaml", format!("{}{more}pools: {{ lamp: 3 }}\n{}", &text[..at], &text[at..]));
    let (code, json, errors) = cluster.rebuild(&film, &["--leave", "br010"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    let told = |out: &std::process::Output| String::from_utf8_lossy(&out.stderr).into_owned();
    let beside = told(&film.run(&["rebuild", "br020"]));
    assert!(beside.contains("pool 'lamp' (3): taken up here and by a run on Slurm at once"), "{beside}");
    let nothing = told(&film.run(&["rebuild", "br020"]));
    assert!(!nothing.contains("pool 'lamp'"), "nothing is made here any more: {nothing}");
    film.write("go", "");
    cluster.until_over();
    assert_eq!(film.run(&["rebuild"]).status.code(), Some(0));
}

/// All renders of the store.
fn objects(folder: &Path) -> Vec<std::path::PathBuf> {
    let folders = std::fs::read_dir(folder.join(".endboard/objects")).unwrap().flatten();
    folders
        .flat_map(|folder| std::fs::read_dir(folder.path()).unwrap().flatten())
        .map(|file| file.path())
        .collect()
}

#[test]
fn a_render_with_another_head_is_written_anew_when_it_is_taken_in() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 8 }");
    film.write("go", "");
    cluster.rebuild(&film, &["--leave"]);
    cluster.until_over();
    let all = objects(film.path());
    for path in &all {
        // The same pixels, under a head that says nothing of what they mean.
        let image = exr::decode_image(&std::fs::read(path).unwrap()).unwrap();
        std::fs::remove_file(path).unwrap();
        std::fs::write(path, exr::encode(&image, exr::Compression::Zip, &[]).unwrap()).unwrap();
    }
    let here = film.rebuild(&[]).well();
    assert!(here.json["gathered"].to_string().contains("another head than is written here"), "{}", here.json);
    assert_eq!(film.renders(), film.clean());
    assert!(!all.is_empty());
}
