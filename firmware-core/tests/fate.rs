//! The stage of fate, minute by minute: what each kind of minute does to the evidence.
//!
//! The minutes are invented; the times to a decision that they are held to follow from the
//! settings by the formulas in docs/detectors.md.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use std::ops::RangeInclusive;

use common::config_of;
use firmware_core::config::{Breathing, Config, Detector, Release};
use firmware_core::fate::FateTest;
use firmware_core::fate::depth::DepthClue;
use firmware_core::signal::frame::Attitude;
use firmware_core::signal::minute::MINUTE_US;
use firmware_core::types::{Fate, MinuteSummary};

/// What a minute was like.
#[derive(Clone, Copy)]
struct Kind {
    good: f32,
    beats: f32,
    period_s: f32,
    sway_g: f32,
    odba_g: f32,
    /// Rocking within the running mean, and slower.
    fast_g: f32,
    slow_g: f32,
    /// By how much the mean posture changes from minute to minute.
    moved_g: f32,
    off_deg: f32,
    depth: DepthClue,
}

/// Swims as ever.
const SWIM: Kind = Kind {
    good: 1.0,
    beats: 30.0,
    period_s: 2.0,
    sway_g: 0.08,
    odba_g: 0.1,
    fast_g: 0.07,
    slow_g: 0.05,
    moved_g: 0.05,
    off_deg: 4.0,
    depth: DepthClue::Moving,
};
/// Lies on the bottom and breathes.
const REST: Kind = Kind {
    beats: 0.0,
    period_s: 0.0,
    sway_g: 0.0,
    odba_g: 0.008,
    fast_g: 0.004,
    slow_g: 0.004,
    moved_g: 0.001,
    depth: DepthClue::Stationary,
    ..SWIM
};

struct Watch {
    fate: FateTest,
    minute: u64,
}

impl Watch {
    fn new(breathing: Breathing) -> Self {
        let config = config_of(25.0, breathing, Release::DEFAULT);
        Watch { fate: FateTest::new(&config), minute: 0 }
    }

    /// Minutes of one kind; gives after how many of them another fate than life was told.
    fn pass(&mut self, kind: Kind, minutes: u32) -> Option<(u32, Fate)> {
        let mut told = None;
        for passed in 1..=minutes {
            let side = if self.minute.is_multiple_of(2) { 0.5 } else { -0.5 } * kind.moved_g;
            let noise_rms_g = 0.003;
            let summary = MinuteSummary {
                t_us: self.minute * MINUTE_US,
                good: kind.good,
                beats: kind.beats,
                period_s: kind.period_s,
                sway_g: kind.sway_g,
                odba_g: kind.odba_g,
                vedba_g: 0.7 * kind.odba_g,
                dynamic_rms_g: kind.fast_g.hypot(noise_rms_g),
                noise_rms_g,
                static_g: [side, 0.0, (1.0 - side * side).sqrt()],
                static_sd_g: kind.slow_g,
                depth_m: (kind.depth != DepthClue::Unknown).then_some(10.0),
                depth_range_m: 0.1,
            };
            let attitude =
                Attitude { pitch_deg: 0.0, roll_deg: kind.off_deg, off_deg: kind.off_deg };
            self.minute += 1;
            let now_us = self.minute * MINUTE_US;
            let report = self.fate.step(&summary, Some(&attitude), kind.depth, now_us);
            if let (None, Some(report)) = (told, report) {
                told = Some((passed, report.fate));
            }
        }
        told
    }

    /// Asserts that minutes of one kind are taken for death, after so many of them.
    fn dies_within(&mut self, kind: Kind, minutes: RangeInclusive<u32>) {
        let (passed, fate) = self.pass(kind, 600).unwrap();
        assert_eq!(fate, Fate::Dead);
        assert!(minutes.contains(&passed), "{passed} min");
    }
}

#[test]
fn a_still_ram_ventilator_dies_by_the_formula() {
    // ln(1e4) / (ln(1000) / 20 min) = 26.7 min, the last minute whole.
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(REST, 60), Some((27, Fate::Dead)));
}

#[test]
fn a_posture_that_nothing_lives_in_is_waited_for_as_set() {
    let told = |breathing: Breathing, off_posture_min: f32| {
        let whole = config_of(25.0, breathing, Release::DEFAULT);
        let detector = Detector { off_posture_min, ..Detector::DEFAULT };
        let (logger, place) = (*whole.logger(), *whole.place());
        let config = Config::new(logger, place, *whole.animal(), detector, Release::DEFAULT);
        let mut watch = Watch { fate: FateTest::new(&config.unwrap()), minute: 0 };
        assert_eq!(watch.pass(SWIM, 60), None);
        watch.pass(Kind { off_deg: 80.0, ..REST }, 60).map(|(passed, _)| passed)
    };
    // ln(1e4) / (ln(1000) / 6.5 min) = 8.7 min; at 30 min twice the pause's own pace is faster,
    // and a pause in that posture 13.3 min. What rests is given its pause whatever is set.
    assert_eq!(told(Breathing::Ram, 6.5), Some(9));
    assert_eq!(told(Breathing::Ram, 30.0), Some(14));
    assert_eq!(told(Breathing::Buccal, 6.5), None);
}

#[test]
fn a_buccal_pumper_rests_for_seven_hours() {
    // ln(1e4) / (ln(1000) / 5.25 h) = 7.0 h, give or take a minute of rounding.
    let mut watch = Watch::new(Breathing::Buccal);
    assert_eq!(watch.pass(SWIM, 60), None);
    watch.dies_within(REST, 419..=421);
}

#[test]
fn a_tag_that_comes_to_sit_otherwise_while_its_bearer_rests_is_no_death() {
    let mut watch = Watch::new(Breathing::Buccal);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(Kind { off_deg: 80.0, ..REST }, 200), None);
    assert_eq!(watch.pass(SWIM, 5), None);
    // The same in a ram ventilator, which never rests, is over in little more than half an hour.
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert!(watch.pass(Kind { off_deg: 80.0, ..REST }, 40).is_some());
}

#[test]
fn after_half_an_hour_unseen_the_wait_starts_anew() {
    let unseen = Kind { good: 0.0, ..SWIM };
    let mut watch = Watch::new(Breathing::Buccal);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(REST, 300), None);
    assert_eq!(watch.pass(unseen, 30), None);
    assert_eq!(watch.pass(REST, 300), None);
    assert!(watch.fate.living());
    // Unseen for less than that, it goes on.
    let mut watch = Watch::new(Breathing::Buccal);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(REST, 300), None);
    assert_eq!(watch.pass(unseen, 29), None);
    watch.dies_within(REST, 119..=121);
}

#[test]
fn a_much_slower_rhythm_that_goes_on_is_what_ate_it() {
    let eater = Kind { beats: 18.0, period_s: 3.2, ..SWIM };
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(SWIM, 60), None);
    // Twenty minutes until it is believed, then ln(1e4) / (2 ln(1000) / 30 min) = 20 min, and
    // what the last minutes took away.
    watch.dies_within(eater, 39..=54);
    // A quarter of an hour of it now and then is its own, as is a rhythm a third slower.
    let mut watch = Watch::new(Breathing::Ram);
    for _ in 0..20 {
        assert_eq!(watch.pass(SWIM, 60), None);
        assert_eq!(watch.pass(eater, 15), None);
    }
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(Kind { beats: 22.5, period_s: 2.66, ..SWIM }, 300), None);
    // What rests, may swim otherwise after hours.
    let mut watch = Watch::new(Breathing::Buccal);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(eater, 300), None);
    assert!(watch.fate.lived());
}

#[test]
fn what_never_leaves_the_surface_and_sways_faintly_is_a_carcass() {
    let adrift = Kind { depth: DepthClue::Surface, moved_g: 0.15, sway_g: 0.05, ..SWIM };
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(adrift, 239), None);
    assert!(watch.fate.lived());
    // 26.7 min, and 10.1 for the 3.5 that the last minute of beats may have taken away.
    watch.dies_within(adrift, 27..=38);
    // One dive in four hours, or stronger beats, and it is an animal at the surface.
    let mut watch = Watch::new(Breathing::Ram);
    for _ in 0..4 {
        assert_eq!(watch.pass(adrift, 230), None);
        assert_eq!(watch.pass(SWIM, 1), None);
    }
    assert_eq!(watch.pass(Kind { sway_g: 0.15, ..adrift }, 900), None);
    // A posture that does not wander is a float's, not a carcass's: it is left to other signs.
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(Kind { moved_g: 0.01, ..adrift }, 600), None);
}

#[test]
fn a_swimmer_as_steady_as_a_clock_lives() {
    for depth in [DepthClue::Stationary, DepthClue::Moving, DepthClue::Unknown] {
        let mut watch = Watch::new(Breathing::Ram);
        assert_eq!(watch.pass(Kind { moved_g: 0.0, depth, ..SWIM }, 600), None);
        assert!(watch.fate.lived());
    }
}

#[test]
fn a_slower_rhythm_after_the_tag_has_come_to_sit_otherwise_is_what_swallowed_it() {
    let elsewhere = Kind { beats: 0.0, period_s: 0.0, sway_g: 0.0, off_deg: 80.0, ..SWIM };
    let shifted = || {
        let mut watch = Watch::new(Breathing::Ram);
        assert_eq!(watch.pass(SWIM, 60), None);
        assert_eq!(watch.pass(elsewhere, 6), None);
        assert!(watch.fate.shifted());
        watch
    };
    // Twenty minutes until it is believed and twenty for the evidence.
    let slower = Kind { beats: 21.0, period_s: 2.8, ..SWIM };
    shifted().dies_within(slower, 36..=54);
    // Its own rhythm, or a little slower, is the same animal's under a mount that slipped.
    for period_s in [2.0, 2.4] {
        let mut watch = shifted();
        assert_eq!(watch.pass(Kind { beats: 50.0 / period_s, period_s, ..SWIM }, 600), None);
        assert!(watch.fate.lived());
    }
    // Nor is it told without a shift.
    let mut watch = Watch::new(Breathing::Ram);
    assert_eq!(watch.pass(SWIM, 60), None);
    assert_eq!(watch.pass(slower, 600), None);
}

#[test]
fn a_steady_minute_of_another_rhythm_is_no_sign_that_the_own_animal_lives() {
    let eater = Kind { beats: 16.0, period_s: 3.6, off_deg: 20.0, ..SWIM };
    let steady = Kind { moved_g: 0.001, ..eater };
    let within = |kind: Kind, steady: Kind| {
        let mut watch = Watch::new(Breathing::Ram);
        assert_eq!(watch.pass(SWIM, 60), None);
        (1..=40).find(|_| watch.pass(kind, 3).or(watch.pass(steady, 2)).is_some())
    };
    // A minute of the five is the first steady one, which has moved from the one before.
    let rounds = within(eater, steady).expect("it is told");
    assert!((5..=12).contains(&rounds), "{rounds} times five minutes");
    // A tag thrown about on its tether flutters as it likes behind an animal that lives.
    let thrown = |kind: Kind| Kind { slow_g: 0.15, fast_g: 0.08, ..kind };
    assert_eq!(within(thrown(eater), thrown(steady)), None);
}

#[test]
fn what_is_swung_about_one_posture_hangs_by_a_line_however_it_lies() {
    for depth in [DepthClue::Unknown, DepthClue::Moving, DepthClue::Stationary] {
        // Level, as a carcass, since its posture was learnt as it swung.
        let swung = Kind { slow_g: 0.45, fast_g: 0.09, moved_g: 0.1, depth, ..REST };
        let mut watch = Watch::new(Breathing::Ram);
        assert_eq!(watch.pass(SWIM, 60), None);
        let (_, fate) = watch.pass(swung, 120).expect("it is told");
        assert_eq!(fate, Fate::DetachedFloating, "{depth:?}");
        // A carcass that a swell rocks, smoothly, or rolls over.
        for rolled in [Kind { fast_g: 0.04, ..swung }, Kind { moved_g: 0.45, ..swung }] {
            let mut watch = Watch::new(Breathing::Ram);
            assert_eq!(watch.pass(SWIM, 60), None);
            watch.dies_within(rolled, 20..=90);
        }
    }
}
