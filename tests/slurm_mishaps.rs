//! What goes wrong on a cluster: memory that does not suffice, parts whose shots failed, clocks that differ, a disk that shows files
//! late, a gathering that is killed, a shared store that is there or is not. On a real Slurm on loopback.

mod project;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use project::bucket::{KEY, Server};
use project::cluster::{Cluster, begun, film, long, read, rendered, states};
use project::{Film, ended, until};
use serde_json::Value;

/// A film of `shots` shots of eight frames, of one command a frame and whatever else is said, and of what Slurm is told.
fn shots(shots: usize, stages: &str, tool: &str, slurm: &str) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("tool.sh", tool);
    let of =
        |n: usize| format!("  br{n:02}0: {{ plate: shed, frames: 1001-1008, stages: {{ {stages} }} }}\n");
    film.declare(&(1..=shots).map(of).collect::<String>());
    let text = film.text("endboard.yaml");
    film.write("endboard.yaml", format!("{text}slurm: {slurm}\n"));
    film
}

/// A frame and its neighbour.
const NEXT: &str = "next: { operator: grade, exposure: 0.1 }, \
    pair: { command: 'sh tool.sh {picture} {out} {frame}', from: { picture: next }, reach: 1 }";
const COPY: &str = "d=${1%/*}\ncp \"$d/picture.$3.exr\" \"$2\"\n";

/// Waits until all tasks are over, well or not.
fn over(cluster: &Cluster) {
    let is_over =
        |state: &String| !["PENDING", "RUNNING", "COMPLETING", "CONFIGURING"].contains(&state.as_str());
    until("the tasks' end", || cluster.states().iter().all(is_over));
}

/// Submits all, and waits until Slurm is done with it.
fn left(cluster: &Cluster, film: &Film) {
    let (code, json, errors) = cluster.rebuild(film, &["--leave"]);
    assert_eq!((code, &json["on_slurm"]["out"]), (Some(0), &Value::from(true)), "{json}\n{errors}");
    over(cluster);
}

/// Renders in the store.
fn objects(folder: &Path) -> Vec<PathBuf> {
    let folders = std::fs::read_dir(folder.join(".endboard/objects")).unwrap().flatten();
    let files = folders.flat_map(|folder| std::fs::read_dir(folder.path()).unwrap().flatten());
    files.map(|file| file.path()).collect()
}

/// Waits with the first frame of two shots, each for a file.
const GATES: &str = "d=${1%/*}\necho $4.$3 >> begun\n\
    if [ $4.$3 = br010.1001 ]; then while [ ! -e go ]; do sleep 0.05; done; fi\n\
    if [ $4.$3 = br020.1001 ]; then while [ ! -e never ]; do sleep 0.05; done; fi\n\
    cp \"$d/picture.$3.exr\" \"$2\"\n";

#[test]
fn tasks_wait_for_their_own_shot_only_and_one_that_fails_holds_up_no_other() {
    let Some(cluster) = Cluster::start() else { return };
    let stages = "first: { command: 'sh tool.sh {picture} {out} {frame} {shot}' }, \
        pair: { command: 'sh pair.sh {picture} {out} {frame} {shot}', from: { picture: first }, reach: 1 }";
    let film = shots(5, stages, GATES, "{ frames: 1 }");
    film.write("pair.sh", format!("echo $4 >> paired\n{COPY}"));
    let text = film.text("endboard.yaml").replace("frames: 1001-1008, stages", "frames: 1001-1005, stages");
    film.write("endboard.yaml", text);
    let mut command = cluster.command(&film, &["--json"]);
    let run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let count = |file: &str, words: &str| {
        std::fs::read_to_string(film.path().join(file)).unwrap_or_default().matches(words).count()
    };
    let jobs = || cluster.asked("squeue", &["--noheader", "--array", "--states=all", "--format=%F|%K|%T|%E"]);
    until("both gates", || count("begun", "br010.1001") + count("begun", "br020.1001") == 2);
    // The other shots come to their end, their second waves too, while two tasks of the first wave are not over.
    until("the other shots", || (3..=5).all(|n| count("paired", &format!("br0{n}0")) == 5));
    let listed = jobs();
    assert!(listed.contains("aftercorr"), "{listed}");
    assert!([0, 1].iter().all(|n| listed.contains(&format!("|{n}|RUNNING"))), "{listed}");
    // The second shot's is cancelled: its number in the array is the shot's.
    let job = listed.lines().find(|line| line.contains("|1|RUNNING")).unwrap().split('|').next().unwrap();
    cluster.asked("scancel", &[&format!("{job}_1")]);
    film.write("go", "");
    let (code, json, errors) = read(&long(run));
    assert_eq!(code, Some(1), "{json}\n{errors}");
    let made = rendered(&json);
    let of = |shot: &str| made.iter().filter(|place| place.starts_with(shot)).count();
    assert_eq!((of("br010/pair"), of("br020/pair"), of("br050/pair")), (5, 3, 5), "{made:?}");
    let troubles = json["on_slurm"]["troubles"].to_string();
    assert!(troubles.contains("what it needs did not come to its end"), "{troubles}");
    // Put right, only the rest of the second shot is made.
    film.write("never", "");
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!((code, &json["left"]), (Some(0), &Value::from(0)), "{json}\n{errors}");
    assert_eq!(rendered(&json).iter().filter(|place| place.starts_with("br020/")).count(), 3, "{json}");
    assert_eq!(rendered(&json).len(), 3, "{json}");
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_task_that_runs_out_of_memory_says_so() {
    let Some(cluster) = Cluster::start() else { return };
    // The shell holds a text of 300 MB, and waits to be ended.
    let tool = "x=$(head -c 300000000 /dev/zero | tr '\\0' x)\nwhile [ ! -e go ]; do sleep 0.05; done\ncp \"$1\" \"$2\"\n";
    let film = shots(1, "slow: { command: 'sh tool.sh {picture} {out}' }", tool, "{ memory: 120MB }");
    let (code, json, errors) = read(&long(
        cluster.command(&film, &["--json"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap(),
    ));
    assert_eq!((code, &json["left"]), (Some(1), &Value::from(8)), "{json}\n{errors}");
    let troubles = json["on_slurm"]["troubles"].to_string();
    // Without control groups Slurm calls it a failure; with them the state is OUT_OF_MEMORY.
    assert!(
        troubles.contains("it ran out of memory; ask for more with 'memory' in 'slurm'"),
        "{troubles}\n{:?}",
        cluster.states()
    );
    // With less to hold it goes on from there.
    film.write("go", "");
    film.write("tool.sh", "cp \"$1\" \"$2\"\n");
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
}

#[test]
fn what_stages_take_of_pools_is_asked_for_and_a_licence_is_had_by_one_at_a_time() {
    let Some(cluster) = Cluster::start() else { return };
    // Whoever finds another at it fails.
    let tool = "mkdir alone || exit 7\necho $3 >> begun\nwhile [ ! -e go ]; do sleep 0.05; done\ncp \"$1\" \"$2\"\nrmdir alone\n";
    let stages = "keyed: { command: 'sh tool.sh {picture} {out} {frame}', pools: { key: 1, card: 1 } }";
    let film = shots(
        1,
        stages,
        tool,
        "{ frames: 2, pools: { key: { licenses: 'keying:1' }, card: { gres: 'gpu:1' } } }\npools: { key: 1, card: 1 }",
    );
    let run = begun(&cluster, &film, 1);
    let jobs = cluster.asked("scontrol", &["show", "job"]);
    assert!(jobs.contains("Licenses=keying:1") && jobs.contains("gpu:1"), "{jobs}");
    film.write("go", "");
    let (code, json, errors) = read(&long(run));
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
    assert_eq!(json["on_slurm"]["tasks"], 4);
    // More than the cluster has is refused, in Slurm's words, and nothing is left behind.
    let text = film.text("endboard.yaml").replace("gpu:1", "gpu:9");
    film.write("endboard.yaml", text.replace("{frame}'", "{frame} anew'"));
    let output = cluster.command(&film, &[]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains("sbatch refused") && said.contains("see 'gres' of pool 'card', endboard.yaml:"),
        "{said}"
    );
}

#[test]
fn a_machine_whose_clock_is_an_hour_ahead_is_told_and_its_frames_are_made_and_counted_once() {
    let Some(cluster) = Cluster::start() else { return };
    let faked = ["/usr/lib/x86_64-linux-gnu/faketime", "/usr/lib/aarch64-linux-gnu/faketime"]
        .map(|folder| format!("{folder}/libfaketimeMT.so.1"));
    let Some(faked) = faked.iter().find(|path| Path::new(path).exists()) else {
        eprintln!("faketime is not installed: nothing compared");
        return;
    };
    let film = film("{ frames: 2 }");
    // What a task is given of the environment is the submitter's.
    let mut command = cluster.command(&film, &["--leave", "--json"]);
    command.env("LD_PRELOAD", faked).env("FAKETIME", "+3600");
    // Times of files are the shared disk's own, and spans of time are as long as ever.
    let output = command.env("NO_FAKE_STAT", "1").env("DONT_FAKE_MONOTONIC", "1").output().unwrap();
    let (code, json, errors) = read(&output);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    over(&cluster);
    let here = film.rebuild(&[]).well();
    let told = here.json["gathered"].to_string();
    assert!(told.contains("s ahead of the shared disk's") && told.contains("the clock of n"), "{told}");
    assert_eq!(here.rendered.len(), 0, "{}", here.json);
    assert_eq!(film.renders(), film.clean());
    let alone = self::film("{ frames: 2 }");
    alone.rebuild(&[]).well();
    assert_eq!((hours(film.path()), states(&film)), (hours(alone.path()), states(&alone)));
    // Rows that are written now, by a clock that is right, stand after those.
    for film in [&film, &alone] {
        project::cluster::declare(film, 0.75, "{ frames: 2 }");
        let again = film.rebuild(&[]).well();
        assert!(!again.rendered.is_empty(), "{}", again.json);
    }
    assert_eq!(hours(film.path()), hours(alone.path()));
    let why = |film: &Film| film.said(&["why", "br010/colour"]).1;
    assert_eq!(why(&film), why(&alone));
}

/// Frames by stage, of first passes and of rework, as the ledger has them.
fn hours(folder: &Path) -> Vec<String> {
    let output = project::command(folder, &["hours", "--json"]).output().unwrap();
    let json: Value = serde_json::from_slice(&output.stdout).unwrap();
    let of = |stage: &Value| format!("{} {} {}", stage["name"], stage["frames"], stage["failed_frames"]);
    let mut all: Vec<String> = json["by_stage"].as_array().unwrap().iter().map(of).collect();
    all.sort();
    all
}

#[test]
fn renders_that_the_disk_shows_late_are_waited_for_and_damaged_ones_are_not_taken() {
    let Some(cluster) = Cluster::start() else { return };
    let film = shots(2, NEXT, COPY, "{ frames: 4 }");
    left(&cluster, &film);
    let aside = tempfile::tempdir_in(film.path()).unwrap();
    let all = objects(film.path());
    assert!(all.len() >= 8, "{all:?}");
    let away = |path: &PathBuf| aside.path().join(path.file_name().unwrap());
    all.iter().for_each(|path| std::fs::rename(path, away(path)).unwrap());
    let mut command = cluster.command(&film, &[]);
    let mut run = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(run.stderr.take().unwrap()).lines().map_while(Result::ok);
    assert!(lines.any(|line| line.contains("does not show yet all that was made elsewhere")));
    // All of them come, one of them damaged.
    let mut bytes = std::fs::read(away(&all[0])).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x55;
    std::fs::remove_file(away(&all[0])).unwrap();
    std::fs::write(away(&all[0]), bytes).unwrap();
    all.iter().for_each(|path| std::fs::rename(away(path), path).unwrap());
    let told: Vec<String> = lines.collect();
    assert_eq!(ended(run).status.code(), Some(1), "{told:?}");
    assert!(told.iter().any(|line| line.contains("not made")), "{told:?}");
    // The damaged one is of a few frames; all others were taken in.
    let here = film.rebuild(&[]).well();
    assert!((1..16).contains(&here.rendered.len()), "{}", here.json);
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_gathering_that_is_killed_anywhere_is_done_again_and_counts_nothing_twice() {
    let Some(cluster) = Cluster::start() else { return };
    let film = shots(3, NEXT, COPY, "{ frames: 2 }");
    left(&cluster, &film);
    let clean = film.clean();
    let copy = |to: &Path| project::copy_all(film.path(), to);
    let whole = tempfile::tempdir().unwrap();
    copy(whole.path());
    project::rebuild(whole.path(), &[]).well();
    let want = hours(whole.path());
    assert!(want.iter().any(|line| line == "\"pair\" 24 0"), "{want:?}");
    let has = |folder: PathBuf| std::fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some());
    let mut cut_short = 0;
    for step in 0..12 {
        let other = tempfile::tempdir().unwrap();
        copy(other.path());
        let at = |path: &str| other.path().join(path);
        let count = |path: &str| std::fs::read_to_string(at(path)).unwrap_or_default().lines().count();
        let mut run = project::command(other.path(), &["rebuild"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // What a gathering leaves one after the other: what made what, rows, links, and in the end no folder of the run.
        let is_there = || match step % 4 {
            0 => std::fs::read_dir(at(".endboard/actions")).is_ok_and(|all| all.count() > step),
            1 => count("ledger/keeper.jsonl") > step / 4,
            2 => has(at("renders/br020/pair")),
            _ => has(at("renders/br030/next")),
        };
        until("the step", || is_there() || run.try_wait().unwrap().is_some());
        let _ = run.kill();
        cut_short += usize::from(!run.wait().unwrap().success());
        let again = project::rebuild(other.path(), &[]).well();
        assert_eq!(again.rendered.len(), 0, "step {step}: {}", again.json);
        assert_eq!(project::renders(other.path()), clean, "step {step}");
        assert_eq!(hours(other.path()), want, "step {step}");
        let left = std::fs::read_dir(at(".endboard/slurm")).unwrap().flatten();
        // A folder that is no run any more may be left; the next run clears it away.
        let is_run = |entry: std::fs::DirEntry| entry.path().join("run.json").is_file();
        assert!(!left.into_iter().any(is_run), "step {step}: the run is closed");
    }
    assert!(cut_short > 0, "none was cut short");
}

/// Keys of the server, in the profile of whoever submits: tasks find them there, and not in their environment.
fn with_keys(command: &mut Command, home: &Path) {
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("AWS_")) {
        command.env_remove(name);
    }
    let folder = home.join(".aws");
    std::fs::create_dir_all(&folder).unwrap();
    let keys = format!("[default]\naws_access_key_id = {}\naws_secret_access_key = {}\n", KEY.0, KEY.1);
    std::fs::write(folder.join("credentials"), keys).unwrap();
    command.env_remove("ENDBOARD_SHARED").env("HOME", home);
}

#[test]
fn tasks_take_what_the_crew_rendered_and_what_they_made_is_sent() {
    let Some(server) = Server::start() else { return };
    let Some(cluster) = Cluster::start() else { return };
    let sharing = |n: usize| {
        let film = shots(n, NEXT, COPY, "{ frames: 4 }");
        let text = film.text("endboard.yaml");
        film.write("endboard.yaml", text + &server.declared());
        film
    };
    let rebuilt = |film: &Film, more: &[&str]| {
        let mut command = cluster.command(film, more);
        with_keys(&mut command, film.path());
        read(&command.arg("--json").output().unwrap())
    };
    // One member renders a shot here; the film that goes to the cluster has a second one.
    let ana = sharing(1);
    let mut command = ana.command(&["rebuild"]);
    with_keys(&mut command, ana.path());
    assert!(command.output().unwrap().status.success());
    let (there, film) = (server.files("/actions/").len(), sharing(2));
    film.write_plate("shed", 3);
    let (code, json, errors) = rebuilt(&film, &[]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    // Both shots show the same frames of the plate, so that all is there; whoever reads only sends nothing.
    assert_eq!((json["shared"].as_u64(), rendered(&json).len()), (Some(32), 0), "{json}\n{errors}");
    assert_eq!(film.renders(), film.clean());
    // A change is rendered there, and sent by whoever takes it in.
    let text = film.text("endboard.yaml").replace("exposure: 0.1", "exposure: 0.2");
    film.write("endboard.yaml", &text);
    let (code, json, errors) = rebuilt(&film, &["--sharing", "take"]);
    assert_eq!((code, json["shared"].as_u64()), (Some(0), Some(0)), "{json}\n{errors}");
    assert_eq!(server.files("/actions/").len(), there, "a member that only takes sends nothing: {errors}");
    film.write("endboard.yaml", text.replace("exposure: 0.2", "exposure: 0.3"));
    let (code, json, errors) = rebuilt(&film, &[]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    assert_eq!(server.files("/actions/").len(), 2 * there, "{json}\n{errors}");
    let tomas = sharing(2);
    tomas.write("endboard.yaml", film.text("endboard.yaml"));
    let mut command = tomas.command(&["rebuild", "--json"]);
    with_keys(&mut command, tomas.path());
    let (_, json, _) = read(&command.output().unwrap());
    // Frames of two shots that are alike are asked for once here.
    let had = json["shared"].as_u64().unwrap() + json["restored"].as_u64().unwrap();
    assert_eq!((rendered(&json).len(), had), (0, 32), "{json}");
    assert_eq!(tomas.renders(), film.renders());
    // Keys of the environment reach no task, and the way on is one that a task can go.
    film.write("endboard.yaml", text.replace("exposure: 0.2", "exposure: 0.35"));
    let mut command = cluster.command(&film, &[]);
    with_keys(&mut command, film.path());
    let nobody = film.path().join("nobody");
    command.env("HOME", nobody).env("AWS_ACCESS_KEY_ID", KEY.0).env("AWS_SECRET_ACCESS_KEY", KEY.1);
    let (code, json, errors) = read(&command.arg("--json").output().unwrap());
    let told = json["gathered"].as_array().unwrap();
    let is_told =
        told.len() == 1 && told[0].as_str().unwrap().contains("under [default] in ~/.aws/credentials");
    assert!(
        code == Some(0) && is_told && !json["gathered"].to_string().contains("AWS_SECRET"),
        "{json}\n{errors}"
    );
    // Without the network it is rendered all the same, and told in one line of the tasks and one of whoever submits.
    server.kill();
    film.write("endboard.yaml", text.replace("exposure: 0.2", "exposure: 0.4"));
    let (code, json, errors) = rebuilt(&film, &[]);
    assert_eq!((code, json["left"].as_u64()), (Some(0), Some(0)), "{json}\n{errors}");
    let told = json["gathered"].as_array().unwrap();
    assert!(told.len() == 1 && told[0].as_str().unwrap().starts_with("on the cluster: s3://"), "{json}");
    assert!(errors.matches("is not to be had").count() <= 1, "{errors}");
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn elapsed_and_machine_time_are_told_and_so_are_logs_of_commands() {
    let Some(cluster) = Cluster::start() else { return };
    let tool = format!("if [ $3 = 1003 ]; then echo the salt is wet >&2; exit 3; fi\n{COPY}");
    let film = shots(1, NEXT, &tool, "{ frames: 4 }");
    let output = cluster.command(&film, &[]).output().unwrap();
    let (said, errors) =
        (String::from_utf8_lossy(&output.stdout).into_owned(), String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(1), "{said}{errors}");
    // As of a failure here: its place, why, the end of what the command printed, and where all of it lies.
    assert!(said.contains("failed: br010/pair@1003") && said.contains("    the salt is wet"), "{said}");
    let log = said
        .lines()
        .find_map(|line| line.trim().strip_prefix("whole log: "))
        .unwrap_or_else(|| panic!("{said}"));
    assert!(std::fs::read_to_string(log).unwrap().contains("the salt is wet"), "{log}");
    assert!(said.contains("were at work for") && said.contains("until their first frames"), "{said}");
    let why = film.said(&["why", "br010/pair@1003"]).1;
    assert!(why.contains(".endboard/logs/br010.pair.1003"), "{why}");
    film.write("tool.sh", COPY);
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    let seconds = |of: &Value| of.as_f64().unwrap();
    let on = &json["on_slurm"];
    assert_eq!(on["tasks_over"], on["tasks"]);
    assert!(seconds(&on["task_seconds"]) > seconds(&on["startup_seconds"]), "{json}");
    assert!(
        seconds(&on["startup_seconds"]) > 0.0 && !on["machines"].as_array().unwrap().is_empty(),
        "{json}"
    );
    // The clock was looked at from the submission on: no task takes longer than all of it.
    let tasks = seconds(&on["tasks_over"]).max(1.0);
    assert!(seconds(&json["elapsed_seconds"]) * tasks >= seconds(&on["task_seconds"]), "{json}");
}
