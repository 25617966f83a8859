//! Generations of manifests: a folder is listed, listed again, and held against what was listed.
//!
//! Knows the disk. Does not know the clock: the time stands in [`Creator`]. Every file is compared with the first
//! digest of each kind that any generation holds of it and did not find wrong.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::OpenOptions;
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::OFlags;

use super::ignore::{ALWAYS, Ignore};
use super::read::{self, BadXml};
use super::tree::{self, Tree};
use super::{Action, CHAIN, Creator, Entry, FOLDER, Folder, Link, Manifest, Process, Recorded, SIZE_LIMIT};
use super::{file_name, write};
use crate::deliver::hashes::{self, Hash, Hashed, Kind};
use crate::deliver::whole;

/// Why a folder cannot be listed or held against its lists.
#[derive(Debug, thiserror::Error)]
pub enum MhlError {
    /// The disk refuses.
    #[error("{}: {error}", path.display())]
    Disk {
        /// What was read or written.
        path: PathBuf,
        /// What the system says.
        #[source]
        error: io::Error,
    },
    /// No sound chain or manifest.
    #[error("{}: {error}; take it again from where the folder came from", path.display())]
    Xml {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        error: BadXml,
    },
    /// A manifest is not the one that the chain names.
    #[error("{}: its C4 identifier is not the one in {CHAIN}: it was changed; take it again from where the folder came from", .0.display())]
    Changed(PathBuf),
    /// The folder was never listed.
    #[error("{}: there is no {FOLDER}/{CHAIN}, so that nothing says what should be here", .0.display())]
    Unlisted(PathBuf),
    /// Something in the folder cannot be listed.
    #[error("{}: {} cannot be listed: {}; rename it or take it out", folder.display(), odd[0].0, odd[0].1)]
    Odd {
        /// The folder.
        folder: PathBuf,
        /// What and why; never empty.
        odd: Vec<(String, String)>,
    },
    /// No kind was asked for.
    #[error("a manifest needs at least one kind of digest: c4, md5, sha1, xxh128, xxh3 or xxh64")]
    NoKind,
}

/// All generations of a folder.
#[derive(Clone, Debug, Default)]
pub struct History {
    /// The chain.
    pub links: Vec<Link>,
    /// A manifest for each.
    pub manifests: Vec<Manifest>,
}

/// How a folder differs from what was listed; paths in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Differences {
    /// Files that are as listed.
    pub same: usize,
    /// Listed, and not there.
    pub missing: Vec<String>,
    /// There, with other bytes.
    pub changed: Vec<String>,
    /// There, and never listed.
    pub new: Vec<String>,
    /// What could not be listed, and why.
    pub odd: Vec<(String, String)>,
    /// Manifests that the chain does not name.
    pub stray: Vec<String>,
}

impl Differences {
    /// True when all that was listed is there as it was, and nothing else.
    pub fn is_none(&self) -> bool {
        [&self.missing, &self.changed, &self.new, &self.stray].iter().all(|list| list.is_empty())
            && self.odd.is_empty()
    }
}

/// A generation that was added.
#[derive(Clone, Debug)]
pub struct Sealed {
    /// Its number, from 1.
    pub number: u32,
    /// Its manifest.
    pub path: PathBuf,
    /// Against the generations before it.
    pub differences: Differences,
}

fn disk(path: &Path) -> impl FnOnce(io::Error) -> MhlError {
    let path = path.to_path_buf();
    move |error| MhlError::Disk { path, error }
}

fn bytes(path: &Path) -> Result<Vec<u8>, MhlError> {
    let read = || {
        // A pipe that has taken the place of a file since it was looked at is not waited for either.
        let file = OpenOptions::new().read(true).custom_flags(OFlags::NONBLOCK.bits() as i32).open(path)?;
        if !file.metadata()?.is_file() || file.metadata()?.len() > SIZE_LIMIT {
            return Err(io::Error::new(io::ErrorKind::InvalidData, "it is no file, or larger than is read"));
        }
        let mut bytes = Vec::new();
        file.take(SIZE_LIMIT).read_to_end(&mut bytes)?;
        Ok(bytes)
    };
    match std::fs::symlink_metadata(path) {
        Ok(data) if data.is_symlink() => {
            let error = io::Error::new(io::ErrorKind::InvalidData, "it is a link, which is not followed");
            Err(MhlError::Disk { path: path.to_path_buf(), error })
        }
        Ok(data) if !data.is_file() => {
            let error = io::Error::new(io::ErrorKind::InvalidData, "it is no file");
            Err(MhlError::Disk { path: path.to_path_buf(), error })
        }
        Ok(_) => read().map_err(disk(path)),
        Err(error) => Err(disk(path)(error)),
    }
}

/// Reads all generations of a folder; none when it was never listed.
///
/// # Errors
/// When a file cannot be read, or is not what the chain says.
pub fn load(root: &Path) -> Result<History, MhlError> {
    let folder = root.join(FOLDER);
    let path = folder.join(CHAIN);
    let chain = match bytes(&path) {
        Err(MhlError::Disk { error, .. }) if error.kind() == io::ErrorKind::NotFound => {
            return Ok(History::default());
        }
        chain => chain?,
    };
    let links = read::chain(&chain).map_err(|error| MhlError::Xml { path, error })?;
    let mut manifests = Vec::new();
    for link in &links {
        let path = folder.join(&link.path);
        let bytes = bytes(&path)?;
        if Kind::C4.of(&bytes) != link.c4 {
            return Err(MhlError::Changed(path));
        }
        manifests.push(read::manifest(&bytes).map_err(|error| MhlError::Xml { path, error })?);
    }
    Ok(History { links, manifests })
}

impl History {
    /// For each file the digests that it must have.
    fn known(&self) -> BTreeMap<&str, BTreeMap<Kind, &Hash>> {
        let mut known: BTreeMap<&str, BTreeMap<Kind, &Hash>> = BTreeMap::new();
        for file in self.manifests.iter().flat_map(|manifest| &manifest.files) {
            let hashes = known.entry(&file.path).or_default();
            for recorded in file.hashes.iter().filter(|r| r.action != Some(Action::Failed)) {
                hashes.entry(recorded.hash.kind).or_insert(&recorded.hash);
            }
        }
        known
    }

    /// Patterns of all generations, and those that always hold.
    fn ignored(&self, more: &[String]) -> Vec<String> {
        let mut all: Vec<String> = ALWAYS.map(String::from).to_vec();
        for pattern in self.manifests.iter().flat_map(|manifest| &manifest.ignored).chain(more) {
            if !all.contains(pattern) {
                all.push(pattern.clone());
            }
        }
        all
    }

    fn stray(&self, root: &Path) -> Vec<String> {
        let named: BTreeSet<&str> = self.links.iter().map(|link| link.path.as_str()).collect();
        let entries = std::fs::read_dir(root.join(FOLDER)).into_iter().flatten().flatten();
        let names = entries.map(|entry| entry.file_name().to_string_lossy().into_owned());
        let mut stray: Vec<String> =
            names.filter(|name| name.ends_with(".mhl") && !named.contains(&**name)).collect();
        stray.sort();
        stray
    }
}

/// Digests of files of a folder, several at once.
fn hash(root: &Path, wanted: BTreeMap<String, Vec<Kind>>) -> Result<BTreeMap<String, Hashed>, MhlError> {
    let paths: Vec<_> = wanted.iter().map(|(path, kinds)| (root.join(path), kinds.clone())).collect();
    let mut done = BTreeMap::new();
    for ((path, _), hashed) in wanted.into_iter().zip(hashes::of_files(&paths)) {
        let hashed = hashed.map_err(disk(&root.join(&path)))?;
        done.insert(path, hashed);
    }
    Ok(done)
}

/// Holds digests against those that are known. A file of which the wanted kinds are not known must have been read for one that is.
fn compare(
    known: &BTreeMap<&str, BTreeMap<Kind, &Hash>>,
    tree: &Tree,
    hashed: &BTreeMap<String, Hashed>,
) -> Differences {
    let mut out = Differences { odd: tree.odd.clone(), ..Differences::default() };
    for (path, hashed) in hashed {
        let Some(must) = known.get(path.as_str()) else {
            out.new.push(path.clone());
            continue;
        };
        // A file of which every digest was found wrong is wrong until somebody lists it anew elsewhere.
        let shared = hashed.hashes.iter().filter_map(|hash| Some((must.get(&hash.kind)?, hash)));
        let (mut count, mut same) = (0, true);
        for (must, is) in shared {
            count += 1;
            same &= *must == is;
        }
        if count > 0 && same {
            out.same += 1;
        } else {
            out.changed.push(path.clone());
        }
    }
    out.missing = known.keys().filter(|path| !hashed.contains_key(**path)).map(ToString::to_string).collect();
    out
}

/// Holds a folder against its lists.
///
/// # Errors
/// When it has none, they are not sound, or a file cannot be read. Files that differ are no error.
pub fn verify(root: &Path) -> Result<Differences, MhlError> {
    let history = load(root)?;
    if history.links.is_empty() {
        return Err(MhlError::Unlisted(root.to_path_buf()));
    }
    let known = history.known();
    // What is listed is looked at whatever the patterns say: they only tell which files need no list.
    let every = tree::look(root, &Ignore::new(&ALWAYS)).map_err(disk(root))?;
    let ignore = Ignore::new(&history.ignored(&[]));
    let is_wanted = |path: &String| known.contains_key(path.as_str()) || !ignore.covers(path);
    let wanted = every.files.iter().filter(|path| is_wanted(path)).map(|path| {
        // The strongest kind is enough; of a new file only its being there counts.
        let kinds = known.get(path.as_str()).map(|must| must.keys().copied().take(1).collect());
        (path.clone(), kinds.unwrap_or_default())
    });
    let hashed = hash(root, wanted.collect())?;
    let mut out = compare(&known, &every, &hashed);
    out.odd.retain(|(path, _)| !ignore.covers(path));
    out.stray = history.stray(root);
    Ok(out)
}

/// Lists a folder as its next generation: the first gives every file the action `original`, later ones `verified` or `failed`.
///
/// # Errors
/// When earlier lists are not sound, something cannot be listed, or the disk refuses. Files that differ from earlier lists are no
/// error: they are listed as failed and told.
pub fn seal(
    root: &Path,
    kinds: &[Kind],
    creator: Creator,
    process: Process,
    ignored: &[String],
) -> Result<Sealed, MhlError> {
    let kinds: Vec<Kind> = kinds.iter().copied().collect::<BTreeSet<_>>().into_iter().collect();
    if kinds.is_empty() {
        return Err(MhlError::NoKind);
    }
    let history = load(root)?;
    let known = history.known();
    let ignored = history.ignored(ignored);
    let ignore = Ignore::new(&ignored);
    let tree = tree::look(root, &ignore).map_err(disk(root))?;
    if !tree.odd.is_empty() {
        return Err(MhlError::Odd { folder: root.to_path_buf(), odd: tree.odd });
    }
    let wanted = tree.files.iter().map(|path| {
        let must = known.get(path.as_str());
        let is_shared = must.is_none_or(|must| kinds.iter().any(|kind| must.contains_key(kind)));
        let more = must.filter(|_| !is_shared).and_then(|must| must.keys().next());
        (path.clone(), kinds.iter().chain(more).copied().collect())
    });
    let hashed = hash(root, wanted.collect())?;
    let mut differences = compare(&known, &tree, &hashed);
    differences.missing.retain(|path| !ignore.covers(path));
    differences.stray = history.stray(root);
    let manifest = listed(&kinds, creator, process, ignored, &tree, &hashed, &differences);
    let (number, path) = add(root, &history, &manifest)?;
    Ok(Sealed { number, path, differences })
}

fn listed(
    kinds: &[Kind],
    creator: Creator,
    process: Process,
    ignored: Vec<String>,
    tree: &Tree,
    hashed: &BTreeMap<String, Hashed>,
    differences: &Differences,
) -> Manifest {
    let [new, changed] =
        [&differences.new, &differences.changed].map(|list| list.iter().collect::<BTreeSet<_>>());
    let entry = |(path, hashed): (&String, &Hashed)| {
        let action = match () {
            () if new.contains(path) => Action::Original,
            () if changed.contains(path) => Action::Failed,
            () => Action::Verified,
        };
        let record =
            |hash: &Hash| Recorded { hash: hash.clone(), action: Some(action), date: Some(creator.date) };
        let hashes = hashed.hashes.iter().map(record).collect();
        Entry { path: path.clone(), size: Some(hashed.size), modified: None, hashes }
    };
    let files = hashed.iter().map(entry).collect();
    let mut folders: Vec<Folder> = Vec::new();
    for (index, &kind) in kinds.iter().enumerate() {
        let of = |(path, hashed): (&String, &Hashed)| (path.clone(), hashed.hashes[index].clone());
        let digests = tree::digests(kind, &hashed.iter().map(of).collect(), &tree.folders);
        for (at, digests) in digests.into_iter().enumerate() {
            if folders.len() == at {
                folders.push(Folder { path: digests.path, content: Vec::new(), structure: Vec::new() });
            }
            folders[at].content.push(digests.content);
            folders[at].structure.push(digests.structure);
        }
    }
    let root = Some(folders.remove(0));
    Manifest { creator, process, root, ignored, files, folders }
}

/// Writes the manifest, then the chain that names it.
fn add(root: &Path, history: &History, manifest: &Manifest) -> Result<(u32, PathBuf), MhlError> {
    let folder = root.join(FOLDER);
    std::fs::create_dir_all(&folder).map_err(disk(&folder))?;
    let number = history.links.last().map_or(0, |link| link.number) + 1;
    let real = std::fs::canonicalize(root).map_err(disk(root))?;
    let name = real.file_name().map_or("root".into(), |name| name.to_string_lossy().into_owned());
    let name = file_name(number, &name, manifest.creator.date);
    let (bytes, path) = (write::manifest(manifest), folder.join(&name));
    whole::write(&path, &bytes, false).map_err(disk(&path))?;
    let mut links = history.links.clone();
    links.push(Link { number, path: name, c4: Kind::C4.of(&bytes) });
    let chain = folder.join(CHAIN);
    whole::write(&chain, &write::chain(&links), true).map_err(disk(&chain))?;
    Ok((number, path))
}
