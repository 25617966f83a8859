//! Measures all takes of a shot, frame by frame.
//!
//! Knows which frames are looked at and in which order. What is measured of them `operators::image::register` knows.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::{Take, Wanted};
use crate::base::frames::FrameRange;
use crate::graph::{Edge, Graph, NodeId};
use crate::media::image::Image;
use crate::operators::image::passes::moment::{Between, Moment};
use crate::operators::image::register::align::{Fit, Model};
use crate::operators::image::register::light::{Light, Sizes};
use crate::operators::image::register::steps::Along;
use crate::operators::image::register::when::{Compared, When, part, spread, whole};
use crate::operators::image::register::written::{Frame, Measured, carried};
use crate::operators::image::register::{
    along, coarse, compare, exposure, left, place, placed, steadied, timed,
};
use crate::project::Status;
use crate::project::frames::{Frames, Lacking};

/// Frames of the clean plate at which whole offsets are compared, and at which parts of a frame are measured.
const COMPARED: usize = 6;
const TIMED: usize = 20;
/// Parts of the work on a take that are told as they end.
const STEPS: usize = 3;
/// Rounds in which the whole offset may be put right by its part.
const ROUNDS: usize = 4;

/// Reads frames of a shot and measures.
pub struct Measuring<'a> {
    pub status: &'a Status,
    pub clean: &'a Edge,
    pub takes: Vec<Take<'a>>,
    pub frames: FrameRange,
    pub between: Between,
    pub wanted: Wanted,
    pub step: &'a (dyn Fn(usize, usize) + Sync),
    pub done: AtomicUsize,
    /// Frames of the stages that are looked at.
    pub inputs: BTreeMap<NodeId, Frames<'a>>,
}

/// The clean plate, as takes are laid on it.
pub struct Cleans {
    lights: BTreeMap<i64, Light>,
    motions: BTreeMap<i64, Along>,
}

impl Measuring<'_> {
    /// Looks at the clean plate.
    pub fn cleans(&self) -> Result<Cleans, Lacking> {
        let clean_frames: Vec<i64> =
            self.frames.meet(self.graph().nodes[self.clean.from].frames).iter().collect();
        let lights = clean_frames
            .par_iter()
            .map(|&n| Ok((n, Light::of(&*self.image(self.clean, n)?, &[]))))
            .collect::<Result<BTreeMap<i64, Light>, Lacking>>()?;
        let motions: BTreeMap<i64, Along> = spread(&clean_frames, TIMED)
            .into_par_iter()
            .filter_map(|n| {
                let [before, here, after] = [n - 1, n, n + 1].map(|n| lights.get(&n));
                Some((n, along(before?, here?, after?)?))
            })
            .collect();
        Ok(Cleans { lights, motions })
    }

    fn tell(&self) {
        (self.step)(self.done.fetch_add(1, Ordering::Relaxed) + 1, self.takes.len() * STEPS);
    }

    /// How all takes lie in time: the whole offset of each, then the part of a frame.
    pub fn times(&self, cleans: &Cleans) -> Result<Vec<Measured>, Lacking> {
        let blind_clean = blind(cleans.lights.values());
        let timed = |take: &Take<'_>| {
            let frames: Vec<i64> = self.graph().nodes[take.picture.from].frames.iter().collect();
            let lights = frames
                .par_iter()
                .map(|&n| Ok((n, Light::of(&*self.image(take.picture, n)?, &self.marks(take, n)?))))
                .collect::<Result<BTreeMap<i64, Light>, Lacking>>()?;
            self.tell();
            let blind = blind(lights.values());
            let blind = blind.or(blind_clean.and(Some("the clean plate shows no detail of the set")));
            let when = match blind {
                Some(_) => None,
                None => self.when(&cleans.lights, &lights, &cleans.motions).filter(When::is_sure),
            };
            self.tell();
            Ok(Measured { name: take.name.clone(), when, blind, ..Measured::default() })
        };
        self.takes.iter().map(timed).collect()
    }

    /// Where every frame of all takes lies, whose times are known.
    pub fn places(&self, cleans: &Cleans, measured: &mut [Measured]) -> Result<(), Lacking> {
        for (take, measured) in self.takes.iter().zip(measured) {
            if measured.blind.is_none() {
                measured.frames = self.placed(take, &cleans.lights, measured)?;
            }
            self.tell();
        }
        Ok(())
    }

    fn placed(
        &self,
        take: &Take<'_>,
        cleans: &BTreeMap<i64, Light>,
        measured: &Measured,
    ) -> Result<Vec<Frame>, Lacking> {
        let known = self.graph().nodes[take.picture.from].frames;
        let shown = self.frames.iter().filter(|n| cleans.contains_key(n));
        let shown = shown.map(|n| (n, Moment::at(n, measured.time(n), self.between)));
        let shown: Vec<(i64, Moment)> = shown.filter(|(_, moment)| known.covers(moment.frames())).collect();
        let looked = shown
            .par_iter()
            .map(|(n, moment)| self.look(take, cleans, *n, moment))
            .collect::<Result<Vec<Option<Look>>, Lacking>>()?;
        let shown: Vec<i64> = shown.into_iter().map(|(n, _)| n).collect();
        let looked: Vec<Look> = looked.into_iter().flatten().collect();
        let fits: Vec<(i64, Fit)> = looked.iter().map(|look| (look.frame, look.fit.clone())).collect();
        // Another nearest frame is another place.
        let jumps = |i: usize| looked[i].first - looked[i].frame != looked[i - 1].first - looked[i - 1].frame;
        let steady = steadied(&fits, &jumps);
        let frames = looked.par_iter().zip(&steady).map(|(look, found)| {
            let light = &cleans[&look.frame];
            let mut place = place(*found, light.scale());
            let exposure = look.exposure.inspect(|exposure| place.exposure = *exposure);
            let left = exposure.and_then(|_| left(light, &look.light, *found, look.fit.lit()));
            (Frame { number: look.frame, place, left }, exposure.is_some())
        });
        Ok(carried(&shown, &frames.collect::<Vec<_>>()))
    }

    /// The take's offset in time.
    fn when(
        &self,
        cleans: &BTreeMap<i64, Light>,
        takes: &BTreeMap<i64, Light>,
        motions: &BTreeMap<i64, Along>,
    ) -> Option<When> {
        let within = self.wanted.within;
        let few = spread(&cleans.keys().copied().collect::<Vec<_>>(), COMPARED);
        let small_cleans: BTreeMap<i64, Sizes> = few.par_iter().map(|n| (*n, coarse(&cleans[n]))).collect();
        let near = |m: &i64| few.iter().any(|n| (m - n).abs() <= within);
        let small: BTreeMap<i64, Sizes> =
            takes.par_iter().filter(|(m, _)| near(m)).map(|(m, light)| (*m, coarse(light))).collect();
        let pairs: Vec<(i64, i64)> =
            few.iter().flat_map(|n| small.range(n - within..=n + within).map(|(m, _)| (*n, *m))).collect();
        let compared: Vec<Compared> =
            pairs.par_iter().filter_map(|(n, m)| compare((*n, &small_cleans[n]), (*m, &small[m]))).collect();
        let mut ahead = whole(&compared)?;
        let model = Model { turns: self.wanted.turns };
        let mut found = None;
        for _ in 0..ROUNDS {
            let fits: Vec<(i64, Fit)> = motions
                .par_iter()
                .filter_map(|(n, along)| {
                    Some((*n, timed(&cleans[n], takes.get(&(n + ahead))?, model, along)?))
                })
                .collect();
            found = part(&fits, ahead);
            let nearest = (found?.time + 0.5).floor() as i64;
            if nearest == ahead {
                break;
            }
            ahead = nearest;
        }
        found
    }

    /// Looks at one frame as it is shown.
    fn look(
        &self,
        take: &Take<'_>,
        cleans: &BTreeMap<i64, Light>,
        frame: i64,
        moment: &Moment,
    ) -> Result<Option<Look>, Lacking> {
        let needed: Vec<i64> = moment.frames().iter().collect();
        let pictures =
            needed.iter().map(|n| self.image(take.picture, *n)).collect::<Result<Vec<Arc<Image>>, _>>()?;
        let marks = needed.iter().map(|n| self.marks(take, *n)).collect::<Result<Vec<_>, _>>()?;
        let pictures: Vec<&Image> = pictures.iter().map(|image| &**image).collect();
        let (image, marks) = moment.show(&pictures, marks);
        let light = Light::of(&image, &marks);
        let clean = &cleans[&frame];
        let model = Model { turns: self.wanted.turns };
        let Some(fit) = placed(clean, &light, model) else { return Ok(None) };
        let by = [fit.found[0] * clean.scale(), fit.found[1] * clean.scale()];
        // A figure's shadow is no other exposure of the set.
        let mut covered = vec![0.0f32; image.width() as usize * image.height() as usize];
        for mark in &marks {
            covered.iter_mut().zip(mark).for_each(|(c, m)| *c = c.max(*m));
        }
        let is_blind = light.blind().or(clean.blind()).is_some();
        let exposure = match is_blind {
            true => None,
            false => exposure(&*self.image(self.clean, frame)?, &image, &covered, by),
        };
        Ok(Some(Look { frame, first: needed[0], light, fit, exposure }))
    }

    /// The mattes of a take's frame, those that are to be had.
    fn marks(&self, take: &Take<'_>, frame: i64) -> Result<Vec<Vec<f32>>, Lacking> {
        let has = |edge: &&&Edge| self.graph().nodes[edge.from].frames.contains(frame);
        take.marks.iter().filter(has).map(|edge| self.inputs(edge).matte(edge, frame)).collect()
    }

    fn graph(&self) -> &Graph {
        &self.status.declared.graph
    }

    fn inputs(&self, edge: &Edge) -> &Frames<'_> {
        &self.inputs[&edge.from]
    }

    /// What was found in files that were read.
    pub fn found(&self) -> impl Iterator<Item = String> + '_ {
        self.inputs.values().filter_map(Frames::found)
    }

    fn image(&self, edge: &Edge, frame: i64) -> Result<Arc<Image>, Lacking> {
        self.inputs(edge).image(frame).map(Arc::new)
    }
}

/// Why nothing can be measured on any of these frames, when that is so.
fn blind<'l>(lights: impl Iterator<Item = &'l Light>) -> Option<&'static str> {
    let mut why = None;
    for light in lights {
        why = Some(light.blind()?);
    }
    why
}

/// What was seen of one frame.
struct Look {
    frame: i64,
    /// The first of the take's frames that is shown.
    first: i64,
    light: Light,
    fit: Fit,
    /// None where the frame does not tell it.
    exposure: Option<[f64; 3]>,
}
