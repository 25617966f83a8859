//! How long work takes, ours and that of the libraries it is set beside.
//!
//! Knows the clock, and where peers' scripts lie. Does not know what is timed.

// Each bench takes what it needs.
#![allow(dead_code)]

use std::process::Command;
use std::time::Instant;

/// Milliseconds of `work`.
fn once(work: &mut impl FnMut()) -> f64 {
    let start = Instant::now();
    work();
    start.elapsed().as_secs_f64() * 1e3
}

/// Milliseconds of `work`, the least of five.
pub fn least(mut work: impl FnMut()) -> f64 {
    (0..5).map(|_| once(&mut work)).fold(f64::INFINITY, f64::min)
}

/// What a script of `tests/outside` says of the peers' times; nothing where `ENDBOARD_PYTHON` names no Python that can run it.
pub fn peers(script: &str, words: &[&str]) -> String {
    let script = format!("{}/tests/outside/{script}", env!("CARGO_MANIFEST_DIR"));
    let run = std::env::var_os("ENDBOARD_PYTHON")
        .and_then(|python| Command::new(python).arg(script).args(words).output().ok());
    run.map_or_else(String::new, |run| String::from_utf8_lossy(&run.stdout).into_owned())
}

/// Prints our milliseconds, the lesser of two runs with the peers' between them, and then the peers' own lines of a name and
/// a time, as `told` words the name.
pub fn beside_opencv<const N: usize>(
    size: (usize, usize),
    script: &str,
    ours: impl Fn() -> [(&'static str, f64); N],
    told: impl Fn(&str) -> String,
) {
    let first = ours();
    let peers = peers(script, &["time"]);
    let second = ours();
    println!("{}x{}, one thread, median ms", size.0, size.1);
    for ((name, a), (_, b)) in first.iter().zip(&second) {
        println!("{:8.1}  {name}", a.min(*b));
    }
    for (name, ms) in peers.lines().filter_map(|line| line.split_once('\t')) {
        println!("{ms:>8}  {}", told(name));
    }
    if peers.is_empty() {
        println!("not compared: ENDBOARD_PYTHON names no Python with OpenCV");
    }
}

/// Milliseconds of `work`, the middle one of so many times, an odd number, after one that is not counted.
pub fn median(times: usize, mut work: impl FnMut()) -> f64 {
    work();
    let mut all: Vec<f64> = (0..times).map(|_| once(&mut work)).collect();
    all.sort_by(f64::total_cmp);
    all[times / 2]
}

/// Prints the milliseconds of `work`, the middle one of so many times, an odd number, and what was timed.
pub fn row(times: usize, what: &str, mut work: impl FnMut() -> usize) {
    let mut run = || {
        std::hint::black_box(work());
    };
    let mut all: Vec<f64> = (0..times).map(|_| once(&mut run)).collect();
    all.sort_by(f64::total_cmp);
    println!("{:10.1}  {what}", all[times / 2]);
}
