//! Text → outlines → covered pixels, in the one font that is compiled in (`fonts/`, SIL Open Font License).
//!
//! Knows glyphs, their widths and how they stand beside one another: one after the other, by their own advance; no
//! kerning, no ligatures, no writing from right to left. Area is exact (`shape::coverage`), so that nothing depends on a
//! rasteriser's grid. `tests/assemble_outside.rs` holds glyphs against another library.

pub mod ink;

use std::collections::BTreeMap;

use skrifa::instance::{LocationRef, Size};
use skrifa::outline::{DrawSettings, OutlinePen};
use skrifa::{FontRef, GlyphId, MetadataProvider};

use crate::operators::shape::coverage::{Mask, Window, cover};
use crate::operators::shape::outline::flatten;
use crate::operators::shape::{Fill, Point};

/// The font's bytes.
pub const FONT: &[u8] = include_bytes!("../../../fonts/LeagueMono-SemiBold.otf");

/// Glyphs of the characters that will be written, in shares of the font's size (its em).
#[derive(Clone, Debug)]
pub struct Face {
    glyphs: BTreeMap<char, Glyph>,
    /// What stands for a character that the font does not have.
    missing: Glyph,
    capitals: f64,
}

#[derive(Clone, Debug, Default)]
struct Glyph {
    /// Closed outlines, y down, the baseline at 0.
    outlines: Vec<Vec<Point>>,
    advance: f64,
}

impl Face {
    /// The glyphs of all characters of these texts.
    pub fn of<'t>(texts: impl IntoIterator<Item = &'t str>) -> Self {
        let font = FontRef::new(FONT).expect("the font that is compiled in is sound");
        let metrics = font.metrics(Size::unscaled(), LocationRef::default());
        let em = f64::from(metrics.units_per_em);
        let map = font.charmap();
        let mut glyphs = BTreeMap::new();
        for c in texts.into_iter().flat_map(str::chars) {
            if let Some(id) = map.map(c) {
                glyphs.entry(c).or_insert_with(|| glyph(&font, id, em));
            }
        }
        let capitals = f64::from(metrics.cap_height.unwrap_or(0.7 * metrics.units_per_em as f32)) / em;
        let advance = map.map('0').map_or(0.6, |id| glyph(&font, id, em).advance);
        Self { glyphs, missing: frame(advance, capitals), capitals }
    }

    /// The first character of a text that the font does not have.
    pub fn lacks(&self, text: &str) -> Option<char> {
        text.chars().find(|c| !self.glyphs.contains_key(c))
    }

    fn glyph(&self, c: char) -> &Glyph {
        self.glyphs.get(&c).unwrap_or(&self.missing)
    }

    /// The size at which capitals are so high.
    pub fn size_of_capitals(&self, height: f64) -> f64 {
        height / self.capitals
    }

    /// Width of a line at this size.
    pub fn width(&self, text: &str, size: f64) -> f64 {
        text.chars().map(|c| self.glyph(c).advance).sum::<f64>() * size
    }

    /// The share of each pixel of `window` that a line covers whose first glyph's origin is at `origin`.
    pub fn cover(&self, text: &str, size: f64, origin: [f64; 2], window: Window) -> Mask {
        let mut polygons = Vec::new();
        let mut x = origin[0];
        for c in text.chars() {
            let glyph = self.glyph(c);
            for outline in &glyph.outlines {
                let placed: Vec<Point> = outline
                    .iter()
                    .map(|p| {
                        let [px, py, rest @ ..] = p.map(|value| value * size);
                        let [a, b, c, d] = rest;
                        [x + px, origin[1] + py, a, b, c, d]
                    })
                    .collect();
                polygons.push(flatten(&placed, &window));
            }
            x += glyph.advance * size;
        }
        cover(&polygons, Fill::Nonzero, window)
    }
}

/// An empty box, as the font's own sign for what it lacks is blank.
fn frame(advance: f64, capitals: f64) -> Glyph {
    let corners = |inset: f64| {
        let (left, right) = (advance * 0.1 + inset, advance * 0.9 - inset);
        [[left, -inset], [left, inset - capitals], [right, inset - capitals], [right, -inset]]
    };
    let outline = |corners: [[f64; 2]; 4]| corners.map(|[x, y]| [x, y, 0.0, 0.0, 0.0, 0.0]).to_vec();
    let mut inner = corners(0.06);
    inner.reverse();
    Glyph { outlines: vec![outline(corners(0.0)), outline(inner)], advance }
}

fn glyph(font: &FontRef<'_>, id: GlyphId, em: f64) -> Glyph {
    let mut pen = Pen { em, ..Pen::default() };
    if let Some(outline) = font.outline_glyphs().get(id) {
        let settings = DrawSettings::unhinted(Size::unscaled(), LocationRef::default());
        outline.draw(settings, &mut pen).expect("the glyphs that are compiled in are sound");
    }
    let advance = font.glyph_metrics(Size::unscaled(), LocationRef::default()).advance_width(id);
    Glyph { outlines: pen.outlines, advance: f64::from(advance.unwrap_or(0.0)) / em }
}

/// Takes a glyph's commands as outlines of points with handles.
#[derive(Default)]
struct Pen {
    em: f64,
    outlines: Vec<Vec<Point>>,
}

impl Pen {
    fn place(&self, x: f32, y: f32) -> [f64; 2] {
        [f64::from(x) / self.em, -f64::from(y) / self.em]
    }

    fn last(&mut self) -> Option<&mut Point> {
        self.outlines.last_mut()?.last_mut()
    }

    fn push(&mut self, [x, y]: [f64; 2]) {
        if let Some(outline) = self.outlines.last_mut() {
            outline.push([x, y, 0.0, 0.0, 0.0, 0.0]);
        }
    }

    fn bend(&mut self, out: [f64; 2], into: [f64; 2], to: [f64; 2]) {
        if let Some(last) = self.last() {
            (last[4], last[5]) = (out[0] - last[0], out[1] - last[1]);
        }
        self.push(to);
        if let Some(last) = self.last() {
            (last[2], last[3]) = (into[0] - to[0], into[1] - to[1]);
        }
    }
}

impl OutlinePen for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        let place = self.place(x, y);
        self.outlines.push(Vec::new());
        self.push(place);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let place = self.place(x, y);
        self.push(place);
    }

    /// A quadratic curve is the cubic one whose handles lie two thirds of the way to its control point.
    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        let (control, to) = (self.place(cx, cy), self.place(x, y));
        let Some(from) = self.last().map(|last| [last[0], last[1]]) else { return };
        let handle = |end: [f64; 2]| [0, 1].map(|i| end[i] + (control[i] - end[i]) * (2.0 / 3.0));
        self.bend(handle(from), handle(to), to);
    }

    fn curve_to(&mut self, ax: f32, ay: f32, bx: f32, by: f32, x: f32, y: f32) {
        let (out, into, to) = (self.place(ax, ay), self.place(bx, by), self.place(x, y));
        self.bend(out, into, to);
    }

    /// An outline that ends where it began has that point once.
    fn close(&mut self) {
        let Some(outline) = self.outlines.last_mut() else { return };
        if let [first, .., last] = outline.as_mut_slice()
            && first[..2] == last[..2]
        {
            (first[2], first[3]) = (last[2], last[3]);
            outline.pop();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WINDOW: Window = Window { x: 0, y: 0, width: 200, height: 60 };

    fn inked(mask: &Mask) -> f64 {
        mask.samples.iter().map(|&s| f64::from(s)).sum()
    }

    #[test]
    fn one_width_for_all_and_marks_for_what_is_lacking() {
        let face = Face::of(["br030 01:00:00:00 ÄÉ"]);
        let one = face.width("0", 40.0);
        assert!(one > 10.0 && (face.width("br03:Ä", 40.0) - 6.0 * one).abs() < 1e-9);
        assert_eq!(face.lacks("br030"), None);
        assert_eq!(face.lacks("br030 塩"), Some('塩'));
        assert!(inked(&face.cover("塩", 40.0, [10.0, 50.0], WINDOW)) > 10.0);
    }

    #[test]
    fn capitals_have_the_height_that_is_asked_for() {
        let face = Face::of(["H"]);
        let size = face.size_of_capitals(30.0);
        let mask = face.cover("H", size, [10.0, 45.0], WINDOW);
        assert_eq!((mask.window.y, mask.window.height), (15, 30));
    }

    #[test]
    fn moving_and_growing_a_line_moves_and_grows_its_area() {
        let face = Face::of(["8&br"]);
        let area = |size, x, y| inked(&face.cover("8&br", size, [x, y], WINDOW));
        let one = area(30.0, 10.0, 50.0);
        assert!((area(30.0, 10.37, 49.61) - one).abs() < 1e-3 * one, "{one}");
        assert!((area(15.0, 10.0, 50.0) * 4.0 - one).abs() < 2e-3 * one, "{one}");
    }
}
