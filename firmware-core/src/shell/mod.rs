//! What a firmware calls: the tag with its clocks, its copies and its release.

pub mod clock;
pub mod firing;
pub mod guardian;
pub mod keeper;
pub mod launch;
pub mod rise;
pub mod table;
pub mod water;
