//! The planes of a picture among an image's.
//!
//! Knows their names. Does not know what is done with them.

use crate::media::image::{Image, RGBA};
use crate::operators::OperatorError;

/// Where an image has its red, green, blue and alpha.
///
/// # Errors
/// When it lacks one, which is named.
pub fn planes(image: &Image) -> Result<[usize; 4], OperatorError> {
    let mut found = [0; 4];
    for (at, name) in found.iter_mut().zip(RGBA) {
        let lacks = || OperatorError::WrongInput(format!("a picture lacks its channel '{name}'"));
        *at = image.channel(name).ok_or_else(lacks)?;
    }
    Ok(found)
}

/// A picture of the same pixels, with the four planes of one and no other.
///
/// # Errors
/// As of [`planes`].
pub fn copy(image: &Image) -> Result<Image, OperatorError> {
    let mut out = Image::new(image.width(), image.height(), &RGBA);
    for (to, from) in planes(image)?.into_iter().enumerate() {
        out.samples_mut(to).copy_from_slice(&image.channels()[from].samples);
    }
    Ok(out)
}
