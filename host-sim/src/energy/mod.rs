//! How long the battery lasts: cell, loads, and what becomes of them over a
//! deployment. The model with its formulas and sources is told in `docs/energy.md`.
//!
//! [`plan`] turns a tag file into currents, [`bus`] and [`traffic`] reckon transfers, [`cell`] and [`sag`] are the battery,
//! [`walk`] goes through a phase from event to event, [`run`](mod@run) through a deployment;
//! [`mod@outlook`] draws uncertain figures, [`tracker`] follows a recorded trace.

pub mod bus;
pub mod cell;
pub mod cost;
pub mod outlook;
pub mod path_table;
pub mod plan;
pub mod run;
pub mod sag;
pub mod tracker;
pub mod traffic;
pub mod walk;

pub use cell::Battery;
pub use outlook::{Outlook, Percentiles, outlook};
pub use plan::{Choice, Plan};
pub use run::{Failure, Limit, Outcome, Rules, run};
pub use tracker::Tracker;
