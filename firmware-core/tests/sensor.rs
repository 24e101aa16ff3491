//! A sensor that stays at fault for long.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use common::{config, feed, swim};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, FAULT_KINDS, FaultKind, Sample};

#[test]
fn axes_that_all_froze_are_at_fault_for_as_long_as_they_stay_so() {
    let hz = 100.0_f64;
    let mut tag = Tag::new(config(hz as f32));
    let alive = swim(hz, 120.0, 3);
    let last = *alive.last().unwrap();
    for sample in &alive {
        feed(&mut tag, sample);
    }
    let stuck = FAULT_KINDS.iter().position(|&k| k == FaultKind::StuckAxis).unwrap();
    let before = tag.faults().counts[stuck];
    // Longer than a counter of 16 bits can tell, at this rate 11 min.
    let frozen = (3600.0 * hz) as u32;
    let mut trusted = 0;
    for n in 1..=frozen {
        let t_us = last.t_us + u64::from(n) * 10_000;
        for event in feed(&mut tag, &Sample::accel(t_us, last.accel_g)) {
            let known = matches!(event, Event::Minute(m) if m.beats_per_min.is_some());
            trusted += u32::from(n > 12_000 && known);
        }
    }
    // Known for sure after 60 s, to a look at the axes now and then.
    let told = tag.faults().counts[stuck] - before;
    assert!(told > frozen - 6200, "{told} of {frozen}");
    assert!(trusted <= 2, "{trusted} minutes of nothing told as if known");
}
