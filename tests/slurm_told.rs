//! What is told of a run on a cluster that went otherwise than planned: a full disk, settings that changed meanwhile, renders and records
//! that were damaged, partitions and requests that cannot be. On a real Slurm on loopback.

mod project;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use project::Film;
use project::cluster::{Cluster, long, rendered, waiting};
use project::disk::Mounted;
use serde_json::Value;

/// The film of [`waiting`], whose one stage runs this as `tool.sh`, with `{exposure}` in its words.
fn tooled(tool: &str, slurm: &str) -> Film {
    let film = waiting(slurm);
    film.write("tool.sh", tool);
    let text = film.text("endboard.yaml");
    film.write(
        "endboard.yaml",
        text.replace(
            "'sh wait.sh {picture} {out} {frame}'",
            "'sh tool.sh {picture} {out} {strength}', with: { strength: 1 }",
        ),
    );
    film
}

/// Changes the one setting of [`tooled`].
fn set(film: &Film, before: u32, now: u32) {
    let text = film.text("endboard.yaml");
    let changed = text.replace(&format!("strength: {before} }}"), &format!("strength: {now} }}"));
    assert_ne!(changed, text);
    film.write("endboard.yaml", changed);
}

/// What a rebuild there says in words, on both streams, and how it ended.
fn said(cluster: &Cluster, film: &Film, more: &[&str]) -> (Option<i32>, String) {
    let mut command = cluster.command(film, more);
    let run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let output = long(run);
    let text = [output.stdout, output.stderr].concat();
    (output.status.code(), String::from_utf8_lossy(&text).into_owned())
}

/// Submits all, and waits until it is over.
fn left(cluster: &Cluster, film: &Film) {
    let (code, json, errors) = cluster.rebuild(film, &["--leave"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    cluster.until_over();
}

const COPY: &str = "cp \"$1\" \"$2\"\n";
/// Writes a megabyte beside what it makes, and says nothing where it cannot.
const LARGE: &str =
    "dd if=/dev/zero of=\"$2.more\" bs=64k count=16 2>/dev/null || exit 1\ncp \"$1\" \"$2\"\n";

#[test]
fn a_full_disk_is_named_and_fails_no_frame_there_or_here() {
    let Some(cluster) = Cluster::start() else { return };
    let Some(disk) = Mounted::of("100m") else { return };
    let film = tooled(LARGE, "{ frames: 4 }");
    disk.hold(&film);
    let ballast = disk.filled_but_for(700 << 10);
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    let ended = json["ended"].as_str().unwrap_or_default();
    assert_eq!(code, Some(4), "{json}\n{errors}");
    assert!(ended.contains("the disk is full (") && ended.contains("No space left"), "{json}");
    assert_eq!(
        (json["failures"].as_array().unwrap().len(), &json["blocked"]),
        (0, &Value::from(0)),
        "{json}"
    );
    let troubles = json["on_slurm"]["troubles"].as_array().unwrap();
    assert!(troubles.len() == 1 && troubles[0].as_str().unwrap().contains("the disk is full"), "{json}");
    // Alone, the same is said, and nothing is kept as a failure.
    let here = film.rebuild(&[]);
    assert_eq!(here.code, Some(4), "{}", here.json);
    assert!(here.json["ended"].as_str().unwrap().contains("the disk is full"), "{}", here.json);
    assert_eq!(here.json["failures"], serde_json::json!([]), "{}", here.json);
    std::fs::remove_file(ballast).unwrap();
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!((code, rendered(&json).len()), (Some(0), 8), "{json}\n{errors}");
}

#[test]
fn a_task_that_finds_no_room_to_say_so_is_told_as_that() {
    let Some(cluster) = Cluster::start() else { return };
    let Some(disk) = Mounted::of("100m") else { return };
    let film = tooled(COPY, "{ frames: 8 }");
    disk.hold(&film);
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=DRAIN", "Reason=test"]);
    let (code, json, errors) = cluster.rebuild(&film, &["--leave"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    let ballast = disk.filled_but_for(12 << 10);
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=RESUME"]);
    project::until("the task's end", || cluster.states().iter().any(|state| state == "FAILED"));
    let (code, told) = said(&cluster, &film, &[]);
    assert_eq!(code, Some(4), "{told}");
    assert!(told.contains("full") || told.contains("No space left"), "{told}");
    std::fs::remove_file(ballast).unwrap();
    let (_, told) = said(&cluster, &film, &[]);
    let (code, json, errors) = cluster.rebuild(&film, &[]);
    assert_eq!((code, film.renders().len()), (Some(0), 8), "{told}\n{json}\n{errors}");
}

/// Seconds apart, what the ledger has of causes.
fn causes(film: &Film) -> Vec<String> {
    let json = film.json(&["hours"]);
    let all = json["by_cause"].as_array().unwrap_or_else(|| panic!("{json}"));
    let mut all: Vec<String> =
        all.iter().map(|cause| format!("{} {}", cause["name"], cause["frames"])).collect();
    all.sort();
    all
}

#[test]
fn a_setting_that_changed_while_a_run_was_out_is_the_cause_of_what_is_made_next() {
    let Some(cluster) = Cluster::start() else { return };
    let (film, alone) = (tooled(COPY, "{ frames: 4 }"), tooled(COPY, "{ frames: 4 }"));
    left(&cluster, &film);
    alone.rebuild(&[]).well();
    [&film, &alone].iter().for_each(|film| set(film, 1, 2));
    let (code, told) = said(&cluster, &film, &[]);
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("8 frames were made of what br010/slow was"), "{told}");
    let why = |film: &Film| film.said(&["why", "br010/slow@1003"]).1;
    assert!(why(&film).contains("strength"), "{}", why(&film));
    assert_eq!(why(&film), why(&alone));
    assert_eq!(film.renders(), alone.renders(), "as before the change");
    [&film, &alone].iter().for_each(|film| drop(film.rebuild(&[]).well()));
    assert_eq!(causes(&film), causes(&alone));
    // Nor where whoever takes it in makes what is due in the same breath.
    let besides = tooled(COPY, "{ frames: 4 }");
    left(&cluster, &besides);
    set(&besides, 1, 2);
    assert_eq!(besides.rebuild(&[]).well().rendered.len(), 8);
    assert_eq!(causes(&besides), causes(&alone));
}

/// Copies the plate of the frame that the setting says: on the cluster once it may, here at once.
const PLATE: &str = "echo $2 >> begun
[ -z \"$SLURM_JOB_ID\" ] || while [ ! -e go ]; do sleep 0.05; done
cp \"plates/shed.100$3.exr\" \"$2\"
";

#[test]
fn what_was_made_here_since_stays_and_a_run_that_is_ended_puts_in_place_what_there_is() {
    let Some(cluster) = Cluster::start() else { return };
    let film = tooled(PLATE, "{ frames: 4 }");
    let (code, json, errors) = cluster.rebuild(&film, &["--leave"]);
    assert_eq!(code, Some(0), "{json}\n{errors}");
    let lines = || std::fs::read_to_string(film.path().join("begun")).unwrap_or_default().lines().count();
    project::until("the tasks", || lines() >= 2);
    // Somebody is in a hurry, and renders two frames with other settings beside them.
    set(&film, 1, 2);
    assert_eq!(film.rebuild(&["--here", "br010/slow@1001-1002"]).well().rendered.len(), 2);
    let here = film.renders();
    set(&film, 2, 3);
    film.write("go", "");
    cluster.until_over();
    // It takes in what there is, and is ended before anything of the present settings is made.
    film.write("tool.sh", "echo $2 >> waits\nwhile :; do sleep 0.05; done\n");
    let run = film.command(&["rebuild", "--jobs", "1"]).stderr(Stdio::null()).spawn().unwrap();
    project::until("a call", || film.path().join("waits").exists());
    for name in ["-INT", "-TERM"] {
        assert!(Command::new("kill").args([name, &run.id().to_string()]).status().unwrap().success());
    }
    project::ended(run);
    let renders = film.renders();
    assert_eq!(renders.len(), 8);
    for (path, bytes) in &here {
        assert!(renders[path] == *bytes, "{} is older than it was", path.display());
    }
    let others = renders.iter().filter(|(path, _)| !here.contains_key(*path));
    assert!(others.clone().all(|(_, bytes)| here.values().all(|newer| newer != bytes)), "of the run");
}

#[test]
fn what_failed_before_a_setting_changed_is_told_with_its_log() {
    let Some(cluster) = Cluster::start() else { return };
    let film = tooled("echo the salt is wet; exit 3\n", "{ frames: 8 }");
    left(&cluster, &film);
    set(&film, 1, 2);
    let (code, told) = said(&cluster, &film, &[]);
    assert_eq!(code, Some(1), "{told}");
    assert!(
        told.contains("failed: br010/slow@1001-1008: 8 frames, as br010/slow was then")
            && told.contains("exit code 3"),
        "{told}"
    );
    assert!(told.contains(".endboard/logs/br010.slow.1001") && told.contains("8 not made"), "{told}");
}

/// Renders in the store.
fn objects(folder: &Path) -> Vec<PathBuf> {
    let folders = std::fs::read_dir(folder.join(".endboard/objects")).unwrap().flatten();
    let files = folders.flat_map(|folder| std::fs::read_dir(folder.path()).unwrap().flatten());
    files.map(|file| file.path()).collect()
}

fn damage(path: &Path) {
    let mut bytes = std::fs::read(path).unwrap();
    let middle = bytes.len() * 2 / 3;
    bytes[middle] ^= 0x55;
    std::fs::remove_file(path).unwrap();
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn renders_that_are_damaged_are_told_by_their_frames_and_nothing_is_said_to_have_changed() {
    let Some(cluster) = Cluster::start() else { return };
    let film = tooled(COPY, "{ frames: 8 }");
    let text = film.text("endboard.yaml");
    let more =
        "with: { strength: 1 } }\n      colour: { operator: grade, exposure: 0.5, from: { picture: slow } }";
    film.write("endboard.yaml", text.replace("with: { strength: 1 } }", more));
    left(&cluster, &film);
    objects(film.path()).iter().for_each(|path| damage(path));
    let (code, told) = said(&cluster, &film, &[]);
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("br010/colour@1005: damaged, and not taken as a render: "), "{told}");
    assert!(!told.contains("changed since") && told.contains("16 not made"), "{told}");
    assert_eq!(film.rebuild(&[]).well().rendered.len(), 16);
}

/// The folder of the run that is out.
fn run_of(folder: &Path) -> PathBuf {
    let mut all = std::fs::read_dir(folder.join(".endboard/slurm")).unwrap().flatten().map(|e| e.path());
    all.find(|path| path.join("run.json").is_file()).expect("a run is out")
}

#[test]
fn looks_tell_of_a_run_whose_record_is_damaged() {
    let Some(cluster) = Cluster::start() else { return };
    let film = waiting("{ frames: 4 }");
    cluster.rebuild(&film, &["--leave"]);
    let record = run_of(film.path()).join("run.json");
    let whole = std::fs::read(&record).unwrap();
    std::fs::write(&record, &whole[..whole.len() / 2]).unwrap();
    for words in [vec!["status"], vec!["why", "br010/slow"], vec!["rebuild", "--plan"]] {
        let (code, told) = film.said(&words);
        assert!(
            code == Some(0) && told.contains("run.json") && told.contains("scancel --name="),
            "{words:?}: {told}"
        );
        let json = film.json(&words);
        let out = if words[0] == "status" { &json["on_slurm"] } else { &json["out"] };
        assert!(out[0]["unreadable"].as_str().unwrap().contains("damaged"), "{json}");
    }
    let (_, told) = film.said(&["status"]);
    assert!(told.contains("may be under way on a cluster"), "{told}");
}

#[test]
fn why_a_run_that_was_left_waits_is_told_and_a_limit_of_a_partition_once() {
    let Some(cluster) = Cluster::start() else { return };
    cluster.asked("scontrol", &["create", "PartitionName=closed", "Nodes=n[1-2]", "State=DOWN"]);
    cluster.asked("scontrol", &["create", "PartitionName=short", "Nodes=n[1-2]", "MaxTime=1"]);
    let film = waiting("{ frames: 4, partition: closed }");
    let (code, told) = said(&cluster, &film, &["--leave"]);
    assert_eq!(code, Some(0), "{told}");
    // Nothing was rendered, and nothing is counted.
    assert!(!told.contains("0 frames rendered") && told.contains("2 tasks"), "{told}");
    let mut status = film.command(&["status"]);
    let asked = status.env("SLURM_CONF", cluster.conf()).output().unwrap();
    let status = String::from_utf8_lossy(&asked.stdout).into_owned();
    for said in [&told, &status] {
        assert!(said.contains("2 tasks wait (PartitionDown)"), "{said}");
        assert!(said.contains("Ctrl-C while it is followed cancels the run"), "{said}");
    }
    let film = waiting("{ frames: 4, partition: short, time: 5 }");
    let mut command = cluster.command(&film, &[]);
    let mut run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let lines = std::io::BufRead::lines(std::io::BufReader::new(run.stderr.take().unwrap()));
    let mut lines = lines.map_while(Result::ok);
    let told = lines.find(|line| line.contains(" wait (")).unwrap();
    assert!(told.contains("their partition or its machines cannot give what they ask for"), "{told}");
    // Slurm has called it by its other name too by the time that it tried to begin it.
    project::until("Slurm's other name", || {
        cluster.asked("squeue", &["--noheader", "--format=%r"]).contains("PartitionTimeLimit")
    });
    assert!(Command::new("kill").args(["-INT", &run.id().to_string()]).status().unwrap().success());
    let rest: Vec<String> = lines.collect();
    assert!(
        !rest.iter().any(|line| line.contains("their partition or its machines cannot give")),
        "{rest:?}"
    );
    assert_eq!(long(run).status.code(), Some(130));
}

#[test]
fn what_slurm_refuses_is_told_with_the_line_that_asks_for_it() {
    let Some(cluster) = Cluster::start() else { return };
    let asking = |slurm: &str| {
        let film = waiting(slurm);
        let text = film.text("endboard.yaml");
        let text = text.replace("{frame}' }", "{frame}', pools: { key: 1, card: 1 } }");
        film.write("endboard.yaml", format!("{text}pools: {{ key: 1, card: 1 }}\n"));
        let line = text.lines().position(|line| line.starts_with("slurm:")).unwrap() + 1;
        let (code, told) = said(&cluster, &film, &[]);
        assert_eq!(code, Some(2), "{told}");
        (told, format!("endboard.yaml:{line}"))
    };
    for (slurm, key, shows) in [
        (
            "{ pools: { key: { licenses: 'brine:1' }, card: {} } }",
            "see 'licenses' of pool 'key', ",
            "scontrol show licenses",
        ),
        ("{ pools: { key: {}, card: { gres: 'gpu:9' } } }", "'gres' of pool 'card', ", "sinfo --format="),
        ("{ partition: nights, pools: { key: {}, card: {} } }", "see 'partition', ", "sinfo --summarize"),
    ] {
        let (told, line) = asking(slurm);
        assert!(told.contains(key) && told.contains(&line) && told.contains(shows), "{slurm}: {told}");
    }
}

#[test]
fn what_is_guessed_is_called_a_guess_and_too_little_memory_is_told_before() {
    let Some(cluster) = Cluster::start() else { return };
    let film = tooled(COPY, "{ frames: 8, memory: 400MB }");
    let (code, told) = said(&cluster, &film, &["--plan"]);
    assert_eq!(code, Some(0), "{told}");
    assert!(told.contains("by a guess of 1.0 s a frame, as none was rendered before"), "{told}");
    left(&cluster, &film);
    film.rebuild(&[]).well();
    set(&film, 1, 2);
    let (_, told) = said(&cluster, &film, &["--plan"]);
    assert!(told.contains("by what frames took before"), "{told}");
    let text = film.text("endboard.yaml");
    film.write("endboard.yaml", text.replace("strength: 2 }", "strength: 2 }, memory: 800MB"));
    for words in [&["--plan"][..], &[]] {
        let (_, told) = said(&cluster, &film, words);
        assert!(told.contains("br010/slow says that a call takes 800 MB"), "{told}");
        // One task had all of it.
        assert!(words.len() == 1 || told.contains("1 task on 1 machine was at work for"), "{told}");
    }
}

#[test]
fn a_tool_that_broke_while_a_run_was_out_is_told_once() {
    let Some(cluster) = Cluster::start() else { return };
    let film = tooled(COPY, "{ frames: 1 }");
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=DRAIN", "Reason=test"]);
    cluster.rebuild(&film, &["--leave"]);
    let text = film.text("endboard.yaml");
    film.write("endboard.yaml", text.replace("{strength}'", "{strength} once'"));
    cluster.asked("scontrol", &["update", "NodeName=n[1-2]", "State=RESUME"]);
    let (code, told) = said(&cluster, &film, &[]);
    assert_eq!(code, Some(1), "{told}");
    assert_eq!(told.matches("is called otherwise there").count(), 1, "{told}");
    assert!(told.contains("br010/slow@1001 and 7 more parts on n1"), "{told}");
}
