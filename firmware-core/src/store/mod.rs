//! What is kept in flash: records in a log, and copies of state.

pub mod boot;
pub mod journal;
pub mod log;
pub mod record;
pub mod slots;
