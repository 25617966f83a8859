//! The demo film, *The Brine Lamp*: a duel with glass poles in a salt works at night.
//!
//! Knows how to make its plates, sounds and shapes, bit for bit the same on every run. Does not
//! write files and prints nothing: callers take pixels, samples and text.

mod body;
mod camera;
mod figure;
mod film;
mod frame;
mod haze;
mod light;
mod math;
mod moves;
mod noise;
mod plates;
mod pole;
mod pose;
mod set;
mod shadow;
mod sight;
mod surface;
mod timber;

pub use frame::frame;
pub use plates::{Carrier, DemoPlate, plates};
