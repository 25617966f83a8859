//! Times EXR writing and reading of one 1920 x 1080 half RGBA frame, one thread, and prints milliseconds.
//!
//! Writing ends with a file and reading begins with it, as the reference libraries' do. Does not compare: set its figures
//! beside theirs of the same run.

mod picture;

use std::fs;
use std::time::Instant;

use endboard::media::exr::{Compression, decode, decode_image, encode};

const WIDTH: u32 = 1920;
const HEIGHT: u32 = 1080;

fn main() {
    let image = picture::waves(WIDTH, HEIGHT, 0);
    let folder = tempfile::tempdir().expect("a temporary folder");
    println!("{WIDTH}x{HEIGHT}, half RGBA, one thread, median ms of 9");
    for (name, compression) in
        [("zip", Compression::Zip), ("zips", Compression::Zips), ("none", Compression::None)]
    {
        let path = folder.path().join(format!("{name}.exr"));
        let file = || fs::read(&path).expect("the file just written");
        let new = || encode(&image, compression, &[]).expect("a valid image");
        row(name, "write half", || fs::write(&path, new()).expect("a writable folder"));
        row(name, "read to half", || decode_image(&file()).expect("own file"));
        row(name, "read to float", || decode(&file()).expect("own file"));
        println!("{:10.0}  exr {name}: size KiB", file().len() as f64 / 1024.0);
    }
}

fn row<T>(name: &str, what: &str, mut run: impl FnMut() -> T) {
    let mut times: Vec<f64> = (0..10)
        .map(|_| {
            let start = Instant::now();
            std::hint::black_box(run());
            start.elapsed().as_secs_f64() * 1e3
        })
        .skip(1)
        .collect();
    times.sort_by(f64::total_cmp);
    println!("{:10.2}  exr {name}: {what}", times[times.len() / 2]);
}
