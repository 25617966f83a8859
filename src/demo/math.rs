//! Vectors and the few functions the demo film needs, the same to the last bit everywhere.
//!
//! Knows additions, products, quotients and square roots, which IEEE 754 rounds exactly, and
//! polynomials made of them. Does not call the platform's mathematical library, whose sines and
//! exponentials differ from one system to the next.

use std::ops::{Add, Mul, Neg, Sub};

/// A point or direction in metres: x across the shed, y up, z along it.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Vec3 {
    /// Across the shed, to the right as seen from the door.
    pub x: f32,
    /// Up from the floor.
    pub y: f32,
    /// Along the shed, away from the door.
    pub z: f32,
}

/// The vector of these three numbers.
pub const fn vec3(x: f32, y: f32, z: f32) -> Vec3 {
    Vec3 { x, y, z }
}

impl Vec3 {
    /// Sum of products.
    pub fn dot(self, o: Vec3) -> f32 {
        self.x * o.x + self.y * o.y + self.z * o.z
    }

    /// The vector at right angles to both.
    pub fn cross(self, o: Vec3) -> Vec3 {
        vec3(self.y * o.z - self.z * o.y, self.z * o.x - self.x * o.z, self.x * o.y - self.y * o.x)
    }

    /// Length.
    pub fn length(self) -> f32 {
        self.dot(self).sqrt()
    }

    /// The same direction with length 1; a zero vector stays zero.
    pub fn unit(self) -> Vec3 {
        let length = self.length();
        if length > 1e-12 { self * (1.0 / length) } else { self }
    }

    /// The point a share `u` of the way to `o`.
    pub fn to(self, o: Vec3, u: f32) -> Vec3 {
        self + (o - self) * u
    }

    /// Product of each coordinate with the other's.
    pub fn times(self, o: Vec3) -> Vec3 {
        vec3(self.x * o.x, self.y * o.y, self.z * o.z)
    }
}

impl Add for Vec3 {
    type Output = Vec3;
    fn add(self, o: Vec3) -> Vec3 {
        vec3(self.x + o.x, self.y + o.y, self.z + o.z)
    }
}

impl Sub for Vec3 {
    type Output = Vec3;
    fn sub(self, o: Vec3) -> Vec3 {
        vec3(self.x - o.x, self.y - o.y, self.z - o.z)
    }
}

impl Mul<f32> for Vec3 {
    type Output = Vec3;
    fn mul(self, k: f32) -> Vec3 {
        vec3(self.x * k, self.y * k, self.z * k)
    }
}

impl Neg for Vec3 {
    type Output = Vec3;
    fn neg(self) -> Vec3 {
        vec3(-self.x, -self.y, -self.z)
    }
}

/// The lesser of two numbers, of which neither is NaN: compiles to one instruction.
#[inline(always)]
pub fn least(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// The greater of two numbers, of which neither is NaN: compiles to one instruction.
#[inline(always)]
pub fn most(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// `x` held between 0 and 1.
#[inline(always)]
pub fn clamp01(x: f32) -> f32 {
    least(most(x, 0.0), 1.0)
}

/// A straight blend from `a` to `b`.
#[inline(always)]
pub fn mix(a: f32, b: f32, u: f32) -> f32 {
    a + (b - a) * u
}

/// 0 below `a`, 1 above `b`, and a smooth 3u² − 2u³ between.
#[inline(always)]
pub fn smooth(a: f32, b: f32, x: f32) -> f32 {
    // Of limits that the compiler knows it works the inverse out beforehand.
    let u = clamp01((x - a) * (1.0 / (b - a)));
    u * u * (3.0 - 2.0 * u)
}

/// The next whole number at or below `x`, for values that fit 32 bits.
#[inline(always)]
pub fn floor(x: f32) -> i32 {
    let whole = x as i32;
    whole - i32::from((whole as f32) > x)
}

/// `x` less its next whole number below.
#[inline(always)]
pub fn fraction(x: f32) -> f32 {
    x - floor(x) as f32
}

/// Sine of an angle in turns (1 is a full circle): a polynomial within 2e-5 of the true sine.
pub fn sin_turns(turns: f32) -> f32 {
    // Folded to a quarter turn either side of zero, where a Taylor series to the ninth power holds.
    let t = fraction(turns + 0.5) - 0.5;
    let t = if t > 0.25 {
        0.5 - t
    } else if t < -0.25 {
        -0.5 - t
    } else {
        t
    };
    let x = t * std::f32::consts::TAU;
    let q = x * x;
    x * (1.0 + q * (-1.0 / 6.0 + q * (1.0 / 120.0 + q * (-1.0 / 5040.0 + q / 362_880.0))))
}

/// Cosine of an angle in turns.
pub fn cos_turns(turns: f32) -> f32 {
    sin_turns(turns + 0.25)
}

/// e to the power `-x` for `x` of 0 or more: 0 from 80 on, elsewhere within one part in 10⁵.
pub fn exp_minus(x: f32) -> f32 {
    if x >= 80.0 {
        return 0.0;
    }
    // 2 to a whole power goes into the exponent's bits; what is left is below ln 2.
    let scaled = -x * std::f32::consts::LOG2_E;
    let whole = floor(scaled);
    let r = (scaled - whole as f32) * std::f32::consts::LN_2;
    let series =
        1.0 + r * (1.0 + r * (0.5 + r * (1.0 / 6.0 + r * (1.0 / 24.0 + r * (1.0 / 120.0 + r / 720.0)))));
    f32::from_bits(((whole + 127) as u32) << 23) * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polynomials_stay_near_the_true_functions() {
        for i in -400..400 {
            let turns = i as f32 * 0.013;
            let sine = (f64::from(turns) * std::f64::consts::TAU).sin();
            assert!((f64::from(sin_turns(turns)) - sine).abs() < 2e-5, "sine of {turns} turns");
        }
        for i in 0..700 {
            let x = i as f32 * 0.1;
            let truth = (-f64::from(x)).exp();
            assert!((f64::from(exp_minus(x)) - truth).abs() <= truth * 1e-5, "e to the -{x}");
        }
        assert_eq!(exp_minus(1e30), 0.0);
    }

    #[test]
    fn floors_go_down_on_both_sides_of_zero() {
        assert_eq!([floor(-1.5), floor(-1.0), floor(-0.1), floor(0.0), floor(2.9)], [-2, -1, -1, 0, 2]);
    }
}
