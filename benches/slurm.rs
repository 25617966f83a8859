//! A large film parted for a cluster, and the cluster's work on it played through: `cargo bench --bench slurm [-- SHOTS FRAMES NODES]`.
//!
//! Knows an invented film (2,000 shots of 120 frames unless told otherwise), what a frame of each stage takes, and how a
//! scheduler hands tasks to machines in order. Parts and arrays are the program's own. The same in every run but for the time
//! that parting takes. Does not judge: it prints.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};
use std::fmt::Write;
use std::time::Instant;

use endboard::base::frames::FrameSet;
use endboard::execute::slurm::Bounds;
use endboard::graph::{Graph, NodeId};
use endboard::plan::parts::Parts;
use endboard::project::Project;
use endboard::project::afar::within;

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
    let began = Instant::now();
    let parts = within(&graph, &due, &cost, &Default::default(), BOUNDS, STARTUP);
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
    let needs = parts.arrays.iter().map(|array| array.after.len() + array.beside.len()).max().unwrap_or(0);
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

/// Hands parts to `slots` in the order of their numbers, each as soon as what it waits for is over and the controller can start one
/// more: of arrays that come before its own all parts, of those beside it the one in its own place.
fn play(parts: &Parts, slots: usize, total: f64) {
    let mut cluster = Cluster::of(parts);
    let mut ends: BinaryHeap<Reverse<(u64, usize)>> = BinaryHeap::new();
    let (mut now, mut free, mut may, mut busy) = (0u64, slots, 0u64, 0u64);
    let micro = |seconds: f64| (seconds * 1e6) as u64;
    loop {
        if free > 0
            && let Some(part) = cluster.ready.pop_first()
        {
            may = may.max(now) + micro(1.0 / STARTS);
            let takes = micro(STARTUP + parts.parts[part].seconds);
            busy += takes;
            ends.push(Reverse((may + takes, part)));
            free -= 1;
        } else if let Some(Reverse((at, part))) = ends.pop() {
            now = at;
            cluster.over(part);
            free += 1;
        } else {
            break;
        }
    }
    assert!(cluster.waits.iter().all(|waits| *waits == 0), "every part had its turn");
    let hours = |micro: u64| micro as f64 / 3.6e9;
    println!(
        "{slots} tasks at a time: over after {:.2} h, {:.2} h at best; slots are at work {:.0} % of the time",
        hours(now),
        total / slots as f64 / 3600.0,
        100.0 * busy as f64 / (now as f64 * slots as f64)
    );
}

/// What waits for what.
struct Cluster<'p> {
    parts: &'p Parts,
    array_of: Vec<usize>,
    /// Parts of an array that are not over.
    left: Vec<usize>,
    /// Arrays that wait for one as a whole, and those of which each part waits for the one in its place.
    whole: Vec<Vec<usize>>,
    beside: Vec<Vec<usize>>,
    /// How much a part still waits for.
    waits: Vec<usize>,
    ready: BTreeSet<usize>,
}

impl<'p> Cluster<'p> {
    fn of(parts: &'p Parts) -> Self {
        let count = parts.arrays.len();
        let (mut whole, mut beside) = (vec![Vec::new(); count], vec![Vec::new(); count]);
        let (mut array_of, mut waits) = (Vec::new(), Vec::new());
        for (number, array) in parts.arrays.iter().enumerate() {
            array.after.iter().for_each(|&of| whole[of].push(number));
            array.beside.iter().for_each(|&of| beside[of].push(number));
            array_of.resize(array.parts.end, number);
            waits.resize(array.parts.end, array.after.len() + array.beside.len());
        }
        let left = parts.arrays.iter().map(|array| array.parts.len()).collect();
        let ready = (0..waits.len()).filter(|part| waits[*part] == 0).collect();
        Self { parts, array_of, left, whole, beside, waits, ready }
    }

    fn over(&mut self, part: usize) {
        let array = self.array_of[part];
        let place = part - self.parts.arrays[array].parts.start;
        self.left[array] -= 1;
        let mut freed: Vec<usize> =
            self.beside[array].iter().map(|of| self.parts.arrays[*of].parts.start + place).collect();
        if self.left[array] == 0 {
            freed.extend(self.whole[array].iter().flat_map(|of| self.parts.arrays[*of].parts.clone()));
        }
        for part in freed {
            self.waits[part] -= 1;
            if self.waits[part] == 0 {
                self.ready.insert(part);
            }
        }
    }
}
