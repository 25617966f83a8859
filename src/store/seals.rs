//! Seals: that all frames of a stage were found fresh, by the digest of everything that this rested on.
//!
//! A seal whose digest still holds spares looking at the stage's frames one by one. Knows what a seal says and its file, and that
//! all are void once a damaged render was taken out of the store; `stale` makes the digests, and losing all seals costs one longer
//! look.

use std::collections::HashMap;
use std::sync::Arc;

use super::facts::Stat;
use super::objects::losses;
use super::record::{self, Take};
use super::{Store, StoreError};
use crate::base::digest::Digest;

/// What was found of one stage of one shot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seal {
    /// Digest of all that the finding rested on.
    pub print: Digest,
    /// The stat of the folder that held every render, for stages that keep them. As long as it stays the same, no
    /// file in it was added, renamed or removed.
    pub folder: Option<Stat>,
}

/// All seals, by shot and stage.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Seals {
    /// How many damaged renders had been taken out of the store when these were looked at.
    losses: u64,
    by_stage: HashMap<(Arc<str>, Arc<str>), Seal>,
}

impl Seals {
    /// None, of a store as it is now.
    pub fn none(store: &Store) -> Self {
        Self { losses: losses(store), ..Self::default() }
    }

    /// Reads them; a damaged file counts as empty.
    pub fn load(store: &Store) -> Self {
        let mut seals = Self::none(store);
        if let Ok(Some(bytes)) = super::file::read(&store.path("seals")) {
            record::each(&bytes, |_, body| {
                let mut take = Take(body);
                if take.int() != i64::try_from(seals.losses).ok() {
                    return;
                }
                while let Some((shot, stage, seal)) = next(&mut take) {
                    seals.by_stage.insert((shot, stage), seal);
                }
            });
        }
        seals
    }

    /// The seal of a stage.
    pub fn get(&self, shot: &Arc<str>, stage: &Arc<str>) -> Option<&Seal> {
        self.by_stage.get(&(Arc::clone(shot), Arc::clone(stage)))
    }

    /// Sets the seal of a stage.
    pub fn set(&mut self, shot: &Arc<str>, stage: &Arc<str>, seal: Seal) {
        self.by_stage.insert((Arc::clone(shot), Arc::clone(stage)), seal);
    }

    /// Writes them.
    pub fn save(&self, store: &Store) -> Result<(), StoreError> {
        let mut body = i64::try_from(self.losses).unwrap_or(i64::MAX).to_le_bytes().to_vec();
        let mut sorted: Vec<_> = self.by_stage.iter().collect();
        sorted.sort_by_key(|(key, _)| *key);
        for ((shot, stage), seal) in sorted {
            record::put_text(&mut body, shot);
            record::put_text(&mut body, stage);
            body.extend_from_slice(&seal.print.0);
            body.push(u8::from(seal.folder.is_some()));
            if let Some(stat) = &seal.folder {
                stat.put(&mut body);
            }
        }
        let mut out = Vec::with_capacity(body.len() + 8);
        record::frame(&mut out, &body);
        super::write_own(&store.path("seals"), &out)
    }
}

fn next(take: &mut Take<'_>) -> Option<(Arc<str>, Arc<str>, Seal)> {
    let (shot, stage) = (take.text()?.into(), take.text()?.into());
    let print = take.digest()?;
    let folder = if take.byte()? == 1 { Some(Stat::take(take)?) } else { None };
    Some((shot, stage, Seal { print, folder }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seals_come_back() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let stat = Stat { size: 1, modified: 2, changed: 3, inode: 4, device: 5 };
        let mut seals = Seals::default();
        for (stage, folder) in [("roto", None), ("colour", Some(stat))] {
            seals.set(&"br010".into(), &stage.into(), Seal { print: Digest::of(stage.as_bytes()), folder });
        }
        seals.save(&store).unwrap();
        assert_eq!(Seals::load(&store), seals);
        // Once a damaged render is gone they say nothing, nor do those that were looked at before and are written after.
        std::fs::write(store.path("losses"), ".").unwrap();
        assert_eq!(Seals::load(&store), Seals::none(&store));
        seals.save(&store).unwrap();
        assert_eq!(Seals::load(&store), Seals::none(&store));
        std::fs::remove_file(store.path("losses")).unwrap();
        assert_eq!(Seals::load(&store), seals);
        let bytes = std::fs::read(store.path("seals")).unwrap();
        std::fs::write(store.path("seals"), &bytes[..bytes.len() - 1]).unwrap();
        assert_eq!(Seals::load(&store), Seals::default());
    }
}
