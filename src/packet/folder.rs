//! A packet that lies in a folder.
//!
//! Knows how files are opened so that no link below the packet's own folder is followed, also one that is put in a folder's place
//! while it is read. Files with several names are refused, but for what systems leave: what is changed under another name would
//! change here.

use std::fs::File;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use rustix::fs::{Mode, OFlags, ResolveFlags, openat2};

use super::open::{Listed, stream};
use super::{Fault, MOST_ENTRIES, is_litter};

/// A folder.
#[derive(Debug)]
pub(super) struct Folder {
    root: OwnedFd,
    paths: Vec<Vec<u8>>,
}

impl Folder {
    /// Lists a folder. The folder itself may be a link: a person named it.
    pub fn open(path: &Path) -> Result<(Self, Vec<Listed>), Vec<Fault>> {
        let place = path.display().to_string();
        let refused = |why: std::io::Error| vec![Fault::new(&place, why.to_string(), "make it readable")];
        let root = File::open(path).map_err(refused)?;
        let mut listed = Vec::new();
        for found in walkdir::WalkDir::new(path).min_depth(1).follow_links(false).follow_root_links(true) {
            let found = found.map_err(|why| refused(why.into()))?;
            let meta = found.metadata().map_err(|why| refused(why.into()))?;
            let below = found.path().strip_prefix(path).unwrap_or(found.path());
            let kind = found.file_type();
            let odd = match () {
                () if kind.is_symlink() => Some("a link"),
                () if kind.is_dir() => None,
                () if !kind.is_file() => Some("a device, a pipe or a socket"),
                // What a system leaves is none of the packet's.
                () if meta.nlink() > 1 && !is_litter(&below.to_string_lossy()) => {
                    Some("a file with several names (hard links)")
                }
                () => None,
            };
            let size = if kind.is_file() { meta.len() } else { 0 };
            let path = below.as_os_str().as_bytes().to_vec();
            listed.push(Listed { path, size, is_folder: kind.is_dir(), odd });
            if listed.len() > MOST_ENTRIES {
                break;
            }
        }
        let paths = listed.iter().map(|of| of.path.clone()).collect();
        Ok((Self { root: root.into(), paths }, listed))
    }

    /// Hands over the bytes of a file.
    pub fn read(
        &self,
        at: usize,
        visit: &mut dyn FnMut(&[u8]) -> std::io::Result<()>,
    ) -> std::io::Result<()> {
        let path = std::ffi::OsStr::from_bytes(&self.paths[at]);
        // Without waiting, lest a pipe that was put in the file's place holds the reader for ever.
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let within = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_MAGICLINKS;
        let file = File::from(openat2(&self.root, path, flags, Mode::empty(), within)?);
        if !file.metadata()?.is_file() {
            return Err(std::io::Error::other("it is no file any more"));
        }
        stream(file, visit)
    }
}
