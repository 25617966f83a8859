//! Times `paint-out` on one thread: `cargo bench --bench paint_out`.
//!
//! Prints milliseconds (the least of five) for seams of holes in a 1920x1080 frame and for filling in; with ENDBOARD_PYTHON,
//! SciPy's direct solution of the same equations beside them.

mod clock;

use clock::{least, peers};
use endboard::operators::image::paint_out::around;
use endboard::operators::image::paint_out::field::Pixel;
use endboard::operators::image::paint_out::seam::{self, Role};

fn chance(i: usize) -> f32 {
    let mut h = (i as u32).wrapping_mul(0x9E37_79B1);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    (h ^ (h >> 12)) as f32 / u32::MAX as f32
}

fn main() {
    for (side, margin) in [(400usize, 150usize), (800, 140)] {
        let width = side + 2 * margin;
        let plane = |salt: usize| -> Vec<Pixel> {
            (0..width * width).map(|i| [0, 1, 2, 3].map(|c| chance(4 * i + c + salt))).collect()
        };
        let (picture, fill) = (plane(0), plane(77));
        let inside = |i: usize| i >= margin && i < margin + side;
        let role = |i: usize| if inside(i % width) && inside(i / width) { Role::Hole } else { Role::Known };
        let roles: Vec<Role> = (0..width * width).map(role).collect();
        let ms = least(|| {
            let mut out = fill.clone();
            seam::join(&picture, std::hint::black_box(&mut out), &roles, width);
        });
        println!("{ms:10.2}  paint-out: seam of {side}x{side}, four channels, one thread, ms");
    }
    for ms in peers("paint_check.py", &["time"]).lines() {
        println!("{ms:>10}  SciPy: the same seam of 400x400, three channels, direct solution, ms");
    }
    for side in [40usize, 120, 400] {
        let width = side + 300;
        let light = |i: usize| {
            let (x, y) = (i % width, i / width);
            let plank = 0.2 + 0.1 * ((x + y / 3) / 24 % 3) as f32;
            [0, 1, 2, 3].map(|c| if c == 3 { 1.0 } else { plank + 0.02 * chance(4 * i + c) })
        };
        let picture: Vec<Pixel> = (0..width * width).map(light).collect();
        let inside = |i: usize| i >= 150 && i < 150 + side;
        let role = |i: usize| if inside(i % width) && inside(i / width) { Role::Hole } else { Role::Known };
        let roles: Vec<Role> = (0..width * width).map(role).collect();
        let ms = least(|| {
            let mut out = picture.clone();
            around::fill(&picture, std::hint::black_box(&mut out), &roles, width, 1);
        });
        println!("{ms:10.2}  paint-out: filling in {side}x{side} from within 150 px, one thread, ms");
    }
}
