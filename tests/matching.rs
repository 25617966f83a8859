//! `match`: what it writes, what it leaves alone, and what it says when there is nothing to compare.
//!
//! Knows a small film. How good a first pass is, the tests of `operators::colour::matching` know.

mod project;

use std::process::Stdio;

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use project::{Film, SIZE};
use rustix::process::{Pid, Signal};

fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      push: { operator: grade, from: { picture: plate }, slope: [1.5, 1, 0.7] }
      colour: { operator: grade, from: { picture: push } }
  br020:
    plate: shed
    frames: 1001-1003
    stages:
      colour: { operator: grade, from: { picture: plate } }
",
    );
    film
}

fn told(output: &std::process::Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_grade_is_written_and_a_persons_hand_is_kept() {
    let film = film();
    let early = film.run(&["match", "br010/push", "--reference", "br020"]);
    assert_eq!(early.status.code(), Some(1));
    assert!(told(&early).contains("`endboard rebuild br010/push@1001-1003`"), "{}", told(&early));
    film.rebuild(&[]).well();
    let said = film.json(&["match", "br010/push", "--reference", "br020"]);
    assert_eq!(said["file"], "grades/br010.cc");
    assert_eq!(said["to"]["stage"], "br020/plate");
    let slope = |c: usize| said["slope"][c].as_f64().unwrap();
    // The same frames: the push comes back.
    for (c, wanted) in [(0, 1.0 / 1.5), (1, 1.0), (2, 1.0 / 0.7)] {
        assert!((slope(c) - wanted).abs() < 0.06 * wanted, "{said}");
    }
    let (before, after) =
        (said["difference_before"].as_f64().unwrap(), said["difference_after"].as_f64().unwrap());
    assert!(after < before / 4.0, "{said}");
    let path = film.path().join("grades/br010.cc");
    let text = std::fs::read_to_string(&path).unwrap();
    // Its own file it writes again, to the same bytes.
    film.json(&["match", "br010/push", "--reference", "br020"]);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    let edited = text.replace("<Saturation>", "<Saturation> ");
    std::fs::write(&path, &edited).unwrap();
    let refused = film.run(&["match", "br010/push", "--reference", "br020"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(told(&refused).contains("--replace"), "{}", told(&refused));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), edited);
    let again = film.json(&["match", "br010/push", "--reference", "br020", "--replace"]);
    assert_eq!(again["moved"], "grades/br010.1.cc");
    assert_eq!(std::fs::read_to_string(film.path().join("grades/br010.1.cc")).unwrap(), edited);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
}

#[test]
fn a_grade_that_is_a_link_is_kept_by_what_it_holds() {
    let film = film();
    film.rebuild(&[]).well();
    film.write("shared/mine.cc", "<!-- by eye -->");
    std::fs::create_dir(film.path().join("grades")).unwrap();
    std::os::unix::fs::symlink("../shared/mine.cc", film.path().join("grades/br010.cc")).unwrap();
    let said = film.json(&["match", "br010/push", "--reference", "br020", "--replace"]);
    assert_eq!(said["moved"], "grades/br010.1.cc");
    let text = |name: &str| std::fs::read_to_string(film.path().join(name)).unwrap();
    assert_eq!(text("grades/br010.1.cc"), "<!-- by eye -->");
    assert!(text("grades/br010.cc").contains("First pass"), "{}", text("grades/br010.cc"));
}

#[test]
fn what_cannot_be_compared_is_said() {
    let film = film();
    for (words, wanted) in [
        (&["match", "br01*", "--reference", "br020"][..], "does not name one shot"),
        (
            &["match", "br030", "--reference", "br020"],
            "'br030' matches no shot and stage of this film; did you mean",
        ),
        (&["match", "br020/paint", "--reference", "br010"], "'br020/paint' matches no shot and stage"),
        (&["match", "br020", "--reference", "br020", "--matte", "roto"], "STAGE.CHANNEL"),
        (&["match", "br020", "--reference", "br020", "--space", "raw"], "is not a space"),
    ] {
        let output = film.run(words);
        assert_eq!(output.status.code(), Some(2), "{words:?}");
        assert!(told(&output).contains(wanted), "{words:?}: {}", told(&output));
    }
    // Of two slips both are told, the shot's first.
    let both = told(&film.run(&["match", "br0100", "--reference", "br020/colou"]));
    let [first, second] =
        ["'br0100' matches no", "'br020/colou' matches no"].map(|words| both.find(words).expect(words));
    assert!(first < second && both.contains("did you mean br020/colour?"), "{both}");
    assert!(!film.path().join("grades").exists());
}

#[test]
fn black_tells_nothing_and_no_grade_is_written() {
    let film = film();
    film.rebuild(&[]).well();
    let shed = std::fs::read(film.path().join("plates/shed.1001.exr")).unwrap();
    let mut black = endboard::media::exr::decode_image(&shed).unwrap();
    (0..3).for_each(|channel| black.samples_mut(channel).fill(half::f16::ZERO));
    let black = endboard::media::exr::encode(&black, endboard::media::exr::Compression::None, &[]).unwrap();
    (1001..=1003).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), &black));
    // The renders of the plate as it was are stale now, so the plate itself is what is compared, once on either side.
    for words in [
        ["match", "br020", "--reference", "br020/plate"],
        ["match", "br020/plate@1002", "--reference", "br020"],
    ] {
        let refused = film.run(&words);
        assert_eq!(refused.status.code(), Some(1), "{}", told(&refused));
        assert!(told(&refused).contains("br020/plate tells nothing to match by"), "{}", told(&refused));
        assert!(told(&refused).contains("black"), "{}", told(&refused));
    }
    assert!(!film.path().join("grades").exists());
}

#[test]
fn what_is_held_is_compared_with_a_remark_and_what_is_missing_is_named() {
    let film = film();
    film.rebuild(&[]).well();
    assert!(film.run(&["rebuild", "br010/push", "--hold"]).status.success());
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("[1.5, 1, 0.7]", "[1.4, 1, 0.7]"));
    let said = film.json(&["match", "br010/push", "--reference", "br020"]);
    assert!(said["remarks"][0].as_str().unwrap().starts_with("br010/push@1001-1003: stale"), "{said}");
    std::fs::remove_file(film.path().join("plates/shed.1002.exr")).unwrap();
    let refused = film.run(&["match", "br010/push", "--reference", "br020/plate@1002"]);
    assert_eq!(refused.status.code(), Some(1));
    let words = told(&refused);
    assert!(
        words.contains("br020/plate@1002: plates/shed.1002.exr is missing") && !words.contains("rebuild"),
        "{words}"
    );
}

#[test]
fn what_comes_before_the_cdl_is_counted_in() {
    let film = film();
    let slope = |film: &Film| {
        let said = film.json(&["match", "br020", "--reference", "br010/plate"]);
        let slope: Vec<f64> = (0..3).map(|c| said["slope"][c].as_f64().unwrap()).collect();
        (slope, said["remarks"].to_string())
    };
    let (plain, remarks) = slope(&film);
    assert_eq!(remarks, "[]");
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let own = "colour: { operator: grade, from: { picture: plate }";
    film.write("endboard.yaml", declared.replace(own, &format!("{own}, exposure: 1")));
    let (halved, remarks) = slope(&film);
    assert!(
        remarks.contains("br020/plate is compared with what br020/colour does before its CDL"),
        "{remarks}"
    );
    for (plain, halved) in plain.iter().zip(&halved) {
        assert!((halved * 2.0 / plain - 1.0).abs() < 0.1, "{plain} {halved}");
    }
    // What its grade is not given is compared as it is.
    film.rebuild(&["br020"]).well();
    let told = film.json(&["match", "br020/colour", "--reference", "br010/plate"])["remarks"].to_string();
    assert!(
        told.contains("br020/colour is compared as it is: what br020/colour does before its CDL"),
        "{told}"
    );
}

#[test]
fn frames_that_are_not_compared_are_told_by_what_is_the_matter() {
    let film = film();
    std::fs::remove_file(film.path().join("plates/shed.1002.exr")).unwrap();
    let told = film.json(&["match", "br020", "--reference", "br020"])["remarks"].to_string();
    assert!(told.contains("br020/plate@1002 is not compared: plates/shed.1002.exr is missing"), "{told}");
    assert!(!told.contains("rebuild"), "{told}");
}

#[test]
fn a_held_render_that_is_lost_says_how_to_have_it_again() {
    let film = film();
    film.rebuild(&[]).well();
    assert!(film.run(&["rebuild", "br010/push", "--hold"]).status.success());
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("[1.5, 1, 0.7]", "[1.4, 1, 0.7]"));
    std::fs::remove_dir_all(film.path().join(".endboard/objects")).unwrap();
    let words = told(&film.run(&["match", "br010/push@1002", "--reference", "br020"]));
    assert!(
        words.contains(
            "br010/push@1002: its render is lost; it is held: let it go with `endboard rebuild --let-go \
             br010/push@1002`, then `endboard rebuild br010/push@1002` makes it again"
        ),
        "{words}"
    );
    assert!(!words.contains("objects") && !words.contains("not found"), "{words}");
    for words in [&["rebuild", "--let-go", "br010/push@1002"][..], &["rebuild", "br010/push@1002"]] {
        assert!(film.run(words).status.success(), "{words:?}");
    }
    assert!(film.run(&["match", "br010/push@1002", "--reference", "br020"]).status.success());
}

fn flat(film: &Film, plate: &str, light: f32) {
    let shed = std::fs::read(film.path().join("plates/shed.1001.exr")).unwrap();
    let mut even = endboard::media::exr::decode_image(&shed).unwrap();
    (0..3).for_each(|channel| even.samples_mut(channel).fill(half::f16::from_f32(light)));
    let even = endboard::media::exr::encode(&even, endboard::media::exr::Compression::None, &[]).unwrap();
    (1001..=1003).for_each(|n| film.write(&format!("plates/{plate}.{n}.exr"), &even));
}

#[test]
fn one_even_tone_tells_nothing_and_no_grade_is_written() {
    let film = film();
    let plates =
        "plates:\n  wall: { files: plates/wall.####.exr, frames: 1001-1003, encoding: linear-rec709 }\n";
    let more = "  br030: { plate: wall, frames: 1001-1003, stages: { colour: { operator: grade } } }\n  br040: { plate: card, frames: 1001-1003, stages: { colour: { operator: grade } } }\n";
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap() + more;
    let card = plates.replace("wall", "card").replace("plates:", "");
    let declared = declared.replace("plates:\n", &format!("{plates}{}", card.trim_start_matches('\n')));
    film.write("endboard.yaml", declared);
    flat(&film, "wall", 0.25);
    flat(&film, "card", 0.125);
    for (shot, reference, even) in
        [("br020", "br030", "br030"), ("br030", "br020", "br030"), ("br040", "br030", "br040")]
    {
        let refused = film.run(&["match", shot, "--reference", reference]);
        assert_eq!(refused.status.code(), Some(1), "{}", told(&refused));
        let says = format!("{even}/plate tells nothing to match by");
        assert!(told(&refused).contains(&says), "{}", told(&refused));
        assert!(told(&refused).contains("one even tone"), "{}", told(&refused));
    }
    assert!(!film.path().join("grades").exists());
}

#[test]
fn the_films_picture_and_its_prints_are_not_graded() {
    let film = film();
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared + "assembly: {}\nprints: { review: {} }\n");
    for words in [
        ["match", "film/review", "--reference", "br020"],
        ["match", "film/assembly", "--reference", "br020"],
        ["match", "film", "--reference", "br020"],
        ["match", "br020", "--reference", "film/review"],
    ] {
        let refused = film.run(&words);
        assert_eq!(refused.status.code(), Some(2), "{words:?} {}", told(&refused));
        assert!(told(&refused).contains("are no shot that could be"), "{words:?} {}", told(&refused));
    }
}

#[test]
fn a_comparison_that_lacks_frames_answers_as_json_too() {
    let film = film();
    let refused = film.command(&["compare", "br010/push", "br020/plate", "--json"]).output().unwrap();
    let answer: serde_json::Value = serde_json::from_slice(&refused.stdout).unwrap();
    assert_eq!(refused.status.code(), Some(1));
    assert_eq!(
        (&answer["format"], &answer["file"]),
        (&"endboard compare 1".into(), &serde_json::Value::Null)
    );
    assert!(answer["lacking"][0]["way"].as_str().unwrap().contains("endboard rebuild"), "{answer}");
}

#[test]
fn a_pipe_in_the_place_of_what_is_written_is_not_waited_for() {
    let film = film();
    film.rebuild(&[]).well();
    film.write("grades/br020.cc", "");
    for name in ["grades/br010.cc", "out.png"] {
        let pipe = film.path().join(name);
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    }
    let out = film.path().join("out.png").display().to_string();
    for words in [
        &["match", "br010/push", "--reference", "br020"][..],
        &["sheet", "--out", &out],
        &["compare", "br010/push", "br020/plate", "--out", &out],
    ] {
        assert_eq!(project::ended(film.start(words)).status.code(), Some(2), "{words:?}");
    }
}

/// Stands for a program whose version takes long to tell.
const WAIT: &str = "touch begun\nread x < never\n";

#[test]
fn an_interrupt_says_that_nothing_was_written() {
    let film = film();
    film.write("tools/wait.sh", WAIT);
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let wait = "      wait: { command: \"cp {picture} {out}\", from: { picture: plate }, version_from: sh tools/wait.sh }\n";
    film.write("endboard.yaml", declared + wait);
    let never = film.path().join("never");
    rustix::fs::mknodat(rustix::fs::CWD, &never, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    for words in [
        &["track", "br010", "--point", "hook=5,5@1001"][..],
        &["match", "br010/push", "--reference", "br020"],
        &["sheet"],
        &["compare", "br010/push", "br020/plate"],
        &["register", "br010"],
    ] {
        let mut command = film.command(words);
        let run = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        project::until("the command", || film.path().join("begun").exists());
        rustix::process::kill_process(Pid::from_child(&run), Signal::INT).unwrap();
        let out = project::ended(run);
        assert_eq!(out.status.code(), Some(130), "{words:?}");
        assert_eq!(told(&out), "endboard: interrupted; nothing was written\n", "{words:?}");
        // The version's program is let go of, too.
        drop(std::fs::OpenOptions::new().read(true).write(true).open(&never).unwrap());
        std::fs::remove_file(film.path().join("begun")).unwrap();
    }
}

#[test]
fn what_no_number_is_in_a_plate_is_told() {
    let film = film();
    film.rebuild(&["br010"]).well();
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    let bytes = std::fs::read(film.path().join("plates/shed.1002.exr")).unwrap();
    for (name, plane) in exr::decode(&bytes).unwrap().planes {
        let channel = image.channel(&name).unwrap();
        plane.chunks(SIZE.0 as usize).zip(0..).for_each(|(row, y)| image.write_row(channel, y, row));
    }
    image.samples_mut(2)[3] = half::f16::NAN;
    film.write("plates/shed.1002.exr", exr::encode(&image, Compression::None, &[]).unwrap());
    film.rebuild(&[]).well();
    let said = film.json(&["match", "br010/push", "--reference", "br020"]);
    let remarks = said["remarks"].to_string();
    assert!(remarks.contains("br020/plate@1002: plates/shed.1002.exr has 1 pixel of "), "{remarks}");
}
