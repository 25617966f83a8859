//! CDLs over time, and corrections within mattes as written.
//!
//! Knows their settings and what cannot be. Does not know what becomes of them (`order`).

use super::spec::MATTES;
use crate::base::curve::Curve;
use crate::base::problem::{Problem, Problems, nearest};
use crate::base::value::{Fields, Value};
use crate::operators::colour::cdl::{Cdl, Part, refusal};
use crate::operators::colour::power;
use crate::operators::{Reader, Setup};

/// A CDL over time.
pub struct KeyedCdl {
    pub slope: Curve<3>,
    pub offset: Curve<3>,
    pub power: Curve<3>,
    pub saturation: Curve<1>,
}

impl KeyedCdl {
    /// The grade at a time.
    pub fn at(&self, time: f64) -> Cdl {
        Cdl {
            slope: self.slope.at(time),
            offset: self.offset.at(time),
            power: self.power.at(time),
            saturation: self.saturation.at(time)[0],
        }
    }

    /// True when it is the same at every time.
    pub fn is_steady(&self) -> bool {
        self.slope.is_steady()
            && self.offset.is_steady()
            && self.power.is_steady()
            && self.saturation.is_steady()
    }
}

/// A correction within a matte.
pub struct Correction {
    /// The connected input of its matte.
    pub input: usize,
    /// Whether what the matte leaves out changes.
    pub elsewhere: bool,
    /// Share of the change that is kept.
    pub amount: Curve<1>,
    /// In stops.
    exposure: Curve<1>,
    /// Its grade.
    pub cdl: KeyedCdl,
}

impl Correction {
    /// The factor of light at a time.
    pub fn gain(&self, time: f64) -> f64 {
        power::exp2_exact(self.exposure.at(time)[0])
    }

    /// True when it is the same at every time.
    pub fn is_steady(&self) -> bool {
        self.amount.is_steady() && self.exposure.is_steady() && self.cdl.is_steady()
    }
}

/// The problem of a part of a grade that holds a number which it cannot.
pub fn refused<const N: usize>(
    name: &str,
    part: Part,
    curve: &Curve<N>,
    value: Option<&Value>,
) -> Option<Problem> {
    let reason = curve.keys().iter().flat_map(|(_, numbers)| numbers).find_map(|n| refusal(part, *n))?;
    Some(Problem::error(value?.span, format!("'{name}' cannot be this")).help(reason))
}

/// The corrections as written; warnings of mattes that none names go to `cautions`.
pub fn corrections(reader: &mut Reader<'_>, setup: &Setup<'_>, cautions: &mut Problems) -> Vec<Correction> {
    let mattes: Vec<(usize, &str)> = (setup.inputs.iter().enumerate())
        .filter(|(_, connected)| connected.port == MATTES)
        .map(|(input, connected)| (input, connected.name.as_str()))
        .collect();
    let Some(value) = reader.value("corrections") else {
        if let Some((_, name)) = mattes.first() {
            let problem = Problem::error(setup.span, format!("matte '{name}' is not used by any correction"));
            cautions
                .push(problem.warning().help(format!("corrections: [{{ matte: {name}, exposure: 0.5 }}]")));
        }
        return Vec::new();
    };
    let items = match value.list() {
        Ok(items) => items,
        Err(problem) => {
            reader.problems.push(problem.help("corrections: [{ matte: NAME, exposure: 0.5 }]"));
            return Vec::new();
        }
    };
    let mut out = Vec::new();
    for item in items {
        match correction(item, &mattes) {
            Ok(correction) => out.push(correction),
            Err(problems) => reader.problems.extend(problems),
        }
    }
    for (input, name) in &mattes {
        if reader.problems.is_empty() && !out.iter().any(|c| c.input == *input) {
            let problem = Problem::error(value.span, format!("matte '{name}' is not used by any correction"));
            cautions.push(problem.warning());
        }
    }
    out
}

fn correction(item: &Value, mattes: &[(usize, &str)]) -> Result<Correction, Problems> {
    let mut fields = Fields::of(item, "the correction").map_err(|problem| vec![problem])?;
    let mut input = 0;
    if let Some(value) = fields.need("matte")
        && let Some(name) = fields.keep(value.text())
    {
        match mattes.iter().find(|(_, matte)| *matte == name) {
            Some((found, _)) => input = *found,
            None => {
                let problem = Problem::error(value.span, format!("there is no matte '{name}' here"));
                let near = nearest(name, mattes.iter().map(|(_, name)| *name));
                fields.problems.push(match near {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None => problem.help(format!("from: {{ mattes: {{ {name}: STAGE.CHANNEL }} }}")),
                });
            }
        }
    }
    let elsewhere = fields.read("elsewhere", Value::flag).unwrap_or(false);
    if let Some(value) = fields.get("outside") {
        let problem = Problem::error(value.span, "'outside' is called 'elsewhere'");
        fields.problems.push(problem.help("elsewhere: true changes what the matte leaves out"));
    }
    let mut number = |name: &'static str, default: f64, min: f64, max: f64| {
        let value = fields.get(name)?;
        let curve = fields.keep(value.curve()).unwrap_or_else(|| Curve::steady([default]));
        if !curve.keys().iter().all(|(_, [n])| (min..=max).contains(n)) {
            let problem = Problem::error(value.span, format!("'{name}' is out of range"));
            fields.problems.push(problem.help(format!("from {min} to {max}")));
        }
        Some(curve)
    };
    let amount = number("amount", 1.0, 0.0, 1.0).unwrap_or_else(|| Curve::steady([1.0]));
    let exposure = number("exposure", 0.0, -20.0, 20.0).unwrap_or_else(|| Curve::steady([0.0]));
    let most = crate::operators::colour::cdl::LIMIT;
    let saturation = number("saturation", 1.0, 0.0, most).unwrap_or_else(|| Curve::steady([1.0]));
    let mut three = |name: &'static str, part: Part, default: f64| {
        let steady = Curve::steady([default; 3]);
        let Some(value) = fields.get(name) else { return steady };
        let curve = fields.keep(value.keyed(Value::numbers::<3>)).unwrap_or(steady);
        fields.problems.extend(refused(name, part, &curve, Some(value)));
        curve
    };
    let slope = three("slope", Part::Slope, 1.0);
    let (offset, power) = (three("offset", Part::Offset, 0.0), three("power", Part::Power, 1.0));
    let problems = fields.finish();
    if !problems.is_empty() {
        return Err(problems);
    }
    let cdl = KeyedCdl { slope, offset, power, saturation };
    Ok(Correction { input, elsewhere, amount, exposure, cdl })
}
