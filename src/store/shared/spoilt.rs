//! Frames whose renders in the shared store are damaged, and words on them.
//!
//! Knows their names. Does not know what the damage is, nor what becomes of it.

use std::sync::Arc;

use super::Shared;
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;

impl Shared {
    /// A frame was not to be had there: keeps its name for [`Shared::spoilt`] where that was so for damage.
    pub fn missed(&self, key: &Digest, shot: &Arc<str>, stage: &Arc<str>, frame: i64) {
        let mut way = self.lock();
        if way.rotten.contains(key) {
            way.spoilt.entry((Arc::clone(shot), Arc::clone(stage))).or_default().insert(frame);
        }
    }

    /// Words on the frames of this run whose renders there are damaged, if there were any.
    pub fn spoilt(&self) -> Option<String> {
        const PLACES: usize = 8;
        let way = self.lock();
        let count: usize = way.spoilt.values().map(FrameSet::len).sum();
        let place =
            |((shot, stage), frames): (&(Arc<str>, Arc<str>), &FrameSet)| format!("{shot}/{stage}@{frames}");
        let places: Vec<String> = way.spoilt.iter().take(PLACES).map(place).collect();
        let more = match way.spoilt.len().saturating_sub(PLACES) {
            0 => String::new(),
            n => format!(", and of {n} more stages"),
        };
        let what = if count == 1 { "1 frame there is".into() } else { format!("{count} frames there are") };
        (count > 0).then(|| format!("{}: {what} damaged: {}{more}", self.at, places.join(", ")))
    }
}
