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

use common::{Ram, config_with, cut, feed, swim};
use embedded_hal::digital::{ErrorType, OutputPin};
use firmware_core::config::{Config, Release};
use firmware_core::shell::clock::{Clocks, ReleaseClock};
use firmware_core::shell::firing::{self, Pins, State};
use firmware_core::shell::keeper::{Apart, Keeper, Layout, Plan, Reset, Resumed, Settings};
use firmware_core::store::slots::Region;
use firmware_core::tag::Tag;
use firmware_core::types::{
    Cause, Event, LaunchReport, LaunchStep, LaunchedBy, Moment, Run, Sample,
};
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
    told: Vec<Event>,
}

impl Sea {
    fn new(hz: f64, seconds: f64, seed: u32) -> Self {
        Sea {
            flash: Ram::new(12_288 + 8192),
            pins: Pins { arm: Pin::default(), fire: Pin::default() },
            samples: swim(hz, seconds, seed),
            fired_us: None,
            told: Vec::new(),
        }
    }

    /// Feeds a keeper a run, wet; notes what it reports and when it first fires, by the true
    /// time. Gives the tag's time of the newest sample.
    fn feed(&mut self, keeper: &mut Keeper, run: &Run, now: &Clocks, true_us: u64) -> u64 {
        let sink = |event: &Event, _: &Moment| self.told.push(*event);
        let mut store = Apart { flash: &mut self.flash, sink };
        let newest_us = keeper.feed(run, Some(true), now, &mut store, &mut self.pins);
        if self.pins.fire.high {
            self.fired_us = self.fired_us.or(Some(true_us));
        }
        newest_us
    }
}

/// Starts a keeper.
fn start(plan: &Plan, flash: &mut Ram, clocks: &Clocks) -> Keeper {
    let mut keeper = Keeper::new(plan);
    keeper.begin(flash, &LAYOUT, clocks).unwrap();
    keeper
}

/// Takes one up again after a reset.
fn resume(plan: &Plan, flash: &mut Ram, clocks: &Clocks, reset: Reset) -> (Keeper, Resumed) {
    let mut keeper = Keeper::new(plan);
    let resumed = keeper.go_on(flash, &LAYOUT, clocks, reset).unwrap();
    (keeper, resumed)
}

/// A plan for deployment 9.
fn plan(config: Config, settings: Settings) -> Plan {
    Plan::new(config, settings, 9)
}

/// The tag's own, not the keeper's.
fn of_the_tag(event: &Event) -> bool {
    !matches!(event, Event::Launch(_))
}

#[test]
fn without_a_fault_the_keeper_changes_nothing() {
    let release = Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT };
    let c = config_with(10.0, release);
    let mut sea = Sea::new(10.0, 2000.0, 4);
    let mut plain = Tag::new(c);
    let first = clocks(0, [Some(77), None]);
    let plan = plan(c, Settings::DEFAULT);
    let mut keeper = start(&plan, &mut sea.flash, &first);
    for s in &std::mem::take(&mut sea.samples) {
        let now = clocks(s.t_us, [Some(77 + s.t_us), None]);
        assert_eq!(sea.feed(&mut keeper, &s.as_run(), &now, s.t_us), s.t_us);
        let mut told = std::mem::take(&mut sea.told);
        told.retain(of_the_tag);
        assert_eq!(format!("{told:?}"), format!("{:?}", feed(&mut plain, s)));
    }
    assert_eq!(format!("{:?}", keeper.tag()), format!("{plain:?}"));
    let decision = keeper.guardian().decision.unwrap();
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
        let plan = plan(c, settings);
        let mut keeper = start(&plan, &mut sea.flash, &clocks(0, at(0)));
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
                let (k, resumed) = resume(&plan, &mut sea.flash, &now, Reset::Power);
                assert!(resumed.tag && resumed.clock, "case {case}: {resumed:?}");
                assert_eq!(k.now_us(), s.t_us, "case {case}: it knows what time it is");
                keeper = k;
            }
            let now = clocks(s.t_us - boot_us, at(s.t_us));
            sea.feed(&mut keeper, &s.as_run(), &now, s.t_us);
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
        // After a reset it has to be wet for a minute anew.
        assert!(late_us <= away_us + 90 * SECOND_US, "case {case}: {late_us} us late");
        assert_eq!(keeper.guardian().decision.unwrap().cause, Cause::Ceiling, "case {case}");
    }
}

#[test]
fn a_reset_while_firing_counts_and_is_tried_again() {
    let release = Release { floor_h: 0.0, ceiling_h: 0.06, ..Release::DEFAULT };
    let c = config_with(5.0, release);
    let mut sea = Sea::new(5.0, 4000.0, 1);
    let at = |t_us: u64| [Some(t_us), Some(t_us)];
    let settings = Settings {
        release: firing::Settings { attempts: 4, ..firing::Settings::DEFAULT },
        ..Settings::DEFAULT
    };
    let plan = plan(c, settings);
    let mut keeper = start(&plan, &mut sea.flash, &clocks(0, at(0)));
    let mut boot_us = 0;
    let mut firings = Vec::new();
    for s in &std::mem::take(&mut sea.samples) {
        let now = clocks(s.t_us - boot_us, at(s.t_us));
        sea.feed(&mut keeper, &s.as_run(), &now, s.t_us);
        if sea.pins.fire.high {
            // The cell sags under the pulse: reset at once, every time.
            firings.push(s.t_us / SECOND_US);
            boot_us = s.t_us;
            sea.pins = Pins { arm: Pin::default(), fire: Pin::default() };
            let now = clocks(0, at(s.t_us));
            keeper = resume(&plan, &mut sea.flash, &now, Reset::Power).0;
        }
    }
    assert_eq!((firings.len(), keeper.guardian().driver.attempts()), (4, 4), "{firings:?}");
    let rests: Vec<u64> = firings.windows(2).map(|w| w[1] - w[0]).collect();
    assert!(rests[0] >= 120 && rests[1] >= 240 && rests[2] >= 480, "{rests:?}");
    assert_eq!(keeper.guardian().driver.state(), State::GivenUp);
}

#[test]
fn copies_of_another_deployment_are_not_taken_up() {
    let c = config_with(5.0, Release::DEFAULT);
    let mut flash = Ram::new(12_288 + 8192);
    let now = clocks(0, [Some(0), None]);
    start(&plan(c, Settings::DEFAULT), &mut flash, &now);
    for (deployment, other, taken) in [
        (9, c, true),
        (10, c, false),
        (9, config_with(5.0, Release { ceiling_h: 47.0, ..Release::DEFAULT }), false),
    ] {
        let mut flash = flash.clone();
        let plan = Plan::new(other, Settings::DEFAULT, deployment);
        let (_, resumed) = resume(&plan, &mut flash, &now, Reset::Watchdog);
        assert_eq!((resumed.tag, resumed.clock), (taken, taken));
    }
}

#[test]
fn a_silent_tag_fires_at_the_ceiling() {
    let c = config_with(25.0, Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT });
    let mut flash = Ram::new(12_288 + 8192);
    let mut pins = Pins { arm: Pin::default(), fire: Pin::default() };
    let (plan, first) = (plan(c, Settings::DEFAULT), clocks(0, [None, None]));
    let mut keeper = start(&plan, &mut flash, &first);
    let (mut fired_s, mut causes) = (None, Vec::new());
    for t in 1..2000 {
        let sink = |event: &Event, _: &Moment| {
            if let Event::Release(decision) = event {
                causes.push(decision.cause);
            }
        };
        let mut store = Apart { flash: &mut flash, sink };
        keeper.idle(None, Some(true), &clocks(t * SECOND_US, [None, None]), &mut store, &mut pins);
        if pins.fire.high && fired_s.is_none() {
            fired_s = Some(t);
        }
    }
    assert_eq!((fired_s, causes), (Some(1802), vec![Cause::Ceiling]));
}

/// The keeper dates all but the newest sample of a run back from the clock: where that is regular,
/// runs of any length give what samples one by one do.
#[test]
fn runs_of_any_length_are_dated_back() {
    let release = Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT };
    for (hz, lengths) in [
        (5.0, [1, 5, 2, 13, 25]),
        (12.5, [40, 3, 12, 1, 150]),
        (25.0, [7, 64, 25, 300, 16]),
        (50.0, [32, 1, 500, 50, 9]),
    ] {
        let c = config_with(hz as f32, release);
        let period_us = u64::from(c.sample_us());
        let mut samples = swim(hz, 2000.0, 4);
        // A depth but every other minute, so that runs get long.
        for sample in &mut samples {
            sample.depth_m = sample.depth_m.filter(|_| sample.t_us % 120_000_000 < 5_000_000);
        }
        let read = |t_us: u64| clocks(9 + t_us, [Some(77 + t_us), None]);
        let plan = plan(c, Settings::DEFAULT);
        let started = |sea: &mut Sea| start(&plan, &mut sea.flash, &read(0));
        let (mut one, mut all) = (Sea::new(hz, 0.0, 0), Sea::new(hz, 0.0, 0));
        let (mut by_one, mut by_run) = (started(&mut one), started(&mut all));
        let (mut at, mut longest_us) = (0, 0);
        for part in cut(&samples, c.sample_us(), &lengths) {
            let (last_us, count) = (part.last_us(), part.accel_g.len());
            longest_us = longest_us.max(count as u64 * period_us);
            // Its own time counts for nothing.
            let run = Run { t_us: 3, ..part.run() };
            assert_eq!(all.feed(&mut by_run, &run, &read(last_us), last_us), last_us);
            for sample in &samples[at..at + count] {
                one.feed(&mut by_one, &sample.as_run(), &read(sample.t_us), sample.t_us);
            }
            at += count;
            assert_eq!(format!("{:?}", by_run.tag()), format!("{:?}", by_one.tag()), "{at}");
        }
        assert!(longest_us >= 4_000_000, "{hz} Hz: {longest_us} us");
        // The keeper looks for the launch once a run.
        all.told.retain(of_the_tag);
        one.told.retain(of_the_tag);
        assert_eq!(format!("{:?}", all.told), format!("{:?}", one.told), "{hz} Hz");
        assert_eq!(by_run.guardian().decision, by_one.guardian().decision);
        assert!(by_one.guardian().decision.is_some());
        // The circuit is looked after once a second, or once a run where that is longer.
        let (by_run_us, by_one_us) = (all.fired_us.unwrap(), one.fired_us.unwrap());
        let late_us = by_run_us.saturating_sub(by_one_us);
        assert!(late_us <= 3 * longest_us.max(SECOND_US), "{hz} Hz: {late_us} us late");
        assert!(by_run_us >= 1800 * SECOND_US, "{hz} Hz");
    }
}

/// A part that bears 10 000 erasures loses less than a hundredth of its life in a day of 600 resets
/// an hour; and the tag knows the time all the same.
#[test]
fn resets_do_not_wear_the_flash() {
    const ROOMY: Layout = Layout {
        copies: Region { from: 0, slot_bytes: 4096, count: 4, mark: 1 },
        vitals: Region { from: 16_384, slot_bytes: 256, count: 48, mark: 2 },
    };
    let c = config_with(5.0, Release { floor_h: 6.0, ceiling_h: 40.0, ..Release::DEFAULT });
    let plan = plan(c, Settings::DEFAULT);
    let mut flash = Ram::new(7 * 4096);
    let mut pins = Pins { arm: Pin::default(), fire: Pin::default() };
    let mut keeper = Keeper::new(&plan);
    keeper.begin(&mut flash, &ROOMY, &clocks(0, [Some(9), None])).unwrap();
    let day_s = 86_400;
    for t in 1..=day_s {
        let now = clocks(t % 6 * SECOND_US, [Some(9 + t * SECOND_US), None]);
        if t % 6 == 0 {
            keeper = Keeper::new(&plan);
            let resumed = keeper.go_on(&mut flash, &ROOMY, &now, Reset::Power).unwrap();
            assert!(resumed.clock, "{t} s");
            assert_eq!(keeper.now_us(), t * SECOND_US);
        }
        let mut store = Apart { flash: &mut flash, sink: |_: &Event, _: &Moment| {} };
        keeper.idle(Some(5.0 + (t % 9) as f32), Some(true), &now, &mut store, &mut pins);
    }
    assert_eq!(keeper.lost_copies(), 0);
    let most = flash.wear.iter().max().unwrap();
    assert!(*most < 100 && flash.erased > 100, "{:?}", flash.wear);
}

/// A poll at the very moment that samples come does not move them.
#[test]
fn polls_between_change_no_times() {
    let c = config_with(10.0, Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT });
    let plan = plan(c, Settings::DEFAULT);
    let mut sea = Sea::new(10.0, 600.0, 4);
    let mut plain = Tag::new(c);
    let read = |t_us: u64| clocks(t_us, [Some(77 + t_us), None]);
    let mut keeper = start(&plan, &mut sea.flash, &read(0));
    for s in &std::mem::take(&mut sea.samples) {
        for early_us in [40_000, 0] {
            if s.t_us > early_us && s.t_us / 100_000 % 3 == 0 {
                let mut store = Apart { flash: &mut sea.flash, sink: |_: &Event, _: &Moment| {} };
                keeper.poll(None, None, &read(s.t_us - early_us), &mut store, &mut sea.pins);
            }
        }
        assert_eq!(sea.feed(&mut keeper, &s.as_run(), &read(s.t_us), s.t_us), s.t_us);
        feed(&mut plain, s);
    }
    assert_eq!(format!("{:?}", keeper.tag()), format!("{plain:?}"));
}

/// The keeper begins the deployment anew with the animal's release: tag, release clock and floor count
/// from there, copies of what was handled are not written, and a reset goes on with it.
#[test]
fn the_deployment_begins_with_the_launch_and_a_reset_keeps_that() {
    let release = Release { floor_h: 0.5, ceiling_h: 2.0, ..Release::DEFAULT };
    let c = config_with(10.0, release);
    let mut sea = Sea::new(10.0, 0.0, 4);
    let read = |t_us: u64| clocks(t_us, [Some(77 + t_us), Some(99 + t_us)]);
    let plan = plan(c, Settings::DEFAULT);
    let mut keeper = start(&plan, &mut sea.flash, &read(0));
    // An hour of deck, turned over every two minutes, then the sea.
    let (deck_s, step_us) = (3600_u64, 100_000_u64);
    let mut begun_us = None;
    for n in 0..deck_s * 10 + 20 * 600 {
        let t_us = n * step_us;
        let on_deck = n < deck_s * 10;
        let turned = on_deck && n / 1200 % 2 == 1;
        let sway = 0.1 * (t_us as f32 * 5e-6).sin();
        let z = if turned { -1.0 } else { 1.0 };
        let accel_g = [[sway, 0.002 * (n % 7) as f32, z]];
        let dived_s = n.saturating_sub(deck_s * 10) as f32 / 10.0;
        let depth_m = if on_deck { 0.1 } else { 0.5 * dived_s.min(40.0) + 0.01 * (n % 9) as f32 };
        let depth_m = Some(depth_m).filter(|_| n % 10 == 0);
        let run = Run { depth_m, ..Run::accel(0, c.sample_us(), &accel_g) };
        sea.feed(&mut keeper, &run, &read(t_us), t_us);
        for event in std::mem::take(&mut sea.told) {
            if let Event::Launch(LaunchReport { step: LaunchStep::Begin { ago_us }, .. }) = event {
                begun_us = Some(t_us - ago_us);
            }
        }
    }
    let begun_us = begun_us.expect("a launch");
    assert!((3600..3610).contains(&(begun_us / 1_000_000)), "{begun_us}");
    assert_eq!(keeper.launch_state().launched(), Some(LaunchedBy::Depth));
    let now_us = (deck_s * 10 + 20 * 600 - 1) * step_us;
    assert!(keeper.now_us().abs_diff(now_us - begun_us) < 2_500_000, "{}", keeper.now_us());
    assert!(keeper.tag().now_us().abs_diff(now_us - begun_us) < 2_500_000);
    // Power goes for a minute.
    let later_us = now_us + 60_000_000;
    let now = clocks(0, [Some(77 + later_us), Some(99 + later_us)]);
    let mut again = Keeper::new(&plan);
    let resumed = again.go_on(&mut sea.flash, &LAYOUT, &now, Reset::Power).unwrap();
    assert!(resumed.tag && resumed.clock);
    assert!(again.now_us().abs_diff(later_us - begun_us) < 3_000_000, "{}", again.now_us());
    assert_eq!(again.launch_state().launched(), Some(LaunchedBy::Depth));
}
