//! What a stage makes: a picture, or a piece of sound.
//!
//! Knows what both have in common: a digest of what is seen or heard, and how much memory it takes.

use std::sync::Arc;

use super::image::{Image, ImageDigest};
use super::sound::Sound;

/// One frame of a stage, or one block of a stage of sound.
#[derive(Clone, Debug, PartialEq)]
pub enum Render {
    /// A picture, or mattes.
    Picture(Arc<Image>),
    /// Sound.
    Sound(Arc<Sound>),
}

impl From<Image> for Render {
    fn from(image: Image) -> Self {
        Self::Picture(Arc::new(image))
    }
}

impl From<Sound> for Render {
    fn from(sound: Sound) -> Self {
        Self::Sound(Arc::new(sound))
    }
}

impl Render {
    /// Digest of its pixels and planes, or of its samples.
    pub fn digest(&self) -> ImageDigest {
        match self {
            Self::Picture(image) => image.digest(),
            Self::Sound(sound) => ImageDigest { whole: sound.digest(), planes: Vec::new() },
        }
    }

    /// Bytes of memory.
    pub fn bytes(&self) -> usize {
        match self {
            Self::Picture(image) => image.bytes(),
            Self::Sound(sound) => 4 * sound.channels.len() * sound.len(),
        }
    }

    /// The picture, if it is one.
    pub fn picture(&self) -> Option<&Arc<Image>> {
        match self {
            Self::Picture(image) => Some(image),
            Self::Sound(_) => None,
        }
    }

    /// The sound, if it is some.
    pub fn sound(&self) -> Option<&Arc<Sound>> {
        match self {
            Self::Sound(sound) => Some(sound),
            Self::Picture(_) => None,
        }
    }
}
