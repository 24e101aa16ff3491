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
mod sensor;

pub use sensor::{Accelerometer, Batch, Fault, Pressure, Reading, Troubles};
