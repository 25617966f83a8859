//! Times a forecast of a feature film: 2,000 shots of six stages, three by hands and three by machine, eight people and two
//! machines, 1,000 runs with the changes that are tried, and prints milliseconds. With ENDBOARD_PYTHON also what networkx takes
//! for one critical path of as many pieces.
//!
//! Knows a made-up crew. Does not know the disk.

mod clock;
#[path = "../tests/outside/mod.rs"]
mod outside;

use clock::row;
use endboard::forecast::calendar::Calendar;
use endboard::forecast::chance::of_text;
use endboard::forecast::outlook::{Ask, Outlook};
use endboard::forecast::rates::Whose;
use endboard::forecast::simulate;
use endboard::forecast::work::{Basis, Counts, Pace, Piece, Stage, Work, Worker};

const SHOTS: usize = 2_000;
const PEOPLE: usize = 8;

fn main() {
    let work = film();
    println!("{SHOTS} shots of 6 stages, {PEOPLE} people, 2 machines; median ms of 3");
    row(3, "1,000 runs", || simulate::runs(&work, 1, 1000).ends.len());
    row(3, "1,000 runs, and changes tried", || {
        Outlook::of(&work, &Ask { runs: 1000, seed: 1, changes: vec![] }).savings.len()
    });
    if let Some(seconds) = outside::outside("schedule_check.py", &["time"], b"") {
        let seconds: f64 = String::from_utf8_lossy(&seconds).trim().parse().expect("seconds");
        println!("{:10.1}  one critical path by networkx", seconds * 1e3);
    }
}

fn film() -> Work {
    let names = ["roto", "cleanup", "blades", "denoise", "colour", "print"];
    let stage = |(at, name): (usize, &&str)| Stage {
        name: (*name).into(),
        whose: if at % 2 == 0 { Whose::Hands } else { Whose::Machine },
        pace: Some(Pace::Measured { middle: (0.02f64).ln(), unsure: 0.3, spread: 0.5 }),
        rework: (0.3, 0.1),
        who: if at % 2 == 0 { (at / 2..PEOPLE).collect() } else { vec![PEOPLE, PEOPLE + 1] },
        seed: of_text(name),
        basis: Basis::Measured(12, "fairly known"),
        counts: Counts::Frames,
    };
    let piece = |i: usize| Piece {
        shot: format!("s{:04}", i / 6).into(),
        stage: i % 6,
        frames: 100,
        units: 60.0 + (i * 7919 % 90) as f64,
        again: 0.0,
        begun: 0.0,
        needs: if i.is_multiple_of(6) { vec![] } else { vec![i as u32 - 1] },
        seed: of_text(&format!("s{i}")),
        only: None,
        asked: true,
        is_approval: false,
    };
    let people = (0..PEOPLE).map(|p| Worker {
        name: format!("person {p}").into(),
        calendar: Calendar::of(move |day| if day % 7 < 5 { 2.0 + p as f64 } else { 4.0 }),
    });
    let machines =
        (0..2).map(|m| Worker { name: format!("machine {m}").into(), calendar: Calendar::even(300.0) });
    Work {
        pieces: (0..SHOTS * 6).map(piece).collect(),
        stages: names.iter().enumerate().map(stage).collect(),
        workers: people.chain(machines).collect(),
    }
}
