//! A small file system for one test.
//!
//! Knows how one is mounted, filled, and taken away. Where the system lets this process mount none, tests say so and compare nothing.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::Film;

/// A small file system that goes with the test, however that ends.
pub struct Mounted(tempfile::TempDir);

impl Mounted {
    /// One of this size, in words of `mount`, where the system lets this process mount one.
    pub fn of(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "brine"])
            .arg(folder.path())
            .output()
            .is_ok_and(|output| output.status.success());
        if !mounted {
            println!("not checked: no small file system can be mounted here");
        }
        mounted.then_some(Self(folder))
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// Has what the program keeps and renders lie there; the ledger and the plates do not.
    pub fn hold(&self, film: &Film) {
        for name in [".endboard", "renders"] {
            std::fs::create_dir(self.path().join(name)).unwrap();
            std::os::unix::fs::symlink(self.path().join(name), film.path().join(name)).unwrap();
        }
    }

    /// Fills it but for so many bytes, and gives what does.
    pub fn filled_but_for(&self, bytes: usize) -> PathBuf {
        let ballast = self.path().join("ballast");
        let counted = rustix::fs::statvfs(self.path()).unwrap();
        std::fs::write(&ballast, vec![0u8; (counted.f_bavail * counted.f_frsize) as usize - bytes]).unwrap();
        ballast
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.path()).status();
    }
}
