//! Classes of record, and the size of a record.

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
