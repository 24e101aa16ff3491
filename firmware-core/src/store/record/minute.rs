//! A minute: 16 bytes.

use super::field::{Field, Pack, layout, read};
use crate::types::Minute;

/// Bytes of a packed minute.
pub const MINUTE_BYTES: usize = 16;

/// Steps a unit of beats a minute.
pub(super) const BEATS: f32 = 128.0;
/// Steps a g.
pub(super) const G: f32 = 8192.0;
/// Steps a metre.
pub(super) const M: f32 = 16.0;

/// Packs a minute, little-endian:
/// minute number u24; state u8; beats/min in 1/128 u16 (65535: none); sway, ODBA
/// and VeDBA in 1/8192 g, u16 each; pitch in 180/127 deg i8; roll in 180/127 deg
/// i8; depth in 1/16 m u16 (65535: none).
pub fn pack_minute(minute: &Minute) -> [u8; MINUTE_BYTES] {
    let mut bytes = [0; MINUTE_BYTES];
    minute.put(&mut Pack::new(&mut bytes));
    bytes
}

layout!(Minute {
    t_us: whole_minutes(),
    state,
    beats_per_min: scaled_option(BEATS),
    sway_g: scaled(G),
    odba_g: scaled(G),
    vedba_g: scaled(G),
    pitch_deg: angle(),
    roll_deg: angle(),
    depth_m: scaled_option(M),
});

/// A minute as it is read back: to the resolution of its record.
#[inline(never)]
pub fn as_recorded(minute: &Minute) -> Minute {
    read(&pack_minute(minute)).unwrap_or(*minute)
}
