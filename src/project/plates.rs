//! A plate's frame as its stages get it, read from its own file, for commands that only look.
//!
//! Knows when a file is still the one that was looked at. Does not know which frames there are, nor reads movies.

use std::path::Path;

use crate::base::digest::Digest;
use crate::graph::{Graph, NodeId, Work};
use crate::media::{self, Format};
use crate::observe::{self, Seen};
use crate::operators::{Inputs, Made};
use crate::stale::SourceState;

/// A file's name, and the picture in it with what a person should know of that. A file that nobody has looked at, because no
/// stage uses it, is taken as it is.
///
/// # Errors
/// The file cannot be read, or was changed after it was looked at.
pub fn read(
    project: &Path,
    graph: &Graph,
    seen: &[Seen],
    id: NodeId,
    frame: i64,
) -> Result<(String, Made), String> {
    let Work::Plate { source, decode } = &graph.nodes[id].work else { return Err("it is no plate".into()) };
    let of = &graph.sources[*source];
    let name = of.file(frame);
    let bytes = std::fs::read(observe::path(project, of, frame))
        .map_err(|why| format!("{name} cannot be read: {why}"))?;
    let sight = seen[*source].get(frame).map(|sight| sight.state);
    if sight.is_some_and(|state| state != SourceState::Known(Digest::of(&bytes))) {
        return Err(format!("{name} changed while this command ran"));
    }
    let format = Format::of_path(&name).ok_or_else(|| format!("{name}: no picture format that is read"))?;
    let raster = media::decode(format, &bytes).map_err(|why| format!("{name}: {why}"))?;
    let made = decode.make(&Inputs { frames: &[], raster: Some(&raster) }, frame);
    made.map_err(|why| format!("{name}: {why}")).map(|made| (name, made))
}
