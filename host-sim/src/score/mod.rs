//! Decisions of the tag judged against truth.
//!
//! [`judge`](judge()) holds one report against one truth and gives a [`TraceScore`], a small
//! record of what was right, what was wrong and by how much. Everything that cannot
//! be said (no truth for it, nothing decided, nothing to divide by) is `None`,
//! never 0.

pub mod bounds;
mod entry;
pub mod intervals;
mod judge;
pub mod matching;
pub mod state;
pub mod statistics;
pub mod summary;
pub mod text;
mod trace_score;
mod truth;
pub mod worst;

pub use entry::{Entry, family, fingerprint, score_trace};
pub use judge::judge;
pub use trace_score::{
    BeatScore, Breathing, FateScore, OwnScore, RateScore, RecoveryScore, ReleaseScore, TagFate,
    TraceScore, TrueFate, Verdict,
};
pub use truth::{OWN_WITHIN_S, Truth};
