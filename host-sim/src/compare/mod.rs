//! Which decisions changed since a baseline.
//!
//! A [`Baseline`] holds the decisions of every deployment with fingerprints of what
//! they were decided from. [`compare`](compare()) tells changed decisions from changed, missing
//! and new traces, and sorts what changed by how serious it is.

mod baseline;
mod comparison;
mod decision;
pub mod text;

pub use baseline::{Baseline, SCHEMA};
pub use comparison::{Change, Changed, Comparison, Kind, Tolerances, compare};
pub use decision::{Decision, OwnEvents};
