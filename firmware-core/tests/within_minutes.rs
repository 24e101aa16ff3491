//! What is decided of an animal that swam for three minutes only: its posture was hardly seen.
//!
//! The samples are invented. A carcass lies level fore and aft, whichever way it rolls; a tag
//! alone comes to lie as it may.

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
use firmware_core::types::{Fate, Sample};

const HZ: f64 = 25.0;
const SWUM_S: f64 = 180.0;

/// Swims for three minutes and then lies on the bottom, rocked a little, with gravity along
/// `down_g`; gives the fate after three quarters of an hour.
fn left_with(down_g: [f64; 3]) -> Fate {
    let mut tag = Tag::new(config(HZ as f32));
    for sample in swim(HZ, SWUM_S, 3) {
        feed(&mut tag, &sample);
    }
    let lies = swim(HZ, SWUM_S + 2700.0, 4);
    for still in lies.iter().filter(|s| s.t_us as f64 >= SWUM_S * 1e6) {
        let t_s = still.t_us as f64 / 1e6;
        let rocks_g = 0.006 * (std::f64::consts::TAU * t_s / 9.0).sin();
        // The noise of the swimmer's vertical axis.
        let noise_g = f64::from(still.accel_g[2]) - 0.99;
        let [x, y, z] = down_g;
        let accel_g = [x + rocks_g + noise_g, y - noise_g, z + 0.7 * noise_g].map(|g| g as f32);
        let depth_m = still.depth_m.map(|_| 40.0 + 0.1 * (t_s / 7.0).sin() as f32);
        feed(&mut tag, &Sample { accel_g, depth_m, ..*still });
    }
    tag.fate()
}

#[test]
fn a_tag_that_came_off_after_three_minutes_lies_otherwise_than_a_carcass() {
    let (sin, cos) = 50.0_f64.to_radians().sin_cos();
    for down_g in [[sin, 0.0, cos], [-sin, 0.0, -cos], [sin, -cos, 0.0]] {
        assert_eq!(left_with(down_g), Fate::DetachedOnBottom, "{down_g:?}");
    }
}

#[test]
fn an_animal_that_died_after_three_minutes_lies_level() {
    let (sin, cos) = 8.0_f64.to_radians().sin_cos();
    for down_g in [[sin, cos, 0.0], [0.0, -1.0, 0.0], [-sin, 0.0, -cos]] {
        assert_eq!(left_with(down_g), Fate::Dead, "{down_g:?}");
    }
}
