//! Opening the store's own files, and whether they are there at all.
//!
//! Knows that only a file which is not there holds nothing: one that the system refuses, or something else that stands
//! in its place, must not count as empty, as it would then be written over. Does not know what files hold.

use std::fs::{File, OpenOptions};
use std::io::{Error, ErrorKind, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use rustix::fs::OFlags;

use super::StoreError;

/// Opens a file for reading; nothing where there is none.
///
/// # Errors
/// The system refuses, or what stands there is not a regular file.
pub fn open(path: &Path) -> Result<Option<File>, StoreError> {
    match open_with(path, OpenOptions::new().read(true)) {
        Err(StoreError::File { source, .. }) if source.kind() == ErrorKind::NotFound => Ok(None),
        opened => opened.map(Some),
    }
}

/// Opens a file as the options say.
///
/// # Errors
/// As for [`open`], and when it is not there and is not to be made.
pub fn open_with(path: &Path, options: &mut OpenOptions) -> Result<File, StoreError> {
    // A named pipe would be waited for without end, and a device has no end. To regular files the flag means nothing.
    let flags = OFlags::NONBLOCK.bits() as i32;
    let file = options.custom_flags(flags).open(path).map_err(StoreError::file(path))?;
    if file.metadata().map_err(StoreError::file(path))?.is_file() {
        Ok(file)
    } else {
        Err(StoreError::file(path)(Error::new(ErrorKind::InvalidInput, "it is not a regular file")))
    }
}

/// All bytes of a file; nothing where there is none.
///
/// # Errors
/// As for [`open`], and when it cannot be read.
pub fn read(path: &Path) -> Result<Option<Vec<u8>>, StoreError> {
    let Some(mut file) = open(path)? else { return Ok(None) };
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes).map_err(StoreError::file(path))?;
    Ok(Some(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_regular_file_is_refused_and_not_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let (pipe, device) = (folder.path().join("journal"), folder.path().join("facts"));
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, kind, rustix::fs::Mode::RWXU, 0).unwrap();
        std::os::unix::fs::symlink("/dev/zero", &device).unwrap();
        for path in [&pipe, &device, &folder.path().to_path_buf()] {
            let said = read(path).unwrap_err().to_string();
            assert!(said.ends_with("it is not a regular file"), "{said}");
            assert!(open_with(path, OpenOptions::new().append(true)).is_err());
        }
        assert_eq!(read(&folder.path().join("state")).unwrap(), None);
    }
}
