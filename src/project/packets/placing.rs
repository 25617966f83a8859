//! Putting returned files in place, so that a takeback is whole or not there at all.
//!
//! What is to be done is written down first, in `returns/under-way.json`: each file with what lay in its place, and the ledger's
//! rows as they will stand there, ids and all. Then files are put in place, then the ledger is told, then the note goes. Each step
//! looks whether it was done. So whoever works on the film next brings to its end what a crash cut short, and comes to the same
//! rows. A file that lies in a place and is no known return is a person's: it is kept in `returns/` before it is replaced, and one
//! that came into the place since the note was written stays there.

use std::collections::{BTreeSet, HashSet};
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::RETURNS;
use super::taken::Placed;
use crate::base::digest::Digest;
use crate::crew::packets::Returns;
use crate::declare;
use crate::deliver::whole;
use crate::ledger::file::{Ledger, id_of};
use crate::ledger::id::RowId;
use crate::ledger::row::Row;
use crate::media::Format;
use crate::observe;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError};

/// The note of what is under way.
const UNDER_WAY: &str = "under-way.json";

/// What is told of each change on the disk, by its path, right after it was made. Where it fails, the work breaks off as it would
/// on a disk that refuses; tests break it off so between any two changes.
pub type Changed<'a> = &'a dyn Fn(&Path) -> io::Result<()>;

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Work {
    /// Files to be put in place.
    pub files: Vec<File>,
    /// Lines of the ledger.
    pub rows: Vec<String>,
}

/// A file to be put in place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct File {
    /// What it is: `SHOT/STAGE@FRAME`.
    pub place: String,
    /// Which return of the stage it is of.
    pub version: u32,
    /// The digest of its bytes in hexadecimal digits.
    pub digest: String,
    /// Where it is kept, below the film's folder.
    pub kept: String,
    /// Where it is to lie, below the film's folder.
    pub path: String,
    /// The digest of what lay there when this was written down.
    pub before: Option<String>,
    /// Whether that is a return of the stage.
    pub is_return: bool,
}

/// Where a returned file is kept that is to lie in a place like this.
pub(super) fn kept_at(digest: &str, like: &str) -> String {
    let ending = like.rsplit('/').next().and_then(|name| name.rsplit_once('.')).map_or("bin", |(_, e)| e);
    format!("{RETURNS}/{}/{digest}.{ending}", &digest[..2])
}

impl Project {
    /// Brings to its end what a crash cut short; gives what a person should know of that. The film's lock must be held.
    ///
    /// # Errors
    /// The note cannot be read, or the disk refuses.
    pub fn finish_taking(&self, writer: &Writer) -> Result<Vec<String>, ProjectError> {
        let path = self.folder.join(RETURNS).join(UNDER_WAY);
        let bytes = match std::fs::read(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            read => read.map_err(disk(&path))?,
        };
        let unread = |why: String| {
            let place = path.display();
            ProjectError::System(format!(
                "{place} tells what a takeback was doing, and cannot be followed: {why}; take that file away, and take the packet back \
                 once more: files of it that are in place stay there, the others and its hours are missing until then"
            ))
        };
        let work: Work = serde_json::from_slice(&bytes).map_err(|why| unread(why.to_string()))?;
        if work.rows.iter().any(|line| id_of(line).is_none()) {
            return Err(unread("a row in it is damaged".into()));
        }
        if let Some(why) = work.files.iter().find_map(|file| self.not_to_be_placed(file).transpose()) {
            return Err(unread(why?));
        }
        let placed = self.carry_out(&work, writer, &|_| Ok(()))?;
        let mut says = vec!["a takeback that was cut short was brought to its end".to_string()];
        says.extend(placed.kept.iter().map(|(from, to)| super::taken::kept(from, to)));
        says.extend(placed.left);
        Ok(says)
    }

    /// Why a file of a note is not put in place, if so. `returns/` travels between people, so that the note may be a stranger's: it
    /// leads nowhere but to pictures inside the film, and from nowhere but the files that are kept.
    fn not_to_be_placed(&self, file: &File) -> Result<Option<String>, ProjectError> {
        let shown = |path: &str| path.chars().take(200).collect::<String>().escape_debug().to_string();
        for path in [&file.path, &file.kept] {
            if let Some(why) = declare::path_fault(path) {
                return Ok(Some(format!("it names '{}': {why}", shown(path))));
            }
        }
        if Format::of_path(&file.path).is_none() {
            return Ok(Some(format!("it names '{}', which is no picture", shown(&file.path))));
        }
        if !file.kept.starts_with(&format!("{RETURNS}/")) {
            return Ok(Some(format!("it names '{}', which is not in {RETURNS}/", shown(&file.kept))));
        }
        let has = |path: &str| -> Result<bool, ProjectError> {
            let at = self.folder.join(path);
            let there = observe::digest(&at).map_err(disk(&at))?;
            Ok(there.is_some_and(|there| there.to_string() == file.digest))
        };
        let is_there = has(&file.path)? || has(&file.kept)?;
        Ok((!is_there).then(|| format!("{} is not there, or not as it came", shown(&file.kept))))
    }

    /// Writes down what is to be done, and does it. The film's lock must be held, and every file be in `returns/`.
    pub(super) fn do_work(
        &self,
        files: Vec<File>,
        rows: &[Row],
        writer: &Writer,
        changed: Changed<'_>,
    ) -> Result<Placed, ProjectError> {
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let rows = rows.iter().map(|row| Ok(ledger.line(row)?.1)).collect::<Result<_, ProjectError>>()?;
        let work = Work { files, rows };
        let folder = self.folder.join(RETURNS);
        std::fs::create_dir_all(&folder).map_err(disk(&folder))?;
        whole::clear(&folder);
        let path = folder.join(UNDER_WAY);
        let text = serde_json::to_vec_pretty(&work).map_err(|why| ProjectError::System(why.to_string()))?;
        whole::write(&path, &text, true).and_then(|()| changed(&path)).map_err(disk(&path))?;
        self.carry_out(&work, writer, changed)
    }

    fn carry_out(&self, work: &Work, writer: &Writer, changed: Changed<'_>) -> Result<Placed, ProjectError> {
        let mut placed = Placed::default();
        let folders = work.files.iter().filter_map(|file| Path::new(&file.path).parent());
        // Once a folder, and not once a file of it.
        folders
            .collect::<BTreeSet<_>>()
            .into_iter()
            .for_each(|folder| whole::clear(&self.folder.join(folder)));
        for file in &work.files {
            self.put_in_place(file, &mut placed, changed)?;
        }
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let told: HashSet<RowId> = self.ledger().0.iter().map(|entry| entry.id).collect();
        for line in work.rows.iter().filter(|line| id_of(line).is_none_or(|id| !told.contains(&id))) {
            ledger.put(line)?;
            changed(ledger.path()).map_err(disk(ledger.path()))?;
        }
        let path = self.folder.join(RETURNS).join(UNDER_WAY);
        std::fs::remove_file(&path).and_then(|()| changed(&path)).map_err(disk(&path))?;
        Ok(placed)
    }

    /// What is to be done with one kept file, after a look at what lies in its place.
    ///
    /// # Errors
    /// Something that is no file lies there, or cannot be read.
    pub(super) fn to_be_placed(
        &self,
        returns: Option<&Returns>,
        (place, version): (String, u32),
        (digest, kept, path): (&Digest, String, String),
    ) -> Result<File, ProjectError> {
        let to = self.folder.join(&path);
        let before = observe::digest(&to).map_err(disk(&to))?;
        if before.is_none() && is_odd(&to) {
            let why = "something that is no file stands in its place; move it away, and start again";
            return Err(ProjectError::System(format!("{path}: {why}")));
        }
        let is_return = before.is_some_and(|before| {
            returns.is_some_and(|all| all.all.iter().any(|of| of.files.values().any(|file| *file == before)))
        });
        let before = before.map(|digest| digest.to_string());
        Ok(File { place, version, digest: digest.to_string(), kept, path, before, is_return })
    }

    /// Copies a kept file to where the stage wants it. It is a copy, so that whoever works on it there changes no kept one.
    fn put_in_place(
        &self,
        file: &File,
        placed: &mut Placed,
        changed: Changed<'_>,
    ) -> Result<(), ProjectError> {
        let to = self.folder.join(&file.path);
        let there = observe::digest(&to).map_err(disk(&to))?;
        let said = there.map(|there| there.to_string());
        if said.as_ref() == Some(&file.digest) {
            return Ok(());
        }
        if is_odd(&to) || (said.is_some() && said != file.before) {
            placed.left.push(format!(
                "{} was changed by somebody since the takeback began, and is left so; return {} of {} is kept as {}, and `endboard \
                 takeback --go-back {2} --return {1}` puts that in place",
                file.path, file.version, file.place, file.kept
            ));
            return Ok(());
        }
        if let Some(there) = there {
            let kept = self.keep(&to, &there)?;
            changed(&self.folder.join(&kept)).map_err(disk(&to))?;
            if !file.is_return {
                placed.kept.push((file.path.clone(), kept));
            }
        }
        let from = self.folder.join(&file.kept);
        let folder = to.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(disk(folder))?;
        let copied = || -> io::Result<()> {
            let mut file = whole::beside(folder, whole::UNDER_WAY.1)?;
            io::copy(&mut std::fs::File::open(&from)?, file.as_file_mut())?;
            whole::named(file, &to, true)?;
            changed(&to)
        };
        copied().map_err(disk(&from))
    }

    /// Keeps a file that lies in a place; gives where.
    fn keep(&self, at: &Path, digest: &Digest) -> Result<String, ProjectError> {
        let bytes = std::fs::read(at).map_err(disk(at))?;
        if Digest::of(&bytes) != *digest {
            return Err(ProjectError::System(format!(
                "{} is being written just now; start again",
                at.display()
            )));
        }
        let kept = self.kept_place(digest, &at.to_string_lossy())?;
        self.keep_bytes(&self.folder.join(&kept), &bytes)?;
        Ok(kept)
    }

    /// Where a file of these bytes is kept, whatever its name ends in: a stage's declaration may ask for another ending since.
    pub(super) fn kept_as(&self, digest: &Digest) -> Result<Option<String>, ProjectError> {
        let digest = digest.to_string();
        let folder = format!("{RETURNS}/{}", &digest[..2]);
        let at = self.folder.join(&folder);
        let entries = match std::fs::read_dir(&at) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            read => read.map_err(disk(&at))?,
        };
        let mut names = Vec::new();
        for entry in entries {
            let name = entry.map_err(disk(&at))?.file_name().to_string_lossy().into_owned();
            names.extend(Some(name).filter(|name| name.split('.').next() == Some(&*digest)));
        }
        names.sort();
        Ok(names.first().map(|name| format!("{folder}/{name}")))
    }

    /// Where a file of these bytes is kept or will be.
    pub(super) fn kept_place(&self, digest: &Digest, like: &str) -> Result<String, ProjectError> {
        Ok(self.kept_as(digest)?.unwrap_or_else(|| kept_at(&digest.to_string(), like)))
    }

    /// Puts bytes where returned files are kept, unless they are there.
    pub(super) fn keep_bytes(&self, to: &Path, bytes: &[u8]) -> Result<(), ProjectError> {
        if observe::digest(to).map_err(disk(to))? == Some(Digest::of(bytes)) {
            return Ok(());
        }
        let folder = to.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(disk(folder))?;
        whole::clear(folder);
        whole::write(to, bytes, true).map_err(disk(to))
    }
}

/// Whether something that is neither a file nor a link lies in a place.
fn is_odd(at: &Path) -> bool {
    at.symlink_metadata().is_ok_and(|meta| !meta.is_file() && !meta.is_symlink())
}

pub(super) fn disk(path: &Path) -> impl FnOnce(io::Error) -> ProjectError {
    let path: PathBuf = path.to_path_buf();
    move |why| ProjectError::System(format!("{}: {why}", path.display()))
}
