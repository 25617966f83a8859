//! A file that a command writes anew and a person may edit, as it stood before the work began.
//!
//! Knows when what stands there must stay: a person wrote or changed it, or it was changed while the command ran. Does not know
//! what is in it.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::ProjectError;
use super::frames::LookError;
use crate::operators::colour::cdl_xml;
use crate::store;

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
    /// Looks at a file below a project's folder of which commands write all, and seal it.
    ///
    /// # Errors
    /// It is a person's and is not to be replaced, or cannot be read.
    pub fn of(folder: &Path, file: &str, replace: bool) -> Result<Self, LookError> {
        let before = read(folder, file)?;
        let is_written = |bytes: &Vec<u8>| std::str::from_utf8(bytes).is_ok_and(cdl_xml::is_as_written);
        let keeps = before.as_ref().is_some_and(|bytes| !is_written(bytes));
        if keeps && !replace {
            return said(format!(
                "{file} was written or changed by a person and stays as it is; --replace makes it anew and keeps it under \
                 another name"
            ));
        }
        Ok(Self { folder: folder.to_path_buf(), file: file.into(), before, keeps })
    }

    /// Looks at a file below a project's folder that a command and a person share.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn shared(folder: &Path, file: &str) -> Result<Self, LookError> {
        let before = read(folder, file)?;
        Ok(Self { folder: folder.to_path_buf(), file: file.into(), before, keeps: false })
    }

    /// The file, below the project's folder.
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

    /// Writes the file, and says under which name a person's is kept: the first free one of those that `aside` gives.
    /// The old file stands in its place until the new one does.
    ///
    /// # Errors
    /// The file was changed since it was looked at.
    pub fn put(&self, text: &str, aside: &dyn Fn(u64) -> String) -> Result<Option<String>, LookError> {
        let file = &self.file;
        let path = self.folder.join(file);
        let refused = |e: std::io::Error| ProjectError::System(format!("{file}: {e}"));
        std::fs::create_dir_all(path.parent().unwrap_or(&self.folder)).map_err(refused)?;
        if self.is_changed()? {
            return said(format!(
                "{file} was changed meanwhile and stays as it is; look at it and start again"
            ));
        }
        let kept = if self.keeps { Some(self.keep(aside)?) } else { None };
        store::write_whole(&path, text.as_bytes()).map_err(ProjectError::from)?;
        Ok(kept)
    }

    /// Gives the file a second name that nothing has.
    pub fn keep(&self, aside: &dyn Fn(u64) -> String) -> Result<String, LookError> {
        for n in 1.. {
            let name = aside(n);
            match std::fs::hard_link(self.folder.join(&self.file), self.folder.join(&name)) {
                Ok(()) => return Ok(name),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
                Err(error) => return said(format!("{} could not be kept as {name}: {error}", self.file)),
            }
        }
        unreachable!("some number is free")
    }

    /// Writes a text beside the file, under the first name of `aside` that nothing has, and says which.
    ///
    /// # Errors
    /// The system refuses.
    pub fn put_beside(&self, text: &str, aside: &dyn Fn(u64) -> String) -> Result<String, LookError> {
        let name = (1..).map(aside).find(|name| !self.folder.join(name).exists());
        let name = name.expect("some number is free");
        store::write_whole(&self.folder.join(&name), text.as_bytes()).map_err(ProjectError::from)?;
        Ok(name)
    }
}

/// What stands in a file, when there is one.
fn read(folder: &Path, file: &str) -> Result<Option<Vec<u8>>, LookError> {
    match std::fs::read(folder.join(file)) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => said(format!("{file} stands there and cannot be read: {error}")),
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
        let aside = |n: u64| format!("a.{n}");
        std::fs::write(folder.join("a"), "mine").unwrap();
        std::fs::write(folder.join("a.1"), "older").unwrap();
        assert!(Standing::of(folder, "a", false).unwrap_err().to_string().contains("--replace"));
        let standing = Standing::of(folder, "a", true).unwrap();
        assert_eq!(standing.put("new", &aside).unwrap().as_deref(), Some("a.2"));
        assert_eq!((text("a"), text("a.1"), text("a.2")), ("new".into(), "older".into(), "mine".into()));
        let standing = Standing::of(folder, "a", true).unwrap();
        std::fs::write(folder.join("a"), "edited").unwrap();
        assert!(standing.put("newer", &aside).unwrap_err().to_string().contains("meanwhile"));
        assert!(text("a") == "edited" && !folder.join("a.3").exists());
        let standing = Standing::of(folder, "b", false).unwrap();
        std::fs::write(folder.join("b"), "edited").unwrap();
        assert!(standing.put("new", &aside).is_err());
        assert_eq!(text("b"), "edited");
    }

    #[test]
    fn a_file_that_is_no_text_is_named() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("tracks.yaml"), b"points:\n\xff\xfe").unwrap();
        let said = Standing::shared(folder.path(), "tracks.yaml").unwrap().text().unwrap_err().to_string();
        assert!(said.starts_with("tracks.yaml is not text (UTF-8) at line 2"), "{said}");
    }
}
