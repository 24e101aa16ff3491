//! Many deployments together: who lived, for how long, and when they recovered.
//!
//! The way of a deployment: `record` reads what became of it (from a replay, from
//! the JSON of an earlier one, or from a table that a person corrected), `analysis`
//! puts them together by group, `survival`, `logrank` and `proportion` hold the
//! statistics, `text` and `html::cohort` show them.

pub mod analysis;
pub mod logrank;
pub mod proportion;
pub mod record;
pub mod survival;
pub mod table;
mod text;

pub(crate) use text::p_value;
pub use text::text;
