//! Reading a flash image back: every sound record, and what is not sound.

mod salvage;

pub use salvage::{Damage, Kept, Missing, Salvage, SegmentState, salvage};
