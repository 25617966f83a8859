//! A bucket in memory that does as a test says.
//!
//! Only compiled for tests.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Condvar, Mutex};
use std::time::Duration;

use super::bucket::{Bucket, BucketError, Does, Held, Source};
use super::incoming::Incoming;

/// Objects in memory; what it is told to refuse it refuses.
#[derive(Default)]
pub struct Shelf {
    /// The objects by their names.
    pub held: Mutex<BTreeMap<String, Vec<u8>>>,
    /// Why it does nothing at all, if it does not.
    pub refuses: Mutex<Option<BucketError>>,
    /// Objects whose names begin so are not given, and why.
    pub withholds: Mutex<Option<(&'static str, BucketError)>>,
    /// Every so manieth fetch comes to nothing; none where it is 0.
    pub falters: AtomicUsize,
    /// How often it was asked.
    pub asked: AtomicUsize,
    /// Until so many fetch at once, none is answered.
    pub together: Mutex<usize>,
    /// Who fetch now, and the most that did.
    pub fetching: Mutex<(usize, usize)>,
    changed: Condvar,
}

impl Shelf {
    /// Another one that holds the same.
    pub fn holding(other: &Self) -> Self {
        let held = other.held.lock().unwrap().clone();
        Self { held: Mutex::new(held), ..Self::default() }
    }

    fn answer<T>(&self, does: impl FnOnce(&mut BTreeMap<String, Vec<u8>>) -> T) -> Result<T, BucketError> {
        self.asked.fetch_add(1, Ordering::SeqCst);
        match &*self.refuses.lock().unwrap() {
            Some(error) => Err(error.clone()),
            None => Ok(does(&mut self.held.lock().unwrap())),
        }
    }

    /// Names of all objects.
    pub fn names(&self) -> Vec<String> {
        self.held.lock().unwrap().keys().cloned().collect()
    }
}

impl Bucket for Shelf {
    fn place(&self) -> &str {
        "s3://brine"
    }

    fn has(&self, name: &str) -> Result<Option<Held>, BucketError> {
        let held = |bytes: &Vec<u8>| Held { name: name.into(), size: bytes.len() as u64, sent: i64::MAX };
        self.answer(|all| all.get(name).map(held))
    }

    fn fetch(&self, name: &str, most: u64) -> Result<Option<Vec<u8>>, BucketError> {
        let mut fetching = self.fetching.lock().unwrap();
        fetching.0 += 1;
        fetching.1 = fetching.1.max(fetching.0);
        self.changed.notify_all();
        let is_short = |fetching: &mut (usize, usize)| fetching.1 < *self.together.lock().unwrap();
        let (mut fetching, late) =
            self.changed.wait_timeout_while(fetching, Duration::from_secs(20), is_short).unwrap();
        fetching.0 -= 1;
        drop(fetching);
        assert!(!late.timed_out(), "{name}: too few at once");
        if let Some((_, error)) =
            self.withholds.lock().unwrap().as_ref().filter(|(part, _)| name.starts_with(part))
        {
            return Err(error.clone());
        }
        let bytes = self.answer(|all| all.get(name).cloned())?;
        // No number but 0 is a multiple of 0.
        if self.asked.load(Ordering::SeqCst).is_multiple_of(self.falters.load(Ordering::SeqCst)) {
            return Err(BucketError::Stopped);
        }
        match &bytes {
            Some(bytes) if bytes.len() as u64 > most => {
                Err(BucketError::TooLarge { name: name.into(), size: bytes.len() as u64 })
            }
            _ => Ok(bytes),
        }
    }

    fn fetch_into(&self, name: &str, most: u64, into: &mut Incoming<'_>) -> Result<bool, BucketError> {
        let Some(bytes) = self.fetch(name, most)? else { return Ok(false) };
        into.expect(bytes.len() as u64)?;
        bytes.chunks(1000).try_for_each(|piece| into.write(piece))?;
        Ok(true)
    }

    fn send(&self, name: &str, what: Source<'_>, _: Option<&Path>) -> Result<(), BucketError> {
        let bytes = what.whole()?;
        self.answer(|all| drop(all.insert(name.into(), bytes)))
    }

    fn list(&self, under: &str, each: &mut dyn FnMut(Held) -> bool) -> Result<(), BucketError> {
        let names = self.answer(|all| all.keys().filter(|n| n.starts_with(under)).cloned().collect())?;
        let names: Vec<String> = names;
        names.into_iter().all(|name| each(Held { name, size: 0, sent: 0 }));
        Ok(())
    }

    fn remove(&self, names: &[String]) -> Result<(), BucketError> {
        self.answer(|all| names.iter().for_each(|name| drop(all.remove(name))))
    }

    fn link(&self, _: &str, _: Does, _: u32) -> Result<Option<String>, BucketError> {
        Ok(None)
    }
}
