//! A stage's frames looked at: by all threads, a batch at a time, and watched in their order.
//!
//! Knows how light between stages becomes the signal that is judged: R'G'B' for a display of Rec. ITU-R BT.1886 with Rec. 709
//! primaries, as deliveries of such a film are coded, but not held to 0 … 1. So the light that flashes are counted by is the
//! very light between stages, and what lies beyond white or below black shows. Levels are those of the signal after it is
//! held to 0 … 1, which lie within EBU R 103 always, unless a declaration's limits are narrower. Does not know the cut.

use rayon::prelude::*;

use crate::base::frames::FrameRange;
use crate::base::level::Level;
use crate::inspect::finding::{Finding, Kind};
use crate::inspect::levels::Outside;
use crate::inspect::look::{Look, look};
use crate::inspect::rules::Rules;
use crate::inspect::watch::Watch;
use crate::media::image::{Image, RGBA};
use crate::operators::WorkingSpace;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::Encoding;
use crate::project::frames::{Frames, Lack, Lacking};

/// Frames a thread that are looked at before their looks are watched; a look is about 40 kB.
const EACH: usize = 8;
/// Black and white as codes of 10 bits in narrow range (Rec. ITU-R BT.709).
const BLACK: f32 = 64.0;
const WHITE: f32 = 940.0;

/// What was seen of a run of frames.
#[derive(Default)]
pub struct Seen {
    /// How many could be looked at.
    pub looked_at: usize,
    /// What was found in them.
    pub found: Vec<Finding>,
    /// Those that could not be, with what is the matter.
    pub lacking: Vec<(FrameRange, Lack)>,
}

/// Looks at all frames of a run. `tick` is called after each.
pub fn see(frames: &Frames<'_>, run: FrameRange, rules: &Rules, tick: &(dyn Fn() + Sync)) -> Seen {
    let mut seen = Seen { lacking: frames.lacking_runs(run.iter()), ..Seen::default() };
    let there: Vec<i64> = run.iter().filter(|&frame| frames.has(frame)).collect();
    let mut watch = Watch::new(rules.clone(), run);
    let eye = Eye::new(frames.space(), rules);
    for batch in there.chunks(rayon::current_num_threads() * EACH) {
        let looks: Vec<Result<Look, Lacking>> = batch
            .par_iter()
            .map(|&frame| {
                let looked = frames.image(frame).map(|image| eye.look(image));
                tick();
                looked
            })
            .collect();
        for (&frame, look) in batch.iter().zip(looks) {
            match look {
                Ok(look) => {
                    watch.take(frame, look);
                    seen.looked_at += 1;
                }
                Err(Lacking(why)) => {
                    seen.lacking.extend(why.into_iter().map(|lack| (FrameRange::one(frame), lack)));
                }
            }
        }
    }
    // Frames that are not there are told with what makes them.
    seen.found = watch.end().into_iter().filter(|finding| finding.kind != Kind::Missing).collect();
    seen
}

/// Looks at pictures between stages as at a signal.
struct Eye<'a> {
    chain: Chain,
    rules: &'a Rules,
    /// The limits are narrower than the signal of a delivery.
    is_narrow: bool,
}

impl<'a> Eye<'a> {
    fn new(space: WorkingSpace, rules: &'a Rules) -> Self {
        let mut chain = Chain::new();
        chain.convert(space.encoding(), Encoding::named("bt1886").expect("a name of the list"));
        let is_narrow = rules.level_low() > f64::from(BLACK) || rules.level_high() < f64::from(WHITE);
        Self { chain, rules, is_narrow }
    }

    fn look(&self, mut image: Image) -> Look {
        self.encode(&mut image);
        let mut look = look(&image, self.rules);
        let held = |code: f32| code.clamp(BLACK, WHITE);
        look.levels = look.levels.filter(|_| self.is_narrow).map(|outside| Outside {
            low: held(outside.low),
            high: held(outside.high),
            ..outside
        });
        look
    }

    /// Makes light a signal; what is no number stays none.
    fn encode(&self, image: &mut Image) {
        let Some([r, g, b]) = channels(image) else { return };
        let mut planes: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; image.width() as usize]);
        let mut broken: Vec<(usize, usize)> = Vec::new();
        for y in 0..image.height() {
            broken.clear();
            for (i, channel) in [r, g, b].into_iter().enumerate() {
                image.read_row(channel, y, &mut planes[i]);
                let bad = planes[i].iter().enumerate().filter(|(_, v)| !v.is_finite());
                broken.extend(bad.map(|(x, _)| (i, x)));
                broken.iter().filter(|(of, _)| *of == i).for_each(|&(_, x)| planes[i][x] = 0.0);
            }
            let [red, green, blue] = &mut planes;
            self.chain.apply(Level::best(), [red, green, blue]);
            broken.iter().for_each(|&(i, x)| planes[i][x] = f32::NAN);
            for (i, channel) in [r, g, b].into_iter().enumerate() {
                image.write_row(channel, y, &planes[i]);
            }
        }
    }
}

/// Positions of red, green and blue.
fn channels(image: &Image) -> Option<[usize; 3]> {
    let [r, g, b] = [0, 1, 2].map(|i| image.channel(RGBA[i]));
    Some([r?, g?, b?])
}
