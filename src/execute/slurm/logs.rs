//! What tasks of a run print, and what of them is kept beside it.
//!
//! Knows where logs lie in the film's folder. Does not know what they mean.

use std::path::{Path, PathBuf};

use super::record::{Attempt, Folder};
use crate::programs::end_of_log;
use crate::store::StoreError;

impl Folder {
    /// Keeps a file of an attempt that cannot be read as a whole among the logs, where it outlives the run.
    ///
    /// # Errors
    /// The system refuses.
    pub fn keep(&self, attempt: &Attempt, name: &str) -> Result<PathBuf, StoreError> {
        let to =
            self.logs().join(format!("slurm-{}-{:05}.{}-{name}", self.name(), attempt.part, attempt.number));
        std::fs::create_dir_all(self.logs()).map_err(StoreError::file(&to))?;
        std::fs::copy(attempt.folder.join(name), &to).map_err(StoreError::file(&to))?;
        Ok(to)
    }

    /// Where what the tasks of an array print lies, without the number of the task and the ending.
    pub fn log_of(&self, array: usize) -> PathBuf {
        self.logs().join(format!("slurm-{}-{array}", self.name()))
    }

    /// The file's name of what a task prints.
    pub fn log_name(&self, array: usize, index: usize) -> String {
        format!("slurm-{}-{array}-{index}.log", self.name())
    }

    /// The end of what a task printed, and Slurm about it; none where there is no such log.
    pub fn log_end(&self, array: usize, index: usize) -> Option<String> {
        const END: u64 = 4096;
        end_of_log(&self.logs().join(self.log_name(array, index)), END).ok()
    }

    /// Where what tasks print lies.
    fn logs(&self) -> PathBuf {
        self.path().parent().and_then(Path::parent).unwrap_or(self.path()).join("logs")
    }
}
