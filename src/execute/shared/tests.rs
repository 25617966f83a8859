//! Runs behind a shared store in memory, over films of every shape: whatever is there, they come to their end with the same pixels.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use crate::base::digest::Digest;
use crate::declare::film::Each;
use crate::execute::Outcome;
use crate::execute::trial::{Acting, acting, ends, engine_behind, graph, node, shell};
use crate::graph::Graph;
use crate::store::Store;
use crate::store::objects::Objects;
use crate::store::shared::Shared;
use crate::store::shared::bucket::Bucket;
use crate::store::shared::sending::Sending;
use crate::store::shared::shelf::Shelf;

/// A row of numbers that look like chance and are the same every time: Marsaglia's xorshift, 2003.
struct Chance(u64);

impl Chance {
    fn below(&mut self, most: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % most
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }
}

/// Copies all that a call was given.
const COPY_ALL: &str = "d=${1%/*}; for f in \"$d\"/picture.*; do cp \"$f\" \"$d/out.${f##*picture.}\"; done";

/// A film of a few stages, one after another or side by side, some of which leave no renders or want the only place of a pool.
fn film(chance: &mut Chance) -> Graph {
    // Of more than forty frames the store says first which it has.
    let last = [3, 9, 24, 50][chance.below(4) as usize];
    let stages = 2 + chance.below(4) as usize;
    let mut nodes = Vec::new();
    for n in 0..stages {
        let name = ["ground", "matte", "blades", "colour", "grain"][n];
        let from = n.checked_sub(1).map(|before| before - chance.below(1 + (before as u64).min(1)) as usize);
        let is_call = from.is_some() && chance.one_in(5);
        let work = if is_call { shell(COPY_ALL, Each::Shot) } else { acting(Acting::well()) };
        let mut node = node(name, last, work, from);
        node.keep = is_call || !chance.one_in(3);
        if chance.one_in(2) {
            node.pools.push((0, 1));
        }
        nodes.push(node);
    }
    nodes.last_mut().expect("there are two").keep = true;
    Graph { pools: vec![("lamp".into(), 1)], ..graph(nodes) }
}

/// The pixels of every frame, by stage and number.
type Pixels = BTreeMap<(String, i64), Digest>;

/// Rebuilds a film behind a bucket.
fn rebuilt(
    film: &Arc<Graph>,
    bucket: &Arc<Shelf>,
    jobs: usize,
    memory: usize,
    what: &str,
) -> (Outcome, Pixels) {
    let (film, bucket) = (Arc::clone(film), Arc::clone(bucket));
    ends(what, move || {
        let shared = |store: &Store| {
            let bucket = Arc::clone(&bucket) as Arc<dyn Bucket>;
            let (tell, stop) = (Box::new(|_| {}), Box::new(|| false));
            let (at, objects) = ("s3://brine".to_string(), Objects::of(store));
            Some(Arc::new(Shared::new(at, bucket, store, objects, false, tell, stop)))
        };
        engine_behind(&film, jobs, memory, &shared, |engine| {
            let shared = engine.options.shared.clone().expect("it was given");
            let sending = Sending::start(shared);
            let (outcome, state, _) = engine.run();
            assert_eq!(sending.finish(&|_| {}).count, 0, "all that was made is sent");
            let mut pixels = Pixels::new();
            for node in &film.nodes {
                let table = state.table(&node.shot, &node.stage);
                let row = |frame| table.and_then(|table| table.get(frame)).map(|row| row.pixels);
                let of_node = node.frames.iter().filter_map(|frame| Some((frame, row(frame)?)));
                pixels.extend(of_node.map(|(frame, digest)| ((node.stage.to_string(), frame), digest)));
            }
            (outcome, pixels)
        })
    })
}

#[test]
fn whatever_the_store_has_every_run_comes_to_its_end_with_the_same_pixels() {
    const FILMS: u64 = 16;
    let (mut taken, mut made) = (0, 0);
    for seed in 1..=FILMS {
        let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let film = Arc::new(film(&mut chance));
        let bucket = Arc::new(Shelf::default());
        let (first, want) = rebuilt(&film, &bucket, 2, 1 << 20, &format!("the first run of film {seed}"));
        let frames = want.len();
        assert_eq!((first.rendered, &first.failures, &first.ended), (frames, &vec![], &None), "film {seed}");
        for jobs in [1, 2, 3] {
            // All of it is there, or what a sweep left: records without files and files without records too.
            let bucket = Arc::new(Shelf::holding(&bucket));
            if jobs != 2 {
                let gone: Vec<String> = bucket.names().into_iter().filter(|_| chance.one_in(4)).collect();
                bucket.remove(&gone).expect("it is in memory");
            }
            if jobs == 3 {
                bucket.falters.store(chance.below(12) as usize, Ordering::SeqCst);
            }
            let memory = [0, 3000, 1 << 20][chance.below(3) as usize];
            let what = format!("film {seed} with {jobs} jobs and {memory} bytes");
            let (outcome, pixels) = rebuilt(&film, &bucket, jobs, memory, &what);
            assert_eq!((&outcome.failures, &outcome.ended, outcome.blocked), (&vec![], &None, 0), "{what}");
            assert!(pixels == want, "{what}");
            assert_eq!(outcome.rendered + outcome.shared, frames, "{what}");
            assert!(jobs != 2 || outcome.rendered == 0, "{what}: {} rendered", outcome.rendered);
            taken += outcome.shared;
            made += outcome.rendered;
        }
    }
    assert!(taken > made && made > 0, "{taken} taken, {made} made");
}

/// A pool without places makes nothing; what another member made is taken all the same.
#[test]
fn what_another_member_rendered_waits_for_no_place_in_a_pool() {
    let of = |places| {
        let mut stages = vec![node("ground", 5, acting(Acting::well()), None)];
        stages.push(node("blades", 5, acting(Acting::well()), Some(0)));
        stages.iter_mut().for_each(|stage| stage.pools.push((0, 1)));
        Arc::new(Graph { pools: vec![("lamp".into(), places)], ..graph(stages) })
    };
    let bucket = Arc::new(Shelf::default());
    let (first, want) = rebuilt(&of(1), &bucket, 2, 1 << 20, "the first run");
    let (second, pixels) = rebuilt(&of(0), &bucket, 2, 1 << 20, "the second run");
    assert_eq!((first.rendered, second.rendered, second.shared), (10, 0, 10));
    assert!(pixels == want);
}
