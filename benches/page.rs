//! Draws the page of a feature film of 2,000 shots of six stages, 400 pictures among them, and prints how large it is, how many
//! milliseconds drawing takes and, where a browser is driven by `chromedriver`, what the browser's own clock says of it. `-- FILE …`
//! has the browser look at those pages too, in turns with the one that was drawn.
//!
//! Knows a made-up film. What is timed in the browser, `page.py` beside it knows.

mod clock;

use std::process::Command;
use std::time::Duration;

use clock::row;
use endboard::base::frames::FrameRange;
use endboard::base::state::{FrameState, State};
use endboard::report::page::values::{Bar, Chart, Distribution, Kind, Page, Picture, Piece, Shot, Spent};
use endboard::report::page::{self, Way};
use endboard::report::states::{Counts, Strip};
use jiff::Span;
use jiff::civil::Date;

const SHOTS: usize = 2_000;
const STAGES: [&str; 6] = ["roto", "cleanup", "blades", "denoise", "light", "colour"];
/// Bytes of a picture in the strip and of one of a stage, as they came out of a film of 960 by 540.
const BYTES: [usize; 2] = [3_000, 8_000];

fn main() {
    let film = film();
    let mut html = String::new();
    println!("{SHOTS} shots of {} stages; median ms of 3", STAGES.len());
    row(3, "the page drawn", || {
        html = page::html(&film, &Way::File);
        html.len()
    });
    println!("{:10}  bytes", html.len());
    let file = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("page.html");
    std::fs::write(&file, &html).expect("the page is written");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/page.py");
    // Cargo's own flag is no file.
    let others = std::env::args().skip(1).filter(|word| !word.starts_with("--"));
    let python = std::env::var_os("ENDBOARD_PYTHON").unwrap_or_else(|| "python3".into());
    let run = Command::new(python).arg(script).arg(&file).args(others).status();
    if !run.is_ok_and(|run| run.success()) {
        println!("not looked at: no Python, or no chromedriver with a browser");
    }
}

fn film() -> Page {
    let shots: Vec<Shot> = (0..SHOTS).map(shot).collect();
    let counts = shots.iter().fold(Counts::default(), |mut sum, shot| {
        sum.add(Counts::of_all(&shot.stages));
        sum
    });
    let piece = |(n, shot): (usize, &Shot)| Piece {
        shot: Some(shot.name.clone()),
        frames: Some(FrameRange::new(1009, 1058)),
        length: 50,
        at: format!("00:{:02}:{:02}:{:02}", n * 50 / 1440, n * 50 / 24 % 60, n * 50 % 24),
        pictures: if n % 8 == 0 { vec![picture(n, BYTES[0])] } else { vec![] },
    };
    let pieces = shots.iter().enumerate().map(piece).collect();
    Page {
        film: "The Brine Lamp".into(),
        made: "As of 28 November 2026, 21:00.".into(),
        rate: 24.0,
        pieces,
        is_cut: true,
        shots,
        counts,
        next: vec!["A rebuild makes up to 12000 frames.".into()],
        hours: hours(),
        forecast: Some(forecast()),
        ..Page::default()
    }
}

/// Time by stage, people's and machines'.
fn hours() -> Spent {
    let bar = |(n, stage): (usize, &&str)| {
        let hours = |n: usize| Duration::from_secs(n as u64 * 3600);
        let parts = vec![
            (Kind::PeopleFirst, hours(40 + n * 17 % 60)),
            (Kind::PeopleRework, hours(n * 23 % 30)),
            (Kind::MachineFirst, hours(8 + n * 5)),
            (Kind::MachineRework, hours(n * 3)),
        ];
        Bar { name: (*stage).into(), parts }
    };
    let bars = STAGES.iter().enumerate().map(bar).collect();
    Spent {
        says: vec!["People worked 512 h 00 m, machines 168 h 00 m.".into()],
        charts: vec![Chart { title: "By stage".into(), of: "stage".into(), bars }],
    }
}

/// Ends of a thousand runs, most of them early and few very late.
fn forecast() -> Distribution {
    let first: Date = "2027-01-11".parse().expect("a day");
    let on = |n: i64| first.checked_add(Span::new().days(n)).expect("a day");
    let runs = |n: i64| (90.0 * (n as f64 / 9.0) * (1.0 - n as f64 / 9.0).exp()).round() as u64;
    Distribution {
        days: (0..75)
            .filter(|n| n % 7 != 6)
            .map(|n| (on(n), runs(n)))
            .filter(|(_, runs)| *runs > 0)
            .collect(),
        quantiles: [("P50", 15), ("P80", 27), ("P95", 43)]
            .map(|(name, n)| (name.to_string(), on(n)))
            .to_vec(),
        unknown: Vec::new(),
        says: vec![
            "Colour holds the film up.".into(),
            "One more person for colour would save 9 days.".into(),
        ],
    }
}

/// A shot in which each stage is less done than the one before it.
fn shot(n: usize) -> Shot {
    let name = format!("br{:05}", (n + 1) * 10);
    let run = |first, last, state: State| (FrameRange::new(first, last), FrameState { state, held: false });
    let strip = |(at, stage): (usize, &&str)| {
        let done = 1009 + ((n * 31 + at * 17) % 49) as i64;
        let runs = match (n + at) % 4 {
            0 => vec![run(1001, done, State::Fresh), run(done + 1, 1066, State::Stale)],
            1 => vec![
                run(1001, done, State::Fresh),
                run(done + 1, 1060, State::Absent),
                run(1061, 1066, State::Blocked),
            ],
            _ => vec![run(1001, 1066, State::Fresh)],
        };
        Strip { shot: name.clone(), stage: (*stage).into(), runs }
    };
    let stages = STAGES.iter().enumerate().map(strip).collect();
    let still = |stage: &str| Picture {
        stage: stage.into(),
        frame: 1034,
        source: picture(n, BYTES[1]),
        size: (320, 180),
    };
    let pictures = if n.is_multiple_of(25) { vec![still("roto"), still("colour")] } else { vec![] };
    Shot { name, left_out: false, stages, pictures }
}

/// A picture that no other is like, which no packing makes shorter.
fn picture(seed: usize, bytes: usize) -> String {
    use base64::Engine as _;
    let mut bits = blake3::Hasher::new().update(&seed.to_le_bytes()).finalize_xof();
    let mut all = vec![0; bytes];
    bits.fill(&mut all);
    format!("data:image/jpeg;base64,{}", base64::engine::general_purpose::STANDARD.encode(all))
}
