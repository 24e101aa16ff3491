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

/// Asks, and once more where the bus failed, whose failures are counted.
pub(super) fn twice<R, E>(
    failures: &mut u16,
    mut ask: impl FnMut() -> Result<R, Fault<E>>,
) -> Result<R, Fault<E>> {
    let mut got = ask();
    if matches!(got, Err(Fault::Bus(_))) {
        count(failures);
        got = ask();
        if matches!(got, Err(Fault::Bus(_))) {
            count(failures);
        }
    }
    got
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
