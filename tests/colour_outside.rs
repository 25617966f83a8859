//! Holds the grade's arithmetic against OpenColorIO on random pixels, its white balance against colour-science, and a first
//! pass between shots against both.
//!
//! Knows which grades and tables to try and how near the results must come. Does not know how the libraries are called:
//! `outside/colour_check.py` does. Runs when `ENDBOARD_PYTHON` names a Python that has it; otherwise it
//! says so and checks nothing.

use std::ffi::OsStr;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use endboard::base::level::Level;
use endboard::media::image::{Image, RGBA};
use endboard::operators::Attachment;
use endboard::operators::colour::cdl::{Cdl, Style};
use endboard::operators::colour::chain::Chain;
use endboard::operators::colour::encoding::Encoding;
use endboard::operators::colour::matching::{Samples, first_pass};
use endboard::operators::colour::primaries::adapting;
use endboard::operators::colour::{look, white};
use serde_json::json;

const PIXELS: usize = 20_000;

/// A repeatable run of numbers from 0 to 1.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll()
    }

    fn three(&mut self, low: f64, high: f64) -> [f64; 3] {
        [0; 3].map(|_| self.between(low, high))
    }
}

struct Case {
    name: String,
    cdl: Option<(Cdl, Style)>,
    /// Text of a look and what kind of file it is.
    look: Option<(String, Kind)>,
    /// Least and greatest input.
    range: (f64, f64),
}

/// Kinds of looks.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    /// A `.cube` of curves.
    Curve,
    /// A `.cube` of a lattice.
    Lattice,
    /// A CLF, and how near it must come to OpenColorIO's 32-bit arithmetic, for results about 1.
    Clf(f32),
    /// A CLF whose table is weighed from four corners.
    Tetrahedral(f32),
}

impl Kind {
    fn extension(self) -> &'static str {
        if matches!(self, Kind::Curve | Kind::Lattice) { "cube" } else { "clf" }
    }

    fn between(self) -> Option<&'static str> {
        match self {
            Kind::Curve => Some("linear"),
            Kind::Lattice | Kind::Tetrahedral(_) => Some("tetrahedral"),
            Kind::Clf(_) => None,
        }
    }
}

/// Lists of nodes. Rounding errors of 6e-8 of the largest number on the way are multiplied by the slopes that follow; where a
/// tolerance is more than 1e-6, its reason stands beside it.
fn lists(dice: &mut Dice) -> Vec<Case> {
    let mut list = Vec::new();
    let mut add = |name: &str, nodes: String, kind: Kind, range: (f64, f64)| {
        let text = format!(
            "<ProcessList id=\"{name}\" compCLFversion=\"3.0\" xmlns=\"urn:AMPAS:CLF:v3.0\">{nodes}</ProcessList>"
        );
        list.push(Case { name: format!("clf-{name}"), cdl: None, look: Some((text, kind)), range });
    };
    let floats = "inBitDepth=\"32f\" outBitDepth=\"32f\"";
    let mut words = |n: usize, low: f64, high: f64| -> String {
        (0..n).map(|_| format!("{:.6} ", dice.between(low, high))).collect()
    };
    let matrix = words(12, -1.0, 1.5);
    add(
        "matrix",
        format!("<Matrix {floats}><Array dim=\"3 4\">{matrix}</Array></Matrix>"),
        Kind::Clf(1e-6),
        (-1.0, 2.0),
    );
    let codes = words(12, -200.0, 400.0);
    add(
        "matrix-depths",
        format!("<Matrix inBitDepth=\"10i\" outBitDepth=\"8i\"><Array dim=\"3 4\">{codes}</Array></Matrix>"),
        // A matrix of codes has numbers up to 1600 here.
        Kind::Clf(4e-4),
        (-1.0, 2.0),
    );
    for (name, limits) in [
        ("low", "<minInValue>0.1</minInValue><minOutValue>0.1</minOutValue>"),
        ("high", "<maxInValue>0.9</maxInValue><maxOutValue>0.9</maxOutValue>"),
        (
            "both",
            "<minInValue>0.1</minInValue><maxInValue>0.9</maxInValue><minOutValue>-0.2</minOutValue><maxOutValue>1.4</maxOutValue>",
        ),
    ] {
        add(
            &format!("range-{name}"),
            format!("<Range {floats}>{limits}</Range>"),
            Kind::Clf(1e-6),
            (-1.0, 2.0),
        );
    }
    let both = "<minInValue>64</minInValue><maxInValue>940</maxInValue><minOutValue>0</minOutValue><maxOutValue>255</maxOutValue>";
    add(
        "range-free",
        format!("<Range inBitDepth=\"10i\" outBitDepth=\"8i\" style=\"noClamp\">{both}</Range>"),
        Kind::Clf(1e-6),
        (-1.0, 2.0),
    );
    for style in ["log2", "log10", "antiLog2", "antiLog10"] {
        // Both compute logarithms in single precision; a result of 38 carries errors of 2e-6.
        let range = if style.starts_with('a') { (-2.0, 1.2) } else { (-0.2, 4.0) };
        add(style, format!("<Log {floats} style=\"{style}\"/>"), Kind::Clf(5e-6), range);
    }
    let log = "base=\"10\" logSideSlope=\"0.29325513196\" logSideOffset=\"0.66959921799\" linSideSlope=\"0.98920224838\" \
               linSideOffset=\"0.01079775162\"";
    let camera = "base=\"10\" logSideSlope=\"0.25562072336\" logSideOffset=\"0.41055718475\" linSideBreak=\"0.01125\" \
                  linSideSlope=\"5.26315789474\" linSideOffset=\"0.05263157895\"";
    let straight = format!("{camera} linearSlope=\"6.62194371178\"");
    for (name, style, params, range) in [
        ("lin-to-log", "linToLog", log, (0.0, 3.0)),
        ("log-to-lin", "logToLin", log, (-0.2, 1.0)),
        ("camera-to-log", "cameraLinToLog", camera, (-0.2, 3.0)),
        ("camera-to-lin", "cameraLogToLin", camera, (-0.1, 0.9)),
        ("camera-straight", "cameraLinToLog", straight.as_str(), (-0.2, 3.0)),
        ("camera-straight-back", "cameraLogToLin", straight.as_str(), (-0.1, 0.9)),
    ] {
        add(
            name,
            format!("<Log {floats} style=\"{style}\"><LogParams {params}/></Log>"),
            Kind::Clf(3e-6),
            range,
        );
    }
    for style in
        ["basicFwd", "basicRev", "basicMirrorFwd", "basicMirrorRev", "basicPassThruFwd", "basicPassThruRev"]
    {
        let each = "<ExponentParams channel=\"R\" exponent=\"2.4\"/><ExponentParams channel=\"G\" exponent=\"2.2\"/>\
                    <ExponentParams channel=\"B\" exponent=\"0.7\"/>";
        add(
            style,
            format!("<Exponent {floats} style=\"{style}\">{each}</Exponent>"),
            Kind::Clf(2e-6),
            (-1.0, 2.0),
        );
    }
    for style in ["monCurveFwd", "monCurveRev", "monCurveMirrorFwd", "monCurveMirrorRev"] {
        let params = "<ExponentParams exponent=\"2.4\" offset=\"0.055\"/>";
        add(
            style,
            format!("<Exponent {floats} style=\"{style}\">{params}</Exponent>"),
            Kind::Clf(2e-6),
            (-1.0, 2.0),
        );
    }
    let sop = "<SOPNode><Slope>1.35 1.1 0.71</Slope><Offset>0.05 -0.03 0.11</Offset><Power>0.93 0.81 1.27</Power></SOPNode>\
               <SatNode><Saturation>1.239</Saturation></SatNode>";
    for style in ["Fwd", "Rev", "FwdNoClamp", "RevNoClamp"] {
        add(
            &format!("cdl-{style}"),
            format!("<ASC_CDL {floats} style=\"{style}\">{sop}</ASC_CDL>"),
            Kind::Clf(2e-6),
            (-0.5, 1.8),
        );
    }
    let curve = words(51, -0.1, 1.2);
    add(
        "lut1d",
        format!("<LUT1D {floats}><Array dim=\"17 3\">{curve}</Array></LUT1D>"),
        Kind::Clf(1e-5),
        (-0.5, 1.5),
    );
    let codes = words(33, 0.0, 1023.0);
    add(
        "lut1d-depths",
        format!("<LUT1D inBitDepth=\"8i\" outBitDepth=\"10i\"><Array dim=\"33 1\">{codes}</Array></LUT1D>"),
        Kind::Clf(1e-5),
        (-0.5, 1.5),
    );
    let halves: String = (0..=u16::MAX)
        .map(|i| {
            let v = half::f16::from_bits(i).to_f32();
            let v = if v.is_finite() { (v.abs() * 0.5).sqrt().copysign(v) } else { 0.0 };
            format!("{v}\n")
        })
        .collect();
    // Between half floats OpenColorIO looks up the nearest ones and weighs them as well.
    add(
        "lut1d-halves",
        format!("<LUT1D {floats} halfDomain=\"true\"><Array dim=\"65536 1\">{halves}</Array></LUT1D>"),
        Kind::Clf(2e-6),
        (-4.0, 4.0),
    );
    let raw: String = (0..=u16::MAX).map(|i| format!("{}\n", i ^ 1)).collect();
    add(
        "lut1d-raw",
        format!(
            "<LUT1D inBitDepth=\"16f\" outBitDepth=\"16f\" halfDomain=\"true\" rawHalfs=\"true\"><Array dim=\"65536 1\">{raw}</Array></LUT1D>"
        ),
        Kind::Clf(2e-6),
        (-4.0, 4.0),
    );
    let table = words(5 * 5 * 5 * 3, -0.1, 1.2);
    let lut = |between: &str| {
        format!("<LUT3D {floats} interpolation=\"{between}\"><Array dim=\"5 5 5 3\">{table}</Array></LUT3D>")
    };
    add("lut3d-linear", lut("trilinear"), Kind::Clf(1e-5), (-0.5, 1.5));
    add("lut3d-tetrahedral", lut("tetrahedral"), Kind::Tetrahedral(1e-5), (-0.5, 1.5));
    let chain = format!(
        "<Log inBitDepth=\"32f\" outBitDepth=\"10i\" style=\"cameraLinToLog\"><LogParams {camera}/></Log>\
         <ASC_CDL inBitDepth=\"10i\" outBitDepth=\"8i\" style=\"FwdNoClamp\">{sop}</ASC_CDL>\
         <LUT1D inBitDepth=\"8i\" outBitDepth=\"16f\"><Array dim=\"3 1\">0 0.4 1</Array></LUT1D>\
         <Exponent inBitDepth=\"16f\" outBitDepth=\"32f\" style=\"basicFwd\"><ExponentParams exponent=\"2.4\"/></Exponent>"
    );
    add("chain", chain, Kind::Clf(5e-6), (-0.1, 4.0));
    list
}

fn cases(dice: &mut Dice) -> Vec<Case> {
    let mut list = Vec::new();
    for i in 0..12 {
        let cdl = Cdl {
            slope: dice.three(0.0, 2.0),
            offset: dice.three(-0.3, 0.3),
            power: dice.three(0.4, 2.5),
            saturation: dice.between(0.0, 2.0),
        };
        for (style, range) in [(Style::Clamp, (-0.5, 2.0)), (Style::NoClamp, (-0.5, 4.0))] {
            list.push(Case {
                name: format!("cdl-{i}-{style:?}"),
                cdl: Some((cdl, style)),
                look: None,
                range,
            });
        }
    }
    for (i, size) in [2usize, 3, 17, 33].into_iter().enumerate() {
        for domain in [None, Some((-0.25, 1.5))] {
            let mut text = format!("LUT_3D_SIZE {size}\n");
            if let Some((low, high)) = domain {
                let _ = writeln!(text, "DOMAIN_MIN {low} {low} {low}\nDOMAIN_MAX {high} {high} {high}");
            }
            for _ in 0..size.pow(3) {
                let [r, g, b] = dice.three(-0.1, 1.2);
                let _ = writeln!(text, "{r:.6} {g:.6} {b:.6}");
            }
            let name = format!("lattice-{i}-{}", domain.is_some());
            list.push(Case { name, cdl: None, look: Some((text, Kind::Lattice)), range: (-0.5, 2.0) });
        }
    }
    for size in [2usize, 5, 1024] {
        for domain in [None, Some((-1.0, 3.0))] {
            let mut text = format!("LUT_1D_SIZE {size}\n");
            if let Some((low, high)) = domain {
                let _ = writeln!(text, "DOMAIN_MIN {low} {low} {low}\nDOMAIN_MAX {high} {high} {high}");
            }
            for i in 0..size {
                let at = i as f64 / (size - 1) as f64;
                let _ = writeln!(text, "{:.6} {:.6} {:.6}", at * at, at.sqrt(), 1.0 - at);
            }
            let name = format!("curve-{size}-{}", domain.is_some());
            list.push(Case { name, cdl: None, look: Some((text, Kind::Curve)), range: (-1.5, 4.0) });
        }
    }
    list
}

fn ours(case: &Case, pixels: &[f32]) -> Vec<f32> {
    let mut chain = Chain::new();
    if let Some((cdl, style)) = case.cdl {
        chain.cdl(cdl, style);
    }
    if let Some((text, _)) = &case.look {
        let file = Attachment { path: "look.cube".into(), bytes: text.as_bytes().into(), source: None };
        chain.look(&look::read(&file).unwrap_or_else(|p| panic!("{}: {p:?}", case.name)));
    }
    let mut planes: [Vec<f32>; 3] =
        std::array::from_fn(|c| pixels.iter().skip(c).step_by(3).copied().collect());
    let [r, g, b] = &mut planes;
    chain.apply(Level::best(), [r, g, b]);
    (0..pixels.len()).map(|i| planes[i % 3][i / 3]).collect()
}

/// How near a sample must come. OpenColorIO without approximations lies within 3.6e-7 of double precision for values about
/// 1 (tests/checks/C), and its and our rounding errors grow with the largest number met on the way: each
/// rounding is 6e-8 of it. A table of random entries turns an error of position, which is a rounding of a number
/// up to 32, into up to 1.3 times as much in the result.
fn tolerance(case: &Case, pixel: &[f32], ours: f32) -> f32 {
    let Some((cdl, _)) = case.cdl else {
        return match case.look {
            Some((_, Kind::Lattice)) => 1e-5,
            Some((_, Kind::Clf(near) | Kind::Tetrahedral(near))) => near * ours.abs().max(1.0),
            _ => 1e-6,
        };
    };
    let largest = (0..3)
        .map(|c| (f64::from(pixel[c].abs()) * cdl.slope[c] + cdl.offset[c].abs()).max(1.0).powf(cdl.power[c]))
        .fold(1.0, f64::max);
    (5e-7 * largest * cdl.saturation.max(1.0)) as f32
}

/// What the script says of a folder.
fn ask(python: &OsStr, what: &str, dir: &Path) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/colour_check.py");
    let run = Command::new(python).arg(script).arg(what).arg(dir).output().unwrap();
    let said = String::from_utf8_lossy(&[run.stdout.clone(), run.stderr].concat()).into_owned();
    assert!(run.status.success(), "{said}");
    String::from_utf8_lossy(&run.stdout).into_owned()
}

#[test]
fn grades_are_those_of_opencolorio() {
    let Some(python) = std::env::var_os("ENDBOARD_PYTHON") else {
        println!("not checked: ENDBOARD_PYTHON names no Python with OpenColorIO");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    let mut dice = Dice(20);
    let cases: Vec<Case> = cases(&mut dice).into_iter().chain(lists(&mut dice)).collect();
    let mut entries = Vec::new();
    let mut results = Vec::new();
    for case in &cases {
        let pixels: Vec<f32> =
            (0..PIXELS * 3).map(|_| dice.between(case.range.0, case.range.1) as f32).collect();
        let bytes: Vec<u8> = pixels.iter().flat_map(|v| v.to_le_bytes()).collect();
        std::fs::write(dir.join(format!("{}.pixels", case.name)), bytes).unwrap();
        if let Some((text, kind)) = &case.look {
            std::fs::write(dir.join(format!("{}.{}", case.name, kind.extension())), text).unwrap();
        }
        let cdl = case.cdl.map(|(cdl, style)| {
            let style = if style == Style::Clamp { "clamp" } else { "no-clamp" };
            json!({ "slope": cdl.slope, "offset": cdl.offset, "power": cdl.power,
                    "saturation": cdl.saturation, "style": style })
        });
        entries.push(json!({
            "name": case.name, "pixels": format!("{}.pixels", case.name), "cdl": cdl,
            "look": case.look.as_ref().map(|(_, kind)| format!("{}.{}", case.name, kind.extension())),
            "between": case.look.as_ref().and_then(|(_, kind)| kind.between()),
        }));
        results.push((ours(case, &pixels), pixels));
    }
    std::fs::write(dir.join("cases.json"), serde_json::Value::Array(entries).to_string()).unwrap();

    println!("{}", ask(&python, "grade", dir));

    for (case, (ours, pixels)) in cases.iter().zip(&results) {
        let bytes = std::fs::read(dir.join(format!("{}.theirs", case.name))).unwrap();
        assert_eq!(bytes.len(), PIXELS * 12, "{}", case.name);
        let mut worst = 0.0f32;
        for (i, (ours, theirs)) in ours.iter().zip(bytes.chunks_exact(4)).enumerate() {
            let theirs = f32::from_le_bytes([theirs[0], theirs[1], theirs[2], theirs[3]]);
            let error = (ours - theirs).abs();
            worst = worst.max(error);
            let allowed = tolerance(case, &pixels[i / 3 * 3..][..3], *ours);
            assert!(error <= allowed, "{} sample {i}: {ours} not {theirs}", case.name);
        }
        println!("{:24} differs by {worst:.1e} at most", case.name);
    }
}

/// Chromaticities within the sources' own rounding of one another: colour-science has the same published formulas. Matrices
/// within double precision, given the same whites.
#[test]
fn lights_and_adaptation_are_those_of_colour_science() {
    let Some(python) = std::env::var_os("ENDBOARD_PYTHON") else {
        println!("not checked: ENDBOARD_PYTHON names no Python with colour-science");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let kelvins =
        [1500.0, 2000.0, 2856.0, 3200.0, 3900.0, 5100.0, 5600.0, 6504.0, 7100.0, 9300.0, 15000.0, 24000.0];
    std::fs::write(folder.path().join("kelvins.json"), json!(kelvins).to_string()).unwrap();
    let said: serde_json::Value = serde_json::from_str(&ask(&python, "white", folder.path())).unwrap();
    let mut last: Option<[f64; 2]> = None;
    for (kelvin, theirs) in kelvins.into_iter().zip(said.as_array().unwrap()) {
        let place: [f64; 2] = std::array::from_fn(|i| theirs["xy"][i].as_f64().unwrap());
        let ours = white::chromaticity(kelvin, 0.0);
        assert!((0..2).all(|i| (ours[i] - place[i]).abs() < 1e-9), "{kelvin}: {ours:?} not {place:?}");
        let tinted: [f64; 2] = std::array::from_fn(|i| theirs["tinted"][i].as_f64().unwrap());
        let ours = white::chromaticity(kelvin, 6.0);
        // The tangent is taken over 0.1 % of the temperature here and over 0.01 % there.
        assert!((0..2).all(|i| (ours[i] - tinted[i]).abs() < 1e-6), "{kelvin}: {ours:?} not {tinted:?}");
        if let Some(from) = last {
            let matrix = adapting(from, place);
            for (i, row) in matrix.iter().enumerate() {
                for (j, ours) in row.iter().enumerate() {
                    let theirs = theirs["from_last"][i][j].as_f64().unwrap();
                    assert!((ours - theirs).abs() < 1e-12, "{kelvin} [{i}][{j}]: {ours} not {theirs}");
                }
            }
        }
        last = Some(place);
    }
}

/// A shot that OpenColorIO pushed by a CDL, of other content than its reference, is brought back by a first pass that OpenColorIO
/// applies; colour-science measures. Tolerance: mean CIE ΔE*ab below 4, and below two fifths of before (common practice, no
/// source).
#[test]
fn a_first_pass_brings_back_what_opencolorio_pushed() {
    let Some(python) = std::env::var_os("ENDBOARD_PYTHON") else {
        println!("not checked: ENDBOARD_PYTHON names no Python with OpenColorIO and colour-science");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    ask(&python, "push", dir);
    let sizes: serde_json::Value =
        serde_json::from_slice(&std::fs::read(dir.join("scenes.json")).unwrap()).unwrap();
    let (width, height) = (sizes["width"].as_u64().unwrap() as u32, sizes["height"].as_u64().unwrap() as u32);
    let load = |name: &str| {
        let bytes = std::fs::read(dir.join(format!("{name}.pixels"))).unwrap();
        let values: Vec<f32> =
            bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
        let mut image = Image::new(width, height, &RGBA);
        for c in 0..4 {
            for y in 0..height as usize {
                let row: Vec<f32> = (0..width as usize)
                    .map(|x| if c == 3 { 1.0 } else { values[(y * width as usize + x) * 3 + c] })
                    .collect();
                image.write_row(c, y as u32, &row);
            }
        }
        image
    };
    let linear = Encoding::ALL[0];
    let mut found = Vec::new();
    for push in 0..sizes["pushes"].as_u64().unwrap() {
        let (shot, reference) = (load(&format!("shot-{push}")), load("reference"));
        let samples = |image: &Image| Samples::of([(image, None)]);
        let cdl = first_pass(&samples(&shot), &samples(&reference), linear, linear).unwrap().cdl;
        found.push(json!({ "slope": cdl.slope, "offset": cdl.offset, "power": cdl.power,
                           "saturation": cdl.saturation, "style": "no-clamp" }));
    }
    std::fs::write(dir.join("found.json"), json!(found).to_string()).unwrap();
    let said: serde_json::Value = serde_json::from_str(&ask(&python, "measure", dir)).unwrap();
    for row in said.as_array().unwrap() {
        let (before, after) = (row["before"].as_f64().unwrap(), row["after"].as_f64().unwrap());
        println!("mean ΔE*ab {before:.2} before, {after:.2} after");
        assert!(before > 3.0 && after < 4.0 && after < before * 0.4, "{row}");
    }
}
