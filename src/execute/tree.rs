//! Putting renders into the visible tree.
//!
//! Knows which file in the tree is a render, and that any other is a person's. Does not know why a frame is made.

use super::make::{RestsOn, Trouble};
use super::settle::render_path;
use super::{Engine, Ready, Stop};
use crate::base::digest::Digest;
use crate::base::made::{NONE, Row};
use crate::events::How;
use crate::graph::NodeId;
use crate::programs::Cost;
use crate::stale::{Cell, Reason};
use crate::store::StoreError;

impl Engine<'_> {
    /// Puts a render in its place in the tree and remembers it as the frame's last.
    pub(super) fn place(&self, id: NodeId, frame: i64, last: &Row, ready: &Ready) -> Result<(), StoreError> {
        let node = &self.graph.nodes[id];
        if node.keep && !self.is_apart() {
            if last.key != NONE && last.key != ready.key {
                // A run killed between the two writes below must not leave the old key with the new picture:
                // going back to the old settings would then find it fresh.
                let row = Row { key: NONE, pixels: NONE, ..*last };
                self.state.lock().expect("no worker panics with it").set(
                    &node.shot,
                    &node.stage,
                    frame,
                    row,
                )?;
            }
            self.put_in_place(id, frame, &last.pixels, &ready.pixels)?;
        }
        let row = Row { key: ready.key, pixels: ready.pixels, failed: NONE };
        self.state.lock().expect("no worker panics with it").set(&node.shot, &node.stage, frame, row)
    }

    /// Links a render into the tree. A file that lies there and is not the last render is a person's: it is set aside
    /// under another name.
    fn put_in_place(&self, id: NodeId, frame: i64, last: &Digest, now: &Digest) -> Result<(), StoreError> {
        let node = &self.graph.nodes[id];
        let to = self.project.join(render_path(&node.shot, &node.stage, frame));
        let is_ours = |meta: std::fs::Metadata| {
            self.objects.is_at(last, &to)
                || self.objects.is_at(now, &to)
                || (meta.permissions().readonly() && !self.has_last(id, frame, last))
        };
        if std::fs::symlink_metadata(&to).is_ok_and(|meta| !is_ours(meta)) {
            let ending = to.extension().and_then(|ending| ending.to_str()).unwrap_or("exr");
            let now = jiff::Timestamp::now().as_second();
            let aside = to.with_extension(format!("{now}.set-aside.{ending}"));
            std::fs::rename(&to, &aside).map_err(StoreError::file(&to))?;
            tracing::warn!(file = %aside.display(), "a file that no rebuild had put into renders/ was set aside");
        }
        self.objects.link(now, &to)
    }

    /// Whether a frame's last render is known and was in the store when the run began, so that its file can be told from
    /// any other. Else that a file is read-only has to speak for its being a render.
    fn has_last(&self, id: NodeId, frame: i64, last: &Digest) -> bool {
        let is_lost = self.report.strips[id].get(frame).is_some_and(|cell| cell.reason == Reason::Lost);
        *last != NONE && !is_lost && self.objects.has(last)
    }

    /// Puts the file of a render that goes on being used back into the tree. Where a person's work is not in the store any
    /// more, it is read once more from the file that was taken in.
    pub(super) fn put_back(&self, id: NodeId, frame: i64, cell: &Cell) -> Result<Ready, Stop> {
        let ready = Ready { pixels: cell.pixels, key: cell.made_by, cause: "".into() };
        if let Err(trouble) = self.pixels_in_store(id, frame, &ready) {
            if trouble.rests_on == RestsOn::End {
                return Err(Stop::Ending);
            }
            self.fail(id, frame, NONE, trouble.reason, trouble.log);
            return Err(Stop::Failed);
        }
        if !self.is_apart() {
            self.put_in_place(id, frame, &cell.pixels, &cell.pixels).map_err(|e| self.broken(&e))?;
        }
        self.announce(id, frame, How::Restored);
        Ok(ready)
    }

    fn pixels_in_store(&self, id: NodeId, frame: i64, ready: &Ready) -> Result<(), Trouble> {
        if self.objects.has(&ready.pixels) {
            return Ok(());
        }
        self.render(id, frame, ready, &mut Cost::default()).map(drop)
    }
}
