//! What every sensor driver offers: traits, faults, readings, and counters of trouble.

/// Why a sensor could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fault<E> {
    /// The bus failed, twice.
    Bus(E),
    /// Another part answers, or its constants are damaged.
    WrongPart,
    /// The part answers and has no reading.
    NotReady,
    /// The part does not do what it was asked for.
    Refused,
}

/// What went wrong so far, and was put right or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Troubles {
    /// Transfers that failed.
    pub bus: u16,
    /// Times that a FIFO ran over and samples were lost.
    pub overruns: u16,
    /// Times that the part had lost its settings and was set up anew.
    pub resets: u16,
    /// Times that it repeated one reading for too long and was set up anew.
    pub stuck: u16,
}

/// One more, saturating.
pub(super) fn count(counter: &mut u16) {
    *counter = counter.saturating_add(1);
}

/// What a FIFO gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Batch {
    /// Samples handed over, oldest first; the newest was taken just now.
    pub samples: u16,
    /// Samples before them are lost.
    pub lost: bool,
}

/// How full a FIFO is when its interrupt comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Watermark {
    /// Samples, 1 to what the FIFO holds.
    pub samples: u16,
    /// Time from one sample to the next, microseconds.
    pub period_us: u32,
}

impl Watermark {
    /// When the newest sample of a batch was taken, where the interrupt came at `mark_us`, both by the
    /// timer, microseconds. The sample that fills the FIFO to the mark brings the interrupt; those
    /// taken since then, until it was emptied, are newer. Date the others back from the newest by
    /// the period. `None`: samples were lost, or the batch is shorter than the mark, so that the
    /// interrupt says nothing of it; take the time of emptying.
    pub fn newest_us(&self, mark_us: u64, batch: &Batch) -> Option<u64> {
        let since = batch.samples.checked_sub(self.samples).filter(|_| !batch.lost)?;
        let since_us = u64::from(since).saturating_mul(self.period_us.into());
        Some(mark_us.saturating_add(since_us))
    }
}

/// A reading of a pressure sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reading {
    /// Absolute pressure, mbar.
    pub pressure_mbar: f32,
    /// Temperature of the part, deg C.
    pub temp_c: f32,
}

/// How far a reading is.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Progress {
    /// The part is at work: ask again after so many microseconds, or later.
    WaitUs(u32),
    /// There it is.
    Done(Reading),
}

macro_rules! sensors {
    ($($async:ident)?; $accelerometer:ident, $pressure:ident) => {
        /// Three axes in g, by way of a FIFO.
        #[allow(async_fn_in_trait, reason = "an executor on a tag has one core")]
        pub trait $accelerometer {
            /// Error of the bus.
            type Error;

            /// Sets the part up and running. To be called again after a fault.
            ///
            /// # Errors
            /// The bus, or another part at its address.
            $($async)? fn start(&mut self) -> Result<(), Fault<Self::Error>>;

            /// Hands over all samples of the FIFO in g, oldest first.
            ///
            /// # Errors
            /// The bus. Samples handed over before that are good.
            $($async)? fn drain(&mut self, take: &mut dyn FnMut([f32; 3]))
                -> Result<Batch, Fault<Self::Error>>;

            /// What went wrong so far.
            fn troubles(&self) -> &Troubles;
        }

        /// Pressure and temperature.
        #[allow(async_fn_in_trait, reason = "an executor on a tag has one core")]
        pub trait $pressure {
            /// Error of the bus.
            type Error;

            /// Sets the part up. To be called again after a fault.
            ///
            /// # Errors
            /// The bus, or constants that are damaged.
            $($async)? fn start(&mut self) -> Result<(), Fault<Self::Error>>;

            /// Takes a reading, and waits while the part converts.
            ///
            /// # Errors
            /// The bus; or no reading, also after the part was set up anew.
            $($async)? fn read(&mut self) -> Result<Reading, Fault<Self::Error>>;

            /// What went wrong so far.
            fn troubles(&self) -> &Troubles;
        }
    };
}

sensors!(; Accelerometer, Pressure);
sensors!(async; AsyncAccelerometer, AsyncPressure);

/// Counts readings that are exactly alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub(super) struct Repeats<T> {
    last: Option<T>,
    same: u16,
}

impl<T: PartialEq + Copy> Repeats<T> {
    /// Takes a reading. True: it is the `most`th in a row that is the same.
    pub(super) fn step(&mut self, reading: T, most: u16) -> bool {
        self.same = if self.last == Some(reading) { self.same.saturating_add(1) } else { 0 };
        self.last = Some(reading);
        self.same >= most
    }
}
