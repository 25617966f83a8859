//! The second level against a bucket in memory that does as a test says.

mod ahead;

use super::bucket::BucketError;
use super::sending::Sending;
use super::shelf::Shelf;
use super::*;
use crate::base::made::MadeOf;
use crate::media::image::{Image, RGBA};
use crate::media::render::Render;

/// A member with a store, a picture in it, and what it heard.
struct Member {
    folder: tempfile::TempDir,
    heard: Arc<Mutex<Vec<String>>>,
}

impl Member {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        Store::at(folder.path()).unwrap().create().unwrap();
        Self { folder, heard: Arc::default() }
    }

    fn shared(&self, bucket: &Arc<Shelf>, read_only: bool) -> Arc<Shared> {
        let store = Store::at(self.folder.path()).unwrap();
        let heard = Arc::clone(&self.heard);
        let tell = Box::new(move |words| heard.lock().unwrap().push(words));
        let bucket = Arc::clone(bucket) as Arc<dyn Bucket>;
        let (objects, stop) = (Objects::of(&store), Box::new(|| false));
        Arc::new(Shared::new("s3://brine".into(), bucket, &store, objects, read_only, tell, stop))
    }

    fn heard(&self) -> String {
        self.heard.lock().unwrap().join("\n")
    }

    /// Renders a picture here.
    fn render(&self, shared: &Shared, value: f32) -> Action {
        let mut image = Image::new(8, 4, &RGBA);
        image.samples_mut(0).fill(half::f16::from_f32(value));
        let render = Render::from(image);
        let digest = render.digest();
        shared.objects.put(&digest.whole, &render).unwrap();
        let none = Digest::of(b"none");
        let made_of = MadeOf { identity: none, parameters: none, ingredients: none, inputs: vec![] };
        let key = Digest::of(&value.to_le_bytes());
        let action = Action { key, pixels: digest.whole, planes: digest.planes, made_of };
        shared.offer(&action, Kind::Picture);
        action
    }
}

/// A bucket with one picture of one member in it, and what names it.
fn filled() -> (Arc<Shelf>, Member, Action) {
    let (bucket, ana) = (Arc::new(Shelf::default()), Member::new());
    let shared = ana.shared(&bucket, false);
    let sending = Sending::start(Arc::clone(&shared));
    let action = ana.render(&shared, 1.0);
    assert_eq!(sending.finish(&|_| {}).count, 0);
    assert_eq!(ana.heard(), "");
    (bucket, ana, action)
}

#[test]
fn what_one_member_rendered_another_takes() {
    let (bucket, ana, action) = filled();
    assert_eq!(bucket.names().len(), 2, "{:?}", bucket.names());
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    let taken = shared.seek(&action.key, true).unwrap();
    assert_eq!((taken.pixels, taken.planes), (action.pixels, action.planes));
    let file = |member: &Member| {
        let store = Store::at(member.folder.path()).unwrap();
        std::fs::read(Objects::of(&store).path(&action.pixels)).unwrap()
    };
    assert_eq!(file(&ana), file(&tomas));
    assert_eq!(shared.seek(&Digest::of(b"other"), true), None);
    assert_eq!(tomas.heard(), "");
}

#[test]
fn nothing_that_is_not_what_it_says_is_taken_and_it_is_replaced() {
    let (sound, _, action) = filled();
    let names = sound.names();
    let (record, object) = (names[0].clone(), names[1].clone());
    // The record of the same frame that names a picture of another, with a check sum that is right.
    let other = {
        let (bucket, _, other) = {
            let (bucket, ana) = (Arc::new(Shelf::default()), Member::new());
            let shared = ana.shared(&bucket, false);
            let sending = Sending::start(Arc::clone(&shared));
            let action = ana.render(&shared, 2.0);
            sending.finish(&|_| {});
            (bucket, ana, action)
        };
        (bucket.held.lock().unwrap().clone(), other)
    };
    let (others, other) = other;
    let swapped =
        Note { key: action.key, pixels: other.pixels, planes: action.planes.clone(), kind: Kind::Picture };
    let of_other = others.iter().find(|(name, _)| name.starts_with("actions")).unwrap().1.clone();
    let picture = others.iter().find(|(name, _)| name.starts_with("objects")).unwrap().1.clone();
    let whole = sound.held.lock().unwrap()[&object].clone();
    let mut flipped = whole.clone();
    let at = flipped.len() - 3;
    flipped[at] ^= 1;
    let wrongs: Vec<(&str, Vec<u8>)> = vec![
        (&record, b"endboard".to_vec()),
        (&record, of_other),
        (&record, swapped.write()),
        (&object, picture.clone()),
        (&object, whole[..whole.len() / 2].to_vec()),
        (&object, Vec::new()),
        (&object, flipped),
    ];
    let twice = wrongs.iter().flat_map(|wrong| [(wrong, false), (wrong, true)]);
    for ((name, bytes), is_ahead) in twice {
        let bucket = Arc::new(Shelf::default());
        *bucket.held.lock().unwrap() = sound.held.lock().unwrap().clone();
        bucket.held.lock().unwrap().extend(others.clone());
        bucket.held.lock().unwrap().insert(name.to_string(), bytes.clone());
        let tomas = Member::new();
        let shared = tomas.shared(&bucket, false);
        if is_ahead {
            ahead::asked_ahead(&shared, &[action.key], ahead::BOUNDS);
        }
        assert_eq!(shared.seek(&action.key, true), None, "{name} {bytes:?}");
        let (shot, stage) = ("br010".into(), "colour".into());
        shared.missed(&action.key, &shot, &stage, 1001);
        shared.missed(&Digest::of(b"other"), &shot, &stage, 1002);
        let told = "s3://brine: 1 frame there is damaged: br010/colour@1001";
        assert_eq!((shared.spoilt().as_deref(), tomas.heard().as_str()), (Some(told), ""), "{name}");
        let store = Store::at(tomas.folder.path()).unwrap();
        assert!(!Objects::of(&store).has(&action.pixels));
        // What is rendered in its place goes there in its place.
        let sending = Sending::start(Arc::clone(&shared));
        tomas.render(&shared, 1.0);
        sending.finish(&|_| {});
        let ines = Member::new();
        assert!(ines.shared(&bucket, true).seek(&action.key, true).is_some(), "{name}: {}", ines.heard());
    }
}

/// Of a file that is not given the record is believed still: it is no file that a sweep took away.
#[test]
fn a_file_that_was_not_to_be_had_once_is_asked_for_again() {
    let (bucket, _, action) = filled();
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, false);
    *bucket.withholds.lock().unwrap() = Some(("objects", BucketError::Stopped));
    assert_eq!(shared.seek(&action.key, true), None);
    assert_eq!(shared.lock().damaged.len(), 0);
    *bucket.withholds.lock().unwrap() = None;
    assert!(shared.seek(&action.key, true).is_some());
    // What is not there is known not to be, and replaced by who renders it.
    let ines = Member::new();
    let shared = ines.shared(&bucket, false);
    let names: Vec<String> = bucket.names().into_iter().filter(|name| name.starts_with("objects")).collect();
    bucket.remove(&names).unwrap();
    assert_eq!(shared.seek(&action.key, true), None);
    assert!(shared.lacks(&action.key) && shared.lock().damaged.contains(&action.key));
}

#[test]
fn a_bucket_that_is_away_is_told_of_once_asked_seldom_and_sent_to_by_the_next_run() {
    let bucket = Arc::new(Shelf::default());
    *bucket.refuses.lock().unwrap() = Some(BucketError::Away("there is no connection".into()));
    let ana = Member::new();
    let shared = ana.shared(&bucket, false);
    let sending = Sending::start(Arc::clone(&shared));
    for n in 0..20 {
        assert_eq!(shared.seek(&Digest::of(&[n]), true), None);
        ana.render(&shared, f32::from(n));
    }
    assert_eq!(sending.finish(&|_| {}).count, 20);
    assert!(bucket.asked.load(Ordering::SeqCst) < 12, "asked once, and by each that was under way");
    assert_eq!(ana.heard().matches("is not to be had").count(), 1, "{}", ana.heard());
    *bucket.refuses.lock().unwrap() = None;
    let next = ana.shared(&bucket, false);
    let left = Sending::start(Arc::clone(&next)).finish(&|_| {});
    assert_eq!((left.count, left.sent, bucket.names().len()), (0, 20, 40));
    assert_eq!(ana.shared(&bucket, false).left().count, 0, "nothing is sent twice");
}

#[test]
fn who_may_not_write_is_told_once_and_goes_on_reading() {
    let (bucket, _, action) = filled();
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, false);
    *bucket.refuses.lock().unwrap() = Some(BucketError::Refused("AccessDenied".into()));
    let sending = Sending::start(Arc::clone(&shared));
    (0..9).for_each(|n| drop(tomas.render(&shared, 10.0 + n as f32)));
    sending.finish(&|_| {});
    assert_eq!(tomas.heard().matches("may not be written (AccessDenied)").count(), 1, "{}", tomas.heard());
    *bucket.refuses.lock().unwrap() = None;
    assert!(shared.seek(&action.key, true).is_some());
    assert!(shared.is_read_only());
}

#[test]
fn a_bucket_that_does_not_know_who_asks_is_told_of_once_and_left_alone_and_what_waits_is_kept() {
    let bucket = Arc::new(Shelf::default());
    *bucket.refuses.lock().unwrap() = Some(BucketError::Wrong("SignatureDoesNotMatch".into()));
    let ana = Member::new();
    let shared = ana.shared(&bucket, false);
    assert_eq!(shared.seek(&Digest::of(b"any"), true), None);
    let sending = Sending::start(Arc::clone(&shared));
    (0..9u8).for_each(|n| {
        ana.render(&shared, f32::from(n));
        assert_eq!(shared.seek(&Digest::of(&[n]), true), None);
    });
    assert_eq!(sending.finish(&|_| {}).count, 9);
    let told = "s3://brine may not be used (SignatureDoesNotMatch): this run goes on without it";
    assert_eq!((ana.heard().as_str(), bucket.asked.load(Ordering::SeqCst)), (told, 1));
    assert!(!shared.is_refused() && !shared.is_read_only());
    *bucket.refuses.lock().unwrap() = None;
    let next = ana.shared(&bucket, false);
    assert_eq!((Sending::start(Arc::clone(&next)).finish(&|_| {}).sent, ana.heard().lines().count()), (9, 1));
}

#[test]
fn what_only_sends_does_not_say_that_it_goes_on() {
    for (error, words) in [
        (BucketError::Refused("AccessDenied".into()), "s3://brine may not be written (AccessDenied)"),
        (BucketError::Failed("status 507".into()), "s3://brine takes nothing now (status 507)"),
        (BucketError::Away("it is too slow".into()), "s3://brine is not to be had (it is too slow)"),
        (BucketError::NoStore("a page".into()), "s3://brine: a page"),
    ] {
        let (bucket, ana) = (Arc::new(Shelf::default()), Member::new());
        let is_refused = matches!(error, BucketError::Refused(_));
        *bucket.refuses.lock().unwrap() = Some(error);
        let shared = ana.shared(&bucket, false);
        let shared = Arc::new(Arc::into_inner(shared).unwrap().only_to_send());
        let sending = Sending::start(Arc::clone(&shared));
        ana.render(&shared, 1.0);
        assert_eq!(sending.finish(&|_| {}).count, 1);
        assert_eq!((ana.heard().as_str(), shared.is_refused()), (words, is_refused));
    }
}

#[test]
fn a_member_that_only_reads_sends_nothing_and_notes_nothing() {
    let (bucket, ..) = filled();
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    let sending = Sending::start(Arc::clone(&shared));
    tomas.render(&shared, 3.0);
    assert_eq!(sending.finish(&|_| {}).count, 0);
    assert_eq!(bucket.names().len(), 2);
    assert_eq!(tomas.shared(&bucket, false).left().count, 0);
}

#[test]
fn what_is_known_not_to_be_there_is_not_asked_for() {
    let (bucket, _, action) = filled();
    let tomas = Member::new();
    let shared = tomas.shared(&bucket, true);
    shared.foresee(FEW);
    let before = bucket.asked.load(Ordering::SeqCst);
    (0..50u8).for_each(|n| assert_eq!(shared.seek(&Digest::of(&[n, n, n]), true), None));
    assert_eq!(bucket.asked.load(Ordering::SeqCst), before);
    assert!(shared.seek(&action.key, true).is_some());
}
