//! What was wrong with single cells and rows, counted.

/// Kinds of fault in the file itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadFault {
    /// A cell holds something that is not a finite number; taken as missing.
    NotANumber,
    /// An acceleration cell is empty; taken as a missing axis.
    EmptyCell,
    /// A number that no sensor of this kind can give; taken as missing.
    OutOfRange,
    /// The time of a row cannot be read; the row is left out.
    BadTime,
    /// A row with too many or too few cells; left out where time or an axis is in doubt.
    RaggedRow,
    /// Time went backwards.
    TimeBackwards,
    /// A row with the same time as the row before.
    DuplicateTime,
}

/// All kinds, in the order in which they are reported.
pub const READ_FAULTS: [ReadFault; 7] = [
    ReadFault::NotANumber,
    ReadFault::EmptyCell,
    ReadFault::OutOfRange,
    ReadFault::BadTime,
    ReadFault::RaggedRow,
    ReadFault::TimeBackwards,
    ReadFault::DuplicateTime,
];

impl ReadFault {
    /// Name in reports.
    pub fn name(self) -> &'static str {
        match self {
            ReadFault::NotANumber => "not_a_number",
            ReadFault::EmptyCell => "empty_cell",
            ReadFault::OutOfRange => "out_of_range",
            ReadFault::BadTime => "bad_time",
            ReadFault::RaggedRow => "ragged_row",
            ReadFault::TimeBackwards => "time_backwards",
            ReadFault::DuplicateTime => "duplicate_time",
        }
    }
}

/// How often, and where first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Line of the file where it was first seen, from 1; 0 where it never was.
    pub first_row: u64,
    /// Number of cells (or rows).
    pub count: u64,
}

impl Tally {
    /// Counts one at line `row`.
    pub fn add(&mut self, row: u64) {
        if self.count == 0 {
            self.first_row = row;
        }
        self.count += 1;
    }
}

/// One [`Tally`] for each of [`READ_FAULTS`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReadFaults([Tally; 7]);

impl ReadFaults {
    /// Counts one at line `row`.
    #[cold]
    pub fn add(&mut self, kind: ReadFault, row: u64) {
        self.0[kind as usize].add(row);
    }

    /// How often a kind was seen, and where first.
    pub fn get(&self, kind: ReadFault) -> Tally {
        self.0[kind as usize]
    }
}
