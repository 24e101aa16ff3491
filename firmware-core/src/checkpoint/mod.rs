//! Nothing of what the tag knows is lost to a reset.
//!
//! [`cursor`]: state to bytes and back. [`slots`]: copies of it in flash.
//! [`clock`]: how long the deployment has lasted, whatever the clocks do.
//! [`keeper`]: the tag with all of that, as a firmware drives it.

pub mod clock;
pub mod cursor;
mod derive;
pub mod keeper;
pub mod slots;

pub use cursor::{Cursor, Kept};
pub(crate) use derive::Kept;
