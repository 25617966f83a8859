//! `paint-out`: removes from a picture what must not be seen, through a matte.
//!
//! Knows its settings, which frames a frame needs and where a fill is from. Joining a fill to the picture is `work`'s.

pub mod around;
mod even;
pub mod field;
mod follow;
mod grain;
mod laid;
mod median;
pub mod seam;
mod spec;
mod speck;
mod told;
mod work;

use std::sync::Arc;

use super::{grow, matte, picture};
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span};
use crate::media::image::{Image, RGBA};
use crate::operators::shape::Matrix;
use crate::operators::{Connected, Inputs, Made, Operator, OperatorError, Prepared, Reader, Setup, Spec};
use field::{Area, Pixel};
use follow::{Followed, offset};
use laid::Laid;
use spec::{CLEAN, HOLDOUT, MATTE, PICTURE, SPEC};
use work::{Wanted, Work};

/// The operator.
pub struct PaintOut;

/// Grain is measured as far as this around the hole, in pixels.
const RING: usize = 48;

/// How much is evened out of a still when nothing is said, in deviations of its grain.
const STILL: f64 = 2.0;

/// Where a fill is from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fill {
    Clean,
    Time,
    Around,
}

impl Operator for PaintOut {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let on = |port: usize| setup.inputs.iter().position(|c| c.port == port);
        let fill = [Fill::Clean, Fill::Time, Fill::Around][reader.word("fill")];
        let said = |reader: &Reader<'_>, name: &str| reader.value(name).map(|v| v.span);
        let clean_frame = said(&reader, "clean_frame").map(|_| reader.whole("clean_frame"));
        let offset = offset(&mut reader);
        let clean_view = said(&reader, "clean_view").map(|_| reader.whole("clean_view"));
        let followed = Followed::read(&mut reader, setup);
        let mut ready = Removing {
            picture: on(PICTURE).unwrap_or_default(),
            matte: on(MATTE).unwrap_or_default(),
            clean: on(CLEAN),
            holdout: on(HOLDOUT),
            inputs: setup.inputs.to_vec(),
            fill,
            still: clean_frame,
            view: clean_view,
            offset,
            followed,
            evened: 0.0,
            reach: reader.whole("reach"),
            within: reader.whole("within") as usize,
            is_gradient: reader.word("seams") == 0,
            widen: reader.curve("widen"),
            grain: reader.curve("grain"),
            seed: reader.whole("seed"),
            cautions: Problems::new(),
        };
        for (port, name) in [(PICTURE, "a picture"), (MATTE, "a matte")] {
            if on(port).is_none() {
                reader.problems.push(Problem::error(setup.span, format!("paint-out needs {name}")));
            }
        }
        let span = said(&reader, "fill").unwrap_or(setup.span);
        match ready.clean.map(|clean| setup.inputs[clean].frames) {
            None if fill == Fill::Clean => {
                let problem = Problem::error(span, "fill: clean needs a clean plate");
                reader.problems.push(problem.help("from: { clean: take.NAME }"));
            }
            Some(frames) if fill == Fill::Clean => {
                if ready.still.is_none() && frames.first == frames.last {
                    ready.still = Some(frames.first);
                }
                let span = said(&reader, "clean_frame").unwrap_or(span);
                reader.problems.extend(told::lacking(ready.still, setup.frames, frames, span));
            }
            Some(_) => {
                let problem = Problem::error(span, "the clean plate is not used: the fill is not from it");
                ready.cautions.push(problem.warning().help("fill: clean"));
            }
            None => {}
        }
        ready.cautions.extend(ready.unfollowed());
        let unsaid = if ready.still.is_some() { STILL } else { 0.0 };
        ready.evened = if said(&reader, "evened").is_some() { reader.number("evened") } else { unsaid };
        reader.finish(|| ready)
    }
}

struct Removing {
    picture: usize,
    matte: usize,
    clean: Option<usize>,
    holdout: Option<usize>,
    inputs: Vec<Connected>,
    fill: Fill,
    /// The clean plate's frame that stands for all.
    still: Option<i64>,
    /// The frame as whose view the clean plate lies, when it is not that of the frame it is taken from.
    view: Option<i64>,
    offset: Curve<2>,
    followed: Followed,
    /// How much of a difference in the clean plate is evened out, in deviations.
    evened: f64,
    reach: i64,
    within: usize,
    is_gradient: bool,
    widen: Curve<1>,
    grain: Curve<1>,
    seed: i64,
    cautions: Problems,
}

impl Removing {
    /// The frames whose picture and mattes are looked at.
    fn looked_at(&self, frame: i64) -> FrameRange {
        if self.fill != Fill::Time {
            return FrameRange::one(frame);
        }
        let ports = [Some(self.picture), Some(self.matte), self.holdout];
        let around = FrameRange::one(frame).widen(self.reach);
        ports.into_iter().flatten().fold(around, |range, input| range.meet(self.inputs[input].frames))
    }

    /// A warning where something is said to be followed and moves nothing.
    fn unfollowed(&self) -> Option<Problem> {
        match self.fill {
            Fill::Around => self.followed.unused("the fill is from around, which moves nothing"),
            Fill::Clean if self.view.or(self.still).is_none() => {
                self.followed.unused("the clean plate is frame by frame in the picture's own view")
            }
            _ => None,
        }
    }

    /// Where what frame `other` shows lies on `frame`: along with what is followed, and the differences of offsets.
    fn between(&self, frame: i64, other: i64) -> Matrix {
        let (here, there) = (self.offset.at(frame as f64), self.offset.at(other as f64));
        self.followed.between(other, frame, [here[0] - there[0], here[1] - there[1]])
    }

    /// Where what the clean plate shows lies on `frame`.
    fn onto(&self, frame: i64) -> Matrix {
        let view = self.view.or(self.still).unwrap_or(frame);
        self.followed.between(view, frame, self.offset.at(frame as f64))
    }

    /// The pictures that a fill may be taken from, laid over `frame`.
    fn laid<'a>(&self, inputs: &Inputs<'a>, frame: i64) -> Result<Vec<Laid<'a>>, OperatorError> {
        match (self.fill, self.clean) {
            (Fill::Clean, Some(clean)) => {
                let plate = inputs.frame(clean, self.still.unwrap_or(frame))?;
                Ok(vec![Laid::new(plate, &self.onto(frame), Vec::new())?])
            }
            (Fill::Time, _) => {
                let size =
                    (inputs.frame(self.picture, frame)?.width(), inputs.frame(self.picture, frame)?.height());
                let mut frames = Vec::new();
                for other in self.looked_at(frame).iter() {
                    let (matte, held) = self.mattes(inputs, other, size)?;
                    let held = |at: usize| held.as_ref().is_some_and(|h| h[at] > 0.0);
                    let barred = matte.iter().enumerate().map(|(at, &m)| m > 0.0 || held(at)).collect();
                    let picture = inputs.frame(self.picture, other)?;
                    same_size(picture, size)?;
                    frames.push(Laid::new(picture, &self.between(frame, other), barred)?);
                }
                Ok(frames)
            }
            _ => Ok(Vec::new()),
        }
    }

    /// The matte of a frame, grown and without what is held out, and what is held out.
    fn mattes(
        &self,
        inputs: &Inputs<'_>,
        frame: i64,
        size: (u32, u32),
    ) -> Result<(Vec<f32>, Option<Vec<f32>>), OperatorError> {
        let plane = |input: usize| matte::plane(&self.inputs[input], inputs.frame(input, frame)?, size);
        let mut matte = grow::grown(plane(self.matte)?, size.0 as usize, self.widen.at(frame as f64)[0]);
        let held = self.holdout.map(plane).transpose()?;
        if let Some(held) = &held {
            matte.iter_mut().zip(held).for_each(|(m, h)| *m *= 1.0 - h);
        }
        Ok((matte, held))
    }

    /// The fill before it is joined, and where there is one.
    fn filling(
        &self,
        inputs: &Inputs<'_>,
        frame: i64,
        area: Area,
        roles: &[seam::Role],
    ) -> Result<(Vec<Pixel>, Vec<bool>), OperatorError> {
        let laid = self.laid(inputs, frame)?;
        let (mut fill, mut seen) = (vec![[0.0; 4]; area.count()], vec![false; area.count()]);
        match (self.fill, &laid[..]) {
            (Fill::Clean, [plate]) => {
                plate.fill(area, &|_| true, &mut fill, &mut seen);
                if self.evened > 0.0 {
                    fill = evened(&fill, area.width, self.evened as f32, roles, &seen);
                }
                Ok((fill, seen))
            }
            (Fill::Time, frames) => {
                let wanted: Vec<bool> = (0..roles.len())
                    .map(|at| {
                        let is_hole = |at: usize| roles[at] == seam::Role::Hole;
                        is_hole(at) || seam::neighbours(at, area.width, roles.len()).any(is_hole)
                    })
                    .collect();
                Ok(median::median(frames, area, &wanted))
            }
            _ => Ok((fill, seen)),
        }
    }
}

/// A clean plate without its grain where the hole is and beside it.
fn evened(fill: &[Pixel], width: usize, times: f32, roles: &[seam::Role], seen: &[bool]) -> Vec<Pixel> {
    let is_hole = |at: usize| roles[at] == seam::Role::Hole;
    let wanted = |at: usize| is_hole(at) || seam::neighbours(at, width, roles.len()).any(is_hole);
    match grain::Grain::measure(fill, width, is_hole, |at| seen[at]) {
        Some(grain) => even::evened(fill, width, &grain, times, wanted, seen),
        None => fill.to_vec(),
    }
}

fn same_size(image: &Image, (width, height): (u32, u32)) -> Result<(), OperatorError> {
    if (image.width(), image.height()) == (width, height) {
        return Ok(());
    }
    let text =
        format!("{}x{} pixels do not fit a picture of {width}x{height}", image.width(), image.height());
    Err(OperatorError::WrongInput(text))
}

impl Prepared for Removing {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.map(Arc::from).to_vec()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        if input == self.picture || input == self.matte || Some(input) == self.holdout {
            self.looked_at(frame)
        } else if self.fill == Fill::Clean && Some(input) == self.clean {
            FrameRange::one(self.still.unwrap_or(frame))
        } else {
            FrameRange::none()
        }
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        let grain = self.grain.at(frame as f64)[0];
        key.int(self.fill as i64).flag(self.is_gradient).real(self.widen.at(frame as f64)[0]);
        key.int(self.within as i64).int(self.seed).real(grain).flag(self.holdout.is_some());
        if grain > 0.0 {
            key.int(frame);
        }
        match self.fill {
            Fill::Clean => {
                key.real(self.evened);
                follow::feed(&self.onto(frame), key);
            }
            Fill::Time => {
                let range = self.looked_at(frame);
                key.int(range.first - frame).int(range.last - frame);
                for other in range.iter() {
                    key.real(self.widen.at(other as f64)[0]);
                    follow::feed(&self.between(frame, other), key);
                }
            }
            Fill::Around => {}
        }
    }

    fn is_steady(&self) -> bool {
        let has_grain = self.grain.keys().iter().any(|(_, [g])| *g > 0.0);
        self.fill != Fill::Time
            && !has_grain
            && self.widen.is_steady()
            && self.offset.is_steady()
            && self.followed.is_steady()
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        (parameter == "track").then(|| self.followed.read_from()).flatten()
    }

    fn keyed(&self) -> Vec<(Span, FrameRange)> {
        self.followed.keyed().into_iter().collect()
    }

    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let picture = inputs.frame(self.picture, frame)?;
        let size = (picture.width(), picture.height());
        let mut out = picture::copy(picture)?;
        let (matte, held) = self.mattes(inputs, frame, size)?;
        let whole = (size.0 as usize, size.1 as usize);
        let Some(hole) = Area::of(&matte, whole.0) else { return Ok(out.into()) };
        let area = hole.widened(self.within.max(RING), whole);
        let pixels = field::read(picture, area)?;
        let matte = area.cut(&matte, whole.0);
        let held = held.map(|held| area.cut(&held, whole.0));
        let roles = work::roles(&matte, held.as_deref());
        let (fill, seen) = self.filling(inputs, frame, area, &roles)?;
        let work = Work {
            width: area.width,
            picture: &pixels,
            matte: &matte,
            roles: &roles,
            is_gradient: self.is_gradient,
            is_copied: self.fill == Fill::Around,
            seed: self.seed,
            near: Area::of(&matte, area.width).unwrap_or(area).widened(RING, (area.width, area.height)),
        };
        let told = told::unseen(self.fill, &roles, &seen);
        let fill = work.settled(fill, &seen).ok_or_else(|| told::bare(self.fill, &matte, whole))?;
        let wanted = Wanted {
            strength: self.grain.at(frame as f64)[0] as f32,
            seed: (self.seed, frame),
            corner: (area.x, area.y),
        };
        field::write(&mut out, area, &work.mixed(&fill, &wanted), &matte);
        Ok(Made { image: out, remark: told })
    }
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tracked_tests;
