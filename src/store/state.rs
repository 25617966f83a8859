//! The last key and pixels of every frame of every stage: a snapshot, and a journal of what came after.
//!
//! Knows tables by shot and stage. A frame's row is appended to the journal once its render is in place;
//! the snapshot is replaced whole at the end of a run.

use std::collections::HashMap;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

use super::record::{self, Take};
use super::{Store, StoreError};
use crate::base::digest::Digest;
use crate::base::frames::FrameRange;
use crate::base::made::Row;

const ROW: usize = 96;

/// Rows of one stage of one shot.
#[derive(Clone, Debug, Default)]
pub struct Table {
    first: i64,
    rows: Vec<Row>,
}

impl Table {
    /// What is known of a frame.
    pub fn get(&self, frame: i64) -> Option<&Row> {
        let at = usize::try_from(frame.checked_sub(self.first)?).ok()?;
        self.rows.get(at).filter(|row| **row != Row::EMPTY)
    }

    /// Frames from the first to the last row.
    pub fn frames(&self) -> FrameRange {
        FrameRange::new(self.first, self.first + self.rows.len() as i64 - 1)
    }

    fn set(&mut self, frame: i64, row: Row) {
        if self.rows.is_empty() {
            self.first = frame;
        }
        if frame < self.first {
            let more = (self.first - frame) as usize;
            self.rows.splice(0..0, std::iter::repeat_n(Row::EMPTY, more));
            self.first = frame;
        }
        let at = (frame - self.first) as usize;
        if at >= self.rows.len() {
            self.rows.resize(at + 1, Row::EMPTY);
        }
        self.rows[at] = row;
    }
}

/// All tables.
#[derive(Debug, Default)]
pub struct State {
    tables: HashMap<(Arc<str>, Arc<str>), Table>,
    /// Lists of named settings by their digest, so that a later run can say what changed.
    ingredients: HashMap<Digest, Vec<(String, Digest, Option<String>)>>,
    journal: Option<(PathBuf, std::fs::File)>,
}

impl State {
    /// Reads snapshot and journal. Torn ends are left out.
    pub fn load(store: &Store) -> Self {
        let mut state = State::default();
        for name in ["state", "journal"] {
            if let Ok(bytes) = std::fs::read(store.path(name)) {
                record::each(&bytes, |body| {
                    state.take(body);
                });
            }
        }
        state
    }

    /// Opens the journal for appending, folding what it holds into the snapshot first.
    pub fn open_journal(&mut self, store: &Store) -> Result<(), StoreError> {
        let path = store.path("journal");
        if std::fs::metadata(&path).is_ok_and(|m| m.len() > 0) {
            self.save(store)?;
        }
        let file = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)
            .map_err(StoreError::file(&path))?;
        self.journal = Some((path, file));
        Ok(())
    }

    /// Rows of a stage.
    pub fn table(&self, shot: &Arc<str>, stage: &Arc<str>) -> Option<&Table> {
        self.tables.get(&(Arc::clone(shot), Arc::clone(stage)))
    }

    /// All tables by shot and stage.
    pub fn tables(&self) -> impl Iterator<Item = (&str, &str, &Table)> {
        self.tables.iter().map(|((shot, stage), table)| (&**shot, &**stage, table))
    }

    /// A list of named settings.
    pub fn ingredients(&self, digest: &Digest) -> Option<&[(String, Digest, Option<String>)]> {
        self.ingredients.get(digest).map(Vec::as_slice)
    }

    /// Sets a row, in the journal too.
    pub fn set(&mut self, shot: &Arc<str>, stage: &Arc<str>, frame: i64, row: Row) -> Result<(), StoreError> {
        let mut body = vec![b'r'];
        put_rows(&mut body, shot, stage, frame, &[row]);
        self.append(&body)?;
        self.tables.entry((Arc::clone(shot), Arc::clone(stage))).or_default().set(frame, row);
        Ok(())
    }

    /// Remembers a list of named settings.
    pub fn remember(
        &mut self,
        digest: Digest,
        list: Vec<(String, Digest, Option<String>)>,
    ) -> Result<(), StoreError> {
        if !self.ingredients.contains_key(&digest) {
            self.append(&ingredient_body(&digest, &list))?;
            self.ingredients.insert(digest, list);
        }
        Ok(())
    }

    /// Replaces the snapshot by all that is known and empties the journal.
    pub fn save(&mut self, store: &Store) -> Result<(), StoreError> {
        let mut out = Vec::new();
        let mut names: Vec<_> = self.tables.keys().collect();
        names.sort();
        for key in names {
            let table = &self.tables[key];
            for (i, rows) in table.rows.chunks(4096).enumerate() {
                let mut body = Vec::with_capacity(rows.len() * ROW + 64);
                body.push(b'r');
                put_rows(&mut body, &key.0, &key.1, table.first + 4096 * i as i64, rows);
                record::frame(&mut out, &body);
            }
        }
        let mut lists: Vec<_> = self.ingredients.iter().collect();
        lists.sort_by_key(|(digest, _)| **digest);
        lists.iter().for_each(|(digest, list)| record::frame(&mut out, &ingredient_body(digest, list)));
        super::write_whole(&store.path("state"), &out)?;
        let path = store.path("journal");
        match &self.journal {
            Some((path, file)) => file.set_len(0).map_err(StoreError::file(path)),
            None => match std::fs::remove_file(&path) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(StoreError::file(&path)(e)),
                _ => Ok(()),
            },
        }
    }

    fn append(&mut self, body: &[u8]) -> Result<(), StoreError> {
        let Some((path, file)) = &mut self.journal else { return Ok(()) };
        let mut out = Vec::with_capacity(body.len() + 8);
        record::frame(&mut out, body);
        file.write_all(&out).map_err(StoreError::file(path))
    }

    fn take(&mut self, body: &[u8]) -> Option<()> {
        let mut take = Take(body);
        match take.byte()? {
            b'r' => {
                let (shot, stage) = (take.text()?, take.text()?);
                let first = take.int()?;
                let table = self.tables.entry((shot.into(), stage.into())).or_default();
                for (i, bytes) in take.0.chunks_exact(ROW).enumerate() {
                    let mut row = Take(bytes);
                    let row = Row { key: row.digest()?, pixels: row.digest()?, failed: row.digest()? };
                    if row != Row::EMPTY || table.frames().contains(first + i as i64) {
                        table.set(first + i as i64, row);
                    }
                }
            }
            b'i' => {
                let digest = take.digest()?;
                let mut list = Vec::new();
                while !take.0.is_empty() {
                    let (name, value) = (take.text()?.to_string(), take.digest()?);
                    let text = if take.byte()? == 1 { Some(take.text()?.to_string()) } else { None };
                    list.push((name, value, text));
                }
                self.ingredients.insert(digest, list);
            }
            _ => {}
        }
        Some(())
    }
}

fn put_rows(out: &mut Vec<u8>, shot: &str, stage: &str, first: i64, rows: &[Row]) {
    record::put_text(out, shot);
    record::put_text(out, stage);
    out.extend_from_slice(&first.to_le_bytes());
    for row in rows {
        for digest in [&row.key, &row.pixels, &row.failed] {
            out.extend_from_slice(&digest.0);
        }
    }
}

fn ingredient_body(digest: &Digest, list: &[(String, Digest, Option<String>)]) -> Vec<u8> {
    let mut body = vec![b'i'];
    body.extend_from_slice(&digest.0);
    for (name, value, text) in list {
        record::put_text(&mut body, name);
        body.extend_from_slice(&value.0);
        body.push(u8::from(text.is_some()));
        if let Some(text) = text {
            record::put_text(&mut body, text);
        }
    }
    body
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::made::NONE;

    #[test]
    fn rows_come_back_from_journal_and_snapshot() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let (shot, stage): (Arc<str>, Arc<str>) = ("br010".into(), "colour".into());
        let row = |n: u8| Row { key: Digest::of(&[n]), pixels: Digest::of(&[n, n]), failed: NONE };
        let mut state = State::load(&store);
        state.open_journal(&store).unwrap();
        for frame in [1010, 1009, 1015] {
            state.set(&shot, &stage, frame, row(frame as u8)).unwrap();
        }
        state.remember(row(1).key, vec![("exposure".into(), row(2).key, Some("0.2".into()))]).unwrap();
        drop(state);
        let mut state = State::load(&store);
        for _ in 0..2 {
            let table = state.table(&shot, &stage).unwrap();
            assert_eq!(table.get(1009), Some(&row(1009_i64 as u8)));
            assert_eq!(table.get(1011), None);
            assert_eq!(table.frames(), FrameRange::new(1009, 1015));
            assert_eq!(state.ingredients(&row(1).key).unwrap()[0].0, "exposure");
            state.save(&store).unwrap();
            state = State::load(&store);
        }
    }
}
