//! Work over whole folders of traces: finding them, telling their contents apart,
//! running through them in parallel, and writing results as a whole.

mod find;
mod fingerprint;
mod notices;
mod order;
mod whole_file;

pub use find::{Found, Job, find};
pub(crate) use fingerprint::shown;
pub use fingerprint::{ALL_SOURCES, DETECTOR_VERSION, of_bytes, of_file, program};
pub use notices::Notices;
pub use order::{in_order, thread_count};
pub use whole_file::write_whole;
