//! Matrices, tables, ranges and CDLs of the Common LUT Format.
//!
//! Knows these nodes' elements and scales. Does not know how nodes follow one another.

use std::sync::Arc;

use half::f16;

use super::{Node, Reader};
use crate::base::problem::Problem;
use crate::operators::colour::block::HALF_MAX;
use crate::operators::colour::cdl::Style;
use crate::operators::colour::cdl_xml;
use crate::operators::colour::step::Step;
use crate::operators::colour::table::{Between, Curves, HALVES, Lattice};
use crate::operators::colour::xml::{self, Element};

/// The whole range of a table's input.
const UNIT: [[f64; 2]; 3] = [[0.0, 1.0]; 3];

/// How the numbers of an array are written.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Written {
    Numbers,
    /// Numbers, or words for what is none: half floats can be that.
    WithWords,
    /// The bits of half floats, read as whole numbers.
    Bits,
}

impl Reader<'_> {
    pub(super) fn matrix(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        self.only(node.element, &[], &["Array"]);
        let (array, dim) = self.array(node.element)?;
        let columns = match dim[..] {
            [3, columns @ (3 | 4)] | [3, columns @ (3 | 4), 3] => columns,
            _ => {
                let help = "dim=\"3 3\", or dim=\"3 4\" with offsets in the last column";
                return Err(self.problem(
                    &array.place,
                    "a matrix of these dimensions is not of this format",
                    help,
                ));
            }
        };
        let values = self.values(array, 3 * columns, Written::Numbers)?;
        let at = |row: usize, column: usize| f64::from(values[row * columns + column]);
        let rows: [[f32; 3]; 3] =
            [0, 1, 2].map(|r| [0, 1, 2].map(|c| (at(r, c) * node.from / node.to) as f32));
        let offset = [0, 1, 2].map(|r| if columns == 4 { (at(r, 3) / node.to) as f32 } else { 0.0 });
        Ok(Some(Step::Matrix(rows, offset)))
    }

    pub(super) fn table(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        let element = node.element;
        self.only(element, &["interpolation", "halfDomain", "rawHalfs"], &["Array"]);
        self.word(element, "interpolation", &["linear"])?;
        for name in ["halfDomain", "rawHalfs"] {
            if element.attribute(name).is_some_and(|value| value != "true") {
                let message = format!("'{name}' can only be true");
                return Err(self.problem(&element.place, message, "leave it out where it is not"));
            }
        }
        let (over_halves, raw) =
            (element.attribute("halfDomain").is_some(), element.attribute("rawHalfs").is_some());
        let (array, dim) = self.array(element)?;
        let [length, channels @ (1 | 3)] = dim[..] else {
            let help = "dim=\"LENGTH 1\", or dim=\"LENGTH 3\"";
            return Err(self.problem(
                &array.place,
                "a table of these dimensions is not of this format",
                help,
            ));
        };
        if over_halves && length != HALVES {
            let message = format!("a table over half floats has {HALVES} entries, not {length}");
            return Err(self.problem(&array.place, message, ""));
        }
        if !(2..=HALVES).contains(&length) {
            let message = format!("a table of {length} entries");
            return Err(self.problem(&array.place, message, &format!("from 2 to {HALVES}")));
        }
        let written = match (raw, over_halves) {
            (true, _) => Written::Bits,
            (false, true) => Written::WithWords,
            (false, false) => Written::Numbers,
        };
        let values = self.values(array, length * channels, written)?;
        let scale = |v: f32| (f64::from(v) / node.to) as f32;
        let rows: Vec<[f32; 3]> = values
            .chunks_exact(channels)
            .map(|row| if channels == 3 { [row[0], row[1], row[2]].map(scale) } else { [scale(row[0]); 3] })
            .collect();
        let curves = if over_halves { Curves::over_halves(&rows) } else { Curves::new(UNIT, &rows) };
        Ok(Some(Step::Curves(Arc::new(curves))))
    }

    pub(super) fn lattice(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        let element = node.element;
        self.only(element, &["interpolation"], &["Array"]);
        let between = match self.word(element, "interpolation", &["trilinear", "tetrahedral"])? {
            0 => Between::Trilinear,
            _ => Between::Tetrahedral,
        };
        let (array, dim) = self.array(element)?;
        let [size, green, blue, 3] = dim[..] else {
            let help = "dim=\"SIZE SIZE SIZE 3\"";
            return Err(self.problem(
                &array.place,
                "a table of these dimensions is not of this format",
                help,
            ));
        };
        if size != green || size != blue || !(2..=256).contains(&size) {
            let help = "all three sizes are alike, from 2 to 256";
            return Err(self.problem(&array.place, "a table of these sizes is not of this format", help));
        }
        let values = self.values(array, size * size * size * 3, Written::Numbers)?;
        // The file's blue changes fastest, and the table's red.
        let mut rows = Vec::with_capacity(size * size * size);
        for b in 0..size {
            for g in 0..size {
                for r in 0..size {
                    let at = ((r * size + g) * size + b) * 3;
                    rows.push([0, 1, 2].map(|c| (f64::from(values[at + c]) / node.to) as f32));
                }
            }
        }
        Ok(Some(Step::Lattice(Arc::new(Lattice::new(UNIT, size, &rows).weighed(between)))))
    }

    pub(super) fn range(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        let element = node.element;
        let names = ["minInValue", "minOutValue", "maxInValue", "maxOutValue"];
        self.only(element, &["style"], &names);
        let clamps = self.word(element, "style", &["Clamp", "noClamp"])? == 0;
        let mut limits = [None; 4];
        for (i, name) in names.into_iter().enumerate() {
            if let Some(child) = element.child(name) {
                let scale = if i % 2 == 0 { node.from } else { node.to };
                limits[i] = Some(f64::from(self.values(child, 1, Written::Numbers)?[0]) / scale);
            }
        }
        let wrong = |message: &str, help: &str| Err(self.problem(&element.place, message, help));
        let pair = |low: Option<f64>, high: Option<f64>| low.zip(high);
        let (least, greatest) = (pair(limits[0], limits[1]), pair(limits[2], limits[3]));
        if limits[0].is_some() != limits[1].is_some() || limits[2].is_some() != limits[3].is_some() {
            return wrong(
                "a limit of the range has no partner",
                "limits come in pairs: minInValue with minOutValue, maxInValue with maxOutValue",
            );
        }
        let (factor, offset) = match (least, greatest) {
            (None, None) => {
                return wrong(
                    "the range has no limit",
                    "give minInValue with minOutValue, maxInValue with maxOutValue, or all four",
                );
            }
            (Some((from, to)), Some((from_high, to_high))) => {
                if from_high <= from || to_high < to {
                    return wrong(
                        "the range ends below its start",
                        "maxInValue lies above minInValue, and maxOutValue not below minOutValue",
                    );
                }
                let factor = (to_high - to) / (from_high - from);
                (factor, to - from * factor)
            }
            (Some((from, to)), None) | (None, Some((from, to))) => {
                if (from - to).abs() > 1e-6 * from.abs().max(1.0) {
                    return wrong(
                        "the range's limits differ, and say nothing of its scale",
                        "with one pair of limits, both are the same light",
                    );
                }
                if !clamps {
                    return wrong(
                        "a range that neither scales nor holds",
                        "style noClamp takes all four limits",
                    );
                }
                (1.0, 0.0)
            }
        };
        let end =
            |limit: Option<(f64, f64)>, none: f32| limit.filter(|_| clamps).map_or(none, |(_, to)| to as f32);
        let ends = [end(least, f32::NEG_INFINITY), end(greatest, f32::INFINITY)];
        Ok(Some(Step::Range([factor as f32, offset as f32, ends[0], ends[1]])))
    }

    pub(super) fn cdl(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        let element = node.element;
        self.only(element, &["style"], &["SOPNode", "SatNode"]);
        let words =
            ["Fwd", "Rev", "FwdNoClamp", "RevNoClamp", "v1.2_Fwd", "v1.2_Rev", "noClampFwd", "noClampRev"];
        let style = match self.word(element, "style", &words)? % 4 {
            0 => Style::Clamp,
            1 => Style::UndoClamp,
            2 => Style::NoClamp,
            _ => Style::UndoNoClamp,
        };
        if element.child("SOPNode").or(element.child("SatNode")).is_none() {
            return Err(self.problem(&element.place, "the grade holds neither SOPNode nor SatNode", ""));
        }
        let cdl = match cdl_xml::numbers_of(self.file, self.text, element) {
            Ok(cdl) => cdl,
            Err(problems) => {
                for problem in problems {
                    let _: Option<()> = self.keep(Err(problem));
                }
                return Ok(None);
            }
        };
        if style.is_undoing() && (cdl.slope.contains(&0.0) || cdl.saturation == 0.0) {
            let message = "there is no way back from a slope or saturation of 0";
            return Err(self.problem(&element.place, message, ""));
        }
        Ok((!cdl.is_neutral(style)).then_some(Step::Cdl(cdl, style)))
    }

    /// The one array of a node and its dimensions.
    fn array<'e>(&self, element: &'e Element) -> Result<(&'e Element, Vec<usize>), Problem> {
        let mut arrays = element.children.iter().filter(|child| child.name == "Array");
        let Some(array) = arrays.next() else {
            return Err(self.problem(&element.place, format!("the {} lacks its Array", element.name), ""));
        };
        if let Some(second) = arrays.next() {
            return Err(self.problem(&second.place, format!("a second Array in a {}", element.name), ""));
        }
        let dim = array.attribute("dim").unwrap_or_default();
        let sizes: Option<Vec<usize>> =
            dim.split_ascii_whitespace().map(|n| n.parse().ok().filter(|n| *n <= HALVES)).collect();
        match sizes {
            Some(sizes) if !sizes.is_empty() => Ok((array, sizes)),
            _ => {
                let message = format!("'{}' are not the dimensions of an array", xml::shown(dim));
                Err(self.problem(&array.place, message, "whole numbers, such as dim=\"3 3\""))
            }
        }
    }

    /// Exactly `count` numbers of an element's text.
    fn values(&self, element: &Element, count: usize, written: Written) -> Result<Vec<f32>, Problem> {
        // A number takes two bytes at least, so that a false size takes no more memory than the file could fill.
        let mut out = Vec::with_capacity(count.min(element.content.len() / 2 + 1));
        for (place, word) in element.words(self.text) {
            if out.len() == count {
                let message = format!("more numbers than the {count} that are wanted here");
                return Err(self.problem(&place, message, ""));
            }
            match value(word, written) {
                Some(value) => out.push(value),
                None => {
                    let what = if written == Written::Bits { "the bits of a half float" } else { "a number" };
                    let message = format!("'{}' is not {what}", xml::shown(word));
                    return Err(self.problem(&place, message, ""));
                }
            }
        }
        if out.len() < count {
            let message = format!("{count} numbers are wanted here, not {}", out.len());
            return Err(self.problem(&element.place, message, ""));
        }
        Ok(out)
    }
}

fn value(word: &str, written: Written) -> Option<f32> {
    let held = |v: f32| if v.is_nan() { 0.0 } else { v.clamp(-HALF_MAX, HALF_MAX) };
    match written {
        Written::Bits => word.parse().ok().map(|bits| held(f16::from_bits(bits).to_f32())),
        Written::WithWords if !word.bytes().any(|b| b.is_ascii_digit()) => word.parse().ok().map(held),
        _ => xml::number(word).map(|v| v as f32).filter(|v| v.is_finite()),
    }
}
