//! Kinds of record, and what each holds: one table.

use super::burst::Burst;
use super::class::Class;
use super::event::{
    EndEvent, FateEvent, FaultEvent, Identity, LaunchEvent, RecoveryEvent, ReleaseEvent,
    ResetEvent, StartEvent,
};
use super::field::{Field, Pack, read};
use super::hour::{HOUR_US, Hour};
use super::own::{OwnNames, OwnRecord};
use crate::types::Minute;

/// Something that can be kept.
pub trait Body {
    /// Its kind.
    const KIND: Kind;
    /// Puts the payload.
    fn pack(&self, into: &mut Pack<'_>);
}

/// A line a kind: its name, what it holds, its number in memory, its class, and its time.
macro_rules! kinds {
    ($( $(#[$doc:meta])* $kind:ident($body:tt: $type:ty) = $code:literal, $class:ident, $t_us:expr; )*) => {
        /// Kinds of record, by their number in memory.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        pub enum Kind {
            $( $(#[$doc])* $kind = $code, )*
        }

        impl Kind {
            /// The kind of that number, if there is one.
            pub fn from_code(code: u8) -> Option<Self> {
                match code {
                    $( $code => Some(Kind::$kind), )*
                    _ => None,
                }
            }

            /// Its class.
            pub fn class(self) -> Class {
                match self {
                    $( Kind::$kind => Class::$class, )*
                }
            }
        }

        $( impl Body for $type {
            const KIND: Kind = Kind::$kind;
            fn pack(&self, into: &mut Pack<'_>) {
                self.put(into);
            }
        } )*

        /// A record read back.
        #[derive(Clone, Debug, PartialEq)]
        #[allow(clippy::large_enum_variant, reason = "read back on a host; a tag packs the bodies")]
        pub enum Record {
            $( $(#[$doc])* $kind($type), )*
        }

        impl Record {
            /// Reads a payload; `None` where it is too short or holds a code without meaning.
            pub fn unpack(kind: Kind, payload: &[u8]) -> Option<Self> {
                match kind {
                    $( Kind::$kind => read(payload).map(Record::$kind), )*
                }
            }

            /// Tag time of the record, microseconds: when a decision was taken, or a
            /// minute, an hour or a burst began.
            pub fn t_us(&self) -> u64 {
                match self {
                    $( Record::$kind($body) => $t_us, )*
                }
            }
        }
    };
}

kinds! {
    /// The deployment began.
    Start(_: StartEvent) = 1, Summary, 0;
    /// The tag was reset.
    Reset(event: ResetEvent) = 2, Summary, event.t_us;
    /// A minute.
    Minute(minute: Minute) = 3, Minutes, minute.t_us;
    /// An hour.
    Hour(hour: Hour) = 4, Summary, u64::from(hour.number).saturating_mul(HOUR_US);
    /// Fate was decided or revised.
    Fate(event: FateEvent) = 5, Summary, event.report.decided_us;
    /// Recovery was estimated or decided.
    Recovery(event: RecoveryEvent) = 6, Summary, event.t_us;
    /// The tag lets go.
    Release(event: ReleaseEvent) = 7, Summary, event.decision.t_us;
    /// A fault began.
    Fault(event: FaultEvent) = 8, Summary, event.t_us;
    /// Raw samples.
    Burst(burst: Burst) = 9, Detail, burst.t_us;
    /// A detector of one's own reported.
    Own(event: OwnRecord) = 10, Summary, event.0.t_us;
    /// What that detector reports, by name.
    OwnNames(_: OwnNames) = 11, Summary, 0;
    /// The deployment begins, or ends.
    Launch(event: LaunchEvent) = 12, Summary, event.report.t_us;
    /// The deployment has ended.
    End(event: EndEvent) = 13, Summary, event.t_us;
    /// Who recorded it.
    Identity(_: Identity) = 14, Summary, 0;
}
