//! Simulator of the tag.
