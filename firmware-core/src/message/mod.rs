//! The satellite summary.
