//! Which program this is.

/// A number of this very program: a hash of its source, made as it is built.
pub const PROGRAM: u32 = include!(concat!(env!("OUT_DIR"), "/program.rs"));
