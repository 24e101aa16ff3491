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
use firmware_core::shell::deck::{DECK_US, Deck, Surroundings};
use firmware_core::shell::firing::{Driver, Event, Inputs, Pins, Settings, State, TABLE};
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
                called: false,
                clear: true,
                depth_m: Some(20.0),
                wet: Some(true),
            },
        }
    }

    fn second(&mut self) -> bool {
        self.inputs.now_us += SECOND_US;
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
            Event::Held => self.inputs.clear = false,
            Event::Due => {}
            Event::Risen => (self.inputs.depth_m, self.inputs.wet) = (Some(0.3), Some(false)),
            Event::Sunk => self.inputs.depth_m = Some(30.0),
            Event::Spent => {
                let short = Settings { attempts: 1, ..SETTINGS };
                self.inputs.now_us += SECOND_US;
                self.inputs.called = true;
                if self.driver.state() == State::Safe {
                    // One attempt, then held before it was over.
                    self.until(State::Firing);
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
                b.inputs.now_us += SECOND_US;
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
        let counts = u8::from(to == State::Firing || failed);
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
        b.inputs.now_us += SECOND_US;
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

fn deck(deck: &mut Deck, from_s: u64, seconds: u64, s: impl Fn(u64) -> Surroundings) -> u64 {
    for t in from_s..from_s + seconds {
        deck.step(t * SECOND_US, &s(t));
    }
    from_s + seconds
}

#[test]
fn water_is_told_from_deck() {
    let dry = |t: u64| Surroundings {
        wet: Some(false),
        depth_m: Some(0.02 * (t % 3) as f32),
        swam: false,
    };
    let sea = |t: u64| Surroundings {
        wet: Some(true),
        depth_m: Some(10.0 + (t % 7) as f32),
        swam: false,
    };
    let mut d = Deck::default();
    let t = deck(&mut d, 0, 7200, dry);
    assert!(d.holds(false) && d.holds(true), "fires on deck before launch");
    let t = deck(&mut d, t, 60, sea);
    assert!(d.launched() && !d.holds(false));
    // At the surface for an hour, wet.
    let t = deck(&mut d, t, 3600, |t| Surroundings { wet: Some(true), ..dry(t) });
    assert!(!d.holds(true));
    // Back on deck: held once that is sure.
    let t = deck(&mut d, t, DECK_US / SECOND_US - 1, dry);
    assert!(!d.holds(true));
    let t = deck(&mut d, t, 3, dry);
    assert!(d.holds(true) && d.holds(false));
    // And in again.
    deck(&mut d, t, 60, sea);
    assert!(!d.holds(false));
}

#[test]
fn one_lost_sensor_leaves_the_deck_known() {
    // Wet sensor stuck wet on deck: depth does not agree.
    let mut d = Deck::default();
    deck(&mut d, 0, 36_000, |t| Surroundings {
        wet: Some(true),
        depth_m: Some(0.02 * (t % 3) as f32),
        swam: false,
    });
    assert!(d.holds(true));
    // No wet sensor: known by depth.
    let mut d = Deck::default();
    let t = deck(&mut d, 0, 60, |_| Surroundings { depth_m: Some(8.0), ..Default::default() });
    assert!(!d.holds(false));
    // Afloat in a slight sea: no deck.
    let t = deck(&mut d, t, 3600, |t| Surroundings {
        depth_m: Some(0.2 + 0.1 * (t as f32).sin()),
        ..Default::default()
    });
    assert!(!d.holds(false));
    deck(&mut d, t, 1300, |t| Surroundings {
        depth_m: Some(0.01 * (t % 2) as f32),
        ..Default::default()
    });
    assert!(d.holds(true));
    // No depth sensor: known by the wet sensor.
    let mut d = Deck::default();
    let t = deck(&mut d, 0, 600, |_| Surroundings { wet: Some(false), ..Default::default() });
    assert!(d.holds(true));
    let t = deck(&mut d, t, 90, |_| Surroundings { wet: Some(true), ..Default::default() });
    assert!(!d.holds(false));
    deck(&mut d, t, 1300, |_| Surroundings { wet: Some(false), ..Default::default() });
    assert!(d.holds(true));
    // A wet sensor stuck dry is found out at depth, and depth goes on alone.
    let mut d = Deck::default();
    let t =
        deck(&mut d, 0, 90, |_| Surroundings { wet: Some(false), depth_m: Some(9.0), swam: false });
    deck(&mut d, t, 7200, |t| Surroundings {
        wet: Some(false),
        depth_m: Some(0.3 + 0.15 * (t as f32).sin()),
        swam: false,
    });
    assert!(!d.holds(false));
    // Neither: only an animal that swims, or the ceiling.
    let mut d = Deck::default();
    deck(&mut d, 0, 7200, |_| Surroundings::default());
    assert!(d.holds(false) && !d.holds(true));
    deck(&mut d, 7200, 2, |_| Surroundings { swam: true, ..Default::default() });
    assert!(!d.holds(false));
}

/// Sensors that told of a deck and fell silent leave it a deck, though the deck rocks as an
/// animal swims; through a reset too. The ceiling is not held by that.
#[test]
fn a_deck_stays_one_when_the_sensors_fall_silent() {
    let told: [&dyn Fn(u64) -> Surroundings; 2] =
        [&|t| Surroundings { depth_m: Some(0.02 * (t % 3) as f32), ..Default::default() }, &|_| {
            Surroundings { wet: Some(false), ..Default::default() }
        }];
    for told in told {
        let mut d = Deck::default();
        let t = deck(&mut d, 0, 600, told);
        let swims = |_| Surroundings { swam: true, ..Default::default() };
        let t = deck(&mut d, t, 7200, swims);
        assert!(!d.launched() && d.holds(false) && !d.holds(true));
        d.resume();
        let t = deck(&mut d, t, 7200, swims);
        assert!(!d.launched() && d.holds(false) && !d.holds(true));
        // One that works again tells of the water.
        deck(&mut d, t, 61, |_| Surroundings { wet: Some(true), swam: true, depth_m: None });
        assert!(d.launched() && !d.holds(false));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    /// Whatever comes, in any order: never fired while held, never more charge
    /// than was set aside, never more attempts than allowed.
    #[test]
    fn interlocks_hold_whatever_comes(
        seconds in proptest::collection::vec(
            (any::<bool>(), prop_oneof![4 => Just(true), 1 => Just(false)],
             proptest::option::of(-1.0_f32..40.0), proptest::option::of(any::<bool>()),
             0_u8..40, 1_u64..200),
            1..400,
        ),
    ) {
        let mut b = Bench::new();
        for (called, clear, depth_m, wet, chance, step_s) in seconds {
            b.inputs = Inputs { now_us: b.inputs.now_us + step_s * SECOND_US, called, clear, depth_m, wet };
            b.pins.arm.stuck = chance == 0;
            b.pins.fire.stuck = chance == 1;
            if chance == 2 {
                b.driver.resume(b.inputs.now_us, &SETTINGS);
            }
            b.driver.step(&b.inputs, &SETTINGS);
            b.driver.drive(&mut b.pins);
            prop_assert!(clear || !b.pins.fire.high);
            prop_assert!(clear || !b.pins.arm.high);
            prop_assert!(b.driver.attempts() <= SETTINGS.attempts);
        }
    }
}
