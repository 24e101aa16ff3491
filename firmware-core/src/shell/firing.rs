//! From the decision to let go to a tag that floats.
//!
//! [`water`](crate::shell::water) tells water from air, [`rise`](crate::shell::rise) tells a tag that
//! came free, [`table`](crate::shell::table) holds every transition, [`Driver`] walks through it and
//! says what two pins are to be: one arms the firing circuit, one fires.
//!
//! An attempt arms, burns, then waits for the tag to rise or go dry. If it does
//! not (or was at the surface before, and only one attempt was made), the circuit rests, longer each time, and is tried again until the
//! attempts or the charge set aside are used up; from then on the passive link
//! has to do it. Nothing fires in air or before the floor. A pulse that was cut short is no
//! attempt, though it took charge. The driver's state is kept through a reset: one that came while
//! the circuit drew current counts as an attempt that failed.

use embedded_hal::digital::OutputPin;

use crate::kept::Kept;
use crate::math;
use crate::shell::rise::{Rise, SUNK_M};
use crate::shell::table::next;
pub use crate::shell::table::{Event, Pull, State, TABLE};

/// Longest rest, as a multiple of the first.
const LONGEST_REST: u32 = 16;
/// Part of a pulse from which on it was one.
const WHOLE: f32 = 0.95;
/// Part of a pulse after which it ends whatever the clocks agree on.
const LONGEST: f32 = 1.05;
/// Least time from one look to the next, microseconds.
const SOON_US: u64 = 1_000;
/// A charged circuit waits so long for readings of now, s.
const READY_S: f32 = 100.0;

/// How the release is fired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// From arming to firing, s: the firing circuit charges.
    pub arm_s: f32,
    /// Firing, s: fractions of one for a heated link, minutes for a corroded one.
    pub burn_s: f32,
    /// Wait for the tag to rise after firing, s.
    pub verify_s: f32,
    /// First rest between attempts, s; doubled after each, to 16 times.
    pub rest_s: f32,
    /// Attempts before the passive link is left to it.
    pub attempts: u8,
    /// Current while armed, mA.
    pub arm_ma: f32,
    /// Current while firing, mA.
    pub burn_ma: f32,
    /// Charge set aside for all attempts, mAh.
    pub charge_mah: f32,
}

impl Settings {
    /// A heated link; common practice, no source.
    pub const DEFAULT: Settings = Settings {
        arm_s: 2.0,
        burn_s: 5.0,
        verify_s: 300.0,
        rest_s: 120.0,
        attempts: 12,
        arm_ma: 10.0,
        burn_ma: 1000.0,
        charge_mah: 40.0,
    };

    /// True where all lies within its range: times 0.01 to 7200 s, 1 to 250
    /// attempts, currents 0 to 10 000 mA, charge up to 10 000 mAh and enough for
    /// one attempt.
    pub fn valid(&self) -> bool {
        let times = [self.arm_s, self.burn_s, self.verify_s, self.rest_s];
        times.iter().all(|t| (0.01..=7200.0).contains(t))
            && (1..=250).contains(&self.attempts)
            && [self.arm_ma, self.burn_ma].iter().all(|i| (0.0..=10_000.0).contains(i))
            && self.charge_mah <= 10_000.0
            && self.attempt_mah() <= self.charge_mah
    }

    /// Charge of one whole attempt, mAh.
    pub fn attempt_mah(&self) -> f32 {
        (self.arm_ma * (self.arm_s + self.burn_s) + self.burn_ma * self.burn_s) / 3600.0
    }
}

/// What the driver goes by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inputs {
    /// Time by the release clock, least and most, microseconds.
    pub now_us: u64,
    /// See `now_us`.
    pub most_us: u64,
    /// The decision to let go stands.
    pub called: bool,
    /// The floor has passed, and the tag is in water for sure: firing may begin.
    pub clear: bool,
    /// A sign of air: it is broken off.
    pub held: bool,
    /// Depth, m; `None`: not known.
    pub depth_m: Option<f32>,
    /// In water by the wet sensor; `None`: not known.
    pub wet: Option<bool>,
}

/// The two pins.
#[derive(Clone, Debug)]
pub struct Pins<A, F> {
    /// High: the firing circuit is armed.
    pub arm: A,
    /// High: it fires.
    pub fire: F,
}

impl<A: OutputPin, F: OutputPin> Pins<A, F> {
    /// Sets both. False: a pin could not be set; both are then low as far as they can be.
    pub fn pull(&mut self, pull: Pull) -> bool {
        let done = match pull {
            Pull::Off => self.fire.set_low().is_ok() & self.arm.set_low().is_ok(),
            Pull::Arm => self.fire.set_low().is_ok() && self.arm.set_high().is_ok(),
            Pull::Fire => self.arm.set_high().is_ok() && self.fire.set_high().is_ok(),
        };
        if !done && pull != Pull::Off {
            let _ = self.fire.set_low();
            let _ = self.arm.set_low();
        }
        done
    }
}

/// The driver's state. Plain data: it is kept through a reset.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
pub struct Driver {
    state: State,
    since_us: u64,
    /// The same by the most time.
    since_most_us: u64,
    attempts: u8,
    used_mah: f32,
    last_us: u64,
    rise: Rise,
    /// Deep when it fired: rising then proves something.
    from_deep: bool,
    pin_fault: bool,
}

impl Driver {
    /// Where it stands.
    pub fn state(&self) -> State {
        self.state
    }

    /// Attempts so far.
    pub fn attempts(&self) -> u8 {
        self.attempts
    }

    /// Charge that arming and firing have used so far, mAh.
    pub fn used_mah(&self) -> f32 {
        self.used_mah
    }

    /// After a reset: what was under way has failed, and counts in full.
    /// True: the state changed.
    pub fn resume(&mut self, now_us: u64, settings: &Settings) -> bool {
        self.last_us = now_us;
        self.rise = Rise::default();
        if matches!(self.state, State::Arming | State::Firing) {
            self.used_mah += settings.attempt_mah();
        }
        self.since_us = now_us;
        self.take(Event::Reset, now_us, now_us)
    }

    /// Looks at the inputs, about once a second, and goes on where a transition
    /// is due. True: the state changed, and should be kept before the pins are
    /// pulled with [`Driver::drive`].
    pub fn step(&mut self, inputs: &Inputs, settings: &Settings) -> bool {
        let now_us = inputs.now_us;
        let passed_h = now_us.saturating_sub(self.last_us) as f32 / 3.6e9;
        self.last_us = self.last_us.max(now_us);
        self.used_mah += passed_h
            * match self.state {
                State::Arming => settings.arm_ma,
                State::Firing => settings.arm_ma + settings.burn_ma,
                _ => 0.0,
            };
        self.rise.step(now_us, inputs.depth_m, inputs.wet);
        let Some(event) = self.event(inputs, settings) else { return false };
        if self.state == State::Firing && matches!(event, Event::Due | Event::Risen) {
            let whole = self.passed_s(now_us) >= WHOLE * settings.burn_s || event == Event::Risen;
            self.attempts = self.attempts.saturating_add(u8::from(whole));
        }
        let changed = self.take(event, now_us, inputs.most_us);
        if changed && self.state == State::Firing {
            self.from_deep = inputs.depth_m.is_some_and(|d| d > SUNK_M);
        }
        changed
    }

    /// Time until the circuit goes on from charging or firing, microseconds; `None` where it is
    /// off.
    pub fn ends_in_us(&self, now_us: u64, settings: &Settings) -> Option<u64> {
        let on = self.state.pull() != Pull::Off;
        let wait_s = self.wait_s(settings).filter(|_| on)?;
        Some(math::s_to_us(wait_s - self.passed_s(now_us)).max(SOON_US))
    }

    /// Pulls the pins as the state has it. To be called after every step, so
    /// that a pin that was disturbed is set right.
    pub fn drive<A: OutputPin, F: OutputPin>(&mut self, pins: &mut Pins<A, F>) -> bool {
        let done = pins.pull(self.state.pull());
        self.pin_fault |= !done && self.state.pull() != Pull::Off;
        done
    }

    /// The event that counts most in this state, if any.
    fn event(&mut self, inputs: &Inputs, settings: &Settings) -> Option<Event> {
        let fault = core::mem::take(&mut self.pin_fault);
        // At the surface already when it fired, being there proves little: only
        // after a second attempt.
        let risen = self.rise.risen
            && (self.from_deep || self.attempts >= 2 && self.state != State::Firing);
        let due = self.due(inputs, settings);
        match self.state {
            State::Safe if !inputs.called || !inputs.clear => None,
            State::Safe if self.spent(settings) => Some(Event::Spent),
            State::Safe => Some(Event::Called),
            State::Arming | State::Firing if inputs.held => Some(Event::Held),
            State::Arming | State::Firing if fault => Some(Event::Fault),
            State::Arming if due && !inputs.clear => {
                let late = self.passed_s(inputs.now_us) > settings.arm_s + READY_S;
                late.then_some(Event::Held)
            }
            State::Firing | State::Verifying | State::Resting | State::GivenUp if risen => {
                Some(Event::Risen)
            }
            State::Resting if self.spent(settings) => Some(Event::Spent),
            State::Resting if due && !inputs.clear => Some(Event::Held),
            State::Free => self.rise.sunk.then_some(Event::Sunk),
            State::GivenUp => None,
            _ => due.then_some(Event::Due),
        }
    }

    fn spent(&self, settings: &Settings) -> bool {
        self.attempts >= settings.attempts
            || self.used_mah + settings.attempt_mah() > settings.charge_mah
    }

    /// Time in the present state, s.
    fn passed_s(&self, now_us: u64) -> f32 {
        now_us.saturating_sub(self.since_us) as f32 * 1.0e-6
    }

    /// How long the present state lasts, s; `None`: until something happens.
    fn wait_s(&self, settings: &Settings) -> Option<f32> {
        let times = 1_u32.wrapping_shl(u32::from(self.attempts.clamp(1, 5)).wrapping_sub(1));
        match self.state {
            State::Arming => Some(settings.arm_s),
            State::Firing => Some(settings.burn_s),
            State::Verifying => Some(settings.verify_s),
            State::Resting => Some(settings.rest_s * times.min(LONGEST_REST) as f32),
            State::Safe | State::Free | State::GivenUp => None,
        }
    }

    /// The time of the present state has passed. A pulse ends in any case once it can have lasted
    /// for too long.
    fn due(&self, inputs: &Inputs, settings: &Settings) -> bool {
        let Some(wait_s) = self.wait_s(settings) else { return false };
        let most_s = inputs.most_us.saturating_sub(self.since_most_us) as f32 * 1.0e-6;
        self.passed_s(inputs.now_us) >= wait_s
            || self.state == State::Firing && most_s >= LONGEST * wait_s
    }

    /// Takes the transition that the table has for an event, if it has one.
    fn take(&mut self, event: Event, now_us: u64, most_us: u64) -> bool {
        let Some(next) = next(self.state, event) else { return false };
        if next == State::Firing {
            self.rise = Rise::default();
        } else if next == State::Resting && matches!(event, Event::Fault | Event::Reset) {
            // It was tried.
            self.attempts = self.attempts.saturating_add(1);
        }
        self.state = next;
        self.since_us = now_us;
        self.since_most_us = most_us;
        true
    }
}
