//! The README's own film, as a reader would make it: files as written there, then the steps.
//!
//! Knows how the README marks files. What the film holds is the README's.

mod project;

use project::Film;

const SIZE: (u32, u32) = (160, 90);

/// Texts of the README's steps by path: each stands in the first fence after **Write `PATH`**.
fn files() -> Vec<(String, String)> {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap();
    let part = text.split_once("\n## Your own five-shot film\n").expect("the example's part").1;
    let part = part.split("\n## ").next().unwrap();
    let mut files = Vec::new();
    for rest in part.split("**Write `").skip(1) {
        let (path, rest) = rest.split_once('`').expect("the end of a path");
        let fence = rest.split_once("   ```").expect("a fence").1.split_once('\n').unwrap().1;
        let body = fence.split_once("   ```").expect("the fence's end").0;
        let lines = body.lines().map(|line| format!("{}\n", line.strip_prefix("   ").unwrap_or(line)));
        files.push((path.to_string(), lines.collect()));
    }
    files
}

/// A grey picture with a brighter square, as an 8-bit PNG file.
fn png(place: u32) -> Vec<u8> {
    let pixel = |i: u32| if (i % SIZE.0).abs_diff(40 + place) < 9 { [180u8, 150, 90] } else { [60, 64, 70] };
    let pixels: Vec<u8> = (0..SIZE.0 * SIZE.1).flat_map(pixel).collect();
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, SIZE.0, SIZE.1);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.write_header().unwrap().write_image_data(&pixels).unwrap();
    out
}

fn film() -> Film {
    let film = Film::new();
    for (path, text) in files() {
        film.write(&path, text);
    }
    for plate in 1..=5 {
        for frame in 1001..=1012 {
            film.write(&format!("plates/p{plate}/p{plate}.{frame}.png"), png(plate * 9 + frame - 1001));
        }
    }
    film
}

fn renders(film: &Film, place: &str) -> usize {
    film.renders().keys().filter(|path| path.starts_with(place)).count()
}

#[test]
fn the_readmes_film_checks_and_rebuilds_as_the_readme_says() {
    let paths: Vec<String> = files().into_iter().map(|(path, _)| path).collect();
    assert_eq!(paths, ["endboard.yaml", "roto/sh030.yaml", "tools/copy.sh"]);
    let film = film();
    let check = film.run(&["check"]);
    let said = String::from_utf8_lossy(&check.stdout).into_owned();
    assert!(check.status.success() && said.starts_with("no problems: 5 shots, 11 stages"), "{said}");

    // Everything but what waits for a person.
    film.rebuild(&[]).but_for_hands();
    assert_eq!(renders(&film, "sh030/colour"), 12);
    assert_eq!((renders(&film, "sh050/colour"), renders(&film, "film/assembly")), (0, 32));
    let said = String::from_utf8(film.run(&["status"]).stdout).unwrap();
    assert!(said.contains("next, by hand: sh050/cleanup@1001-1012"), "{said}");

    for frame in 1001..=1012 {
        film.write(&format!("hands/sh050/cleanup.{frame}.png"), png(frame - 900));
    }
    film.rebuild(&[]).well();
    assert_eq!((renders(&film, "sh050/colour"), renders(&film, "film/assembly")), (12, 40));

    // The grade of sh010, there and back.
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("exposure: 0.5", "exposure: 0.7"));
    let said = String::from_utf8(film.run(&["why", "sh010/colour@1003"]).stdout).unwrap();
    assert!(said.contains("exposure: 0.5 → 0.7"), "{said}");
    assert_eq!(film.rebuild(&[]).well().rendered.len(), 20);
    film.write("endboard.yaml", declared);
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 20));

    // A plate's frame: a person must look at what was made from it.
    film.write("plates/p5/p5.1004.png", png(99));
    let said = String::from_utf8(film.run(&["status"]).stdout).unwrap();
    assert!(said.contains("next, by hand: sh050/cleanup@1004"), "{said}");
}
