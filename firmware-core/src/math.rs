//! `f32` functions shared by the stages.
//!
//! The same bits are wanted from a host, a Cortex-M4F and a Cortex-M0, so nothing here depends
//! on the platform's own library, and nothing leaves `f32`: `libm`'s functions of the same names
//! work in `f64` inside, which costs a microcontroller without double precision some 10 KiB
//! of flash. `micromath` serves where it is exact (absolute value) or where Newton's method
//! refines it (the inverse square root, off by 5 % alone). Its other functions are estimates:
//! off by 1e-3 and more, as a test below measures, where evidence is added up over thousands
//! of minutes and a fit of recovery takes differences of logarithms. Those stand here, as short
//! polynomials (least squares at Chebyshev nodes) after range reduction, good to 1e-6; the tests
//! hold them against `f64`.

use micromath::F32;

/// Radians to degrees.
pub const DEG: f32 = 57.295_78;

/// `1/sqrt(x)` for `x > 0`, relative error below 5e-7; 0 for anything else.
#[inline(never)]
pub fn inv_sqrt(x: f32) -> f32 {
    if !(x > f32::MIN_POSITIVE && x < f32::MAX) {
        return 0.0;
    }
    let half = 0.5 * x;
    let mut y = F32(x).invsqrt().0;
    y *= 1.5 - half * y * y;
    y *= 1.5 - half * y * y;
    y *= 1.5 - half * y * y;
    y
}

/// `sqrt(x)` for `x >= 0`, relative error below 5e-7; 0 for anything else.
#[inline(never)]
pub fn sqrt(x: f32) -> f32 {
    x * inv_sqrt(x)
}

/// `sqrt(x)` for `x` from 1 to 1e30, relative error below 1e-3 either way, and of 0, which is
/// 0: for squares of whole numbers, of which the mean is wanted.
pub fn sqrt_of_large(x: f32) -> f32 {
    let y = F32(x).invsqrt().0;
    let root = x * y;
    // One step of Newton's method leaves 0 to 1.75e-3 too little: half of that is added.
    root * (1.500_88 - 0.5 * (root * y))
}

/// Absolute value.
pub fn abs(x: f32) -> f32 {
    F32(x).abs().0
}

/// `x`, or `least` where `x` is less or no number. As `f32::max`, but one comparison
/// where it stands: that is a call on a core without an instruction for it.
pub fn at_least(x: f32, least: f32) -> f32 {
    if x > least { x } else { least }
}

/// `x`, or `most` where `x` is more or no number; see [`at_least`].
pub fn at_most(x: f32, most: f32) -> f32 {
    if x < most { x } else { most }
}

/// `x`, or the nearer of `least` and `most` where it lies outside; as `f32::clamp`.
#[inline(never)]
pub fn within(x: f32, least: f32, most: f32) -> f32 {
    if x < least {
        least
    } else if x > most {
        most
    } else {
        x
    }
}

/// Largest whole number not above `x`, for `x` within the range of `i32`.
pub fn floor(x: f32) -> i32 {
    let cut = x as i32;
    if (cut as f32) > x { cut.wrapping_sub(1) } else { cut }
}

/// The nearest whole number, for `x` from -2^22 to 2^22.
pub fn nearest(x: f32) -> i32 {
    // 1.5 * 2^23 leaves the whole number in the low bits.
    (x + 12_582_912.0).to_bits().wrapping_sub(0x4b40_0000) as i32
}

/// `2^n` for whole `n` from -126 to 127, clamped to that range.
fn power_of_two(n: i32) -> f32 {
    f32::from_bits((n.clamp(-126, 127).wrapping_add(127) as u32).wrapping_shl(23))
}

/// `e^x`, relative error below 5e-7 for -80 to 80; clamped to that range.
#[inline(never)]
pub fn exp(x: f32) -> f32 {
    let y = within(x, -80.0, 80.0) * core::f32::consts::LOG2_E;
    let n = floor(y + 0.5);
    let f = y - n as f32;
    let p = 1.547e-4_f32;
    let p = p * f + 1.340_043e-3;
    let p = p * f + 9.618_026e-3;
    let p = p * f + 0.055_503_27;
    let p = p * f + 0.240_226_5;
    let p = p * f + core::f32::consts::LN_2;
    (p * f + 1.0) * power_of_two(n)
}

/// Natural logarithm for `x > 0`, error below 2e-7 of the result or of 1,
/// whichever is larger; that of the smallest normal number for anything smaller.
#[inline(never)]
pub fn ln(x: f32) -> f32 {
    let bits = if x > f32::MIN_POSITIVE { x.to_bits() } else { 0x0080_0000 };
    // Mantissa from sqrt(1/2) to sqrt(2).
    let shifted = bits.wrapping_sub(0x3f35_04f3);
    let n = (shifted as i32) >> 23;
    let m = f32::from_bits(bits.wrapping_sub((n as u32).wrapping_shl(23)));
    let s = (m - 1.0) / (m + 1.0);
    let u = s * s;
    let p = 0.299_284_4_f32;
    let p = p * u + 0.399_746_93;
    let p = p * u + 0.666_668_2;
    s * (p * u + 2.0) + n as f32 * core::f32::consts::LN_2
}

/// Sine, error below 5e-7 for angles within a few turns of 0.
#[inline(never)]
pub fn sin(x: f32) -> f32 {
    let half_turns = floor(x * core::f32::consts::FRAC_1_PI + 0.5);
    // pi in two parts, so that the remainder keeps its digits.
    let n = half_turns as f32;
    let r = (x - n * 3.140_625) - n * 9.676_536e-4;
    let u = r * r;
    let p = 2.605_166e-6_f32;
    let p = p * u - 1.980_904_6e-4;
    let p = p * u + 8.333_051e-3;
    let p = p * u - 0.166_666_58;
    let s = r * (p * u + 1.0);
    if half_turns & 1 == 0 { s } else { -s }
}

/// Cosine, error below 5e-7 for angles within a few turns of 0.
#[inline(never)]
pub fn cos(x: f32) -> f32 {
    sin(x + core::f32::consts::FRAC_PI_2)
}

/// Arc tangent of `z` from 0 to 1.
fn atan_unit(z: f32) -> f32 {
    let u = z * z;
    let p = 2.834_05e-3_f32;
    let p = p * u - 0.016_004_99;
    let p = p * u + 0.042_587_54;
    let p = p * u - 0.074_954_39;
    let p = p * u + 0.106_367_51;
    let p = p * u - 0.142_025_7;
    let p = p * u + 0.199_924_83;
    let p = p * u - 0.333_330_67;
    z * (p * u + 1.0)
}

/// Angle of the point (`x`, `y`) from the x axis, radians, -pi to pi, error
/// below 5e-7; 0 for the origin.
#[inline(never)]
pub fn atan2(y: f32, x: f32) -> f32 {
    let (ax, ay) = (abs(x), abs(y));
    let (longest, shortest) = if ay > ax { (ay, ax) } else { (ax, ay) };
    if !(longest > 0.0 && longest < f32::INFINITY) {
        return 0.0;
    }
    let first = atan_unit(shortest / longest);
    let octant = if ay > ax { core::f32::consts::FRAC_PI_2 - first } else { first };
    let half = if x < 0.0 { core::f32::consts::PI - octant } else { octant };
    if y < 0.0 { -half } else { half }
}

/// Arc cosine of `x` from -1 to 1, radians, error below 1e-6 (1e-3 within 1e-6 of the ends).
pub fn acos(x: f32) -> f32 {
    atan2(sqrt((1.0 - x) * (1.0 + x)), x)
}

/// True where two positive numbers differ by less than `factor`, either way.
pub fn alike(a: f32, b: f32, factor: f32) -> bool {
    a < factor * b && b < factor * a
}

/// Rounds half up to a whole number, clamped to the type's range.
#[inline(never)]
pub fn round_u32(x: f32) -> u32 {
    // `as` saturates and maps NaN to 0: no panic is possible.
    (x + 0.5) as u32
}

/// Microseconds from seconds, clamped at 0.
pub fn s_to_us(s: f32) -> u64 {
    to_u64(s * 1.0e6 + 0.5)
}

/// Whole part, clamped to the type's range: a long conversion on a core of 32 bits.
#[inline(never)]
pub fn to_u64(x: f32) -> u64 {
    x as u64
}

/// Whole seconds in so many microseconds, without a division of 64 bits.
#[inline(never)]
pub const fn seconds(us: u64) -> u32 {
    // 1_000_000 = 64 * 15_625; the quotient's upper digits first.
    let (high, low) = ((us >> 22) as u32, (us >> 6) as u32 & 0xffff);
    let rest = (high % 15_625).wrapping_shl(16) | low;
    (high / 15_625).wrapping_shl(16).wrapping_add(rest / 15_625)
}

/// Dot product.
pub fn dot(a: [f32; 3], b: [f32; 3]) -> f32 {
    let [ax, ay, az] = a;
    let [bx, by, bz] = b;
    ax * bx + ay * by + az * bz
}

/// Vector product.
pub fn cross(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    let [ax, ay, az] = a;
    let [bx, by, bz] = b;
    [ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx]
}

/// `a + k b`.
pub fn add_scaled(a: [f32; 3], k: f32, b: [f32; 3]) -> [f32; 3] {
    let [ax, ay, az] = a;
    let [bx, by, bz] = b;
    [ax + k * bx, ay + k * by, az + k * bz]
}

/// Square of the distance from `a` to `b`.
#[inline(never)]
pub fn distance2(a: [f32; 3], b: [f32; 3]) -> f32 {
    let apart = add_scaled(a, -1.0, b);
    dot(apart, apart)
}

/// Unit vector along `a`, or `None` where it has no direction.
pub fn unit(a: [f32; 3]) -> Option<[f32; 3]> {
    let k = inv_sqrt(dot(a, a));
    if k > 0.0 { Some(add_scaled([0.0; 3], k, a)) } else { None }
}

/// Angle between two unit vectors, degrees, 0 to 180.
pub fn angle_deg(a: [f32; 3], b: [f32; 3]) -> f32 {
    acos(within(dot(a, b), -1.0, 1.0)) * DEG
}

#[cfg(test)]
mod tests {
    use super::*;

    fn worst(
        from: f64,
        to: f64,
        f: impl Fn(f32) -> f32,
        g: impl Fn(f64) -> f64,
        scale: impl Fn(f64) -> f64,
    ) -> f64 {
        (0..=200_000)
            .map(|i| from + (to - from) * f64::from(i) / 200_000.0)
            .map(|x| {
                let x = f64::from(x as f32);
                (f64::from(f(x as f32)) - g(x)).abs() / scale(g(x))
            })
            .fold(0.0, f64::max)
    }

    #[test]
    fn errors_are_as_stated() {
        let one = |_: f64| 1.0;
        let own = |y: f64| y.abs();
        let larger = |y: f64| y.abs().max(1.0);
        assert!(worst(-10.0, 10.0, exp, f64::exp, own) < 1e-6);
        assert!(worst(-80.0, 80.0, exp, f64::exp, own) < 8e-6);
        assert!(worst(1e-30, 1e-3, ln, f64::ln, larger) < 2e-7);
        assert!(worst(1e-3, 100.0, ln, f64::ln, larger) < 2e-7);
        assert!(worst(-7.0, 7.0, sin, f64::sin, one) < 5e-7);
        assert!(worst(-7.0, 7.0, cos, f64::cos, one) < 7e-7);
        assert!(worst(-50.0, 50.0, |y| atan2(y, 1.0), f64::atan, one) < 5e-7);
        assert!(worst(-50.0, 50.0, |x| atan2(-2.0, x), |x| (-2.0_f64).atan2(x), one) < 5e-7);
        assert!(worst(-0.999, 0.999, acos, f64::acos, one) < 1e-6);
        assert!(worst(1e-6, 100.0, sqrt, f64::sqrt, own) < 5e-7);
        assert!(worst(1e6, 1e14, sqrt_of_large, f64::sqrt, own) < 1e-3);
        assert!(worst(0.0, 1e6, sqrt_of_large, f64::sqrt, one) < 1.0);
    }

    /// Why these functions stand here: the estimates of `micromath` are no match for them.
    #[test]
    fn the_estimates_that_are_not_used_are_off_by_a_thousandth_and_more() {
        let one = |_: f64| 1.0;
        let own = |y: f64| y.abs();
        let off = [
            worst(0.01, 100.0, |x| F32(x).ln().0, f64::ln, one),
            worst(-10.0, 10.0, |x| F32(x).exp().0, f64::exp, own),
            worst(-3.0, 3.0, |x| F32(x).sin().0, f64::sin, one),
            worst(-3.0, 3.0, |x| F32(x).cos().0, f64::cos, one),
            worst(-50.0, 50.0, |y| F32(y).atan2(F32(1.0)).0, f64::atan, one),
            worst(1.0e-3, 100.0, |x| F32(x).sqrt().0, f64::sqrt, own),
        ];
        println!("micromath, worst errors of ln, exp, sin, cos, atan2, sqrt: {off:?}");
        assert!(off.iter().all(|off| *off > 1.0e-3), "{off:?}");
    }

    #[test]
    fn odd_inputs_give_numbers() {
        for x in [0.0, -1.0, f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MIN_POSITIVE, 1.0e-45]
        {
            assert!(!ln(x).is_nan() && !inv_sqrt(x).is_nan() && !atan2(x, x).is_nan());
        }
        assert_eq!((floor(-0.5), floor(2.0), floor(-3.0), floor(1.0e20)), (-1, 2, -3, i32::MAX));
        assert_eq!(abs(-2.5), 2.5);
    }

    #[test]
    fn bounds_are_those_of_the_standard_library() {
        let odd = [f32::NAN, f32::NEG_INFINITY, -80.0, -0.5, 0.0, 1.0e-30, 1.0, 60.0, f32::MAX];
        for x in odd {
            for bound in [-80.0, -1.0, 0.0, 1.0, 1.0e9] {
                assert_eq!(at_least(x, bound), x.max(bound), "{x} {bound}");
                assert_eq!(at_most(x, bound), x.min(bound), "{x} {bound}");
            }
            let (ours, theirs) = (within(x, -80.0, 60.0), x.clamp(-80.0, 60.0));
            assert!(ours == theirs || ours.is_nan() && theirs.is_nan(), "{x}");
        }
    }
}
