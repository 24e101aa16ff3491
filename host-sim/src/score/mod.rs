//! Decisions of the tag judged against truth.
//!
//! [`judge`](judge()) holds one report against one truth and gives a [`TraceScore`], a small
//! record of what was right, what was wrong and by how much. Everything that cannot
//! be said (no truth for it, nothing decided, nothing to divide by) is `None`,
//! never 0.

mod judge;
pub mod matching;
mod trace_score;
mod truth;

pub use judge::judge;
pub use trace_score::{
    BeatScore, Breathing, FateScore, RateScore, RecoveryScore, ReleaseScore, TagFate, TraceScore,
    TrueFate, Verdict,
};
pub use truth::Truth;
