//! Holds the picture readers and writers against OpenImageIO, in both directions.
//!
//! Knows which files to write, and how near the values of others' files must come. Does not know how
//! OpenImageIO is called: `outside/media_check.py` does. Runs when `ENDBOARD_PYTHON` names a Python that has
//! it; otherwise it says so and checks nothing.

use std::path::Path;
use std::process::Command;

use endboard::media::dpx::{self, ByteOrder, Meaning};
use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, Raster};
use endboard::media::{Format, decode, probe};
use half::f16;
use serde::Deserialize;
use serde_json::{Value, json};

#[test]
fn openimageio_and_endboard_read_each_others_files() {
    let Some(python) = std::env::var_os("ENDBOARD_PYTHON") else {
        println!("not checked: ENDBOARD_PYTHON names no Python with OpenImageIO");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    let mut ours = write_exr(dir);
    ours.extend(write_dpx(dir));
    std::fs::write(dir.join("ours.json"), Value::Array(ours).to_string()).unwrap();

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/media_check.py");
    let run = Command::new(python).arg(script).arg(dir).output().unwrap();
    let said = [run.stdout, run.stderr].concat();
    let said = String::from_utf8_lossy(&said);
    assert!(run.status.success(), "{said}");
    println!("{said}");

    let theirs = std::fs::read_to_string(dir.join("theirs.json")).unwrap();
    let theirs: Vec<Theirs> = serde_json::from_str(&theirs).unwrap();
    assert!(theirs.len() > 80, "only {} files", theirs.len());
    let faults: Vec<String> =
        theirs.iter().filter_map(|t| fault(dir, t).map(|f| format!("{}: {f}", t.file))).collect();
    assert!(faults.is_empty(), "{} of {} files differ:\n{}", faults.len(), theirs.len(), faults.join("\n"));
}

/// An entry for the script: expected samples lie as 16-bit words in a file beside.
fn entry(dir: &Path, file: &str, size: (u32, u32), channels: &[&str], words: &[u16], facts: Value) -> Value {
    let values = format!("{file}.u16");
    let bytes: Vec<u8> = words.iter().flat_map(|w| w.to_le_bytes()).collect();
    std::fs::write(dir.join(&values), bytes).unwrap();
    json!({
        "file": file, "values": values, "width": size.0, "height": size.1, "channels": channels, "facts": facts
    })
}

/// Half patterns of all kinds, infinities and not-a-numbers among them, in files of odd sizes.
fn write_exr(dir: &Path) -> Vec<Value> {
    let names = ["R", "G", "B", "A", "crew", "the matte of everyone who stands behind the salt heap"];
    let facts = [("shot".to_string(), exr::Fact::Text("br030".to_string()))];
    let mut entries = Vec::new();
    for (width, height) in [(1, 1), (17, 3), (1, 100), (256, 256)] {
        for (ending, compression) in
            [("none", Compression::None), ("zips", Compression::Zips), ("zip", Compression::Zip)]
        {
            let mut image = Image::new(width, height, &names);
            let mut words = Vec::new();
            for plane in 0..names.len() {
                // Every pattern in noise, in runs and in ramps.
                for (i, sample) in image.samples_mut(plane).iter_mut().enumerate() {
                    let i = i as u32;
                    let pattern = match plane {
                        0 => i as u16,
                        1 => (i.wrapping_mul(40_503) >> 3) as u16,
                        2 => (i / 50) as u16 ^ 0x3c00,
                        3 => 0x3c00,
                        _ => (i * plane as u32) as u16,
                    };
                    *sample = f16::from_bits(pattern);
                    words.push(pattern);
                }
            }
            let file = format!("ours-{width}x{height}-{ending}.exr");
            std::fs::write(dir.join(&file), exr::encode(&image, compression, &facts).unwrap()).unwrap();
            entries.push(entry(dir, &file, (width, height), &names, &words, json!({ "shot": "br030" })));
        }
    }
    entries
}

fn write_dpx(dir: &Path) -> Vec<Value> {
    let mut entries = Vec::new();
    for (width, height) in [(1, 1), (17, 3), (64, 48)] {
        for (ending, order) in [("big", ByteOrder::Big), ("little", ByteOrder::Little)] {
            let words: Vec<u16> = (0..width * height * 3).map(|i| (i * 211 % 1024) as u16).collect();
            let planes = words.chunks((width * height) as usize).zip(["R", "G", "B"]);
            let planes = planes.map(|(codes, name)| {
                (name.to_string(), codes.iter().map(|&c| f32::from(c) / 1023.0).collect())
            });
            let raster = Raster { width, height, planes: planes.collect(), straight_alpha: false };
            let file = format!("ours-{width}x{height}-{ending}.dpx");
            let bytes = dpx::encode(&raster, order, Meaning { transfer: 3, colorimetric: 0 }).unwrap();
            std::fs::write(dir.join(&file), bytes).unwrap();
            entries.push(entry(dir, &file, (width, height), &["R", "G", "B"], &words, json!({})));
        }
    }
    entries
}

/// What the script says of a file of its own.
#[derive(Deserialize)]
struct Theirs {
    file: String,
    /// Part of the message with which the file must be refused.
    refused: Option<String>,
    #[serde(default)]
    values: String,
    #[serde(default)]
    channels: Vec<String>,
    #[serde(default)]
    straight: bool,
    #[serde(default)]
    width: u32,
    #[serde(default)]
    height: u32,
    /// Largest difference allowed of any sample; 0 asks for the same bits.
    #[serde(default)]
    tolerance: f32,
}

/// What our readers make of the file other than the script says.
fn fault(dir: &Path, theirs: &Theirs) -> Option<String> {
    let bytes = std::fs::read(dir.join(&theirs.file)).unwrap();
    let format = Format::of_path(&theirs.file).unwrap();
    let result = decode(format, &bytes);
    if let Some(part) = &theirs.refused {
        let message = result.err().map(|e| e.to_string()).unwrap_or("was read".into());
        return (!message.contains(part)).then_some(message);
    }
    let raster = match result {
        Ok(raster) => raster,
        Err(error) => return Some(error.to_string()),
    };
    let outline = probe(format, &bytes).unwrap();
    let names: Vec<&str> = raster.planes.iter().map(|p| p.0.as_str()).collect();
    if names != theirs.channels || outline.channels != names {
        return Some(format!("channels {names:?}, probed as {:?}", outline.channels));
    }
    let size = (theirs.width, theirs.height);
    if (raster.width, raster.height) != size || (outline.width, outline.height) != size {
        return Some(format!("is {} x {}", raster.width, raster.height));
    }
    if raster.straight_alpha != theirs.straight {
        return Some(format!("straight alpha: {}", raster.straight_alpha));
    }
    let values = std::fs::read(dir.join(&theirs.values)).unwrap();
    let expect = values.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
    let found = raster.planes.iter().flat_map(|p| &p.1);
    let worst = found.zip(expect).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
    (worst > theirs.tolerance || worst.is_nan()).then(|| format!("differs by {worst}"))
}
