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
        // One frame through all stages is cut no further.
        let is_one = part.targets.values().all(|frames| frames.len() == 1);
        assert!(
            is_call || is_one || part.seconds <= sizes.seconds * 1.01 + 1.0,
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
        assert!(array.after.iter().chain(&array.beside).all(|of| *of < number));
        for &of in &array.beside {
            assert_eq!(parts.arrays[of].parts.len(), array.parts.len(), "each has one in its own place");
        }
        for part in array.parts.clone() {
            assert_eq!(parts.parts[part].pools, parts.parts[array.parts.start].pools);
            assert!(parts.parts[part].needs.is_subset(&before(parts, part)), "what it needs is over first");
        }
    }
    assert_eq!(next, parts.parts.len());
}

/// Parts that are over before this one starts, as its array is told to wait: whole arrays, and of others the part in its own place.
fn before(parts: &Parts, part: usize) -> BTreeSet<usize> {
    let array = parts.arrays.iter().find(|array| array.parts.contains(&part)).unwrap();
    let place = part - array.parts.start;
    let whole = array.after.iter().flat_map(|of| parts.arrays[*of].parts.clone());
    whole.chain(array.beside.iter().map(|of| parts.arrays[*of].parts.start + place)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn every_frame_is_in_one_part_that_waits_for_what_it_needs(
        shots in prop::collection::vec((1i64..60, prop::collection::vec((0u8..6, 0i64..4, prop::bool::weighted(0.2)), 1..5)), 1..5),
        seconds in 1.0f64..80.0,
        least in 0.0f64..1.0,
        frames in prop_oneof![1usize..10, Just(usize::MAX)],
        array in 1usize..8,
        hole in 2i64..30,
    ) {
        let graph = graph(&shots);
        let due = due(&graph, hole);
        let sizes = Sizes { seconds, least: seconds * least, frames, array };
        let cost = |id: NodeId| 0.1 + (id % 5) as f64 * 0.2;
        judge(&graph, &due, &sizes, &split(&graph, &due, &cost, &sizes));
    }
}

#[test]
fn stages_without_reach_make_one_wave_and_reach_makes_two() {
    let sizes = Sizes { seconds: 10.0, least: 10.0, frames: usize::MAX, array: 100 };
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

/// Shots whose names stand in a part's targets.
fn shots<'g>(graph: &'g Graph, parts: &Parts, part: usize) -> BTreeSet<&'g str> {
    parts.parts[part].targets.keys().map(|id| &*graph.nodes[*id].shot).collect()
}

#[test]
fn a_part_waits_for_parts_of_its_own_shots_only_and_arrays_are_few() {
    // Three lengths of shots in turns, of which the longest have a call for all their frames.
    let whole = vec![(0, 0, false), (3, 1, false), (5, 0, false), (0, 0, true)];
    let some: Vec<(i64, Vec<Stage>)> = (0..60)
        .map(|n| match n % 3 {
            0 => (24, vec![(0, 0, false), (3, 1, false)]),
            1 => (36, whole.clone()),
            _ => (6, vec![(0, 0, false)]),
        })
        .collect();
    let graph = graph(&some);
    let assembly = graph.find("film", "assembly").unwrap();
    let mut due = due(&graph, 1000);
    due.remove(&assembly);
    let sizes = Sizes { seconds: 20.0, least: 8.0, frames: usize::MAX, array: 12 };
    let parts = split(&graph, &due, &|_| 1.0, &sizes);
    judge(&graph, &due, &sizes, &parts);
    let waves = 1 + parts.parts.iter().map(|part| part.wave).max().unwrap();
    assert!(waves >= 4 && parts.parts.len() > 180, "{waves} {}", parts.parts.len());
    for part in 0..parts.parts.len() {
        let own = shots(&graph, &parts, part);
        for of in before(&parts, part) {
            assert!(shots(&graph, &parts, of).is_subset(&own), "{part} of {own:?} waits for {of}");
        }
    }
    let fewest = parts.parts.len().div_ceil(sizes.array);
    assert!(parts.arrays.len() <= 2 * fewest, "{} arrays, {fewest} at best", parts.arrays.len());
}

#[test]
fn strands_that_are_like_no_other_have_arrays_together() {
    // Each shot is longer than the last one, so that no two are alike.
    let some: Vec<(i64, Vec<Stage>)> =
        (0..9).map(|n| (20 + 40 * n, vec![(0, 0, false), (3, 1, false)])).collect();
    let graph = graph(&some);
    let due = due(&graph, 1000);
    let sizes = Sizes { seconds: 2.0, least: 1.0, frames: usize::MAX, array: 1000 };
    let parts = split(&graph, &due, &|_| 1.0, &sizes);
    judge(&graph, &due, &sizes, &parts);
    // Each strand with arrays of its own would come to as many arrays as parts.
    let (arrays, parts) = (parts.arrays.len(), parts.parts.len());
    assert!(parts > 500 && arrays * 2 < parts, "{arrays} arrays of {parts} parts");
}
