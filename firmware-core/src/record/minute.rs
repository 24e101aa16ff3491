//! A minute: 16 bytes.

use super::{Body, Kind, Pack, Unpack, state_code, state_of};
use crate::tag::Minute;

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
    minute.pack(&mut Pack::new(&mut bytes));
    bytes
}

impl Body for Minute {
    const KIND: Kind = Kind::Minute;

    fn pack(&self, into: &mut Pack<'_>) {
        let number = self.t_us.checked_div(60_000_000).unwrap_or(0) as u32;
        let [n0, n1, n2, _] = number.to_le_bytes();
        into.bytes(&[n0, n1, n2, state_code(self.state)]);
        into.scaled_option(self.beats_per_min, BEATS);
        into.scaled(self.sway_g, G);
        into.scaled(self.odba_g, G);
        into.scaled(self.vedba_g, G);
        into.angle(self.pitch_deg);
        into.angle(self.roll_deg);
        into.scaled_option(self.depth_m, M);
    }
}

/// A minute as it is read back: to the resolution of its record.
pub fn as_recorded(minute: &Minute) -> Minute {
    unpack_minute(&mut Unpack::new(&pack_minute(minute))).unwrap_or(*minute)
}

/// Reads a packed minute.
pub fn unpack_minute(from: &mut Unpack<'_>) -> Option<Minute> {
    Some(Minute {
        t_us: u64::from(from.u24()?).saturating_mul(60_000_000),
        state: state_of(from.u8()?)?,
        beats_per_min: from.scaled_option(BEATS)?,
        sway_g: from.scaled(G)?,
        odba_g: from.scaled(G)?,
        vedba_g: from.scaled(G)?,
        pitch_deg: from.angle()?,
        roll_deg: from.angle()?,
        depth_m: from.scaled_option(M)?,
    })
}
