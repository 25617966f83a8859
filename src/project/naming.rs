//! Names that people give to shots, stages, frames and mattes → what they mean in a film.
//!
//! Knows which names mean nothing, or too much, and what may have been meant. Does not know what is done with what they mean.

use std::sync::Arc;

use super::frames::range;
use super::{Declared, chosen, wanted};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::nearest;
use crate::base::selector::{Glob, Selection, Selector};
use crate::graph::{Graph, Node, NodeId};

/// Reads selectors and checks that each means something in this film, when there is one.
///
/// # Errors
/// Words on the first that does not.
pub fn selection(texts: &[String], graph: Option<&Graph>) -> Result<Selection, String> {
    let selection = parsed(texts)?;
    let Some(graph) = graph else { return Ok(selection) };
    meaning(selection, graph, &|id| graph.nodes[id].frames)
}

/// As [`selection`], of frames that are looked at: also those of a plate that no stage uses.
///
/// # Errors
/// Words on the first that means nothing.
pub fn looked_at(texts: &[String], declared: &Declared) -> Result<Selection, String> {
    meaning(parsed(texts)?, &declared.graph, &|id| range(declared, id))
}

fn parsed(texts: &[String]) -> Result<Selection, String> {
    Selection::parse(texts.iter().map(String::as_str))
        .map_err(|wrong| wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
}

/// A selection each of whose selectors matches frames of which there are these.
fn meaning(
    selection: Selection,
    graph: &Graph,
    frames: &dyn Fn(NodeId) -> FrameRange,
) -> Result<Selection, String> {
    let wrong = named(&selection, graph)
        .or_else(|| selection.selectors.iter().find_map(|selector| beside(graph, selector, frames)));
    wrong.map_or(Ok(selection), Err)
}

/// Words on a selector that matches nothing.
fn named(selection: &Selection, graph: &Graph) -> Option<String> {
    let unmatched = selection.unmatched(graph.nodes.iter().map(|n| (&*n.shot, &*n.stage)));
    let selector = unmatched.first()?;
    let hint = meant(graph, selector).map_or(String::new(), |near| format!("; did you mean {near}?"));
    Some(format!("'{}' matches no shot and stage of this film{hint}", selector.text()))
}

/// What a selector that matches nothing may have been meant to say.
fn meant(graph: &Graph, selector: &Selector) -> Option<String> {
    let of_shot = |node: &&Node| selector.shot().is_none_or(|glob| glob.matches(&node.shot));
    match selector.stage() {
        // The shot is there, so that it is the stage's name that is off.
        Some(stage) if graph.nodes.iter().any(|node| of_shot(&node)) => {
            let stages = graph.nodes.iter().filter(of_shot).map(|node| &*node.stage);
            let near = nearest(stage.text(), stages)?;
            Some(format!("{}/{near}", selector.shot().map_or("*", Glob::text)))
        }
        stage => {
            let shots = graph.nodes.iter().map(|node| &*node.shot);
            let near = nearest(selector.shot().map_or("", Glob::text), shots)?;
            let has = |stage: &&Glob| graph.nodes.iter().any(|n| &*n.shot == near && stage.matches(&n.stage));
            let stage = stage.filter(has).map_or(String::new(), |stage| format!("/{}", stage.text()));
            Some(format!("{near}{stage}"))
        }
    }
}

/// Says so when none of a selector's frames is a frame of the stages that it matches.
fn beside(graph: &Graph, selector: &Selector, of: &dyn Fn(NodeId) -> FrameRange) -> Option<String> {
    let frames = selector.frames()?;
    let mut hull: Option<FrameRange> = None;
    for (id, node) in graph.nodes.iter().enumerate() {
        let Some(chosen) = graph.meant(node, selector) else { continue };
        let range = of(id);
        if range.is_empty() {
            continue;
        }
        if !chosen.within(range).is_empty() {
            return None;
        }
        let all = hull.get_or_insert(range);
        *all = FrameRange::new(all.first.min(range.first), all.last.max(range.last));
    }
    let text = selector.text();
    Some(match hull {
        Some(range) => format!("'{text}' selects no frame: there are {range}, and not {frames}"),
        None => format!("'{text}' selects no frame: there are none"),
    })
}

/// Whether a selector names this stage, other than by naming its shot.
pub fn is_named(selection: &Selection, shot: &str, stage: &str) -> bool {
    let names = |selector: &Selector| selector.stage().is_some() && selector.matches(shot, stage).is_some();
    selection.selectors.iter().any(names)
}

/// Parts a selector `SHOT/STAGE.CHANNEL@FRAMES` into one of stages and the channel that it picks of them; none where it names
/// stages as it stands, or nothing.
///
/// # Errors
/// Words, where stages are there and none has that channel.
pub fn picked(graph: &Graph, text: &str) -> Result<(String, Option<String>), String> {
    let (names, frames) = text.split_once('@').map_or((text, None), |(names, frames)| (names, Some(frames)));
    let named = |names: &str| -> Vec<&Node> {
        let selection = Selection::parse([names]).ok();
        let is_named = |node: &&Node| selection.as_ref()?.matches(&node.shot, &node.stage).map(|_| ());
        graph.nodes.iter().filter(|node| is_named(node).is_some()).collect()
    };
    let parts =
        names.rsplit_once('.').filter(|(stages, channel)| stages.contains('/') && !channel.contains('/'));
    let Some((stages, channel)) = parts.filter(|_| named(names).is_empty()) else {
        return Ok((text.into(), None));
    };
    let nodes = named(stages);
    if nodes.is_empty() {
        return Ok((text.into(), None));
    }
    let mut all = nodes.iter().flat_map(|node| node.channels.iter().map(|name| &**name));
    if !all.clone().any(|name| name == channel) {
        let hint = nearest(channel, &mut all)
            .map_or(String::new(), |near| format!("; did you mean {stages}.{near}?"));
        return Err(format!("'{text}': {stages} has no channel '{channel}'{hint}"));
    }
    let rest = frames.map_or(String::new(), |frames| format!("@{frames}"));
    Ok((format!("{stages}{rest}"), Some(channel.into())))
}

/// The one stage that a text names, and the frames of it; without a stage the one that `usual` takes from the shot's.
///
/// # Errors
/// Words, when it names none, several, or no frame of it.
pub fn one_stage(
    declared: &Declared,
    text: &str,
    usual: impl Fn(&[NodeId]) -> Option<NodeId>,
) -> Result<(NodeId, FrameSet), String> {
    let graph = &declared.graph;
    let selector = text.to_string();
    let selection = Selection::parse([text]).map_err(|wrong| wrong[0].to_string())?;
    if let Some(words) = named(&selection, graph) {
        return Err(words);
    }
    let picked = wanted(graph, &selection);
    let all: Vec<NodeId> = (0..graph.nodes.len()).filter(|&id| picked[id].is_some()).collect();
    let of = |id: &NodeId| &graph.nodes[*id];
    let has_stage = all.iter().any(|id| is_named(&selection, &of(id).shot, &of(id).stage));
    let id = match &all[..] {
        [one] => Some(*one),
        [first, ..] if !has_stage && all.iter().all(|id| of(id).shot == of(first).shot) => usual(&all),
        _ => None,
    };
    let Some(id) = id else {
        let names: Vec<String> = all.iter().take(12).map(|id| of(id).name()).collect();
        return Err(format!("'{selector}' is not one stage; say which: {}", names.join(", ")));
    };
    let range = range(declared, id);
    let frames = chosen(picked[id].as_ref(), range);
    match frames.is_empty() {
        false => Ok((id, frames)),
        true if range.is_empty() => Err(format!("'{text}' selects no frame: {} has none", of(&id).name())),
        true => Err(format!("'{text}' selects no frame: {} has {range}", of(&id).name())),
    }
}

/// A matte of a shot, `STAGE.CHANNEL`.
///
/// # Errors
/// Words on what is wrong with it.
pub fn matte(graph: &Graph, shot: &str, text: &str) -> Result<(NodeId, Arc<str>), String> {
    let form = || format!("'{text}' is no matte: write STAGE.CHANNEL, such as roto.crew");
    let (stage, channel) = text.rsplit_once('.').ok_or_else(form)?;
    let near = |word: &str, all: &mut dyn Iterator<Item = &str>, whole: &dyn Fn(&str) -> String| {
        nearest(word, all).map_or(String::new(), |near| format!("; did you mean {}?", whole(near)))
    };
    let id = graph.find(shot, stage).ok_or_else(|| {
        let mut stages = graph.nodes.iter().filter(|node| &*node.shot == shot).map(|node| &*node.stage);
        let hint = near(stage, &mut stages, &|near| format!("{near}.{channel}"));
        format!("'{text}': {shot} has no stage '{stage}'{hint}")
    })?;
    let channels = &graph.nodes[id].channels;
    let named = channels.iter().find(|c| ***c == *channel).ok_or_else(|| {
        let hint = near(channel, &mut channels.iter().map(|c| &**c), &|near| format!("{stage}.{near}"));
        format!("'{text}': {shot}/{stage} has no channel '{channel}'{hint}")
    })?;
    Ok((id, Arc::clone(named)))
}
