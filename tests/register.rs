//! `endboard register` on a small film whose takes' offsets are known: what it writes, keeps, refuses and says.
//!
//! Knows the truth by formula. Does not know how takes are measured.

mod project;

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::FileTypeExt;
use std::process::Stdio;

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use project::{Film, ended, until};
use rustix::fs::OFlags;
use rustix::process::{Pid, Signal};

const SIZE: (u32, u32) = (192, 128);

/// The takes have no frames before 1001 nor after 1014; the shot has fewer.
const FILM: &str = "\
film: The Brine Lamp
rate: 24
frame_size: 192x128
plates:
  clean: { files: plates/clean.####.exr, frames: 1001-1014, encoding: linear-rec709 }
  left: { files: plates/left.####.exr, frames: 1001-1014, encoding: linear-rec709 }
shots:
  br030:
    takes: { clean: clean, left: left }
    frames: 1003-1011
    stages:
      roto: { operator: roto, shapes: roto/br030.yaml }
      join:
        operator: passes
        from: { clean: take.clean, takes: { left: take.left }, mattes: { left: roto.raker } }
        register: takes/br030.yaml
";

const ROTO: &str = "mattes:\n  raker:\n    shapes:\n      - keys: { 1001: [[170, 90], [192, 90], [192, 128], [170, 128]] }\n";
const MOVES: &str = "takes/br030.yaml";

/// The take shows what the clean plate shows two frames earlier, some pixels off.
const AHEAD: i64 = 2;
const OFF: [f64; 2] = [1.5, -0.75];

/// A set of many waves, nearer the lower it is, under a camera whose speed changes.
fn light(time: f64, x: f64, y: f64) -> f64 {
    let near = 1.0 + 0.5 * (y / 64.0 - 1.0);
    let (u, v) = (x + near * (2.0 * time + 0.06 * time * time), y);
    let waves = (0..12).map(|i| {
        let i = f64::from(i);
        let (turn, rate) = (2.4 * i, 0.07 + 0.05 * i);
        ((turn.cos() * u + turn.sin() * v) * rate + i).sin() / (1.0 + 0.3 * i)
    });
    0.4 + 0.05 * waves.sum::<f64>()
}

fn picture(time: f64, off: [f64; 2]) -> Vec<u8> {
    lit(1.0, |x, y| light(time, x - off[0], y - off[1]))
}

/// A picture of one tone.
fn grey() -> Vec<u8> {
    lit(1.0, |_, _| 0.25)
}

fn lit(factor: f64, light: impl Fn(f64, f64) -> f64) -> Vec<u8> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for y in 0..SIZE.1 {
        let row = (0..SIZE.0).map(|x| (factor * light(f64::from(x), f64::from(y))) as f32);
        let row: Vec<f32> = row.collect();
        (0..3).for_each(|c| image.write_row(c, y, &row));
        image.write_row(3, y, &vec![1.0; SIZE.0 as usize]);
    }
    exr::encode(&image, Compression::None, &[]).unwrap()
}

fn film() -> Film {
    let film = Film::new();
    film.write("endboard.yaml", FILM);
    film.write("roto/br030.yaml", ROTO);
    for n in 1001..=1014 {
        let time = (n - 1001) as f64;
        film.write(&format!("plates/clean.{n}.exr"), picture(time, [0.0; 2]));
        film.write(&format!("plates/left.{n}.exr"), picture(time - AHEAD as f64, OFF));
    }
    film
}

#[test]
fn takes_are_measured_and_a_persons_hand_is_kept() {
    let film = film();
    let answer = film.json(&["register", "br030"]);
    let take = &answer["takes"][0];
    assert!((take["time"].as_f64().unwrap() - AHEAD as f64).abs() < 0.1, "{answer}");
    for frame in take["frames"].as_array().unwrap() {
        for (i, off) in OFF.iter().enumerate() {
            assert!((frame["shift"][i].as_f64().unwrap() + off).abs() < 0.2, "{frame}");
        }
    }
    // All frames of the shot, also those that the first look had no frames for.
    assert_eq!(take["frames"].as_array().unwrap().len(), 9, "{answer}");
    let measured = film.text(MOVES);
    assert_eq!(film.said(&["check"]).0, Some(0));
    // Its own file it writes again, to the same bytes.
    assert_eq!(film.said(&["register", "br030"]).0, Some(0));
    assert_eq!(film.text(MOVES), measured);
    let edited = measured.replace("between:", "# Nudged.\nbetween:");
    film.write(MOVES, &edited);
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(2) && words.contains(MOVES) && words.contains("--replace"), "{code:?} {words}");
    assert_eq!(film.text(MOVES), edited);
    let (code, words) = film.said(&["register", "br030", "--replace"]);
    assert!(code == Some(0) && words.contains("takes/br030.1.yaml"), "{code:?} {words}");
    assert_eq!((film.text(MOVES), film.text("takes/br030.1.yaml")), (measured, edited));
}

#[test]
fn no_file_is_left_where_nothing_could_be_measured() {
    let film = film();
    // First the take itself cannot be read, then a stage made of it cannot be rendered.
    film.write("plates/left.1005.exr", "no picture");
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code != Some(0), "{words}");
    assert!(!film.path().join(MOVES).exists());
    let graded = "roto: { operator: roto, shapes: roto/br030.yaml }\n      dim: { operator: grade, from: { picture: take.left }, exposure: 1 }";
    let declared = FILM
        .replace("roto: { operator: roto, shapes: roto/br030.yaml }", graded)
        .replace("left: take.left", "left: dim");
    film.write("endboard.yaml", declared);
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(1) && words.contains("1005"), "{code:?} {words}");
    assert!(!film.path().join(MOVES).exists());
    assert_ne!(film.said(&["check"]).0, Some(0));
}

#[test]
fn nothing_measurable_is_no_success_and_is_told_of_each_take() {
    let film = film();
    // A take of one grey, and one that is hidden throughout by its matte.
    let grey = |n: i64| {
        let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
        (0..4).for_each(|c| image.samples_mut(c).fill(half::f16::from_f32(0.25)));
        film.write(&format!("plates/left.{n}.exr"), exr::encode(&image, Compression::None, &[]).unwrap());
    };
    (1001..=1014).for_each(grey);
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(1) && words.contains("nothing could be measured"), "{code:?} {words}");
    assert!(words.contains("take 'left': ") && words.contains(MOVES), "{words}");
    assert!(!film.path().join(MOVES).exists());
    // What is not measured counts as done all the same.
    let project = endboard::project::Project { folder: film.path().to_path_buf() };
    let wanted = endboard::project::register::Wanted { within: 3, turns: false };
    let mut work = project.register("br030", wanted, false).unwrap();
    let last = std::sync::Mutex::new((0, 0));
    while let Some(round) = work.round().unwrap() {
        let status = project.status_as(round.declared).unwrap();
        work.measure(&status, &|done, of| *last.lock().unwrap() = (done, of)).unwrap();
    }
    assert_eq!(*last.lock().unwrap(), (3, 3));
    film.write(
        "roto/br030.yaml",
        ROTO.replace("[170, 90]", "[0, 0]")
            .replace("[192, 90]", "[192, 0]")
            .replace("[170, 128]", "[0, 128]"),
    );
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(1) && words.contains("take 'left': "), "{code:?} {words}");
    assert!(!film.path().join(MOVES).exists());
}

#[test]
fn what_is_wrong_with_the_shot_is_told_and_not_that_there_is_none() {
    let film = film();
    film.write("endboard.yaml", FILM.replace("frames: 1003-1011", "frames: 1011-1003"));
    let (code, words) = film.said(&["register", "br030"]);
    assert!(
        code == Some(1) && words.contains("endboard.yaml:10") && !words.contains("no shot"),
        "{code:?} {words}"
    );
    film.write("endboard.yaml", FILM);
    let (code, words) = film.said(&["register", "br03"]);
    assert!(code == Some(2) && words.contains("did you mean br030"), "{code:?} {words}");
    for over in ["nan", "-1", "inf", "1e9"] {
        let (code, words) = film.said(&["register", "br030", &format!("--over={over}")]);
        assert!(code == Some(2) && words.contains("from 0 to 32768 pixels"), "{over}: {code:?} {words}");
    }
}

#[test]
fn a_file_of_moves_that_is_no_text_is_a_persons_and_a_matte_picture_stands_by_its_alpha() {
    let film = film();
    film.write(MOVES, b"\xff\xfe");
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(2) && words.contains(MOVES) && words.contains("--replace"), "{code:?} {words}");
    assert_eq!(film.said(&["register", "br030", "--replace"]).0, Some(0));
    assert_eq!(std::fs::read(film.path().join("takes/br030.1.yaml")).unwrap(), b"\xff\xfe");
    // A picture given for a matte stands for its alpha, here 1 all over: all of the set is hidden.
    film.write("endboard.yaml", FILM.replace("left: roto.raker", "left: take.left"));
    let (code, words) = film.said(&["register", "br030", "--replace"]);
    assert!(code == Some(1) && words.contains("nothing could be measured"), "{code:?} {words}");
}

#[test]
fn moves_that_are_a_link_are_kept_by_what_they_hold() {
    let film = film();
    let mine = "takes:\n  left:\n    time: 1\n";
    film.write("shared/moves.yaml", mine);
    std::fs::create_dir(film.path().join("takes")).unwrap();
    std::os::unix::fs::symlink("../shared/moves.yaml", film.path().join(MOVES)).unwrap();
    assert_eq!(film.said(&["register", "br030", "--replace"]).0, Some(0));
    assert_eq!(film.text("takes/br030.1.yaml"), mine);
    assert!(film.text(MOVES).contains("shift:"), "{}", film.text(MOVES));
}

/// A program that stands for a matte's: it copies, but for the first time waits until it is let go.
const MASK: &str = "if rm stuck 2>/dev/null; then touch begun; read x < never; fi\ncp \"$1\" \"$2\"\n";

#[test]
fn an_interrupt_leaves_nothing_half_written() {
    let film = film();
    film.write("tools/mask.sh", MASK);
    let mask = "roto: { command: \"sh tools/mask.sh {picture} {out}\", from: { picture: take.left }, delivers: [raker] }";
    film.write("endboard.yaml", FILM.replace("roto: { operator: roto, shapes: roto/br030.yaml }", mask));
    let before = "takes:\n  left:\n    time: 1\n";
    film.write(MOVES, before);
    film.write("stuck", "");
    let never = film.path().join("never");
    rustix::fs::mknodat(rustix::fs::CWD, &never, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    let mut command = film.command(&["register", "br030", "--replace"]);
    let mut run = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    until("the command", || film.path().join("begun").exists());
    rustix::process::kill_process(Pid::from_child(&run), Signal::INT).unwrap();
    let lines = BufReader::new(run.stderr.as_mut().unwrap()).lines().map_while(Result::ok);
    assert!({ lines }.any(|line| line.contains("stopping after the frames")));
    let mut never = std::fs::OpenOptions::new().read(true).write(true).open(never).unwrap();
    never.write_all(b"g\n").unwrap();
    assert_eq!(ended(run).status.code(), Some(130));
    let names = || -> Vec<String> {
        let entries = std::fs::read_dir(film.path().join("takes")).unwrap();
        entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned()).collect()
    };
    assert_eq!((film.text(MOVES), names()), (before.to_string(), vec!["br030.yaml".to_string()]));
}

#[test]
fn a_file_that_asks_for_frames_that_are_not_there_locks_nobody_out() {
    let film = film();
    film.write(MOVES, "takes:\n  left:\n    time: 9\n");
    let (code, words) = film.said(&["check"]);
    assert!(code == Some(1) && words.contains("needs frames"), "{code:?} {words}");
    let (code, words) = film.said(&["register", "br030", "--replace"]);
    assert_eq!(code, Some(0), "{words}");
    assert_eq!(film.said(&["check"]).0, Some(0));
    // The truth itself may ask for such: it is written, and what is lacking is said.
    film.write("endboard.yaml", FILM.replace("frames: 1003-1011", "frames: 1003-1014"));
    for _ in 0..2 {
        let (code, words) = film.said(&["register", "br030"]);
        assert!(code == Some(1) && words.contains("needs frames"), "{code:?} {words}");
        assert!(film.text(MOVES).contains("time: "));
    }
    // As JSON all of it is one object.
    let out = film.run(&["register", "br030", "--json"]);
    assert_eq!(out.status.code(), Some(1));
    let answer: serde_json::Value = serde_json::from_slice(&out.stdout).expect("one object");
    assert_eq!(answer["format"], "endboard register 1");
    assert!(answer["problems"].to_string().contains("needs frames"), "{answer}");
}

/// The film with another take, which shows one tone throughout.
fn with_a_grey_take() -> Film {
    let film = film();
    (1001..=1014).for_each(|n| film.write(&format!("plates/right.{n}.exr"), grey()));
    let plate =
        "  right: { files: plates/right.####.exr, frames: 1001-1014, encoding: linear-rec709 }\nshots:";
    let declared = FILM
        .replace("shots:", plate)
        .replace("left: left }", "left: left, right: right }")
        .replace("left: take.left", "left: take.left, right: take.right")
        .replace("left: roto.raker", "left: roto.raker, right: roto.raker");
    film.write("endboard.yaml", declared);
    film
}

#[test]
fn a_take_that_could_not_be_measured_is_left_out_of_the_file_and_of_the_report() {
    let film = with_a_grey_take();
    let out = film.command(&["register", "br030", "--json"]).output().unwrap();
    let answer: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(1));
    assert_eq!(
        (&answer["takes"][0]["take"], &answer["takes"][1]),
        (&"left".into(), &serde_json::Value::Null)
    );
    assert_eq!(answer["unmeasured"][0]["take"], "right", "{answer}");
    let written = film.text(MOVES);
    assert!(written.contains("  left:") && !written.contains("right"), "{written}");
    let (_, words) = film.said(&["check"]);
    assert!(words.contains("says nothing of take right"), "{words}");
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(1) && words.contains("says nothing of it") && !words.contains("right: "), "{words}");
}

#[test]
fn json_is_answered_also_where_nothing_is_measured() {
    let film = film();
    (1001..=1014).for_each(|n| film.write(&format!("plates/left.{n}.exr"), grey()));
    let out = film.command(&["register", "br030", "--json"]).output().unwrap();
    let answer: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(1));
    assert_eq!((&answer["file"], &answer["takes"]), (&serde_json::Value::Null, &serde_json::json!([])));
    assert_eq!(answer["unmeasured"][0]["take"], "left", "{answer}");
    assert!(!film.path().join(MOVES).exists());
}

#[test]
fn a_frame_that_tells_nothing_goes_with_its_neighbours_and_is_named() {
    let film = film();
    for n in 1001..=1014 {
        let time = (n - 1001 - AHEAD) as f64;
        let dim = lit(0.5, |x, y| light(time, x - OFF[0], y - OFF[1]));
        film.write(&format!("plates/left.{n}.exr"), if n == 1007 { grey() } else { dim });
    }
    let answer = film.json(&["register", "br030"]);
    let frames = answer["takes"][0]["frames"].as_array().unwrap();
    assert_eq!(frames.len(), 9, "{answer}");
    for frame in frames {
        let exposure = frame["exposure"][1].as_f64().unwrap();
        assert!((exposure - 2.0).abs() < 0.02, "{frame}");
        assert_eq!(frame["residual"].is_null(), frame["frame"] == 1005, "{frame}");
    }
    let remarks = answer["remarks"].to_string();
    assert!(remarks.contains("take 'left' could not be measured on 1005"), "{remarks}");
    let written = film.text(MOVES);
    assert_eq!(written.matches("1005:").count(), written.matches("1004:").count() - 1, "{written}");
}

#[test]
fn a_file_of_moves_that_ends_before_the_shot_does_is_told_with_both_ranges() {
    let film = film();
    assert_eq!(film.said(&["register", "br030"]).0, Some(0));
    assert!(!film.said(&["check"]).1.contains("keyed on"));
    film.write("endboard.yaml", FILM.replace("frames: 1003-1011", "frames: 1003-1011\n    handles: 1"));
    let (code, words) = film.said(&["check"]);
    let wanted = "the moves of take 'left' are keyed on 1003-1011, and the frames 1002-1012 are made";
    assert!(code == Some(0) && words.contains(wanted) && words.contains(MOVES), "{code:?} {words}");
}

#[test]
fn no_file_of_moves_goes_where_something_else_is() {
    let film = film();
    for (file, says) in [
        ("endboard.yaml", "endboard.yaml, which is the declaration"),
        ("plates/left.1005.exr", "plates/left.1005.exr, which is of the plate 'left'"),
        ("ledger/moves.yaml", "ledger/, which the tool itself writes"),
        (".endboard/moves.yaml", ".endboard/, which the tool itself writes"),
        ("renders/moves.yaml", "renders/, which the tool itself writes"),
    ] {
        let declared = FILM.replace(MOVES, file);
        film.write("endboard.yaml", &declared);
        for words in [&["check"][..], &["register", "br030", "--replace"]] {
            let (code, words) = film.said(words);
            assert_eq!(code, Some(1), "{words}");
            assert!(words.contains("endboard.yaml:16") && words.contains(says), "{file}: {words}");
            assert!(
                words.contains("for example takes/br030.yaml") && !words.contains("writes it"),
                "{words}"
            );
        }
        assert_eq!(film.text("endboard.yaml"), declared);
    }
}

#[test]
fn what_cannot_be_read_is_told_as_such_and_frames_cannot_be_given() {
    let film = film();
    std::fs::create_dir_all(film.path().join(MOVES)).unwrap();
    // Measuring writes no file where a folder stands.
    let (code, words) = film.said(&["check"]);
    assert!(code == Some(1) && words.contains(MOVES) && !words.contains("writes it"), "{words}");
    assert_eq!(film.said(&["register", "br030"]).0, Some(2));
    std::fs::remove_dir(film.path().join(MOVES)).unwrap();
    let (_, words) = film.said(&["check"]);
    assert!(words.contains("`endboard register br030` writes it"), "{words}");
    // The system refuses: a link that leads to itself.
    std::os::unix::fs::symlink("br030.yaml", film.path().join(MOVES)).unwrap();
    let (code, words) = film.said(&["register", "br030"]);
    assert!(code == Some(4) && words.contains("cannot be read"), "{code:?} {words}");
    for place in ["br030@1003-1005", "br030/join@1003"] {
        let (code, words) = film.said(&["register", place]);
        assert!(code == Some(2) && words.contains("frames cannot be given here"), "{code:?} {words}");
    }
}

#[test]
fn what_no_number_is_in_a_take_is_told_once() {
    let film = film();
    for n in [1006, 1008, 1009] {
        let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
        exr::decode(&picture((n - 1001 - AHEAD) as f64, OFF)).unwrap().planes.iter().for_each(
            |(name, plane)| {
                let channel = image.channel(name).unwrap();
                plane.chunks(SIZE.0 as usize).zip(0..).for_each(|(row, y)| image.write_row(channel, y, row));
            },
        );
        image.samples_mut(0)[5] = half::f16::NAN;
        film.write(&format!("plates/left.{n}.exr"), exr::encode(&image, Compression::None, &[]).unwrap());
    }
    // Once the rebuild of its mattes has read them, too.
    for _ in 0..2 {
        let remarks = film.json(&["register", "br030"])["remarks"].clone();
        let told: Vec<&str> = remarks.as_array().unwrap().iter().filter_map(|text| text.as_str()).collect();
        let told: Vec<&&str> = told.iter().filter(|text| text.contains("no finite number")).collect();
        assert_eq!(told.len(), 1, "{remarks}");
        assert!(
            told[0].starts_with("br030/take.left@1006: plates/left.1006.exr has 1 pixel of "),
            "{remarks}"
        );
        assert!(told[0].ends_with("(the like on 1008-1009)"), "{remarks}");
    }
}

/// A command for mattes that puts a pipe in the place of a frame of the clean plate.
const PIPED: &str = "if rm swap 2>/dev/null; then rm plates/clean.1005.exr; mkfifo plates/clean.1005.exr; fi\ncp \"$1\" \"$2\"\n";

#[test]
fn the_film_is_its_own_while_it_measures() {
    let film = film();
    film.write("tools/mask.sh", PIPED);
    let mask = "roto: { command: \"sh tools/mask.sh {picture} {out}\", from: { picture: take.left }, delivers: [raker] }";
    film.write("endboard.yaml", FILM.replace("roto: { operator: roto, shapes: roto/br030.yaml }", mask));
    film.write("swap", "");
    film.write(MOVES, "takes:\n  left:\n    time: 0\n");
    let clean = film.path().join("plates/clean.1005.exr");
    let bytes = std::fs::read(&clean).unwrap();
    let mut command = film.command(&["register", "br030", "--replace"]);
    let run = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    // It measures once it reads what is a pipe now.
    let mut pipe = None;
    until("the pipe", || {
        let is_pipe = std::fs::metadata(&clean).is_ok_and(|found| found.file_type().is_fifo());
        let flags = OFlags::WRONLY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        pipe = is_pipe.then(|| rustix::fs::open(&clean, flags, rustix::fs::Mode::empty()).ok()).flatten();
        pipe.is_some()
    });
    let pipe = pipe.unwrap();
    rustix::fs::fcntl_setfl(&pipe, OFlags::empty()).unwrap();
    let (code, words) = film.said(&["rebuild", "br030/roto"]);
    std::fs::remove_file(&clean).unwrap();
    std::fs::write(&clean, &bytes).unwrap();
    std::fs::File::from(pipe).write_all(&bytes).unwrap();
    let ended = ended(run);
    assert!(code != Some(0) && words.contains("being worked on by process"), "{code:?} {words}");
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert!(!said.contains("worked on"), "{said}");
    assert_eq!(film.said(&["rebuild", "br030/roto"]).0, Some(0));
}
