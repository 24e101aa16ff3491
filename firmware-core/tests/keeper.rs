//! Resets at any moment, clocks that lie: the floor and the ceiling hold.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use std::convert::Infallible;

use common::{Ram, config_with, swim};
use embedded_hal::digital::{ErrorType, OutputPin};
use firmware_core::checkpoint::clock::{Clocks, ReleaseClock};
use firmware_core::checkpoint::keeper::{Keeper, Layout, Reset, Settings};
use firmware_core::checkpoint::slots::Region;
use firmware_core::config::Release;
use firmware_core::release_driver::{self, Pins, State};
use firmware_core::tag::{Cause, Output, Sample, Tag};
use proptest::prelude::*;

const SECOND_US: u64 = 1_000_000;

const LAYOUT: Layout = Layout {
    copies: Region { from: 0, slot_bytes: 4096, count: 3, mark: 1 },
    vitals: Region { from: 12_288, slot_bytes: 256, count: 32, mark: 2 },
};

#[derive(Debug, Default)]
struct Pin {
    high: bool,
}

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.high = false;
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.high = true;
        Ok(())
    }
}

fn clocks(timer_us: u64, backup_us: [Option<u64>; 2]) -> Clocks {
    Clocks { timer_us, backup_us }
}

#[test]
fn the_clock_follows_its_table() {
    let start = clocks(100, [Some(1000), Some(5000)]);
    let run = |timer, a, b| {
        let mut c = ReleaseClock::start(&start);
        c.tick(&clocks(timer, [a, b]), 7);
        (c.least_us(), c.most_us())
    };
    // Three: the middle one, whichever is wrong.
    assert_eq!(run(200, Some(1100), Some(5100)), (100, 100));
    assert_eq!(run(999_999, Some(1100), Some(5101)), (101, 101));
    assert_eq!(run(200, Some(99_000), Some(5100)), (100, 100));
    assert_eq!(run(200, Some(1100), Some(5000)), (100, 100));
    // Two: a clock that ran back or is lost has no say.
    assert_eq!(run(200, Some(10), Some(5150)), (100, 150));
    assert_eq!(run(200, None, Some(5150)), (100, 150));
    // One, none.
    assert_eq!(run(200, None, None), (100, 100));
    assert_eq!(run(50, None, None), (0, 7));
    let away = |a, b| {
        let mut c = ReleaseClock::start(&start);
        assert_eq!(c.resume(&clocks(3, [a, b]), 70), (c.least_us(), c.most_us()));
        (c.least_us(), c.most_us())
    };
    assert_eq!(away(Some(1200), Some(5300)), (200, 300));
    assert_eq!(away(None, Some(5300)), (0, 300));
    assert_eq!(away(Some(900), Some(5300)), (0, 300));
    assert_eq!(away(Some(900), None), (0, 70));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// One clock of the three may do anything at any time; truth stays between
    /// the least and the most.
    #[test]
    fn one_wrong_clock_never_puts_truth_outside(
        wrong in 0_usize..3,
        events in proptest::collection::vec(
            (1_u64..5_000_000_000, any::<bool>(), prop_oneof![3 => Just(0_i64), 1 => any::<i32>().prop_map(|x| i64::from(x) * 20)], 0_u8..20),
            1..60,
        ),
    ) {
        let mut truth = 0_u64;
        let mut skew = [0_i64; 3];
        let mut boot = 0_u64;
        let read = |truth: u64, boot: u64, skew: [i64; 3], lost: bool| {
            let at = |i: usize, t: u64| {
                let reading = (10_000_000_000_000 + t as i64 + skew[i]) as u64;
                (!(lost && i == wrong)).then_some(reading)
            };
            let timer = (10_000_000_000_000 + (truth - boot) as i64 + skew[0]) as u64;
            clocks(timer, [at(1, truth), at(2, truth)])
        };
        let mut clock = ReleaseClock::start(&read(0, 0, skew, false));
        for (passed, reset, step, chance) in events {
            truth += passed;
            skew[wrong] += step;
            let lost = chance == 0;
            if reset {
                boot = truth;
                if wrong == 0 {
                    skew[0] = 0;
                }
                clock.resume(&read(truth, boot, skew, lost), 0);
            } else {
                clock.tick(&read(truth, boot, skew, lost), 0);
            }
            prop_assert!(clock.least_us() <= truth, "{} > {truth}", clock.least_us());
            prop_assert!(clock.most_us() >= truth, "{} < {truth}", clock.most_us());
        }
    }
}

/// A tag at sea: the trace, its hardware, and what it fires.
struct Sea {
    flash: Ram,
    pins: Pins<Pin, Pin>,
    samples: Vec<Sample>,
    fired_us: Option<u64>,
}

impl Sea {
    fn new(hz: f64, seconds: f64, seed: u32) -> Self {
        Sea {
            flash: Ram::new(12_288 + 8192),
            pins: Pins { arm: Pin::default(), fire: Pin::default() },
            samples: swim(hz, seconds, seed),
            fired_us: None,
        }
    }
}

#[test]
fn without_a_fault_the_keeper_changes_nothing() {
    let release = Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT };
    let c = config_with(10.0, release);
    let mut sea = Sea::new(10.0, 2000.0, 4);
    let mut plain = Tag::new(c);
    let first = clocks(0, [Some(77), None]);
    let mut keeper =
        Keeper::start(c, Settings::DEFAULT, 9, &mut sea.flash, &LAYOUT, &first).unwrap();
    let mut out = Output::default();
    for s in &sea.samples {
        let now = clocks(s.t_us, [Some(77 + s.t_us), None]);
        keeper.step(s, Some(true), &now, &mut sea.flash, &mut sea.pins, &mut out);
        assert_eq!(format!("{out:?}"), format!("{:?}", plain.step(s)));
        if sea.pins.fire.high && sea.fired_us.is_none() {
            sea.fired_us = Some(s.t_us);
        }
    }
    assert_eq!(format!("{:?}", keeper.tag()), format!("{plain:?}"));
    let decision = keeper.decision().copied().unwrap();
    assert_eq!((Some(decision), decision.cause), (plain.release(), Cause::Ceiling));
    // Decided at the ceiling, fired once the circuit was armed.
    let fired_us = sea.fired_us.unwrap();
    assert!((1800 * SECOND_US..=1810 * SECOND_US).contains(&fired_us), "{fired_us}");
    assert_eq!(keeper.lost_copies(), 0);
}

#[test]
fn a_reset_at_any_moment_is_survived() {
    let release = Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT };
    let c = config_with(5.0, release);
    let settings = Settings { copy_s: 100, vitals_s: 10, ..Settings::DEFAULT };
    for case in 0..60_u64 {
        let mut sea = Sea::new(5.0, 2400.0, 6);
        let at = |t_us: u64| [Some(1_000 + t_us), Some(50_000 + t_us)];
        let mut boot_us = 0;
        let mut keeper =
            Keeper::start(c, settings, 9, &mut sea.flash, &LAYOUT, &clocks(0, at(0))).unwrap();
        let mut out = Output::default();
        // Three resets, the flash cut off in the middle of an operation before each.
        let resets = [1, 2, 3].map(|n| (case * 37 + n * 611) % 2300 * SECOND_US);
        let away_us = (case % 7) * 20 * SECOND_US;
        let mut off_until_us = 0;
        let mut pending = resets.to_vec();
        pending.sort_unstable();
        let samples = std::mem::take(&mut sea.samples);
        for s in &samples {
            if s.t_us < off_until_us {
                continue;
            }
            if off_until_us != 0 {
                off_until_us = 0;
                boot_us = s.t_us;
                sea.flash.cut_after = None;
                sea.pins = Pins { arm: Pin::default(), fire: Pin::default() };
                let now = clocks(0, at(s.t_us));
                let (k, resumed) =
                    Keeper::resume(c, settings, 9, &mut sea.flash, &LAYOUT, &now, Reset::Power)
                        .unwrap();
                assert!(resumed.tag && resumed.clock, "case {case}: {resumed:?}");
                assert_eq!(k.now_us(), s.t_us, "case {case}: it knows what time it is");
                keeper = k;
            }
            let now = clocks(s.t_us - boot_us, at(s.t_us));
            keeper.step(s, Some(true), &now, &mut sea.flash, &mut sea.pins, &mut out);
            if sea.pins.fire.high && sea.fired_us.is_none() {
                sea.fired_us = Some(s.t_us);
            }
            if let Some(&reset_us) = pending.first()
                && s.t_us >= reset_us
            {
                if sea.flash.cut_after.is_none() {
                    // Power goes within one of the next operations.
                    sea.flash.cut_after = Some(sea.flash.operations + (case % 5) as usize);
                } else if s.t_us >= reset_us + 15 * SECOND_US {
                    pending.remove(0);
                    off_until_us = s.t_us + away_us + 1;
                }
            }
        }
        let fired_us = sea.fired_us.unwrap_or_else(|| panic!("case {case}: never fired"));
        let ceiling_us = 1800 * SECOND_US;
        // Where the tag was away at the ceiling, it fires as soon as it is back.
        assert!(fired_us >= 360 * SECOND_US, "case {case}: before the floor");
        let late_us = fired_us.saturating_sub(ceiling_us);
        assert!(late_us <= away_us + 30 * SECOND_US, "case {case}: {late_us} us late");
        assert_eq!(keeper.decision().unwrap().cause, Cause::Ceiling, "case {case}");
    }
}

#[test]
fn a_reset_while_firing_counts_and_is_tried_again() {
    let release = Release { floor_h: 0.0, ceiling_h: 0.06, ..Release::DEFAULT };
    let c = config_with(5.0, release);
    let mut sea = Sea::new(5.0, 4000.0, 1);
    let at = |t_us: u64| [Some(t_us), Some(t_us)];
    let settings = Settings {
        release: release_driver::Settings { attempts: 4, ..release_driver::Settings::DEFAULT },
        ..Settings::DEFAULT
    };
    let mut keeper =
        Keeper::start(c, settings, 9, &mut sea.flash, &LAYOUT, &clocks(0, at(0))).unwrap();
    let mut out = Output::default();
    let mut boot_us = 0;
    let mut firings = Vec::new();
    for s in &std::mem::take(&mut sea.samples) {
        let now = clocks(s.t_us - boot_us, at(s.t_us));
        keeper.step(s, Some(true), &now, &mut sea.flash, &mut sea.pins, &mut out);
        if sea.pins.fire.high {
            // The cell sags under the pulse: reset at once, every time.
            firings.push(s.t_us / SECOND_US);
            boot_us = s.t_us;
            sea.pins = Pins { arm: Pin::default(), fire: Pin::default() };
            let now = clocks(0, at(s.t_us));
            keeper = Keeper::resume(c, settings, 9, &mut sea.flash, &LAYOUT, &now, Reset::Power)
                .unwrap()
                .0;
        }
    }
    assert_eq!((firings.len(), keeper.driver().attempts()), (4, 4), "{firings:?}");
    let rests: Vec<u64> = firings.windows(2).map(|w| w[1] - w[0]).collect();
    assert!(rests[0] >= 120 && rests[1] >= 240 && rests[2] >= 480, "{rests:?}");
    assert_eq!(keeper.driver().state(), State::GivenUp);
}

#[test]
fn copies_of_another_deployment_are_not_taken_up() {
    let c = config_with(5.0, Release::DEFAULT);
    let mut flash = Ram::new(12_288 + 8192);
    let now = clocks(0, [Some(0), None]);
    Keeper::start(c, Settings::DEFAULT, 9, &mut flash, &LAYOUT, &now).unwrap();
    for (deployment, other, taken) in [
        (9, c, true),
        (10, c, false),
        (9, config_with(5.0, Release { ceiling_h: 47.0, ..Release::DEFAULT }), false),
    ] {
        let mut flash = flash.clone();
        let (_, resumed) = Keeper::resume(
            other,
            Settings::DEFAULT,
            deployment,
            &mut flash,
            &LAYOUT,
            &now,
            Reset::Watchdog,
        )
        .unwrap();
        assert_eq!((resumed.tag, resumed.clock), (taken, taken));
    }
}

#[test]
fn a_silent_tag_fires_at_the_ceiling() {
    let c = config_with(25.0, Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT });
    let mut flash = Ram::new(12_288 + 8192);
    let mut pins = Pins { arm: Pin::default(), fire: Pin::default() };
    let mut keeper =
        Keeper::start(c, Settings::DEFAULT, 9, &mut flash, &LAYOUT, &clocks(0, [None, None]))
            .unwrap();
    let mut fired_s = None;
    for t in 1..2000 {
        keeper.idle(Some(true), &clocks(t * SECOND_US, [None, None]), &mut flash, &mut pins);
        if pins.fire.high && fired_s.is_none() {
            fired_s = Some(t);
        }
    }
    assert_eq!(fired_s, Some(1802));
}
