//! The sway axis: which way is sideways, and which of its ends is called left.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

use firmware_core::signal::sway::SwayAxis;

const HZ: f32 = 10.0;

/// Sways along `towards` at 1 Hz for so many seconds.
fn sway(axis: &mut SwayAxis, towards: [f32; 3], seconds: u32) {
    for n in 0..seconds * HZ as u32 {
        let swing_g = 0.1 * (std::f32::consts::TAU * (n as f32 / HZ)).sin();
        axis.step(towards.map(|x| x * swing_g));
    }
}

#[test]
fn the_axis_is_found_whichever_way_the_tag_is_glued_on() {
    for towards in [[1.0, 0.0, 0.0], [0.0, 0.6, -0.8], [0.48, 0.6, 0.64]] {
        let mut axis = SwayAxis::new(HZ, None);
        sway(&mut axis, towards, 120);
        let [x, y, z] = axis.axis().unwrap();
        let along = x * towards[0] + y * towards[1] + z * towards[2];
        assert!(along.abs() > 0.999, "{along} along {towards:?}");
    }
}

#[test]
fn a_posture_learnt_anew_does_not_turn_the_axis_round() {
    // Held rolls to either side for some minutes each, in which the rhythm leaks into the
    // vertical; in each the tag is taken to sit otherwise.
    let mut axis = SwayAxis::new(HZ, None);
    sway(&mut axis, [0.0, 1.0, 0.0], 1200);
    let left = axis.axis().unwrap()[1].signum();
    for _ in 0..4 {
        for leak in [[0.0, 0.3, 0.95], [0.0, -0.5, 0.87], [0.0, 1.0, 0.0]] {
            axis.distrust_given();
            sway(&mut axis, leak, 90);
        }
        sway(&mut axis, [0.0, 1.0, 0.0], 600);
        let [_, y, _] = axis.axis().unwrap();
        assert!(y * left > 0.9, "{y}, once {left}");
    }
}

#[test]
fn a_given_axis_stays_until_it_is_distrusted() {
    let mut axis = SwayAxis::new(HZ, Some([0.0, 1.0, 0.0]));
    sway(&mut axis, [1.0, 0.0, 0.0], 600);
    assert_eq!(axis.axis(), Some([0.0, 1.0, 0.0]));
    axis.distrust_given();
    sway(&mut axis, [0.8, 0.6, 0.0], 600);
    let [x, y, _] = axis.axis().unwrap();
    assert!((0.8 * x + 0.6 * y).abs() > 0.999, "{x} {y}");
}
