//! The shadow of a take: how much darker it is than the clean plate where its figure is not.
//!
//! Knows quotients of averages. Does not know how a take is moved, nor figures.
//!
//! Both pictures are averaged by a Gaussian over what is outside of the matte and seen in both (normalised convolution;
//! Knutsson & Westin, "Normalized and Differential Convolution", CVPR 1993), so that no light of the figure comes in and
//! grain goes, and then one average is divided by the other.

use super::patch::{Part, Patch};
use crate::operators::image::gaussian;

/// A shadow by which the set is multiplied.
pub struct Shadow {
    /// Where it lies.
    pub part: Part,
    /// Factors on red, green and blue, row by row.
    pub factors: Vec<[f32; 3]>,
}

/// How a shadow is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// How much of it is kept.
    pub kept: f32,
    /// Standard deviation of the averages, in pixels.
    pub soften: f64,
    /// The darkest factor.
    pub least: f32,
    /// The brightest factor: 1 when only shadows are kept.
    pub most: f32,
    /// Difference that is noise.
    pub slack: f32,
}

/// Light below which a quotient means nothing.
const DARK: f32 = 1e-5;
/// Share of pixels around that must be outside of the matte for an average to count in full.
const ENOUGH: f32 = 0.1;

/// The shadow of a take over the clean plate's pixels of the same part.
pub fn shadow(patch: &Patch, clean: &[[f32; 4]], rules: &Rules) -> Shadow {
    let (width, height) = patch.part.size();
    let blur = |plane: &[f32]| gaussian::blur(plane, width, height, rules.soften);
    // A figure that something stands before was in the take's picture all the same.
    let figure = patch.figure.as_ref().unwrap_or(&patch.matte);
    let mut weights = Vec::with_capacity(clean.len());
    for (i, y) in patch.part.rows.clone().enumerate() {
        for (j, x) in patch.part.columns.clone().enumerate() {
            let at = i * width + j;
            let is_sound = |p: &[f32; 4]| p.iter().all(|v| v.is_finite());
            let counts = patch.warp.shows(x, y) && is_sound(&patch.pixels[at]) && is_sound(&clean[at]);
            weights.push(if counts { 1.0 - figure[at] } else { 0.0 });
        }
    }
    let share = blur(&weights);
    let mut factors = vec![[1.0; 3]; clean.len()];
    for channel in 0..3 {
        let weighed = |pixels: &[[f32; 4]]| -> Vec<f32> {
            let both = pixels.iter().zip(&weights);
            both.map(|(p, w)| if *w > 0.0 { p[channel].max(0.0) * w } else { 0.0 }).collect()
        };
        let (over, under) = (blur(&weighed(&patch.pixels)), blur(&weighed(clean)));
        for (at, factor) in factors.iter_mut().enumerate() {
            let floor = patch.floor[at];
            if floor <= 0.0 || share[at] <= 0.0 {
                continue;
            }
            let quotient = (over[at] + DARK) / (under[at] + DARK);
            // What hardly any pixel outside of the matte tells of is as good as unknown.
            let told = (share[at] / ENOUGH).min(1.0);
            let kept = without_noise(quotient, rules.slack).clamp(rules.least, rules.most);
            let factor = &mut factor[channel];
            *factor = (1.0 + (kept - 1.0) * floor * told * rules.kept).clamp(rules.least, rules.most);
        }
    }
    Shadow { part: patch.part.clone(), factors }
}

/// A quotient whose difference from 1 is taken for nothing up to `slack`, and in full from twice that on.
fn without_noise(quotient: f32, slack: f32) -> f32 {
    let away = (quotient - 1.0).abs();
    match away {
        _ if away.is_nan() || away <= slack => 1.0,
        _ if away < 2.0 * slack => 1.0 + (quotient - 1.0).signum() * 2.0 * (away - slack),
        _ => quotient,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_differences_are_noise_and_none_jumps() {
        assert_eq!(without_noise(0.99, 0.02), 1.0);
        assert_eq!(without_noise(0.5, 0.02), 0.5);
        assert_eq!(without_noise(f32::NAN, 0.02), 1.0);
        let steps: Vec<f32> = (0..1000).map(|i| without_noise(0.9 + i as f32 * 2e-4, 0.02)).collect();
        assert!(steps.windows(2).all(|w| w[1] >= w[0] && w[1] - w[0] < 5e-4));
    }
}
