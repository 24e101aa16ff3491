//! A whole firmware of a tag. [`firmware`] is read from top to bottom; [`board`] is all that it
//! wants of a chip, [`checks`] its self-test, [`frames`] the download. `src/bin` has a simulated
//! board, on which it is tried through resets, and a real one.
//!
//! It fires a release. On the bench it pulls, or heats, beside hands: leave the link out, or fit a
//! lamp in its place, while a board is under power. Lithium cells burn and vent, more so sealed in
//! resin; a transmitter needs a licence; tagging needs permits and an ethics review. Local rules and
//! licensed practice come first.
#![no_std]

pub mod board;
pub mod checks;
pub mod firmware;
pub mod frames;
pub mod setup;
pub mod shelf;
pub mod tape;
