//! The answer of `swaymark budget`: how long a tag lasts, what limits it, what would
//! help most, and whether a death could be told at all with the sampling chosen.

pub mod death;

pub use death::{DeathJudgement, judge_death};
