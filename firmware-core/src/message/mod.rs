//! The satellite summary: what a deployment came to, in messages of 31 bytes.
//!
//! Every message tells fate, recovery, release, cell and self-checks with their
//! times. Beside that each carries one of twelve shares of the course of the
//! beat rate; any five different ones give the whole course. So a package that
//! is never found has still told its deployment. `docs/message.md` lists every bit.

mod bits;
mod course;
mod facts;
mod layout;
mod level;
mod share;
mod summary;

pub use course::{Course, FINAL, POINTS, Point};
pub use facts::{CHOSEN_HOURS, Facts, Recovery, checks};
pub use layout::{MESSAGE_BYTES, Message, MessageError, VERSION};
pub use level::{Level, rest_quarter};
pub use share::{PAGES, SHARE_BYTES, WANTED, rebuild, share};
pub use summary::Summary;
