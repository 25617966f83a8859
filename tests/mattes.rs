//! A matte goes by its name in every command that looks at one, in whatever order a shapes file has them.
//!
//! Knows a small film whose shapes file names its mattes backwards, while stored pictures have their planes sorted by name.

mod project;

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use endboard::media::png;
use project::Film;
use serde_json::Value;

const SIZE: (u32, u32) = (160, 90);

/// `zed` is the left quarter, `able` the right one, `mid` a part of the middle.
const MATTES: &str = "\
mattes:
  zed: { shapes: [ { keys: { 1001: [[0, 0], [40, 0], [40, 90], [0, 90]] } } ] }
  able: { shapes: [ { keys: { 1001: [[120, 0], [160, 0], [160, 90], [120, 90]] } } ] }
  mid: { shapes: [ { keys: { 1001: [[60, 0], [100, 0], [100, 90], [60, 90]] } } ] }
";

const FILM: &str = "\
film: The Brine Lamp
rate: 24
frame_size: 160x90
working_space: linear-rec709
plates:
  shed: { files: plates/shed.####.exr, frames: 1001-1003, encoding: linear-rec709 }
shots:
  br010:
    plate: shed
    frames: 1001-1003
    stages:
      roto: { operator: roto, shapes: roto.yaml }
      push: { operator: grade, corrections: [ { matte: left, slope: [1.5, 1, 0.7] } ], from: { picture: plate, mattes: { left: roto.zed } } }
      dim: { operator: grade, slope: [0.8, 0.8, 0.8], from: { picture: plate } }
      colour: { operator: grade, from: { picture: push } }
      fix: { by_hand: { files: 'hands/{shot}.####.exr' }, from: { picture: plate, left: roto.zed, right: roto.able } }
  br020:
    plate: shed
    frames: 1001-1003
    stages:
      roto: { operator: roto, shapes: roto.yaml }
      colour: { operator: grade, from: { picture: plate } }
";

/// What a wall of salt shows, of many lights and colours everywhere.
fn light(channel: usize, x: f64, y: f64) -> f64 {
    let wave = |a: f64, b: f64| (a * x + b * y + channel as f64).sin();
    0.3 + 0.12 * wave(0.31, 0.17) * wave(-0.23, 0.41) + 0.1 * wave(0.71, -0.53) + 0.05 * wave(0.05, 0.9)
}

fn film() -> Film {
    let film = Film::new();
    film.write("endboard.yaml", FILM);
    film.write("roto.yaml", MATTES);
    for n in 1001..=1003 {
        let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
        for y in 0..SIZE.1 {
            for channel in 0..3 {
                let at = |x: u32| light(channel, f64::from(x) - (n - 1001) as f64, f64::from(y)) as f32;
                image.write_row(channel, y, &(0..SIZE.0).map(at).collect::<Vec<f32>>());
            }
            image.write_row(3, y, &[1.0; SIZE.0 as usize]);
        }
        film.write(&format!("plates/shed.{n}.exr"), exr::encode(&image, Compression::None, &[]).unwrap());
    }
    film.rebuild(&[]).well();
    film
}

/// Where a picture's grey is light, of places in the left quarter, in the middle and in the right quarter of each of its `across` fields.
fn lit(film: &Film, across: usize) -> Vec<[bool; 3]> {
    let grey = png::decode(&std::fs::read(film.path().join("x.png")).unwrap()).unwrap();
    let (width, row) = (grey.width as usize, grey.height as usize / 2);
    let field = width / across;
    let at = |field_at: usize, share: usize| {
        grey.planes[0].1[row * width + field_at * field + field * share / 8] > 0.5
    };
    (0..across).map(|i| [1, 4, 7].map(|share| at(i, share))).collect()
}

const LEFT: [bool; 3] = [true, false, false];
const MIDDLE: [bool; 3] = [false, true, false];
const RIGHT: [bool; 3] = [false, false, true];

#[test]
fn stored_planes_are_in_another_order_than_the_shapes_file() {
    let film = film();
    let bytes = std::fs::read(film.path().join("renders/br010/roto/br010.1001.exr")).unwrap();
    let image = exr::decode_image(&bytes).unwrap();
    let names: Vec<&str> = image.channels().iter().map(|c| &*c.name).collect();
    assert_eq!(names, ["able", "mid", "zed"]);
    let at = |name: &str, x: usize| image.only(name).unwrap().plane_f32(0)[40 * 160 + x];
    assert_eq!([at("zed", 20), at("zed", 140), at("able", 140), at("mid", 80)], [1.0, 0.0, 1.0, 1.0]);
}

#[test]
fn a_sheet_and_a_comparison_show_the_matte_that_is_named() {
    let film = film();
    let out = film.path().join("x.png").display().to_string();
    let more = ["--out", &out, "--unnamed", "--width", "160"];
    for (name, wanted) in [("zed", LEFT), ("able", RIGHT), ("mid", MIDDLE)] {
        let place = format!("br010/roto.{name}@1001");
        film.json(&[&["sheet", &place][..], &more].concat());
        assert_eq!(lit(&film, 1), [wanted], "{name}");
        film.json(&[&["compare", &place, "br010/roto.mid@1001", "--beside"][..], &more].concat());
        assert_eq!(lit(&film, 2), [wanted, MIDDLE], "{name}");
    }
    // As named on the command line, each once; a stage of mattes as it is shows all of them.
    let places =
        ["sheet", "br010/roto.mid@1001", "br010/roto@1001", "br010/roto.able@1001", "br010/roto.mid@1001"];
    let answer = film.json(&[&places[..], &more, &["--across", "3"]].concat());
    assert_eq!(answer["shown"], 3);
    assert_eq!(lit(&film, 3), [MIDDLE, [true; 3], RIGHT]);
}

#[test]
fn a_holdout_hides_where_its_own_matte_lies() {
    let film = film();
    let lost = |matte: &str| -> bool {
        let (code, words) =
            film.said(&["track", "br010", "--point", "q=20,45@1001", "--holdout", matte, "--plan"]);
        assert!(code.is_some(), "{words}");
        words.contains("lost") || code != Some(0)
    };
    assert!(lost("roto.zed") && !lost("roto.able") && !lost("roto.mid"));
}

#[test]
fn a_match_counts_within_its_own_matte() {
    let film = film();
    let slopes = |matte: &str| -> Vec<f64> {
        let said: Value =
            film.json(&["match", "br010/push@1002", "--reference", "br020/plate@1002", "--matte", matte]);
        said["slope"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
    };
    // Only the left was pushed.
    for (found, wanted) in slopes("roto.zed").iter().zip([1.0 / 1.5, 1.0, 1.0 / 0.7]) {
        assert!((found / wanted - 1.0).abs() < 0.1, "{found} {wanted}");
    }
    assert_eq!(slopes("roto.able"), [1.0; 3]);
}

/// Within a matte where all is nearly one tone, a shot that is a little darker has no colour of the reference until it is graded.
#[test]
fn a_darker_shot_is_matched_within_a_small_matte_of_few_tones() {
    let film = film();
    for n in 1001..=1003 {
        let path = film.path().join(format!("plates/shed.{n}.exr"));
        let mut image = exr::decode_image(&std::fs::read(&path).unwrap()).unwrap();
        for y in 0..SIZE.1 {
            for (channel, level) in [(0, 0.4), (1, 0.3), (2, 0.2)] {
                let mut row: Vec<f32> =
                    (0..SIZE.0).map(|x| light(channel, f64::from(x), 0.0) as f32).collect();
                let few = |x: usize| level * (1.0 + 0.02 * ((x as f32 * 0.9).sin() + (y as f32 * 0.7).cos()));
                (120..160).for_each(|x| row[x] = few(x));
                image.write_row(channel, y, &row);
            }
        }
        std::fs::write(&path, exr::encode(&image, Compression::None, &[]).unwrap()).unwrap();
    }
    film.rebuild(&[]).well();
    let said = film.json(&["match", "br010/dim", "--reference", "br020", "--matte", "roto.able"]);
    let number = |name: &str| said[name].as_f64().unwrap();
    assert!(number("difference_before") > 3.0 && number("difference_after") < 1.0, "{said}");
    assert!(number("shared") > 0.5 && number("shared") <= 1.0, "{said}");
}

#[test]
fn a_packet_takes_the_matte_that_its_stage_takes() {
    let film = film();
    let said = film.json(&["handout", "br010/fix", "--to", "ana"]);
    let packet = std::path::PathBuf::from(said["place"].as_str().unwrap_or_else(|| panic!("{said}")));
    for (port, lit) in [("left", 20), ("right", 140)] {
        let file = packet.join(format!("data/br010/{port}/br010.{port}.1002.exr"));
        let image = exr::decode_image(&std::fs::read(&file).unwrap()).unwrap();
        let row = &image.plane_f32(0)[40 * SIZE.0 as usize..][..SIZE.0 as usize];
        assert_eq!([20, 80, 140].map(|x| row[x] > 0.5), [20, 80, 140].map(|x| x == lit), "{port}");
    }
}

#[test]
fn a_held_render_without_the_channel_is_named_and_not_shown() {
    let film = film();
    assert!(film.run(&["rebuild", "br010/roto", "--hold"]).status.success());
    film.write("roto.yaml", MATTES.replace("mid:", "new:"));
    let out = film.path().join("x.png").display().to_string();
    let (code, words) = film.said(&["sheet", "br010/roto.new@1001", "--out", &out]);
    assert_eq!(code, Some(1), "{words}");
    assert!(
        words.contains("br010/roto@1001 is not shown: it was made before the stage had a channel 'new'"),
        "{words}"
    );
}
