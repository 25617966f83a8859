//! What a test lets staleness know.

use std::sync::Arc;

use super::{Knowledge, SourceState};
use crate::base::digest::Digest;
use crate::base::made::Rows;
use crate::graph::NodeId;

/// Knows no sources and, of earlier runs, at most one key with the digest of the parameters that it was made with.
pub(crate) struct Remembered(pub Option<(Digest, Digest)>);

impl Knowledge for Remembered {
    fn source(&self, _: usize, _: i64) -> SourceState {
        SourceState::Missing
    }
    fn rows(&self, _: NodeId) -> Option<&Arc<dyn Rows>> {
        None
    }
    fn is_sealed(&self, _: NodeId, _: &Digest) -> bool {
        false
    }
    fn made(&self, _: NodeId, _: &Digest) -> Option<Digest> {
        None
    }
    fn plane(&self, _: &Digest, _: &Digest, _: &str) -> Option<Digest> {
        None
    }
    fn parameters(&self, key: &Digest) -> Option<Digest> {
        self.0.filter(|(known, _)| known == key).map(|(_, parameters)| parameters)
    }
    fn held(&self, _: NodeId, _: i64, _: &Digest) -> bool {
        false
    }
    fn in_place(&self, _: NodeId, _: i64, _: &Digest) -> bool {
        true
    }
}
