//! What made what: for every key ever rendered, the pixels that came out and what went in.
//!
//! This is what lets an earlier grade come back without rendering. 256 append-only files; each is read through once
//! when first asked for, and only where its records lie is held in memory.

use std::collections::HashMap;
use std::fs::File;
use std::io::{Error, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock};

use super::objects::Objects;
use super::record::{self, Take};
use super::{Store, StoreError, file};
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
    /// Why what the file holds is not known. It is then not written to either, as that would cut off what it holds.
    refused: Option<String>,
}

impl Shard {
    /// Whether what the file holds is known, so that it may be written to.
    fn is_known(&self, path: &Path) -> Result<(), StoreError> {
        let refused = self.refused.as_ref();
        refused.map_or(Ok(()), |why| Err(StoreError::file(path)(Error::other(why.clone()))))
    }
}

/// All actions, loaded by shard.
#[derive(Debug)]
pub struct Actions {
    folder: PathBuf,
    shards: Vec<OnceLock<Mutex<Shard>>>,
    /// Where one of several who work at the same time records renders, and those of others that they know of.
    aside: Option<Mutex<Aside>>,
}

/// Records beside the film's own.
#[derive(Debug)]
struct Aside {
    path: PathBuf,
    file: File,
    known: HashMap<Digest, Action>,
}

/// What a file has that was kept aside.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// All whole records.
    pub actions: Vec<Action>,
    /// Whether there is anything in front of the last of them that is none.
    pub is_damaged: bool,
    /// Whether it ends in a part of one.
    pub is_torn: bool,
}

/// All whole records of a file that was kept aside; none where there is no such file.
///
/// # Errors
/// The system refuses.
pub fn kept_aside(path: &Path) -> Result<Kept, StoreError> {
    let mut kept = Kept::default();
    let bytes = file::read(path)?.unwrap_or_default();
    let mut read = 0;
    let end = record::each(&bytes, |_, body| {
        if let Some(action) = decode(body) {
            kept.actions.push(action);
            read += record::HEAD + body.len();
        }
    });
    (kept.is_damaged, kept.is_torn) = (read < end, end < bytes.len());
    Ok(kept)
}

impl Actions {
    /// The actions of a store.
    pub fn of(store: &Store) -> Self {
        let shards = (0..256).map(|_| OnceLock::new()).collect();
        Self { folder: store.path("actions"), shards, aside: None }
    }

    /// The same for one of several who work at the same time: what is recorded goes into a file of their own, and the
    /// film's are only read. `known` are what others recorded so.
    ///
    /// # Errors
    /// The file cannot be made.
    pub fn aside(self, path: &Path, known: Vec<Action>) -> Result<Self, StoreError> {
        let file = file::open_with(path, std::fs::OpenOptions::new().create(true).append(true))?;
        let known = known.into_iter().map(|action| (action.key, action)).collect();
        Ok(Self { aside: Some(Mutex::new(Aside { path: path.to_path_buf(), file, known })), ..self })
    }

    fn known(&self, key: &Digest) -> Option<Action> {
        let aside = self.aside.as_ref()?.lock().expect("no thread panics with it");
        aside.known.get(key).cloned()
    }

    /// The render of a key, if it was ever made.
    pub fn get(&self, key: &Digest) -> Option<Action> {
        if let Some(action) = self.known(key) {
            return Some(action);
        }
        let shard = self.shard(key.0[0]).lock().expect("no thread panics with it");
        let at = *shard.places.get(key)?;
        let found = record::at(shard.file.as_ref()?, at, shard.end);
        let refused = |error| tracing::warn!(%error, "what made a render cannot be read");
        decode(&found.map_err(refused).ok()??.body).filter(|action| action.key == *key)
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
        self.known(key).is_some()
            || self.shard(key.0[0]).lock().expect("no thread panics with it").places.contains_key(key)
    }

    /// Records a render. The film's lock must be held, unless what is recorded is kept aside.
    pub fn put(&self, action: &Action) -> Result<(), StoreError> {
        if let Some(aside) = &self.aside {
            let Aside { path, file, known } = &mut *aside.lock().expect("no thread panics with it");
            let mut out = Vec::with_capacity(512);
            record::frame(&mut out, &encode(action));
            file.write_all(&out).map_err(StoreError::file(path))?;
            known.insert(action.key, action.clone());
            return Ok(());
        }
        let path = self.file(action.key.0[0]);
        let mut shard = self.shard(action.key.0[0]).lock().expect("no thread panics with it");
        shard.is_known(&path)?;
        if !shard.writable {
            let mut options = std::fs::OpenOptions::new();
            let file = file::open_with(&path, options.create(true).read(true).append(true))?;
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
            let path = self.file(first);
            let mut shard = self.shard(first).lock().expect("no thread panics with it");
            shard.is_known(&path)?;
            let Some(file) = &shard.file else { continue };
            let mut places: Vec<u64> = shard.places.values().copied().collect();
            places.sort_unstable();
            let mut kept: Vec<Action> = Vec::with_capacity(places.len());
            for &at in &places {
                let found = record::at(file, at, shard.end).map_err(StoreError::file(&path))?;
                kept.extend(found.and_then(|found| decode(&found.body)).filter(|action| keep(action)));
            }
            if kept.len() != places.len() {
                let mut out = Vec::new();
                kept.iter().for_each(|action| record::frame(&mut out, &encode(action)));
                super::write_own(&path, &out)?;
                *shard = Self::read(&path);
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
        let read = file::open(path).and_then(|opened| {
            let Some(mut file) = opened else { return Ok(None) };
            let mut bytes = Vec::new();
            file.read_to_end(&mut bytes).map_err(StoreError::file(path))?;
            Ok(Some((file, bytes)))
        });
        let (file, bytes) = match read {
            Ok(Some(read)) => read,
            Ok(None) => return shard,
            Err(error) => {
                tracing::warn!(%error, "what made what cannot be read");
                shard.refused = Some(error.to_string());
                return shard;
            }
        };
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

    /// A store in `folder` that has the first of two actions of one file, both, and that file.
    fn one_of_two(folder: &Path) -> (Store, Action, Action, PathBuf) {
        let store = Store::at(folder).unwrap();
        store.create().unwrap();
        let (first, mut second) = (action(1), action(2));
        second.key.0[0] = first.key.0[0];
        Actions::of(&store).put(&first).unwrap();
        let path = store.path("actions").join(format!("{:02x}.log", first.key.0[0]));
        (store, first, second, path)
    }

    #[test]
    fn a_torn_end_is_passed_over_by_readers_and_cut_off_by_the_next_writer() {
        let folder = tempfile::tempdir().unwrap();
        let (store, first, second, path) = one_of_two(folder.path());
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

    #[test]
    fn a_file_that_could_not_be_read_is_not_cut_off() {
        let folder = tempfile::tempdir().unwrap();
        let (store, first, second, path) = one_of_two(folder.path());
        let aside = store.path("aside");
        // What the system refuses once it may give the next time.
        std::fs::rename(&path, &aside).unwrap();
        std::fs::create_dir(&path).unwrap();
        let actions = Actions::of(&store);
        assert_eq!(actions.get(&first.key), None);
        std::fs::remove_dir(&path).unwrap();
        std::fs::rename(&aside, &path).unwrap();
        assert!(actions.put(&second).is_err() && actions.retain(|_| false).is_err());
        assert_eq!(Actions::of(&store).get(&first.key), Some(first));
    }
}
