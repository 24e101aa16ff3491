//! What the tag keeps: minutes, hours, events and raw bursts as short records.
//!
//! A record is a [`Kind`] and a payload of at most [`PAYLOAD_MAX`] bytes,
//! little-endian. A layout once given to a kind never changes: a new layout gets
//! a new kind, so that an old image can always be read. `docs/records.md` lists
//! every byte.

mod burst;
mod event;
mod field;
mod hour;
mod minute;
mod size;

pub use burst::{BURST_SAMPLES, Burst};
pub use event::{FateEvent, FaultEvent, RecoveryEvent, ReleaseEvent, ResetEvent, StartEvent};
pub use field::{Pack, Unpack};
pub use hour::{Hour, HourSum};
pub use minute::{MINUTE_BYTES, as_recorded, pack_minute, unpack_minute};
pub use size::{
    FATE_BYTES, FATE_STORED, HOUR_BYTES, RECOVERY_BYTES, RECOVERY_STORED, RELEASE_BYTES,
    RELEASE_STORED, STORED_PER_MINUTE, minute_stored, stored_bytes,
};

use crate::tag::{Cause, Fate, FaultKind, Minute, State};

/// Largest payload, bytes.
pub const PAYLOAD_MAX: usize = 240;

/// What is dropped first when the memory is full: the lowest class, its oldest records first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Class {
    /// Raw bursts.
    Detail = 0,
    /// Minute summaries.
    Minutes = 1,
    /// Hour summaries and events: dropped last.
    Summary = 2,
}

/// All classes, first to be dropped first.
pub const CLASSES: [Class; 3] = [Class::Detail, Class::Minutes, Class::Summary];

/// Kinds of record, by their number in memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Kind {
    /// [`StartEvent`].
    Start = 1,
    /// [`ResetEvent`].
    Reset = 2,
    /// A minute summary.
    Minute = 3,
    /// [`Hour`].
    Hour = 4,
    /// [`FateEvent`].
    Fate = 5,
    /// [`RecoveryEvent`].
    Recovery = 6,
    /// [`ReleaseEvent`].
    Release = 7,
    /// [`FaultEvent`].
    Fault = 8,
    /// [`Burst`].
    Burst = 9,
}

impl Kind {
    /// The kind of that number, if there is one.
    pub fn from_code(code: u8) -> Option<Self> {
        Some(match code {
            1 => Kind::Start,
            2 => Kind::Reset,
            3 => Kind::Minute,
            4 => Kind::Hour,
            5 => Kind::Fate,
            6 => Kind::Recovery,
            7 => Kind::Release,
            8 => Kind::Fault,
            9 => Kind::Burst,
            _ => return None,
        })
    }

    /// Its class.
    pub fn class(self) -> Class {
        match self {
            Kind::Burst => Class::Detail,
            Kind::Minute => Class::Minutes,
            _ => Class::Summary,
        }
    }
}

/// Something that can be kept.
pub trait Body {
    /// Its kind.
    const KIND: Kind;
    /// Puts the payload.
    fn pack(&self, into: &mut Pack<'_>);
}

/// A record read back.
#[derive(Clone, Debug, PartialEq)]
#[allow(clippy::large_enum_variant, reason = "read back on a host; a tag packs the bodies")]
pub enum Record {
    /// The deployment began.
    Start(StartEvent),
    /// The tag was reset.
    Reset(ResetEvent),
    /// A minute.
    Minute(Minute),
    /// An hour.
    Hour(Hour),
    /// Fate was decided or revised.
    Fate(FateEvent),
    /// Recovery was estimated or decided.
    Recovery(RecoveryEvent),
    /// The tag lets go.
    Release(ReleaseEvent),
    /// A fault began.
    Fault(FaultEvent),
    /// Raw samples.
    Burst(Burst),
}

impl Record {
    /// Reads a payload; `None` where it is too short or holds a code without meaning.
    pub fn unpack(kind: Kind, payload: &[u8]) -> Option<Self> {
        let mut from = Unpack::new(payload);
        let from = &mut from;
        Some(match kind {
            Kind::Start => Record::Start(StartEvent::unpack(from)?),
            Kind::Reset => Record::Reset(ResetEvent::unpack(from)?),
            Kind::Minute => Record::Minute(unpack_minute(from)?),
            Kind::Hour => Record::Hour(Hour::unpack(from)?),
            Kind::Fate => Record::Fate(FateEvent::unpack(from)?),
            Kind::Recovery => Record::Recovery(RecoveryEvent::unpack(from)?),
            Kind::Release => Record::Release(ReleaseEvent::unpack(from)?),
            Kind::Fault => Record::Fault(FaultEvent::unpack(from)?),
            Kind::Burst => Record::Burst(Burst::unpack(from)?),
        })
    }

    /// Tag time of the record, microseconds: when a decision was taken, or a
    /// minute, an hour or a burst began.
    pub fn t_us(&self) -> u64 {
        match self {
            Record::Start(_) => 0,
            Record::Reset(e) => e.t_us,
            Record::Minute(m) => m.t_us,
            Record::Hour(h) => u64::from(h.number).saturating_mul(3_600_000_000),
            Record::Fate(e) => e.report.decided_us,
            Record::Recovery(e) => e.t_us,
            Record::Release(e) => e.decision.t_us,
            Record::Fault(e) => e.t_us,
            Record::Burst(b) => b.t_us,
        }
    }
}

/// Number of a state in memory.
pub fn state_code(state: State) -> u8 {
    match state {
        State::Unknown => 0,
        State::Swimming => 1,
        State::Resting => 2,
        State::Dead => 3,
        State::Floating => 4,
        State::OnBottom => 5,
    }
}

/// The state of a number.
pub fn state_of(code: u8) -> Option<State> {
    Some(match code {
        0 => State::Unknown,
        1 => State::Swimming,
        2 => State::Resting,
        3 => State::Dead,
        4 => State::Floating,
        5 => State::OnBottom,
        _ => return None,
    })
}

/// Number of a fate in memory and in a message.
pub fn fate_code(fate: Fate) -> u8 {
    match fate {
        Fate::Undetermined => 0,
        Fate::Alive => 1,
        Fate::Dead => 2,
        Fate::DetachedFloating => 3,
        Fate::DetachedOnBottom => 4,
    }
}

/// The fate of a number.
pub fn fate_of(code: u8) -> Option<Fate> {
    Some(match code {
        0 => Fate::Undetermined,
        1 => Fate::Alive,
        2 => Fate::Dead,
        3 => Fate::DetachedFloating,
        4 => Fate::DetachedOnBottom,
        _ => return None,
    })
}

/// Number of a cause in memory; one more in a message, where 0 says that the tag still holds.
pub fn cause_code(cause: Cause) -> u8 {
    match cause {
        Cause::Ceiling => 0,
        Cause::Death => 1,
        Cause::Detached => 2,
        Cause::Recovered => 3,
        Cause::MemoryFull => 4,
        Cause::CellLow => 5,
        Cause::TooDeep => 6,
    }
}

/// The cause of a number.
pub fn cause_of(code: u8) -> Option<Cause> {
    Some(match code {
        0 => Cause::Ceiling,
        1 => Cause::Death,
        2 => Cause::Detached,
        3 => Cause::Recovered,
        4 => Cause::MemoryFull,
        5 => Cause::CellLow,
        6 => Cause::TooDeep,
        _ => return None,
    })
}

/// Place of a kind of fault among [`crate::tag::FAULT_KINDS`].
pub fn fault_code(kind: FaultKind) -> u8 {
    match kind {
        FaultKind::StuckAxis => 0,
        FaultKind::ClippedAxis => 1,
        FaultKind::MissingAxis => 2,
        FaultKind::Gap => 3,
        FaultKind::ClockJump => 4,
        FaultKind::DepthFault => 5,
    }
}
