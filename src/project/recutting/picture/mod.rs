//! Two cuts one above the other as strips of film on one time axis, as a picture file.
//!
//! Frames that both show are joined by ribbons, so that what moved crosses what stayed. What only one of them shows is told by its
//! texture as well as by its tone: struck through where it goes, dotted where it comes. Transitions are drawn as the trade draws
//! them on paper: a diagonal across the overlap is a dissolve, a wedge a fade. Knows uses and where they lie. Reads no pictures
//! of shots.

mod signs;

use super::Recut;
use crate::base::frames::FrameRange;
use crate::cut::compare::{Comparison, Link, Side, Use};
use crate::media::image::{Image, RGBA};
use crate::media::png;
use crate::operators::WorkingSpace;
use crate::operators::colour::display;
use crate::operators::lettering::{Face, ink};
use crate::operators::shape::Fill;
use crate::operators::shape::coverage::{Window, cover};

/// Pixels beside the strips.
const SIDE: f64 = 28.0;
/// Height of a strip, of its edge with the holes, and of what lies between the strips.
const STRIP: f64 = 76.0;
const EDGE: f64 = 11.0;
const BETWEEN: f64 = 150.0;
/// Height of a row of names, and how many rows there are at most for those that do not fit into the strip.
const ROW: f64 = 17.0;
const ROWS: usize = 4;
/// Height of capitals.
const CAPITALS: f64 = 9.0;
/// Least and largest width of the picture.
const WIDE: (f64, f64) = (1280.0, 8000.0);
/// How wide a use is drawn on average, at least.
const EACH: f64 = 66.0;
/// Light: of the ground, of a strip's edge, of its uses one after the other, of ribbons, of writing.
const GROUND: f32 = 0.012;
const FILM: f32 = 0.035;
const USES: [f32; 2] = [0.20, 0.27];
const RIBBON: f32 = 0.16;
const MOVED: f32 = 0.42;
const WRITING: f32 = 0.62;
const DIM: f32 = 0.25;

/// What a patch is filled with.
#[derive(Clone, Copy, PartialEq)]
enum Texture {
    Plain,
    /// Lines from corner to corner: it goes.
    Struck,
    /// Dots: it comes.
    Dotted,
}

impl Texture {
    /// What share of the ink a pixel takes.
    fn share(self, x: i64, y: i64) -> f32 {
        let inked = match self {
            Self::Plain => true,
            Self::Struck => (x + y).rem_euclid(9) < 3,
            Self::Dotted => {
                let row = y.div_euclid(6);
                y.rem_euclid(6) < 3 && (x + 3 * row.rem_euclid(2)).rem_euclid(6) < 3
            }
        };
        f32::from(u8::from(inked))
    }
}

/// The picture as a PNG.
pub fn draw(recut: &Recut) -> Vec<u8> {
    let comparison = &recut.comparison;
    let uses = comparison.old.uses.len().max(comparison.new.uses.len()) as f64;
    let width = (uses * EACH + 2.0 * SIDE).clamp(WIDE.0, WIDE.1).round();
    let frames = comparison.old.frames.max(comparison.new.frames).max(1) as f64;
    let mut sheet = Sheet::new(width, (width - 2.0 * SIDE) / frames, recut);
    let tops = [sheet.top(0), sheet.top(1)];
    for link in &comparison.links {
        sheet.ribbon(comparison, link, [tops[0] + STRIP, tops[1]]);
    }
    let was = recut.was.as_deref().unwrap_or("shots as declared");
    for (at, (side, name)) in
        [(&comparison.old, was), (&comparison.new, recut.list.path.as_str())].into_iter().enumerate()
    {
        sheet.strip(side, tops[at], at == 1, &only(comparison, at == 1));
        sheet.title(side, name, at == 1, recut);
    }
    sheet.time(frames as i64, recut);
    sheet.legend(comparison);
    let codes = display::codes(&sheet.image, WorkingSpace::default(), 0.0);
    png::encode(sheet.image.width(), sheet.image.height(), &codes)
}

/// Film frames of a side that the other side has nothing of, use by use.
fn only(comparison: &Comparison, is_new: bool) -> Vec<Vec<FrameRange>> {
    let side = if is_new { &comparison.new } else { &comparison.old };
    let shared = |at: usize, used: &Use| -> Vec<FrameRange> {
        let links = comparison.links.iter().filter(|link| at == if is_new { link.new } else { link.old });
        let mut film: Vec<FrameRange> = links.map(|link| film_of(used, link.shared)).collect();
        film.sort();
        film
    };
    let rest = |(at, used): (usize, &Use)| {
        let mut rest = Vec::new();
        let mut from = used.record.first;
        for part in shared(at, used) {
            rest.push(FrameRange::new(from, part.first - 1));
            from = from.max(part.last + 1);
        }
        rest.push(FrameRange::new(from, used.record.last));
        rest.retain(|range| !range.is_empty());
        rest
    };
    side.uses.iter().enumerate().map(rest).collect()
}

/// The film frames at which a use shows frames of its shot.
fn film_of(used: &Use, frames: FrameRange) -> FrameRange {
    let whole = used.run.showing(frames);
    FrameRange::new(used.record.first + whole.first, used.record.first + whole.last)
}

/// What is drawn on.
struct Sheet {
    image: Image,
    face: Face,
    /// Pixels a frame.
    scale: f64,
}

impl Sheet {
    fn new(width: f64, scale: f64, recut: &Recut) -> Self {
        let height = 2.0 * (SIDE + 2.0 * ROW + ROWS as f64 * ROW + STRIP) + BETWEEN + 4.0 * ROW;
        let mut image = Image::new(width as u32, height as u32, &RGBA[..3]);
        (0..3).for_each(|channel| image.samples_mut(channel).fill(half::f16::from_f32(GROUND)));
        let sides = [&recut.comparison.old, &recut.comparison.new];
        let names = sides.iter().flat_map(|side| side.uses.iter().map(|used| used.shot.as_str()));
        let more = [recut.list.path.as_str(), recut.was.as_deref().unwrap_or_default(), ALPHABET];
        let face = Face::of(names.chain(more));
        Self { image, face, scale }
    }

    /// Where a strip begins.
    fn top(&self, strip: usize) -> f64 {
        let first = SIDE + 2.0 * ROW + ROWS as f64 * ROW;
        if strip == 0 { first } else { first + STRIP + BETWEEN }
    }

    fn x(&self, frame: i64) -> f64 {
        SIDE + (frame - 1) as f64 * self.scale
    }

    /// Fills an outline.
    fn fill(&mut self, outline: Vec<[f64; 2]>, level: f32, opacity: f32, texture: Texture) {
        let ends = |at: usize| {
            outline.iter().map(|p| p[at]).fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)))
        };
        let ((left, right), (top, bottom)) = (ends(0), ends(1));
        let window: Window = ink::whole(&self.image).touched([left, top, right, bottom]);
        if window.is_empty() {
            return;
        }
        let mut mask = cover(&[outline], Fill::Nonzero, window);
        let (x, y) = (mask.window.x, mask.window.y);
        for row in 0..mask.window.height {
            for (column, sample) in mask.row_mut(row).iter_mut().enumerate() {
                *sample *= opacity * texture.share(x + column as i64, y + row as i64);
            }
        }
        ink::lay(&mut self.image, &mask, level);
    }

    fn patch(&mut self, [left, top, right, bottom]: [f64; 4], level: f32, texture: Texture) {
        if right > left && bottom > top {
            self.fill(vec![[left, top], [right, top], [right, bottom], [left, bottom]], level, 1.0, texture);
        }
    }

    fn write(&mut self, text: &str, [x, y]: [f64; 2], capitals: f64, level: f32) {
        let size = self.face.size_of_capitals(capitals);
        let wide = self.face.width(text, size);
        let window =
            ink::whole(&self.image).touched([x - 2.0, y - 2.0 * capitals, x + wide + 2.0, y + capitals]);
        if !window.is_empty() {
            ink::lay(&mut self.image, &self.face.cover(text, size, [x, y], window), level);
        }
    }

    fn wide(&self, text: &str, capitals: f64) -> f64 {
        self.face.width(text, self.face.size_of_capitals(capitals))
    }

    /// What both show of a use, from the one strip to the other.
    fn ribbon(&mut self, comparison: &Comparison, link: &Link, [top, bottom]: [f64; 2]) {
        let ends = [
            film_of(&comparison.old.uses[link.old], link.shared),
            film_of(&comparison.new.uses[link.new], link.shared),
        ];
        let [a, b] = ends.map(|range| [self.x(range.first), self.x(range.last + 1)]);
        // A curve that leaves and arrives upright: x follows 3t² − 2t³ while y goes down evenly.
        let along = |from: f64, to: f64, step: i32| {
            let t = f64::from(step) / 32.0;
            [from + (to - from) * t * t * (3.0 - 2.0 * t), top + (bottom - top) * t]
        };
        let right = (0..=32).map(|step| along(a[1], b[1], step));
        let left = (0..=32).rev().map(|step| along(a[0], b[0], step));
        let outline: Vec<[f64; 2]> = right.chain(left).collect();
        let level = if link.moved { MOVED } else { RIBBON };
        self.fill(outline.clone(), level, if link.moved { 0.55 } else { 0.42 }, Texture::Plain);
        // Edges, so that neighbours stay apart.
        for edge in outline.chunks(33) {
            let shifted = edge.iter().rev().map(|p| [p[0] + 1.0, p[1]]);
            self.fill(edge.iter().copied().chain(shifted).collect(), level, 0.9, Texture::Plain);
        }
    }

    /// A strip of film with its uses.
    fn strip(&mut self, side: &Side, top: f64, is_new: bool, only: &[Vec<FrameRange>]) {
        let (left, right) = (self.x(1), self.x(side.frames + 1));
        self.patch([left, top, right, top + STRIP], FILM, Texture::Plain);
        let mut hole = left + 4.0;
        while hole + 6.0 < right {
            for y in [top + 3.0, top + STRIP - 8.0] {
                self.patch([hole, y, hole + 6.0, y + 5.0], GROUND, Texture::Plain);
            }
            hole += 12.0;
        }
        let mut rows = [f64::MIN; ROWS];
        let mut beside = Vec::new();
        for (at, used) in side.uses.iter().enumerate() {
            let level = USES[at % 2];
            let [x, end] = [self.x(used.record.first), self.x(used.record.last + 1)];
            let gap = if end - x > 4.0 { 1.0 } else { 0.0 };
            let (high, low) = (top + EDGE, top + STRIP - EDGE);
            self.patch([x + gap, high, end - gap, low], level, Texture::Plain);
            for range in &only[at] {
                let texture = if is_new { Texture::Dotted } else { Texture::Struck };
                let ink = if is_new { WRITING } else { GROUND };
                let sides =
                    [self.x(range.first).max(x + gap), high, self.x(range.last + 1).min(end - gap), low];
                self.patch(sides, ink, texture);
            }
        }
        for transition in &side.transitions {
            self.transition(side, transition, [top + EDGE, top + STRIP - EDGE]);
        }
        for used in &side.uses {
            let comes = side.transitions.iter().find(|t| t.at == used.record.first && !used.leaves);
            let begins = used.record.first + comes.map_or(0, |comes| comes.frames);
            let ends = [self.x(begins.min(used.record.last + 1)), self.x(used.record.last + 1)];
            beside.extend(self.name(used, ends, top, is_new, &mut rows));
        }
        // Names come last, each on ground of its own, so that no line runs through one.
        for (name, [x, y]) in beside {
            let wide = self.wide(name, CAPITALS);
            self.patch([x - 2.0, y - CAPITALS - 3.0, x + wide + 2.0, y + 4.0], GROUND, Texture::Plain);
            self.write(name, [x, y], CAPITALS, WRITING);
        }
    }

    /// A use's shot: in the strip where there is room, else beside it in the first row that is free there.
    /// Gives the name and its place where it stands beside.
    fn name<'u>(
        &mut self,
        used: &'u Use,
        [x, end]: [f64; 2],
        top: f64,
        is_new: bool,
        rows: &mut [f64; ROWS],
    ) -> Option<(&'u str, [f64; 2])> {
        let wide = self.wide(&used.shot, CAPITALS);
        let middle = top + STRIP / 2.0;
        if wide + 10.0 <= end - x {
            self.patch([x + 3.0, middle - CAPITALS, x + wide + 9.0, middle + CAPITALS], FILM, Texture::Plain);
            self.write(&used.shot, [x + 6.0, middle + CAPITALS / 2.0], CAPITALS, WRITING);
            return None;
        }
        let row = rows.iter().position(|taken| *taken <= x)?;
        rows[row] = x + wide + 10.0;
        let away = row as f64 * ROW;
        let (y, line) = match is_new {
            false => (top - 6.0 - away, [top - 4.0 - away, top]),
            true => (top + STRIP + 6.0 + CAPITALS + away, [top + STRIP, top + STRIP + 4.0 + away]),
        };
        self.patch([x + 1.0, line[0], x + 2.0, line[1]], DIM, Texture::Plain);
        Some((&used.shot, [x + 5.0, y]))
    }

    /// Which list a strip is, and how long the film is by it.
    fn title(&mut self, side: &Side, name: &str, is_new: bool, recut: &Recut) {
        let seconds = side.frames as f64 / recut.rate.per_second();
        let text = format!("{name}   {} frames   {seconds:.2} s", side.frames);
        let y = match is_new {
            false => SIDE + CAPITALS + 2.0,
            true => self.top(1) + STRIP + ROWS as f64 * ROW + 2.0 * ROW,
        };
        self.write(&text, [SIDE, y], CAPITALS + 2.0, WRITING);
    }

    /// Marks of whole seconds, half way between the strips' names and their edge.
    fn time(&mut self, frames: i64, recut: &Recut) {
        let second = recut.rate.per_second();
        let room = self.wide("0000 s", CAPITALS) + 24.0;
        let steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600];
        let fits = |step: &&i64| **step as f64 * second * self.scale >= room;
        let step = steps.iter().find(fits).copied().unwrap_or(7200);
        let y = SIDE + 2.0 * ROW;
        let mut at = 0;
        while at as f64 * second <= frames as f64 {
            let x = SIDE + at as f64 * second * self.scale;
            self.patch([x, y - 4.0, x + 1.0, y + 4.0], DIM, Texture::Plain);
            let words = format!("{at} s");
            if x + 5.0 + self.wide(&words, CAPITALS - 1.0) < f64::from(self.image.width()) {
                self.write(&words, [x + 5.0, y + CAPITALS / 2.0], CAPITALS - 1.0, DIM);
            }
            at += step;
        }
    }
}

/// What titles, times and the legend are written with.
const ALPHABET: &str = "abcdefghijklmnopqrstuvwxyz0123456789 .,";
