//! What made what: for every key ever rendered, the pixels that came out and what went in.
//!
//! This is what lets an earlier grade come back without rendering. 256 append-only files, read when asked for.

use std::collections::HashMap;
use std::io::Write;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, OnceLock};

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

type Shard = HashMap<Digest, Action>;

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
        self.shard(key.0[0]).lock().expect("no thread panics with it").get(key).cloned()
    }

    /// Records a render.
    pub fn put(&self, action: Action) -> Result<(), StoreError> {
        let path = self.file(action.key.0[0]);
        let mut shard = self.shard(action.key.0[0]).lock().expect("no thread panics with it");
        let mut out = Vec::with_capacity(256);
        record::frame(&mut out, &encode(&action));
        let mut file = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)
            .map_err(StoreError::file(&path))?;
        file.write_all(&out).map_err(StoreError::file(&path))?;
        shard.insert(action.key, action);
        Ok(())
    }

    /// Keeps only what `keep` wants, shard by shard.
    pub fn retain(&self, mut keep: impl FnMut(&Action) -> bool) -> Result<(), StoreError> {
        for first in 0..=255 {
            let mut shard = self.shard(first).lock().expect("no thread panics with it");
            let before = shard.len();
            shard.retain(|_, action| keep(action));
            if shard.len() != before {
                let mut out = Vec::new();
                let mut sorted: Vec<&Action> = shard.values().collect();
                sorted.sort_by_key(|a| a.key);
                sorted.iter().for_each(|action| record::frame(&mut out, &encode(action)));
                super::write_whole(&self.file(first), &out)?;
            }
        }
        Ok(())
    }

    fn file(&self, first: u8) -> PathBuf {
        self.folder.join(format!("{first:02x}.log"))
    }

    fn shard(&self, first: u8) -> &Mutex<Shard> {
        self.shards[usize::from(first)].get_or_init(|| {
            let path = self.file(first);
            let mut shard = Shard::new();
            if let Ok(bytes) = std::fs::read(&path) {
                let sound = record::each(&bytes, |body| {
                    if let Some(action) = decode(body) {
                        shard.insert(action.key, action);
                    }
                });
                if sound < bytes.len() {
                    // A torn end of an interrupted run: cut it off, so that what is appended next can be read.
                    tracing::warn!(file = %path.display(), "an interrupted write was cut off");
                    if let Ok(file) = std::fs::OpenOptions::new().write(true).open(&path) {
                        let _ = file.set_len(sound as u64);
                    }
                }
            }
            Mutex::new(shard)
        })
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
    fn actions_survive_a_torn_end() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let first = action(1);
        Actions::of(&store).put(first.clone()).unwrap();
        let path = store.path("actions").join(format!("{:02x}.log", first.key.0[0]));
        let mut bytes = std::fs::read(&path).unwrap();
        let whole = bytes.len();
        bytes.extend_from_slice(&bytes.clone()[..whole / 2]);
        std::fs::write(&path, &bytes).unwrap();
        let again = Actions::of(&store);
        assert_eq!(again.get(&first.key), Some(first));
        assert_eq!(again.get(&Digest::of(b"other")), None);
        assert_eq!(std::fs::metadata(&path).unwrap().len(), whole as u64);
    }
}
