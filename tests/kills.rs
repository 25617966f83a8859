//! Rebuilds killed at any instant: the next one goes on as if nothing had happened.
//!
//! Knows when to kill and what must be true afterwards. The instants are spread over the length of a run,
//! which is followed as it goes, so that they fall into every part of it whatever the machine's speed.

mod project;

use std::time::{Duration, Instant};

use project::{Dice, Film};

const KILLS: usize = 200;

fn declare(film: &Film, exposure: u64) {
    film.write(
        "endboard.yaml",
        format!(
            "film: The Brine Lamp
rate: 24
frame_size: 32x18
working_space: linear-rec709
plates:
  shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}
shots:
  br010:
    plate: shed
    frames: 1001-1006
    stages:
      colour: {{ operator: grade, from: {{ picture: plate }}, exposure: {} }}
      ramp: {{ operator: retime, from: {{ picture: colour }}, speed: 50 }}
  br020:
    plate: shed
    frames: 1003-1008
    stages:
      colour: {{ operator: grade, from: {{ picture: plate }}, exposure: {} }}
assembly: {{ from: colour }}
",
            exposure as f64 / 10.0,
            exposure as f64 / 20.0
        ),
    );
}

fn rows(film: &Film) -> Vec<String> {
    let text = std::fs::read_to_string(film.path().join("ledger/keeper.jsonl")).unwrap_or_default();
    text.lines()
        .filter(|line| serde_json::from_str::<serde_json::Value>(line).is_ok())
        .map(str::to_string)
        .collect()
}

#[test]
fn a_rebuild_killed_at_any_instant_is_taken_up_again() {
    let film = Film::new();
    film.write_plate("shed", 7);
    let grades: Vec<u64> = (0..4).collect();
    let clean: Vec<_> = grades
        .iter()
        .map(|&grade| {
            declare(&film, grade);
            film.clean()
        })
        .collect();
    assert!(clean.iter().all(|files| files.len() == 30) && clean[0] != clean[1], "{}", clean[0].len());

    declare(&film, 0);
    let began = Instant::now();
    film.rebuild(&[]).well();
    let mut length = began.elapsed();

    let mut dice = Dice(0x5a17);
    let (mut grade, mut cut_short) = (0, 0);
    for kill in 0..KILLS {
        let before = rows(&film);
        let other = (grade + 1 + dice.below(3)) % 4;
        declare(&film, other);
        // Now and then everything that was made is forgotten, so that there is something to render.
        if kill % 3 == 0 {
            std::fs::remove_dir_all(film.path().join(".endboard")).unwrap();
        }
        if kill % 7 == 0 {
            std::fs::remove_dir_all(film.path().join("renders")).unwrap();
        }
        let mut run = film.start(&["rebuild"]);
        let instant = Duration::from_nanos(dice.below(length.as_nanos() as u64));
        let started = Instant::now();
        while started.elapsed() < instant && run.try_wait().unwrap().is_none() {
            std::hint::spin_loop();
        }
        let _ = run.kill();
        let was_cut = !run.wait().unwrap().success();
        cut_short += usize::from(was_cut);
        // The span of instants follows the runs, so that a third of them get to their end.
        length = if was_cut { length * 17 / 16 } else { length * 7 / 8 };

        // Half of the time the film goes back to the grade that it had, the other half it goes on.
        grade = if dice.below(2) == 0 { grade } else { other };
        declare(&film, grade);
        let said = film.rebuild(&[]);
        assert_eq!(said.code, Some(0), "after kill {kill}: {}\n{}", said.json, said.errors);
        let wrong: Vec<_> = clean[grade as usize]
            .iter()
            .filter(|&(path, bytes)| film.renders().get(path) != Some(bytes))
            .map(|(path, _)| path)
            .collect();
        assert!(wrong.is_empty(), "after kill {kill} at {instant:?} these differ: {wrong:?}");
        assert_eq!(film.renders().len(), clean[0].len(), "after kill {kill} there is more than was declared");
        assert_eq!(
            film.json(&["hours"])["format"].as_str().map(|f| f.starts_with("endboard hours")),
            Some(true)
        );
        let after = rows(&film);
        assert!(after.starts_with(&before), "kill {kill} took rows of the ledger with it");
        let left = std::fs::read_dir(film.path().join(".endboard/work")).unwrap().count();
        assert_eq!(left, 0, "after kill {kill} half-made files are left");
    }
    println!("{cut_short} of {KILLS} runs were cut short, run length {length:?}");
    assert!(cut_short > KILLS / 3, "only {cut_short} runs were cut short");
    assert!(film.rebuild(&[]).well().rendered.is_empty());
}
