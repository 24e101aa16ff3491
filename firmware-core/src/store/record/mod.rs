//! What the tag keeps: minutes, hours, events and raw bursts as short records.
//!
//! A record is a [`Kind`] and a payload of at most [`PAYLOAD_MAX`] bytes,
//! little-endian. A layout once given to a kind never changes: a new layout gets
//! a new kind, so that an old image can always be read. `docs/records.md` lists
//! every byte.

mod burst;
mod class;
mod event;
mod field;
mod hour;
mod kind;
mod minute;
mod own;
mod size;

pub use burst::{BURST_SAMPLES, Burst};
pub use class::{CLASSES, Class, PAYLOAD_MAX};
pub use event::{
    EndEvent, FateEvent, FaultEvent, Identity, LaunchEvent, RecoveryEvent, ReleaseEvent,
    ResetEvent, StartEvent,
};
pub(super) use field::read;
pub use field::{Pack, Unpack};
pub use hour::{Hour, HourSum};
pub use kind::{Body, Kind, Record};
pub use minute::{MINUTE_BYTES, as_recorded, pack_minute};
pub use own::{OwnNames, OwnRecord};
pub use size::{
    FATE_BYTES, FATE_STORED, FRAME_EXTRA, FRAME_HEAD, FRAME_TAIL, HOUR_BYTES, OWN_STORED,
    RECOVERY_BYTES, RECOVERY_STORED, RELEASE_BYTES, RELEASE_STORED, STORED_PER_MINUTE,
    minute_stored, stored_bytes,
};
