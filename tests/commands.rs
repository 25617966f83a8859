//! Commands of the user's: what they cost in the ledger, and what is left of them when a rebuild is told to stop.
//!
//! Knows a tiny film with one command stage, called for a frame, a run or a whole shot. Commands that must last
//! wait for a pipe that nobody writes to, so that nothing here hangs on time.

mod project;

use std::fs::Permissions;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::process::{Child, Stdio};

use project::{COPY, Film, ended, until};
use rustix::process::{Pid, Signal};
use serde_json::Value;

/// How a command may be called.
const EACH: [&str; 3] = ["frame", "run", "shot"];

/// Two shots; the second has a stage made by `tool.sh`, which is `script`.
fn film(each: &str, more: &str, script: &str) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("tool.sh", script);
    film.declare(&format!(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      colour: {{ operator: grade, from: {{ picture: plate }}, exposure: 1 }}
  br020:
    plate: shed
    frames: 1004-1006
    stages:
      tool: {{ command: 'sh tool.sh {{picture}} {{out}} {{first}}', each: {each}, from: {{ picture: plate }}{more} }}
      colour: {{ operator: grade, from: {{ picture: tool }}, exposure: 1 }}
"
    ));
    film
}

/// What `hours` tells of a stage.
fn hours_of(film: &Film, stage: &str) -> Value {
    let hours = film.json(&["hours"]);
    let stages = hours["by_stage"].as_array().unwrap();
    stages.iter().find(|s| s["name"] == stage).unwrap_or_else(|| panic!("no {stage} in {hours}")).clone()
}

/// Seconds of processor time that shells wrote down by `times`, children included.
fn told(film: &Film) -> f64 {
    let text = std::fs::read_to_string(film.path().join("told")).unwrap();
    let seconds = |word: &str| {
        let (minutes, seconds) = word.trim_end_matches('s').split_once('m').unwrap();
        minutes.parse::<f64>().unwrap() * 60.0 + seconds.parse::<f64>().unwrap()
    };
    text.split_whitespace().map(seconds).sum()
}

#[test]
fn the_ledger_has_the_processor_time_and_peak_memory_of_commands() {
    const TAKES: u64 = 96 << 20;
    let work = format!(
        "i=0; while [ $i -lt 50000 ]; do i=$((i+1)); done\n\
         dd if=/dev/zero of=/dev/null bs={TAKES} count=1 2> /dev/null\ntimes >> told\n"
    );
    for each in EACH {
        let film = film(each, "", &format!("{work}{COPY}"));
        let said = film.rebuild(&["--jobs", "1"]).well();
        let hours = hours_of(&film, "tool");
        let (told, cpu) = (told(&film), hours["processor_seconds"].as_f64().unwrap());
        assert!(told > 0.0 && cpu >= told, "{each}: told {told}, {hours}");
        assert!(said.json["processor_seconds"].as_f64().unwrap() >= told, "{each}: {}", said.json);
        let peak = hours["peak_memory_bytes"].as_u64().unwrap();
        assert!((TAKES..2 * TAKES).contains(&peak), "{each}: {hours}");
        assert_eq!((&hours["frames"], &hours["failed_seconds"]), (&3.into(), &0.0.into()), "{each}");
        assert!(hours_of(&film, "colour")["peak_memory_bytes"].is_null(), "{each}");
    }
    for each in EACH {
        // Every try counts, failed as it is.
        let film = film(each, ", retries: 1", &format!("{work}exit 7\n"));
        assert_eq!(film.rebuild(&["--jobs", "1"]).code, Some(1));
        let hours = hours_of(&film, "tool");
        let (told, cpu) = (told(&film), hours["processor_seconds"].as_f64().unwrap());
        assert!(told > 0.0 && cpu >= told, "{each}: told {told}, {hours}");
        assert!(hours["peak_memory_bytes"].as_u64().unwrap() >= TAKES, "{each}: {hours}");
        assert_eq!((&hours["frames"], &hours["failed_frames"]), (&0.into(), &3.into()), "{each}");
    }
}

#[test]
fn a_command_whose_renders_are_not_kept_is_paid_for_by_who_needs_it() {
    let script = format!("i=0; while [ $i -lt 50000 ]; do i=$((i+1)); done\ntimes >> told\n{COPY}");
    let film = film("frame", ", keep: false", &script);
    film.rebuild(&["br020/tool"]).well();
    std::fs::remove_file(film.path().join("told")).unwrap();
    // The grade needs pixels that are nowhere any more, so that the command is called again for it.
    film.rebuild(&["br020/colour"]).well();
    let (told, hours) = (told(&film), hours_of(&film, "colour"));
    assert!(told > 0.0 && hours["processor_seconds"].as_f64().unwrap() >= told, "told {told}, {hours}");
}

/// A rebuild whose command was called for frame 1005 (or for a run or shot from 1004) and waits for ever.
fn stuck(each: &str) -> (Film, Child, Pid) {
    let stuck_at = if each == "frame" { 1005 } else { 1004 };
    let script = format!(
        "if [ -e stuck ] && [ $3 = {stuck_at} ]; then\n\
         sh -c 'read x < never' &\necho $$ > leader.new\nmv leader.new leader\nread x < never\nfi\n{COPY}"
    );
    let film = film(each, "", &script);
    film.write("stuck", "");
    let fifo = film.path().join("never");
    rustix::fs::mknodat(rustix::fs::CWD, &fifo, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    let mut command = film.command(&["rebuild", "--jobs", "1", "--json"]);
    let run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let leader = film.path().join("leader");
    until("the command", || leader.exists());
    let leader = std::fs::read_to_string(leader).unwrap().trim().parse().unwrap();
    (film, run, Pid::from_raw(leader).unwrap())
}

/// Whether any process of a group still runs; an ended one may stay in the table until its parent looks.
fn runs(group: Pid) -> bool {
    let group = group.as_raw_nonzero().get().to_string();
    let stats = std::fs::read_dir("/proc").unwrap().flatten().filter_map(|entry| {
        entry.file_name().to_str()?.parse::<u32>().ok()?;
        std::fs::read_to_string(entry.path().join("stat")).ok()
    });
    let mut fields = stats.filter_map(|stat| {
        let rest = stat.rsplit_once(") ")?.1;
        let mut words = rest.split(' ');
        Some((words.next()?.to_string(), words.nth(1)?.to_string()))
    });
    fields.any(|(state, of)| of == group && state != "Z" && state != "X")
}

fn places(json: &Value) -> Vec<String> {
    let all = json["rendered"].as_array().unwrap().iter().map(|p| p.as_str().unwrap().to_string());
    all.filter(|p| !p.contains("/plate@")).collect()
}

#[test]
fn a_rebuild_told_to_end_at_once_ends_its_command_and_keeps_what_was_made() {
    for (signal, times) in [(Signal::TERM, 1), (Signal::HUP, 1), (Signal::INT, 2)] {
        for each in EACH {
            let told = format!("{signal:?} {times} times, a call for each {each}");
            let (film, mut run, group) = stuck(each);
            assert!(runs(group), "{told}: it is under way");
            tell(&run, signal);
            if times > 1 {
                heed(&mut run);
                assert!(runs(group), "{told}: the first leaves it alone");
                tell(&run, signal);
            }
            let output = ended(run);
            assert_eq!(output.status.code(), Some(130), "{told}");
            until("the end of the command's children", || !runs(group));

            let before = film.renders();
            let of = |place: &str| before.keys().any(|path| path.to_string_lossy() == place);
            assert!(of("br010/colour/br010.1003.exr"), "{told}: {:?}", before.keys());
            assert_eq!(of("br020/colour/br020.1004.exr"), each == "frame", "{told}: {:?}", before.keys());
            assert_eq!(film.status_of("br020/tool")[0][1], if each == "frame" { "fresh" } else { "absent" });
            let status = film.json(&["status"]);
            assert_eq!(status["counts"]["failed"], 0, "{told}: being stopped is no failure: {status}");
            let problems = endboard::ledger::file::read_all(&film.path().join("ledger")).1;
            assert_eq!(problems, [], "{told}");

            for name in ["stuck", "never"] {
                std::fs::remove_file(film.path().join(name)).unwrap();
            }
            let rest = places(&film.rebuild(&[]).well().json);
            assert_eq!(film.renders(), film.clean(), "{told}");
            assert_eq!(rest.len(), film.renders().len() - before.len(), "{told}: {rest:?}");
            assert!(rest.iter().all(|place| !of(&path_of(place))), "{told}: made twice: {rest:?}");
            // Where the frames in hand take long, the process ends in their midst and has not told anything.
            if let Ok(said) = serde_json::from_slice::<Value>(&output.stdout) {
                assert_eq!(said["ended"], "it was asked to stop", "{told}");
                assert_eq!(places(&said).len(), before.len(), "{told}: {said}");
                let frames = film.json(&["hours"])["total"]["frames"].as_u64().unwrap();
                let plates = said["rendered"].as_array().unwrap().len() - before.len();
                assert!(frames as usize >= film.renders().len() + plates, "{told}: {frames} frames in hours");
            }
        }
    }
}

/// Ends a rebuild as a crash does; its command goes on.
fn crash(mut run: Child) {
    run.kill().unwrap();
    run.wait().unwrap();
}

#[test]
fn what_was_done_before_a_long_frame_is_in_the_ledger_while_that_is_made() {
    let (film, run, group) = stuck("frame");
    let ledger = film.path().join("ledger/keeper.jsonl");
    until("a row", || std::fs::read_to_string(&ledger).is_ok_and(|rows| rows.contains("\"tool\"")));
    crash(run);
    rustix::process::kill_process_group(group, Signal::KILL).unwrap();
    assert_eq!(hours_of(&film, "tool")["frames"], 1);
}

#[test]
fn a_command_that_outlives_a_killed_rebuild_harms_none_of_the_next_ones_files() {
    for each in EACH {
        let (film, run, group) = stuck(each);
        let never = std::fs::OpenOptions::new().read(true).write(true).open(film.path().join("never"));
        crash(run);
        std::fs::remove_file(film.path().join("stuck")).unwrap();
        film.rebuild(&[]).well();
        // Only now does it go on: it looks for its input, which is gone, and complains of that.
        never.unwrap().write_all(b"g\ng\n").unwrap();
        until("the end of the command", || !runs(group));
        std::fs::remove_file(film.path().join("never")).unwrap();
        assert_eq!(film.renders(), film.clean(), "{each}");
        let logs = std::fs::read_dir(film.path().join(".endboard/logs")).unwrap();
        let printed: Vec<_> = logs.map(|log| std::fs::read_to_string(log.unwrap().path()).unwrap()).collect();
        assert!(printed.iter().all(String::is_empty), "{each}: {printed:?}");
    }
}

#[test]
fn a_file_that_changes_under_a_command_makes_no_failure_of_its_key() {
    for (each, then) in EACH.into_iter().flat_map(|each| [(each, ""), (each, "; exit 1")]) {
        let script = format!("if [ -e spoil ]; then rm spoil; echo more >> table{then}; fi\n{COPY}");
        let film = film(each, ", depends: [table]", &script);
        film.write("table", "brine\n");
        film.write("spoil", "");
        let said = film.rebuild(&["--jobs", "1"]);
        let reason = said.json["failures"][0]["reason"].as_str().unwrap_or_default();
        assert_eq!(reason, "table changed during the rebuild; rebuild once more", "{each}: {}", said.json);
        film.write("table", "brine\n");
        film.rebuild(&[]).well();
        assert_eq!(film.renders(), film.clean(), "{each}");
    }
}

#[test]
fn a_program_that_could_not_be_started_is_tried_again() {
    let film = film("frame", "", &format!("#!/bin/sh\n{COPY}"));
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("sh tool.sh", "./tool.sh"));
    let said = film.rebuild(&[]);
    let reason = said.json["failures"][0]["reason"].as_str().unwrap_or_default();
    assert!(reason.starts_with("./tool.sh could not be started"), "{}", said.json);

    // Nothing of the frame itself is to be mended, so that it is absent and not failed; what happened is told all the same.
    assert_eq!(film.status_of("br020/tool"), serde_json::json!([["1004-1006", "absent"]]));
    let (_, status) = film.said(&["status"]);
    let told = "failed last time: br020/tool@1004-1006: ./tool.sh could not be started: ";
    assert!(status.contains(told) && status.contains("the next rebuild tries again"), "{status}");
    let failed = &film.json(&["status"])["failed_last"];
    assert_eq!(
        (&failed[0]["stage"], &failed[0]["frames"], &failed[0]["log"], failed[1].is_null()),
        (&"tool".into(), &"1004-1006".into(), &Value::Null, true),
        "a program that did not start has written no log: {failed}"
    );
    let (_, why) = film.said(&["why", "br020/tool", "br020/colour"]);
    let attempts = why.lines().filter(|line| {
        line.contains("failed: ./tool.sh could not be started: ")
            && line.trim_start().starts_with("the last attempt, ")
            && line.ends_with("; the next rebuild tries again")
    });
    assert_eq!(attempts.count(), 2, "of the stage, and of what needs it: {why}");
    assert!(!why.contains("its log is"), "{why}");

    std::fs::set_permissions(film.path().join("tool.sh"), Permissions::from_mode(0o755)).unwrap();
    film.rebuild(&[]).well();
    film.write_plate("shed", 4);
    assert_eq!(last_attempt(&film), Value::Null, "what was made since");
    let (_, status) = film.said(&["status"]);
    assert!(!status.contains("failed last time"), "{status}");
}

/// How the last attempt at a frame of `tool` failed, as `why` has it.
fn last_attempt(film: &Film) -> Value {
    film.json(&["why", "br020/tool@1004"])["chains"][0]["steps"][0]["last_attempt"].clone()
}

#[test]
fn what_was_changed_since_it_failed_is_told_by_why_alone() {
    let film = film("frame", "", "echo the salt is wet; exit 7\n");
    assert_eq!(film.rebuild(&["--jobs", "1"]).code, Some(1));
    assert_eq!(last_attempt(&film), Value::Null, "its state says it");
    film.write("tool.sh", COPY);
    let attempt = last_attempt(&film);
    assert!(
        attempt.as_str().is_some_and(|text| text
            .contains("failed: sh ended with exit code 7; its log is .endboard/logs/br020.tool.1004.log")),
        "{attempt}"
    );
    let (_, status) = film.said(&["status"]);
    assert!(!status.contains("failed last time"), "{status}");
}

#[test]
fn what_fails_further_up_is_not_remembered_of_who_needs_it() {
    let film = film("frame", ", keep: false", &format!("[ -e broken ] && exit 1\n{COPY}"));
    film.rebuild(&["br020/tool"]).well();
    film.write("broken", "");
    let said = film.rebuild(&["br020/colour"]);
    let reason = said.json["failures"][0]["reason"].as_str().unwrap_or_default();
    assert_eq!(reason, "br020/tool@1004: sh ended with exit code 1", "{}", said.json);
    std::fs::remove_file(film.path().join("broken")).unwrap();
    assert_eq!(film.rebuild(&["br020/colour"]).well().rendered.len(), 3);
}

#[test]
fn a_store_that_refuses_a_commands_files_ends_the_run_and_fails_no_frame() {
    let film = film("frame", "", COPY);
    let log = film.path().join(".endboard/logs/br020.tool.1004.log");
    std::fs::create_dir_all(&log).unwrap();
    let said = film.rebuild(&["--jobs", "1"]);
    assert!(
        said.json["ended"].as_str().is_some_and(|why| why.contains("br020.tool.1004.log")),
        "{}",
        said.json
    );
    assert_eq!((said.code, &said.json["failures"]), (Some(4), &serde_json::json!([])), "{}", said.json);
    std::fs::remove_dir(&log).unwrap();
    film.rebuild(&[]).well();
}

fn tell(run: &Child, signal: Signal) {
    rustix::process::kill_process(Pid::from_child(run), signal).unwrap();
}

/// Waits until a program has said that it will stop.
fn heed(run: &mut Child) {
    let lines = BufReader::new(run.stderr.as_mut().unwrap()).lines().map_while(Result::ok);
    assert!({ lines }.any(|line| line.contains("stopping after the frames")));
}

#[test]
fn a_rebuild_asked_to_stop_lets_its_command_come_to_its_end() {
    for each in EACH {
        let (film, mut run, group) = stuck(each);
        tell(&run, Signal::INT);
        heed(&mut run);
        assert!(runs(group), "{each}");
        // Opened for both, the pipe lets this process write when nobody reads. Two shells wait for a line.
        let never = film.path().join("never");
        let mut never = std::fs::OpenOptions::new().read(true).write(true).open(never).unwrap();
        never.write_all(b"g\ng\n").unwrap();
        let output = ended(run);
        assert_eq!(output.status.code(), Some(130), "{each}");
        let said: Value = serde_json::from_slice(&output.stdout).unwrap();
        let made = if each == "frame" { "1004-1005" } else { "1004-1006" };
        assert_eq!(film.status_of("br020/tool")[0], serde_json::json!([made, "fresh"]), "{each}: {said}");
        assert_eq!(
            (said["ended"].as_str(), &said["failures"]),
            (Some("it was asked to stop"), &serde_json::json!([]))
        );
        // What would have come after it was not begun.
        let last = if each == "frame" { 1005 } else { 1004 };
        assert!(!places(&said).contains(&format!("br020/colour@{last}")), "{each}: {said}");
        drop(never);
        std::fs::remove_file(film.path().join("stuck")).unwrap();
        std::fs::remove_file(film.path().join("never")).unwrap();
        film.rebuild(&[]).well();
        assert_eq!(film.renders(), film.clean(), "{each}");
    }
}

#[test]
fn a_terminals_interrupt_leaves_the_reader_of_a_movie_to_end_its_frame() {
    let film = Film::new();
    film.write("ride.mp4", "a movie");
    film.write(
        "endboard.yaml",
        "film: The Brine Lamp\nrate: 24\nframe_size: 32x18\nplates:\n  \
         ride: { movie: ride.mp4, first: 1001, encoding: rec709 }\nshots:\n  br010:\n    plate: ride\n    \
         frames: 1001-1004\n    stages:\n      colour: { operator: grade, from: { picture: plate } }\n",
    );
    // Stand-ins for the programs: pictures come when somebody writes to the pipe.
    let bytes = project::SIZE.0 * project::SIZE.1 * 6;
    let probe = r#"{ "streams": [ { "width": 32, "height": 18 } ] }"#;
    let here = film.path().display();
    film.write("bin/ffprobe", format!("#!/bin/sh\necho '{probe}'\n"));
    film.write(
        "bin/ffmpeg",
        format!(
            "#!/bin/sh\n[ \"$1\" = -version ] && echo ffmpeg version 7.0 && exit\n\
             echo > {here}/waits\nread x < {here}/more\nhead -c {} /dev/zero\n",
            4 * bytes
        ),
    );
    for name in ["bin/ffprobe", "bin/ffmpeg"] {
        std::fs::set_permissions(film.path().join(name), Permissions::from_mode(0o755)).unwrap();
    }
    let more = film.path().join("more");
    rustix::fs::mknodat(rustix::fs::CWD, &more, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();

    let path = format!("{here}/bin:{}", std::env::var("PATH").unwrap());
    let mut command = film.command(&["rebuild", "--jobs", "1"]);
    command.env("PATH", &path).process_group(0).stdout(Stdio::null()).stderr(Stdio::piped());
    let mut run = command.spawn().unwrap();
    until("the first picture", || film.path().join("waits").exists());
    rustix::process::kill_process_group(Pid::from_child(&run), Signal::INT).unwrap();
    let mut lines = BufReader::new(run.stderr.take().unwrap()).lines().map_while(Result::ok);
    assert!(lines.any(|line| line.contains("stopping after the frames")));
    // Opened for both, it lets this process write when nobody reads.
    let mut more = std::fs::OpenOptions::new().read(true).write(true).open(more).unwrap();
    more.write_all(b"go\n").unwrap();
    assert_eq!(ended(run).status.code(), Some(130));
    // The release of the stand-in is in the plate's keys.
    let status = film.command(&["status", "br010/plate", "--json"]).env("PATH", path).output().unwrap();
    let status: Value = serde_json::from_slice(&status.stdout).unwrap();
    assert_eq!(status["ribbons"][0]["runs"], serde_json::json!([["1001", "fresh"], ["1002-1004", "absent"]]));
}

/// The render of `SHOT/STAGE@FRAME`, below `renders/`.
fn path_of(place: &str) -> String {
    let (name, frame) = place.split_once('@').unwrap();
    let shot = name.split('/').next().unwrap();
    format!("{name}/{shot}.{:04}.exr", frame.parse::<i64>().unwrap())
}
