//! Times reading the declaration of a feature film: 2,000 shots of six stages, half of them with settings of
//! their own, and prints milliseconds for the YAML alone and for all of it.
//!
//! Knows a made-up declaration. Does not know what anybody else's reader takes.

mod clock;

use std::fmt::Write;

use clock::row;
use endboard::base::problem::Sources;
use endboard::base::yaml;
use endboard::declare;

const SHOTS: usize = 2_000;

const RECIPE: &str = r#"
recipe: duel
stages:
  roto: { operator: roto, shapes: "roto/{shot}.yaml" }
  cleanup: { by_hand: { files: "hands/{shot}/cleanup.####.exr" }, from: { picture: plate } }
  blades: { operator: blades, from: { picture: cleanup, shapes: roto, holdout: roto.actors }, keeper: { colour: amber, width: 7 } }
  denoise: { command: "python3 tools/denoise.py {picture} {out} {strength}", each: frame, reach: 1, with: { strength: 0.5 }, from: { picture: blades } }
  colour: { operator: grade, from: { picture: denoise }, exposure: { 1009: 0, 1020: 0.4, ease: smooth } }
  print: { operator: grade, from: { picture: colour }, exposure: 0.1 }
"#;

fn main() {
    let main = declaration();
    println!("{SHOTS} shots of 6 stages, {} KiB of YAML, median ms of 9", main.len() / 1024);
    let mut sources = Sources::new();
    let id = sources.add("endboard.yaml", main.as_str());
    row(9, "YAML alone", || yaml::parse(id, &main).1.len());
    row(9, "the whole declaration", || {
        let (film, problems) = declare::read(&mut sources, id, &mut |_| Ok(RECIPE.to_string()));
        assert!(problems.is_empty(), "{problems:?}");
        film.expect("a sound film").shots.len()
    });
}

fn declaration() -> String {
    let mut out = String::from("film: The Brine Lamp\nrate: 24\nframe_size: 2048x1080\nhandles: 8\n");
    out.push_str("recipes: [pipelines/duel.yaml]\nacross:\n");
    for i in 0..10 {
        writeln!(out, "  \"s?{i}*\": {{ colour: {{ saturation: 1.{i} }} }}").expect("room for text");
    }
    out.push_str("plates:\n");
    for i in 0..SHOTS {
        writeln!(out, "  p{i:04}: {{ files: plates/p{i:04}.####.exr, frames: 1001-1600 }}")
            .expect("room for text");
    }
    out.push_str("shots:\n");
    for i in 0..SHOTS {
        writeln!(out, "  s{i:04}:\n    plate: p{i:04}\n    frames: 1009-1508\n    recipe: duel")
            .expect("room");
        if i % 2 == 0 {
            writeln!(
                out,
                "    roto: {{ shapes: roto/own-{i}.yaml }}\n    colour: {{ cdl: grades/s{i:04}.cdl }}"
            )
            .expect("room for text");
        }
    }
    out
}
