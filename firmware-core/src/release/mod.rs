//! When the tag releases its animal.

mod decide;
pub mod sun;

pub use decide::{Grounds, Release};
