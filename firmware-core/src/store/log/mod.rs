//! A power-fail-safe log of records in NOR flash.
//!
//! The memory is cut into segments of one erase block. A segment holds records
//! of one [`Class`](crate::store::record::Class) and begins with a header, kept twice. Records follow one
//! another, each with its own check sum. Nothing is ever written twice between
//! two erasures, so any NOR flash will do, those with error correction by the
//! word included. After a power cut [`Log::open`] finds its way from the memory
//! alone; there is nothing to repair.
//!
//! What the log promises, and each is tested by cutting the power everywhere:
//! a record that [`Log::append`] acknowledged is read back, until it is dropped
//! by the rule below; damage to one record hides no other; opening never fails
//! for what the memory holds.
//!
//! The rule when the memory is full: the oldest segment of the lowest class goes
//! first, and no record ever drops one of a higher class than its own.

mod frame;
mod recorder;
mod ring;
mod segment;

pub use frame::{ALIGN_MAX, FRAME_MAX, Frame};
pub use recorder::{BurstPlan, Bursts, Recorder};
pub use ring::{Log, LogError};
pub use segment::{HEADER_BYTES, HEADER_COPY, Header, VERSION};
