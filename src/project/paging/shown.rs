//! Which renders pages showed, so that nobody approves what came in between.
//!
//! Knows the pixels of every stage at each look, by one digest of them that the page carries. Does not know who looks.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex};

use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameSet;
use crate::crew::approvals::Present;
use crate::graph::NodeId;
use crate::project::Status;
use crate::project::approving::{Asked, present};
use crate::report::page::values::Page;

/// Letters of a digest that a page carries: 64 bits tell apart all that a film was ever like.
const LETTERS: usize = 16;
/// What was shown earlier is let go of when there is so many times as much of it as of what is shown now.
const EARLIER: usize = 4;

/// Frames of a stage that are fresh, and their pixels, in order of frames.
type Pixels = Arc<[(i64, Digest)]>;

/// What pages showed, by the digest that they carry.
#[derive(Debug, Default)]
pub struct Shown(Mutex<HashMap<String, Pixels>>);

impl Shown {
    /// Writes into a page which renders of each stage it shows, and remembers them.
    pub fn mark(&self, status: &Status, page: &mut Page) {
        let mut all = self.0.lock().expect("nothing panics with it");
        let mut now = HashSet::new();
        for (id, node) in status.declared.graph.nodes.iter().enumerate() {
            if !node.keep || node.frames.is_empty() {
                continue;
            }
            let pixels = pixels(status, id);
            let digest = digest(&pixels);
            now.insert(digest.clone());
            page.shown.insert(node.name(), digest.clone());
            all.entry(digest).or_insert(pixels);
        }
        if all.len() > EARLIER * now.len() {
            all.retain(|digest, _| now.contains(digest));
        }
    }

    /// The frames asked for that a page with this digest did not show as they are now; none where nobody knows what it showed.
    pub fn others(&self, digest: &str, status: &Status, asked: &Asked) -> Option<FrameSet> {
        let then = self.0.lock().expect("nothing panics with it").get(digest).cloned()?;
        let is_other = |frame: &i64| {
            let before = then.binary_search_by_key(frame, |(n, _)| *n).ok().map(|at| then[at].1);
            match present(status, Some(asked.node), *frame) {
                Present::Fresh(pixels) => before != Some(pixels),
                _ => true,
            }
        };
        Some(asked.fresh.iter().filter(is_other).collect())
    }
}

fn pixels(status: &Status, id: NodeId) -> Pixels {
    let of = |frame: i64| match present(status, Some(id), frame) {
        Present::Fresh(pixels) => Some((frame, pixels)),
        _ => None,
    };
    status.declared.graph.nodes[id].frames.iter().filter_map(of).collect()
}

fn digest(pixels: &Pixels) -> String {
    let mut hasher = KeyHasher::new();
    for (frame, digest) in pixels.iter() {
        hasher.int(*frame).digest(digest);
    }
    hasher.finish().to_string()[..LETTERS].to_string()
}
