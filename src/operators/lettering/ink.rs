//! Masks laid over pictures.
//!
//! Knows levels of grey, which are grey in any working space, and premultiplied light. Does not know what is drawn.

use crate::media::image::Image;
use crate::operators::shape::coverage::{Mask, Window};

/// The window of a whole picture.
pub fn whole(image: &Image) -> Window {
    Window { x: 0, y: 0, width: image.width() as usize, height: image.height() as usize }
}

/// Lays a grey of this level over the picture where the mask covers (over, Porter & Duff 1984).
pub fn lay(image: &mut Image, mask: &Mask, level: f32) {
    change(image, mask.window, |channel, x, y, value| {
        let share = mask.row(y)[x];
        let ink = if channel == 3 { 1.0 } else { level };
        value * (1.0 - share) + ink * share
    });
}

/// Lays black of this opacity over a part of the picture, whose light is first held to 1, so that what is written on it
/// can be read on the brightest picture too.
pub fn darken(image: &mut Image, window: Window, opacity: f32) {
    change(image, window, |channel, _, _, value| match channel {
        3 => value * (1.0 - opacity) + opacity,
        _ => value.clamp(0.0, 1.0) * (1.0 - opacity),
    });
}

/// Puts every value of a window that lies in the picture through `new`: channel, column and row in the window, old value.
fn change(image: &mut Image, window: Window, new: impl Fn(usize, usize, usize, f32) -> f32) {
    let mut row = vec![0.0; image.width() as usize];
    let inside = whole(image).touched(window.sides());
    let (left, top) = ((inside.x - window.x) as usize, (inside.y - window.y) as usize);
    for channel in 0..image.channels().len() {
        for y in 0..inside.height {
            let at = (inside.y + y as i64) as u32;
            image.read_row(channel, at, &mut row);
            for (x, value) in row[inside.x as usize..][..inside.width].iter_mut().enumerate() {
                *value = new(channel, left + x, top + y, *value);
            }
            image.write_row(channel, at, &row);
        }
    }
}
