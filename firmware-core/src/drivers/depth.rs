//! Pressure to depth.
//!
//! Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44, for a
//! standard ocean (0 deg C, salinity 35); the geopotential anomaly of the real
//! one is left out, which is below 2 m at 1000 m.

use crate::math;

/// Depth in m below the surface for a pressure in mbar, with that at the surface
/// taken off, at a latitude in degrees.
pub fn depth_m(pressure_mbar: f32, surface_mbar: f32, latitude_deg: f32) -> f32 {
    let p = 0.01 * (pressure_mbar - surface_mbar);
    let x = math::sin(latitude_deg / math::DEG);
    let x = x * x;
    let gravity = 9.780_318 * (1.0 + (5.2788e-3 + 2.36e-5 * x) * x) + 1.092e-6 * p;
    let height = (((-1.82e-15 * p + 2.279e-10) * p - 2.2512e-5) * p + 9.72659) * p;
    height / gravity
}
