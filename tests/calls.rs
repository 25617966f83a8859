//! Calls of many frames, renders that are not kept, and movies that change while a rebuild reads them.
//!
//! Knows the tiny film of `project` and which frames must come out, whichever worker came first.

mod project;

use std::process::Command;

use project::{Film, ended};
use serde_json::json;

/// Copies every input of a call to its output: `copy.sh INPUT OUTPUT`.
const COPY: &str =
    "d=${1%/*}\nfor f in \"$d\"/picture.*.exr; do cp \"$f\" \"$d/out.${f##*picture.}\"; done\n";

/// Shots of the plate `shed`, each with these stages.
fn film(stages: &str, shots: &[(&str, &str)]) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    declare(&film, stages, shots);
    film
}

fn declare(film: &Film, stages: &str, shots: &[(&str, &str)]) {
    let mut text = "film: The Brine Lamp\nrate: 24\nframe_size: 32x18\nworking_space: linear-rec709\npools: { licence: 1 }\n\
                    plates:\n  shed: { files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }\nshots:\n"
        .to_string();
    for (shot, frames) in shots {
        text += &format!("  {shot}:\n    plate: shed\n    frames: {frames}\n    stages:\n{stages}");
    }
    film.write("endboard.yaml", text);
}

#[test]
fn a_call_for_a_whole_shot_leaves_held_renders_alone() {
    let stages = |word: &str| {
        format!("      tool: {{ command: 'sh copy.sh {{picture}} {{out}} {word}', each: shot }}\n")
    };
    let shots = [("br010", "1001-1004")];
    let film = film(&stages("one"), &shots);
    film.write("copy.sh", COPY);
    film.rebuild(&[]).well();
    assert!(film.run(&["rebuild", "--hold", "br010/tool@1002"]).status.success());
    let before = film.renders();
    film.write_plate("shed", 4);
    declare(&film, &stages("two"), &shots);
    let said = film.rebuild(&[]).well();
    let made: Vec<_> = [1001, 1003, 1004].map(|n| format!("br010/tool@{n}")).into();
    assert_eq!(said.rendered.into_iter().collect::<Vec<_>>(), made);
    let held = std::path::Path::new("br010/tool/br010.1002.exr");
    assert_eq!(film.renders()[held], before[held]);
    assert_eq!(
        film.status_of("br010/tool"),
        json!([["1001", "fresh"], ["1002", "held"], ["1003-1004", "fresh"]])
    );
}

#[test]
fn of_a_call_that_fails_at_its_last_frame_nothing_is_taken() {
    let stages = "      tool: { command: 'sh copy.sh {picture} {out}', each: shot, retries: 1 }\n";
    let film = film(stages, &[("br010", "1001-1004")]);
    // The second try, whose marks lie there, does well.
    film.write("copy.sh", format!("{COPY}[ -e tried ] || echo brine > \"$d/out.1004.exr\"\ntouch tried\n"));
    assert_eq!(film.rebuild(&[]).well().rendered.len(), 4);
    std::fs::remove_dir_all(film.path().join(".endboard")).unwrap();
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    film.write("copy.sh", format!("{COPY}echo brine > \"$d/out.1004.exr\"\n"));
    let said = film.rebuild(&[]);
    assert_eq!(
        (said.rendered.len(), said.json["failures"].as_array().unwrap().len()),
        (0, 4),
        "{}",
        said.json
    );
    assert!(said.json["failures"][0]["reason"].as_str().unwrap().contains("1004"), "{}", said.json);
    assert!(film.renders().is_empty());
}

#[test]
fn renders_that_are_not_kept_are_made_again_in_their_pools() {
    // Whoever meets another of its kind, in a while that is long for a shell, leaves word of it.
    let meet = "in=$1 out=$2\ntouch run.$$\ni=0\nwhile [ $i -lt 20000 ]; do i=$((i+1)); done\n\
                set -- run.*\n[ $# -gt 1 ] && touch met\nrm run.$$\ncp \"$in\" \"$out\"\n";
    let stages = "      tool: { command: 'sh meet.sh {picture} {out}', keep: false, pools: { licence: 1 } }\n      \
                  last: { command: 'sh meet.sh {picture} {out} last', from: { picture: tool }, pools: { licence: 1 } }\n      \
                  colour: { operator: grade, from: { picture: tool } }\n";
    let film = film(stages, &[("br010", "1001-1002"), ("br020", "1003-1004")]);
    film.write("meet.sh", meet);
    film.rebuild(&["*/tool", "--jobs", "2"]).well();
    film.rebuild(&["*/colour", "--jobs", "2"]).well();
    // The stage that needs it wants the one place of its pool too.
    assert_eq!(film.rebuild(&["*/last", "--jobs", "2"]).well().rendered.len(), 4);
    assert!(!film.path().join("met").exists(), "two were at work in a pool of one place");
}

#[test]
fn a_run_is_made_in_one_call_though_only_who_needs_it_is_selected() {
    let stages = "      tool: { command: 'sh copy.sh {picture} {out}', each: run }\n      \
                  colour: { operator: grade, from: { picture: tool } }\n";
    let film = film(stages, &[("br010", "1001-1008")]);
    film.write("copy.sh", format!("echo called >> calls\n{COPY}"));
    let calls = || std::fs::read_to_string(film.path().join("calls")).unwrap().lines().count();
    film.rebuild(&["br010/colour", "--jobs", "2"]).well();
    assert_eq!(calls(), 1);
    [1003, 1004, 1005, 1007].into_iter().for_each(|n| film.write_plate_frame("shed", n, n as u64));
    let said = film.rebuild(&["br010/colour@1003-1004"]).well();
    let made = ["colour@1003", "colour@1004", "tool@1003", "tool@1004"].map(|name| format!("br010/{name}"));
    assert_eq!((said.rendered, calls()), (made.into(), 2), "no more than they need");
    film.rebuild(&["br010/colour"]).well();
    assert_eq!(calls(), 4, "1005 and 1007 lie apart");
}

#[test]
fn a_rebuild_does_not_wait_for_a_place_that_it_holds_itself() {
    let stages = |word: &str| {
        let tool = |stage: &str, more: &str| {
            format!("      {stage}: {{ command: 'cp {{picture}} {{out}}', pools: {{ licence: 1 }}{more} }}\n")
        };
        let last = format!(
            "      last: {{ command: 'sh copy.sh {{picture}} {{out}} {word}', from: {{ picture: middle }}, \
             pools: {{ licence: 1 }} }}\n"
        );
        tool("first", "") + &tool("middle", ", from: { picture: first }, keep: false") + &last
    };
    let shots = [("br010", "1001-1002")];
    let film = film(&stages("one"), &shots);
    film.write("copy.sh", COPY);
    film.rebuild(&[]).well();
    // What is not kept is fresh, and what it is made of is lost, so that it is found to be missing while `last` is made.
    std::fs::remove_dir_all(film.path().join(".endboard/objects")).unwrap();
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    declare(&film, &stages("two"), &shots);
    assert!(ended(film.start(&["rebuild", "br010/last", "--jobs", "2"])).status.success());
    assert_eq!(film.status_of("br010/last"), json!([["1001-1002", "fresh"]]));
}

/// Writes two movies of eight pictures each; false where ffmpeg is not installed.
fn movies(film: &Film) -> bool {
    ["testsrc", "testsrc2"].into_iter().all(|source| {
        let source = format!("{source}=size=32x18:rate=24:duration=0.3334");
        let made = Command::new("ffmpeg")
            .args(["-v", "error", "-f", "lavfi", "-i", &source, "-c:v", "ffv1"])
            .arg(film.path().join(format!("{}.mkv", &source[..8])))
            .output();
        made.is_ok_and(|output| output.status.success())
    })
}

/// A damaged movie gives pictures all the same, of which a decoder only says that they are not those that were written.
#[test]
fn a_damaged_movie_is_never_taken_for_a_sound_one() {
    let film = Film::new();
    let movie = film.path().join("ride.mov");
    if !project::draw_movie(&movie, "testsrc2=size=320x180:rate=24", 12) {
        return println!("not checked: ffmpeg or its mpeg4 is not installed");
    }
    film.write(
        "endboard.yaml",
        "film: The Brine Lamp\nrate: 24\nframe_size: 320x180\nplates:\n  \
         ride: { movie: ride.mov, first: 1001, encoding: rec709 }\nshots:\n  br010:\n    \
         plate: ride\n    frames: 1001-1012\n    stages:\n      colour: { operator: grade, exposure: 0.25 }\n",
    );
    assert_eq!(film.said(&["check"]).0, Some(0));
    film.rebuild(&[]).well();
    let clean = film.renders();
    let mut bytes = std::fs::read(&movie).unwrap();
    let third = bytes.len() / 3;
    bytes[third..third + 60].iter_mut().for_each(|byte| *byte ^= 0x5a);
    std::fs::remove_file(&movie).unwrap();
    std::fs::remove_dir_all(film.path().join(".endboard")).unwrap();
    std::fs::remove_dir_all(film.path().join("renders")).unwrap();
    film.write("ride.mov", bytes);
    let (code, words) = film.said(&["check"]);
    assert!(code == Some(1) && words.contains("ride.mov is damaged: ffprobe says: "), "{words}");
    // Asked again it says so again.
    assert_eq!(film.said(&["check"]), (code, words));
    for jobs in ["1", "2"] {
        let said = film.rebuild(&["--jobs", jobs]);
        assert_eq!(said.code, Some(1), "{}", said.json);
        let failures = said.json["failures"].as_array().unwrap();
        let reason = |failure: &serde_json::Value| failure["reason"].as_str().unwrap().to_string();
        assert!(
            failures.iter().any(|f| reason(f).contains("ride.mov: the movie is damaged")),
            "{}",
            said.json
        );
        // What is made of it is what the sound movie gives.
        for (path, bytes) in film.renders() {
            assert_eq!(clean.get(&path), Some(&bytes), "{}", path.display());
        }
        assert!(film.renders().len() < clean.len());
    }
}

#[test]
fn a_movie_that_is_replaced_during_a_rebuild_is_not_taken() {
    // The last is replaced by the same bytes, which is seen only afterwards, so that its frames are not taken either.
    for (swapped_at, safe, with) in
        [("br005.1003", 0, "testsrc2"), ("br010.1002", 2, "testsrc2"), ("br005.1003", 0, "testsrc=")]
    {
        let film = Film::new();
        if !movies(&film) {
            return println!("not checked: ffmpeg is not installed");
        }
        let source =
            |name: &str| std::fs::copy(film.path().join(name), film.path().join("ride.mkv")).unwrap();
        source("testsrc=.mkv");
        film.write_plate("shed", 3);
        film.write(
            "swap.sh",
            format!(
                "[ $3 = {swapped_at} ] && [ ! -e swapped ] && touch swapped && cp {with}.mkv new.mkv && \
                 mv new.mkv ride.mkv\ncp \"$1\" \"$2\"\n"
            ),
        );
        film.write(
            "endboard.yaml",
            "film: The Brine Lamp\nrate: 24\nframe_size: 32x18\nplates:\n  \
             shed: { files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }\n  \
             ride: { movie: ride.mkv, first: 1001, encoding: rec709 }\nshots:\n  br005:\n    \
             plate: shed\n    frames: 1001-1004\n    stages:\n      \
             tool: { command: 'sh swap.sh {picture} {out} {shot}.{frame}' }\n  br010:\n    \
             takes: { left: shed, right: ride }\n    frames: 1001-1004\n    stages:\n      \
             tool: { command: 'sh swap.sh {picture} {out} {shot}.{frame} here', from: { picture: take.left } }\n      \
             colour: { operator: grade, from: { picture: take.right } }\n",
        );
        // Frames come in the order of the film, each with its plate of the movie before its tool.
        let said = film.rebuild(&["--jobs", "1"]);
        assert!(film.path().join("swapped").exists(), "{}", said.json);
        let failures = said.json["failures"].as_array().unwrap();
        assert_eq!(failures.len(), 4 - safe, "swapped at {swapped_at}: {}", said.json);
        assert!(
            failures.iter().all(|f| f["reason"].as_str().unwrap().contains("changed during the rebuild"))
        );
        // Neither the new movie nor the old one, when it comes back, finds anything but its own pictures.
        let after = film.rebuild(&[]);
        assert_eq!(
            (after.code, film.renders()),
            (Some(0), film.clean()),
            "swapped at {swapped_at}: {}",
            after.json
        );
        source("testsrc=.mkv");
        let back = film.rebuild(&[]);
        assert_eq!(
            (back.code, film.renders()),
            (Some(0), film.clean()),
            "swapped at {swapped_at}: {}",
            back.json
        );
    }
}
