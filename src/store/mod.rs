//! What the film keeps between runs: renders by content, the last key of every frame, what made what.
//!
//! Knows files and their crash-safe writing. Does not know how keys are made or when a frame is stale.
//! Layout under `.endboard/`: `format`, `lock`, `objects/`, `actions/`, `state`, `journal`, `seals`, `facts`,
//! `movies/`, `logs/`, `work/`.

pub mod actions;
pub mod facts;
pub mod file;
pub mod lock;
pub mod objects;
pub mod record;
pub mod seals;
pub mod state;
pub mod sweep;
pub mod table;

use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

/// The format that this version writes and reads.
pub const FORMAT: &str = "endboard store 2\n";

/// What can go wrong with stored things.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// A file could not be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Another process works on this film.
    #[error("{0}")]
    Locked(String),
    /// Written by a newer version.
    #[error("{}: written by another version of endboard (it says {found:?}, this one reads {FORMAT:?})", path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What it says.
        found: String,
    },
    /// A stored render is not what its name says.
    #[error("{}: the stored render is damaged: {reason}", path.display())]
    Damaged {
        /// The object.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
}

impl StoreError {
    /// For `map_err`: the file and the reason.
    pub fn file(path: &Path) -> impl FnOnce(std::io::Error) -> StoreError {
        let path = path.to_path_buf();
        move |source| StoreError::File { path, source }
    }

    /// True when the disk is full, so that going on makes no sense.
    pub fn is_full_disk(&self) -> bool {
        matches!(self, StoreError::File { source, .. } if source.kind() == std::io::ErrorKind::StorageFull
            || source.kind() == std::io::ErrorKind::QuotaExceeded)
    }
}

/// A film's folder for what it keeps.
#[derive(Debug, Clone)]
pub struct Store {
    root: PathBuf,
}

impl Store {
    /// The store of the film in folder `project`. Creates nothing.
    pub fn at(project: &Path) -> Result<Self, StoreError> {
        let store = Self { root: project.join(".endboard") };
        let path = store.path("format");
        match file::read(&path)? {
            Some(found) if found != FORMAT.as_bytes() => {
                Err(StoreError::Format { path, found: String::from_utf8_lossy(&found).into_owned() })
            }
            _ => Ok(store),
        }
    }

    /// Makes the folders.
    pub fn create(&self) -> Result<(), StoreError> {
        for folder in ["", "objects", "actions", "logs", "work"] {
            let path = self.path(folder);
            std::fs::create_dir_all(&path).map_err(StoreError::file(&path))?;
        }
        let path = self.path("format");
        if !path.exists() {
            write_whole(&path, FORMAT.as_bytes())?;
        }
        Ok(())
    }

    /// A path inside.
    pub fn path(&self, name: &str) -> PathBuf {
        self.root.join(name)
    }
}

/// Writes a file so that it is seen whole or not at all.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    write_whole_from(path, &mut |out| out.write_all(bytes))
}

/// Writes a read-only file that is to become `path` once it is whole. What a killed process leaves half-written lies in
/// `folder`, on the same disk.
fn write_aside(folder: &Path, path: &Path, bytes: &[u8]) -> Result<NamedTempFile, StoreError> {
    use std::io::Write;
    use std::os::unix::fs::PermissionsExt;
    let mut file = NamedTempFile::new_in(folder).map_err(StoreError::file(path))?;
    file.write_all(bytes).map_err(StoreError::file(path))?;
    let read_only = std::fs::Permissions::from_mode(0o444);
    file.as_file().set_permissions(read_only).map_err(StoreError::file(path))?;
    Ok(file)
}

/// Gives a file its name, unless another one has it already. Says whether it did.
fn name_new(file: NamedTempFile, path: &Path) -> Result<bool, StoreError> {
    match file.persist_noclobber(path) {
        Ok(_) => Ok(true),
        Err(e) if e.error.kind() == std::io::ErrorKind::AlreadyExists => Ok(false),
        Err(e) => Err(StoreError::file(path)(e.error)),
    }
}

/// As [`write_whole`], for what is too large to be put together in memory first.
pub fn write_whole_from(
    path: &Path,
    write: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> Result<(), StoreError> {
    use std::os::unix::fs::PermissionsExt;
    let folder = path.parent().unwrap_or(Path::new("."));
    // Who may read and write it is for the umask to say, as with any other file, so that users can share a film.
    let permissions = std::fs::Permissions::from_mode(0o666);
    let made = tempfile::Builder::new().permissions(permissions).tempfile_in(folder);
    let mut file = made.map_err(StoreError::file(path))?;
    write(&mut file).map_err(StoreError::file(path))?;
    file.persist(path).map_err(|e| StoreError::file(path)(e.error))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_may_read_and_write_other_files_may_do_so_with_these() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode();
        let other = folder.path().join("other");
        std::fs::write(&other, "").unwrap();
        let path = folder.path().join("facts");
        for _ in 0..2 {
            write_whole(&path, b"facts").unwrap();
            assert_eq!(mode(&path), mode(&other));
        }
    }
}
