//! What hides a rod: the stage's holdout, or mattes of the rod's own.
//!
//! Knows which mattes, and how much of each counts at a frame. Does not know rods' light.

use std::sync::Arc;

use crate::base::curve::Curve;
use crate::base::problem::{Problem, Problems, nearest};
use crate::base::value::{Map, Node, Value};
use crate::media::image::Image;
use crate::operators::image::matte;
use crate::operators::shape::Rod;
use crate::operators::shape::coverage::{Mask, Window};
use crate::operators::{Connected, Inputs, OperatorError, Reader, Setup};

/// The setting of a rod that names what holds it out.
pub const OWN: &str = "holdout";

/// A matte that holds a rod out.
#[derive(Clone, Debug, PartialEq)]
pub struct Hold {
    /// The connected input.
    pub input: usize,
    /// How much of it counts, 0 to 1; of the stage's common holdout, the rod's `held` says it.
    pub amount: Option<Curve<1>>,
}

/// What holds each rod out: its own mattes where it names some, else the stage's holdout.
pub fn read(
    reader: &mut Reader<'_>,
    setup: &Setup<'_>,
    rods: &[Rod],
    common: usize,
    many: usize,
) -> Vec<Vec<Hold>> {
    let on = |port: usize| setup.inputs.iter().enumerate().filter(move |(_, c)| c.port == port);
    let shared: Vec<Hold> = on(common).map(|(input, _)| Hold { input, amount: None }).collect();
    let named: Vec<(usize, &Connected)> = on(many).collect();
    let own = reader.value("rods").and_then(Value::map).map(|map| own(map, &named, &mut reader.problems));
    let own = own.unwrap_or_default();
    let of = |rod: &Rod| own.iter().find(|(name, _)| *name == &*rod.name).map(|(_, holds)| holds.clone());
    rods.iter().map(|rod| of(rod).unwrap_or_else(|| shared.clone())).collect()
}

/// The mattes of rods that name their own.
fn own<'a>(
    map: &'a Map,
    named: &[(usize, &Connected)],
    problems: &mut Problems,
) -> Vec<(&'a str, Vec<Hold>)> {
    let mut out = Vec::new();
    for (rod, settings) in &map.entries {
        let Some(value) = settings.map().and_then(|m| m.get(OWN)).filter(|v| v.node != Node::Null) else {
            continue;
        };
        let whole = Curve::steady([1.0]);
        let written: Vec<(String, &Value, Result<Curve<1>, Problem>)> = match &value.node {
            Node::Map(map) => map.entries.iter().map(|(key, v)| (key.text.clone(), v, share(v))).collect(),
            Node::List(list) => list.iter().map(|v| (word(v, problems), v, Ok(whole.clone()))).collect(),
            _ => vec![(word(value, problems), value, Ok(whole))],
        };
        let mut holds = Vec::new();
        for (name, value, amount) in written {
            let input = named.iter().find(|(_, c)| c.name == name).map(|(input, _)| *input);
            if input.is_none() && !name.is_empty() {
                let problem =
                    Problem::error(value.span, format!("no matte '{name}' is connected to `holdouts`"));
                problems.push(match nearest(&name, named.iter().map(|(_, c)| c.name.as_str())) {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None => problem.help(format!("from: {{ holdouts: {{ {name}: STAGE.CHANNEL }} }}")),
                });
            }
            match (amount, input) {
                (Ok(amount), Some(input)) => holds.push(Hold { input, amount: Some(amount) }),
                (Err(problem), _) => problems.push(problem),
                _ => {}
            }
        }
        out.push((rod.text.as_str(), holds));
    }
    out
}

/// A matte's name; what is none is told of, and names nothing.
fn word(value: &Value, problems: &mut Problems) -> String {
    match value.text() {
        Ok(text) => text.to_string(),
        Err(problem) => {
            problems.push(problem.help("the name of a matte, a list of names, or { NAME: AMOUNT }"));
            String::new()
        }
    }
}

/// A keyed share.
pub fn share(value: &Value) -> Result<Curve<1>, Problem> {
    let curve = value.curve()?;
    match curve.keys().iter().find(|(_, [n])| !(0.0..=1.0).contains(n)) {
        Some((_, [n])) => {
            Err(Problem::error(value.span, format!("{n} is no share of a matte")).help("from 0 to 1"))
        }
        None => Ok(curve),
    }
}

/// Inputs, how much of each counts, and what they hide together.
type Joined = (Vec<(usize, f64)>, Arc<Mask>);

/// The mattes of one frame, each read once.
pub struct Mattes<'a> {
    inputs: &'a Inputs<'a>,
    connected: &'a [Connected],
    frame: i64,
    size: (u32, u32),
    read: Vec<(usize, Arc<Mask>)>,
    joined: Vec<Joined>,
}

impl<'a> Mattes<'a> {
    /// Starts on a frame of a picture's size.
    pub fn new(inputs: &'a Inputs<'a>, connected: &'a [Connected], frame: i64, picture: &Image) -> Self {
        let size = (picture.width(), picture.height());
        Self { inputs, connected, frame, size, read: Vec::new(), joined: Vec::new() }
    }

    /// The matte of one input.
    ///
    /// # Errors
    /// When it was not handed over, or does not fit.
    pub fn one(&mut self, input: usize) -> Result<Arc<Mask>, OperatorError> {
        if let Some((_, mask)) = self.read.iter().find(|(i, _)| *i == input) {
            return Ok(mask.clone());
        }
        let image = self.inputs.frame(input, self.frame)?;
        let samples = matte::plane(&self.connected[input], image, self.size)?;
        let mask = Arc::new(Mask { window: self.window(), samples });
        self.read.push((input, mask.clone()));
        Ok(mask)
    }

    /// The whole frame.
    pub fn window(&self) -> Window {
        Window { x: 0, y: 0, width: self.size.0 as usize, height: self.size.1 as usize }
    }

    /// What several mattes hide together, each by its amount; nothing when there are none.
    ///
    /// # Errors
    /// As of [`Mattes::one`].
    pub fn together(&mut self, holds: &[(usize, f64)]) -> Result<Option<Arc<Mask>>, OperatorError> {
        match holds {
            [] => return Ok(None),
            &[(input, 1.0)] => return self.one(input).map(Some),
            _ => {}
        }
        if let Some((_, mask)) = self.joined.iter().find(|(of, _)| of == holds) {
            return Ok(Some(mask.clone()));
        }
        let mut mask = Mask::new(self.window());
        for &(input, amount) in holds {
            let one = self.one(input)?;
            let amount = amount as f32;
            mask.samples.iter_mut().zip(&one.samples).for_each(|(m, p)| *m += amount * p * (1.0 - *m));
        }
        let mask = Arc::new(mask);
        self.joined.push((holds.to_vec(), mask.clone()));
        Ok(Some(mask))
    }
}
