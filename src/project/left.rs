//! What renders that the film no longer has left behind in `renders/`.
//!
//! Knows by the last keys which files this program put there; a person's file is never among them.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

use super::{Project, ProjectError, Status};
use crate::base::digest::Digest;
use crate::base::selector::Selection;
use crate::execute::settle::render_path;
use crate::graph::FILM;
use crate::ledger::holds::Holds;
use crate::store::StoreError;
use crate::store::objects::Objects;

impl Project {
    /// Files in `renders/` of frames that the film no longer has, as far as they are still what was rendered and nobody
    /// holds them.
    pub(super) fn left_behind(&self, status: &Status) -> Vec<PathBuf> {
        self.left(status, &Holds::after(&status.ledger.0), &|_, _, _| true)
    }

    /// Folders of `renders/` that hold such files, and how many. Stages that were found fresh before without any are
    /// not looked at.
    pub fn folders_left(&self, status: &Status) -> BTreeMap<String, usize> {
        let strips = &status.report.strips;
        let left = self.left(status, &Holds::after(&status.ledger.0), &|shot, stage, node| match node {
            Some(node) => !strips[node].is_sealed(),
            None => self.folder.join("renders").join(shot).join(stage).is_dir(),
        });
        let mut folders = BTreeMap::new();
        for file in left {
            let folder = file.parent().and_then(|folder| folder.strip_prefix(&self.folder).ok());
            *folders.entry(folder.map_or(String::new(), |f| f.display().to_string())).or_default() += 1;
        }
        folders
    }

    /// Removes what is left of frames that the film no longer has from the folders of the film's picture and its prints, so
    /// that whoever takes a whole folder gets the film. Gives how many files that were.
    pub(super) fn trim_film(&self, status: &Status, selection: &Selection) -> Result<usize, ProjectError> {
        // A held picture stays in the store, and comes back into the folder with its frame.
        let left = self.left(status, &Holds::default(), &|shot, stage, node| {
            shot == FILM && node.is_some() && selection.matches(shot, stage).is_some()
        });
        remove(&left)?;
        Ok(left.len())
    }

    /// Such files of the stages that `is_asked_for` by shot, stage and node, but for what these holds keep.
    fn left(
        &self,
        status: &Status,
        holds: &Holds<'_>,
        is_asked_for: &dyn Fn(&str, &str, Option<usize>) -> bool,
    ) -> Vec<PathBuf> {
        let objects = Objects::of(&status.store);
        let nodes = &status.declared.graph.nodes;
        let ids: HashMap<(&str, &str), usize> =
            nodes.iter().enumerate().map(|(id, node)| ((&*node.shot, &*node.stage), id)).collect();
        let mut left = Vec::new();
        for (shot, stage) in status.state.stages() {
            let node = ids.get(&(&**shot, &**stage)).copied();
            let Some(table) =
                is_asked_for(shot, stage, node).then(|| status.state.table(shot, stage)).flatten()
            else {
                continue;
            };
            let is_gone = |frame: i64| node.is_none_or(|id| !nodes[id].frames.contains(frame));
            for (frame, row) in table.rows().filter(|(frame, _)| is_gone(*frame)) {
                let path = self.folder.join(render_path(shot, stage, frame));
                let is_held = holds.digest(shot, stage, frame) == Some(row.pixels);
                if !is_held && is_ours(&objects, &row.pixels, &path) {
                    left.push(path);
                }
            }
        }
        left.sort();
        left
    }
}

/// Whether a file is the render of these pixels as it was put there: read-only, a plain file, and the stored one.
fn is_ours(objects: &Objects, pixels: &Digest, path: &Path) -> bool {
    let is_plain = |meta: std::fs::Metadata| meta.is_file() && meta.permissions().readonly();
    std::fs::symlink_metadata(path).is_ok_and(is_plain) && objects.is_at(pixels, path)
}

/// Removes files, and the folders that are empty then.
pub(super) fn remove(files: &[PathBuf]) -> Result<(), StoreError> {
    for file in files {
        std::fs::remove_file(file).map_err(StoreError::file(file))?;
    }
    for file in files {
        // Folders that hold anything else refuse to go.
        let folder = file.parent().filter(|folder| std::fs::remove_dir(folder).is_ok());
        let _ = folder.and_then(Path::parent).map(std::fs::remove_dir);
    }
    Ok(())
}
