//! What a test lets staleness know.

use std::sync::Arc;

use super::{Knowledge, SourceState};
use crate::base::digest::Digest;
use crate::base::made::{Row, Rows};
use crate::graph::NodeId;

/// Knows what a test says: nothing by itself.
#[derive(Default)]
pub(crate) struct Remembered {
    /// The bytes of every source's files; none when they are missing.
    pub files: Option<Digest>,
    /// The last renders of each node, the same at every frame.
    pub last: Vec<Option<Arc<dyn Rows>>>,
    /// The parameters that every render was made with.
    pub parameters: Option<Digest>,
    /// Every frame is with a person.
    pub out: bool,
    /// What the file of these bytes was made for.
    pub made_for: Option<(Digest, Digest)>,
}

/// The same row at every frame.
pub(crate) struct Always(pub Row);

impl Rows for Always {
    fn row(&self, _: i64) -> Row {
        self.0
    }
    fn digest(&self) -> Digest {
        self.0.key
    }
}

impl Knowledge for Remembered {
    fn source(&self, _: usize, _: i64) -> SourceState {
        self.files.map_or(SourceState::Missing, SourceState::Known)
    }
    fn rows(&self, node: NodeId) -> Option<&Arc<dyn Rows>> {
        self.last.get(node)?.as_ref()
    }
    fn is_sealed(&self, _: NodeId, _: &Digest) -> bool {
        false
    }
    fn made(&self, _: NodeId, _: &Digest) -> Option<Digest> {
        None
    }
    fn is_stored(&self, _: &Digest) -> bool {
        false
    }
    fn plane(&self, _: &Digest, _: &Digest, _: &str) -> Option<Digest> {
        None
    }
    fn parameters(&self, _: &Digest) -> Option<Digest> {
        self.parameters
    }
    fn is_out(&self, _: NodeId, _: i64) -> bool {
        self.out
    }
    fn made_for(&self, _: NodeId, _: i64, file: &Digest) -> Option<Digest> {
        self.made_for.filter(|(of, _)| of == file).map(|(_, then)| then)
    }
    fn hands(&self, _: NodeId) -> Option<Digest> {
        None
    }
    fn held(&self, _: NodeId, _: i64, _: &Digest) -> bool {
        false
    }
    fn in_place(&self, _: NodeId, _: i64, _: &Digest) -> bool {
        true
    }
}
