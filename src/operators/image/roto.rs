//! `roto`: mattes from shapes drawn by hand.
//!
//! Knows how a matte's shapes join and what of them a frame's key holds. Reading shapes and computing their
//! coverage is `operators::shape`'s.

use std::sync::Arc;

use crate::base::digest::{Digest, KeyHasher};
use crate::base::problem::{Problem, Problems};
use crate::media::image::Image;
use crate::operators::shape::coverage::{Mask, Window, cover};
use crate::operators::shape::outline::flatten;
use crate::operators::shape::soften::{reach, soften};
use crate::operators::shape::{Matte, Mode, Still, file};
use crate::operators::{Inputs, Kind, Operator, OperatorError, Param, Prepared, Reader, Setup, Spec};

/// The operator.
pub struct Roto;

static SPEC: Spec = Spec {
    name: "roto",
    version: 1,
    summary: "Cuts mattes from shapes that were drawn by hand and move by keyframes, one channel a matte.",
    ports: &[],
    params: &[Param {
        name: "shapes",
        kind: Kind::File,
        unit: "",
        default: "",
        doc: "Shapes file: mattes of Bézier outlines with keyframes that add, subtract or intersect, with feather in px.",
    }],
    source: "Exact area of each pixel under the nonzero or even-odd rule; feather by a quadratic B-spline.",
};

impl Operator for Roto {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let mut mattes = Vec::new();
        match reader.file("shapes") {
            Some(attached) => match file::read_bytes(attached.source, &attached.bytes, setup.span) {
                Ok(shapes) => mattes = shapes.mattes,
                Err(problems) => reader.problems.extend(problems),
            },
            None => reader
                .problems
                .push(Problem::error(setup.span, "roto needs a shapes file").help("shapes: roto/SHOT.yaml")),
        }
        if mattes.is_empty() && reader.problems.is_empty() {
            let problem =
                Problem::error(setup.span, "the shapes file has no mattes, so roto has nothing to cut");
            reader
                .problems
                .push(problem.help("a file of rods alone goes to blades directly: `shapes: FILE`"));
        }
        let (width, height) = setup.frame_size;
        let window = Window { x: 0, y: 0, width: width as usize, height: height as usize };
        reader.finish(|| Cutting { mattes, window })
    }
}

struct Cutting {
    mattes: Vec<Matte>,
    window: Window,
}

impl Prepared for Cutting {
    fn channels(&self) -> Vec<Arc<str>> {
        self.mattes.iter().map(|m| m.name.clone()).collect()
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.int(self.window.width as i64).int(self.window.height as i64).list(self.mattes.len());
        for matte in &self.mattes {
            key.text(&matte.name).list(matte.shapes.len());
            for shape in &matte.shapes {
                shape.at(frame as f64).feed(key);
            }
        }
    }

    fn is_steady(&self) -> bool {
        self.mattes.iter().flat_map(|m| &m.shapes).all(|s| s.is_steady())
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        let mut hasher = KeyHasher::new();
        for matte in &self.mattes {
            hasher.text(&matte.name).list(matte.shapes.len());
            matte.shapes.iter().for_each(|shape| shape.feed(&mut hasher));
        }
        (parameter == "shapes").then(|| hasher.finish())
    }

    fn apply(&self, _: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        let names: Vec<&str> = self.mattes.iter().map(|m| &*m.name).collect();
        let mut image = Image::new(self.window.width as u32, self.window.height as u32, &names);
        let mut plane = Mask::new(self.window);
        for (channel, matte) in self.mattes.iter().enumerate() {
            let mut rows = (usize::MAX, 0);
            for shape in &matte.shapes {
                let mask = stencil(&shape.at(frame as f64), &self.window);
                join(&mut plane, &mask, shape.mode, rows);
                if shape.mode == Mode::Add && !mask.window.is_empty() {
                    let top = mask.window.y as usize;
                    rows = (rows.0.min(top), rows.1.max(top + mask.window.height));
                }
            }
            for y in rows.0..rows.1 {
                image.write_row(channel, y as u32, plane.row(y));
                plane.row_mut(y).fill(0.0);
            }
        }
        Ok(image)
    }
}

/// A shape's matte inside a window: exact coverage, then its feather. A feather looks past the frame's edges, so
/// shapes that lie across them soften as if the frame went on.
pub fn stencil(still: &Still, window: &Window) -> Mask {
    let around = window.widened(reach(still.feather));
    let sharp = cover(&[flatten(&still.points, &around)], still.fill, around);
    let mask = if still.feather > 0.0 { soften(&sharp, still.feather, window) } else { sharp };
    // A shape that lies wholly beside the frame may leave an empty window out there.
    if mask.window.is_empty() { Mask::new(Window { width: 0, height: 0, ..*window }) } else { mask }
}

/// Joins a shape to the matte so far, of which only `rows` (from, to) may be other than zero.
fn join(matte: &mut Mask, shape: &Mask, mode: Mode, rows: (usize, usize)) {
    let part = shape.window;
    let (x, y) = (part.x as usize, part.y as usize);
    match mode {
        Mode::Add | Mode::Subtract => {
            for row in 0..part.height {
                let under = &mut matte.row_mut(y + row)[x..x + part.width];
                for (m, s) in under.iter_mut().zip(shape.row(row)) {
                    *m = if mode == Mode::Add { *m + s - *m * s } else { *m * (1.0 - s) };
                }
            }
        }
        Mode::Intersect => {
            for row in rows.0..rows.1 {
                let under = matte.row_mut(row);
                if row < y || row >= y + part.height {
                    under.fill(0.0);
                    continue;
                }
                under[..x].fill(0.0);
                under[x + part.width..].fill(0.0);
                under[x..x + part.width].iter_mut().zip(shape.row(row - y)).for_each(|(m, s)| *m *= s);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::image::trial::{key, prepare};

    const NOTHING: Inputs<'_> = Inputs { frames: &[], raster: None };

    fn sum(image: &Image, channel: usize) -> f32 {
        image.plane_f32(channel).iter().sum()
    }

    #[test]
    fn shapes_join_in_order() {
        let file = "
mattes:
  ring:
    shapes:
      - keys: { 1: [[10, 10], [50, 10], [50, 50], [10, 50]] }
      - { mode: subtract, keys: { 1: [[20, 20], [40, 20], [40, 40], [20, 40]] } }
  corner:
    shapes:
      - keys: { 1: [[10, 10], [50, 10], [50, 50], [10, 50]] }
      - { mode: intersect, keys: { 1: [[-30, -30], [20, -30], [20, 30], [-30, 30]] } }
      - keys: { 1: [[100, 50], [110, 50], [110, 60], [100, 60]] }
  none: { shapes: [] }
";
        let roto = prepare(&Roto, "", Some(file), &[]).ok().unwrap();
        assert_eq!(
            roto.channels().iter().map(|c| c.to_string()).collect::<Vec<_>>(),
            ["ring", "corner", "none"]
        );
        assert!(roto.is_steady());
        let image = roto.apply(&NOTHING, 1).unwrap();
        assert_eq!([sum(&image, 0), sum(&image, 1), sum(&image, 2)], [1200.0, 300.0, 0.0]);
    }

    #[test]
    fn soft_shapes_beside_the_frame_leave_it_empty() {
        for place in [
            "[[600, 10], [640, 10], [640, 50]]",
            "[[-90, 10], [-50, 10], [-50, 50]]",
            "[[10, 900], [50, 900], [50, 940]]",
        ] {
            for mode in ["add", "subtract", "intersect"] {
                let file = format!(
                    "mattes: {{ a: {{ shapes: [ {{ mode: {mode}, feather: 5, keys: {{ 1: {place} }} }} ] }} }}"
                );
                let roto = prepare(&Roto, "", Some(&file), &[]).ok().unwrap();
                assert_eq!(sum(&roto.apply(&NOTHING, 1).unwrap(), 0), 0.0);
            }
        }
    }

    fn moving(at_forty: i32) -> String {
        format!(
            "mattes: {{ crew: {{ shapes: [ {{ ease: smooth, feather: 2, keys: {{
               30: [[10, 10], [50, 10], [30, 50]], 35: [[12, 10], [50, 10], [30, 50]],
               40: [[{at_forty}, 10], [50, 10], [30, 50]], 45: [[20, 10], [50, 10], [30, 50]] }} }} ] }} }}"
        )
    }

    #[test]
    fn a_moved_key_changes_the_frames_between_its_neighbours_and_no_other() {
        let before = prepare(&Roto, "", Some(&moving(15)), &[]).ok().unwrap();
        let after = prepare(&Roto, "", Some(&moving(16)), &[]).ok().unwrap();
        let changed: Vec<i64> = (1..=60).filter(|&n| key(&*before, n) != key(&*after, n)).collect();
        assert_eq!(changed, (36..=44).collect::<Vec<_>>());
        for frame in [35, 38, 45] {
            let same = before.apply(&NOTHING, frame).unwrap() == after.apply(&NOTHING, frame).unwrap();
            assert_eq!(same, frame != 38);
        }
    }

    #[test]
    fn problems_of_the_file_come_back() {
        assert!(prepare(&Roto, "", None, &[]).is_err());
        let rods = "rods: { keeper: { keys: { 1: { base: [1, 2], tip: [3, 4] } } } }";
        assert!(prepare(&Roto, "", Some(rods), &[]).err().unwrap()[0].message.contains("no mattes"));
        let bad = "mattes: { a: { shapes: [ { keys: { 1: [[1, 2]] } }, { keys: { 1: [[1, 2]] } } ] } }";
        assert_eq!(prepare(&Roto, "", Some(bad), &[]).err().unwrap().len(), 2);
    }

    #[test]
    fn half_floats_hold_the_area_of_a_soft_shape() {
        let file = "mattes: { a: { shapes: [ { feather: 6, keys: { 1:
          [[60, 50, 0, -11.045695, 0, 11.045695], [40, 70, 11.045695, 0, -11.045695, 0],
           [20, 50, 0, 11.045695, 0, -11.045695], [40, 30, -11.045695, 0, 11.045695, 0]] } } ] } }";
        let image = prepare(&Roto, "", Some(file), &[]).ok().unwrap().apply(&NOTHING, 1).unwrap();
        let area = std::f32::consts::PI * 400.0 * 1.00028;
        assert!((sum(&image, 0) - area).abs() < 0.3, "{}", sum(&image, 0));
    }
}
