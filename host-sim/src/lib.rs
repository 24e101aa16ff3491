//! Simulator of the tag.

pub mod synth;
