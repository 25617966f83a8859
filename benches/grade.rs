//! Times the grade of a 1080p frame on one thread: an ASC CDL, a CDL with a 33-point table, a whole chain, a CLF.
//!
//! Prints milliseconds, the median of nine. With `ENDBOARD_PYTHON` naming a Python that has OpenColorIO, times the same work
//! there between two runs of ours, and prints theirs over ours.

mod clock;

use std::collections::BTreeMap;
use std::process::Command;
use std::sync::Arc;

use clock::median;
use endboard::base::frames::FrameRange;
use endboard::base::level::Level;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::colour::cdl::{Cdl, Style};
use endboard::operators::colour::chain::Chain;
use endboard::operators::colour::cube;
use endboard::operators::{Attachment, Connected, Inputs, Prepared, Setup, WorkingSpace, named};

const SIZE: (u32, u32) = (1920, 1080);
const SETTINGS: &str =
    "slope: [1.1, 1.0, 0.9]\noffset: [0.01, 0.0, -0.01]\npower: [0.95, 1.0, 1.05]\nsaturation: 1.1";

/// Smooth structure with grain, as the peers' script makes it.
fn planes() -> [Vec<f32>; 4] {
    let mut seed = 7u64;
    let mut grain = || {
        // Twelve uniform numbers make a normal one near enough.
        let sum: f64 = (0..12)
            .map(|_| {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (seed >> 40) as f64 / f64::from(1u32 << 24)
            })
            .sum();
        ((sum - 6.0) * 0.01) as f32
    };
    let mut planes = [const { Vec::new() }; 4];
    for y in 0..SIZE.1 {
        for x in 0..SIZE.0 {
            let base = 0.18 + 0.15 * (x as f32 / 97.0).sin() * (y as f32 / 61.0).cos();
            for (plane, factor) in planes.iter_mut().zip([1.1, 1.0, 0.8]) {
                plane.push(base * factor + grain());
            }
            planes[3].push(1.0);
        }
    }
    planes
}

fn cube_text() -> String {
    let mut text = String::from("LUT_3D_SIZE 33\n");
    for i in 0..33 * 33 * 33 {
        let [r, g, b] = [i % 33, i / 33 % 33, i / 33 / 33].map(|v| f64::from(v) / 32.0);
        text += &format!("{} {} {}\n", r.powf(0.9), g.powf(1.05), 0.9 * b + 0.1 * r);
    }
    text
}

/// What a CLF of a show's look may hold: into a logarithm, a grade, a table, out to a display.
fn clf_text() -> String {
    let mut table = String::new();
    for i in 0..33 * 33 * 33 {
        let [b, g, r] = [i % 33, i / 33 % 33, i / 33 / 33].map(|v| f64::from(v) / 32.0);
        table += &format!("{:.6} {:.6} {:.6}\n", r.powf(0.9), g.powf(1.05), 0.9 * b + 0.1 * r);
    }
    format!(
        "<ProcessList id=\"bench\" compCLFversion=\"3.0\" xmlns=\"urn:AMPAS:CLF:v3.0\">\n\
         <Log inBitDepth=\"32f\" outBitDepth=\"32f\" style=\"cameraLinToLog\">\
         <LogParams logSideSlope=\"0.0570776255707763\" logSideOffset=\"0.554794520547945\" linSideBreak=\"0.0078125\"/></Log>\n\
         <ASC_CDL inBitDepth=\"32f\" outBitDepth=\"32f\" style=\"FwdNoClamp\"><SOPNode><Slope>1.1 1 0.9</Slope>\
         <Offset>0.01 0 -0.01</Offset><Power>0.95 1 1.05</Power></SOPNode><SatNode><Saturation>1.1</Saturation></SatNode>\
         </ASC_CDL>\n<LUT3D inBitDepth=\"32f\" outBitDepth=\"32f\" interpolation=\"tetrahedral\">\n\
         <Array dim=\"33 33 33 3\">\n{table}</Array></LUT3D>\n\
         <Exponent inBitDepth=\"32f\" outBitDepth=\"32f\" style=\"monCurveRev\"><ExponentParams exponent=\"2.4\" \
         offset=\"0.055\"/></Exponent>\n</ProcessList>\n"
    )
}

fn attached(text: &str) -> Attachment {
    Attachment { path: "look.cube".into(), bytes: text.as_bytes().into(), source: Some(SourceId(0)) }
}

fn prepare(settings: &str, look: Option<&str>) -> Box<dyn Prepared> {
    let (value, _) = yaml::parse(SourceId(0), settings);
    let settings = value.and_then(|v| v.map().cloned()).expect("settings are a map");
    let files: BTreeMap<String, Attachment> =
        look.map(|text| ("look".to_string(), attached(text))).into_iter().collect();
    let frames = FrameRange::one(1);
    let input = Connected {
        port: 0,
        name: String::new(),
        channels: RGBA.iter().map(|&c| c.into()).collect(),
        frames,
    };
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &files,
        frames,
        frame_size: SIZE,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[input],
        cut: &[],
    };
    let made = named("grade").expect("there is a grade operator").prepare(&setup);
    made.unwrap_or_else(|problems| panic!("{problems:?}"))
}

/// Names and milliseconds of our work.
fn ours(planes: &[Vec<f32>; 4], cube: &str, clf: &str) -> Vec<(&'static str, f64)> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for (c, plane) in planes.iter().enumerate() {
        for (y, row) in plane.chunks(SIZE.0 as usize).enumerate() {
            image.write_row(c, y as u32, row);
        }
    }
    let frames = [vec![(1, Arc::new(image))]];
    let inputs = Inputs { frames: &frames, raster: None };
    let mut rows = Vec::new();
    let bare = format!("exposure: 0.25\nwhite_from: 4300\nwhite_to: 6504\n{SETTINGS}\npicture_out: srgb");
    let whole = format!("{bare}\nvignette: -0.8\nsoft_clip: 0.8");
    for (name, settings, look) in [
        ("cdl: half to half", SETTINGS, None),
        ("cdl+lut33: half to half", SETTINGS, Some(cube)),
        ("chain: half to half", bare.as_str(), Some(cube)),
        ("chain, vignette, soft clip: half to half", whole.as_str(), Some(cube)),
        ("clf: half to half", "{}", Some(clf)),
    ] {
        let stage = prepare(settings, look);
        rows.push((name, median(9, || drop(stage.apply(&inputs, 1)))));
    }
    let cdl =
        Cdl { slope: [1.1, 1.0, 0.9], offset: [0.01, 0.0, -0.01], power: [0.95, 1.0, 1.05], saturation: 1.1 };
    let look = cube::read(&attached(cube)).expect("the look is sound");
    let mut with_cdl = Chain::new();
    with_cdl.cdl(cdl, Style::NoClamp);
    let mut with_both = with_cdl.clone();
    with_both.look(&look);
    for (name, chain) in [("cdl: float to float", with_cdl), ("cdl+lut33: float to float", with_both)] {
        // A copy of the frame belongs to the work, as it does in the peers' script.
        let mut copy = planes.clone();
        let time = median(9, || {
            for (to, from) in copy.iter_mut().zip(planes) {
                to.copy_from_slice(from);
            }
            let [r, g, b, _] = &mut copy;
            for ((r, g), b) in r.chunks_mut(512).zip(g.chunks_mut(512)).zip(b.chunks_mut(512)) {
                chain.apply(Level::best(), [r, g, b]);
            }
        });
        rows.push((name, time));
    }
    rows
}

/// Names and milliseconds of OpenColorIO's work, when there is one.
fn theirs(clf: &str) -> Vec<(String, f64)> {
    let Some(python) = std::env::var_os("ENDBOARD_PYTHON") else { return Vec::new() };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/colour_check.py");
    let path = std::env::temp_dir().join(format!("endboard-bench-{}.clf", std::process::id()));
    if std::fs::write(&path, clf).is_err() {
        return Vec::new();
    }
    let run = Command::new(python).args([script, "time"]).arg(&path).output();
    let _ = std::fs::remove_file(&path);
    let Ok(run) = run else { return Vec::new() };
    let lines = String::from_utf8_lossy(&run.stdout).into_owned();
    lines
        .lines()
        .filter_map(|line| line.split_once('\t'))
        .filter_map(|(name, ms)| Some((name.to_string(), ms.parse().ok()?)))
        .collect()
}

fn main() {
    let (planes, cube, clf) = (planes(), cube_text(), clf_text());
    let first = ours(&planes, &cube, &clf);
    let peers = theirs(&clf);
    let second = ours(&planes, &cube, &clf);
    println!("{}x{}, one thread, {:?}, median ms", SIZE.0, SIZE.1, Level::best());
    for ((name, a), (_, b)) in first.iter().zip(&second) {
        let ms = a.min(*b);
        let work = name.split(':').next().unwrap_or(name);
        match peers.iter().find(|(peer, _)| peer == work) {
            Some((_, theirs)) => {
                println!("{ms:8.2}  {name:42} OpenColorIO {theirs:7.2}, {:.2} times ours", theirs / ms)
            }
            None => println!("{ms:8.2}  {name}"),
        }
    }
    if peers.is_empty() {
        println!("not compared: ENDBOARD_PYTHON names no Python with OpenColorIO");
    }
}
