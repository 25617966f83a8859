//! The last key and pixels of every frame of every stage: a snapshot, and a journal of what came after.
//!
//! Knows tables by shot and stage. A frame's row is appended to the journal once its render is in place; the journal
//! is folded into the snapshot at the end of a run that made it long. Only an index of the snapshot is read at
//! first, and a table when it is asked for, so that a film of which little changed costs little to look at.

use std::collections::HashMap;
use std::io::{self, Error, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use super::record::{self, Take};
use super::table::Table;
use super::{Store, StoreError, file};
use crate::base::digest::Digest;
use crate::base::frames::FRAME_LIMIT;
use crate::base::made::{NONE, Row, Rows};

/// The index's first text; another one counts as no snapshot.
const MAGIC: &str = "endboard state 2";
/// A journal shorter than this is left for a later run to fold.
const SHORT: u64 = 4 << 20;

/// Named settings with the digest and, for short ones, the text of each.
pub type Ingredients = Vec<(String, Digest, Option<String>)>;

/// All tables.
#[derive(Debug, Default)]
pub struct State {
    tables: HashMap<(Arc<str>, Arc<str>), Arc<Kept>>,
    /// Lists of named settings by their digest, so that a later run can say what changed.
    ingredients: OnceLock<HashMap<Digest, Ingredients>>,
    /// Lists that the journal or this run added to the snapshot's.
    added: HashMap<Digest, Ingredients>,
    snapshot: Option<Arc<Snapshot>>,
    /// Whole records of the journal, in bytes.
    journalled: u64,
    journal: Option<(PathBuf, std::fs::File)>,
}

/// The snapshot's file, open.
#[derive(Debug)]
struct Snapshot {
    file: std::fs::File,
    /// Where lists of named settings lie, in bytes from the start, and their length.
    ingredients: (u64, usize),
    bytes: u64,
    /// Why the system did not give some of its bytes. What they hold is not lost, so that they are not written over.
    refused: OnceLock<String>,
}

impl Snapshot {
    /// Bytes from the file; nothing when it ends before or the system refuses, of which note is taken.
    fn read(&self, at: u64, len: usize) -> Option<Vec<u8>> {
        let mut bytes = vec![0; len];
        let read = record::fill(&self.file, &mut bytes, at).unwrap_or_else(|error| {
            tracing::warn!(%error, "last keys cannot be read");
            self.refused.get_or_init(|| error.to_string());
            false
        });
        read.then_some(bytes)
    }
}

/// One table: in memory, or still where the snapshot has it.
#[derive(Debug, Default)]
pub struct Kept {
    table: OnceLock<Table>,
    digest: OnceLock<Digest>,
    place: Option<(Arc<Snapshot>, Place)>,
}

/// Where a table lies in the snapshot.
#[derive(Clone, Copy, Debug)]
struct Place {
    /// Bytes from the start of the file.
    at: u64,
    /// How many bytes.
    len: usize,
    /// Of these bytes.
    digest: Digest,
}

impl Kept {
    /// The table; empty when its bytes in the snapshot are not the ones that were written.
    pub fn table(&self) -> &Table {
        self.table.get_or_init(|| self.read().unwrap_or_default())
    }

    fn read(&self) -> Option<Table> {
        let (snapshot, place) = self.place.as_ref()?;
        if let Some(bytes) = snapshot.read(place.at, place.len).filter(|b| Digest::of(b) == place.digest) {
            return Table::of_bytes(&bytes);
        }
        tracing::warn!("a damaged table of last keys counts as lost; its frames will be looked up again");
        None
    }

    fn with(&self, frame: i64, row: Row) -> Self {
        let mut table = self.table().clone();
        table.set(frame, row);
        Self { table: table.into(), ..Self::default() }
    }
}

impl Rows for Kept {
    fn row(&self, frame: i64) -> Row {
        self.table().get(frame).copied().unwrap_or(Row::EMPTY)
    }

    /// The snapshot's index tells it without reading the table.
    fn digest(&self) -> Digest {
        match &self.place {
            Some((_, place)) => place.digest,
            None => *self.digest.get_or_init(|| Digest::of(&self.table().to_bytes())),
        }
    }
}

impl State {
    /// Reads the snapshot's index and the journal. Torn ends are left out, and what is damaged counts as lost.
    ///
    /// # Errors
    /// One of them is there and cannot be read. That must not count as an empty one, as it would be written over.
    pub fn load(store: &Store) -> Result<Self, StoreError> {
        let inode = || rustix::fs::stat(store.path("state")).map_or(0, |stat| stat.st_ino);
        let mut before = inode();
        loop {
            let mut state = Self::of_snapshot(&store.path("state"))?.unwrap_or_default();
            if let Some(bytes) = file::read(&store.path("journal"))? {
                let sound = record::each(&bytes, |_, body| {
                    state.take(body);
                });
                state.journalled = sound as u64;
            }
            // A rebuild that folds its journal between the two readings would make rows seem lost.
            let after = inode();
            if after == before {
                return Ok(state);
            }
            before = after;
        }
    }

    fn of_snapshot(path: &Path) -> Result<Option<Self>, StoreError> {
        let Some(file) = file::open(path)? else { return Ok(None) };
        Self::of_file(file).map_err(StoreError::file(path))
    }

    fn of_file(file: std::fs::File) -> io::Result<Option<Self>> {
        let bytes = file.metadata()?.len();
        let Some(index) = record::at(&file, 0, bytes)? else { return Ok(None) };
        let Some(tables) = record::outline(&file, index.end, bytes)? else { return Ok(None) };
        let ingredients = (index.end, (tables - index.end) as usize);
        let snapshot = Arc::new(Snapshot { file, ingredients, bytes, refused: OnceLock::new() });
        Ok(Self::of_index(&index.body, tables, snapshot))
    }

    /// What an index names, whose tables begin at `at`.
    fn of_index(index: &[u8], mut at: u64, snapshot: Arc<Snapshot>) -> Option<Self> {
        let bytes = snapshot.bytes;
        let mut state = State { snapshot: Some(Arc::clone(&snapshot)), ..State::default() };
        let mut take = Take(index);
        if take.text()? != MAGIC {
            return None;
        }
        while !take.0.is_empty() {
            let key = (take.text()?.into(), take.text()?.into());
            let (len, digest) = (usize::try_from(take.int()?).ok()?, take.digest()?);
            let place = Place { at, len, digest };
            at = at.checked_add(len as u64).filter(|&end| end <= bytes)?;
            let kept = Kept { place: Some((Arc::clone(&snapshot), place)), ..Kept::default() };
            state.tables.insert(key, Arc::new(kept));
        }
        Some(state)
    }

    /// Reads all tables, so that damaged ones are known to be lost before anything is written or swept: a table that
    /// was not read counts by the digest that the index gives it.
    pub fn examine(&mut self) {
        use rayon::prelude::*;
        self.tables.par_iter_mut().for_each(|(_, kept)| {
            if kept.place.as_ref().is_some_and(|(_, place)| place.len > 0)
                && kept.table() == &Table::default()
            {
                *kept = Arc::new(Kept { table: Table::default().into(), ..Kept::default() });
            }
        });
    }

    /// Opens the journal for appending, after the last whole record.
    pub fn open_journal(&mut self, store: &Store) -> Result<(), StoreError> {
        let path = store.path("journal");
        let file = file::open_with(&path, std::fs::OpenOptions::new().create(true).append(true))?;
        if store.is_apart() {
            // It is one's own, and holds nothing yet.
            self.journalled = 0;
        }
        file.set_len(self.journalled).map_err(StoreError::file(&path))?;
        self.journal = Some((path, file));
        Ok(())
    }

    /// Rows of a stage.
    pub fn table(&self, shot: &Arc<str>, stage: &Arc<str>) -> Option<&Table> {
        self.kept(shot, stage).map(|kept| kept.table())
    }

    /// Rows of a stage, to be read when needed.
    pub fn kept(&self, shot: &Arc<str>, stage: &Arc<str>) -> Option<&Arc<Kept>> {
        self.tables.get(&(Arc::clone(shot), Arc::clone(stage)))
    }

    /// Shot and stage of all tables.
    pub fn stages(&self) -> impl Iterator<Item = (&Arc<str>, &Arc<str>)> {
        self.tables.keys().map(|(shot, stage)| (shot, stage))
    }

    /// A list of named settings.
    pub fn ingredients(&self, digest: &Digest) -> Option<&[(String, Digest, Option<String>)]> {
        self.added.get(digest).or_else(|| self.settings().get(digest)).map(Vec::as_slice)
    }

    /// The snapshot's lists of named settings, read when first asked for.
    fn settings(&self) -> &HashMap<Digest, Ingredients> {
        self.ingredients.get_or_init(|| {
            let read = |snapshot: &Snapshot| {
                let bytes = snapshot.read(snapshot.ingredients.0, snapshot.ingredients.1)?;
                let mut lists = HashMap::new();
                record::each(&bytes, |_, body| {
                    let mut take = Take(body);
                    while let Some((digest, list)) = take_ingredients(&mut take) {
                        lists.insert(digest, list);
                    }
                });
                Some(lists)
            };
            self.snapshot.as_deref().and_then(read).unwrap_or_default()
        })
    }

    /// Sets a row, in the journal too.
    pub fn set(&mut self, shot: &Arc<str>, stage: &Arc<str>, frame: i64, row: Row) -> Result<(), StoreError> {
        let mut body = vec![b'r'];
        record::put_text(&mut body, shot);
        record::put_text(&mut body, stage);
        body.extend_from_slice(&frame.to_le_bytes());
        Table::put(&mut body, &row);
        self.append(&body)?;
        self.put(shot, stage, frame, row);
        Ok(())
    }

    fn put(&mut self, shot: &Arc<str>, stage: &Arc<str>, frame: i64, row: Row) {
        let kept = self.tables.entry((Arc::clone(shot), Arc::clone(stage))).or_default();
        match Arc::get_mut(kept) {
            Some(Kept { table, digest, place: None }) => {
                *digest = OnceLock::new();
                table.get_or_init(Table::default);
                table.get_mut().expect("it was just made").set(frame, row);
            }
            _ => *kept = Arc::new(kept.with(frame, row)),
        }
    }

    /// Remembers a list of named settings.
    pub fn remember(&mut self, digest: Digest, list: Ingredients) -> Result<(), StoreError> {
        if self.ingredients(&digest).is_none() {
            let mut body = vec![b'i'];
            put_ingredients(&mut body, &digest, &list);
            self.append(&body)?;
            self.added.insert(digest, list);
        }
        Ok(())
    }

    /// Folds the journal into the snapshot, when it has grown long enough to be worth writing all rows again.
    pub fn settle(&mut self, store: &Store) -> Result<(), StoreError> {
        let snapshot = self.snapshot.as_ref().map_or(0, |s| s.bytes);
        if self.journalled > SHORT.max(snapshot / 8) { self.save(store) } else { Ok(()) }
    }

    /// Replaces the snapshot by all that is known and empties the journal.
    pub fn save(&mut self, store: &Store) -> Result<(), StoreError> {
        let mut tables: Vec<_> = self.tables.iter().collect();
        tables.sort_by_key(|(key, _)| *key);
        let mut index = Vec::new();
        record::put_text(&mut index, MAGIC);
        for ((shot, stage), kept) in &tables {
            // Tables are read here, so that a damaged one is written as the empty table that it counts as.
            let bytes = kept.table().to_bytes();
            record::put_text(&mut index, shot);
            record::put_text(&mut index, stage);
            index.extend_from_slice(&(bytes.len() as i64).to_le_bytes());
            index.extend_from_slice(&Digest::of(&bytes).0);
        }
        let mut settings = Vec::new();
        let mut lists: Vec<_> = self.settings().iter().chain(&self.added).collect();
        lists.sort_by_key(|(digest, _)| **digest);
        lists.iter().for_each(|(digest, list)| put_ingredients(&mut settings, digest, list));
        if let Some(why) = self.snapshot.as_ref().and_then(|snapshot| snapshot.refused.get()) {
            return Err(StoreError::file(&store.path("state"))(Error::other(why.clone())));
        }
        super::write_own_from(&store.path("state"), &mut |out| {
            let mut head = Vec::with_capacity(index.len() + settings.len() + 16);
            record::frame(&mut head, &index);
            record::frame(&mut head, &settings);
            out.write_all(&head)?;
            tables.iter().try_for_each(|(_, kept)| out.write_all(&kept.table().to_bytes()))
        })?;
        self.journalled = 0;
        let path = store.path("journal");
        match &self.journal {
            Some((path, file)) => file.set_len(0).map_err(StoreError::file(path)),
            None => match std::fs::remove_file(&path) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(StoreError::file(&path)(e)),
                _ => Ok(()),
            },
        }
    }

    /// Takes in what another who worked at the same time wrote into a journal of their own: lists of named settings and, where
    /// they count, failed attempts. Which renders are the last is for whoever puts them in place. Gives all that stands there.
    ///
    /// # Errors
    /// The system refuses.
    pub fn take_aside(&mut self, journal: &Path, counts: bool) -> Result<State, StoreError> {
        let (mut theirs, bytes) = (State::default(), file::read(journal)?.unwrap_or_default());
        record::each(&bytes, |_, body| {
            theirs.take(body);
        });
        let lists = std::mem::take(&mut theirs.added);
        lists.into_iter().try_for_each(|(digest, list)| self.remember(digest, list))?;
        for ((shot, stage), kept) in &theirs.tables {
            for (frame, row) in kept.table().rows().filter(|(_, row)| counts && row.failed != NONE) {
                let ours = self.table(shot, stage).and_then(|t| t.get(frame)).copied().unwrap_or(Row::EMPTY);
                self.set(shot, stage, frame, Row { failed: row.failed, ..ours })?;
            }
        }
        Ok(theirs)
    }

    fn append(&mut self, body: &[u8]) -> Result<(), StoreError> {
        let Some((path, file)) = &mut self.journal else { return Ok(()) };
        let mut out = Vec::with_capacity(body.len() + 8);
        record::frame(&mut out, body);
        if let Err(error) = file.write_all(&out) {
            // Half a row in the middle would hide what is appended behind it.
            let _ = file.set_len(self.journalled);
            return Err(StoreError::file(path)(error));
        }
        self.journalled += out.len() as u64;
        Ok(())
    }

    fn take(&mut self, body: &[u8]) -> Option<()> {
        let mut take = Take(body);
        match take.byte()? {
            b'r' => {
                let (shot, stage, frame) = (take.text()?.into(), take.text()?.into(), take.int()?);
                let row = Table::take(&mut take)?;
                if frame.abs() <= 2 * FRAME_LIMIT {
                    self.put(&shot, &stage, frame, row);
                }
            }
            b'i' => {
                let (digest, list) = take_ingredients(&mut take)?;
                self.added.insert(digest, list);
            }
            _ => {}
        }
        Some(())
    }
}

fn put_ingredients(out: &mut Vec<u8>, digest: &Digest, list: &[(String, Digest, Option<String>)]) {
    out.extend_from_slice(&digest.0);
    out.extend_from_slice(&(list.len() as i64).to_le_bytes());
    for (name, value, text) in list {
        record::put_text(out, name);
        out.extend_from_slice(&value.0);
        out.push(u8::from(text.is_some()));
        if let Some(text) = text {
            record::put_text(out, text);
        }
    }
}

fn take_ingredients(take: &mut Take<'_>) -> Option<(Digest, Ingredients)> {
    let digest = take.digest()?;
    let count = usize::try_from(take.int()?).ok()?;
    let mut list = Vec::new();
    for _ in 0..count {
        let (name, value) = (take.text()?.to_string(), take.digest()?);
        let text = if take.byte()? == 1 { Some(take.text()?.to_string()) } else { None };
        list.push((name, value, text));
    }
    Some((digest, list))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(n: i64) -> Row {
        let n = n as u8;
        Row { key: Digest::of(&[n]), pixels: Digest::of(&[n, n]), failed: NONE }
    }

    fn names() -> (Arc<str>, Arc<str>) {
        ("br010".into(), "colour".into())
    }

    fn store(folder: &Path) -> Store {
        let store = Store::at(folder).unwrap();
        store.create().unwrap();
        store
    }

    #[test]
    fn rows_come_back_from_journal_and_snapshot() {
        let folder = tempfile::tempdir().unwrap();
        let store = store(folder.path());
        let (shot, stage) = names();
        let mut state = State::load(&store).unwrap();
        state.open_journal(&store).unwrap();
        for frame in [1010, 1009, 1015] {
            state.set(&shot, &stage, frame, row(frame)).unwrap();
        }
        state.remember(row(1).key, vec![("exposure".into(), row(2).key, Some("0.2".into()))]).unwrap();
        drop(state);
        let mut state = State::load(&store).unwrap();
        let digest = state.kept(&shot, &stage).unwrap().digest();
        for _ in 0..2 {
            let table = state.table(&shot, &stage).unwrap();
            assert_eq!(table.get(1009), Some(&row(1009)));
            assert_eq!(table.get(1011), None);
            assert_eq!(table.rows().map(|(n, _)| n).collect::<Vec<_>>(), [1009, 1010, 1015]);
            assert_eq!(state.ingredients(&row(1).key).unwrap()[0].0, "exposure");
            state.save(&store).unwrap();
            state = State::load(&store).unwrap();
            assert_eq!(state.kept(&shot, &stage).unwrap().digest(), digest, "read or not, it is the same");
        }
    }

    #[test]
    fn a_torn_journal_goes_on_after_its_last_whole_row_and_old_readers_keep_what_they_saw() {
        let folder = tempfile::tempdir().unwrap();
        let store = store(folder.path());
        let (shot, stage) = names();
        let mut state = State::load(&store).unwrap();
        state.open_journal(&store).unwrap();
        state.set(&shot, &stage, 1, row(1)).unwrap();
        let mut torn = std::fs::OpenOptions::new().append(true).open(store.path("journal")).unwrap();
        torn.write_all(&[9, 0, 0]).unwrap();
        let mut state = State::load(&store).unwrap();
        let seen = Arc::clone(state.kept(&shot, &stage).unwrap());
        state.open_journal(&store).unwrap();
        state.set(&shot, &stage, 2, row(2)).unwrap();
        assert_eq!((seen.row(1), seen.row(2)), (row(1), Row::EMPTY));
        let table = State::load(&store).unwrap();
        assert_eq!(table.table(&shot, &stage).unwrap().get(2), Some(&row(2)));
    }

    #[test]
    fn a_row_that_is_written_in_part_hides_none_that_follow() {
        use rustix::process::{Resource, getrlimit, setrlimit};
        // So large that nothing else comes near it; the journal has a hole up to there.
        const LIMIT: u64 = 1 << 40;
        // SAFETY: no more is asked than that a write past the limit gives an error and does not end the process.
        unsafe { libc::signal(libc::SIGXFSZ, libc::SIG_IGN) };
        setrlimit(
            Resource::Fsize,
            rustix::process::Rlimit { current: Some(LIMIT), ..getrlimit(Resource::Fsize) },
        )
        .unwrap();
        let folder = tempfile::tempdir().unwrap();
        let store = store(folder.path());
        let (shot, stage) = names();
        let mut state = State::load(&store).unwrap();
        state.open_journal(&store).unwrap();
        let file = state.journal.as_ref().unwrap().1.try_clone().unwrap();
        file.set_len(LIMIT - 10).unwrap();
        state.journalled = LIMIT - 10;
        assert!(state.set(&shot, &stage, 1, row(1)).is_err());
        assert_eq!(file.metadata().unwrap().len(), LIMIT - 10);
    }

    #[test]
    fn what_cannot_be_read_is_not_taken_for_empty() {
        let folder = tempfile::tempdir().unwrap();
        let store = store(folder.path());
        let (shot, stage) = names();
        let mut state = State::load(&store).unwrap();
        state.put(&shot, &stage, 1, row(1));
        state.save(&store).unwrap();
        state.open_journal(&store).unwrap();
        state.set(&shot, &stage, 2, row(2)).unwrap();
        for name in ["state", "journal"] {
            std::fs::rename(store.path(name), store.path("aside")).unwrap();
            std::fs::create_dir(store.path(name)).unwrap();
            assert!(State::load(&store).unwrap_err().to_string().contains(name));
            std::fs::remove_dir(store.path(name)).unwrap();
            std::fs::rename(store.path("aside"), store.path(name)).unwrap();
        }
        // A table that the system does not give, once the snapshot is open.
        let mut state = State::load(&store).unwrap();
        state.snapshot.as_ref().unwrap().refused.set("brine".into()).unwrap();
        assert!(state.save(&store).unwrap_err().to_string().contains("brine"));
        let state = State::load(&store).unwrap();
        let table = state.table(&shot, &stage).unwrap();
        assert_eq!((table.get(1), table.get(2)), (Some(&row(1)), Some(&row(2))));
    }

    #[test]
    fn a_damaged_table_counts_as_lost_and_the_others_stay() {
        let folder = tempfile::tempdir().unwrap();
        let store = store(folder.path());
        let (shot, stage) = names();
        let other: Arc<str> = "roto".into();
        let mut state = State::load(&store).unwrap();
        state.put(&shot, &stage, 1, row(1));
        state.put(&shot, &other, 1, row(2));
        state.save(&store).unwrap();
        let mut bytes = std::fs::read(store.path("state")).unwrap();
        let end = bytes.len();
        bytes[end - 1] ^= 1;
        std::fs::write(store.path("state"), &bytes).unwrap();
        let mut state = State::load(&store).unwrap();
        let before = state.kept(&shot, &other).unwrap().digest();
        state.examine();
        assert_ne!(state.kept(&shot, &other).unwrap().digest(), before);
        assert_eq!(state.table(&shot, &stage).unwrap().get(1), Some(&row(1)));
        assert_eq!(state.table(&shot, &other).unwrap().get(1), None);
        state.save(&store).unwrap();
        let state = State::load(&store).unwrap();
        assert_eq!(state.table(&shot, &stage).unwrap().get(1), Some(&row(1)));
        assert_eq!(state.table(&shot, &other).unwrap().get(1), None);
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(0u8..=255, 0..300), cut in 0usize..300) {
            let folder = tempfile::tempdir().unwrap();
            let store = store(folder.path());
            let (shot, stage) = names();
            let mut state = State::load(&store).unwrap();
            state.put(&shot, &stage, 1, row(1));
            state.save(&store).unwrap();
            let mut all = std::fs::read(store.path("state")).unwrap();
            all.truncate(cut);
            all.extend_from_slice(&bytes);
            std::fs::write(store.path("state"), &all).unwrap();
            std::fs::write(store.path("journal"), &bytes).unwrap();
            let state = State::load(&store).unwrap();
            let _ = (state.table(&shot, &stage).map(|t| t.rows().count()), state.ingredients(&row(1).key));
        }
    }
}
