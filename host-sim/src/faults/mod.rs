//! The simulator plays the hardware: resets, buses that do not answer, worn
//! flash, dead sensors, clocks that lie, a cell that sags under the release.
//!
//! A [`plan::Plan`] says what goes wrong when; [`hardware::Hardware`] has it
//! happen to the very code that runs on the tag ([`firmware_core::shell::keeper`]),
//! with its copies in a simulated flash and its release on simulated pins;
//! [`random`] draws plans and [`study`] holds many of them against the tag's
//! promises.

pub mod flash;
pub mod hardware;
pub mod plan;
pub mod random;
pub mod records;
pub mod study;
