//! Speed lines of an edit list: `M2`, the reel, source frames a second, the source timecode at which the speed begins.
//!
//! The number counts source frames in a second of the film: below 0 backwards, 0 a freeze (common practice, no source). Lists
//! write it with few digits, so that the lengths of the event decide where they say more. Does not know which event it is of.

use crate::base::problem::{SourceId, Span};
use crate::base::rate::Rate;
use crate::base::speed::Speed;
use crate::cut::piece::Piece;

/// A speed as a list writes it.
#[derive(Clone, Copy)]
pub struct Motion {
    /// Source frames a second, in units of 10 to the power of −`decimals`.
    number: i64,
    decimals: u32,
    /// The source frame at which it begins, when it says so.
    pub begins: Option<(i64, Span)>,
    /// Its line.
    pub span: Span,
}

impl Motion {
    /// A frame that is held.
    pub fn freeze(span: Span) -> Self {
        Self { number: 0, decimals: 0, begins: None, span }
    }

    /// Reads a line: the reel that it names, the speed and the timecode at which it begins; none without a number. The reel's
    /// name may be missing.
    pub fn read(line: Piece<'_>) -> Option<(Option<Piece<'_>>, Self, Option<Piece<'_>>)> {
        let words = line.words();
        let fields = words.get(1..words.len().min(3))?;
        let at = (0..fields.len()).rev().find(|&at| decimal(fields[at].text).is_some())?;
        let (number, decimals) = decimal(fields[at].text)?;
        let reel = (at == 1).then(|| fields[0]);
        Some((reel, Self { number, decimals, begins: None, span: line.span }, words.get(2 + at).copied()))
    }

    /// As it is written, in frames a second.
    pub fn per_second(&self) -> f64 {
        self.number as f64 / 10f64.powi(self.decimals as i32)
    }

    /// True when it plays backwards.
    pub fn is_backwards(&self) -> bool {
        self.number < 0
    }

    /// True when one frame is held.
    pub fn is_freeze(&self) -> bool {
        self.number == 0
    }

    /// The speed by the number alone.
    pub fn alone(&self, rate: Rate) -> Speed {
        let source = (self.per_second().abs() * 1e3).round() as i64;
        let speed = self.speed(source, 1000 * i64::from(rate.nominal()), rate);
        speed.unwrap_or(Speed::near(self.per_second() / rate.per_second()).unwrap_or(Speed::OWN))
    }

    /// The speed of an event with so many source frames in so many of the film; none when they do not go together.
    pub fn speed(&self, source: i64, film: i64, rate: Rate) -> Option<Speed> {
        if self.is_freeze() {
            return Some(Speed::FREEZE);
        }
        let sign = self.number.signum();
        let tens = 10i64.pow(self.decimals);
        // Lists at 23.976 and the like count either the seconds of labels or true ones.
        let nominal = Speed::new(self.number, tens * i64::from(rate.nominal()));
        let true_ones = self.number.checked_mul(rate.seconds.into());
        let true_ones =
            true_ones.and_then(|number| Speed::new(number, tens.checked_mul(rate.frames.into())?));
        let own = [f64::from(rate.nominal()), rate.per_second()];
        let is_own = own.iter().any(|own| (self.per_second().abs() - own).abs() < 0.006);
        let own = if is_own { Speed::new(sign, 1) } else { None };
        let written = [own, nominal, true_ones].into_iter().flatten();
        let off = |speed: &Speed| (source as f64 - film as f64 * speed.number().abs()).abs();
        if let Some(speed) = written.clone().find(|speed| off(speed) < 1.0) {
            return Some(speed);
        }
        // What its digits leave open, the lengths say.
        let half = 0.5 / tens as f64 / rate.per_second().max(1.0) + 1e-12;
        let near = |speed: Speed| (source as f64 / film as f64 - speed.number().abs()).abs() <= half;
        if written.into_iter().any(near) { Speed::new(sign * source, film) } else { None }
    }
}

/// A number with at most six decimals, and how many; signs and leading noughts allowed.
fn decimal(text: &str) -> Option<(i64, u32)> {
    let (negative, digits) = match text.strip_prefix('-') {
        Some(digits) => (true, digits),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let all_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 6 || part.len() > 6 || !all_digits(whole) || !all_digits(part) {
        return None;
    }
    let number: i64 = format!("{whole}{part}").parse().ok()?;
    Some((if negative { -number } else { number }, part.len() as u32))
}

/// The number of a speed line for an event of `source` frames in `film`, in as few digits as give the same speed again; and
/// whether they do.
pub fn written(speed: Speed, source: i64, film: i64, rate: Rate) -> (String, bool) {
    let per_second = speed.number() * f64::from(rate.nominal());
    let of = |decimals: usize| {
        let width = 4 + decimals + usize::from(per_second < 0.0);
        format!("{per_second:0width$.decimals$}")
    };
    for decimals in 1..=6 {
        let text = of(decimals);
        let Some((number, decimals)) = decimal(&text) else { continue };
        let read = Motion { number, decimals, begins: None, span: Span::new(SourceId(0), 0, 0) };
        if read.speed(source, film, rate) == Some(speed) {
            return (text, true);
        }
    }
    (of(6), false)
}
