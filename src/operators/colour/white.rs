//! White points: chromaticities of daylight and of glowing bodies by temperature.
//!
//! Knows the loci that the CIE and others published and the tint across them. Does not know primaries nor what is adapted.
//!
//! From 5000 K up a temperature means the CIE's daylight (CIE 15:2004, 3.1: x from the temperature in two pieces, y from
//! x); up to 4000 K a black body's light, by Krystek's rational functions (Color Research and Application 10, 1985; within 1e-4
//! in u, v from 1000 to 15000 K). Lamps below 4000 K glow, so that the daylight formula, which ends there, would not serve
//! them; the two loci lie 0.003 apart in CIE 1960 u, v, so that between 4000 and 5000 K one turns smoothly into the
//! other and a keyed temperature does not jump. That turn is of this code's making.

/// Least and greatest temperature in kelvin.
pub const TEMPERATURES: [f64; 2] = [1000.0, 25_000.0];

/// CIE 1931 x, y of a temperature in kelvin; `tint` moves it across the locus by so many thousandths in CIE 1960 u, v
/// (Duv times 1000, ANSI C78.377): above 0 to green, below to magenta.
pub fn chromaticity(kelvin: f64, tint: f64) -> [f64; 2] {
    let kelvin = kelvin.clamp(TEMPERATURES[0], TEMPERATURES[1]);
    let [u, v] = locus(kelvin);
    if tint == 0.0 {
        return from_uv([u, v]);
    }
    // The locus runs from red to blue as it grows hotter; green lies to the left of that course, towards greater v.
    let step = kelvin * 1e-3;
    let ([u0, v0], [u1, v1]) = (locus(kelvin - step), locus(kelvin + step));
    let (du, dv) = (u1 - u0, v1 - v0);
    let across = tint / 1000.0 / (du * du + dv * dv).sqrt();
    from_uv([u + dv * across, v - du * across])
}

/// CIE 1960 u, v of a temperature.
fn locus(kelvin: f64) -> [f64; 2] {
    let share = ((kelvin - 4000.0) / 1000.0).clamp(0.0, 1.0);
    let share = share * share * (3.0 - 2.0 * share);
    if share == 0.0 {
        return glowing(kelvin);
    }
    let day = to_uv(daylight(kelvin));
    if share == 1.0 {
        return day;
    }
    let body = glowing(kelvin);
    [0, 1].map(|i| body[i] + (day[i] - body[i]) * share)
}

/// CIE daylight, for 4000 to 25000 K.
fn daylight(kelvin: f64) -> [f64; 2] {
    let t = 1000.0 / kelvin;
    let x = if kelvin <= 7000.0 {
        ((-4.6070 * t + 2.9678) * t + 0.09911) * t + 0.244063
    } else {
        ((-2.0064 * t + 1.9018) * t + 0.24748) * t + 0.237040
    };
    [x, (-3.0 * x + 2.870) * x - 0.275]
}

/// A black body, in CIE 1960 u, v.
fn glowing(t: f64) -> [f64; 2] {
    let u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t * t)
        / (1.0 + 8.42420235e-4 * t + 7.08145163e-7 * t * t);
    let v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t * t)
        / (1.0 - 2.89741816e-5 * t + 1.61456053e-7 * t * t);
    [u, v]
}

fn to_uv([x, y]: [f64; 2]) -> [f64; 2] {
    let d = -2.0 * x + 12.0 * y + 3.0;
    [4.0 * x / d, 6.0 * y / d]
}

fn from_uv([u, v]: [f64; 2]) -> [f64; 2] {
    let d = 2.0 * u - 8.0 * v + 4.0;
    [3.0 * u / d, 2.0 * v / d]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// D65 and D50 as CIE 15 prints them (0.31272, 0.32903; 0.34567, 0.35850) at the temperatures that it gives them
    /// (6504 and 5003 K), and illuminant A (0.44757, 0.40745) at 2856 K.
    #[test]
    fn known_lights_lie_where_the_cie_puts_them() {
        for (kelvin, wanted, bound) in [
            (6504.0, [0.31272, 0.32903], 1.2e-4),
            (5003.0, [0.34567, 0.35850], 1.2e-4),
            (2856.0, [0.44757, 0.40745], 4e-4),
        ] {
            let got = chromaticity(kelvin, 0.0);
            assert!((0..2).all(|i| (got[i] - wanted[i]).abs() < bound), "{kelvin}: {got:?}");
        }
    }

    #[test]
    fn the_locus_has_no_step_and_tint_goes_straight_across_it() {
        for i in 0..2400 {
            let kelvin = 1010.0 + f64::from(i) * 10.0;
            let (a, b) = (locus(kelvin), locus(kelvin + 1e-3));
            assert!((a[0] - b[0]).hypot(a[1] - b[1]) < 3e-6, "{kelvin}");
            let green = to_uv(chromaticity(kelvin, 5.0));
            assert!(((green[0] - a[0]).hypot(green[1] - a[1]) - 0.005).abs() < 1e-12, "{kelvin}");
            assert!(green[1] > a[1], "{kelvin}");
        }
    }
}
