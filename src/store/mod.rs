//! What the film keeps between runs: renders by content, the last key of every frame, what made what.
//!
//! Knows files and their crash-safe writing. Does not know how keys are made or when a frame is stale.
//! Layout under `.endboard/`: `format`, `lock`, `objects/`, `actions/`, `state`, `journal`, `seals`, `facts`,
//! `movies/`, `deliveries/`, `copy`, `uploads/`, `fetched/`, `logs/`, `work/`.

pub mod actions;
pub mod facts;
pub mod file;
pub mod lock;
pub mod objects;
pub mod record;
pub mod room;
pub mod seals;
pub mod shared;
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
    /// Written by another version.
    #[error("{}: written by another version of endboard (it says {found:?}, this one reads {FORMAT:?})", path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What it says.
        found: String,
    },
    /// The file that says which version wrote it says nothing of the kind.
    #[error(
        "{}: it is damaged: {says}, as a power cut may leave it; delete the folder .endboard while nothing runs, and rebuild: everything \
         is rendered again and hand files are taken in anew, and nothing else is lost", path.display()
    )]
    Garbled {
        /// The file.
        path: PathBuf,
        /// What it says, in words.
        says: String,
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
        move |source| StoreError::File { path, source: plain(source) }
    }

    /// True when the disk is full, so that going on makes no sense.
    pub fn is_full_disk(&self) -> bool {
        matches!(self, StoreError::File { source, .. } if source.kind() == std::io::ErrorKind::StorageFull
            || source.kind() == std::io::ErrorKind::QuotaExceeded)
    }
}

/// What is wrong with a format that is not this version's: it is another one's, or no version's.
fn other_format(path: PathBuf, found: String) -> StoreError {
    let number = found.strip_prefix("endboard store ").and_then(|rest| rest.strip_suffix('\n'));
    if number.is_some_and(|number| !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit())) {
        return StoreError::Format { path, found };
    }
    let says: String = found.chars().filter(|c| !c.is_control()).take(40).collect();
    let says = if says.is_empty() { "it is empty".into() } else { format!("it says '{says}'") };
    StoreError::Garbled { path, says }
}

/// A film's folder for what it keeps.
#[derive(Debug, Clone)]
pub struct Store {
    root: PathBuf,
    /// Where one of several who work at the same time keeps what is only theirs.
    own: Option<PathBuf>,
}

/// What each of several who work on a film at the same time has of their own.
const OWN: [&str; 2] = ["work", "journal"];

impl Store {
    /// The store of the film in folder `project`. Creates nothing.
    pub fn at(project: &Path) -> Result<Self, StoreError> {
        let store = Self { root: project.join(".endboard"), own: None };
        let path = store.path("format");
        match file::read(&path)? {
            Some(found) if found != FORMAT.as_bytes() => {
                Err(other_format(path, String::from_utf8_lossy(&found).into_owned()))
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
            write_own(&path, FORMAT.as_bytes())?;
        }
        Ok(())
    }

    /// A path inside.
    pub fn path(&self, name: &str) -> PathBuf {
        match &self.own {
            Some(own) if OWN.contains(&name) => own.join(name),
            _ => self.root.join(name),
        }
    }

    /// The same store for one of several who work at the same time without the lock: half-made files and last keys go
    /// into the folder `own`, which is made.
    ///
    /// # Errors
    /// The folder cannot be made.
    pub fn apart(&self, own: &Path) -> Result<Self, StoreError> {
        let work = own.join("work");
        std::fs::create_dir_all(&work).map_err(StoreError::file(&work))?;
        Ok(Self { root: self.root.clone(), own: Some(own.to_path_buf()) })
    }

    /// Whether it is that of one of several.
    pub fn is_apart(&self) -> bool {
        self.own.is_some()
    }
}

/// What the system said, without the name of the temporary file that it was said of.
fn plain(error: std::io::Error) -> std::io::Error {
    let words = error.get_ref().map(ToString::to_string);
    match words.as_deref().and_then(|words| words.split_once(" at path ")) {
        Some((words, _)) => std::io::Error::new(error.kind(), words),
        None => error,
    }
}

/// Writes a file of a person's project so that it is seen whole or not at all, and is on the disk when this is done. Of a
/// file that is there the permissions stay, and of a symbolic link what it leads to is written.
///
/// # Errors
/// When something that is no regular file stands there, or the system refuses.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    write_beside(path, bytes)?.name()
}

/// A file of a person's project that is written whole, on the disk, and has no name yet. Dropped, it is gone.
#[derive(Debug)]
pub struct Beside {
    file: NamedTempFile,
    /// The name as it was asked for.
    path: PathBuf,
    /// Where that leads.
    at: PathBuf,
}

/// Writes what [`write_whole`] writes, beside its place.
///
/// # Errors
/// As there.
pub fn write_beside(path: &Path, bytes: &[u8]) -> Result<Beside, StoreError> {
    let (at, permissions) = place(path).map_err(StoreError::file(path))?;
    let file = written(path, &at, permissions, true, &mut |out| out.write_all(bytes))?;
    Ok(Beside { file, path: path.into(), at })
}

impl Beside {
    /// Gives it its name.
    ///
    /// # Errors
    /// The system refuses.
    pub fn name(self) -> Result<(), StoreError> {
        self.file.persist(&self.at).map_err(|e| StoreError::file(&self.path)(e.error))?;
        keep_name(&self.at);
        Ok(())
    }
}

/// Writes a file under a name that nothing has yet, with the permissions of another where they are given, so that it is seen
/// whole or not at all. Says false, and writes nothing, where something has that name, be it a link that leads nowhere.
pub fn write_new(
    path: &Path,
    bytes: &[u8],
    permissions: Option<std::fs::Permissions>,
) -> Result<bool, StoreError> {
    if std::fs::symlink_metadata(path).is_ok() {
        return Ok(false);
    }
    let file = written(path, path, permissions, true, &mut |out| out.write_all(bytes))?;
    let is_new = name_new(file, path)?;
    keep_name(path);
    Ok(is_new)
}

/// Writes one of the store's own files so that it is seen whole or not at all. It can be made again, so that nothing
/// waits for the disk.
pub fn write_own(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    write_own_from(path, &mut |out| out.write_all(bytes))
}

/// As [`write_own`], for what is too large to be put together in memory first.
pub fn write_own_from(
    path: &Path,
    write: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> Result<(), StoreError> {
    put(path, false, write)
}

/// Symbolic links that are followed before they pass for a circle.
const LINKS: usize = 40;

/// Where a file is to be written, behind all symbolic links, and the permissions of the one that is there.
fn place(path: &Path) -> std::io::Result<(PathBuf, Option<std::fs::Permissions>)> {
    let refused = |words: &str| std::io::Error::new(std::io::ErrorKind::InvalidInput, words.to_string());
    let mut at = path.to_path_buf();
    for _ in 0..LINKS {
        let meta = match std::fs::symlink_metadata(&at) {
            Ok(meta) => meta,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok((at, None)),
            Err(error) => return Err(error),
        };
        if meta.is_symlink() {
            let to = std::fs::read_link(&at)?;
            at = at.parent().unwrap_or(Path::new(".")).join(to);
        } else if meta.is_file() {
            return Ok((at, Some(meta.permissions())));
        } else {
            return Err(refused(
                "it is no regular file, so that nothing is written to it; name another file",
            ));
        }
    }
    Err(refused("its symbolic links lead in a circle"))
}

/// Writes a file beside its place and gives it its name.
fn put(
    path: &Path,
    is_synced: bool,
    write: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> Result<(), StoreError> {
    let (at, permissions) = place(path).map_err(StoreError::file(path))?;
    let file = written(path, &at, permissions, is_synced, write)?;
    file.persist(&at).map_err(|e| StoreError::file(path)(e.error))?;
    if is_synced {
        keep_name(&at);
    }
    Ok(())
}

/// A file written beside the place `at` that `path` leads to.
fn written(
    path: &Path,
    at: &Path,
    permissions: Option<std::fs::Permissions>,
    is_synced: bool,
    write: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> Result<NamedTempFile, StoreError> {
    use std::os::unix::fs::PermissionsExt;
    // Who may read and write it is for the umask to say, as with any other file, so that users can share a film.
    let usual = std::fs::Permissions::from_mode(0o666);
    let made = tempfile::Builder::new().permissions(usual).tempfile_in(folder_of(at));
    let mut file = made.map_err(StoreError::file(path))?;
    let written = write(&mut file).and_then(|()| match permissions {
        Some(permissions) => file.as_file().set_permissions(permissions),
        None => Ok(()),
    });
    written.map_err(StoreError::file(path))?;
    if is_synced {
        file.as_file().sync_all().map_err(StoreError::file(path))?;
    }
    Ok(file)
}

fn folder_of(at: &Path) -> &Path {
    at.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Makes a name as safe as the file: not every file system can say so of a folder.
fn keep_name(at: &Path) {
    if let Ok(folder) = std::fs::File::open(folder_of(at)) {
        let _ = folder.sync_all();
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_that_is_not_there_is_told_without_the_name_of_a_file_half_written() {
        let folder = tempfile::tempdir().unwrap();
        let said = write_whole(&folder.path().join("none/facts"), b"facts").unwrap_err().to_string();
        assert!(said.ends_with("none/facts: No such file or directory (os error 2)"), "{said}");
    }

    #[test]
    fn whoever_may_read_and_write_other_files_may_do_so_with_these() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode();
        let other = folder.path().join("other");
        std::fs::write(&other, "").unwrap();
        let path = folder.path().join("facts");
        for _ in 0..2 {
            write_own(&path, b"facts").unwrap();
            assert_eq!(mode(&path), mode(&other));
        }
    }

    #[test]
    fn a_persons_file_keeps_its_place_and_its_permissions() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::create_dir(at("far")).unwrap();
        std::fs::write(at("far/grade"), "old").unwrap();
        std::fs::set_permissions(at("far/grade"), std::fs::Permissions::from_mode(0o640)).unwrap();
        for (link, to) in [("near", "far/grade"), ("nearer", "near"), ("fresh", "far/new")] {
            std::os::unix::fs::symlink(to, at(link)).unwrap();
        }
        write_whole(&at("nearer"), b"new").unwrap();
        assert_eq!(std::fs::read(at("far/grade")).unwrap(), b"new");
        assert_eq!(std::fs::metadata(at("far/grade")).unwrap().permissions().mode() & 0o777, 0o640);
        assert!(std::fs::symlink_metadata(at("near")).unwrap().is_symlink());
        // A link that leads to nothing yet leads to the file then.
        write_whole(&at("fresh"), b"new").unwrap();
        assert_eq!(std::fs::read(at("far/new")).unwrap(), b"new");
        std::os::unix::fs::symlink("round", at("round")).unwrap();
        assert!(write_whole(&at("round"), b"").unwrap_err().to_string().contains("circle"));
    }

    #[test]
    fn what_is_no_regular_file_is_left_alone_and_no_temporary_name_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::create_dir(at("folder")).unwrap();
        let pipe = std::process::Command::new("mkfifo").arg(at("pipe")).status().unwrap();
        assert!(pipe.success());
        for name in ["folder", "pipe"] {
            let words = write_whole(&at(name), b"x").unwrap_err().to_string();
            assert!(words.contains(name) && words.contains("no regular file"), "{words}");
            assert!(!std::fs::metadata(at(name)).unwrap().is_file());
        }
        let words = write_whole(&at("none/sheet.png"), b"x").unwrap_err().to_string();
        assert!(words.ends_with("none/sheet.png: No such file or directory (os error 2)"), "{words}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
    }
}
