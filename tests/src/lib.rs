//! Shared helpers of the outside checks.
