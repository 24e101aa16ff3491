//! What a detector of one's own adds: the images with `Tag<X>` against those with `Tag<()>`.

use crate::elf;
use crate::path::{self, deployment};
use crate::target::{self, Build, TARGETS};

/// Rate, Hz, and length, h, of the deployment that is counted.
const HZ: f32 = 25.0;
const HOURS: f64 = 3.5;

/// Builds both for both targets, runs them, and tells the difference.
pub fn all() -> Result<(), String> {
    let trace = deployment(HZ, HOURS);
    for target in TARGETS {
        let of = |features| {
            let size = elf::sizes(&target::build(target, &Build::of("proof", features))?)?;
            let image = target::build(target, &Build::of("image", features))?;
            Ok::<_, String>((size, path::alone(target, &image, &trace)?))
        };
        let ((without, mean), (with, own_mean)) = (of("")?, of("own")?);
        println!(
            "{}: the example detector adds {:.1} instructions a sample at {HZ} Hz ({mean:.1} to \
             {own_mean:.1}), {} bytes of state, {} bytes of flash",
            target.name,
            own_mean - mean,
            with.tag as i64 - without.tag as i64,
            with.flash as i64 - without.flash as i64,
        );
    }
    Ok(())
}
