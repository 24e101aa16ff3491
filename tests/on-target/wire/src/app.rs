//! The firmware's loop, over traits alone: wait for the sample, read it, act on
//! the release.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use firmware_core::types::{Event, Sample};

use crate::accel::Accelerometer;

/// The slow readings that came with a sample.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Slow {
    /// Depth, m.
    pub depth_m: Option<f32>,
    /// Part of the cell's charge left.
    pub cell_left: Option<f32>,
    /// Part of the memory used.
    pub memory_used: Option<f32>,
}

/// Reads one sample after the wait; an accelerometer that does not answer gives `NaN`.
pub fn read(
    accel: &mut impl Accelerometer,
    timer: &mut impl DelayNs,
    t_us: u64,
    period_us: u32,
    slow: Slow,
) -> Sample {
    timer.delay_us(period_us);
    let accel_g = accel.read_g().unwrap_or([f32::NAN; 3]);
    Sample {
        t_us,
        accel_g,
        depth_m: slow.depth_m,
        temp_c: None,
        cell_left: slow.cell_left,
        memory_used: slow.memory_used,
    }
}

/// Fires the release where the tag has decided to.
pub fn act(event: &Event, release: &mut impl OutputPin) {
    if matches!(event, Event::Release(_)) {
        // A pin that cannot be set is tried again by the caller's watchdog.
        let _ = release.set_high();
    }
}
