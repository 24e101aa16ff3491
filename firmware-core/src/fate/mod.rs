//! Is the animal alive, and is the tag still on it?

mod clues;
pub mod depth;
mod judges;
mod test;

pub use judges::{Judges, Lesson, Verdict};
pub use test::FateTest;
