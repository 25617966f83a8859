//! A correction within a matte.
//!
//! Knows how a correction is mixed with what came to it. Does not know what the correction does to colour.

use half::f16;

use crate::base::digest::KeyHasher;
use crate::base::level::{Level, kernel};
use crate::operators::colour::block::{BLOCK, from_half};
use crate::operators::colour::chain::Chain;
use crate::operators::image::matte;

/// Steps within a matte.
#[derive(Clone, Debug)]
pub struct Limited {
    /// The connected input of the matte.
    pub input: usize,
    /// Whether it is what the matte leaves out that changes.
    pub elsewhere: bool,
    /// Share of the change that is kept.
    pub amount: f32,
    /// The change.
    pub steps: Chain,
}

impl Limited {
    /// Feeds every number that may change a pixel into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.input as i64).flag(self.elsewhere).real(self.amount.into());
        self.steps.feed(key);
    }

    /// Changes samples whose matte begins with `matte`. `spare` is overwritten.
    pub fn apply(&self, level: Level, planes: [&mut [f32]; 3], matte: &[f16], spare: &mut [[f32; BLOCK]; 4]) {
        let n = planes[0].len();
        let [x, y, z, share] = spare.each_mut().map(|plane| &mut plane[..n]);
        from_half(&matte[..n], share);
        matte::hold(share);
        weigh(level, share, self.elsewhere, self.amount);
        if share.iter().all(|&m| m == 0.0) {
            return;
        }
        for (to, from) in [&mut *x, &mut *y, &mut *z].into_iter().zip(&planes) {
            to.copy_from_slice(from);
        }
        self.steps.apply(level, [&mut *x, &mut *y, &mut *z]);
        for (under, over) in planes.into_iter().zip([x, y, z]) {
            mix(level, under, over, share);
        }
    }
}

kernel! {
    fn weigh(share: &mut [f32], elsewhere: bool, amount: f32) {
        for m in share {
            *m = amount * if elsewhere { 1.0 - *m } else { *m };
        }
    }
}

kernel! {
    /// Where nothing or all is changed one side alone counts, so that a NaN which is not to be seen is not.
    fn mix(under: &mut [f32], over: &[f32], share: &[f32]) {
        for ((u, o), m) in under.iter_mut().zip(over).zip(share) {
            let mixed = *o * *m + *u * (1.0 - *m);
            *u = if *m == 0.0 { *u } else if *m == 1.0 { *o } else { mixed };
        }
    }
}
