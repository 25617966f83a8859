//! Filters one after the other, as settings write them: `filters: [high-pass: 80, { bell: 2500, gain: -3, q: 1.4 }]`.
//!
//! Knows how they are written and run. What one does is `filter`'s.

use super::filter::{Filter, Kind, Memory};
use crate::base::problem::{Problem, Problems};
use crate::base::value::{Fields, Value};

/// The kinds by name.
const KINDS: [&str; 5] = ["high-pass", "low-pass", "low-shelf", "high-shelf", "bell"];
/// What `filters` takes, for tables of settings.
pub const DOC: &str = "Filters in order, each a map of its kind to its frequency in Hz: `high-pass`, `low-pass` (12 dB an octave), `low-shelf`, `high-shelf` or `bell`; with `gain` in dB of shelves and bells, and `q`, 0.1 to 20 (0.7071)";

/// Filters in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filters(Vec<Filter>);

impl Filters {
    /// Reads a list of filters for a sound of `rate` samples a second.
    pub fn read(value: Option<&Value>, rate: u32, problems: &mut Problems) -> Self {
        let Some(value) = value else { return Self::default() };
        let items = value.list().map_err(|problem| problems.push(problem)).unwrap_or_default();
        Self(items.iter().filter_map(|item| one(item, rate, problems)).collect())
    }

    /// Samples after which what they remember has died away.
    pub fn settles(&self) -> i64 {
        self.0.iter().map(|filter| filter.settles() as i64).sum()
    }

    /// Filters each channel in place, from silence.
    pub fn run(&self, channels: &mut [Vec<f32>]) {
        for plane in channels {
            for filter in &self.0 {
                filter.run(plane, &mut Memory::default());
            }
        }
    }
}

fn one(item: &Value, rate: u32, problems: &mut Problems) -> Option<Filter> {
    let mut fields = Fields::of(item, "a filter").map_err(|problem| problems.push(problem)).ok()?;
    let given: Vec<(usize, &Value)> =
        KINDS.iter().enumerate().filter_map(|(i, kind)| Some((i, fields.get(kind)?))).collect();
    let number = |value: &Value, name: &str, min: f64, max: f64| {
        let n = value.number()?;
        if (min..=max).contains(&n) {
            return Ok(n);
        }
        let problem = Problem::error(value.span, format!("{n} is out of range for '{name}'"));
        Err(problem.help(format!("from {min} to {max}")))
    };
    let gain = fields.read("gain", |value| number(value, "gain", -40.0, 40.0));
    let q =
        fields.read("q", |value| number(value, "q", 0.1, 20.0)).unwrap_or(std::f64::consts::FRAC_1_SQRT_2);
    let kind = match given[..] {
        [(kind, value)] => {
            let hertz = fields.keep(number(value, KINDS[kind], 10.0, f64::from(rate) / 2.0));
            hertz.map(|hertz| (kind, hertz))
        }
        _ => {
            let problem = Problem::error(item.span, "a filter is of one kind");
            fields.problems.push(problem.help(format!("one of: {}", KINDS.join(", "))));
            None
        }
    };
    if let Some((0 | 1, _)) = kind
        && gain.is_some()
    {
        fields.problems.push(Problem::error(item.span, "a pass has no gain").help("take `gain` away"));
    }
    problems.extend(fields.finish());
    let (kind, hertz) = kind?;
    let gain = gain.unwrap_or(0.0);
    let kind = match kind {
        0 => Kind::HighPass,
        1 => Kind::LowPass,
        2 => Kind::LowShelf(gain),
        3 => Kind::HighShelf(gain),
        _ => Kind::Bell(gain),
    };
    Some(Filter::new(kind, hertz, q, rate))
}
