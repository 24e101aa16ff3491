//! From samples to what the slower stages look at.

pub mod frame;
pub mod ingest;
pub mod minute;
pub mod posture;
pub mod rate;
pub mod sensor;
pub mod sway;
pub mod window;
