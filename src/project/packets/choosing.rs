//! Going back to an earlier return.
//!
//! Knows which files a return had. Does not know what is rendered of them: a rebuild puts that back.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::hand;
use super::placing::{File, disk};
use super::taken::{Placed, Used};
use super::telling::{Part, Teller};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::packets::Return;
use crate::media::Format;
use crate::observe;
use crate::project::frames::LookError;
use crate::project::rebuild::Writer;
use crate::project::{Project, Status, chosen, wanted};

impl Project {
    /// Goes back to an earlier return of what is selected, the one of this number or the one before the last that is in use: its
    /// files are put in place once more.
    ///
    /// # Errors
    /// There is no such return, its files are not kept, or the disk refuses.
    pub fn use_return(
        &self,
        version: Option<u32>,
        selection: &Selection,
        note: &str,
        writer: &Writer,
        now: Timestamp,
    ) -> Result<Used, LookError> {
        let _lock = self.lock(writer)?;
        let mut remarks = self.finish_taking(writer)?;
        let status = self.status(false, &|_, _| {})?;
        let parts = match version {
            Some(version) => files_of(&status, version, selection)?,
            None => files_before(&status, selection, &mut remarks)?,
        };
        let teller = Teller { film: &status.declared.graph.film, by: &writer.name, when: now, note };
        let (mut files, mut rows, mut places) = (Vec::new(), Vec::new(), Vec::new());
        let mut already = Vec::new();
        for part in parts {
            let (used, part) = self.in_use(&status, part)?;
            if !used.is_empty() {
                already.push((format!("{}/{}@{used}", part.shot, part.stage), part.version));
            }
            if part.files.is_empty() {
                continue;
            }
            let part = &part;
            for file in &part.files {
                files.push(self.once_more(&status, part, file)?);
            }
            rows.extend(teller.files(part, None));
            let frames: FrameSet = part.files.iter().map(|(n, _, _)| *n).collect();
            places.push((format!("{}/{}@{frames}", part.shot, part.stage), part.version));
        }
        let placed = match rows.is_empty() {
            true => Placed::default(),
            false => self.do_work(files, &rows, writer, &|_| Ok(()))?,
        };
        Ok(Used { places, already, placed, remarks })
    }

    /// The frames of a part whose file is in use and in its place already, and the part without them.
    fn in_use(&self, status: &Status, part: Part) -> Result<(FrameSet, Part), LookError> {
        let returns = status.packets.returns(&part.shot, &part.stage);
        let (mut used, mut files) = (FrameSet::new(), Vec::new());
        for (n, digest, path) in part.files {
            let current = returns.and_then(|all| all.current(n));
            let is_current =
                current.is_some_and(|of| of.version == part.version && of.files.get(&n) == Some(&digest));
            let at = self.folder.join(&path);
            if is_current && observe::digest(&at).map_err(disk(&at))? == Some(digest) {
                used.insert(n);
            } else {
                files.push((n, digest, path));
            }
        }
        Ok((used, Part { files, ..part }))
    }

    /// What is to be done with one file of an earlier return.
    fn once_more(
        &self,
        status: &Status,
        part: &Part,
        (frame, digest, path): &(i64, Digest, String),
    ) -> Result<File, LookError> {
        let place = format!("{}/{}@{frame}", part.shot, part.stage);
        let Some(kept) = self.kept_as(digest)? else {
            let (version, like) = (part.version, super::placing::kept_at(&digest.to_string(), path));
            return Err(LookError::Nothing(format!(
                "{like} is not there, which return {version} of {place} needs; bring it back first"
            )));
        };
        let at = self.folder.join(&kept);
        if observe::digest(&at).map_err(disk(&at))? != Some(*digest) {
            return Err(LookError::Nothing(format!(
                "{kept} is not the file any more that return {} of {place} came with: it was changed or damaged since; bring it back from a \
                 copy first",
                part.version
            )));
        }
        if Format::of_path(&kept) != Format::of_path(path) {
            return Err(LookError::Words(format!(
                "return {} of {place} is kept as {kept}, and the stage's file is {path} now; let its `files:` end as that does to go \
                 back to it, or take the same picture back in a file of the kind that is asked for",
                part.version
            )));
        }
        let returns = status.packets.returns(&part.shot, &part.stage);
        Ok(self.to_be_placed(returns, (place, part.version), (digest, kept, path.clone()))?)
    }
}

/// The files by which those of the last return in use are undone, by stages of shots and returns: of each frame that shows that
/// return the file that it had before. Frames that had none stay, which is told.
fn files_before(
    status: &Status,
    selection: &Selection,
    remarks: &mut Vec<String>,
) -> Result<Vec<Part>, LookError> {
    let graph = &status.declared.graph;
    let picked = wanted(graph, selection);
    let mut parts: Vec<Part> = Vec::new();
    let mut stays = Vec::new();
    for (id, node) in graph.nodes.iter().enumerate().filter(|(id, _)| picked[*id].is_some()) {
        let returns = status.packets.returns(&node.shot, &node.stage);
        let (Some(of), Some(returns)) = (hand(status, id), returns) else { continue };
        let (last, frames) = returns.last_in_use(&chosen(picked[id].as_ref(), node.frames));
        let mut first = FrameSet::new();
        for n in frames.iter() {
            let Some(before) = returns.before(n) else {
                first.insert(n);
                continue;
            };
            let (shot, stage) = (node.shot.to_string(), node.stage.to_string());
            let file = (n, before.files[&n], of.files.path(n));
            let is_same =
                |part: &&mut Part| (&part.shot, &part.stage, part.version) == (&shot, &stage, before.version);
            match parts.iter_mut().find(is_same) {
                Some(part) => part.files.push(file),
                None => parts.push(Part { shot, stage, version: before.version, files: vec![file] }),
            }
        }
        if let Some(last) = last.filter(|_| !first.is_empty()) {
            stays.push(format!("{}@{first}: nothing came before return {}", node.name(), last.version));
        }
    }
    match (parts.is_empty(), stays.is_empty()) {
        (true, true) => Err(LookError::Words(NONE_CAME.into())),
        (true, false) => Err(LookError::Words(stays.join("; "))),
        _ => {
            remarks.extend(stays.into_iter().map(|stay| format!("{stay}, which stays in use")));
            Ok(parts)
        }
    }
}

/// What is said where there is nothing to go back from.
const NONE_CAME: &str = "nothing of what is selected came back in a packet";

/// The files of a return among what is selected, by stages of shots.
fn files_of(status: &Status, version: u32, selection: &Selection) -> Result<Vec<Part>, LookError> {
    let graph = &status.declared.graph;
    let picked = wanted(graph, selection);
    let (mut parts, mut known) = (Vec::new(), BTreeSet::new());
    for (id, node) in graph.nodes.iter().enumerate().filter(|(id, _)| picked[*id].is_some()) {
        let returns = status.packets.returns(&node.shot, &node.stage);
        let (Some(of), Some(returns)) = (hand(status, id), returns) else { continue };
        known.extend(returns.all.iter().map(|of| of.version));
        let file = |n: i64| {
            let has = |of: &&Return| of.version == version && of.files.contains_key(&n);
            let found = returns.all.iter().rev().find(has)?;
            Some((n, found.files[&n], of.files.path(n)))
        };
        let files: Vec<_> = chosen(picked[id].as_ref(), node.frames).iter().filter_map(file).collect();
        if !files.is_empty() {
            let (shot, stage) = (node.shot.to_string(), node.stage.to_string());
            parts.push(Part { shot, stage, version, files });
        }
    }
    if !parts.is_empty() {
        return Ok(parts);
    }
    let known: Vec<String> = known.iter().map(u32::to_string).collect();
    let way = match &known[..] {
        [] => return Err(LookError::Words(NONE_CAME.into())),
        [only] => format!("there is only return {only}"),
        _ => format!("there are {}", known.join(", ")),
    };
    Err(LookError::Words(format!("there is no return {version} of what is selected; {way}")))
}
