//! The mock board: an accelerometer behind a bus whose output registers are
//! filled from the trace, a timer that never waits, and a release pin.

use core::cell::Cell;
use core::convert::Infallible;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType as PinErrorType, OutputPin};
use embedded_hal::i2c::{self, I2c, NoAcknowledgeSource};
use embedded_hal::spi::{self, SpiDevice};

use crate::accel;
use crate::trace::Axes;

/// The bus did not answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NoAnswer;

impl i2c::Error for NoAnswer {
    fn kind(&self) -> i2c::ErrorKind {
        i2c::ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address)
    }
}

impl spi::Error for NoAnswer {
    fn kind(&self) -> spi::ErrorKind {
        spi::ErrorKind::Other
    }
}

/// The accelerometer's registers, filled sample by sample.
#[derive(Default)]
pub struct Part {
    axes: Cell<Option<Axes>>,
    running: Cell<bool>,
}

impl Part {
    /// Puts the next sample into the output registers; `None` makes the part deaf.
    pub fn fill(&self, axes: Option<Axes>) {
        self.axes.set(axes);
    }

    /// True once the driver has set the part running.
    pub fn running(&self) -> bool {
        self.running.get()
    }

    fn write(&self, bytes: &[u8]) {
        if let [accel::CONTROL, value] = bytes {
            self.running.set(value & 0x80 != 0);
        }
    }

    fn read(&self, register: u8, into: &mut [u8]) -> Result<(), NoAnswer> {
        match register & !accel::BURST {
            accel::WHO_AM_I => copy(&[accel::IDENTITY], into),
            accel::OUTPUT if self.running.get() => match self.axes.get() {
                Some(Axes::Counts([x, y, z])) => {
                    let ([a, b], [c, d], [e, f]) =
                        (x.to_le_bytes(), y.to_le_bytes(), z.to_le_bytes());
                    copy(&[a, b, c, d, e, f], into);
                }
                Some(Axes::Floats(axes)) => {
                    for (x, to) in axes.iter().zip(into.chunks_mut(4)) {
                        copy(&x.to_bits().to_le_bytes(), to);
                    }
                }
                None => return Err(NoAnswer),
            },
            _ => return Err(NoAnswer),
        }
        Ok(())
    }
}

/// As many bytes as there are in both.
pub(crate) fn copy(from: &[u8], to: &mut [u8]) {
    for (t, f) in to.iter_mut().zip(from) {
        *t = *f;
    }
}

/// The part as seen over I2C or SPI.
#[derive(Clone, Copy)]
pub struct Bus<'a>(pub &'a Part);

impl i2c::ErrorType for Bus<'_> {
    type Error = NoAnswer;
}

impl I2c for Bus<'_> {
    fn transaction(
        &mut self,
        address: u8,
        operations: &mut [i2c::Operation<'_>],
    ) -> Result<(), NoAnswer> {
        if address != accel::ADDRESS {
            return Err(NoAnswer);
        }
        let mut register = 0;
        for operation in operations {
            match operation {
                i2c::Operation::Write(bytes) => {
                    register = bytes.first().copied().unwrap_or(0);
                    self.0.write(bytes);
                }
                i2c::Operation::Read(into) => self.0.read(register, into)?,
            }
        }
        Ok(())
    }
}

impl spi::ErrorType for Bus<'_> {
    type Error = NoAnswer;
}

impl SpiDevice for Bus<'_> {
    fn transaction(&mut self, operations: &mut [spi::Operation<'_, u8>]) -> Result<(), NoAnswer> {
        let mut register = 0;
        for operation in operations {
            match operation {
                spi::Operation::Write(bytes) => {
                    register = bytes.first().copied().unwrap_or(0);
                    self.0.write(bytes);
                }
                spi::Operation::Read(into) => self.0.read(register, into)?,
                _ => {}
            }
        }
        Ok(())
    }
}

/// A timer that adds up what it was asked to wait.
#[derive(Default)]
pub struct Timer {
    /// Nanoseconds asked for.
    pub waited_ns: u64,
}

impl DelayNs for Timer {
    fn delay_ns(&mut self, ns: u32) {
        self.waited_ns = self.waited_ns.wrapping_add(u64::from(ns));
    }
}

/// The pin that fires the release.
#[derive(Default)]
pub struct Pin {
    /// High: firing.
    pub high: bool,
    /// Times it went from low to high.
    pub fired: u32,
}

impl PinErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.high = false;
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.fired = self.fired.wrapping_add(u32::from(!self.high));
        self.high = true;
        Ok(())
    }
}
