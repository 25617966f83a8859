//! A delivery's folder: built beside its name, and given the name when it is whole.
//!
//! Knows the disk. Does not know what is delivered. While a delivery `film` is made, `film.unfinished` stands beside its place,
//! with a note that says so and is locked by whoever makes it, and the delivery in it. What a crash leaves is found by that note
//! and cleared by the next delivery of the name; a folder without the note is somebody's and is never touched.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use rustix::fs::{CWD, FlockOperation, RenameFlags, flock, renameat_with};

use super::target::is_plain_name;
use super::whole::sync_folder;

/// What follows a delivery's name while it is made.
const UNFINISHED: &str = ".unfinished";
/// The note in such a folder.
const NOTE: &str = "UNFINISHED.txt";
/// How the note begins.
const MARK: &str = "Endboard was writing here, and what lies here is not whole.";
/// The highest number that a delivery of one name gets.
const MOST: u32 = 9999;

/// What to do when a delivery of the name is there already. It is never written over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// Say so.
    Refuse,
    /// Take the next number: `film`, `film-2`, `film-3`.
    Number,
}

/// Why a delivery cannot be begun or ended.
#[derive(Debug, thiserror::Error)]
pub enum StagingError {
    /// No name for a folder.
    #[error("{0:?} names no delivery: use letters, digits, spaces, '.', '-' and '_'")]
    Name(String),
    /// It is there.
    #[error("{}: a delivery is there already and is not written over; use another name, or let it be numbered", .0.display())]
    Taken(PathBuf),
    /// Another run is at it.
    #[error("{}: another run is making this delivery; wait for it, or use another name", .0.display())]
    Busy(PathBuf),
    /// Something stands in the way.
    #[error("{}: it is in the way and not Endboard's; move it away", .0.display())]
    Foreign(PathBuf),
    /// The disk refuses.
    #[error("{}: {error}", path.display())]
    Disk {
        /// What was read or written.
        path: PathBuf,
        /// What the system says.
        #[source]
        error: io::Error,
    },
}

fn disk(path: &Path) -> impl FnOnce(io::Error) -> StagingError {
    let path = path.to_path_buf();
    move |error| StagingError::Disk { path, error }
}

/// A delivery under way. Dropped before its end, it is cleared away.
#[derive(Debug)]
pub struct Staging {
    /// Where the delivery will lie.
    place: PathBuf,
    /// What stands beside it meanwhile.
    around: PathBuf,
    folder: PathBuf,
    /// Locked as long as it is open.
    _note: File,
}

impl Staging {
    /// Begins a delivery `name` in the folder `within`, which is made when it is not there. Clears what a crash left of the same.
    ///
    /// # Errors
    /// When the name is taken, another run is at it, something is in the way, or the disk refuses.
    pub fn begin(within: &Path, name: &str, taken: Taken) -> Result<Self, StagingError> {
        if !is_plain_name(name) {
            return Err(StagingError::Name(name.into()));
        }
        std::fs::create_dir_all(within).map_err(disk(within))?;
        let most = if taken == Taken::Number { MOST } else { 1 };
        let mut last = within.join(name);
        for number in 1..=most {
            let numbered = if number == 1 { name.to_string() } else { format!("{name}-{number}") };
            last = within.join(&numbered);
            if last.symlink_metadata().is_ok() {
                continue;
            }
            match Self::at(within, &numbered, &last) {
                // Two runs at once get two numbers.
                Err(StagingError::Busy(_)) if number < most => {}
                begun => return begun,
            }
        }
        Err(StagingError::Taken(last))
    }

    fn at(within: &Path, name: &str, place: &Path) -> Result<Self, StagingError> {
        let around = within.join(format!("{name}{UNFINISHED}"));
        clear(&around)?;
        match std::fs::create_dir(&around) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                return Err(StagingError::Busy(around));
            }
            made => made.map_err(disk(&around))?,
        }
        let path = around.join(NOTE);
        let note = || {
            let mut note = OpenOptions::new().write(true).create_new(true).open(&path)?;
            flock(&note, FlockOperation::NonBlockingLockExclusive)?;
            writeln!(
                note,
                "{MARK}\nWhatever is written under this name next clears it away. It may be deleted."
            )?;
            note.sync_all()?;
            Ok(note)
        };
        let note = note().map_err(disk(&path))?;
        let folder = around.join(name);
        std::fs::create_dir(&folder).map_err(disk(&folder))?;
        Ok(Self { place: place.to_path_buf(), around, folder, _note: note })
    }

    /// Where to put what is delivered.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Where it will lie at the end.
    pub fn place(&self) -> &Path {
        &self.place
    }

    /// Gives the delivery its name, all at once, and says where it lies.
    ///
    /// # Errors
    /// When something has taken the name meanwhile, or the disk refuses. The delivery is cleared away then.
    pub fn finish(self) -> Result<PathBuf, StagingError> {
        let place = self.place.clone();
        sync_all(&self.folder).map_err(disk(&self.folder))?;
        match renameat_with(CWD, &self.folder, CWD, &place, RenameFlags::NOREPLACE) {
            Err(rustix::io::Errno::EXIST | rustix::io::Errno::NOTEMPTY) => {
                return Err(StagingError::Taken(place));
            }
            // Some file systems cannot promise it; nothing of the name was there when this began, and it is looked for once more.
            Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) if place.symlink_metadata().is_err() => {
                std::fs::rename(&self.folder, &place).map_err(disk(&place))?;
            }
            named => named.map_err(|error| disk(&place)(error.into()))?,
        }
        let within = place.parent().unwrap_or(Path::new("."));
        sync_folder(within).map_err(disk(within))?;
        Ok(place)
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        let _ = remove(&self.around);
    }
}

/// Removes the note last, so that what is left of a removal that was cut short still says what it is.
fn remove(around: &Path) -> io::Result<()> {
    for entry in std::fs::read_dir(around)? {
        let entry = entry?;
        if entry.file_name() == NOTE {
            continue;
        }
        if entry.file_type()?.is_dir() {
            std::fs::remove_dir_all(entry.path())?;
        } else {
            std::fs::remove_file(entry.path())?;
        }
    }
    let _ = std::fs::remove_file(around.join(NOTE));
    std::fs::remove_dir(around)
}

/// Clears what earlier runs left in a folder, under whatever name; what somebody is at, or what is not one's own, stays.
pub fn clear_left(within: &Path) {
    let Ok(entries) = std::fs::read_dir(within) else { return };
    for entry in entries.flatten() {
        let is_left = entry.file_name().to_string_lossy().ends_with(UNFINISHED);
        // One without a note yet may just have been begun.
        if is_left && entry.path().join(NOTE).exists() {
            let _ = clear(&entry.path());
        }
    }
}

/// Clears what an earlier run left, if it is one's own and nobody is at it.
fn clear(around: &Path) -> Result<(), StagingError> {
    match around.symlink_metadata() {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(disk(around)(error)),
        Ok(data) if !data.is_dir() => return Err(StagingError::Foreign(around.to_path_buf())),
        Ok(_) => {}
    }
    // A run that ended before it wrote its note left nothing else either.
    if std::fs::remove_dir(around).is_ok() {
        return Ok(());
    }
    let path = around.join(NOTE);
    let is_file = path.symlink_metadata().is_ok_and(|data| data.is_file());
    let note = if is_file { File::open(&path).ok() } else { None };
    let Some(note) = note else { return Err(StagingError::Foreign(around.to_path_buf())) };
    if flock(&note, FlockOperation::NonBlockingLockExclusive).is_err() {
        return Err(StagingError::Busy(around.to_path_buf()));
    }
    let mut text = String::new();
    let _ = (&note).take(MARK.len() as u64).read_to_string(&mut text);
    // One that is empty was about to be written.
    if text != MARK && !text.is_empty() {
        return Err(StagingError::Foreign(around.to_path_buf()));
    }
    remove(around).map_err(disk(around))
}

/// Sees that all files and names of a folder are on the disk.
fn sync_all(folder: &Path) -> io::Result<()> {
    for entry in walkdir::WalkDir::new(folder).contents_first(true) {
        let entry = entry.map_err(io::Error::from)?;
        if entry.file_type().is_dir() || entry.file_type().is_file() {
            File::open(entry.path())?.sync_all()?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        let mut names: Vec<String> =
            entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    fn deliver(within: &Path, taken: Taken) -> Result<PathBuf, StagingError> {
        let staging = Staging::begin(within, "film", taken)?;
        fs::write(staging.folder().join("film.mov"), "picture")?;
        staging.finish()
    }

    impl From<io::Error> for StagingError {
        fn from(error: io::Error) -> Self {
            disk(Path::new("film.mov"))(error)
        }
    }

    #[test]
    fn a_delivery_appears_whole_and_is_never_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let within = folder.path().join("deliveries");
        let place = deliver(&within, Taken::Refuse).unwrap();
        assert_eq!((place, names(&within)), (within.join("film"), vec!["film".to_string()]));
        fs::write(within.join("film/film.mov"), "approved").unwrap();
        assert!(matches!(deliver(&within, Taken::Refuse), Err(StagingError::Taken(_))));
        deliver(&within, Taken::Number).unwrap();
        deliver(&within, Taken::Number).unwrap();
        assert_eq!(names(&within), ["film", "film-2", "film-3"]);
        assert_eq!(fs::read_to_string(within.join("film/film.mov")).unwrap(), "approved");
    }

    #[test]
    fn an_end_before_the_end_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let staging = Staging::begin(folder.path(), "film", Taken::Refuse).unwrap();
        fs::write(staging.folder().join("film.mov"), "half").unwrap();
        assert_eq!(names(folder.path()), ["film.unfinished"]);
        drop(staging);
        assert_eq!(names(folder.path()), Vec::<String>::new());
    }

    #[test]
    fn what_a_crash_left_says_so_and_is_cleared_but_nothing_else_is() {
        let folder = tempfile::tempdir().unwrap();
        let staging = Staging::begin(folder.path(), "film", Taken::Refuse).unwrap();
        fs::write(staging.folder().join("film.mov"), "half").unwrap();
        let around = folder.path().join("film.unfinished");
        // Nobody else clears what is under way, and a second run gets a number of its own.
        assert!(matches!(Staging::begin(folder.path(), "film", Taken::Refuse), Err(StagingError::Busy(_))));
        let second = Staging::begin(folder.path(), "film", Taken::Number).unwrap();
        assert_eq!(second.place(), folder.path().join("film-2"));
        drop(second);
        // A crash lets go of the lock and removes nothing.
        let kept = folder.path().join("kept");
        fs::rename(&around, &kept).unwrap();
        drop(staging);
        fs::rename(&kept, &around).unwrap();
        assert!(fs::read_to_string(around.join(NOTE)).unwrap().starts_with(MARK));
        assert_eq!(deliver(folder.path(), Taken::Refuse).unwrap(), folder.path().join("film"));
        assert_eq!(names(folder.path()), ["film"]);
        assert_eq!(fs::read_to_string(folder.path().join("film/film.mov")).unwrap(), "picture");
        // Somebody's own folder of the name stays as it is.
        fs::remove_dir_all(folder.path().join("film")).unwrap();
        for text in [None, Some("mine")] {
            fs::create_dir_all(around.join("film")).unwrap();
            text.into_iter().for_each(|text| fs::write(around.join(NOTE), text).unwrap());
            assert!(matches!(deliver(folder.path(), Taken::Number), Err(StagingError::Foreign(_))));
            assert!(around.join("film").is_dir());
        }
    }

    #[test]
    fn a_name_that_was_taken_meanwhile_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let staging = Staging::begin(folder.path(), "film", Taken::Refuse).unwrap();
        fs::create_dir(folder.path().join("film")).unwrap();
        fs::write(folder.path().join("film/mine"), "mine").unwrap();
        assert!(matches!(staging.finish(), Err(StagingError::Taken(_))));
        assert_eq!(names(folder.path()), ["film"]);
        assert_eq!(names(&folder.path().join("film")), ["mine"]);
        assert!(matches!(
            Staging::begin(folder.path(), "../film", Taken::Number),
            Err(StagingError::Name(_))
        ));
    }
}
