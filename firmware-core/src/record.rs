//! What a minute and an event become in memory: fixed, compact records.

use crate::math;
use crate::tag::{Minute, State};

/// Bytes of a minute record.
pub const MINUTE_BYTES: usize = 16;
/// Bytes of an event record (fate, recovery, release).
pub const EVENT_BYTES: usize = 16;

fn scaled(x: f32, per_unit: f32, max: f32) -> u32 {
    math::round_u32((x * per_unit).clamp(0.0, max))
}

/// Packs a minute, little-endian:
/// minute number u24; state u8; beats/min in 1/128 u16 (65535: none); sway, ODBA
/// and VeDBA in 1/8192 g, u16 each; pitch in 180/127 deg i8; roll in 180/127 deg
/// i8; depth in 1/16 m u16 (65535: none).
pub fn pack_minute(minute: &Minute) -> [u8; MINUTE_BYTES] {
    let number = (minute.t_us.checked_div(60_000_000).unwrap_or(0)) as u32;
    let [n0, n1, n2, _] = number.to_le_bytes();
    let state = match minute.state {
        State::Unknown => 0,
        State::Swimming => 1,
        State::Resting => 2,
        State::Dead => 3,
        State::Floating => 4,
        State::OnBottom => 5,
    };
    let u16_of = |v: u32| (v as u16).to_le_bytes();
    let beats = match minute.beats_per_min {
        Some(b) => scaled(b, 128.0, 65_534.0),
        None => 65_535,
    };
    let depth = match minute.depth_m {
        Some(d) => scaled(d, 16.0, 65_534.0),
        None => 65_535,
    };
    let [b0, b1] = u16_of(beats);
    let [s0, s1] = u16_of(scaled(minute.sway_g, 8192.0, 65_535.0));
    let [o0, o1] = u16_of(scaled(minute.odba_g, 8192.0, 65_535.0));
    let [v0, v1] = u16_of(scaled(minute.vedba_g, 8192.0, 65_535.0));
    let [d0, d1] = u16_of(depth);
    let angle = |deg: f32| (math::floor(deg * (127.0 / 180.0) + 0.5) as i8).to_le_bytes();
    let [p] = angle(minute.pitch_deg);
    let [r] = angle(minute.roll_deg);
    [n0, n1, n2, state, b0, b1, s0, s1, o0, o1, v0, v1, p, r, d0, d1]
}
