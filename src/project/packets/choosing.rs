//! Going back to an earlier return.
//!
//! Knows which files a return had. Does not know what is rendered of them: a rebuild puts that back.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::hand;
use super::placing::{self, Part, Placed, Work};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::packets::Return;
use crate::project::frames::LookError;
use crate::project::rebuild::Writer;
use crate::project::{Project, Status, chosen, wanted};

impl Project {
    /// Goes back to an earlier return of what is selected: its files are put in place once more.
    ///
    /// # Errors
    /// There is no such return, its files are not kept, or the disk refuses.
    pub fn use_return(
        &self,
        version: u32,
        selection: &Selection,
        note: &str,
        writer: &Writer,
        now: Timestamp,
    ) -> Result<Vec<(String, Placed)>, LookError> {
        let _lock = self.lock(writer)?;
        self.finish_taking(writer)?;
        let status = self.status(false, &|_, _| {})?;
        let parts = files_of(&status, version, selection)?;
        for (_, digest, path) in parts.iter().flat_map(|part| &part.files) {
            let kept = placing::kept_at(digest, path);
            if !self.folder.join(&kept).is_file() {
                return Err(LookError::Nothing(format!(
                    "{kept} is not there, which return {version} needs; bring it back first"
                )));
            }
        }
        let told: Vec<String> = parts
            .iter()
            .map(|part| {
                let frames: FrameSet = part.files.iter().map(|(n, _, _)| *n).collect();
                format!("{}/{}@{frames}", part.shot, part.stage)
            })
            .collect();
        let work = Work {
            film: status.declared.graph.film.clone(),
            packet: String::new(),
            person: writer.name.clone(),
            by: writer.name.clone(),
            when: now,
            note: note.into(),
            stage: parts[0].stage.clone(),
            parts,
            hours: Vec::new(),
            is_rework: false,
        };
        let placed = self.do_work(&work, writer)?;
        Ok(told.into_iter().map(|place| (place, placed.clone())).collect())
    }
}

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
            Some((n, found.files[&n].to_string(), of.files.path(n)))
        };
        let files: Vec<_> = chosen(picked[id].as_ref(), node.frames).iter().filter_map(file).collect();
        if !files.is_empty() {
            let (shot, stage) = (node.shot.to_string(), node.stage.to_string());
            parts.push(Part { shot, stage, version, is_chosen: true, files });
        }
    }
    if !parts.is_empty() {
        return Ok(parts);
    }
    let known: Vec<String> = known.iter().map(u32::to_string).collect();
    let way = match known.is_empty() {
        true => "nothing of it came back in a packet".to_string(),
        false => format!("there are {}", known.join(", ")),
    };
    Err(LookError::Words(format!("there is no return {version} of what is selected; {way}")))
}
