//! Images with everything around the detectors, which link only where no panic
//! can be reached, and what they add to the flash.

use crate::elf;
use crate::target::{self, Build, TARGETS};

/// Images, and what each holds beside the scaffolding.
const IMAGES: [(&str, &str); 2] = [
    ("keeper", "detectors, copies of their state, release clock and driver"),
    ("keep", "records, flash log and satellite summary"),
];

/// Builds them for both targets and tells their sizes.
pub fn all() -> Result<(), String> {
    for target in TARGETS {
        let bare = elf::sizes(&target::build(target, &Build::of("proof", "bare"))?)?;
        let tag = elf::sizes(&target::build(target, &Build::of("proof", ""))?)?;
        println!("{}: detectors {} bytes of flash", target.name, tag.flash - bare.flash);
        for (image, holds) in IMAGES {
            let sizes = elf::sizes(&target::build(target, &Build::of(image, ""))?)?;
            let flash = sizes.flash.saturating_sub(bare.flash);
            println!(
                "{}: {holds}: {flash} bytes of flash, {} of memory; no panic can be reached",
                target.name, sizes.ram
            );
        }
    }
    Ok(())
}
