//! What host and target share: the binary trace, the records that come back,
//! the accelerometer drivers and the mock bus that feeds them.
#![no_std]

pub mod accel;
pub mod app;
pub mod bus;
pub mod deployed;
pub mod digest;
pub mod fifo;
pub mod flash;
pub mod heard;
pub mod probe;
pub mod record;
pub mod records;
pub mod sea;
pub mod shell;
pub mod trace;
pub mod whole;
