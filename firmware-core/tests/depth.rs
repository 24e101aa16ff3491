//! What a depth sensor reads that has failed: at the end of its scale, and beyond any sea.

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
use firmware_core::fate::depth::{DEEPEST_M, HIGHEST_M};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, FAULT_KINDS, FaultKind, Minute, Sample};

/// An animal that swims for an hour, for the second half of it with this depth; gives its
/// minutes, and when the fault began, min.
fn fails_at(depth_m: f32) -> (Vec<Minute>, Option<u64>) {
    let mut tag = Tag::new(config(25.0));
    let (mut minutes, mut began) = (Vec::new(), None);
    for sample in swim(25.0, 3600.0, 5) {
        let failed = sample.t_us >= 1_800_000_000;
        let depth = sample.depth_m.map(|d| if failed { depth_m } else { d });
        for event in feed(&mut tag, &Sample { depth_m: depth, ..sample }) {
            match event {
                Event::Minute(minute) => minutes.push(minute),
                Event::Fault(FaultKind::DepthFault) => {
                    began = began.or(Some(sample.t_us / 60_000_000));
                }
                _ => {}
            }
        }
    }
    let kind = FAULT_KINDS.iter().position(|k| *k == FaultKind::DepthFault).unwrap();
    assert_eq!(tag.faults().counts[kind] > 0, began.is_some());
    (minutes, began)
}

#[test]
fn a_reading_that_none_can_be_is_no_depth_and_soon_a_fault() {
    for depth_m in [-10.0, HIGHEST_M, DEEPEST_M, f32::INFINITY, f32::NAN] {
        let (minutes, began) = fails_at(depth_m);
        assert!(minutes[..29].iter().all(|m| m.depth_m.is_some()));
        assert!(minutes[31..].iter().all(|m| m.depth_m.is_none()), "{depth_m} m");
        // Five silent minutes, and what the minutes lag behind.
        assert!((35..=37).contains(&began.unwrap()), "{depth_m} m: {began:?} min");
    }
}

#[test]
fn a_sensor_that_is_off_by_a_few_metres_still_gives_depth() {
    let (minutes, _) = fails_at(-4.9);
    assert!(minutes[31..].iter().all(|m| m.depth_m.is_some_and(|d| (d + 4.9).abs() < 0.01)));
}
