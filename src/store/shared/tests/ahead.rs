//! What is asked ahead, against the bucket in memory: how much at once, how much of it lies here, and what becomes of what fails.

use super::*;
use crate::store::shared::ahead::{Bounds, Wanted};

/// As far as these tests ask ahead.
pub(super) const BOUNDS: Bounds = Bounds { requests: 6, bytes: 64 << 20, usual: 4096, unknown: 2 };

/// Asks ahead for keys, and waits until nothing more comes by itself; gives what came.
pub(super) fn asked_ahead(shared: &Arc<Shared>, keys: &[Digest], bounds: Bounds) -> Vec<Digest> {
    let (wake, woken) = std::sync::mpsc::channel();
    shared.go_ahead(bounds, move || {
        // Nobody listens any more once the test has seen enough.
        let _ = wake.send(());
    });
    let all: Vec<Wanted> = keys.iter().map(|&key| Wanted { key, is_kept: true }).collect();
    shared.want(0, &all);
    let mut came = shared.arrived();
    while shared.is_asking() {
        let _ = woken.recv_timeout(Duration::from_millis(10));
        came.extend(shared.arrived());
    }
    came.extend(shared.arrived());
    came
}

/// A bucket with so many pictures in it, and their keys.
fn many(count: u8) -> (Arc<Shelf>, Vec<Digest>) {
    let (bucket, ana) = (Arc::new(Shelf::default()), Member::new());
    let shared = ana.shared(&bucket, false);
    let sending = Sending::start(Arc::clone(&shared));
    let keys = (0..count).map(|n| ana.render(&shared, f32::from(n)).key).collect();
    assert_eq!(sending.finish(&|_| {}).count, 0);
    *bucket.fetching.lock().unwrap() = (0, 0);
    bucket.asked.store(0, Ordering::SeqCst);
    (bucket, keys)
}

#[test]
fn as_much_is_asked_ahead_at_once_as_may_be_and_no_more() {
    let (bucket, keys) = many(20);
    *bucket.together.lock().unwrap() = BOUNDS.requests;
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    let came = asked_ahead(&shared, &keys, BOUNDS);
    assert_eq!((came.len(), bucket.fetching.lock().unwrap().1), (keys.len(), BOUNDS.requests));
    // All is here: nothing more is asked for.
    let asked = bucket.asked.load(Ordering::SeqCst);
    assert_eq!(asked, 2 * keys.len());
    assert!(keys.iter().all(|key| !shared.is_awaited(key) && shared.seek(key, true).is_some()));
    assert_eq!((bucket.asked.load(Ordering::SeqCst), tomas.heard()), (asked, String::new()));
}

#[test]
fn no_more_bytes_lie_here_than_may_and_what_is_larger_is_left_to_who_wants_it() {
    let (bucket, keys) = many(9);
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    // Room for two at a time, a record and a file each.
    let two = Bounds { bytes: 2 * (note::MOST + 4096), ..BOUNDS };
    *bucket.together.lock().unwrap() = 2;
    let came = asked_ahead(&shared, &keys, two);
    assert_eq!((came.len(), bucket.fetching.lock().unwrap().1), (9, 2), "of six that may be asked for");
    assert!(keys.iter().all(|key| shared.seek(key, true).is_some()));
    // A file larger than is waited for is no fault: the next of its kind are given more room.
    let ines = Member::new();
    let shared = ines.shared(&bucket, true);
    *bucket.together.lock().unwrap() = 0;
    let small = Bounds { usual: 1, requests: 1, ..BOUNDS };
    bucket.held.lock().unwrap().iter_mut().for_each(|(name, bytes)| {
        // The record's own share of the room is taken up by what is not looked at.
        bytes.resize(if name.starts_with("objects") { note::MOST as usize + 99 } else { bytes.len() }, 0);
    });
    assert_eq!(asked_ahead(&shared, &keys[..1], small), keys[..1]);
    assert!(shared.seek(&keys[0], true).is_none(), "longer than its picture can be");
    assert_eq!(ines.heard(), "");
}

/// What lies here and is not taken keeps the rest away; a worker that can go on with nothing else does not wait for that.
#[test]
fn who_can_do_nothing_else_asks_for_it_itself() {
    let (bucket, keys) = many(3);
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    let (wake, woken) = std::sync::mpsc::channel();
    shared.go_ahead(Bounds { bytes: 1, ..BOUNDS }, move || wake.send(()).unwrap_or_default());
    let all: Vec<Wanted> = keys.iter().map(|&key| Wanted { key, is_kept: true }).collect();
    shared.want(0, &all);
    woken.recv().unwrap();
    let here = shared.arrived();
    let waiting: Vec<Wanted> = all.iter().filter(|one| !here.contains(&one.key)).copied().collect();
    assert_eq!((here.len(), waiting.len()), (1, 2));
    assert!(waiting.iter().all(|one| shared.is_pending(&one.key) && shared.is_awaited(&one.key)));
    shared.ask_oneself(&waiting[..1]);
    assert_eq!(shared.arrived(), [waiting[0].key], "others that wait for it look again");
    assert!(!shared.is_awaited(&waiting[0].key) && shared.is_awaited(&waiting[1].key));
    assert!(shared.seek(&waiting[0].key, true).is_some());
    // Once what came is taken, the rest comes as ever.
    assert!(shared.seek(&here[0], true).is_some());
    woken.recv().unwrap();
    assert_eq!(shared.arrived(), [waiting[1].key]);
    assert!(shared.seek(&waiting[1].key, true).is_some());
    assert_eq!(bucket.asked.load(Ordering::SeqCst), 2 * keys.len());
}

#[test]
fn many_that_fail_at_once_are_one_outage_and_nobody_waits_for_them() {
    let (bucket, keys) = many(12);
    *bucket.refuses.lock().unwrap() = Some(BucketError::Away("there is no connection".into()));
    *bucket.together.lock().unwrap() = BOUNDS.requests;
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    assert_eq!(asked_ahead(&shared, &keys, BOUNDS).len(), keys.len());
    assert!(keys.iter().all(|key| !shared.is_awaited(key) && shared.seek(key, true).is_none()));
    assert!(bucket.asked.load(Ordering::SeqCst) < 20);
    assert_eq!(tomas.heard().matches("is not to be had").count(), 1, "{}", tomas.heard());
    let (_, pause) = shared.lock().away[Side::Read as usize].unwrap();
    assert_eq!(pause, PAUSE.0, "they were all under way when the first one failed");
}

#[test]
fn where_it_is_not_known_what_is_there_more_may_wait_the_more_is_found() {
    let (bucket, keys) = many(12);
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    shared.go_ahead(BOUNDS, || {});
    let most = |shared: &Shared| (0..99).find(|&n| !shared.may_begin(n)).unwrap();
    assert_eq!(most(&shared), BOUNDS.unknown);
    asked_ahead(&shared, &keys, BOUNDS);
    assert_eq!(most(&shared), BOUNDS.unknown + 2 * keys.len(), "all were found");
    // What nobody wants any more makes room, whatever came of it.
    keys.iter().for_each(|key| shared.forget(key));
    assert!(keys.iter().all(|key| !shared.is_pending(key) && shared.is_awaited(key)));
    // What waits for a place under way and is wanted by nobody any more wakes whoever waits for it.
    shared.arrived();
    shared.go_ahead(Bounds { requests: 0, ..BOUNDS }, || {});
    shared.want(0, &[Wanted { key: keys[0], is_kept: true }]);
    shared.forget(&keys[0]);
    assert_eq!((shared.arrived(), shared.is_asking()), (vec![keys[0]], false));
    shared.go_ahead(BOUNDS, || {});
    shared.want(0, &[Wanted { key: Digest::of(b"none"), is_kept: true }]);
    while shared.is_asking() {
        std::thread::yield_now();
    }
    assert_eq!(most(&shared), BOUNDS.unknown, "one was not there");
}

/// A render that is larger than others is no reason to ask for these one by one ever after.
#[test]
fn what_was_large_once_takes_up_no_room_for_good() {
    let (bucket, keys) = many(60);
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    let bounds = Bounds { bytes: 4 * (note::MOST + 4096), requests: 4, ..BOUNDS };
    shared.go_ahead(bounds, || {});
    // Longer than there is room for, of which the service says how long it is.
    let large = bounds.bytes;
    bucket.held.lock().unwrap().insert("large".into(), vec![0; large as usize]);
    assert_eq!(shared.answer("large", 4096, true), None);
    let most_at_once = |keys: &[Digest]| {
        *bucket.fetching.lock().unwrap() = (0, 0);
        for key in keys {
            shared.want(0, &[Wanted { key: *key, is_kept: true }]);
        }
        while shared.is_asking() {
            std::thread::yield_now();
        }
        let most = bucket.fetching.lock().unwrap().1;
        assert!(keys.iter().all(|key| shared.seek(key, true).is_some()));
        most
    };
    assert_eq!(most_at_once(&keys[..3]), 1);
    for key in &keys[3..50] {
        most_at_once(&[*key]);
    }
    *bucket.together.lock().unwrap() = 4;
    assert_eq!(most_at_once(&keys[50..54]), 4);
    assert_eq!(tomas.heard(), "");
}

/// Who says that it waits may have taken a part of that meanwhile.
#[test]
fn what_was_looked_for_in_vain_or_is_ones_own_is_not_asked_ahead() {
    let (bucket, keys) = many(2);
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    let none = Digest::of(b"none");
    shared.go_ahead(BOUNDS, || {});
    assert_eq!(shared.seek(&none, true), None);
    let all: Vec<Wanted> = [none, keys[0]].map(|key| Wanted { key, is_kept: true }).into();
    shared.ask_oneself(&all[1..]);
    let asked = bucket.asked.load(Ordering::SeqCst);
    shared.want(0, &all);
    assert!(!shared.is_asking() && all.iter().all(|one| !shared.is_pending(&one.key)));
    assert_eq!(bucket.asked.load(Ordering::SeqCst), asked);
}
