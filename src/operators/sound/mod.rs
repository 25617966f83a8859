//! Sound: what is done to samples, one kind of work a file, and the stages from cues to the mix.
//!
//! Knows samples, blocks and numbers. Does not know files, nor how cues are written down.

pub mod blocks;
pub mod bus;
pub mod cue;
pub mod dynamics;
pub mod filter;
pub mod filters;
pub mod law;
pub mod limit;
pub mod loudness;
pub mod master;
pub mod peak;
pub mod place;
pub mod resample;
pub mod reverb;
pub mod run;
pub mod voice;

use std::sync::Arc;

use super::{OperatorError, Spec};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::media::sound::Sound;

/// A stage of sound, ready to compute. Its frames are blocks.
pub trait PreparedSound: Send + Sync {
    /// Calls `visit` for each connected input that a block needs, in rising order, with the blocks of it.
    fn each_reach(&self, block: i64, visit: &mut dyn FnMut(usize, FrameRange));

    /// Feeds the settings as evaluated in a block into the key: whatever may change its samples, and nothing else.
    fn at(&self, block: i64, key: &mut KeyHasher);

    /// Computes one block from its inputs' blocks, those of each input in rising order.
    ///
    /// # Errors
    /// An input is not as it was promised.
    fn apply(&self, inputs: &[Heard], block: i64) -> Result<Sound, OperatorError>;
}

/// Blocks of one input by their numbers.
pub type Heard = Vec<(i64, Arc<Sound>)>;

/// What settings of sound are called and take: of a cue, a voice, a bus, and the mix.
pub fn specs() -> [&'static Spec; 4] {
    [&cue::SPEC, &voice::SPEC, &bus::SPEC, &master::SPEC]
}
