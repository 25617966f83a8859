//! A file that a command writes anew and a person may edit, as it stood before the work began.
//!
//! Knows when what stands there must stay: a person wrote or changed it, or it was changed while the command ran. Does not know
//! what is in it.

use std::collections::BTreeMap;
use std::fs::Permissions;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::ProjectError;
use super::frames::LookError;
use crate::base::mark;
use crate::store::{self, Beside, StoreError};

/// A file that is to be written anew.
#[derive(Debug)]
pub struct Standing {
    folder: PathBuf,
    file: String,
    /// What stood there.
    before: Option<Vec<u8>>,
    /// Whether a person wrote or changed it, so that it is kept.
    keeps: bool,
}

fn said<T>(words: String) -> Result<T, LookError> {
    Err(LookError::Words(words))
}

impl Standing {
    /// Looks at a file below a film's folder of which commands write all, and seal it.
    ///
    /// # Errors
    /// It is a person's and is not to be replaced, or cannot be read.
    pub fn of(folder: &Path, file: &str, replace: bool) -> Result<Self, LookError> {
        let before = read(folder, file)?;
        let is_written = |bytes: &Vec<u8>| std::str::from_utf8(bytes).is_ok_and(mark::is_as_written);
        let keeps = before.as_ref().is_some_and(|bytes| !is_written(bytes));
        if keeps && !replace {
            return said(format!(
                "{file} was written or changed by a person and stays as it is; --replace makes it anew and keeps it under \
                 another name"
            ));
        }
        Ok(Self { folder: folder.to_path_buf(), file: file.into(), before, keeps })
    }

    /// Looks at a file below a film's folder that a command and a person share.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn shared(folder: &Path, file: &str) -> Result<Self, LookError> {
        let before = read(folder, file)?;
        Ok(Self { folder: folder.to_path_buf(), file: file.into(), before, keeps: false })
    }

    /// The file, below the film's folder.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// What stood there as text; empty where nothing did.
    ///
    /// # Errors
    /// It is no text.
    pub fn text(&self) -> Result<&str, LookError> {
        match std::str::from_utf8(self.before.as_deref().unwrap_or_default()) {
            Ok(text) => Ok(text),
            Err(at) => {
                let file = &self.file;
                let whole = self.before.as_deref().unwrap_or_default();
                let line = whole[..at.valid_up_to()].iter().filter(|&&b| b == b'\n').count() + 1;
                said(format!("{file} is not text (UTF-8) at line {line}; name another file, or move it away"))
            }
        }
    }

    /// Whether the file is no longer what it was.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn is_changed(&self) -> Result<bool, LookError> {
        Ok(read(&self.folder, &self.file)? != self.before)
    }

    /// Where the file lies, its folder's links followed as far as folders are there: two names of one file lead to one place.
    pub fn place(&self) -> PathBuf {
        let path = self.folder.join(&self.file);
        if let Ok(whole) = path.canonicalize() {
            return whole;
        }
        let there = path.ancestors().skip(1).find_map(|above| Some((above, above.canonicalize().ok()?)));
        match there.and_then(|(above, whole)| Some(whole.join(path.strip_prefix(above).ok()?))) {
            Some(place) => place,
            None => path,
        }
    }

    /// Writes the file, and says under which name a person's is kept: the first free one of its [`numbered`] ones.
    /// The old file stands in its place until the new one does.
    ///
    /// # Errors
    /// The file was changed since it was looked at.
    pub fn put(&self, text: &str) -> Result<Option<String>, LookError> {
        let mut kept = put_all(&[(self, text)])?;
        Ok(kept.pop().flatten())
    }

    /// Writes the file beside its place.
    fn beside(&self, text: &str) -> Result<Beside, LookError> {
        let file = &self.file;
        let path = self.folder.join(file);
        let refused = |e: std::io::Error| ProjectError::System(format!("{file}: {e}"));
        std::fs::create_dir_all(path.parent().unwrap_or(&self.folder)).map_err(refused)?;
        if self.is_changed()? {
            return said(format!(
                "{file} was changed meanwhile and stays as it is; look at it and start again"
            ));
        }
        Ok(store::write_beside(&path, text.as_bytes()).map_err(ProjectError::from)?)
    }

    /// Puts what stood there into a file of its own, which no later writing reaches, be the old one a link or a name among
    /// several of one file.
    fn keep(&self) -> Result<String, LookError> {
        let permissions = std::fs::metadata(self.folder.join(&self.file)).map(|meta| meta.permissions()).ok();
        let before = self.before.as_deref().unwrap_or_default();
        self.fresh(before, permissions.as_ref(), &|n| numbered(&self.file, n)).map_err(|error| {
            let file = &self.file;
            let words = format!("{file} stays as it is, as it could not be kept under another name: {error}");
            ProjectError::System(words).into()
        })
    }

    /// Writes a file under the first name of `aside` that nothing has, and says which.
    fn fresh(
        &self,
        bytes: &[u8],
        permissions: Option<&Permissions>,
        aside: &dyn Fn(u64) -> String,
    ) -> Result<String, StoreError> {
        for name in (1..).map(aside) {
            if store::write_new(&self.folder.join(&name), bytes, permissions.cloned())? {
                return Ok(name);
            }
        }
        unreachable!("some number is free")
    }

    /// Writes a text beside the file, under the first name of `aside` that nothing has, and says which.
    ///
    /// # Errors
    /// The system refuses.
    pub fn put_beside(&self, text: &str, aside: &dyn Fn(u64) -> String) -> Result<String, LookError> {
        let made = |name: &str| {
            let path = self.folder.join(name);
            let refused = |e: std::io::Error| ProjectError::System(format!("{name}: {e}"));
            std::fs::create_dir_all(path.parent().unwrap_or(&self.folder)).map_err(refused)
        };
        made(&aside(1))?;
        Ok(self.fresh(text.as_bytes(), None, aside).map_err(ProjectError::from)?)
    }
}

/// Writes several files, and says of each under which name a person's is kept. All are written beside their places, and what is
/// a person's is kept, before the first has its name: what is refused of one leaves all of them as they were.
///
/// # Errors
/// As of [`Standing::put`], and when two of them are one file.
pub fn put_all(files: &[(&Standing, &str)]) -> Result<Vec<Option<String>>, LookError> {
    let mut places = BTreeMap::new();
    for (standing, _) in files {
        if let Some(other) = places.insert(standing.place(), standing.file()) {
            let file = standing.file();
            return said(format!("{other} and {file} are one file; name another one for one of them"));
        }
    }
    let mut beside = Vec::with_capacity(files.len());
    for (standing, text) in files {
        beside.push(standing.beside(text)?);
    }
    let mut kept = Vec::with_capacity(files.len());
    for (standing, _) in files {
        kept.push(if standing.keeps { Some(standing.keep()?) } else { None });
    }
    for file in beside {
        file.name().map_err(ProjectError::from)?;
    }
    Ok(kept)
}

/// The name of the copy of that number: before the file's ending, so that it opens as what it is.
pub fn numbered(file: &str, number: u64) -> String {
    let name = file.rfind('/').map_or(0, |slash| slash + 1);
    match file[name..].rfind('.').filter(|&dot| dot > 0) {
        Some(dot) => format!("{}.{number}{}", &file[..name + dot], &file[name + dot..]),
        None => format!("{file}.{number}"),
    }
}

/// What stands in a file, when there is one.
fn read(folder: &Path, file: &str) -> Result<Option<Vec<u8>>, LookError> {
    // A named pipe would be waited for without end.
    match store::file::read(&folder.join(file)) {
        Ok(bytes) => Ok(bytes),
        Err(StoreError::File { source, .. }) if source.kind() == ErrorKind::InvalidInput => {
            said(format!("{file} stands there and is no regular file; name another file, or move it away"))
        }
        Err(StoreError::File { source, .. }) => {
            let words = format!("{file} stands there and cannot be read: {source}");
            Err(ProjectError::System(words).into())
        }
        Err(error) => Err(ProjectError::from(error).into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_persons_file_is_kept_under_a_free_name_and_a_change_meanwhile_is_not_lost() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let text = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
        std::fs::write(folder.join("a"), "mine").unwrap();
        std::fs::write(folder.join("a.1"), "older").unwrap();
        assert!(Standing::of(folder, "a", false).unwrap_err().to_string().contains("--replace"));
        let standing = Standing::of(folder, "a", true).unwrap();
        assert_eq!(standing.put("new").unwrap().as_deref(), Some("a.2"));
        assert_eq!((text("a"), text("a.1"), text("a.2")), ("new".into(), "older".into(), "mine".into()));
        let standing = Standing::of(folder, "a", true).unwrap();
        std::fs::write(folder.join("a"), "edited").unwrap();
        assert!(standing.put("newer").unwrap_err().to_string().contains("meanwhile"));
        assert!(text("a") == "edited" && !folder.join("a.3").exists());
        let standing = Standing::of(folder, "b", false).unwrap();
        std::fs::write(folder.join("b"), "edited").unwrap();
        assert!(standing.put("new").is_err());
        assert_eq!(text("b"), "edited");
    }

    #[test]
    fn what_a_link_leads_to_is_kept_with_its_permissions_in_a_file_of_its_own() {
        use std::os::unix::fs::{PermissionsExt, symlink};
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at("mine"), "mine").unwrap();
        std::fs::set_permissions(at("mine"), Permissions::from_mode(0o640)).unwrap();
        symlink("mine", at("a")).unwrap();
        // A name that leads nowhere is taken all the same.
        symlink("nowhere", at("a.1")).unwrap();
        let standing = Standing::of(folder.path(), "a", true).unwrap();
        assert_eq!(standing.put("new").unwrap().as_deref(), Some("a.2"));
        let kept = std::fs::symlink_metadata(at("a.2")).unwrap();
        assert!(kept.is_file() && kept.permissions().mode() & 0o777 == 0o640, "{kept:?}");
        assert_eq!(std::fs::read_to_string(at("a.2")).unwrap(), "mine");
        assert_eq!(std::fs::read_to_string(at("a")).unwrap(), "new");
        assert!(!at("nowhere").exists());
    }

    #[test]
    fn what_is_no_regular_file_is_refused_and_what_the_system_refuses_is_told_apart() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, folder.join("pipe"), kind, rustix::fs::Mode::RWXU, 0).unwrap();
        std::fs::create_dir(folder.join("folder")).unwrap();
        std::os::unix::fs::symlink("round", folder.join("round")).unwrap();
        for name in ["pipe", "folder"] {
            for looked in [Standing::of(folder, name, true), Standing::shared(folder, name)] {
                let refused = looked.unwrap_err();
                let says = refused.to_string();
                assert!(says.starts_with(name) && says.contains("no regular file"), "{says}");
                assert!(matches!(refused, LookError::Words(_)));
            }
        }
        let refused = Standing::of(folder, "round", true).unwrap_err();
        assert!(matches!(refused, LookError::Project(ProjectError::System(_))), "{refused}");
        // No name is left for the old file: the system refuses one that long.
        let long = "a".repeat(255);
        std::fs::write(folder.join(&long), "mine").unwrap();
        let standing = Standing::of(folder, &long, true).unwrap();
        let refused = standing.put("new").unwrap_err();
        assert!(matches!(refused, LookError::Project(ProjectError::System(_))), "{refused}");
        assert_eq!(std::fs::read_to_string(folder.join(&long)).unwrap(), "mine");
    }

    #[test]
    fn what_is_put_beside_has_its_folder_made_and_goes_through_no_link() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let standing = Standing::shared(folder, "new/a").unwrap();
        assert_eq!(standing.put_beside("text", &|n| format!("new/a.{n}")).unwrap(), "new/a.1");
        std::os::unix::fs::symlink("elsewhere", folder.join("new/a.2")).unwrap();
        assert_eq!(standing.put_beside("text", &|n| format!("new/a.{n}")).unwrap(), "new/a.3");
        assert!(!folder.join("new/elsewhere").exists());
    }

    #[test]
    fn several_files_are_written_all_or_none() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        std::fs::create_dir(folder.join("cuts")).unwrap();
        std::os::unix::fs::symlink("cuts", folder.join("link")).unwrap();
        let text = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
        let of = |file: &str| Standing::of(folder, file, true).unwrap();
        for (one, other) in [("a", "a"), ("cuts/a", "link/a"), ("new/a", "new/a")] {
            let (one, other) = (of(one), of(other));
            let words = put_all(&[(&one, "1"), (&other, "2")]).unwrap_err().to_string();
            assert!(words.contains("are one file"), "{words}");
        }
        std::fs::write(folder.join("cuts/mine"), "mine").unwrap();
        let (one, mine) = (of("cuts/one"), of("cuts/mine"));
        // The second stands where no file can be: the first is not there either, and no copy was made.
        let late = of("cuts/late");
        std::fs::create_dir(folder.join("cuts/late")).unwrap();
        assert!(put_all(&[(&one, "1"), (&mine, "2"), (&late, "3")]).is_err());
        let names = |folder: &Path| -> Vec<String> {
            let all = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name());
            let mut all: Vec<String> = all.map(|name| name.into_string().unwrap()).collect();
            all.sort();
            all
        };
        assert_eq!(names(&folder.join("cuts")), ["late", "mine"]);
        assert_eq!(put_all(&[(&one, "1"), (&mine, "2")]).unwrap(), [None, Some("cuts/mine.1".into())]);
        assert_eq!([text("cuts/one"), text("cuts/mine"), text("cuts/mine.1")], ["1", "2", "mine"]);
    }

    #[test]
    fn copies_are_numbered_before_the_ending() {
        let names =
            ["takes/br030.yaml", "grades/br.1.cc", "v1.2/cues", ".yaml", "a"].map(|name| numbered(name, 7));
        assert_eq!(names, ["takes/br030.7.yaml", "grades/br.1.7.cc", "v1.2/cues.7", ".yaml.7", "a.7"]);
    }

    #[test]
    fn a_file_that_is_no_text_is_named() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("tracks.yaml"), b"points:\n\xff\xfe").unwrap();
        let said = Standing::shared(folder.path(), "tracks.yaml").unwrap().text().unwrap_err().to_string();
        assert!(said.starts_with("tracks.yaml is not text (UTF-8) at line 2"), "{said}");
    }
}
