//! From the decision to let go to a tag that floats.
//!
//! [`deck`](crate::shell::deck) tells water from deck, [`rise`](crate::shell::rise) tells a tag that came free,
//! [`table`](crate::shell::table) holds every transition, [`Driver`] walks through it and drives two
//! pins: one arms the firing circuit, one fires.
//!
//! An attempt arms, burns, then waits for the tag to rise or go dry. If it does
//! not (or was at the surface before, and only one attempt was made), the circuit rests, longer each time, and is tried again until the
//! attempts or the charge set aside are used up; from then on the passive link
//! has to do it. Nothing fires on deck or before the floor. The driver's state
//! is kept through a reset: one that came while the circuit drew current counts
//! as an attempt that failed.

use embedded_hal::digital::OutputPin;

use crate::kept::Kept;
use crate::shell::rise::{Rise, SUNK_M};
use crate::shell::table::next;
pub use crate::shell::table::{Event, Pull, State, TABLE};

/// Longest rest, as a multiple of the first.
const LONGEST_REST: u32 = 16;

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
    /// Tag time, microseconds.
    pub now_us: u64,
    /// The decision to let go stands.
    pub called: bool,
    /// The floor has passed, and the tag is not on deck.
    pub clear: bool,
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
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Driver {
    state: State,
    since_us: u64,
    attempts: u8,
    used_mah: f32,
    last_us: u64,
    rise: Rise,
    /// Deep when it fired: rising then proves something.
    from_deep: bool,
    pin_fault: bool,
}

impl Default for Driver {
    fn default() -> Self {
        Driver {
            state: State::Safe,
            since_us: 0,
            attempts: 0,
            used_mah: 0.0,
            last_us: 0,
            rise: Rise::default(),
            from_deep: false,
            pin_fault: false,
        }
    }
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
        self.take(Event::Reset, now_us)
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
        let changed = self.take(event, now_us);
        if changed && self.state == State::Firing {
            self.from_deep = inputs.depth_m.is_some_and(|d| d > SUNK_M);
        }
        changed
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
        let risen = self.rise.risen()
            && (self.from_deep || self.attempts >= 2 && self.state != State::Firing);
        let due = self.due(inputs.now_us, settings);
        let held = !inputs.clear;
        match self.state {
            State::Safe if !inputs.called || held => None,
            State::Safe if self.spent(settings) => Some(Event::Spent),
            State::Safe => Some(Event::Called),
            State::Arming | State::Firing if held => Some(Event::Held),
            State::Arming | State::Firing if fault => Some(Event::Fault),
            State::Firing | State::Verifying | State::Resting | State::GivenUp if risen => {
                Some(Event::Risen)
            }
            State::Resting if self.spent(settings) => Some(Event::Spent),
            State::Resting if due && held => Some(Event::Held),
            State::Free => self.rise.sunk().then_some(Event::Sunk),
            State::GivenUp => None,
            _ => due.then_some(Event::Due),
        }
    }

    fn spent(&self, settings: &Settings) -> bool {
        self.attempts >= settings.attempts
            || self.used_mah + settings.attempt_mah() > settings.charge_mah
    }

    /// The time of the present state has passed.
    fn due(&self, now_us: u64, settings: &Settings) -> bool {
        let times = 1_u32.wrapping_shl(u32::from(self.attempts.clamp(1, 5)).wrapping_sub(1));
        let wait_s = match self.state {
            State::Arming => settings.arm_s,
            State::Firing => settings.burn_s,
            State::Verifying => settings.verify_s,
            State::Resting => settings.rest_s * times.min(LONGEST_REST) as f32,
            State::Safe | State::Free | State::GivenUp => return false,
        };
        now_us.saturating_sub(self.since_us) as f32 * 1.0e-6 >= wait_s
    }

    /// Takes the transition that the table has for an event, if it has one.
    fn take(&mut self, event: Event, now_us: u64) -> bool {
        let Some(next) = next(self.state, event) else { return false };
        if next == State::Firing {
            self.attempts = self.attempts.saturating_add(1);
            self.rise = Rise::default();
        } else if self.state == State::Arming && next == State::Resting {
            // It never fired, but was tried.
            self.attempts = self.attempts.saturating_add(1);
        }
        self.state = next;
        self.since_us = now_us;
        true
    }
}
