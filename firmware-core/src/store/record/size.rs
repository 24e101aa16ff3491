//! Bytes that a record takes in the log: the one source for whoever reckons with memory.

use super::minute::MINUTE_BYTES;
use crate::math;

/// Bytes that a record takes in the log beside its payload, before rounding up to words: kind,
/// length and number before it, a check sum behind it.
pub const FRAME_EXTRA: usize = FRAME_HEAD + FRAME_TAIL;
/// Bytes before the payload.
pub const FRAME_HEAD: usize = 4;
/// Bytes behind it.
pub const FRAME_TAIL: usize = 4;

/// Words of the flash by which sizes are reckoned; longer words take more.
const WORD: usize = 4;

/// Bytes in the log of a record with this payload, its check sum and head included.
pub const fn stored_bytes(payload: usize) -> usize {
    payload.saturating_add(FRAME_EXTRA).next_multiple_of(WORD)
}

/// Payload of an hour.
pub const HOUR_BYTES: usize = 37;
/// Payload of a decision on fate, with the minute that it was taken on.
pub const FATE_BYTES: usize = 34;
/// Payload of an estimate of recovery.
pub const RECOVERY_BYTES: usize = 24;
/// Payload of a decision to let go, with the latest minute.
pub const RELEASE_BYTES: usize = 38;

/// Payload of an event of a detector of one's own.
pub const OWN_BYTES: usize = 23;
/// Such an event in the log.
pub const OWN_STORED: usize = stored_bytes(OWN_BYTES);
/// A decision on fate in the log.
pub const FATE_STORED: usize = stored_bytes(FATE_BYTES);
/// An estimate of recovery in the log.
pub const RECOVERY_STORED: usize = stored_bytes(RECOVERY_BYTES);
/// A decision to let go in the log.
pub const RELEASE_STORED: usize = stored_bytes(RELEASE_BYTES);

const HOUR_MINUTES: u32 = 60;

/// Bytes in the log of the minute that began then; with the last one of an hour comes
/// the hour's own record.
pub const fn minute_stored(t_us: u64) -> usize {
    let minute = stored_bytes(MINUTE_BYTES);
    if (math::seconds(t_us) / 60) % HOUR_MINUTES == HOUR_MINUTES - 1 {
        minute.saturating_add(stored_bytes(HOUR_BYTES))
    } else {
        minute
    }
}

/// Bytes in the log a minute, in the long run: what a tag file gives for it.
pub const STORED_PER_MINUTE: f32 =
    stored_bytes(MINUTE_BYTES) as f32 + stored_bytes(HOUR_BYTES) as f32 / 60.0;
