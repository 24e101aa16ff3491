//! On-tag detectors of an animal-borne acceleration logger.
#![cfg_attr(not(test), no_std)]

pub mod config;
pub mod math;
pub mod tag;
