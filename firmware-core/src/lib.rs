//! On-tag detectors of an animal-borne acceleration logger.
//!
//! The modules stand in the order in which a sample travels through them:
//! [`sensor`] (trusted time and axes), [`rate`], [`posture`] (static, dynamic,
//! activity), [`sway`] and [`beats`] (tail beats), [`minute`], [`frame`] and
//! [`depth`] (posture of the animal, depth as evidence), [`fate`] and
//! [`recovery`], [`release`]. Each knows nothing of its neighbours;
//! [`tag::Tag`] composes them. What the tag brings to light becomes a [`record`],
//! is kept in the [`log`], and is summed up in a satellite [`message`].
#![cfg_attr(not(test), no_std)]

pub mod beats;
pub mod checkpoint;
pub mod config;
pub mod depth;
pub mod drivers;
pub mod fate;
pub mod frame;
pub mod log;
pub mod math;
pub mod message;
pub mod minute;
pub mod posture;
pub mod rate;
pub mod record;
pub mod recovery;
pub mod release;
pub mod release_driver;
pub mod sensor;
pub mod sun;
pub mod sway;
pub mod tag;
