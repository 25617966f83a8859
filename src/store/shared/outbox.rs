//! What still has to be sent: one small file each in `.endboard/uploads/`, gone once it was sent.
//!
//! Knows that a process may be killed between any two writes: what is noted is sent by the next run, once more if need be. Does
//! not know how anything is sent.

use std::path::PathBuf;

use super::note::Note;
use crate::base::digest::Digest;
use crate::store::{Store, StoreError, file};

/// The folder, below the store's.
const FOLDER: &str = "uploads";
/// The first line of what is sent also where something of its name is there.
const AGAIN: &str = "again\n";

/// One render to be sent.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Due {
    /// What it is.
    pub note: Note,
    /// Whether what is there is to be replaced, as it was found damaged.
    pub again: bool,
}

/// What still has to be sent.
#[derive(Clone, Debug)]
pub struct Outbox {
    folder: PathBuf,
}

impl Outbox {
    /// The store's. Makes nothing.
    pub fn of(store: &Store) -> Self {
        Self { folder: store.path(FOLDER) }
    }

    fn path(&self, key: &Digest) -> PathBuf {
        self.folder.join(key.to_string())
    }

    /// Where it is kept how far a render's file came.
    pub fn memo(&self, pixels: &Digest) -> PathBuf {
        self.folder.join(format!("{pixels}.parts"))
    }

    /// Where it is kept how far a packet's zip of this name came.
    pub fn packet_memo(&self, file: &str) -> PathBuf {
        self.folder.join(format!("{file}.parts"))
    }

    /// Forgets how far the zips of packets came that are not to be `kept`, by their names.
    pub fn forget_packets(&self, kept: &dyn Fn(&str) -> bool) {
        for entry in std::fs::read_dir(&self.folder).into_iter().flatten().flatten() {
            let name = entry.file_name();
            let of = name.to_str().and_then(|name| name.strip_suffix(".zip.parts"));
            if of.is_some_and(|packet| !kept(packet)) {
                let _ = std::fs::remove_file(entry.path());
            }
        }
    }

    /// Where whoever sends keeps others from it.
    pub fn lock(&self) -> PathBuf {
        self.folder.join("lock")
    }

    /// Makes the folder.
    ///
    /// # Errors
    /// The system refuses.
    pub fn create(&self) -> Result<(), StoreError> {
        std::fs::create_dir_all(&self.folder).map_err(StoreError::file(&self.folder))
    }

    /// Notes one.
    ///
    /// # Errors
    /// The system refuses.
    pub fn put(&self, due: &Due) -> Result<(), StoreError> {
        let mut bytes = if due.again { AGAIN.as_bytes().to_vec() } else { Vec::new() };
        bytes.extend(due.note.write());
        self.create()?;
        crate::store::write_own(&self.path(&due.note.key), &bytes)
    }

    /// Forgets one that was sent, or cannot be.
    pub fn done(&self, due: &Due) {
        let _ = std::fs::remove_file(self.path(&due.note.key));
        let _ = std::fs::remove_file(self.memo(&due.note.pixels));
    }

    /// All that is noted, those that were noted first first. A file that is not whole is passed over and removed.
    pub fn all(&self) -> Vec<Due> {
        let entries = std::fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut all: Vec<_> = entries
            .filter(|entry| entry.file_name().to_string_lossy().parse::<Digest>().is_ok())
            .filter_map(|entry| {
                let bytes = file::read(&entry.path()).ok()??;
                let (again, bytes) = match bytes.strip_prefix(AGAIN.as_bytes()) {
                    Some(rest) => (true, rest),
                    None => (false, &bytes[..]),
                };
                let Ok(note) = Note::read(bytes) else {
                    let _ = std::fs::remove_file(entry.path());
                    return None;
                };
                Some((entry.metadata().ok()?.modified().ok()?, Due { note, again }))
            })
            .collect();
        all.sort_by_key(|(when, due)| (*when, due.note.key));
        all.into_iter().map(|(_, due)| due).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::shared::note::Kind;

    #[test]
    fn what_is_noted_is_there_until_it_was_sent_and_what_is_torn_is_passed_over() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let outbox = Outbox::of(&store);
        assert_eq!(outbox.all(), []);
        let due = |n: u8, again| Due {
            note: Note {
                key: Digest::of(&[n]),
                pixels: Digest::of(&[n, n]),
                planes: vec![],
                kind: Kind::Picture,
            },
            again,
        };
        let (one, two) = (due(1, false), due(2, true));
        outbox.put(&one).unwrap();
        outbox.put(&two).unwrap();
        std::fs::write(outbox.path(&Digest::of(b"torn")), "endb").unwrap();
        std::fs::write(outbox.memo(&one.note.pixels), "{}").unwrap();
        let mut all = outbox.all();
        all.sort_by_key(|due| due.again);
        assert_eq!(all, [one.clone(), two.clone()]);
        let packets = ["ana-1.zip", "ines-2.zip"].map(|file| outbox.packet_memo(file));
        packets.iter().for_each(|memo| std::fs::write(memo, "{}").unwrap());
        outbox.forget_packets(&|name| name == "ines-2");
        assert_eq!(packets.each_ref().map(|memo| memo.exists()), [false, true]);
        assert!(outbox.memo(&one.note.pixels).exists());
        outbox.done(&one);
        assert_eq!(outbox.all(), [two]);
        assert!(!outbox.memo(&one.note.pixels).exists() && !outbox.path(&Digest::of(b"torn")).exists());
    }
}
