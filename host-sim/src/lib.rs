//! Simulator of the tag: reads recorded traces, runs them through the very code
//! of the tag, and reports what it would have decided; and makes traces with truth.
//!
//! A program that adds a detector of one's own to the commands is [`main_with`] in a `main` of
//! its own. Without the feature `cli` the commands are left out.

pub mod batch;
pub mod budget;
#[cfg(feature = "cli")]
mod cli;
#[cfg(feature = "cli")]
mod cli_budget;
#[cfg(feature = "cli")]
mod cli_cohort;
#[cfg(feature = "cli")]
mod cli_compare;
#[cfg(feature = "cli")]
mod cli_replay;
#[cfg(feature = "cli")]
mod cli_score;
#[cfg(feature = "cli")]
mod cli_shell;
#[cfg(feature = "cli")]
mod cli_sweep;
#[cfg(feature = "cli")]
mod cli_synth;
#[cfg(feature = "cli")]
mod cli_unpack;
pub mod cohort;
pub mod compare;
pub mod deployment;
pub mod energy;
pub mod faults;
pub mod flash;
pub mod html;
pub mod own;
pub mod pressure;
pub mod problem;
pub mod replay;
pub mod score;
pub mod sweep;
pub mod synth;
pub mod tag_file;
mod toml_text;
pub mod trace;
pub mod truth;
pub mod unpack;

#[cfg(feature = "cli")]
pub use cli::{main, main_with};
