//! The plate operator: a decoded source file becomes a picture in the film's working space.
//!
//! Knows how an encoding is undone and alpha premultiplied. Does not know file formats (`media`) nor where
//! files lie. Curves and primaries are those of `operators::colour`.

use std::sync::Arc;

use half::f16;

use crate::base::digest::KeyHasher;
use crate::base::level::Level;
use crate::base::problem::Problems;
use crate::media::image::{Channel, Image, RGBA, Raster};
use crate::operators::colour::block::{
    BLOCK, all_one, append_half, premultiply, repremultiply, told_beyond, unpremultiply,
};
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::{self, Encoding};
use crate::operators::colour::primaries::{self, Primaries};
use crate::operators::{Inputs, Kind, Made, Operator, OperatorError, Param, Prepared, Reader, Setup, Spec};

/// Words for `primaries`: those of the encoding, or a set by name.
const PRIMARIES: [&str; 11] = {
    let mut words = ["of-encoding"; 11];
    let mut i = 0;
    while i < primaries::NAMES.len() {
        words[i + 1] = primaries::NAMES[i];
        i += 1;
    }
    words
};

static SPEC: Spec = Spec {
    name: "plate",
    version: 1,
    summary: "Turns a source file's encoded colour into scene-linear colour of the working space.",
    ports: &[],
    params: &[
        Param {
            name: "encoding",
            kind: Kind::Word(&encoding::NAMES),
            unit: "",
            default: "linear-rec709",
            doc: "How the files' colour is encoded.",
        },
        Param {
            name: "primaries",
            kind: Kind::Word(&PRIMARIES),
            unit: "",
            default: "of-encoding",
            doc: "Primaries of the files' colour, where they are not those that belong to the encoding.",
        },
    ],
    source: "IEC 61966-2-1; ITU-R BT.709-6, BT.1886, BT.2020-2; SMPTE ST 2084; Academy S-2014-004, S-2016-001; the \
             makers' papers on LogC3, LogC4, S-Log3 and V-Log; Bradford adaptation between whites",
};

/// The operator.
pub struct Plate;

impl Operator for Plate {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let mut encoding = Encoding::ALL[reader.word("encoding")];
        if let Some(own) = reader.word("primaries").checked_sub(1) {
            encoding.primaries = Primaries::ALL[own];
        }
        let mut chain = Chain::new();
        chain.convert(encoding, setup.working_space.encoding());
        let size = setup.frame_size;
        reader.finish(|| Ready { chain, size })
    }
}

struct Ready {
    chain: Chain,
    size: (u32, u32),
}

impl Prepared for Ready {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    fn at(&self, _frame: i64, key: &mut KeyHasher) {
        // The size is no number of the computation, but files of another size are refused.
        key.int(self.size.0.into()).int(self.size.1.into());
        self.chain.feed(key);
    }

    fn is_steady(&self) -> bool {
        true
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let wrong = |text: String| OperatorError::WrongInput(format!("frame {frame}: {text}"));
        let raster =
            inputs.raster.ok_or_else(|| wrong("the plate operator was given no source file".into()))?;
        let (width, height) = self.size;
        if (raster.width, raster.height) != self.size {
            return Err(wrong(format!(
                "the source file is {}x{} and the film's frame {width}x{height}",
                raster.width, raster.height
            )));
        }
        let samples = width as usize * height as usize;
        let plane = |name: &str| {
            let found = raster.planes.iter().find(|(n, _)| n == name).map(|(_, plane)| plane.as_slice());
            match found {
                Some(plane) if plane.len() != samples => {
                    Err(wrong(format!("plane {name} has {} samples, not {samples}", plane.len())))
                }
                found => Ok(found),
            }
        };
        let (Some(r), Some(g), Some(b)) = (plane("R")?, plane("G")?, plane("B")?) else {
            return Err(wrong(format!("the source file has no R, G and B but {}", names(raster))));
        };
        let a = plane("A")?;
        let mended = not_finite([r, g, b], a);
        let told = match mended {
            0 => None,
            1 => Some(format!("has 1 pixel of {samples} {MENDED}")),
            n => Some(format!("has {n} pixels of {samples} {MENDED}")),
        };
        let (image, beyond) = self.convert([r, g, b], a, raster.straight_alpha);
        let told: Vec<String> = told.into_iter().chain(told_beyond(beyond)).collect();
        Ok(Made { image, remark: (!told.is_empty()).then(|| told.join("; it ")) })
    }
}

/// What is said of pixels that are no numbers.
const MENDED: &str =
    "that hold no finite number; no number (NaN) becomes 0, infinite ones the largest that there is";

/// How many pixels hold something that is no finite number.
fn not_finite(colour: [&[f32]; 3], alpha: Option<&[f32]>) -> usize {
    let [r, g, b] = colour;
    // Nought times a finite number is nought, of whatever sign; times any other it is no number.
    let count = |i: usize, a: f32| usize::from((r[i] * 0.0 + g[i] * 0.0 + b[i] * 0.0 + a * 0.0).is_nan());
    match alpha {
        None => (0..r.len()).map(|i| count(i, 0.0)).sum(),
        Some(alpha) => alpha.iter().enumerate().map(|(i, a)| count(i, *a)).sum(),
    }
}

impl Ready {
    /// The picture, and how many of its values are larger than half floats can be.
    fn convert(&self, colour: [&[f32]; 3], alpha: Option<&[f32]>, straight: bool) -> (Image, usize) {
        let level = Level::best();
        let samples = colour[0].len();
        let mut planes: [Vec<f16>; 4] = std::array::from_fn(|_| Vec::with_capacity(samples));
        let mut block = [[0.0f32; BLOCK]; 4];
        let mut beyond = 0;
        for start in (0..samples).step_by(BLOCK) {
            let n = BLOCK.min(samples - start);
            let [r, g, b, a] = block.each_mut().map(|plane| &mut plane[..n]);
            match alpha {
                Some(alpha) => a.copy_from_slice(&alpha[start..start + n]),
                None => a.fill(1.0),
            }
            for (to, from) in [&mut *r, &mut *g, &mut *b].into_iter().zip(colour) {
                to.copy_from_slice(&from[start..start + n]);
            }
            let opaque = all_one(a);
            // An encoding speaks of colour as seen, so what is premultiplied is divided first.
            if !straight && !opaque && !self.chain.is_empty() {
                for plane in [&mut *r, &mut *g, &mut *b] {
                    unpremultiply(level, plane, a);
                }
            }
            self.chain.apply(level, [&mut *r, &mut *g, &mut *b]);
            if !opaque && (straight || !self.chain.is_empty()) {
                for plane in [&mut *r, &mut *g, &mut *b] {
                    if straight {
                        premultiply(level, plane, a);
                    } else {
                        repremultiply(level, plane, a);
                    }
                }
            }
            for (plane, samples) in planes.iter_mut().zip([r, g, b, a]) {
                beyond += append_half(level, samples, plane);
            }
        }
        let channels =
            RGBA.iter().zip(planes).map(|(&name, samples)| Channel { name: name.into(), samples }).collect();
        (Image::from_channels(self.size.0, self.size.1, channels), beyond)
    }
}

fn names(raster: &Raster) -> String {
    let list: Vec<&str> = raster.planes.iter().take(12).map(|(name, _)| name.as_str()).collect();
    if list.is_empty() { "nothing".into() } else { list.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::frames::FrameRange;
    use crate::base::problem::{SourceId, Span};
    use crate::base::value::{Key, Map, Node, Scalar, Value};
    use crate::operators::WorkingSpace;
    use std::collections::BTreeMap;

    fn prepared(words: &[(&str, &str)], space: WorkingSpace, size: (u32, u32)) -> Box<dyn Prepared> {
        let span = Span::new(SourceId(0), 0, 0);
        let entries = words
            .iter()
            .map(|(key, text)| {
                let node = Node::Scalar(Scalar { text: text.to_string(), quoted: false });
                (Key { text: key.to_string(), span }, Value { span, node })
            })
            .collect();
        let setup = Setup {
            settings: &Map { entries },
            span,
            files: &BTreeMap::new(),
            cut: &[],
            frames: FrameRange::new(1001, 1010),
            frame_size: size,
            rate: 24.0,
            working_space: space,
            inputs: &[],
        };
        Plate.prepare(&setup).unwrap_or_else(|p| panic!("{p:?}"))
    }

    fn raster(planes: &[(&str, &[f32])], straight: bool) -> Raster {
        Raster {
            width: planes[0].1.len() as u32,
            height: 1,
            planes: planes.iter().map(|(n, p)| (n.to_string(), p.to_vec())).collect(),
            straight_alpha: straight,
        }
    }

    fn run(ready: &dyn Prepared, raster: &Raster) -> Result<Vec<Vec<f32>>, OperatorError> {
        let image = ready.apply(&Inputs { frames: &[], raster: Some(raster) }, 1001)?;
        Ok((0..4).map(|c| image.plane_f32(c)).collect())
    }

    fn key(ready: &dyn Prepared) -> crate::base::digest::Digest {
        let mut key = KeyHasher::new();
        ready.at(1001, &mut key);
        key.finish()
    }

    #[test]
    fn alpha_is_premultiplied_after_the_encoding_is_undone() {
        let ready = prepared(&[("encoding", "srgb")], WorkingSpace::LinearRec709, (2, 1));
        let source = [("R", &[0.5f32, 1.0][..]), ("G", &[0.5, 1.0]), ("B", &[0.5, 1.0]), ("A", &[0.5, 0.25])];
        let out = run(&*ready, &raster(&source, true)).unwrap();
        assert!((out[0][0] - 0.21404114 * 0.5).abs() < 1e-4);
        assert_eq!(out[1][1], 0.25);
        assert_eq!(out[3], [0.5, 0.25]);
        // A premultiplied file is divided first: 0.25 at half coverage is an encoded 0.5.
        let source =
            [("R", &[0.25f32, 0.0][..]), ("G", &[0.25, 0.0]), ("B", &[0.25, 0.0]), ("A", &[0.5, 0.0])];
        let out = run(&*ready, &raster(&source, false)).unwrap();
        assert!((out[0][0] - 0.21404114 * 0.5).abs() < 1e-4);
        assert_eq!(out[0][1], 0.0);
    }

    #[test]
    fn missing_alpha_is_one_and_linear_passes_unchanged() {
        let ready = prepared(&[], WorkingSpace::LinearRec709, (3, 1));
        let plane = [0.5f32, -1.0, f32::NAN];
        let out = run(&*ready, &raster(&[("R", &plane), ("G", &plane), ("B", &plane)], false)).unwrap();
        assert_eq!(out[0], [0.5, -1.0, 0.0]);
        assert_eq!(out[3], [1.0; 3]);
    }

    #[test]
    fn pixels_that_hold_no_number_are_told() {
        let ready = prepared(&[], WorkingSpace::LinearRec709, (4, 1));
        let plane = [0.5f32, f32::NAN, f32::INFINITY, 6e4];
        let (sound, dark) = ([0.5f32; 4], [0.0f32, 0.0, 0.0, f32::NEG_INFINITY]);
        let told = |planes: &[(&str, &[f32])]| {
            let raster = raster(planes, false);
            ready.make(&Inputs { frames: &[], raster: Some(&raster) }, 1001).unwrap().remark
        };
        assert_eq!(told(&[("R", &sound), ("G", &sound), ("B", &sound)]), None);
        let two = told(&[("R", &sound), ("G", &plane), ("B", &plane)]).unwrap();
        assert!(two.starts_with("has 2 pixels of 4 that hold no finite number"), "{two}");
        let three = told(&[("R", &sound), ("G", &plane), ("B", &sound), ("A", &dark)]).unwrap();
        assert!(three.starts_with("has 3 pixels of 4 "), "{three}");
        let beyond = [0.5f32, 7e4, -1e30, 65_504.0];
        let cut = told(&[("R", &sound), ("G", &beyond), ("B", &sound)]).unwrap();
        assert!(cut.starts_with("comes to 2 values beyond 65504"), "{cut}");
        let both = told(&[("R", &plane), ("G", &beyond), ("B", &sound)]).unwrap();
        assert!(both.contains("has 2 pixels of 4 ") && both.contains("; it comes to 2 values"), "{both}");
    }

    #[test]
    fn primaries_may_be_named() {
        let own = prepared(&[("encoding", "slog3")], WorkingSpace::AcesCg, (1, 1));
        let other =
            prepared(&[("encoding", "slog3"), ("primaries", "s-gamut3")], WorkingSpace::AcesCg, (1, 1));
        assert_ne!(key(&*own), key(&*other));
        let red = raster(&[("R", &[0.6]), ("G", &[0.3]), ("B", &[0.3])], false);
        assert_ne!(run(&*own, &red).unwrap(), run(&*other, &red).unwrap());
        let grey =
            raster(&[("R", &[420.0 / 1023.0]), ("G", &[420.0 / 1023.0]), ("B", &[420.0 / 1023.0])], false);
        for plane in &run(&*own, &grey).unwrap()[..3] {
            assert!((plane[0] - 0.18).abs() < 1e-4);
        }
    }

    #[test]
    fn wrong_sources_are_named() {
        let ready = prepared(&[], WorkingSpace::LinearRec709, (960, 540));
        let small = raster(&[("R", &[0.5]), ("G", &[0.5]), ("B", &[0.5])], false);
        let text = run(&*ready, &small).unwrap_err().to_string();
        assert!(text.contains("1x1") && text.contains("960x540") && text.contains("1001"), "{text}");
        let ready = prepared(&[], WorkingSpace::LinearRec709, (1, 1));
        let text = run(&*ready, &raster(&[("Z", &[0.5])], false)).unwrap_err().to_string();
        assert!(text.contains("but Z"), "{text}");
    }

    #[test]
    fn the_key_holds_what_the_encoding_means_and_not_its_name() {
        let key_of = |words: &[(&str, &str)]| key(&*prepared(words, WorkingSpace::LinearRec709, (4, 4)));
        assert_eq!(key_of(&[]), key_of(&[("encoding", "linear-rec709")]));
        assert_eq!(key_of(&[("encoding", "acescg")]), key_of(&[("primaries", "ap1")]));
        assert_ne!(key_of(&[]), key_of(&[("encoding", "srgb")]));
    }
}
