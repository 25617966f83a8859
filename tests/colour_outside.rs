//! Holds the grade's arithmetic against OpenColorIO on random pixels.
//!
//! Knows which grades and tables to try and how near the results must come. Does not know how OpenColorIO is called:
//! `outside/colour_check.py` does. Runs when `ENDBOARD_PYTHON` names a Python that has it; otherwise it
//! says so and checks nothing.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use endboard::base::level::Level;
use endboard::operators::Attachment;
use endboard::operators::colour::cdl::{Cdl, Style};
use endboard::operators::colour::chain::Chain;
use endboard::operators::colour::cube;
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
    /// Text of a table and whether it is three-dimensional.
    look: Option<(String, bool)>,
    /// Least and greatest input.
    range: (f64, f64),
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
            list.push(Case { name, cdl: None, look: Some((text, true)), range: (-0.5, 2.0) });
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
            list.push(Case { name, cdl: None, look: Some((text, false)), range: (-1.5, 4.0) });
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
        chain.look(&cube::read(&file).unwrap_or_else(|p| panic!("{}: {p:?}", case.name)));
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
fn tolerance(case: &Case, pixel: &[f32]) -> f32 {
    let Some((cdl, _)) = case.cdl else {
        return if matches!(case.look, Some((_, true))) { 1e-5 } else { 1e-6 };
    };
    let largest = (0..3)
        .map(|c| (f64::from(pixel[c].abs()) * cdl.slope[c] + cdl.offset[c].abs()).max(1.0).powf(cdl.power[c]))
        .fold(1.0, f64::max);
    (5e-7 * largest * cdl.saturation.max(1.0)) as f32
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
    let cases = cases(&mut dice);
    let mut entries = Vec::new();
    let mut results = Vec::new();
    for case in &cases {
        let pixels: Vec<f32> =
            (0..PIXELS * 3).map(|_| dice.between(case.range.0, case.range.1) as f32).collect();
        let bytes: Vec<u8> = pixels.iter().flat_map(|v| v.to_le_bytes()).collect();
        std::fs::write(dir.join(format!("{}.pixels", case.name)), bytes).unwrap();
        if let Some((text, _)) = &case.look {
            std::fs::write(dir.join(format!("{}.cube", case.name)), text).unwrap();
        }
        let cdl = case.cdl.map(|(cdl, style)| {
            let style = if style == Style::Clamp { "clamp" } else { "no-clamp" };
            json!({ "slope": cdl.slope, "offset": cdl.offset, "power": cdl.power,
                    "saturation": cdl.saturation, "style": style })
        });
        entries.push(json!({
            "name": case.name, "pixels": format!("{}.pixels", case.name), "cdl": cdl,
            "look": case.look.as_ref().map(|_| format!("{}.cube", case.name)),
            "lattice": case.look.as_ref().is_some_and(|(_, lattice)| *lattice),
        }));
        results.push((ours(case, &pixels), pixels));
    }
    std::fs::write(dir.join("cases.json"), serde_json::Value::Array(entries).to_string()).unwrap();

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/colour_check.py");
    let run = Command::new(python).arg(script).arg("grade").arg(dir).output().unwrap();
    let said = String::from_utf8_lossy(&[run.stdout, run.stderr].concat()).into_owned();
    assert!(run.status.success(), "{said}");
    println!("{said}");

    for (case, (ours, pixels)) in cases.iter().zip(&results) {
        let bytes = std::fs::read(dir.join(format!("{}.theirs", case.name))).unwrap();
        assert_eq!(bytes.len(), PIXELS * 12, "{}", case.name);
        let mut worst = 0.0f32;
        for (i, (ours, theirs)) in ours.iter().zip(bytes.chunks_exact(4)).enumerate() {
            let theirs = f32::from_le_bytes([theirs[0], theirs[1], theirs[2], theirs[3]]);
            let error = (ours - theirs).abs();
            worst = worst.max(error);
            let allowed = tolerance(case, &pixels[i / 3 * 3..][..3]);
            assert!(error <= allowed, "{} sample {i}: {ours} not {theirs}", case.name);
        }
        println!("{:24} differs by {worst:.1e} at most", case.name);
    }
}
