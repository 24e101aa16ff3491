//! On-tag detectors of an animal-borne acceleration logger.
//!
//! ```
//! use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
//! use firmware_core::tag::Tag;
//! use firmware_core::types::{Event, Moment, Run};
//!
//! // A logger at 25 Hz, full scale 8 g, on an animal that has to swim to breathe.
//! let logger = Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
//! let place = Place { start_unix_s: None, latitude_deg: 0.0, longitude_deg: 0.0 };
//! let animal = Animal { breathing: Breathing::Ram, length_m: Some(1.8) };
//! let config = Config::new(logger, place, animal, Detector::DEFAULT, Release::DEFAULT)?;
//! let mut tag = Tag::new(config);
//!
//! // Two minutes of a tail that beats at 0.8 Hz, a second at a time, as a FIFO holds it.
//! let mut beats = 0;
//! for second in 0..120_u16 {
//!     let accel_g: [[f32; 3]; 25] = core::array::from_fn(|n| {
//!         let t_s = f32::from(second) + n as f32 / 25.0;
//!         [0.0, 0.2 * (core::f32::consts::TAU * 0.8 * t_s).sin(), 1.0]
//!     });
//!     let run = Run::accel(u64::from(second) * 1_000_000, 40_000, &accel_g);
//!     tag.feed(&run, &mut |event: &Event, _: &Moment| {
//!         beats += u32::from(matches!(event, Event::Beat(_)));
//!     });
//! }
//! assert!((70..=100).contains(&beats), "{beats}");
//! # Ok::<(), firmware_core::config::ConfigError>(())
//! ```
//!
//! The modules stand in layers, and each imports from those above it alone:
//!
//! 1. [`math`], [`mod@kept`] (state to bytes and back), [`program`] (which one this is), [`config`],
//!    [`types`] (the vocabulary);
//! 2. [`signal`]: [`signal::ingest`] (trusted time and axes, the working rate),
//!    [`signal::window`], [`signal::posture`] (static, dynamic, activity), [`signal::sway`],
//!    [`signal::minute`], [`signal::frame`]; then [`beats`];
//! 3. [`detector`]: the door for a detector of one's own;
//! 4. [`fate`], [`recovery`], [`release`]: what looks at minutes;
//! 5. [`message`] (the satellite summary) and [`store`] (records, log, copies of state);
//! 6. [`front`] and [`tag`]: the order in which all of it is called, once;
//! 7. [`shell`]: what a firmware calls; beside it [`drivers`] for sensors.
#![cfg_attr(not(test), no_std)]

// `derive` takes the project's own `Kept!` beside the compiler's.
#[macro_use(derive)]
extern crate macro_rules_attribute;

pub mod beats;
pub mod config;
pub mod detector;
pub mod drivers;
pub mod fate;
pub mod front;
pub mod kept;
pub mod math;
pub mod message;
pub mod program;
pub mod recovery;
pub mod release;
pub mod shell;
pub mod signal;
pub mod store;
pub mod tag;
pub mod types;
