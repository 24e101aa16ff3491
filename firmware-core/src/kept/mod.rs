//! State that is kept across a reset: to bytes and back, by one and the same code.

mod cursor;
mod derive;

pub use cursor::{BLOCK, Cursor, Kept, Memory, Nowhere, Port, crc32};
pub(crate) use derive::Kept;
