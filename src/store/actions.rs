//! What made what: for every key ever rendered, the pixels that came out and what went in.
//!
//! This is what lets an earlier grade come back without rendering. 256 append-only files; each is read through once
//! when first asked for, and only where its records lie is held in memory.

use std::collections::HashMap;
use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock};

use super::objects::Objects;
use super::record::{self, Take};
use super::{Store, StoreError};
use crate::base::digest::Digest;
use crate::base::made::MadeOf;

/// One render that was made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Action {
    /// The key.
    pub key: Digest,
    /// Digest of the pixels that came out.
    pub pixels: Digest,
    /// Digests of their planes, by channel name; `pixels` is made of them.
    pub planes: Vec<(Arc<str>, Digest)>,
    /// What went in, so that a later run can say what changed.
    pub made_of: MadeOf,
}

/// One of the files.
#[derive(Debug, Default)]
struct Shard {
    /// Where each key's record begins, in bytes.
    places: HashMap<Digest, u64>,
    /// Where the last whole record ends; what lies behind is the torn end of an interrupted write.
    end: u64,
    file: Option<File>,
    /// Whether `file` may be written to.
    writable: bool,
}

/// All actions, loaded by shard.
#[derive(Debug)]
pub struct Actions {
    folder: PathBuf,
    shards: Vec<OnceLock<Mutex<Shard>>>,
}

impl Actions {
    /// The actions of a store.
    pub fn of(store: &Store) -> Self {
        Self { folder: store.path("actions"), shards: (0..256).map(|_| OnceLock::new()).collect() }
    }

    /// The render of a key, if it was ever made.
    pub fn get(&self, key: &Digest) -> Option<Action> {
        let shard = self.shard(key.0[0]).lock().expect("no thread panics with it");
        let at = *shard.places.get(key)?;
        decode(&record::at(shard.file.as_ref()?, at, shard.end)?.body).filter(|action| action.key == *key)
    }

    /// The digest of one channel of the render of a key, whose pixels are these: by the record or, where that is lost,
    /// by the stored picture.
    pub fn plane(&self, objects: &Objects, key: &Digest, pixels: &Digest, channel: &str) -> Option<Digest> {
        let planes = match self.get(key) {
            Some(action) => action.planes,
            None => objects.planes(pixels)?,
        };
        planes.into_iter().find(|(name, _)| &**name == channel).map(|(_, digest)| digest)
    }

    /// Whether the render of a key is recorded.
    pub fn has(&self, key: &Digest) -> bool {
        self.shard(key.0[0]).lock().expect("no thread panics with it").places.contains_key(key)
    }

    /// Records a render. The film's lock must be held.
    pub fn put(&self, action: &Action) -> Result<(), StoreError> {
        let path = self.file(action.key.0[0]);
        let mut shard = self.shard(action.key.0[0]).lock().expect("no thread panics with it");
        if !shard.writable {
            let mut options = std::fs::OpenOptions::new();
            let file =
                options.create(true).read(true).append(true).open(&path).map_err(StoreError::file(&path))?;
            file.set_len(shard.end).map_err(StoreError::file(&path))?;
            (shard.file, shard.writable) = (Some(file), true);
        }
        let mut out = Vec::with_capacity(512);
        record::frame(&mut out, &encode(action));
        let at = shard.end;
        let Some(file) = shard.file.as_mut() else { return Ok(()) };
        if let Err(error) = file.write_all(&out) {
            // Half a record in the middle would hide what is appended behind it.
            let _ = file.set_len(at);
            return Err(StoreError::file(&path)(error));
        }
        shard.places.insert(action.key, at);
        shard.end += out.len() as u64;
        Ok(())
    }

    /// Keeps only what `keep` wants, shard by shard. The film's lock must be held.
    pub fn retain(&self, mut keep: impl FnMut(&Action) -> bool) -> Result<(), StoreError> {
        for first in 0..=255 {
            let mut shard = self.shard(first).lock().expect("no thread panics with it");
            let Some(file) = &shard.file else { continue };
            let mut places: Vec<u64> = shard.places.values().copied().collect();
            places.sort_unstable();
            let all = places.iter().filter_map(|&at| decode(&record::at(file, at, shard.end)?.body));
            let kept: Vec<Action> = all.filter(|action| keep(action)).collect();
            if kept.len() != places.len() {
                let mut out = Vec::new();
                kept.iter().for_each(|action| record::frame(&mut out, &encode(action)));
                super::write_whole(&self.file(first), &out)?;
                *shard = Self::read(&self.file(first));
            }
        }
        Ok(())
    }

    fn file(&self, first: u8) -> PathBuf {
        self.folder.join(format!("{first:02x}.log"))
    }

    fn shard(&self, first: u8) -> &Mutex<Shard> {
        self.shards[usize::from(first)].get_or_init(|| Mutex::new(Self::read(&self.file(first))))
    }

    fn read(path: &Path) -> Shard {
        let mut shard = Shard::default();
        let Ok(mut file) = File::open(path) else { return shard };
        let mut bytes = Vec::new();
        if let Err(error) = file.read_to_end(&mut bytes) {
            tracing::warn!(file = %path.display(), %error, "what made what cannot be read");
        }
        let end = record::each(&bytes, |at, body| {
            if let Some(key) = Take(body).digest() {
                shard.places.insert(key, at as u64);
            }
        });
        shard.end = end as u64;
        shard.file = Some(file);
        shard
    }
}

fn encode(action: &Action) -> Vec<u8> {
    let mut out = Vec::with_capacity(256);
    for digest in [
        &action.key,
        &action.pixels,
        &action.made_of.identity,
        &action.made_of.parameters,
        &action.made_of.ingredients,
    ] {
        out.extend_from_slice(&digest.0);
    }
    out.extend_from_slice(&(action.made_of.inputs.len() as i64).to_le_bytes());
    action.made_of.inputs.iter().for_each(|d| out.extend_from_slice(&d.0));
    out.push(action.planes.len() as u8);
    for (name, digest) in &action.planes {
        record::put_text(&mut out, name);
        out.extend_from_slice(&digest.0);
    }
    out
}

fn decode(body: &[u8]) -> Option<Action> {
    let mut take = Take(body);
    let (key, pixels) = (take.digest()?, take.digest()?);
    let (identity, parameters, ingredients) = (take.digest()?, take.digest()?, take.digest()?);
    let count = take.int()?;
    if count < 0 || count as usize > body.len() / 32 {
        return None;
    }
    let inputs = (0..count).map(|_| take.digest()).collect::<Option<Vec<_>>>()?;
    let planes =
        (0..take.byte()?).map(|_| Some((take.text()?.into(), take.digest()?))).collect::<Option<Vec<_>>>()?;
    Some(Action { key, pixels, planes, made_of: MadeOf { identity, parameters, ingredients, inputs } })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn action(n: u8) -> Action {
        let d = |x: u8| Digest::of(&[n, x]);
        Action {
            key: d(0),
            pixels: d(1),
            planes: vec![("R".into(), d(2)), ("crew".into(), d(3))],
            made_of: MadeOf { identity: d(4), parameters: d(5), ingredients: d(6), inputs: vec![d(7), d(8)] },
        }
    }

    #[test]
    fn a_torn_end_is_passed_over_by_readers_and_cut_off_by_the_next_writer() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let (first, mut second) = (action(1), action(2));
        second.key.0[0] = first.key.0[0];
        Actions::of(&store).put(&first).unwrap();
        let path = store.path("actions").join(format!("{:02x}.log", first.key.0[0]));
        let mut bytes = std::fs::read(&path).unwrap();
        let whole = bytes.len();
        bytes.extend_from_slice(&bytes.clone()[..whole / 2]);
        std::fs::write(&path, &bytes).unwrap();
        let again = Actions::of(&store);
        assert_eq!(again.get(&first.key), Some(first.clone()));
        assert_eq!(again.get(&Digest::of(b"other")), None);
        assert_eq!(std::fs::read(&path).unwrap(), bytes, "reading changes nothing");
        again.put(&second).unwrap();
        for actions in [again, Actions::of(&store)] {
            assert_eq!(actions.get(&first.key), Some(first.clone()));
            assert_eq!(actions.get(&second.key), Some(second.clone()));
        }
        let actions = Actions::of(&store);
        actions.retain(|action| action.key == second.key).unwrap();
        for actions in [actions, Actions::of(&store)] {
            assert_eq!((actions.get(&first.key), actions.get(&second.key)), (None, Some(second.clone())));
        }
    }
}
