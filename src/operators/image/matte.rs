//! The one plane that an input stands for where a matte is wanted.
//!
//! Knows channel picking and size checks. Does not know what a matte is used for.

use crate::media::image::Image;
use crate::operators::{Connected, OperatorError};

/// The channel of an input's image that stands for a matte, checked against the size wanted: the one that was picked, or a
/// picture's alpha.
///
/// # Errors
/// When the image has no such channel or another size.
pub fn channel(
    connected: &Connected,
    image: &Image,
    (width, height): (u32, u32),
) -> Result<usize, OperatorError> {
    if (image.width(), image.height()) != (width, height) {
        return Err(OperatorError::WrongInput(format!(
            "a matte of {}x{} pixels does not fit a picture of {width}x{height}",
            image.width(),
            image.height()
        )));
    }
    let name = match &connected.channels[..] {
        [one] => &**one,
        _ => "A",
    };
    match image.channel(name) {
        Some(channel) => Ok(channel),
        None if image.channels().len() == 1 => Ok(0),
        None => Err(OperatorError::WrongInput(format!("the matte has no channel '{name}'"))),
    }
}

/// The matte of an input as 32-bit samples, checked against the size wanted: the channel that was picked, or a
/// picture's alpha. Values are held between 0 and 1 and NaN counts as 0.
///
/// # Errors
/// When the image has no such channel or another size.
pub fn plane(connected: &Connected, image: &Image, size: (u32, u32)) -> Result<Vec<f32>, OperatorError> {
    let channel = channel(connected, image, size)?;
    let mut samples = image.plane_f32(channel);
    hold(&mut samples);
    Ok(samples)
}

/// Holds samples of a matte between 0 and 1; NaN counts as 0.
pub fn hold(samples: &mut [f32]) {
    // NaN loses every comparison, so it ends as 0.
    samples.iter_mut().for_each(|s| *s = if *s > 0.0 { s.min(1.0) } else { 0.0 });
}
