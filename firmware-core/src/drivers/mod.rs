//! Sensors over `embedded-hal`, behind narrow traits.
//!
//! A firmware asks an [`Accelerometer`] every few seconds for what its FIFO
//! holds, and a [`Pressure`] sensor now and then for a reading. What goes wrong
//! is told, counted in [`Troubles`], and put right where it can be: a bus error is
//! tried once more; a sensor that lost its settings in a reset, or that repeats
//! one reading, is set up anew; a FIFO that ran over is emptied, and the caller
//! knows that samples are missing.
//!
//! [`bma400`]: the accelerometer of that name, on I2C or SPI, by the crate of the
//! same name. [`ms5837`]: the pressure sensor of that name, on I2C.

pub mod bma400;
pub mod depth;
pub mod ms5837;

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

fn count(counter: &mut u16) {
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

/// Three axes in g, by way of a FIFO.
pub trait Accelerometer {
    /// Error of the bus.
    type Error;

    /// Sets the part up and running. To be called again after a fault.
    ///
    /// # Errors
    /// The bus, or another part at its address.
    fn start(&mut self) -> Result<(), Fault<Self::Error>>;

    /// Hands over all samples of the FIFO in g, oldest first.
    ///
    /// # Errors
    /// The bus. Samples handed over before that are good.
    fn drain(&mut self, take: &mut dyn FnMut([f32; 3])) -> Result<Batch, Fault<Self::Error>>;

    /// What went wrong so far.
    fn troubles(&self) -> &Troubles;
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

/// Pressure and temperature.
pub trait Pressure {
    /// Error of the bus.
    type Error;

    /// Sets the part up. To be called again after a fault.
    ///
    /// # Errors
    /// The bus, or constants that are damaged.
    fn start(&mut self) -> Result<(), Fault<Self::Error>>;

    /// Takes a reading.
    ///
    /// # Errors
    /// The bus; or no reading, also after the part was set up anew.
    fn read(&mut self) -> Result<Reading, Fault<Self::Error>>;

    /// What went wrong so far.
    fn troubles(&self) -> &Troubles;
}

/// Counts readings that are exactly alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
struct Repeats<T> {
    last: Option<T>,
    same: u16,
}

impl<T: PartialEq + Copy> Repeats<T> {
    /// Takes a reading. True: it is the `most`th in a row that is the same.
    fn step(&mut self, reading: T, most: u16) -> bool {
        self.same = if self.last == Some(reading) { self.same.saturating_add(1) } else { 0 };
        self.last = Some(reading);
        self.same >= most
    }
}
