//! What lies in a folder, and the digests of folders from those of their files.
//!
//! Knows the disk by `look` alone. A folder's content digest is that of its children's digests, sorted and joined; its
//! structure digest that of the sorted digests of each child's name and digest joined (the ASC's description of version 2.0).

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use walkdir::WalkDir;

use super::checked;
use super::ignore::Ignore;
use crate::deliver::hashes::{Hash, Kind};

/// What lies in a folder and is not passed over, paths below it, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tree {
    /// Regular files.
    pub files: BTreeSet<String>,
    /// Folders.
    pub folders: BTreeSet<String>,
    /// What cannot be listed, and why.
    pub odd: Vec<(String, String)>,
}

/// Looks at a folder. No link is followed.
///
/// # Errors
/// When a folder cannot be read.
pub fn look(root: &Path, ignore: &Ignore) -> io::Result<Tree> {
    let mut tree = Tree::default();
    let mut walk = WalkDir::new(root).follow_links(false).min_depth(1).into_iter();
    while let Some(entry) = walk.next() {
        let entry = entry.map_err(io::Error::from)?;
        let below = entry.path().strip_prefix(root).unwrap_or(entry.path());
        let is_folder = entry.file_type().is_dir();
        let problem = match below.to_str() {
            None => Some("its name is no UTF-8 text".to_string()),
            Some(path) if ignore.matches(path, is_folder) => {
                if is_folder {
                    walk.skip_current_dir();
                }
                continue;
            }
            Some(path) => checked(path).err().map(|error| error.to_string()),
        };
        let path = below.to_string_lossy().into_owned();
        if let Some(why) = problem {
            tree.odd.push((path, why));
            if is_folder {
                walk.skip_current_dir();
            }
        } else if is_folder {
            tree.folders.insert(path);
        } else if entry.file_type().is_file() {
            tree.files.insert(path);
        } else {
            tree.odd.push((path, "it is a link or a device, not a file".into()));
        }
    }
    tree.odd.sort();
    Ok(tree)
}

/// A folder's path with its digests of content and of structure; the path of the root is empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Digests {
    /// Below the root.
    pub path: String,
    /// Of contents alone.
    pub content: Hash,
    /// Of contents and names.
    pub structure: Hash,
}

/// Digests of all folders, in order of their paths, from one digest of each file. Folders above files need not be named.
pub fn digests(kind: Kind, files: &BTreeMap<String, Hash>, folders: &BTreeSet<String>) -> Vec<Digests> {
    let mut all: BTreeSet<&str> = BTreeSet::from([""]);
    for path in files.keys().chain(folders) {
        all.extend(path.match_indices('/').map(|(at, _)| &path[..at]));
    }
    all.extend(folders.iter().map(String::as_str));
    let mut children: BTreeMap<&str, Vec<Child<'_>>> = all.iter().map(|&path| (path, Vec::new())).collect();
    for (path, hash) in files {
        let (above, name) = path.rsplit_once('/').unwrap_or(("", path));
        let child = Child { name, content: hash.bytes.clone(), structure: hash.bytes.clone() };
        children.entry(above).or_default().push(child);
    }
    let mut done = Vec::new();
    // A folder comes before what is in it, so from behind all children of a folder are known when it is met.
    for &path in all.iter().rev() {
        let (content, structure) = of_children(kind, &children.remove(path).unwrap_or_default());
        if !path.is_empty() {
            let (above, name) = path.rsplit_once('/').unwrap_or(("", path));
            let child = Child { name, content: content.bytes.clone(), structure: structure.bytes.clone() };
            children.entry(above).or_default().push(child);
        }
        done.push(Digests { path: path.to_string(), content, structure });
    }
    done.reverse();
    done
}

struct Child<'a> {
    name: &'a str,
    content: Vec<u8>,
    structure: Vec<u8>,
}

fn of_children(kind: Kind, children: &[Child<'_>]) -> (Hash, Hash) {
    let joined = |mut parts: Vec<Vec<u8>>| {
        parts.sort();
        kind.of(&parts.concat())
    };
    let named = |child: &Child<'_>| kind.of(&[child.name.as_bytes(), &child.structure].concat()).bytes;
    let content = joined(children.iter().map(|child| child.content.clone()).collect());
    (content, joined(children.iter().map(named).collect()))
}
