//! Runs behind a shared store in memory, over films of every shape: whatever is there, they come to their end with the same pixels.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use tempfile::TempDir;

use crate::base::digest::Digest;
use crate::declare::film::Each;
use crate::execute::Outcome;
use crate::execute::trial::{Acting, acting, ends, engine_in, graph, node, shell};
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

/// A film of a few stages, one after another or side by side, some of which leave no renders or want the only place of a pool; with
/// the same numbers the first one, or one that differs in which those are.
fn film(chance: &mut Chance, is_first: bool) -> Graph {
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
        // Which of them keep theirs is in no key.
        node.keep = is_call || chance.one_in(3) != is_first;
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

/// Rebuilds a film behind a bucket, in a folder that may hold some of it.
fn rebuilt(
    folder: &Arc<TempDir>,
    film: &Arc<Graph>,
    bucket: &Arc<Shelf>,
    (jobs, memory): (usize, usize),
    what: &str,
) -> (Outcome, Pixels) {
    let (folder, film, bucket) = (Arc::clone(folder), Arc::clone(film), Arc::clone(bucket));
    ends(what, move || {
        let shared = |store: &Store| {
            let bucket = Arc::clone(&bucket) as Arc<dyn Bucket>;
            let (tell, stop) = (Box::new(|_| {}), Box::new(|| false));
            let (at, objects) = ("s3://brine".to_string(), Objects::of(store));
            Some(Arc::new(Shared::new(at, bucket, store, objects, false, tell, stop)))
        };
        engine_in(folder.path(), &film, jobs, memory, &shared, |engine| {
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

/// A folder with nothing in it.
fn empty() -> Arc<TempDir> {
    Arc::new(tempfile::tempdir().expect("a temporary folder"))
}

/// Takes one in three renders out of a folder's store: what made them is known still.
fn lose(folder: &TempDir, chance: &mut Chance) {
    let folders =
        std::fs::read_dir(folder.path().join(".endboard/objects")).expect("it holds renders").flatten();
    let files = folders.flat_map(|folder| std::fs::read_dir(folder.path()).into_iter().flatten()).flatten();
    files.filter(|_| chance.one_in(3)).for_each(|file| drop(std::fs::remove_file(file.path())));
}

#[test]
fn whatever_the_store_has_every_run_comes_to_its_end_with_the_same_pixels() {
    const FILMS: u64 = 16;
    let (mut taken, mut made) = (0, 0);
    for seed in 1..=FILMS {
        let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let film = Arc::new(film(&mut chance, true));
        let bucket = Arc::new(Shelf::default());
        let (first, want) =
            rebuilt(&empty(), &film, &bucket, (2, 1 << 20), &format!("the first run of film {seed}"));
        let frames = want.len();
        assert_eq!((first.rendered, &first.failures, &first.ended), (frames, &vec![], &None), "film {seed}");
        // Another member keeps renders of other stages.
        let other = Arc::new(self::film(&mut Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)), false));
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
            let folder = empty();
            for (film, name) in [(&film, "new"), (&film, "with renders lost"), (&other, "kept otherwise")] {
                let what = format!("film {seed} with {jobs} jobs and {memory} bytes, {name}");
                let (outcome, pixels) = rebuilt(&folder, film, &bucket, (jobs, memory), &what);
                assert_eq!(
                    (&outcome.failures, &outcome.ended, outcome.blocked),
                    (&vec![], &None, 0),
                    "{what}"
                );
                assert!(pixels == want, "{what}");
                if name == "new" {
                    assert_eq!(outcome.rendered + outcome.shared, frames, "{what}");
                    assert!(jobs != 2 || outcome.rendered == 0, "{what}: {} rendered", outcome.rendered);
                }
                taken += outcome.shared;
                made += outcome.rendered;
                lose(&folder, &mut chance);
            }
        }
    }
    assert!(taken > made && made > 0, "{taken} taken, {made} made");
}

/// A call of more frames than a worker gathers before it waits, of which another member sent records alone.
#[test]
fn a_long_call_of_which_no_files_are_there_is_asked_for_once() {
    const LAST: i64 = 100;
    let of = |keep| {
        let mut ground = node("ground", LAST, acting(Acting::well()), None);
        ground.keep = false;
        let mut tool = node("tool", LAST, shell(COPY_ALL, Each::Shot), Some(0));
        tool.keep = keep;
        Arc::new(graph(vec![ground, tool]))
    };
    let bucket = Arc::new(Shelf::default());
    let (_, want) = rebuilt(&empty(), &of(false), &bucket, (2, 1 << 20), "the first run");
    bucket.asked.store(0, Ordering::SeqCst);
    let (outcome, pixels) = rebuilt(&empty(), &of(true), &bucket, (2, 1 << 20), "the second run");
    assert!(pixels == want);
    assert_eq!((outcome.rendered, outcome.shared), (LAST as usize, LAST as usize));
    // Each record once; what was rendered is sent, a file and a record each.
    let asked = bucket.asked.load(Ordering::SeqCst);
    assert!(asked <= 4 * LAST as usize + 2, "{asked}");
    let (third, _) = rebuilt(&empty(), &of(true), &bucket, (2, 1 << 20), "the third run");
    assert_eq!(third.shared, 2 * LAST as usize, "what the second run made good");
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
    let (first, want) = rebuilt(&empty(), &of(1), &bucket, (2, 1 << 20), "the first run");
    let (second, pixels) = rebuilt(&empty(), &of(0), &bucket, (2, 1 << 20), "the second run");
    assert_eq!((first.rendered, second.rendered, second.shared), (10, 0, 10));
    assert!(pixels == want);
}
