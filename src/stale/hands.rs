//! What a frame of a hand stage rests on, and which frames are with a person.
//!
//! A file that a person made is taken in as made for what was handed out, which may be something else than there is by then.
//! So what a frame rests on is one digest, which a packet's row in the ledger holds as well. Knows nothing of packets.

use super::{Cell, Input, Knowledge, Reason};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::state::State;
use crate::graph::{Graph, NodeId, Work};

/// One digest of all inputs of a stage at a frame, and the digests that it is made of, in order; or what stands in the way.
/// How the stage's own files are read plays no part in it.
///
/// # Errors
/// An input is not to be had, or is still to be made.
pub fn rests_on(
    graph: &Graph,
    id: NodeId,
    frame: i64,
    seen: &mut dyn FnMut(NodeId, i64, Option<&str>) -> Input,
) -> Result<(Digest, Vec<Digest>), Input> {
    let mut hasher = KeyHasher::new();
    hasher.text("rests on 1");
    let (mut inputs, mut stopped) = (Vec::new(), None);
    graph.each_need(id, frame, &mut |edge, index, range| {
        hasher.int(index as i64).int(range.len() as i64);
        for n in range.iter() {
            match seen(edge.from, n, edge.channel.as_deref()) {
                Input::Pixels(digest) => {
                    hasher.digest(&digest);
                    inputs.push(digest);
                }
                Input::Missing => stopped = Some(Input::Missing),
                Input::ToCome => stopped = Some(stopped.unwrap_or(Input::ToCome)),
            }
        }
    });
    match stopped {
        Some(stop) => Err(stop),
        None => Ok((hasher.finish(), inputs)),
    }
}

/// The cell of a frame that is with a person, as far as it is neither held nor waits to be taken in. What the person made
/// before goes on being used.
pub(super) fn out(graph: &Graph, known: &dyn Knowledge, id: NodeId, frame: i64, cell: Cell) -> Cell {
    let waits = cell.held || !matches!(cell.reason, Reason::None | Reason::Redo | Reason::FileMissing);
    if waits || !matches!(graph.nodes[id].work, Work::Hand { .. }) || !known.is_out(id, frame) {
        return cell;
    }
    Cell { state: State::Out, reason: Reason::Out, ..cell }
}
