//! Rods of a shot: their strokes on all frames, the way of each, and where it settles.
//!
//! Knows what is done for all frames at once and how much room frames take. How rods are found is `operators::track::blade`'s.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::follow::Wish;
use crate::base::frames::FrameRange;
use crate::operators::track::blade::{Looks, Mark, Scene, Search, Stroke, Way};
use crate::operators::track::course::Track;
use crate::operators::track::sheet::Thing;
use crate::project::frames::LookError;

/// Bytes that all frames of a shot may take in which rods are looked for: some four hundred frames of 1920x1080.
pub const ROOM: usize = 1 << 30;

/// Fails where the frames of a range take more than [`ROOM`], by those that are there already.
pub fn room(looks: &Looks, frames: FrameRange) -> Result<(), LookError> {
    let one = looks.bytes() / looks.len().max(1);
    if one * frames.len() <= ROOM {
        return Ok(());
    }
    let most = (ROOM / one.max(1)) as i64;
    let part = FrameRange::new(frames.first, frames.first + most - 1);
    Err(LookError::Words(format!(
        "{} frames in which a blade is looked for take {} MiB, more than the {} MiB that there is room for; find it in parts, \
         such as on {part}, each with a key of its own",
        frames.len(),
        (one * frames.len()) >> 20,
        ROOM >> 20
    )))
}

/// Looks for rods on all frames.
pub fn found(
    scene: &Arc<Scene>,
    rods: &[&Thing<4>],
    wish: &Wish,
    progress: &(dyn Fn(usize) + Sync),
) -> Result<Vec<Track<4>>, LookError> {
    let all: Vec<i64> = wish.frames.iter().collect();
    let count = AtomicUsize::new(0);
    let mut searches = Vec::new();
    for rod in rods {
        let words = format!("rod {} does not stand out of what is beside it at any of its keys", rod.name);
        let nothing = || LookError::Words(words.clone());
        let hand = rod.keys.iter().filter(|key| key.sure.is_none()).copied().collect();
        let search = Search::new(Arc::clone(scene), wish.frames, hand).ok_or_else(nothing)?;
        let mark = search.mark().ok_or_else(nothing)?;
        let strokes: Vec<Vec<Stroke>> = all
            .par_iter()
            .map(|&frame| {
                let strokes = search.strokes(&mark, frame);
                progress(count.fetch_add(1, Ordering::Relaxed) + 1);
                strokes
            })
            .collect();
        searches.push((search, mark, strokes));
    }
    let mut ways: Vec<(usize, Way, f64)> = Vec::new();
    for (i, (search, _, strokes)) in searches.iter().enumerate() {
        let (way, worth) = search.route(strokes, &[]);
        ways.push((i, way, worth));
    }
    // Of two rods that want the same strokes the one with more to speak for it has them.
    ways.sort_by(|a, b| b.2.total_cmp(&a.2));
    for i in 1..ways.len() {
        let (first, rest) = ways.split_at_mut(i);
        let others: Vec<&Way> = first.iter().map(|(_, way, _)| way).collect();
        let (search, _, strokes) = &searches[rest[0].0];
        rest[0].1 = search.route(strokes, &others).0;
    }
    ways.sort_by_key(|way| way.0);
    let settle = |((search, mark, _), (_, way, _)): (&(Search, Mark, _), (_, Way, _))| {
        settled(search, mark, way, &all, wish)
    };
    Ok(searches.iter().zip(ways).map(settle).collect())
}

/// Places of a rod along its way.
fn settled(search: &Search, mark: &Mark, mut way: Way, all: &[i64], wish: &Wish) -> Track<4> {
    let settle =
        |way: &Way| all.par_iter().map(|&frame| search.settled(mark, way, frame)).collect::<Vec<_>>();
    // Settled places tell better how fast the rod moves, and so how wide its fans are.
    for (stroke, settled) in
        way.clone().into_iter().zip(settle(&way)).enumerate().filter_map(|(i, (s, p))| Some(((i, s?), p?)))
    {
        let (i, stroke) = stroke;
        if settled.sure > 0.5 {
            way[i] = Some(Stroke { ends: settled.ends, ..stroke });
        }
    }
    search.finish(&settle(&way), wish.threshold)
}

#[cfg(test)]
mod tests;
