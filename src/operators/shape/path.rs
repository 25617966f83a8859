//! SVG path data → lines of points with handles.
//!
//! Knows the grammar of path data in full (W3C, Scalable Vector Graphics 2, section 9.3) and how arcs become cubic curves (SVG
//! 1.1, implementation notes F.6.5 and F.6.6). Does not know files or what is drawn.
//!
//! Quadratic curves are raised to cubic ones exactly. An arc becomes [`PIECES`] cubics whatever its angle, so that keys with
//! different arcs have as many points; a piece of 45 degrees is off by less than 5e-6 of its radius.

use super::outline::Place;
use super::{Line, Point};

/// Cubics of an arc.
const PIECES: usize = 8;

/// What is wrong with path data, and at which character, counted from 1.
#[derive(Debug, PartialEq)]
pub struct Wrong {
    /// The character.
    pub at: usize,
    /// What is wrong.
    pub what: String,
}

/// Reads path data. A line of one place is left out; without a closing command a line is open.
///
/// # Errors
/// At the first character that the grammar does not allow.
pub fn read(text: &str) -> Result<(Vec<Line>, Vec<Point>), Wrong> {
    let mut reading = Reading { text: text.as_bytes(), next: 0 };
    let mut pen = Pen::default();
    let mut is_first = true;
    reading.space();
    while let Some(&command) = reading.text.get(reading.next) {
        if !b"MmLlHhVvCcSsQqTtAaZz".contains(&command) {
            return Err(reading.wrong("a command such as M, L or C is wanted"));
        }
        if is_first && !command.eq_ignore_ascii_case(&b'm') {
            return Err(reading.wrong("path data starts with M"));
        }
        is_first = false;
        reading.next += 1;
        reading.space();
        run(command, &mut reading, &mut pen)?;
        reading.space();
    }
    pen.finish(false);
    Ok((pen.lines, pen.points))
}

/// Runs one command with all its sets of numbers.
fn run(command: u8, reading: &mut Reading<'_>, pen: &mut Pen) -> Result<(), Wrong> {
    if command.eq_ignore_ascii_case(&b'z') {
        pen.close();
        return Ok(());
    }
    let mut is_repeated = false;
    loop {
        let from = if command.is_ascii_lowercase() { pen.at } else { [0.0; 2] };
        let mut place =
            || -> Result<Place, Wrong> { Ok([from[0] + reading.number()?, from[1] + reading.number()?]) };
        match command.to_ascii_lowercase() {
            b'm' if !is_repeated => {
                let to = place()?;
                pen.finish(false);
                (pen.at, pen.start) = (to, to);
            }
            b'm' | b'l' => {
                let to = place()?;
                pen.line(to);
            }
            b'h' => pen.line([from[0] + reading.number()?, pen.at[1]]),
            b'v' => pen.line([pen.at[0], from[1] + reading.number()?]),
            b'c' => {
                let (a, b, to) = (place()?, place()?, place()?);
                pen.curve(a, b, to);
                pen.cubic = Some(b);
            }
            b's' => {
                let (b, to) = (place()?, place()?);
                pen.curve(pen.mirrored(pen.cubic), b, to);
                pen.cubic = Some(b);
            }
            b'q' => {
                let (a, to) = (place()?, place()?);
                pen.quadratic(a, to);
            }
            b't' => {
                let to = place()?;
                pen.quadratic(pen.mirrored(pen.quadratic), to);
            }
            _ => {
                let (radii, tilt) = ([reading.number()?, reading.number()?], reading.number()?);
                let (is_large, is_clockwise) = (reading.flag()?, reading.flag()?);
                let to = [from[0] + reading.number()?, from[1] + reading.number()?];
                pen.arc(radii, tilt, is_large, is_clockwise, to);
            }
        }
        is_repeated = true;
        if !reading.has_number() {
            return Ok(());
        }
    }
}

struct Reading<'a> {
    text: &'a [u8],
    next: usize,
}

impl Reading<'_> {
    fn wrong(&self, what: &str) -> Wrong {
        let before = String::from_utf8_lossy(&self.text[..self.next]).chars().count();
        Wrong { at: before + 1, what: what.into() }
    }

    fn peek(&self) -> u8 {
        self.text.get(self.next).copied().unwrap_or(0)
    }

    fn space(&mut self) {
        while matches!(self.peek(), b' ' | b'\t' | b'\n' | b'\r' | 0x0C) {
            self.next += 1;
        }
    }

    /// White space with at most one comma in it.
    fn comma(&mut self) {
        self.space();
        if self.peek() == b',' {
            self.next += 1;
            self.space();
        }
    }

    /// Whether another number follows; a comma must be followed by one.
    fn has_number(&mut self) -> bool {
        self.space();
        matches!(self.peek(), b'0'..=b'9' | b'+' | b'-' | b'.' | b',')
    }

    fn digits(&mut self) -> usize {
        let from = self.next;
        while self.peek().is_ascii_digit() {
            self.next += 1;
        }
        self.next - from
    }

    fn number(&mut self) -> Result<f64, Wrong> {
        self.comma();
        let from = self.next;
        if matches!(self.peek(), b'+' | b'-') {
            self.next += 1;
        }
        let mut digits = self.digits();
        if self.peek() == b'.' {
            self.next += 1;
            digits += self.digits();
        }
        if digits == 0 {
            self.next = from;
            return Err(self.wrong("a number is wanted"));
        }
        let end = self.next;
        if matches!(self.peek(), b'e' | b'E') {
            self.next += 1;
            if matches!(self.peek(), b'+' | b'-') {
                self.next += 1;
            }
            if self.digits() == 0 {
                self.next = end;
            }
        }
        let number =
            std::str::from_utf8(&self.text[from..self.next]).ok().and_then(|text| text.parse::<f64>().ok());
        match number.filter(|number| number.is_finite()) {
            Some(number) => Ok(number),
            None => {
                self.next = from;
                Err(self.wrong("a number is wanted"))
            }
        }
    }

    fn flag(&mut self) -> Result<bool, Wrong> {
        self.comma();
        let flag = self.peek();
        if !matches!(flag, b'0' | b'1') {
            return Err(self.wrong("a flag, 0 or 1, is wanted"));
        }
        self.next += 1;
        Ok(flag == b'1')
    }
}

/// Draws.
#[derive(Default)]
struct Pen {
    lines: Vec<Line>,
    points: Vec<Point>,
    /// Number of the first point of the line under way.
    first: usize,
    at: Place,
    start: Place,
    /// The second control point of the curve before, if it was a cubic.
    cubic: Option<Place>,
    /// The control point of the curve before, if it was a quadratic.
    quadratic: Option<Place>,
}

impl Pen {
    fn line(&mut self, to: Place) {
        self.curve(self.at, to, to);
    }

    fn curve(&mut self, a: Place, b: Place, to: Place) {
        if self.points.len() == self.first {
            self.points.push([self.at[0], self.at[1], 0.0, 0.0, 0.0, 0.0]);
        }
        if let Some(last) = self.points.last_mut() {
            (last[4], last[5]) = (a[0] - self.at[0], a[1] - self.at[1]);
        }
        self.points.push([to[0], to[1], b[0] - to[0], b[1] - to[1], 0.0, 0.0]);
        (self.at, self.cubic, self.quadratic) = (to, None, None);
    }

    fn quadratic(&mut self, control: Place, to: Place) {
        let from = self.at;
        let third = |end: Place| [0, 1].map(|i| end[i] + (control[i] - end[i]) * 2.0 / 3.0);
        self.curve(third(from), third(to), to);
        self.quadratic = Some(control);
    }

    /// A control point mirrored about where the pen is; where the pen is when the command before was of another kind.
    fn mirrored(&self, control: Option<Place>) -> Place {
        control.map_or(self.at, |c| [2.0 * self.at[0] - c[0], 2.0 * self.at[1] - c[1]])
    }

    /// F.6.5: from ends to a middle, with F.6.6's corrections of radii.
    fn arc(&mut self, radii: [f64; 2], tilt: f64, is_large: bool, is_clockwise: bool, to: Place) {
        let from = self.at;
        if from == to {
            return;
        }
        let [mut rx, mut ry] = radii.map(f64::abs);
        if rx == 0.0 || ry == 0.0 {
            return self.line(to);
        }
        let (sin, cos) = tilt.to_radians().sin_cos();
        let (dx, dy) = ((from[0] - to[0]) / 2.0, (from[1] - to[1]) / 2.0);
        let (x, y) = (cos * dx + sin * dy, cos * dy - sin * dx);
        let over = (x / rx).powi(2) + (y / ry).powi(2);
        if over > 1.0 {
            (rx, ry) = (rx * over.sqrt(), ry * over.sqrt());
        }
        let below = (rx * y).powi(2) + (ry * x).powi(2);
        let root = (((rx * ry).powi(2) - below).max(0.0) / below).sqrt();
        let root = if is_large == is_clockwise { -root } else { root };
        let (cx, cy) = (root * rx * y / ry, -root * ry * x / rx);
        let start = ((y - cy) / ry).atan2((x - cx) / rx);
        let mut sweep = ((-y - cy) / ry).atan2((-x - cx) / rx) - start;
        if is_clockwise && sweep < 0.0 {
            sweep += std::f64::consts::TAU;
        } else if !is_clockwise && sweep > 0.0 {
            sweep -= std::f64::consts::TAU;
        }
        let middle = [(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0];
        let place = |u: f64, v: f64| {
            let (u, v) = (rx * u + cx, ry * v + cy);
            [middle[0] + cos * u - sin * v, middle[1] + sin * u + cos * v]
        };
        let step = sweep / PIECES as f64;
        let reach = 4.0 / 3.0 * (step / 4.0).tan();
        for i in 0..PIECES {
            let ((s, c), (t, d)) =
                ((start + step * i as f64).sin_cos(), (start + step * (i + 1) as f64).sin_cos());
            let end = if i + 1 == PIECES { to } else { place(d, t) };
            self.curve(place(c - reach * s, s + reach * c), place(d + reach * t, t - reach * d), end);
        }
    }

    fn close(&mut self) {
        self.finish(true);
        (self.at, self.cubic, self.quadratic) = (self.start, None, None);
    }

    /// Ends the line under way. A closed one whose last point lies on its first has one point there.
    fn finish(&mut self, is_closed: bool) {
        let count = self.points.len() - self.first;
        let is_back = count > 1 && self.points[self.first][..2] == self.points[self.points.len() - 1][..2];
        if let Some(last) = self.points.pop_if(|_| is_closed && is_back) {
            let first = &mut self.points[self.first];
            (first[2], first[3]) = (last[2], last[3]);
        }
        if count > 1 {
            self.lines.push(Line { count: self.points.len() - self.first, is_closed });
        }
        self.first = self.points.len();
        (self.cubic, self.quadratic) = (None, None);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn points(text: &str) -> Vec<Point> {
        read(text).unwrap().1
    }

    #[test]
    fn every_command_draws_where_it_says() {
        // Absolute and relative spellings of one figure.
        let absolute =
            points("M10 20 L 30,20 H 50 V 40 C 50 50 40 60 30 60 S 10 50 10 40 Q 5 30 10 25 T 12 21 Z");
        let relative = points("m10 20l20 0h20v20c0 10-10 20-20 20s-20-10-20-20q-5-10 0-15t2-4z");
        assert_eq!(absolute.len(), 8);
        for (a, b) in absolute.iter().flatten().zip(relative.iter().flatten()) {
            assert!((a - b).abs() < 1e-12, "{absolute:?}\\n{relative:?}");
        }
        assert_eq!(absolute[3], [50.0, 40.0, 0.0, 0.0, 0.0, 10.0]);
        // S mirrors (40, 60) about (30, 60).
        assert_eq!(absolute[4], [30.0, 60.0, 10.0, 0.0, -10.0, 0.0]);
        // T mirrors (5, 30) about (10, 25) to (15, 20), of which a cubic takes two thirds.
        assert!(absolute[6][4..].iter().zip([10.0 / 3.0, -10.0 / 3.0]).all(|(a, b)| (a - b).abs() < 1e-12));
    }

    #[test]
    fn numbers_may_stand_close_together() {
        let close = points("M.5.5-1-1e1+2,3L4-5");
        let places: Vec<[f64; 2]> = close.iter().map(|p| [p[0], p[1]]).collect();
        assert_eq!(places, [[0.5, 0.5], [-1.0, -10.0], [2.0, 3.0], [4.0, -5.0]]);
        assert_eq!(points("M0 0a5 5 0 01 10 0"), points("M 0 0 a 5,5 0 0 1 10,0"));
        assert_eq!(points("M0 0a5 5 0 0110 0"), points("M0 0 A5 5 0 0 1 10 0"));
    }

    #[test]
    fn lines_start_close_and_go_on() {
        let (lines, points) = read("M1 1h4v4z l2 0 0 2 M9 9 M 0 0 L 3 3 0 0 z").unwrap();
        let line = |count, is_closed| Line { count, is_closed };
        assert_eq!(lines, [line(3, true), line(3, false), line(2, true)]);
        assert_eq!(points[3][..2], [1.0, 1.0]);
        assert_eq!(read("").unwrap(), (vec![], vec![]));
    }

    #[test]
    fn arcs_are_circles_and_radii_that_are_too_small_grow() {
        for text in
            ["M 40 10 A 30 30 0 0 1 40 70 A 30 30 0 0 1 40 10 Z", "M40 10A1 1 45 1 1 40 70A1 1 0 0 1 40 10Z"]
        {
            for p in points(text) {
                assert!(((p[0] - 40.0).hypot(p[1] - 40.0) - 30.0).abs() < 1e-9, "{p:?}");
                let (x, y) = (p[0] + p[4], p[1] + p[5]);
                // The handle is square to the radius.
                assert!(((p[0] - 40.0) * (x - p[0]) + (p[1] - 40.0) * (y - p[1])).abs() < 1e-9);
            }
        }
        // Large and small arcs go the two ways round.
        let middle = |text: &str| points(text)[4];
        assert!((middle("M0 0 A 10 10 0 0 1 10 10")[0] - 10.0 * 0.5f64.sqrt()).abs() < 1e-9);
        assert!(middle("M0 0 A 10 10 0 1 1 10 10")[0] > 16.0);
        assert!(middle("M0 0 A 10 10 0 1 0 10 10")[1] > 16.0);
        assert_eq!(points("M0 0 A 0 5 0 0 1 10 10").len(), 2);
    }

    #[test]
    fn what_is_no_path_is_told_at_its_character() {
        let at = |text: &str| read(text).unwrap_err().at;
        assert_eq!(at("L 1 1"), 1);
        assert_eq!(at("M 1"), 4);
        assert_eq!(at("M 1 1 L 2 2,"), 13);
        assert_eq!(at("M 1 1 X"), 7);
        assert_eq!(at("M 0 0 A 1 1 0 2 0 5 5"), 15);
        assert_eq!(at("M 1 1 z 5"), 9);
        assert_eq!(at("M 1e999 1"), 3);
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "[MmLlHhVvCcSsQqTtAaZz0-9.,+eE \\-é]{0,60}") {
            if let Ok((lines, points)) = read(&format!("M0 0{text}")) {
                prop_assert_eq!(lines.iter().map(|l| l.count).sum::<usize>(), points.len());
                prop_assert!(lines.iter().all(|line| line.count > 0));
            }
        }
    }
}
