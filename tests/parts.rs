//! Parting a film's frames for machines far apart, over made-up films.
//!
//! Knows what must hold of parts whatever the film. Does not know who makes them.

mod project;

use std::collections::{BTreeMap, BTreeSet};

use endboard::base::frames::FrameSet;
use endboard::declare::film::Each;
use endboard::graph::{Graph, NodeId, Work};
use endboard::plan::parts::{Parts, Sizes, split};
use endboard::project::Project;
use project::Film;
use proptest::prelude::*;

/// A stage: how it is called, its reach, and whether it takes a place in the pool.
type Stage = (u8, i64, bool);

fn graph(shots: &[(i64, Vec<Stage>)]) -> Graph {
    let film = Film::new();
    let mut text = "film: The Brine Lamp\nrate: 24\nframe_size: 8x8\npools: { lamp: 2 }\nplates:\n  shed: { files: s.####.exr, frames: 1-400 }\nshots:\n".to_string();
    for (i, (frames, stages)) in shots.iter().enumerate() {
        text += &format!("  br{i:03}:\n    plate: shed\n    frames: 20-{}\n    stages:\n", 19 + frames);
        for (s, (kind, reach, pool)) in stages.iter().enumerate() {
            let pool = if *pool { ", pools: { lamp: 1 }" } else { "" };
            let from = if s == 0 { "plate".to_string() } else { format!("s{}", s - 1) };
            let each = ["frame", "run", "shot"][usize::from(kind % 3)];
            text += &match kind {
                0 => format!("      s{s}: {{ operator: grade, from: {{ picture: {from} }}{pool} }}\n"),
                _ => format!(
                    "      s{s}: {{ command: 'x {{picture}} {{out}}', each: {each}, reach: {reach}, from: {{ picture: {from} }}{pool} }}\n"
                ),
            };
        }
    }
    film.write("endboard.yaml", text + "assembly: {}\n");
    let declared = Project { folder: film.path().to_path_buf() }.read();
    assert!(
        declared.is_sound() || declared.problems.iter().all(|p| p.message.contains("s.0")),
        "{:?}",
        declared.problems
    );
    declared.graph
}

/// All frames that are not passed on, but for one in `hole` of each node.
fn due(graph: &Graph, hole: i64) -> BTreeMap<NodeId, FrameSet> {
    let nodes = graph.nodes.iter().enumerate().filter(|(_, node)| !node.is_passed_on());
    let set = |id: NodeId, frames: std::ops::RangeInclusive<i64>| -> FrameSet {
        frames.filter(|n| (n + id as i64) % hole != 0).collect()
    };
    nodes.map(|(id, node)| (id, set(id, node.frames.iter()))).filter(|(_, set)| !set.is_empty()).collect()
}

fn each(graph: &Graph, id: NodeId) -> Each {
    match &graph.nodes[id].work {
        Work::Command(work) => work.command.each,
        _ => Each::Frame,
    }
}

/// What must hold.
fn judge(graph: &Graph, due: &BTreeMap<NodeId, FrameSet>, sizes: &Sizes, parts: &Parts) {
    let mut of: BTreeMap<(NodeId, i64), usize> = BTreeMap::new();
    for (number, part) in parts.parts.iter().enumerate() {
        for (&id, frames) in &part.targets {
            for frame in frames.iter() {
                assert_eq!(of.insert((id, frame), number), None, "a frame is made once");
                assert!(graph.nodes[id].pools.iter().all(|(pool, _)| part.pools.contains(pool)));
            }
            let width = if each(graph, id) == Each::Frame { frames.len() } else { 0 };
            assert!(width <= sizes.frames, "{width} frames");
        }
        for &need in &part.needs {
            assert!(need < number && parts.parts[need].wave < part.wave, "no circle");
        }
        let is_call = part.targets.keys().any(|id| each(graph, *id) != Each::Frame);
        assert!(
            is_call || part.seconds <= sizes.seconds * 1.01 + 1.0,
            "{} s of {}",
            part.seconds,
            sizes.seconds
        );
    }
    let all: BTreeSet<(NodeId, i64)> =
        due.iter().flat_map(|(&id, set)| set.iter().map(move |n| (id, n))).collect();
    assert_eq!(of.keys().copied().collect::<BTreeSet<_>>(), all);
    for (&(id, frame), &number) in &of {
        graph.each_need(id, frame, &mut |edge, _, range| {
            for n in range.iter() {
                let Some(need) = of.get(&(edge.from, n)) else { continue };
                assert!(
                    *need == number || parts.parts[number].needs.contains(need),
                    "what a part needs it waits for"
                );
            }
        });
    }
    for (&id, set) in due {
        let groups: Vec<Vec<i64>> = match each(graph, id) {
            Each::Frame => continue,
            Each::Run => set.runs().iter().map(|run| run.iter().collect()).collect(),
            Each::Shot => vec![set.iter().collect()],
        };
        for group in groups {
            let parts: BTreeSet<usize> = group.iter().map(|n| of[&(id, *n)]).collect();
            assert_eq!(parts.len(), 1, "a call is whole");
        }
    }
    let mut next = 0;
    for (number, array) in parts.arrays.iter().enumerate() {
        assert_eq!(array.parts.start, next);
        assert!(!array.parts.is_empty() && array.parts.len() <= sizes.array);
        next = array.parts.end;
        assert!(array.after.iter().all(|of| *of < number));
        let of = |part: &usize| parts.arrays.iter().position(|a| a.parts.contains(part)).unwrap();
        for part in array.parts.clone() {
            assert_eq!(parts.parts[part].pools, parts.parts[array.parts.start].pools);
            assert!(parts.parts[part].needs.iter().all(|need| array.after.contains(&of(need))));
        }
    }
    assert_eq!(next, parts.parts.len());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn every_frame_is_in_one_part_that_waits_for_what_it_needs(
        shots in prop::collection::vec((1i64..60, prop::collection::vec((0u8..6, 0i64..4, prop::bool::weighted(0.2)), 1..5)), 1..5),
        seconds in 1.0f64..80.0,
        frames in prop_oneof![1usize..10, Just(usize::MAX)],
        array in 1usize..8,
        hole in 2i64..30,
    ) {
        let graph = graph(&shots);
        let due = due(&graph, hole);
        let sizes = Sizes { seconds, frames, array };
        let cost = |id: NodeId| 0.1 + (id % 5) as f64 * 0.2;
        judge(&graph, &due, &sizes, &split(&graph, &due, &cost, &sizes));
    }
}

#[test]
fn stages_without_reach_make_one_wave_and_reach_makes_two() {
    let sizes = Sizes { seconds: 10.0, frames: usize::MAX, array: 100 };
    let waves = |stages: &[Stage]| {
        let graph = graph(&[(40, stages.to_vec())]);
        let assembly = graph.find("film", "assembly").unwrap();
        let mut due = due(&graph, 1000);
        due.remove(&assembly);
        let parts = split(&graph, &due, &|_| 1.0, &sizes);
        judge(&graph, &due, &sizes, &parts);
        parts.parts.iter().map(|part| part.wave).max().unwrap() + 1
    };
    assert_eq!(waves(&[(0, 0, false), (0, 0, false), (3, 0, false)]), 1);
    assert_eq!(waves(&[(0, 0, false), (3, 1, false), (0, 0, false)]), 2);
    // Everything before a call for the whole shot, the call, everything after it.
    assert_eq!(waves(&[(0, 0, false), (5, 0, false), (0, 0, false)]), 3);
}
