//! Units of work → parts of a fair length, and arrays in which each part waits for as little as can be.
//!
//! Parts of one shot that need one another make a strand. Like strands are laid side by side: their first parts are an array,
//! their second parts the next one, so that a part waits only for those in its own place, and few arrays are handed over. What
//! lies across shots waits for whole arrays. Does not know what made units need one another.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::{Array, Part, Parts, Place, Sizes, Unit};
use crate::base::frames::FrameSet;

/// Most units of the first wave in a strand of several shots. Each may be an array.
const SIDE: usize = 8;
/// Most arrays before strands that are like few others have theirs together.
const ARRAYS: usize = 200;

/// A part, and the units that it has and needs.
#[derive(Default)]
struct Packed {
    part: Part,
    places: Vec<Place>,
    needs: BTreeSet<Place>,
    /// Frames of its units side by side.
    wide: usize,
}

impl Packed {
    fn of(place: Place, unit: Unit) -> Self {
        let wide = unit.targets.values().map(FrameSet::len).max().unwrap_or(0);
        let Unit { targets, pools, needs, seconds } = unit;
        let part = Part { targets, wave: place.0 as usize, pools, seconds, needs: BTreeSet::new() };
        Self { part, places: vec![place], needs, wide }
    }

    /// Whether another may join it.
    fn takes(&self, other: &Self, sizes: &Sizes) -> bool {
        // What waits is what is left at the end, when many have nothing to do: twice the least, as shots join until they have the least.
        let most = if self.part.wave == 0 { sizes.seconds } else { sizes.seconds.min(2.0 * sizes.least) };
        self.part.wave == other.part.wave
            && self.part.pools == other.part.pools
            && self.part.seconds + other.part.seconds <= most
            && self.wide + other.wide <= sizes.frames
    }

    fn take(&mut self, other: Self) {
        self.part.seconds += other.part.seconds;
        self.wide += other.wide;
        self.places.extend(other.places);
        self.needs.extend(other.needs);
        for (id, frames) in other.part.targets {
            let set = self.part.targets.entry(id).or_default();
            set.insert_all(&frames);
        }
    }
}

/// Parts that need none but one another, in the order of waves.
type Strand = Vec<Packed>;
/// Wave and pools of each part of a strand.
type Shape = Vec<(usize, BTreeSet<usize>)>;

/// Packs units; `shots` has the number of the shot of every chunk, and none for chunks that need several.
pub(super) fn pack(units: BTreeMap<Place, Unit>, shots: &[Option<usize>], sizes: &Sizes) -> Parts {
    let mut of: BTreeMap<usize, Vec<Packed>> = BTreeMap::new();
    let mut across = Vec::new();
    for (place, unit) in units {
        let list = shots[place.1 as usize].map_or(&mut across, |shot| of.entry(shot).or_default());
        list.push(Packed::of(place, unit));
    }
    let (apart, classes) = classes(strands(of, sizes), sizes.array.max(1));
    let mut laid = Laid { most: sizes.array.max(1), ..Laid::default() };
    laid.in_waves(apart.into_iter().flatten().collect());
    for class in classes {
        if class.is_beside {
            laid.side_by_side(class.strands);
        } else {
            class.strands.into_iter().for_each(|strand| laid.in_waves(strand));
        }
    }
    laid.in_waves(joined(across, sizes));
    Parts { parts: laid.parts, arrays: laid.arrays }
}

/// Puts small ones of a wave together that take places in the same pools.
fn joined(mut all: Vec<Packed>, sizes: &Sizes) -> Strand {
    let order = |one: &Packed| (one.part.wave, one.part.pools.clone());
    all.sort_by_cached_key(order);
    let mut strand: Strand = Vec::new();
    for one in all {
        match strand.last_mut().filter(|last| last.takes(&one, sizes)) {
            Some(last) => last.take(one),
            None => strand.push(one),
        }
    }
    strand
}

/// Strands of shots, and of several shots together where they are like one another and what waits in them is little.
fn strands(of: BTreeMap<usize, Vec<Packed>>, sizes: &Sizes) -> Vec<Strand> {
    let mut strands: Vec<Strand> = Vec::new();
    // What is still to be filled, by the waves and pools of its units.
    let mut alone: HashMap<BTreeSet<usize>, Packed> = HashMap::new();
    let mut open: BTreeMap<BTreeSet<(usize, BTreeSet<usize>)>, Vec<Packed>> = BTreeMap::new();
    let later = |units: &[Packed]| -> f64 {
        units.iter().filter(|one| one.part.wave > 0).map(|one| one.part.seconds).sum()
    };
    let firsts = |units: &[Packed]| units.iter().filter(|one| one.part.wave == 0).count();
    for units in of.into_values() {
        if units.iter().all(|one| one.part.wave == 0) {
            for one in units {
                match alone.get_mut(&one.part.pools) {
                    Some(last) if last.takes(&one, sizes) => last.take(one),
                    _ => strands.extend(alone.insert(one.part.pools.clone(), one).map(|full| vec![full])),
                }
            }
            continue;
        }
        let kind = units.iter().map(|one| (one.part.wave, one.part.pools.clone())).collect();
        let list = open.entry(kind).or_default();
        let is_full = later(list) >= sizes.least || firsts(list) + firsts(&units) > SIDE;
        if is_full && !list.is_empty() {
            strands.push(joined(std::mem::take(list), sizes));
        }
        list.extend(units);
    }
    strands.extend(alone.into_values().map(|one| vec![one]));
    strands.extend(open.into_values().map(|units| joined(units, sizes)));
    // In the order of the film.
    strands.sort_by_key(|strand| strand[0].places[0]);
    strands
}

/// Like strands.
struct Class {
    strands: Vec<Strand>,
    /// Whether they are laid side by side, or each has arrays of its own.
    is_beside: bool,
    /// How many arrays that comes to.
    arrays: usize,
}

/// Strands by their shape, those first that take longest to their end; and apart those of which too few are alike.
fn classes(strands: Vec<Strand>, most: usize) -> (Vec<Strand>, Vec<Class>) {
    let mut by_shape: BTreeMap<Shape, Vec<Strand>> = BTreeMap::new();
    for strand in strands {
        let shape = strand.iter().map(|one| (one.part.wave, one.part.pools.clone())).collect();
        by_shape.entry(shape).or_default().push(strand);
    }
    let class = |(shape, strands): (Shape, Vec<Strand>)| {
        let beside = shape.len() * strands.len().div_ceil(most);
        let runs = shape.chunk_by(|a, b| a == b).map(|run| run.len().div_ceil(most)).sum::<usize>();
        let own = strands.len() * runs;
        Class { is_beside: beside <= own, arrays: beside.min(own), strands }
    };
    let mut classes: Vec<Class> = by_shape.into_iter().map(class).collect();
    let parts = |class: &Class| class.strands.iter().map(Vec::len).sum::<usize>();
    // Many arrays for few parts are the first to be given up.
    classes.sort_by(|a, b| (a.arrays * parts(b)).cmp(&(b.arrays * parts(a))));
    let mut all: usize = classes.iter().map(|class| class.arrays).sum();
    let mut apart = Vec::new();
    while all > ARRAYS
        && let Some(class) = classes.pop()
    {
        all -= class.arrays;
        apart.extend(class.strands);
    }
    classes.sort_by(|a, b| chain(b).total_cmp(&chain(a)));
    (apart, classes)
}

/// Seconds from the first part of a strand to its end, where each wave waits for the longest part of the one before.
fn chain(class: &Class) -> f64 {
    let of = |strand: &Strand| -> f64 {
        let waves = strand.chunk_by(|a, b| a.part.wave == b.part.wave);
        waves.map(|wave| wave.iter().map(|one| one.part.seconds).fold(0.0, f64::max)).sum()
    };
    class.strands.iter().map(of).fold(0.0, f64::max)
}

/// Parts with their numbers, and arrays.
#[derive(Default)]
struct Laid {
    most: usize,
    parts: Vec<Part>,
    arrays: Vec<Array>,
    /// The part of each unit, and the array of each part.
    of: HashMap<Place, usize>,
    array_of: Vec<usize>,
}

impl Laid {
    /// One more array; what it needs is laid already.
    fn array(&mut self, all: impl IntoIterator<Item = Packed>, is_beside: bool) {
        let (first, number) = (self.parts.len(), self.arrays.len());
        let mut waits = BTreeSet::new();
        for mut one in all {
            one.part.needs = one.needs.iter().map(|place| self.of[place]).collect();
            waits.extend(one.part.needs.iter().map(|&need| self.array_of[need]));
            self.of.extend(one.places.into_iter().map(|place| (place, self.parts.len())));
            self.array_of.push(number);
            self.parts.push(one.part);
        }
        let (after, beside) = if is_beside { (BTreeSet::new(), waits) } else { (waits, BTreeSet::new()) };
        self.arrays.push(Array { parts: first..self.parts.len(), after, beside });
    }

    /// Arrays of one wave and the same pools each, one wave after the other.
    fn in_waves(&mut self, mut all: Vec<Packed>) {
        all.sort_by_cached_key(|one| (one.part.wave, one.part.pools.clone()));
        let mut all = all.into_iter().peekable();
        while let Some(first) = all.next() {
            let (wave, pools) = (first.part.wave, first.part.pools.clone());
            let mut list = vec![first];
            while list.len() < self.most
                && let Some(next) = all.next_if(|one| one.part.wave == wave && one.part.pools == pools)
            {
                list.push(next);
            }
            self.array(list, false);
        }
    }

    /// Strands of one shape: an array for each place in them, as many strands at a time as an array may have parts.
    fn side_by_side(&mut self, strands: Vec<Strand>) {
        let mut strands = strands.into_iter().map(Vec::into_iter).collect::<Vec<_>>();
        for some in strands.chunks_mut(self.most) {
            for _ in 0..some[0].len() {
                self.array(some.iter_mut().filter_map(Iterator::next), true);
            }
        }
    }
}
