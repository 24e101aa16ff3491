//! Simulator of the tag: reads recorded traces, runs them through the very code
//! of the tag, and reports what it would have decided; and makes traces with truth.

pub mod batch;
pub mod budget;
pub mod cohort;
pub mod compare;
pub mod deployment;
pub mod energy;
pub mod faults;
pub mod flash;
pub mod html;
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
