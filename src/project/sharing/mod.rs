//! The crew's shared store: opened for a run, filled with what the film has, and told what this member uses.
//!
//! Knows which renders of a film are worth sharing and what a member's list says. Does not know the network, and reads no
//! environment: what it needs of that it is given.

mod copy;
pub mod fetched;
pub mod members;
pub mod packets;
pub mod sweeping;

use std::collections::HashSet;
use std::sync::Arc;

use super::rebuild::{Writer, used};
use super::{Care, Declared, Project, ProjectError, Status};
use crate::base::digest::Digest;
use crate::base::problem::Sources;
use crate::bucket::credentials::{Known, Said};
use crate::bucket::{self, Place, Stop};
use crate::declare::film::At;
use crate::declare::shared::SharedStore;
use crate::execute::head;
use crate::execute::shared::{is_shared, kind};
use crate::store::objects::Objects;
use crate::store::shared::bucket::{Bucket, BucketError};
use crate::store::shared::note::{self, Kind, Note};
use crate::store::shared::outbox::Due;
use crate::store::shared::{Shared, Tell};
use crate::store::{Store, StoreError};

/// The region when nobody says one, as services without regions want it.
const REGION: &str = "us-east-1";

/// What the shared store is opened for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// A run that takes and sends.
    Both,
    /// A run that only takes.
    Take,
    /// Sending what the film has; there is no run besides.
    Send,
}

/// What a film has that the shared store has not.
#[derive(Debug, Default)]
pub struct Lacking {
    /// Renders and records to send.
    pub due: Vec<Due>,
    /// Renders of this film that are there.
    pub there: usize,
    /// Renders of this film that are neither there nor here.
    pub nowhere: usize,
}

impl Project {
    /// The bucket of a shared store. `sources` are the texts that it was declared in.
    ///
    /// # Errors
    /// Words on what is in the way, with the variable or line that says it, without anything secret.
    pub fn bucket(
        &self,
        sources: &Sources,
        declared: &SharedStore,
        known: &Known,
        stop: Stop,
    ) -> Result<Arc<dyn Bucket>, String> {
        let written = |value: &str, span| Said { value: value.to_string(), from: sources.place(span) };
        let said = |at: &Option<At<String>>, known: &Option<Said>| {
            at.as_ref().map(|at| written(&at.value, at.span)).or_else(|| known.clone())
        };
        let nobody =
            || Said { value: REGION.into(), from: "which neither `region:` nor AWS_REGION says".into() };
        let place = Place {
            bucket: written(&declared.bucket, declared.at_span),
            prefix: declared.prefix.clone(),
            endpoint: said(&declared.endpoint, &known.endpoint),
            region: said(&declared.region, &known.region).unwrap_or_else(nobody),
        };
        bucket::open(&place, known.need()?, stop)
    }

    /// The shared store for a run, which goes on without it where it cannot be had.
    ///
    /// # Errors
    /// Words on what is in the way, without anything secret.
    pub fn shared(
        &self,
        declared: &Declared,
        store: &SharedStore,
        known: &Known,
        purpose: Purpose,
        tell: Tell,
        stop: Stop,
    ) -> Result<Arc<Shared>, String> {
        let bucket = self.bucket(&declared.sources, store, known, Arc::clone(&stop))?;
        let local = Store::at(&self.folder).map_err(|e| e.to_string())?;
        let objects = Objects::of(&local).saying(head(declared.graph.space));
        let read_only = purpose == Purpose::Take || store.read_only.is_some();
        let stop = Box::new(move || stop());
        let shared = Shared::new(store.at(), bucket, &local, objects, read_only, tell, stop);
        Ok(Arc::new(if purpose == Purpose::Send { shared.only_to_send() } else { shared }))
    }

    /// The state of the film for sharing.
    ///
    /// # Errors
    /// The declaration has errors, or the system refuses.
    pub fn status_to_share(&self) -> Result<Status, ProjectError> {
        self.status_of(self.read(), self.recall(Care::Read), Care::Read, &|_, _| {})
    }

    /// What the film has as it is that the shared store has not.
    ///
    /// # Errors
    /// The shared store cannot be asked.
    pub fn lacking_there(&self, status: &Status, bucket: &dyn Bucket) -> Result<Lacking, BucketError> {
        let listed = |folder: &str| {
            let mut all: HashSet<Digest> = HashSet::new();
            bucket.list(folder, &mut |held| {
                all.extend(held.name.strip_prefix(folder).and_then(note::digest_of));
                true
            })?;
            Ok::<_, BucketError>(all)
        };
        let (records, renders) = (listed(note::FOLDER)?, listed(note::OBJECTS)?);
        let objects = Objects::of(&status.store);
        let mut lacking = Lacking::default();
        let mut seen = HashSet::new();
        for node in status.declared.graph.nodes.iter().filter(|node| is_shared(node)) {
            let rows = status.state.table(&node.shot, &node.stage);
            for (frame, row) in rows.iter().flat_map(|table| table.rows()) {
                let is_of_film = node.frames.contains(frame) && row.pixels != crate::base::made::NONE;
                if !is_of_film || !seen.insert(row.key) {
                    continue;
                }
                let kind = kind(node);
                let is_there = kind == Kind::Passed || renders.contains(&row.pixels);
                if is_there && records.contains(&row.key) {
                    lacking.there += 1;
                    continue;
                }
                let is_here = kind == Kind::Passed || objects.has(&row.pixels);
                match status.actions.get(&row.key).filter(|action| is_here && action.pixels == row.pixels) {
                    Some(action) => lacking.due.push(Due {
                        note: Note { key: row.key, pixels: row.pixels, planes: action.planes, kind },
                        again: false,
                    }),
                    None => lacking.nowhere += 1,
                }
            }
        }
        Ok(lacking)
    }

    /// The name of the list by which this working copy tells what it uses.
    ///
    /// # Errors
    /// The number of the working copy cannot be kept.
    pub fn member_name(&self, status: &Status, writer: &Writer) -> Result<String, StoreError> {
        let place = format!("{}\n{}", writer.machine, self.folder.display());
        Ok(members::name(&writer.name, &copy::id(&status.store, &place)?))
    }

    /// Renders that the film uses here, and those that people keep or approved.
    pub fn used_here(&self, status: &Status) -> HashSet<Digest> {
        used(status)
    }

    /// Tells the crew which renders the film uses here, unless that was told there lately and nothing changed; with `look`, it is
    /// looked whether it still lies there. Lists of the same working copy under former names go. Gives whether it was told now.
    ///
    /// # Errors
    /// The shared store cannot be written, or the number of the working copy cannot be kept.
    pub fn publish(
        &self,
        status: &Status,
        bucket: &dyn Bucket,
        writer: &Writer,
        look: bool,
    ) -> Result<bool, BucketError> {
        let who = self.member_name(status, writer).map_err(|error| BucketError::Failed(error.to_string()))?;
        let list = members::List::of(who, &status.declared.graph.film, to_tell(status));
        let path = status.store.path("uploads").join("told");
        let mark = format!("{} {}", bucket.place(), list.mark());
        let was = crate::store::file::read(&path).ok().flatten();
        if was.as_deref() == Some(mark.as_bytes()) && (!look || bucket.has(&list.name())?.is_some()) {
            return Ok(false);
        }
        bucket.send(&list.name(), list.write().into(), None)?;
        members::replace(bucket, &list.who)?;
        if let Some(folder) = path.parent() {
            // What cannot be kept is told once more next time.
            let _ = std::fs::create_dir_all(folder);
            let _ = crate::store::write_own(&path, mark.as_bytes());
        }
        Ok(true)
    }
}

/// What a member's list names: of all that the film uses, what lies in the shared store as a file. Pictures of plates alone do not,
/// nor those of stages that keep none.
fn to_tell(status: &Status) -> HashSet<Digest> {
    let pixels = |shared: bool| -> HashSet<Digest> {
        let nodes =
            status.declared.graph.nodes.iter().filter(|node| (is_shared(node) && node.keep) == shared);
        let tables = nodes.filter_map(|node| status.state.table(&node.shot, &node.stage));
        tables.flat_map(|table| table.rows()).map(|(_, row)| row.pixels).collect()
    };
    let (ours, own) = (pixels(true), pixels(false));
    used(status).into_iter().filter(|digest| ours.contains(digest) || !own.contains(digest)).collect()
}
