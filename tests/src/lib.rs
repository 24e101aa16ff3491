//! What the outside checks share: makers of motion, a run of the tag over a
//! trace, and the reading of committed reference values.
//!
//! The makers stand alone: no constant and no code of theirs comes from the
//! detectors or from the simulator, so that a mistake in either shows here.
//! Body axes are x to the head, y to the left flank, z to the back; a level
//! body at rest reads (0, 0, +1) g.

pub mod brute_force;
pub mod course;
pub mod fuzz;
pub mod logger;
pub mod reference;
pub mod run;
pub mod stats;
pub mod stray;
pub mod swimmer;
