//! What is inspected: the film, or the stages that are named.
//!
//! Knows which stages have a picture or a sound to judge. Does not know what is found in them.

use super::places::Places;
use crate::base::frames::{FrameRange, FrameSet};
use crate::declare::film::Film;
use crate::graph::{ASSEMBLY, BUS, FILM, Graph, MIX, Node, NodeId, STEM, Work};
use crate::media::image::RGBA;
use crate::operators::image::print::Numbers;
use crate::project::frames::{LookError, range};
use crate::project::naming::{is_named, looked_at};
use crate::project::{Status, chosen, wanted};

/// A stage to be inspected.
pub struct Subject {
    /// It.
    pub id: NodeId,
    /// Its frames; of sound, blocks.
    pub frames: FrameSet,
    /// What it is.
    pub kind: Kind,
}

/// What a stage is.
pub enum Kind {
    /// The film's picture.
    Film,
    /// A print of it, and how its frames are numbered.
    Print(Numbers),
    /// A stage of a shot.
    Shot,
    /// The mix.
    Mix,
    /// A stem or a bus.
    Stem,
}

/// Stages to be inspected, and what is to be known of those that are not.
pub fn of(
    film: &Film,
    places: &Places,
    status: &Status,
    selectors: &[String],
) -> Result<(Vec<Subject>, Vec<String>), LookError> {
    let graph = &status.declared.graph;
    if selectors.is_empty() {
        let subjects = whole(graph);
        if subjects.is_empty() {
            let words = "the film is not put together and has no sound: declare `assembly: {}`, or name stages, such as br030/colour";
            return Err(LookError::Words(words.into()));
        }
        return Ok((subjects, Vec::new()));
    }
    let selection = looked_at(selectors, &status.declared).map_err(LookError::Words)?;
    let picked = wanted(graph, &selection);
    let (mut subjects, mut remarks) = (Vec::new(), Vec::new());
    for (id, node) in graph.nodes.iter().enumerate() {
        let frames = chosen(picked[id].as_ref(), range(&status.declared, id));
        let named = is_named(&selection, &node.shot, &node.stage);
        let is_aside = matches!(node.work, Work::Plate { .. } | Work::Clip { .. }) || !node.keep;
        if frames.is_empty() || (is_aside && !named) {
            continue;
        }
        match kind(film, places, node) {
            Some(kind) => subjects.push(Subject { id, frames, kind }),
            None if named => {
                let what = if node.is_heard() {
                    "is no sound to be listened to"
                } else {
                    "makes mattes and no picture"
                };
                remarks.push(format!("{} is left out: it {what}", node.name()));
            }
            None => {}
        }
    }
    if subjects.is_empty() {
        let words = match remarks.is_empty() {
            true => "nothing of what is named has a picture or a sound of its own".to_string(),
            false => remarks.join("; "),
        };
        return Err(LookError::Words(words));
    }
    Ok((subjects, remarks))
}

fn kind(film: &Film, places: &Places, node: &Node) -> Option<Kind> {
    let is_film = &*node.shot == FILM;
    match &*node.stage {
        MIX if is_film => Some(Kind::Mix),
        stage if is_film && (stage.starts_with(STEM) || stage.starts_with(BUS)) => Some(Kind::Stem),
        _ if node.is_heard() => None,
        ASSEMBLY if is_film => Some(Kind::Film),
        stage if is_film => places.print(film, stage).map(Kind::Print),
        _ if RGBA[..3].iter().all(|name| node.channels.iter().any(|own| **own == **name)) => Some(Kind::Shot),
        _ => None,
    }
}

/// The film's picture and mix, its stems or else buses, and where neither stem holds the dialogue the bus that does.
fn whole(graph: &Graph) -> Vec<Subject> {
    let all = |range: FrameRange| range.iter().collect();
    let one = |(id, kind)| Subject { id, frames: all(graph.nodes[id].frames), kind };
    let mut found: Vec<(NodeId, Kind)> = Vec::new();
    found.extend(graph.find(FILM, ASSEMBLY).map(|id| (id, Kind::Film)));
    found.extend(graph.find(FILM, MIX).map(|id| (id, Kind::Mix)));
    let of_film = |begins: &str| -> Vec<NodeId> {
        let is_one = |id: &NodeId| {
            let node = &graph.nodes[*id];
            &*node.shot == FILM && node.stage.starts_with(begins)
        };
        (0..graph.nodes.len()).filter(is_one).collect()
    };
    let (stems, buses) = (of_film(STEM), of_film(BUS));
    let speaks = |id: &NodeId| is_dialogue(&graph.nodes[*id].stage);
    let bus = buses.iter().copied().filter(|id| speaks(id) && !stems.is_empty() && !stems.iter().any(speaks));
    let bus: Vec<NodeId> = bus.collect();
    let parts = if stems.is_empty() { buses } else { stems };
    found.extend(parts.into_iter().chain(bus).map(|id| (id, Kind::Stem)));
    found.into_iter().map(one).collect()
}

/// Whether a stem or bus of that stage name holds the dialogue.
pub fn is_dialogue(stage: &str) -> bool {
    let name = stage.strip_prefix(STEM).or_else(|| stage.strip_prefix(BUS));
    name.is_some_and(|name| name == "dialogue" || name == "words")
}
