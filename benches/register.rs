//! Times the registration of one frame of a take on one thread: `cargo bench --bench register`.
//!
//! Prints milliseconds, the median of five: a frame made ready, laid against the clean plate, and what is left measured. With
//! `ENDBOARD_PYTHON` naming a Python that has OpenCV, its enhanced correlation for shift and turn is timed between two runs of
//! ours, over the size that ours looks at.

mod clock;
mod picture;

use clock::{beside_opencv, median};
use endboard::operators::image::register::align::Model;
use endboard::operators::image::register::light::Light;
use endboard::operators::image::register::{left, placed};

const SIZE: (usize, usize) = (1920, 1080);

fn main() {
    let clean = picture::waves(SIZE.0 as u32, SIZE.1 as u32, 1);
    let take = picture::waves(SIZE.0 as u32, SIZE.1 as u32, 2);
    let ours = || {
        let ready = median(5, || drop(std::hint::black_box(Light::of(&take, &[]))));
        let (clean, take) = (Light::of(&clean, &[]), Light::of(&take, &[]));
        let laid = |turns: bool| {
            median(5, || {
                std::hint::black_box(placed(&clean, &take, Model { turns }));
            })
        };
        let rest = median(5, || {
            std::hint::black_box(left(&clean, &take, [0.1, 0.2, 0.0, 0.0], [0.0; 2]));
        });
        [
            ("a frame made ready", ready),
            ("laid against the clean plate, shift", laid(false)),
            ("laid against the clean plate, shift, turn and size", laid(true)),
            ("what is left", rest),
        ]
    };
    beside_opencv(SIZE, "register_check.py", ours, |name| format!("OpenCV: {name}"));
}
