//! Every transition of the release, one by one, and what must never happen.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

use embedded_hal::digital::{ErrorKind, ErrorType, OutputPin};
use firmware_core::shell::firing::{Driver, Event, Inputs, Pins, Settings, State, TABLE};
use firmware_core::shell::water::{KNOWN_US, Surroundings, Water};
use proptest::prelude::*;

const SECOND_US: u64 = 1_000_000;

#[derive(Debug, Default)]
struct Pin {
    high: bool,
    stuck: bool,
}

#[derive(Debug)]
struct Stuck;

impl embedded_hal::digital::Error for Stuck {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl ErrorType for Pin {
    type Error = Stuck;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Stuck> {
        self.high = false;
        if self.stuck { Err(Stuck) } else { Ok(()) }
    }
    fn set_high(&mut self) -> Result<(), Stuck> {
        if self.stuck {
            return Err(Stuck);
        }
        self.high = true;
        Ok(())
    }
}

const SETTINGS: Settings = Settings { attempts: 3, ..Settings::DEFAULT };

/// A driver with its pins and its clock.
struct Bench {
    driver: Driver,
    pins: Pins<Pin, Pin>,
    inputs: Inputs,
}

impl Bench {
    fn new() -> Self {
        Bench {
            driver: Driver::default(),
            pins: Pins { arm: Pin::default(), fire: Pin::default() },
            inputs: Inputs {
                now_us: 0,
                most_us: 0,
                called: false,
                clear: true,
                held: false,
                depth_m: Some(20.0),
                wet: Some(true),
            },
        }
    }

    fn pass(&mut self, us: u64) {
        self.inputs.now_us += us;
        self.inputs.most_us += us;
    }

    fn second(&mut self) -> bool {
        self.pass(SECOND_US);
        let changed = self.driver.step(&self.inputs, &SETTINGS);
        self.driver.drive(&mut self.pins);
        assert!(self.pins.arm.high || !self.pins.fire.high, "fires without being armed");
        changed
    }

    /// Runs on until the state is this one.
    fn until(&mut self, state: State) {
        for _ in 0..100_000 {
            if self.driver.state() == state {
                return;
            }
            self.second();
        }
        panic!("{state:?} was never reached from {:?}", self.driver.state());
    }

    /// A driver brought to a state by the shortest way.
    fn at(state: State) -> Self {
        let mut b = Self::new();
        b.inputs.called = state != State::Safe;
        if state == State::Free {
            b.until(State::Verifying);
            b.inputs.depth_m = Some(0.2);
        }
        b.until(state);
        b
    }

    /// Makes an event come about, as the world would.
    fn cause(&mut self, event: Event) {
        match event {
            Event::Called => self.inputs.called = true,
            Event::Held => (self.inputs.clear, self.inputs.held) = (false, true),
            Event::Due => {}
            Event::Risen => (self.inputs.depth_m, self.inputs.wet) = (Some(0.3), Some(false)),
            Event::Sunk => self.inputs.depth_m = Some(30.0),
            Event::Spent => {
                let short = Settings { attempts: 1, ..SETTINGS };
                self.pass(SECOND_US);
                self.inputs.called = true;
                if self.driver.state() == State::Safe {
                    // One attempt, then held before the next.
                    self.until(State::Resting);
                    self.inputs.clear = false;
                    self.until(State::Safe);
                    self.inputs.clear = true;
                }
                assert!(self.driver.step(&self.inputs, &short));
            }
            Event::Fault => {
                self.pins.arm.stuck = true;
                self.pins.fire.stuck = true;
            }
            Event::Reset => {
                self.driver.resume(self.inputs.now_us, &SETTINGS);
            }
        }
    }
}

const STATES: [State; 7] = [
    State::Safe,
    State::Arming,
    State::Firing,
    State::Verifying,
    State::Resting,
    State::Free,
    State::GivenUp,
];
const EVENTS: [Event; 8] = [
    Event::Called,
    Event::Held,
    Event::Due,
    Event::Risen,
    Event::Sunk,
    Event::Spent,
    Event::Fault,
    Event::Reset,
];

#[test]
fn every_transition_of_the_table_comes_about() {
    for &(from, event, to) in TABLE {
        // A burn long enough to rise in, where that is what happens.
        let mut b = Bench::at(from);
        let mut before = b.driver.attempts();
        if (from, event) == (State::Firing, Event::Risen) {
            let slow = Settings { burn_s: 600.0, ..SETTINGS };
            b.cause(event);
            for _ in 0..200 {
                b.pass(SECOND_US);
                if b.driver.step(&b.inputs, &slow) {
                    break;
                }
            }
            assert_eq!(b.driver.state(), to);
            continue;
        }
        b.cause(event);
        if event == Event::Spent {
            before = 1;
        }
        for _ in 0..400 {
            if b.driver.state() != from {
                break;
            }
            b.second();
        }
        assert_eq!(b.driver.state(), to, "{from:?} {event:?}");
        b.driver.drive(&mut b.pins);
        if !matches!(to, State::Arming | State::Firing) && event != Event::Fault {
            assert!(!b.pins.arm.high && !b.pins.fire.high, "{from:?} {event:?}");
        }
        let failed = from == State::Arming && matches!(event, Event::Fault | Event::Reset);
        // A pulse counts once it has ended, or was ended by a fault or a reset.
        let pulse = from == State::Firing && event != Event::Held;
        let counts = u8::from(pulse || failed);
        assert_eq!(b.driver.attempts(), before + counts, "{from:?} {event:?}");
    }
}

#[test]
fn what_the_table_does_not_have_changes_nothing() {
    let mut tried = 0;
    for from in STATES {
        for event in EVENTS {
            if TABLE.iter().any(|&(s, e, _)| s == from && e == event)
                || matches!(event, Event::Due | Event::Spent)
            {
                continue;
            }
            tried += 1;
            let mut b = Bench::at(from);
            b.cause(event);
            // One second: no time of a state passes in it, but those of arming
            // and firing, whose transitions are in the table.
            b.second();
            assert!(
                b.driver.state() == from || TABLE.contains(&(from, Event::Due, b.driver.state())),
                "{from:?} {event:?}"
            );
        }
    }
    assert!(tried > 20);
}

#[test]
fn each_pair_stands_in_the_table_once() {
    for (i, a) in TABLE.iter().enumerate() {
        assert!(TABLE.iter().skip(i + 1).all(|b| (a.0, a.1) != (b.0, b.1)), "{a:?}");
    }
}

#[test]
fn attempts_rest_longer_each_time_and_end() {
    let mut b = Bench::at(State::Arming);
    let mut rests = Vec::new();
    let mut since = 0;
    for _ in 0..100_000 {
        let before = b.driver.state();
        b.second();
        let after = b.driver.state();
        if before != after {
            if before == State::Resting {
                rests.push((b.inputs.now_us - since) / SECOND_US);
            }
            since = b.inputs.now_us;
        }
    }
    assert_eq!(b.driver.state(), State::GivenUp);
    assert_eq!(b.driver.attempts(), 3);
    // 120 s, 240 s; after the third attempt it is over at once.
    assert_eq!(rests, [120, 240, 1]);
}

#[test]
fn charge_is_counted_and_kept_to() {
    let mut b = Bench::at(State::Verifying);
    // By hand: armed 2 s and firing 5 s at 10 mA, firing 5 s at 1000 mA:
    // (7 * 10 + 5 * 1000) / 3600 = 1.4083 mAh. The steps are whole seconds, so
    // the same comes out.
    assert!((b.driver.used_mah() - 1.4083).abs() < 0.001, "{}", b.driver.used_mah());
    assert!((SETTINGS.attempt_mah() - 1.4083).abs() < 0.001);
    // Enough for two attempts, not for three.
    let little = Settings { attempts: 100, charge_mah: 4.0, ..Settings::DEFAULT };
    for _ in 0..100_000 {
        b.pass(SECOND_US);
        b.driver.step(&b.inputs, &little);
    }
    assert_eq!((b.driver.state(), b.driver.attempts()), (State::GivenUp, 2));
    assert!(b.driver.used_mah() <= 4.0);
}

#[test]
fn settings_out_of_range_are_known() {
    assert!(Settings::DEFAULT.valid());
    for bad in [
        Settings { burn_s: 0.0, ..Settings::DEFAULT },
        Settings { arm_s: f32::NAN, ..Settings::DEFAULT },
        Settings { rest_s: 1.0e9, ..Settings::DEFAULT },
        Settings { attempts: 0, ..Settings::DEFAULT },
        Settings { burn_ma: -1.0, ..Settings::DEFAULT },
        Settings { charge_mah: 1.0, ..Settings::DEFAULT },
    ] {
        assert!(!bad.valid(), "{bad:?}");
    }
}

#[test]
fn a_fin_above_the_water_does_not_end_it() {
    // Fired at depth, the animal breaks the surface for a minute and dives.
    let mut b = Bench::at(State::Verifying);
    b.inputs.depth_m = Some(0.2);
    for _ in 0..60 {
        b.second();
    }
    b.inputs.depth_m = Some(20.0);
    b.until(State::Resting);
    // It basks until the tag is taken to be free, and dives again.
    b.inputs.depth_m = Some(0.2);
    b.inputs.wet = Some(false);
    b.until(State::Free);
    b.inputs.depth_m = Some(20.0);
    b.inputs.wet = Some(true);
    b.until(State::Arming);
}

fn last(water: &mut Water, from_s: u64, seconds: u64, s: impl Fn(u64) -> Surroundings) -> u64 {
    for t in from_s..from_s + seconds {
        water.step(t * SECOND_US, &s(t));
    }
    from_s + seconds
}

fn sensed(wet: Option<bool>, depth_m: Option<f32>) -> Surroundings {
    Surroundings { wet, depth_m, ..Surroundings::default() }
}

fn air_m(t: u64) -> Option<f32> {
    Some(0.02 * (t % 3) as f32)
}

fn sea_m(t: u64) -> Option<f32> {
    Some(10.0 + (t % 7) as f32)
}

#[test]
fn it_is_water_only_where_it_is_so_now() {
    let mut w = Water::default();
    let t = last(&mut w, 0, 7200, |t| sensed(Some(false), air_m(t)));
    assert!(!w.clear() && w.air && !w.launched);
    let t = last(&mut w, t, 61, |t| sensed(Some(true), sea_m(t)));
    assert!(w.clear() && !w.air && w.launched);
    // At the surface, wet: that may be a wet deck.
    let t = last(&mut w, t, 1, |t| sensed(Some(true), air_m(t)));
    assert!(!w.clear());
    // Half a metre down both agree at once.
    let t = last(&mut w, t, 1, |_| sensed(Some(true), Some(0.8)));
    assert!(w.clear());
    // Picked up: at once as well, and by the ceiling it is the same.
    let t = last(&mut w, t, 1, |t| sensed(Some(false), air_m(t)));
    assert!(!w.clear() && w.air && w.launched);
    // After a reset nothing is known of the water before.
    let t = last(&mut w, t, 90, |t| sensed(Some(true), sea_m(t)));
    assert!(w.clear());
    w.resume();
    assert!(!w.clear() && w.launched);
    let t = last(&mut w, t, 59, |t| sensed(Some(true), sea_m(t)));
    assert!(!w.clear());
    let t = last(&mut w, t, 2, |t| sensed(Some(true), sea_m(t)));
    assert!(w.clear());
    // A splash on deck, beside a depth that is behind, is no sea.
    let t = last(&mut w, t, 5, |t| sensed(Some(false), sea_m(t)));
    let t = last(&mut w, t, 20, |t| sensed(Some(true), sea_m(t)));
    assert!(!w.clear());
    last(&mut w, t, 1, |t| sensed(Some(false), sea_m(t)));
    assert!(!w.clear() && w.air);
}

#[test]
fn readings_age() {
    let mut w = Water::default();
    let t = last(&mut w, 0, 90, |t| sensed(Some(true), sea_m(t)));
    assert!(w.clear());
    // Nothing is read any more: known for a while, though not as of now, then not at all.
    let t = last(&mut w, t, 4, |_| sensed(None, None));
    assert!(!w.clear() && !w.air && !w.silent());
    let t = last(&mut w, t, KNOWN_US / SECOND_US, |_| sensed(None, None));
    assert!(w.silent() && w.depth_m().is_none() && w.wet().is_none());
    // A wet sensor read but every 20 s tells of water, whenever a poll falls between.
    let t = last(&mut w, t, 200, |t| sensed((t % 20 == 0).then_some(true), None));
    assert!(!w.silent() && w.wet() == Some(true));
    let t = last(&mut w, t + t % 20, 1, |_| sensed(Some(true), None));
    assert!(w.clear());
    // A depth that is old when it comes is none of now.
    let old = |m| Surroundings { depth_age_us: 20 * SECOND_US, ..sensed(Some(true), m) };
    last(&mut w, t, 200, |t| old(sea_m(t)));
    assert!(!w.clear() && w.depth_m().is_some());
}

#[test]
fn one_lost_sensor_leaves_the_other() {
    // Wet sensor stuck wet on deck: depth does not agree.
    let mut w = Water::default();
    last(&mut w, 0, 36_000, |t| sensed(Some(true), air_m(t)));
    assert!(!w.clear() && w.air);
    // One fitted alone tells both.
    let mut w = Water::default();
    let t = last(&mut w, 0, 60, |t| sensed(None, sea_m(t)));
    assert!(w.clear());
    last(&mut w, t, 1, |t| sensed(None, air_m(t)));
    assert!(!w.clear() && w.air);
    let mut w = Water::default();
    let t = last(&mut w, 0, 90, |_| sensed(Some(true), None));
    assert!(w.clear());
    last(&mut w, t, 1, |_| sensed(Some(false), None));
    assert!(!w.clear() && w.air);
    // A depth that stands still is none after ten minutes: the wet sensor goes on alone.
    let mut w = Water::default();
    let t = last(&mut w, 0, 599, |_| sensed(Some(true), Some(0.1)));
    assert!(!w.clear() && w.air);
    last(&mut w, t, 5, |_| sensed(Some(true), Some(0.1)));
    assert!(w.clear() && !w.air);
    // Stuck deep on deck, it does not make a dry sensor lie.
    let mut w = Water::default();
    let t = last(&mut w, 0, 60, |t| sensed(Some(true), sea_m(t)));
    for s in t..t + 7200 {
        w.step(s * SECOND_US, &sensed(Some(false), Some(16.0)));
        assert!(!w.clear(), "{s}");
    }
    // One that moves does: the wet sensor is stuck dry.
    let mut w = Water::default();
    let t = last(&mut w, 0, 590, |t| sensed(Some(false), sea_m(t)));
    assert!(!w.clear());
    let t = last(&mut w, t, 20, |t| sensed(Some(false), sea_m(t)));
    assert!(w.clear() && !w.air);
    last(&mut w, t, 1, |t| sensed(Some(false), air_m(t)));
    assert!(!w.clear() && w.air);
}

/// Sensors that told of a deck and fell silent leave it no water, though the deck rocks as an
/// animal swims; through a reset too.
#[test]
fn a_deck_stays_one_when_the_sensors_fall_silent() {
    for told in [sensed(None, Some(0.02)), sensed(Some(false), None)] {
        let mut w = Water::default();
        let t = last(&mut w, 0, 600, |_| told);
        let swims = |_| Surroundings { swam: true, ..Surroundings::default() };
        let t = last(&mut w, t, 7200, swims);
        assert!(!w.launched && !w.clear() && w.silent());
        w.resume();
        let t = last(&mut w, t, 7200, swims);
        assert!(!w.launched && !w.clear() && w.silent());
        // One that works again tells of the water.
        last(&mut w, t, 61, |_| Surroundings { swam: true, ..sensed(Some(true), None) });
        assert!(w.launched && w.clear());
    }
    // Where neither is fitted, an animal that swims is all there is.
    let mut w = Water::default();
    let t = last(&mut w, 0, 7200, |_| Surroundings::default());
    assert!(!w.clear() && !w.silent());
    last(&mut w, t, 2, |_| Surroundings { swam: true, ..Surroundings::default() });
    assert!(w.clear());
}

/// A pulse lasts as long as it is to by the clock that is right, and one that was cut short is no
/// attempt.
#[test]
fn a_short_pulse_is_no_attempt() {
    let mut b = Bench::at(State::Firing);
    b.pass(2 * SECOND_US);
    (b.inputs.clear, b.inputs.held) = (false, true);
    b.driver.step(&b.inputs, &SETTINGS);
    assert_eq!((b.driver.state(), b.driver.attempts()), (State::Safe, 0));
    assert!(b.driver.used_mah() > 0.5);
    // One clock runs ahead: the pulse ends early, and does not count either.
    let mut b = Bench::at(State::Firing);
    b.inputs.now_us += SECOND_US;
    b.inputs.most_us += 3600 * SECOND_US;
    b.driver.step(&b.inputs, &SETTINGS);
    assert_eq!((b.driver.state(), b.driver.attempts()), (State::Verifying, 0));
    let mut b = Bench::at(State::Firing);
    assert_eq!(b.driver.ends_in_us(b.inputs.now_us, &SETTINGS), Some(5 * SECOND_US));
    b.pass(5 * SECOND_US);
    b.driver.step(&b.inputs, &SETTINGS);
    assert_eq!((b.driver.state(), b.driver.attempts()), (State::Verifying, 1));
    assert_eq!(b.driver.ends_in_us(b.inputs.now_us, &SETTINGS), None);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    /// Whatever comes, in any order: never fired while held, never more charge
    /// than was set aside, never more attempts than allowed.
    #[test]
    fn interlocks_hold_whatever_comes(
        seconds in proptest::collection::vec(
            (any::<bool>(), prop_oneof![4 => Just(0_u8), 1 => Just(1), 1 => Just(2)],
             proptest::option::of(-1.0_f32..40.0), proptest::option::of(any::<bool>()),
             0_u8..40, 1_u64..200),
            1..400,
        ),
    ) {
        let mut b = Bench::new();
        for (called, hold, depth_m, wet, chance, step_s) in seconds {
            // Held; not clear, which ends nothing that has begun; clear.
            let (clear, held) = (hold == 0, hold == 2);
            let fired = b.pins.fire.high;
            b.pass(step_s * SECOND_US);
            b.inputs = Inputs { called, clear, held, depth_m, wet, ..b.inputs };
            b.pins.arm.stuck = chance == 0;
            b.pins.fire.stuck = chance == 1;
            if chance == 2 {
                b.driver.resume(b.inputs.now_us, &SETTINGS);
            }
            b.driver.step(&b.inputs, &SETTINGS);
            b.driver.drive(&mut b.pins);
            prop_assert!(!held || !b.pins.fire.high && !b.pins.arm.high);
            prop_assert!(clear || fired || !b.pins.fire.high, "fires without a sure sign");
            prop_assert!(b.driver.attempts() <= SETTINGS.attempts);
        }
    }
}
