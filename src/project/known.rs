//! What staleness asks, answered from the store, the ledger and the disk.

use std::collections::HashMap;
use std::os::unix::fs::DirEntryExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock};

use super::past::{Past, kept, with_whom};
use super::trouble::NOT_LOOKED_AT;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::made::{MadeOf, Rows};
use crate::crew::packets::{Packets, Returns};
use crate::execute::settle::render_path;
use crate::graph::{Graph, Node, NodeId, Work};
use crate::ledger::holds::Holds;
use crate::observe::{self, Seen, faults};
use crate::stale::explain::{Memory, Setting};
use crate::stale::{Knowledge, Report, SourceState};
use crate::store::actions::Actions;
use crate::store::facts::Stat;
use crate::store::objects::Objects;
use crate::store::seals::{Seal, Seals};
use crate::store::state::State;

/// All that is known.
pub struct Known<'a> {
    folder: &'a Path,
    graph: &'a Graph,
    seen: &'a [Seen],
    state: &'a State,
    rows: Vec<Option<Arc<dyn Rows>>>,
    actions: &'a Actions,
    objects: &'a Objects,
    holds: &'a Holds<'a>,
    seals: &'a Seals,
    packets: &'a Packets,
    /// What came back from people, by node.
    returns: Vec<Option<&'a Returns>>,
    past: Past<'a>,
    /// When looking began, before any folder was looked into: nanoseconds.
    began: i64,
    /// Why files cannot be read, of those that were read once more for it.
    unreadable: Mutex<HashMap<(usize, i64), Found>>,
    /// Of every node, what its folder of renders holds, once it is asked for.
    listings: Vec<OnceLock<Listing>>,
}

/// What reading a file once more told, once it did.
type Found = Arc<OnceLock<String>>;

/// What a folder of renders holds.
struct Listing {
    /// The inode of each frame's file, from the first on; 0 where there is none.
    inodes: Vec<u64>,
    /// Whether there are files of frames that the node has not.
    has_others: bool,
    /// The folder's stat before it was listed.
    stat: Option<Stat>,
}

impl<'a> Known<'a> {
    /// Gathers it. Folders of renders are looked into when a frame is asked for.
    #[allow(clippy::too_many_arguments)] // Each is one place where something is known.
    pub fn new(
        folder: &'a Path,
        graph: &'a Graph,
        seen: &'a [Seen],
        state: &'a State,
        actions: &'a Actions,
        objects: &'a Objects,
        holds: &'a Holds<'a>,
        seals: &'a Seals,
        packets: &'a Packets,
        past: Past<'a>,
    ) -> Self {
        let of_hands = |node: &Node| matches!(node.work, Work::Hand { .. });
        let returns = |node: &Node| packets.returns(&node.shot, &node.stage).filter(|_| of_hands(node));
        let returns = graph.nodes.iter().map(returns).collect();
        let rows = |node: &Node| state.kept(&node.shot, &node.stage).map(|k| Arc::clone(k) as Arc<dyn Rows>);
        let rows = graph.nodes.iter().map(rows).collect();
        let listings = graph.nodes.iter().map(|_| OnceLock::new()).collect();
        let began = observe::now_nanoseconds();
        Self {
            folder,
            graph,
            seen,
            state,
            rows,
            actions,
            objects,
            holds,
            seals,
            packets,
            returns,
            past,
            began,
            unreadable: Mutex::default(),
            listings,
        }
    }

    /// The seals that a look earned beyond those that are there: of nodes that are fresh throughout, unless their
    /// folder changed so lately that a further change could not be told from this one.
    pub fn seals_earned(&self, report: &Report) -> Vec<(NodeId, Seal)> {
        let seal = |(id, print): (NodeId, &Option<Digest>)| {
            let (node, print) = (&self.graph.nodes[id], (*print)?);
            let folder = match (node.keep, self.listings[id].get()) {
                (false, _) => None,
                // What is left of frames that the node no longer has is to be told of at every look.
                (true, Some(listing)) if listing.has_others => return None,
                (true, Some(listing)) => Some(listing.stat.filter(|stat| stat.is_quiet(self.began))?),
                (true, None) => return None,
            };
            let seal = Seal { print, folder };
            (self.seals.get(&node.shot, &node.stage) != Some(&seal)).then_some((id, seal))
        };
        report.prints.iter().enumerate().filter_map(seal).collect()
    }

    /// Why a source's file cannot be read, behind a colon; or that nobody looked, where so many were read for that already that
    /// it would take long.
    fn why_unreadable(&self, source: usize, frame: i64) -> String {
        let why = {
            let mut known = self.unreadable.lock().expect("no thread panics with it");
            let is_much = known.len() >= faults::READ;
            if is_much && !known.contains_key(&(source, frame)) {
                return NOT_LOOKED_AT.into();
            }
            Arc::clone(known.entry((source, frame)).or_default())
        };
        // Read outside of the lock, so that who asks of another file need not wait for this one.
        let why = why.get_or_init(|| {
            let source = &self.graph.sources[source];
            faults::unreadable(&observe::path(self.folder, source, frame), &source.media)
        });
        format!(": {why}")
    }

    fn renders(&self, node: &Node) -> PathBuf {
        self.folder.join("renders").join(&*node.shot).join(&*node.stage)
    }
}

/// Which of a node's frames have their `SHOT.FRAME.exr`, or of sound `.wav`, in a folder.
fn listed(folder: &Path, node: &Node) -> Listing {
    let stat = observe::stat_folder(folder);
    let mut inodes = vec![0; node.frames.len()];
    let mut has_others = false;
    let ending = if node.is_heard() { ".wav" } else { ".exr" };
    let frame = |name: &str| -> Option<i64> {
        name.strip_prefix(&*node.shot)?.strip_prefix('.')?.strip_suffix(ending)?.parse().ok()
    };
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let Some(frame) = entry.file_name().to_str().and_then(frame) else { continue };
        match place_of(node, frame).and_then(|at| inodes.get_mut(at)) {
            Some(place) => *place = entry.ino(),
            None => has_others = true,
        }
    }
    Listing { inodes, has_others, stat }
}

/// Where a frame lies among a node's.
fn place_of(node: &Node, frame: i64) -> Option<usize> {
    usize::try_from(frame.checked_sub(node.frames.first)?).ok()
}

impl Knowledge for Known<'_> {
    fn source(&self, source: usize, frame: i64) -> SourceState {
        self.seen[source].get(frame).map_or(SourceState::Missing, |sight| sight.state)
    }

    fn rows(&self, node: NodeId) -> Option<&Arc<dyn Rows>> {
        self.rows[node].as_ref()
    }

    fn is_sealed(&self, id: NodeId, print: &Digest) -> bool {
        let node = &self.graph.nodes[id];
        match self.seals.get(&node.shot, &node.stage).filter(|seal| seal.print == *print) {
            None => false,
            Some(seal) if node.keep => {
                seal.folder.is_some() && observe::stat_folder(&self.renders(node)) == seal.folder
            }
            Some(_) => true,
        }
    }

    fn made(&self, node: NodeId, key: &Digest) -> Option<Digest> {
        let pixels = self.actions.get(key)?.pixels;
        (!self.graph.nodes[node].keep || self.objects.has(&pixels)).then_some(pixels)
    }

    fn is_stored(&self, pixels: &Digest) -> bool {
        self.objects.has(pixels)
    }

    fn plane(&self, key: &Digest, pixels: &Digest, channel: &str) -> Option<Digest> {
        self.actions.plane(self.objects, key, pixels, channel)
    }

    fn parameters(&self, key: &Digest) -> Option<Digest> {
        Some(self.actions.get(key)?.made_of.parameters)
    }

    fn is_out(&self, node: NodeId, frame: i64) -> bool {
        self.returns[node].is_some_and(|returns| returns.is_out(frame))
    }

    fn made_for(&self, node: NodeId, frame: i64, file: &Digest) -> Option<Digest> {
        self.returns[node]?.made_for(frame, file)
    }

    fn hands(&self, node: NodeId) -> Option<Digest> {
        let returns = self.returns[node]?;
        let mut hasher = KeyHasher::new();
        for frame in returns.frames_out() {
            hasher.int(frame);
        }
        for (frame, file, then) in returns.all_made_for() {
            hasher.int(frame).digest(&file).digest(&then);
        }
        Some(hasher.finish())
    }

    fn held(&self, node: NodeId, frame: i64, pixels: &Digest) -> bool {
        let n = &self.graph.nodes[node];
        self.holds.digest(&n.shot, &n.stage, frame) == Some(*pixels)
    }

    fn in_place(&self, id: NodeId, frame: i64, pixels: &Digest) -> bool {
        let node = &self.graph.nodes[id];
        let listing = self.listings[id].get_or_init(|| listed(&self.renders(node), node));
        let file = place_of(node, frame).and_then(|at| listing.inodes.get(at)).filter(|&&inode| inode != 0);
        file.is_some_and(|&inode| {
            self.objects.inode(pixels) == Some(inode)
                || self.objects.is_at(pixels, &self.folder.join(render_path(&node.shot, &node.stage, frame)))
        })
    }
}

impl Memory for Known<'_> {
    fn made_of(&self, key: &Digest) -> Option<MadeOf> {
        self.actions.get(key).map(|action| action.made_of)
    }

    fn ingredients(&self, digest: &Digest) -> Option<Vec<Setting>> {
        self.state.ingredients(digest).map(<[_]>::to_vec)
    }

    fn cause(&self, node: NodeId, frame: i64) -> Option<Arc<str>> {
        self.past.cause(node, frame)
    }

    fn failure(&self, node: NodeId, frame: i64) -> Option<(Arc<str>, Option<String>)> {
        self.past.failure(node, frame)
    }

    fn last_attempt(&self, node: NodeId, frame: i64) -> Option<String> {
        self.past.last_attempt(node, frame)
    }

    fn hold(&self, node: NodeId, frame: i64, pixels: &Digest) -> Option<String> {
        let n = &self.graph.nodes[node];
        let entry = self.holds.holding(&n.shot, &n.stage, frame)?;
        self.held(node, frame, pixels).then(|| kept(entry))
    }

    fn out(&self, node: NodeId, frame: i64) -> Option<String> {
        let n = &self.graph.nodes[node];
        let all: Vec<String> = self.packets.out(&n.shot, &n.stage, frame).map(with_whom).collect();
        (!all.is_empty()).then(|| all.join(", and "))
    }

    fn fault(&self, source: usize, frame: i64) -> Option<String> {
        let sight = self.seen[source].get(frame).filter(|sight| sight.state == SourceState::Unfit)?;
        let ((width, height), (w, h)) = (sight.size, self.graph.frame_size);
        Some(match width {
            0 => {
                let is_heard = self.graph.sources[source].media.is_heard();
                let as_what = if is_heard { "sound" } else { "a picture" };
                format!("cannot be read as {as_what}{}", self.why_unreadable(source, frame))
            }
            _ => format!("is {width}x{height}, and the film {w}x{h}"),
        })
    }
}
