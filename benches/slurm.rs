//! A large film parted for a cluster, and the cluster's work on it played through: `cargo bench --bench slurm [-- SHOTS FRAMES NODES]`.
//!
//! Knows an invented film (2,000 shots of 120 frames unless told otherwise), what a frame of each stage takes, and how a
//! scheduler hands tasks to machines in order. Parts and arrays are the program's own. The same in every run but for the time
//! that parting takes. Does not judge: it prints.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};
use std::fmt::Write;
use std::time::Instant;

use endboard::base::frames::FrameSet;
use endboard::execute::slurm::Bounds;
use endboard::graph::{Graph, NodeId};
use endboard::plan::parts::{Parts, split};
use endboard::project::Project;
use endboard::project::afar::sizes;

/// Seconds of one processor for a frame of 1920x1080 by stage: what the demo film's ledger has for frames of 960x540, times
/// four. The command's is invented: a neural denoiser on a processor.
const SECONDS: [(&str, f64); 7] = [
    ("roto", 0.06),
    ("cleanup", 1.9),
    ("denoise", 8.0),
    ("blades", 0.4),
    ("colour", 0.3),
    ("assembly", 0.1),
    ("solve", 2.0),
];
/// Tasks that a machine takes at a time.
const SLOTS: usize = 16;
/// Tasks that the controller starts in a second at most (from memory, of common machines).
const STARTS: f64 = 100.0;
/// Seconds that a task takes to start in a film of this size: reading declaration and states, and a stat of every plate.
const STARTUP: f64 = 3.0;
/// What Slurm has where its configuration says nothing (slurm.conf manual).
const BOUNDS: Bounds = Bounds { array: 1001, jobs: 10_000 };

fn main() {
    let numbers: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let number = |at: usize, usual: usize| numbers.get(at).copied().unwrap_or(usual);
    let (shots, frames, nodes) = (number(0, 2000), number(1, 120), number(2, 200));
    let began = Instant::now();
    let graph = film(shots, frames);
    println!(
        "{shots} shots of {frames} frames, {} stages; read in {:.2} s",
        graph.nodes.len(),
        began.elapsed().as_secs_f64()
    );
    let is_made = |id: &NodeId| !graph.nodes[*id].is_passed_on();
    let due: BTreeMap<NodeId, FrameSet> =
        (0..graph.nodes.len()).filter(is_made).map(|id| (id, graph.nodes[id].frames.into())).collect();
    let count: usize = due.values().map(FrameSet::len).sum();
    let cost = |id: NodeId| {
        let stage = &*graph.nodes[id].stage;
        SECONDS.iter().find(|(name, _)| *name == stage).map_or(0.1, |(_, seconds)| *seconds)
    };
    let total: f64 = due.iter().map(|(id, frames)| cost(*id) * frames.len() as f64).sum();
    let sizes = sizes(&Default::default(), BOUNDS, STARTUP, total);
    let began = Instant::now();
    let parts = split(&graph, &due, &cost, &sizes);
    println!(
        "{count} frames to make, {:.0} processor hours; parted in {:.2} s",
        total / 3600.0,
        began.elapsed().as_secs_f64()
    );
    tell(&parts, total);
    play(&parts, nodes * SLOTS, total);
}

/// Every shot has a mask, a clean-up, a command with reach 1, blades and a grade; every tenth a call for the whole shot.
fn film(shots: usize, frames: usize) -> Graph {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut text = "film: The Brine Lamp\nrate: 24\nframe_size: 1920x1080\nplates:\n".to_string();
    let last = 1000 + frames;
    for shot in 0..shots {
        writeln!(text, "  p{shot:04}: {{ files: plates/p{shot:04}.####.exr, frames: 1001-{last} }}")
            .expect("memory");
    }
    text += "shots:\n";
    let stages = "{ roto: { operator: grade, keep: false, exposure: 0.1 }, cleanup: { operator: grade, from: { picture: roto } }, \
                  denoise: { command: 'denoise {picture} {out}', reach: 1, from: { picture: cleanup } }, blades: { operator: grade, from: { picture: denoise } }, \
                  colour: { operator: grade, from: { picture: blades } } }";
    let whole = stages.replace("from: { picture: blades }", "from: { picture: solve }").replace(
        " colour:",
        " solve: { command: 'solve {picture} {out}', each: shot, from: { picture: blades } }, colour:",
    );
    for shot in 0..shots {
        let stages = if shot % 10 == 9 { &whole } else { stages };
        writeln!(text, "  br{shot:04}: {{ plate: p{shot:04}, frames: 1001-{last}, stages: {stages} }}")
            .expect("memory");
    }
    std::fs::write(folder.path().join("endboard.yaml"), text + "assembly: {}\n").expect("a file");
    let declared = Project { folder: folder.path().to_path_buf() }.read();
    assert!(declared.is_sound(), "{:?}", declared.problems.first().map(|p| &p.message));
    declared.graph
}

fn tell(parts: &Parts, total: f64) {
    let waves = parts.parts.iter().map(|part| part.wave + 1).max().unwrap_or(0);
    let longest = parts.parts.iter().map(|part| part.seconds).fold(0.0, f64::max);
    let needs: usize = parts.arrays.iter().map(|array| array.after.len()).max().unwrap_or(0);
    println!(
        "{} parts in {} arrays, {waves} waves; {needs} arrays named in a dependency at most",
        parts.parts.len(),
        parts.arrays.len()
    );
    println!("a part: {:.0} s on average, {longest:.0} s at most", total / parts.parts.len() as f64);
    let startup = STARTUP * parts.parts.len() as f64;
    println!(
        "starting tasks: {:.0} processor hours, {:.1} %",
        startup / 3600.0,
        100.0 * startup / (total + startup)
    );
    for wave in 0..waves {
        let of = parts.parts.iter().filter(|part| part.wave == wave);
        let (count, seconds) = of.fold((0, 0.0), |(n, s), part| (n + 1, s + part.seconds));
        println!("  wave {wave}: {count} parts, {:.0} s each", seconds / f64::from(count.max(1)));
    }
}

/// Hands parts to `slots` in the order of arrays, as soon as what an array waits for is over and the controller can start one more.
fn play(parts: &Parts, slots: usize, total: f64) {
    let mut left: Vec<usize> = parts.arrays.iter().map(|array| array.parts.len()).collect();
    let mut next: Vec<usize> = parts.arrays.iter().map(|array| array.parts.start).collect();
    let mut ends: BinaryHeap<Reverse<(u64, usize)>> = BinaryHeap::new();
    let (mut now, mut free, mut may, mut handed, mut first_open) = (0u64, slots, 0u64, 0, 0);
    let micro = |seconds: f64| (seconds * 1e6) as u64;
    let mut busy = 0u64;
    while handed < parts.parts.len() || !ends.is_empty() {
        while first_open < parts.arrays.len() && next[first_open] == parts.arrays[first_open].parts.end {
            first_open += 1;
        }
        let is_ready = |a: &usize| {
            next[*a] < parts.arrays[*a].parts.end && parts.arrays[*a].after.iter().all(|of| left[*of] == 0)
        };
        let array = if free > 0 { (first_open..parts.arrays.len()).find(is_ready) } else { None };
        if let Some(array) = array {
            may = may.max(now) + micro(1.0 / STARTS);
            let takes = micro(STARTUP + parts.parts[next[array]].seconds);
            busy += takes;
            ends.push(Reverse((may + takes, array)));
            next[array] += 1;
            handed += 1;
            free -= 1;
        } else if let Some(Reverse((at, array))) = ends.pop() {
            now = at;
            left[array] -= 1;
            free += 1;
        }
    }
    let hours = |micro: u64| micro as f64 / 3.6e9;
    println!(
        "{slots} tasks at a time: over after {:.2} h, {:.2} h at best; slots are at work {:.0} % of the time",
        hours(now),
        total / slots as f64 / 3600.0,
        100.0 * busy as f64 / (now as f64 * slots as f64)
    );
}
