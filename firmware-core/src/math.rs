//! `f32` functions shared by the stages.
//!
//! The same bits are wanted from a host, a Cortex-M4F and a Cortex-M0, so
//! nothing here depends on the platform's own library. `libm` gives the rare
//! functions (angles, logarithms) to full precision. The square root is needed
//! for every sample, so it starts from `micromath`'s bit-level estimate and is
//! refined by Newton's method; `micromath` alone is off by up to 5 %.

use micromath::F32;

pub use libm::{acosf, asinf, atan2f, cosf, expf, fabsf, floorf, logf, sinf};

/// Radians to degrees.
pub const DEG: f32 = 57.295_78;

/// `1/sqrt(x)` for `x > 0`, relative error below 5e-7; 0 for anything else.
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
pub fn sqrt(x: f32) -> f32 {
    x * inv_sqrt(x)
}

/// Rounds half up to a whole number, clamped to the type's range.
pub fn round_u32(x: f32) -> u32 {
    // `as` saturates and maps NaN to 0: no panic is possible.
    (x + 0.5) as u32
}

/// Seconds from microseconds.
pub fn us_to_s(us: u64) -> f32 {
    us as f32 * 1.0e-6
}

/// Microseconds from seconds, clamped at 0.
pub fn s_to_us(s: f32) -> u64 {
    (s * 1.0e6 + 0.5) as u64
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

/// Unit vector along `a`, or `None` where it has no direction.
pub fn unit(a: [f32; 3]) -> Option<[f32; 3]> {
    let k = inv_sqrt(dot(a, a));
    if k > 0.0 { Some(add_scaled([0.0; 3], k, a)) } else { None }
}

/// Angle between two unit vectors, degrees, 0 to 180.
pub fn angle_deg(a: [f32; 3], b: [f32; 3]) -> f32 {
    acosf(dot(a, b).clamp(-1.0, 1.0)) * DEG
}
