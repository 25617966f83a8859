//! Paths of the command line: they begin at the folder that the command is started in, wherever the film lies.
//!
//! Knows how a path that lies in the film's folder is named there. Paths in files begin at the film's folder, and are read elsewhere.

use std::path::{Component, Path, PathBuf};

use super::Failure;
use crate::project::Project;

/// How the film names a file of its folder, which may be yet to come.
///
/// # Errors
/// It lies outside, or its name is no text.
pub fn inside(project: &Project, path: &Path) -> Result<String, Failure> {
    let system = |error: std::io::Error| Failure::System(format!("{}: {error}", path.display()));
    let here = std::env::current_dir().and_then(|here| here.canonicalize()).map_err(system)?;
    let folder = project.folder.canonicalize().map_err(system)?;
    let whole = plain(&here.join(path));
    // As it is written, or where links lead.
    let below = whole.strip_prefix(&folder).map(Path::to_path_buf).ok().or_else(|| {
        let there = whole.ancestors().find_map(|at| Some((at, at.canonicalize().ok()?)))?;
        let whole = there.1.join(whole.strip_prefix(there.0).ok()?);
        whole.strip_prefix(&folder).map(Path::to_path_buf).ok()
    });
    match below.as_deref().filter(|below| below.file_name().is_some()).and_then(Path::to_str) {
        Some(below) => Ok(below.to_string()),
        None => Err(Failure::Usage(format!(
            "{}: a file in the film's folder {} is wanted; paths on the command line begin at the folder that the command is \
             started in, {}",
            path.display(),
            folder.display(),
            here.display()
        ))),
    }
}

/// A whole path without `.` and `..`, as it is written.
fn plain(path: &Path) -> PathBuf {
    let mut out = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir => {
                out.pop();
            }
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_the_film_is_named_from_its_folder_and_others_are_refused() {
        let root = tempfile::tempdir().unwrap();
        let folder = root.path().join("film");
        std::fs::create_dir_all(folder.join("cut")).unwrap();
        let project = Project { folder: folder.clone() };
        let named = |path: PathBuf| inside(&project, &path).ok();
        assert_eq!(named(folder.join("cut/lock-2.edl")).as_deref(), Some("cut/lock-2.edl"));
        assert_eq!(named(folder.join("./cut/../new/lock-2.edl")).as_deref(), Some("new/lock-2.edl"));
        // By a link to the folder, too.
        std::os::unix::fs::symlink(&folder, root.path().join("link")).unwrap();
        assert_eq!(named(root.path().join("link/cut/a.edl")).as_deref(), Some("cut/a.edl"));
        assert_eq!(named(folder.join("../lock-2.edl")), None);
        assert_eq!(named(folder.clone()), None);
        let said = inside(&project, Path::new("lock-2.edl")).unwrap_err().to_string();
        assert!(
            said.contains("a file in the film's folder") && said.contains("begin at the folder"),
            "{said}"
        );
    }
}
