//! The demo film, *The Brine Lamp*: a duel with glass poles in a salt works at night.
//!
//! Knows how to make its plates, sounds and shapes, bit for bit the same on every run. Does not
//! write files and prints nothing: callers take pixels, samples and text.

mod body;
mod by_hand;
mod camera;
mod cloth;
mod figure;
mod film;
mod footprint;
mod frame;
mod gamut;
mod gloss;
mod groups;
mod haze;
mod head;
mod hidden;
mod keys;
mod light;
mod math;
mod moves;
mod noise;
mod outline;
mod plates;
mod pole;
mod pose;
mod ramp;
mod set;
mod shadow;
mod shapes;
mod sight;
mod smear;
mod sounds;
mod story;
mod strays;
mod surface;
mod timber;

pub use by_hand::{BY_HAND, HandWork, figure};
pub use frame::frame;
pub use outline::again;
pub use plates::{Carrier, DemoPlate, plates};
pub use ramp::shown;
pub use shapes::{hidden, rods, shapes_file};
pub use sounds::{DemoSound, SAMPLE_RATE, sounds};
pub use story::{DemoShot, SHOTS, cut_file, look_file};
