//! Sensors over `embedded-hal`, and over `embedded-hal-async`, behind narrow traits.
//!
//! A firmware empties an [`Accelerometer`]'s FIFO when its watermark interrupt comes, and
//! dates the samples back from the time of that interrupt ([`Watermark`]). It asks a [`Pressure`] sensor
//! now and then for a reading, and may sleep while the part converts ([`Progress`]). What goes wrong
//! is reported, counted in [`Troubles`], and put right where it can be: a bus error is
//! tried once more; a sensor that lost its settings in a reset, or that repeats
//! one reading, is set up anew; a FIFO that ran over is emptied, and the caller
//! knows that samples are missing.
//!
//! [`bma400`]: the accelerometer of that name, on I2C or SPI. [`ms5837`]: the pressure sensor of
//! that name, on I2C. Each driver exists twice, blocking and with the prefix `Async`, from one
//! source.

#[macro_use]
mod dual;
pub mod bma400;
pub mod depth;
pub mod ms5837;
mod port;
mod sensor;

pub use port::{AsyncRegisters, I2CInterface, Registers, SPIInterface};
pub use sensor::{Accelerometer, AsyncAccelerometer, AsyncPressure, Batch, Fault, Pressure};
pub use sensor::{Progress, Reading, Troubles, Watermark};
