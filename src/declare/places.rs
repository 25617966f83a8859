//! Places in the film's folder that belong to something, so that no other file can be put there.
//!
//! Knows the tool's own folders, the declaration, and the files of plates and hands. Does not look at the disk.

use super::film::{ByHand, Film, Media, Work};

/// The declaration's file in the film's folder.
pub const DECLARATION: &str = "endboard.yaml";

/// Folders that the tool itself writes, where a person's files would be lost or taken for renders.
const OWN_FOLDERS: [&str; 3] = ["renders", "ledger", ".endboard"];

/// The folder of the tool's own that a path leads into, and what it is.
pub fn own_folder(path: &str) -> Option<String> {
    let top = path.split('/').next().unwrap_or_default();
    OWN_FOLDERS.contains(&top).then(|| format!("{top}/, which the tool itself writes"))
}

/// What has this place already, in words that follow “cannot be put into”.
pub fn taken(path: &str, film: &Film) -> Option<String> {
    if path == DECLARATION {
        return Some(format!("{DECLARATION}, which is the declaration"));
    }
    let plate = film.plates.iter().find(|(_, plate)| match &plate.media {
        Media::Files(pattern) => pattern.value.names(path),
        Media::Movie { path: movie, .. } | Media::Sound(movie) => movie.value == path,
    });
    if let Some((name, _)) = plate {
        return Some(format!("{path}, which is of the plate '{name}'"));
    }
    for (shot, stage, work) in film
        .shots
        .iter()
        .flat_map(|(shot, of)| of.stages.iter().map(move |(stage, of)| (shot, stage, &of.work)))
    {
        if let Work::ByHand(ByHand { files, .. }) = work
            && files.value.names(path)
        {
            return Some(format!("{path}, which is of the hands of {shot}/{stage}"));
        }
    }
    own_folder(path)
}
