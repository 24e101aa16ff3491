//! Pressure to depth.

/// Depth below the surface, m, of a pressure above that at the surface, dbar.
///
/// Standard ocean (35 PSU, 0 deg C); `latitude_deg` -90 to 90. Source:
/// Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44, there
/// given for 0 to 10 000 dbar; outside that range it is an extrapolation.
pub fn depth_m(pressure_dbar: f64, latitude_deg: f64) -> f64 {
    let p = pressure_dbar;
    let sin2 = latitude_deg.to_radians().sin().powi(2);
    let gravity = 9.780318 * (1.0 + (5.2788e-3 + 2.36e-5 * sin2) * sin2) + 1.092e-6 * p;
    (((-1.82e-15 * p + 2.279e-10) * p - 2.2512e-5) * p + 9.72659) * p / gravity
}

#[cfg(test)]
mod tests {
    use super::depth_m;

    #[test]
    fn published_check_value() {
        // Fofonoff & Millard 1983: 10 000 dbar at 30 deg is 9712.653 m.
        assert!((depth_m(10_000.0, 30.0) - 9712.653).abs() < 5e-4);
    }

    #[test]
    fn surface_is_zero_and_shallow_water_is_close_to_one_to_one() {
        assert_eq!(depth_m(0.0, 45.0), 0.0);
        assert!((depth_m(100.0, 45.0) - 99.2).abs() < 0.1);
    }
}
