//! Tail beats from sideways acceleration.
//!
//! The signal goes down a ladder of octaves, each half the rate of the one
//! before. On every rung a zero-phase band-pass (a second difference, so that
//! constants and slopes vanish, of binomial means, which are Gaussian nearly) is
//! followed by a search for extremes with hysteresis. Both are additions of
//! whole numbers, which every processor does exactly and fast. A cycle is a low, a high and
//! a low; the rungs' cycles compete, and those of the rung that carries the rhythm become beats
//! once enough of them agree with each other, or with this animal's own rhythm.

mod bandpass;
mod choose;
mod cycles;
mod ladder;
mod stage;

pub use bandpass::{BAND_GAIN, BAND_PERIOD, BandPass, gain};
pub use stage::BeatStage;
