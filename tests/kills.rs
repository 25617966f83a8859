//! Rebuilds killed at any instant: the next one goes on as if nothing had happened.
//!
//! Knows when to kill and what must be true afterwards. The instants are spread over the length of a run,
//! which is followed as it goes, so that they fall into every part of it whatever the machine's speed.

mod project;

use std::time::{Duration, Instant};

use project::calls::Story;
use project::{Dice, Film};

fn declare(film: &Film, exposure: u64) {
    film.declare(&format!(
        "  br010:
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
    ));
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
    let length = kill(&film, 0x5a17, 200, &|grade| declare(&film, grade as u64));
    assert_eq!(length, 30);
}

#[test]
fn calls_for_runs_and_shots_deliveries_and_cuts_outlive_kills() {
    let film = Film::new();
    // Commands, deliveries, grades and the cut, each by itself and some together.
    let stories: Vec<Story> = (0..4)
        .map(|at| {
            let mut story = Story::delivered();
            (story.push, story.turn) = (at % 2, at / 2);
            story.exposure[at as usize % 2] += at as u64;
            story.hands.extend((1003..1003 + at).map(|n| (n, 700 + n as u64)));
            story.cut[1] = ("br020", 1003 + at % 2, 1007 + at % 2);
            story
        })
        .collect();
    stories[0].write(&film, None);
    let now = std::cell::Cell::new(0);
    let length = kill(&film, 0x6b28, 60, &|story| {
        stories[story].write(&film, Some(&stories[now.replace(story)]));
    });
    assert_eq!(length, 2 * 6 + 3 * 6 + 11);
}

/// Kills rebuilds of a film that is written in four ways, and gives how many renders it has.
fn kill(film: &Film, seed: u64, kills: usize, declare: &dyn Fn(usize)) -> usize {
    let clean: Vec<_> = (0..4)
        .map(|way| {
            declare(way);
            film.clean()
        })
        .collect();
    assert!(clean.iter().all(|files| files.len() == clean[0].len()) && clean[0] != clean[1]);

    declare(0);
    let began = Instant::now();
    film.rebuild(&[]).well();
    let mut length = began.elapsed();

    let mut dice = Dice(seed);
    let (mut way, mut cut_short) = (0, 0);
    for kill in 0..kills {
        let before = rows(film);
        let other = (way + 1 + dice.below(3) as usize) % 4;
        declare(other);
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

        // Half of the time the film goes back to what it was, the other half it goes on.
        way = if dice.below(2) == 0 { way } else { other };
        declare(way);
        let said = film.rebuild(&[]);
        assert_eq!(said.code, Some(0), "after kill {kill}: {}\n{}", said.json, said.errors);
        let renders = film.renders();
        let wrong: Vec<_> = clean[way]
            .iter()
            .filter(|&(path, bytes)| renders.get(path) != Some(bytes))
            .map(|(p, _)| p)
            .collect();
        assert!(wrong.is_empty(), "after kill {kill} at {instant:?} these differ: {wrong:?}");
        assert_eq!(renders.len(), clean[0].len(), "after kill {kill} there is more than was declared");
        assert_eq!(
            film.json(&["hours"])["format"].as_str().map(|f| f.starts_with("endboard hours")),
            Some(true)
        );
        let after = rows(film);
        assert!(after.starts_with(&before), "kill {kill} took rows of the ledger with it");
        let left = std::fs::read_dir(film.path().join(".endboard/work")).unwrap().count();
        assert_eq!(left, 0, "after kill {kill} half-made files are left");
    }
    println!("{cut_short} of {kills} runs were cut short, run length {length:?}");
    assert!(cut_short > kills / 3, "only {cut_short} runs were cut short");
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    clean[0].len()
}
