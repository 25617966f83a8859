//! A hole filled in from what lies around it, patch by patch, coarse to fine.
//!
//! Knows the order of the work. Scenes at each fineness are `scene`'s, finding patches is `search`'s.
//!
//! The fill is one in which every patch of 7 by 7 pixels that touches the hole looks like some patch of the picture outside:
//! Wexler, Shechtman & Irani, "Space-Time Completion of Video" (IEEE Trans. PAMI 2007), in the form of Newson, Almansa,
//! Gousseau & Pérez, "Non-Local Patch-Based Image Inpainting" (Image Processing On Line 2017): a pyramid; at its coarsest
//! grid the hole is peeled from its edge inwards; then patches are looked up (Barnes, Shechtman, Finkelstein & Goldman,
//! "PatchMatch", SIGGRAPH 2009) and vote for the pixels they cover, in turns; patches are compared with a feature of texture
//! beside colour; at last every pixel is copied from its best patch, so that nothing is blurred and grain comes along. Patches
//! are compared by the square roots of light. Chance comes from the seed alone.

mod scene;
mod search;

use super::field::Pixel;
use super::seam::{Role, neighbours};
use scene::Scene;
use search::{Match, NONE};

/// The coarsest grid has sides no longer than this, in pixels.
const COARSEST: usize = 64;
/// Turns of looking up and voting at the finest grid, the next, and all coarser ones.
const TURNS: [usize; 3] = [2, 4, 8];

/// Fills the hole of `roles` in `pixels`, rows of `width`. Gives for every pixel of the hole the place that it is copied from;
/// none when nothing around is large enough to copy from.
pub fn sources(pixels: &[Pixel], roles: &[Role], width: usize, seed: i64) -> Option<Vec<usize>> {
    let mut scenes = vec![Scene::finest(pixels, roles, width)];
    loop {
        let last = &scenes[scenes.len() - 1];
        let coarser = last.coarser();
        if last.width.max(last.height()) <= COARSEST || !coarser.is_enough() {
            break;
        }
        scenes.push(coarser);
    }
    if !scenes[scenes.len() - 1].is_enough() {
        return None;
    }
    let coarsest = scenes.len() - 1;
    let mut found: Option<Match> = None;
    for depth in (0..=coarsest).rev() {
        let scene = &mut scenes[depth];
        let chance = (seed as u64) << 8 | depth as u64;
        let mut here = match found {
            None => {
                search::peel(scene);
                Match::anywhere(scene, chance)
            }
            Some(coarse) => coarse.finer(scene, chance),
        };
        if depth < coarsest {
            search::vote(scene, &here);
        }
        for turn in 0..TURNS[depth.min(TURNS.len() - 1)] {
            here.improve(scene, chance ^ (turn as u64) << 40);
            search::vote(scene, &here);
        }
        if depth == 0 {
            here.improve(scene, chance ^ 1 << 60);
        }
        found = Some(here);
    }
    let found = found?;
    let hole = roles.iter().enumerate().filter(|(_, role)| **role == Role::Hole);
    let mut out = vec![usize::MAX; roles.len()];
    for (at, _) in hole {
        debug_assert_ne!(found.best[at], NONE);
        out[at] = found.best[at] as usize;
    }
    Some(out)
}

/// Fills the hole of `roles` in `fill` by copying within `pixels`, and gives known pixels beside the hole what the same
/// copying would have put there, which is what a seam needs. When there is nothing to copy it says so, and
/// the fill is black throughout, of which a seam makes a smooth membrane.
pub fn fill(pixels: &[Pixel], fill: &mut [Pixel], roles: &[Role], width: usize, seed: i64) -> bool {
    let Some(sources) = sources(pixels, roles, width, seed) else {
        fill.fill([0.0; 4]);
        return false;
    };
    let mut shown = vec![([0.0f32; 4], 0.0f32); roles.len()];
    for at in (0..roles.len()).filter(|&at| roles[at] == Role::Hole) {
        fill[at] = pixels[sources[at]];
        for near in neighbours(at, width, roles.len()).filter(|&near| roles[near] == Role::Known) {
            // Patches lie wholly inside, so the pixel beside a source is one that there is.
            let there = pixels[sources[at] + near - at];
            let (sum, count) = &mut shown[near];
            (0..4).for_each(|c| sum[c] += there[c]);
            *count += 1.0;
        }
    }
    for (fill, (sum, count)) in fill.iter_mut().zip(shown) {
        if count > 0.0 {
            *fill = sum.map(|s| s / count);
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stripes with a period of 9 pixels across, seen at an angle.
    fn stripes(width: usize, height: usize) -> Vec<Pixel> {
        let light = |i: usize| if (i % width + 2 * (i / width)) % 9 < 4 { 0.6 } else { 0.1 };
        (0..width * height).map(|i| [light(i), 0.3, 0.5 * light(i), 1.0]).collect()
    }

    fn square(width: usize, height: usize, x: usize, y: usize, side: usize) -> Vec<Role> {
        (0..width * height)
            .map(|i| {
                let inside = (x..x + side).contains(&(i % width)) && (y..y + side).contains(&(i / width));
                if inside { Role::Hole } else { Role::Known }
            })
            .collect()
    }

    #[test]
    fn stripes_go_on_through_the_hole() {
        let (width, height) = (120, 90);
        let truth = stripes(width, height);
        for (x, y) in [(50, 30), (96, 40), (0, 66)] {
            let roles = square(width, height, x, y, 24);
            let holed: Vec<Pixel> =
                truth.iter().zip(&roles).map(|(p, r)| if *r == Role::Hole { [9.0; 4] } else { *p }).collect();
            let mut filled = holed.clone();
            fill(&holed, &mut filled, &roles, width, 1);
            let wrong = (0..truth.len()).filter(|&i| roles[i] == Role::Hole && filled[i] != truth[i]).count();
            assert!(wrong <= 6, "hole at {x}, {y}: {wrong} of 576 pixels differ");
        }
    }

    #[test]
    fn the_seed_alone_decides() {
        let truth = stripes(80, 60);
        let roles = square(80, 60, 30, 20, 16);
        assert_eq!(sources(&truth, &roles, 80, 3), sources(&truth, &roles, 80, 3));
        assert_ne!(sources(&truth, &roles, 80, 3), sources(&truth, &roles, 80, 4));
    }

    #[test]
    fn without_anything_to_copy_there_is_a_membrane() {
        let pixels = vec![[0.5; 4]; 8 * 8];
        let roles = square(8, 8, 2, 2, 4);
        let mut filled = pixels.clone();
        fill(&pixels, &mut filled, &roles, 8, 1);
        crate::operators::image::paint_out::seam::join(&pixels, &mut filled, &roles, 8);
        assert!((filled[3 * 8 + 3][0] - 0.5).abs() < 1e-5);
    }
}
