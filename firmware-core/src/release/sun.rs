//! Sunrise and sunset on the tag, for release in daylight.
//!
//! The low-precision solar position of the NOAA solar calculator (after Meeus,
//! Astronomical Algorithms), with the sun's upper limb on a horizon lifted by
//! refraction (zenith angle 90.833 degrees). Good to about a minute below 60
//! degrees of latitude, 1950 to 2100.

use crate::math::{self, acos, cos, sin};

/// Seconds in a day.
const DAY_S: i64 = 86_400;
/// 2000-01-01T12:00:00Z, Unix time.
const J2000_UNIX_S: i64 = 946_728_000;

/// Parts of a turn.
const TURN: f64 = 4_294_967_296.0;

/// Sine of the height of the sun's centre at sunrise and sunset: -0.833 degrees.
const HORIZON: f32 = -0.014_538;

/// The sun's day at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SunTimes {
    /// It rises and sets (Unix time, s).
    RiseSet {
        /// Sunrise.
        rise_unix_s: i64,
        /// Sunset.
        set_unix_s: i64,
    },
    /// It does not set.
    AlwaysUp,
    /// It does not rise.
    AlwaysDown,
}

/// Degrees in 2^-32 of a turn.
const fn parts_of_turn(deg: f64) -> i32 {
    (deg / 360.0 * TURN) as i32
}

/// Days from noon to noon since [`J2000_UNIX_S`], and seconds since the last noon.
fn since_noon(unix_s: i64) -> (i32, u32) {
    // Counted from a day 100 years earlier, so that nothing is below 0; a day has
    // 128 * 675 seconds, so that 32 bits hold what is divided.
    const EARLIER: u32 = 36_525;
    const EARLIER_S: i64 = J2000_UNIX_S - EARLIER as i64 * DAY_S;
    let from = unix_s.wrapping_sub(EARLIER_S);
    let days = (from >> 7) as u32 / 675;
    let second = (from as u32).wrapping_sub(days.wrapping_mul(DAY_S as u32));
    (days.wrapping_sub(EARLIER) as i32, second)
}

/// Declination (radians) and equation of time (minutes) at a Unix time.
fn position(unix_s: i64) -> (f32, f32) {
    let (days, second) = since_noon(unix_s);
    let part = second as f32 / DAY_S as f32;
    let d = days as f32 + part;
    let t = d / 36_525.0;
    // Fast angles by whole days in parts of a turn first, whose whole turns drop out by
    // themselves, so that f32 keeps its digits.
    let turn = |per_day: i32| -> f32 {
        let whole = (days as u32).wrapping_mul(per_day as u32);
        (whole as f32 + part * per_day as f32) * (360.0 / TURN as f32)
    };
    let mean_longitude = 280.466_46 + turn(parts_of_turn(0.985_647));
    let anomaly = (357.529_1 + turn(parts_of_turn(0.985_600))) / math::DEG;
    let eccentricity = 0.016_708_6 - 0.000_042 * t;
    let centre = (1.914_602 - 0.004_817 * t) * sin(anomaly)
        + 0.019_993 * sin(2.0 * anomaly)
        + 0.000_289 * sin(3.0 * anomaly);
    let node = (125.04 + turn(parts_of_turn(-0.052_954))) / math::DEG;
    let apparent = (mean_longitude + centre - 0.005_69 - 0.004_78 * sin(node)) / math::DEG;
    let obliquity = (23.439_29 - 0.013_004 * t + 0.002_56 * cos(node)) / math::DEG;
    let declination = core::f32::consts::FRAC_PI_2 - acos(sin(obliquity) * sin(apparent));
    let y = sin(0.5 * obliquity) / cos(0.5 * obliquity);
    let y = y * y;
    let l = mean_longitude / math::DEG;
    let equation = y * sin(2.0 * l) - 2.0 * eccentricity * sin(anomaly)
        + 4.0 * eccentricity * y * sin(anomaly) * cos(2.0 * l)
        - 0.5 * y * y * sin(4.0 * l)
        - 1.25 * eccentricity * eccentricity * sin(2.0 * anomaly);
    (declination, 4.0 * equation * math::DEG)
}

/// Half the day's length in minutes: `Ok`, or whether the sun is up all day.
fn half_day_min(declination: f32, latitude_deg: f32) -> Result<f32, bool> {
    let lat = latitude_deg / math::DEG;
    let zenith = cos(90.833 / math::DEG);
    let c = (zenith - sin(lat) * sin(declination)) / (cos(lat) * cos(declination));
    if c >= 1.0 {
        Err(false)
    } else if c <= -1.0 {
        Err(true)
    } else {
        Ok(4.0 * acos(c) * math::DEG)
    }
}

/// Sunrise and sunset of the solar day whose noon falls nearest to the middle
/// of the UTC day that holds `unix_s`, shifted to the longitude: noon is at
/// 12 h UTC less 4 minutes a degree east.
pub fn sun_times(unix_s: i64, latitude_deg: f32, longitude_deg: f32) -> SunTimes {
    let midnight = unix_s.saturating_sub(unix_s.rem_euclid(DAY_S));
    let at = |minutes: f32| midnight.saturating_add((minutes * 60.0) as i64);
    let (_, equation) = position(midnight.saturating_add(DAY_S / 2));
    let noon = 720.0 - 4.0 * longitude_deg - equation;
    let event = |side: f32| -> Result<i64, bool> {
        // Once for noon, then again for the hour found.
        let mut minutes = noon;
        for _ in 0..2 {
            let (declination, equation) = position(at(minutes));
            let half = half_day_min(declination, latitude_deg)?;
            minutes = 720.0 - 4.0 * longitude_deg - equation + side * half;
        }
        Ok(at(minutes))
    };
    match (event(-1.0), event(1.0)) {
        (Ok(rise_unix_s), Ok(set_unix_s)) => SunTimes::RiseSet { rise_unix_s, set_unix_s },
        (Err(true), _) | (_, Err(true)) => SunTimes::AlwaysUp,
        _ => SunTimes::AlwaysDown,
    }
}

/// True while the sun's upper limb stands above the horizon.
pub fn is_day(unix_s: i64, latitude_deg: f32, longitude_deg: f32) -> bool {
    let (declination, equation) = position(unix_s);
    let minutes = since_noon(unix_s).1 as f32 / 60.0;
    let hour_deg = (minutes + equation) * 0.25 + longitude_deg;
    let lat = latitude_deg / math::DEG;
    let height =
        sin(lat) * sin(declination) + cos(lat) * cos(declination) * cos(hour_deg / math::DEG);
    height > HORIZON
}

/// True if it is day and still will be `margin_s` later (less than half a day).
pub fn daylight_lasts(unix_s: i64, margin_s: i64, latitude_deg: f32, longitude_deg: f32) -> bool {
    is_day(unix_s, latitude_deg, longitude_deg)
        && is_day(unix_s.saturating_add(margin_s), latitude_deg, longitude_deg)
}
