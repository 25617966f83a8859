//! Logarithms and exponents of the Common LUT Format.
//!
//! Knows these nodes' styles and parameters. Does not know how nodes follow one another.

use std::f64::consts::LOG2_10;

use super::{Node, Reader};
use crate::base::problem::Problem;
use crate::operators::colour::power::log2_exact;
use crate::operators::colour::step::{Below, Step, Way};
use crate::operators::colour::transfer::{Log, Toe, Transfer};
use crate::operators::colour::xml::Element;

const LOGS: [&str; 8] =
    ["log10", "antiLog10", "log2", "antiLog2", "linToLog", "logToLin", "cameraLinToLog", "cameraLogToLin"];
const EXPONENTS: [&str; 10] = [
    "basicFwd",
    "basicRev",
    "basicMirrorFwd",
    "basicMirrorRev",
    "basicPassThruFwd",
    "basicPassThruRev",
    "monCurveFwd",
    "monCurveRev",
    "monCurveMirrorFwd",
    "monCurveMirrorRev",
];
const LOG_NUMBERS: [&str; 7] =
    ["base", "logSideSlope", "logSideOffset", "linSideSlope", "linSideOffset", "linSideBreak", "linearSlope"];
/// Exponents and offsets of curves with a tangent below these are those of a straight line, for which there is no tangent; the
/// least that is computed.
const LEAST: f64 = 1e-6;

impl Reader<'_> {
    pub(super) fn log(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        let element = node.element;
        self.only(element, &["style"], &["LogParams"]);
        let style = self.style(element, &LOGS)?;
        let (way, family) = (if style % 2 == 0 { Way::Encode } else { Way::Decode }, style / 2);
        let params: Vec<&Element> = element.children.iter().filter(|c| c.name == "LogParams").collect();
        if family < 2 {
            if let Some(params) = params.first() {
                return Err(self.problem(&params.place, format!("{} takes no LogParams", LOGS[style]), ""));
            }
            let c = if family == 0 { 1.0 / LOG2_10 } else { 1.0 };
            return Ok(Some(Step::curve(way, Transfer::Log(Log::endless(1.0, 0.0, c, 0.0)))));
        }
        if params.is_empty() {
            return Err(self.problem(&element.place, format!("{} wants LogParams", LOGS[style]), ""));
        }
        let curves = self.channels(&params, |reader, params| reader.log_of(params, family == 3))?;
        let [Some(red), Some(green), Some(blue)] = curves else {
            let help = "one set of LogParams for all channels, or one for each";
            return Err(self.problem(&element.place, "a channel lacks its LogParams", help));
        };
        let curves = [red, green, blue];
        Ok(Some(Step::Curve { way, mirrored: false, curves }))
    }

    fn log_of(&mut self, params: &Element, is_camera: bool) -> Result<Transfer, Problem> {
        for attribute in &params.attributes {
            let known = LOG_NUMBERS.contains(&attribute.name.as_str()) || attribute.name == "channel";
            if !known {
                let message = format!("'{}' is not a parameter of a logarithm", attribute.name);
                return Err(self.problem(
                    &params.place,
                    message,
                    &format!("known: {}", LOG_NUMBERS.join(", ")),
                ));
            }
        }
        let mut numbers = [None; 7];
        for (slot, name) in numbers.iter_mut().zip(LOG_NUMBERS) {
            *slot = self.number(params, name)?;
        }
        let [base, log_slope, log_offset, slope, offset, cut, linear] = numbers;
        let (base, a, b) = (base.unwrap_or(2.0), slope.unwrap_or(1.0), offset.unwrap_or(0.0));
        let (log_slope, d) = (log_slope.unwrap_or(1.0), log_offset.unwrap_or(0.0));
        let wrong = |message: &str, help: &str| Err(self.problem(&params.place, message, help));
        if base <= 0.0 || base == 1.0 {
            return wrong("there is no logarithm to this base", "a base is above 0 and not 1");
        }
        if a == 0.0 || log_slope == 0.0 {
            return wrong(
                "a slope of 0 leaves nothing of the picture",
                "linSideSlope and logSideSlope are not 0",
            );
        }
        let c = log_slope / log2_exact(base);
        match (is_camera, cut) {
            (true, None) => wrong("a camera's logarithm lacks its linSideBreak", ""),
            (false, Some(_)) => wrong(
                "linSideBreak belongs to a camera's logarithm",
                "style cameraLinToLog or cameraLogToLin",
            ),
            (false, None) if linear.is_some() => {
                wrong("linearSlope belongs to a camera's logarithm", "style cameraLinToLog or cameraLogToLin")
            }
            (false, None) => Ok(Transfer::Log(Log::endless(a, b, c, d))),
            (true, Some(cut)) => {
                if a < 0.0 || c < 0.0 || a * cut + b <= 0.0 || linear.is_some_and(|slope| slope <= 0.0) {
                    return wrong(
                        "this curve does not rise from its straight part on",
                        "slopes are above 0, and so is linSideSlope × linSideBreak + linSideOffset",
                    );
                }
                Ok(Transfer::Log(Log::with_toe(a, b, c, d, cut, linear)))
            }
        }
    }

    pub(super) fn exponent(&mut self, node: &Node<'_>) -> Result<Option<Step>, Problem> {
        let element = node.element;
        self.only(element, &["style"], &["ExponentParams"]);
        let style = self.style(element, &EXPONENTS)?;
        let (is_forward, has_offset) = (style % 2 == 0, style >= 6);
        let params: Vec<&Element> = element.children.iter().filter(|c| c.name == "ExponentParams").collect();
        if params.is_empty() {
            return Err(self.problem(&element.place, "the Exponent lacks its ExponentParams", ""));
        }
        let numbers = self.channels(&params, |reader, params| reader.exponent_of(params, has_offset))?;
        let numbers = numbers.map(|numbers| numbers.unwrap_or((1.0, 0.0)));
        if has_offset {
            let way = if is_forward { Way::Decode } else { Way::Encode };
            let curve = |(exponent, offset): (f64, f64)| {
                Transfer::Toe(Toe::tangent(exponent.max(1.0 + LEAST), offset.max(LEAST)))
            };
            return Ok(Some(Step::Curve { way, mirrored: style >= 8, curves: numbers.map(curve) }));
        }
        let exponents = numbers.map(|(exponent, _)| if is_forward { exponent } else { 1.0 / exponent });
        let below = [Below::Zero, Below::Mirrored, Below::Passed][style / 2];
        Ok(Some(Step::Power(exponents, below)))
    }

    fn exponent_of(&mut self, params: &Element, has_offset: bool) -> Result<(f64, f64), Problem> {
        for attribute in &params.attributes {
            if !["channel", "exponent", "offset"].contains(&attribute.name.as_str()) {
                let message = format!("'{}' is not a parameter of an exponent", attribute.name);
                return Err(self.problem(&params.place, message, "known: exponent, offset"));
            }
        }
        let (exponent, offset) = (self.number(params, "exponent")?, self.number(params, "offset")?);
        let wrong = |message: &str, help: &str| Err(self.problem(&params.place, message, help));
        let Some(exponent) = exponent else { return wrong("ExponentParams lacks its 'exponent'", "") };
        let (least, most) = if has_offset { (1.0, 10.0) } else { (0.01, 100.0) };
        if !(least..=most).contains(&exponent) {
            return wrong("the exponent is out of range", &format!("from {least} to {most}"));
        }
        match offset {
            Some(_) if !has_offset => {
                wrong("this style of exponent has no offset", "styles with one begin with monCurve")
            }
            None if has_offset => wrong("ExponentParams lacks its 'offset'", ""),
            Some(offset) if !(0.0..=0.9).contains(&offset) => {
                wrong("the offset is out of range", "from 0 to 0.9")
            }
            _ => Ok((exponent, offset.unwrap_or(0.0))),
        }
    }

    fn style(&self, element: &Element, words: &[&str]) -> Result<usize, Problem> {
        if element.attribute("style").is_none() {
            let message = format!("the {} lacks its 'style'", element.name);
            return Err(self.problem(&element.place, message, &format!("one of: {}", words.join(", "))));
        }
        self.word(element, "style", words)
    }

    /// What parameters say of red, green and blue: of all, or of each by its letter.
    fn channels<T: Copy>(
        &mut self,
        params: &[&Element],
        mut read: impl FnMut(&mut Self, &Element) -> Result<T, Problem>,
    ) -> Result<[Option<T>; 3], Problem> {
        let mut out = [None; 3];
        for element in params {
            let value = read(self, element)?;
            let wanted: &[usize] = match element.attribute("channel") {
                None if params.len() == 1 => &[0, 1, 2],
                Some("R") => &[0],
                Some("G") => &[1],
                Some("B") => &[2],
                _ => {
                    let help = "channel=\"R\", \"G\" or \"B\", or one set of parameters for all";
                    return Err(self.problem(&element.place, "parameters of no channel", help));
                }
            };
            for &c in wanted {
                if out[c].replace(value).is_some() {
                    return Err(self.problem(
                        &element.place,
                        "a second set of parameters of this channel",
                        "",
                    ));
                }
            }
        }
        Ok(out)
    }
}
