//! `passes`: joins several takes of one move into one picture.
//!
//! Knows how takes lie over a clean plate by their mattes. Takes must lie on one another already: it does not know
//! how to register them, in time or in space, nor how to keep their shadows.

use std::sync::Arc;

use super::gaussian;
use super::matte;
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, nearest};
use crate::media::image::{Image, RGBA};
use crate::operators::{
    Carries, Connected, Inputs, Kind, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Spec,
};

/// The operator.
pub struct Passes;

const CLEAN: usize = 0;
const TAKES: usize = 1;
const MATTES: usize = 2;

static SPEC: Spec = Spec {
    name: "passes",
    version: 1,
    summary: "Lays takes of one move over a clean plate, each by its matte, in the order written.",
    ports: &[
        Port {
            name: "clean",
            carries: Carries::Picture,
            required: true,
            doc: "The picture that shows where no matte covers.",
        },
        Port {
            name: "takes",
            carries: Carries::Many,
            required: true,
            doc: "Takes by name, registered to the clean plate already; later ones lie on top.",
        },
        Port {
            name: "mattes",
            carries: Carries::Many,
            required: true,
            doc: "One matte for each take, under the take's name.",
        },
    ],
    params: &[Param {
        name: "soften",
        kind: Kind::Keyed { min: 0.0, max: 100.0 },
        unit: "px",
        default: "0",
        doc: "Standard deviation of a Gaussian that the mattes' edges are softened by.",
    }],
    source: "Linear interpolation by coverage in premultiplied linear light: take × m + below × (1 − m).",
};

impl Operator for Passes {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let soften = reader.curve("soften");
        let on = |port: usize| setup.inputs.iter().enumerate().filter(move |(_, c)| c.port == port);
        let mut pairs = Vec::new();
        for (take, connected) in on(TAKES) {
            match on(MATTES).find(|(_, m)| m.name == connected.name) {
                Some((matte, _)) => pairs.push((take, matte)),
                None => {
                    let message = format!("take '{}' has no matte of its name", connected.name);
                    let problem = Problem::error(setup.span, message);
                    let names = on(MATTES).map(|(_, m)| m.name.as_str());
                    reader.problems.push(match nearest(&connected.name, names) {
                        Some(name) => problem.help(format!("did you mean '{name}'?")),
                        None => problem.help(format!("mattes: {{ {}: STAGE.CHANNEL }}", connected.name)),
                    });
                }
            }
        }
        for (_, matte) in on(MATTES) {
            if !on(TAKES).any(|(_, t)| t.name == matte.name) {
                let message = format!("matte '{}' belongs to no take of its name", matte.name);
                reader.problems.push(Problem::error(setup.span, message));
            }
        }
        let clean = on(CLEAN).next().map(|(i, _)| i);
        if clean.is_none() {
            reader
                .problems
                .push(Problem::error(setup.span, "passes needs a clean plate").help("clean: plate"));
        }
        let inputs = setup.inputs.to_vec();
        reader.finish(|| Joining { inputs, clean: clean.unwrap_or_default(), pairs, soften })
    }
}

struct Joining {
    inputs: Vec<Connected>,
    clean: usize,
    /// Connected inputs of each take and its matte, in the order of the takes.
    pairs: Vec<(usize, usize)>,
    soften: crate::base::curve::Curve<1>,
}

impl Prepared for Joining {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.map(Arc::from).to_vec()
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.real(self.soften.at(frame as f64)[0]).int(self.clean as i64).list(self.pairs.len());
        for &(take, matte) in &self.pairs {
            key.int(take as i64).int(matte as i64);
        }
    }

    fn is_steady(&self) -> bool {
        self.soften.is_steady()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let used = input == self.clean || self.pairs.iter().any(|&(t, m)| input == t || input == m);
        if used { FrameRange::one(frame) } else { FrameRange::none() }
    }

    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        let clean = inputs.frame(self.clean, frame)?;
        let (width, height) = (clean.width(), clean.height());
        let mut out = Image::new(width, height, &RGBA);
        for (i, name) in RGBA.iter().enumerate() {
            out.samples_mut(i).copy_from_slice(&clean.channels()[channel(clean, name)?].samples);
        }
        let mut under = vec![0.0; width as usize];
        let mut over = vec![0.0; width as usize];
        for &(take, matte) in &self.pairs {
            let picture = inputs.frame(take, frame)?;
            if (picture.width(), picture.height()) != (width, height) {
                let name = &self.inputs[take].name;
                return Err(OperatorError::WrongInput(format!(
                    "take '{name}' is not {width}x{height} pixels"
                )));
            }
            let planes = [0, 1, 2, 3].map(|i| channel(picture, RGBA[i]));
            let mut share = matte::plane(&self.inputs[matte], inputs.frame(matte, frame)?, (width, height))?;
            let sigma = self.soften.at(frame as f64)[0];
            if sigma > 0.0 {
                share = gaussian::blur(&share, width as usize, height as usize, sigma);
            }
            for (y, share) in share.chunks_exact(width as usize).enumerate() {
                // A row without the take keeps its bits, whatever the take holds there.
                if share.iter().all(|&m| m == 0.0) {
                    continue;
                }
                for (i, plane) in planes.iter().enumerate() {
                    out.read_row(i, y as u32, &mut under);
                    picture.read_row(plane.clone()?, y as u32, &mut over);
                    mix(&mut under, &over, share);
                    out.write_row(i, y as u32, &under);
                }
            }
        }
        Ok(out)
    }
}

fn channel(image: &Image, name: &str) -> Result<usize, OperatorError> {
    image
        .channel(name)
        .ok_or_else(|| OperatorError::WrongInput(format!("a picture lacks its channel '{name}'")))
}

/// `over × share + under × (1 − share)`. At 0 and 1 one side alone counts, so that a NaN or an infinity which is
/// not to be seen is not.
fn mix(under: &mut [f32], over: &[f32], share: &[f32]) {
    for ((u, o), m) in under.iter_mut().zip(over).zip(share) {
        let m = m.clamp(0.0, 1.0);
        *u = if m == 0.0 {
            *u
        } else if m == 1.0 {
            *o
        } else {
            o * m + *u * (1.0 - m)
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::image::trial::{SIZE, connected, prepare};

    fn flat(names: &[&str], values: &[f32]) -> Arc<Image> {
        let mut image = Image::new(SIZE.0, SIZE.1, names);
        for (i, &v) in values.iter().enumerate() {
            image.samples_mut(i).fill(half::f16::from_f32(v));
        }
        Arc::new(image)
    }

    fn wiring() -> Vec<Connected> {
        vec![
            connected(CLEAN, "", &RGBA),
            connected(TAKES, "left", &RGBA),
            connected(TAKES, "right", &RGBA),
            connected(MATTES, "right", &["right"]),
            connected(MATTES, "left", &["left"]),
        ]
    }

    #[test]
    fn takes_lie_over_one_another_by_their_own_mattes() {
        let passes = prepare(&Passes, "", None, &wiring()).ok().unwrap();
        let mut right = Image::clone(&flat(&["left", "right"], &[0.0, 0.0]));
        right.write_row(1, 5, &vec![1.0; SIZE.0 as usize]);
        let frames = [
            vec![(7, flat(&RGBA, &[0.125, 0.25, 0.5, 1.0]))],
            vec![(7, flat(&RGBA, &[2.0, 0.5, 0.0, 0.5]))],
            vec![(7, flat(&RGBA, &[f32::NAN, 0.5, 0.25, 1.0]))],
            vec![(7, Arc::new(right))],
            vec![(7, flat(&["left"], &[0.25]))],
        ];
        let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
        let pixel = |y: u32| [0, 1, 2, 3].map(|c| out.row(c, y)[9].to_f32());
        assert_eq!(pixel(4), [0.59375, 0.3125, 0.375, 0.875]);
        assert!(pixel(5)[0].is_nan());
        assert_eq!(pixel(5)[1..], [0.5, 0.25, 1.0]);
    }

    /// The values of "matte_mix_unpremultiplied" in tests/checks/compositing.json.
    #[test]
    fn mixing_is_linear() {
        for (fg, bg, m, wanted) in [
            ([0.8, 0.2, 0.1], [0.1, 0.3, 0.5], 0.25, [0.275, 0.275, 0.4]),
            ([2.0, 0.5, 0.0], [0.1, 0.1, 0.1], 0.5, [1.05, 0.3, 0.05]),
        ] {
            let mut under: [f32; 3] = bg;
            mix(&mut under, &fg, &[m; 3]);
            for (a, b) in under.iter().zip(wanted) {
                assert!((a - b as f32).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn names_must_match() {
        let mut inputs = wiring();
        inputs[4].name = "lef".into();
        let problems = prepare(&Passes, "", None, &inputs).err().unwrap();
        assert_eq!(problems.len(), 2);
        assert_eq!(problems[0].help.as_deref(), Some("did you mean 'lef'?"));
    }
}
