//! The demo film on disk: its declaration as shipped, its plates and sounds as generated.
//!
//! Knows where files go and in which format. What is in them comes from `demo`.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use rayon::prelude::*;

use super::{DECLARATION, ProjectError, together};
use crate::base::level::Level;
use crate::demo::{self, Carrier, DemoPlate};
use crate::media::dpx::{self, ByteOrder, Meaning};
use crate::media::exr::{self, Compression};
use crate::media::image::{Image, Raster};
use crate::operators::colour::transfer::{self, Transfer};

/// Files of the demo film that people edit, by path.
const EDITED: [(&str, &str); 27] = [
    (DECLARATION, include_str!("../../demo-project/endboard.yaml")),
    (".gitattributes", together::ATTRIBUTES),
    (".gitignore", together::IGNORE),
    ("cues/blades.yaml", include_str!("../../demo-project/cues/blades.yaml")),
    // A tighter cut to try `recut` with; the film is not cut by it.
    ("cut/lock-3.edl", include_str!("../../demo-project/cut/lock-3.edl")),
    ("grades/br010.cc", include_str!("../../demo-project/grades/br010.cc")),
    ("grades/br020.cc", include_str!("../../demo-project/grades/br020.cc")),
    ("grades/br030.cdl", include_str!("../../demo-project/grades/br030.cdl")),
    ("grades/br040.cc", include_str!("../../demo-project/grades/br040.cc")),
    ("grades/br050.cc", include_str!("../../demo-project/grades/br050.cc")),
    ("grades/br055.cc", include_str!("../../demo-project/grades/br055.cc")),
    ("grades/br060.cc", include_str!("../../demo-project/grades/br060.cc")),
    ("grades/br070.cc", include_str!("../../demo-project/grades/br070.cc")),
    ("grades/br080.cc", include_str!("../../demo-project/grades/br080.cc")),
    ("roto/br020.yaml", include_str!("../../demo-project/roto/br020.yaml")),
    ("roto/br030.yaml", include_str!("../../demo-project/roto/br030.yaml")),
    ("roto/br040.yaml", include_str!("../../demo-project/roto/br040.yaml")),
    ("roto/br050.yaml", include_str!("../../demo-project/roto/br050.yaml")),
    ("roto/br055.yaml", include_str!("../../demo-project/roto/br055.yaml")),
    ("roto/br060.yaml", include_str!("../../demo-project/roto/br060.yaml")),
    ("roto/br010.yaml", include_str!("../../demo-project/roto/br010.yaml")),
    ("roto/br070.yaml", include_str!("../../demo-project/roto/br070.yaml")),
    ("roto/br080.yaml", include_str!("../../demo-project/roto/br080.yaml")),
    ("tracks/br010.yaml", include_str!("../../demo-project/tracks/br010.yaml")),
    ("tracks/br080.yaml", include_str!("../../demo-project/tracks/br080.yaml")),
    ("takes/br050.yaml", include_str!("../../demo-project/takes/br050.yaml")),
    ("takes/br055.yaml", include_str!("../../demo-project/takes/br055.yaml")),
];

/// Writes what is missing of the demo film into `folder`; what is there stays as it is. `progress` is told how many
/// plate frames are done of how many. Gives how many plate frames were written.
pub fn write(
    folder: &Path,
    cancel: &AtomicBool,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<usize, ProjectError> {
    let declaration = folder.join(DECLARATION);
    let name = demo_name();
    let is_other = std::fs::read_to_string(&declaration)
        .is_ok_and(|text| !text.lines().any(|line| line.trim_end() == name));
    if is_other {
        return Err(ProjectError::System(format!(
            "{}: another film is declared there, and the demo would put its files among that film's; name another folder",
            declaration.display()
        )));
    }
    for (path, text) in EDITED {
        write_missing(&folder.join(path), || Ok(text.as_bytes().to_vec()))?;
    }
    write_missing(&folder.join("grades/lamp-night.cube"), || Ok(demo::look_file().into_bytes()))?;
    write_missing(&folder.join("cut/lock-1.edl"), || Ok(demo::cut_file().into_bytes()))?;
    for sound in demo::sounds() {
        write_missing(&folder.join(format!("sounds/{}.wav", sound.name)), || Ok(sound.bytes.clone()))?;
    }
    by_hand(folder)?;
    let frames: Vec<(&DemoPlate, i64, PathBuf)> = demo::plates()
        .iter()
        .flat_map(|plate| plate.frames.iter().map(move |n| (plate, n)))
        .map(|(plate, n)| {
            (plate, n, folder.join(format!("plates/{0}/{0}.{n:04}.{1}", plate.name, plate.extension())))
        })
        .filter(|(_, _, path)| !path.exists())
        .collect();
    let done = AtomicUsize::new(0);
    frames.par_iter().try_for_each(|(plate, n, path)| {
        if cancel.load(Ordering::Relaxed) {
            return Err(ProjectError::System(
                "stopped while writing plates; the next run goes on from there".into(),
            ));
        }
        write_missing(path, || encode(plate.carrier, &demo::frame(plate, *n)))?;
        progress(done.fetch_add(1, Ordering::Relaxed) + 1, frames.len());
        Ok(())
    })?;
    Ok(frames.len())
}

/// Writes what is missing of the frames that somebody made by hand.
fn by_hand(folder: &Path) -> Result<(), ProjectError> {
    let work = demo::BY_HAND;
    let numbers: Vec<i64> = work.frames.iter().collect();
    numbers.par_iter().try_for_each(|n| {
        let path = folder.join(format!("hands/{}/{}.{n:04}.exr", work.shot, work.stage));
        let bytes = || exr::encode(&demo::figure(*n), Compression::Zip, &[]).map_err(|e| e.to_string());
        write_missing(&path, bytes)
    })
}

/// The line of the demo's declaration that says which film it is.
fn demo_name() -> &'static str {
    EDITED[0].1.lines().find(|line| line.starts_with("film:")).expect("the demo has a name")
}

fn write_missing(path: &Path, bytes: impl FnOnce() -> Result<Vec<u8>, String>) -> Result<(), ProjectError> {
    if path.exists() {
        return Ok(());
    }
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)
            .map_err(|e| ProjectError::System(format!("{}: {e}", folder.display())))?;
    }
    let bytes = bytes().map_err(|e| ProjectError::System(format!("{}: {e}", path.display())))?;
    Ok(crate::store::write_whole(path, &bytes)?)
}

fn encode(carrier: Carrier, image: &Image) -> Result<Vec<u8>, String> {
    match carrier {
        Carrier::ExrLinear => exr::encode(image, Compression::Zip, &[]).map_err(|e| e.to_string()),
        Carrier::Png16Srgb => png(image),
        Carrier::Dpx10Rec709 => {
            let names = ["R", "G", "B"].map(String::from);
            let planes = names.into_iter().zip(encoded(image, transfer::REC709)).collect();
            let raster =
                Raster { width: image.width(), height: image.height(), planes, straight_alpha: false };
            dpx::encode(&raster, ByteOrder::Big, Meaning { transfer: 6, colorimetric: 6 })
                .map_err(|e| e.to_string())
        }
    }
}

fn png(image: &Image) -> Result<Vec<u8>, String> {
    let planes = encoded(image, transfer::SRGB);
    let mut samples = Vec::with_capacity(planes[0].len() * 6);
    for i in 0..planes[0].len() {
        for plane in &planes {
            let code = (plane[i] * 65_535.0 + 0.5) as u16;
            samples.extend_from_slice(&code.to_be_bytes());
        }
    }
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, image.width(), image.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Sixteen);
    let mut writer = encoder.write_header().map_err(|e| e.to_string())?;
    writer.write_image_data(&samples).map_err(|e| e.to_string())?;
    writer.finish().map_err(|e| e.to_string())?;
    Ok(out)
}

/// Red, green and blue of a picture, held between 0 and 1 and encoded.
fn encoded(image: &Image, curve: Transfer) -> [Vec<f32>; 3] {
    [0, 1, 2].map(|channel| {
        let mut plane = image.plane_f32(channel);
        plane.iter_mut().for_each(|light| *light = light.clamp(0.0, 1.0));
        curve.encode(Level::best(), &mut plane);
        plane
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_look_and_cut_are_the_generated_ones() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-project");
        assert!(std::fs::read_to_string(folder.join("grades/lamp-night.cube")).unwrap() == demo::look_file());
        assert_eq!(std::fs::read_to_string(folder.join("cut/lock-1.edl")).unwrap(), demo::cut_file());
    }
}
