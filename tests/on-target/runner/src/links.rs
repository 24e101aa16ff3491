//! The image with what keeps the tag through resets and fires the release, which
//! links only where no panic can be reached, and what that adds to the flash.

use crate::elf;
use crate::target::{self, Build, TARGETS};

/// Builds it for both targets and tells its size.
pub fn all() -> Result<(), String> {
    for target in TARGETS {
        let bare = elf::sizes(&target::build(target, &Build::of("proof", "bare"))?)?;
        let tag = elf::sizes(&target::build(target, &Build::of("proof", ""))?)?;
        println!("{}: detectors {} bytes of flash", target.name, tag.flash - bare.flash);
        let keeper = elf::sizes(&target::build(target, &Build::of("keeper", ""))?)?;
        println!(
            "{}: with copies of their state, release clock and release driver {} bytes of flash, {} of \
             memory; no panic can be reached",
            target.name,
            keeper.flash - bare.flash,
            keeper.ram
        );
    }
    Ok(())
}
