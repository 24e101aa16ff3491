//! The guardian of the release: clocks, water, pins. It knows no samples and owns no loop.
//!
//! [`Guardian::poll`] says what the pins are to be, and when it is to be asked again. All times
//! within it are those of the release clock, which one wrong clock of three does not move. Two
//! inhibits that have nothing in common stand between a decision and the pins:
//!
//! | inhibit | lifted by | not lifted by |
//! | --- | --- | --- |
//! | time | the floor, by the least time that can have passed | a clock that runs ahead, resets, the ceiling |
//! | water | a sure sign of water, now ([`water`](crate::shell::water)) | what was known before, the ceiling, a reset |
//!
//! One row more: sensors that spoke and are silent now, [`BLIND_US`] past the ceiling by the least
//! time, lift the second. What cannot be fired is left to the passive link: late beats early.

use crate::kept::Kept;
use crate::shell::clock::{Clocks, ReleaseClock};
use crate::shell::firing::{Driver, Inputs, Pull, Settings, State};
use crate::shell::water::{Surroundings, Water};
use crate::types::{Cause, ReleaseDecision};

/// Sensors that all are silent hold the release for so long past the ceiling, microseconds: 24 h.
pub const BLIND_US: u64 = 86_400_000_000;
/// The tag's own decision at the ceiling comes with samples, so late at most, after a reset too,
/// microseconds.
const LAG_US: u64 = 25_000_000;
/// From one poll to the next while it is called to let go and no pulse ends before, and else,
/// microseconds.
const POLL_US: u64 = 1_000_000;
const REST_US: u64 = 10_000_000;

/// What the guardian goes by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// No release before, microseconds.
    pub floor_us: u64,
    /// Release by then whatever the tag decides, microseconds.
    pub ceiling_us: u64,
    /// How the release is fired.
    pub release: Settings,
}

/// What is to be done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Actions {
    /// The state is to be kept before the pins are pulled.
    pub keep: bool,
    /// The pins.
    pub pull: Pull,
    /// Time after which to poll again, microseconds: a one-shot alarm, whatever the timer reads then.
    pub poll_in_us: u64,
    /// The ceiling's decision, where it is made just now, for a tag that makes none.
    pub ceiling: Option<ReleaseDecision>,
}

/// What may not be lost. Plain data: it is kept through a reset.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Guardian {
    /// The release clock.
    pub clock: ReleaseClock,
    /// The decision to let go, once made.
    pub decision: Option<ReleaseDecision>,
    /// The release driver.
    pub driver: Driver,
    /// Water or air.
    pub water: Water,
    /// Resets so far, as far as copies tell.
    pub resets: u16,
    /// Times that the deployment began anew.
    pub begun: u16,
    /// Most time at the latest start or reset, microseconds.
    boot_us: u64,
}

impl Guardian {
    /// At the start of the deployment.
    pub fn new(clocks: &Clocks) -> Self {
        Guardian { clock: ReleaseClock::start(clocks), ..Kept::blank() }
    }

    /// The deployment began `ago_us` ago: time counts from there, and what was decided before, or
    /// known of water, is forgotten.
    pub fn launch(&mut self, clocks: &Clocks, ago_us: u64) {
        let (resets, begun) = (self.resets, self.begun.saturating_add(1));
        *self = Guardian { resets, begun, ..Guardian::new(clocks) };
        self.clock.set_us(ago_us);
    }

    /// After a reset; `unseen_us` as for [`ReleaseClock::resume`]. Gives the time away, least and
    /// most, microseconds, and whether the state is to be kept at once.
    pub fn resume(&mut self, clocks: &Clocks, unseen_us: u64, rules: &Rules) -> (u64, u64, bool) {
        let (least_us, most_us) = self.clock.resume(clocks, unseen_us);
        self.resets = self.resets.saturating_add(1);
        self.boot_us = self.clock.most_us();
        self.water.resume();
        let keep = self.driver.resume(self.clock.least_us(), &rules.release);
        (least_us, most_us, keep)
    }

    /// It is called to let go and has not: depth and wet sensor are to be read for each poll.
    pub fn calls(&self) -> bool {
        self.decision.is_some() && !matches!(self.driver.state(), State::Free | State::GivenUp)
    }

    /// Looks at everything, after [`ReleaseClock::tick`]: to be called when `poll_in_us` is over.
    /// `decided`: the tag's own decision.
    pub fn poll(
        &mut self,
        rules: &Rules,
        s: &Surroundings,
        decided: Option<ReleaseDecision>,
    ) -> Actions {
        let (now_us, most_us) = (self.clock.least_us(), self.clock.most_us());
        let mut keep = self.water.step(now_us, s);
        let mut ceiling = None;
        if self.decision.is_none() {
            let from_us = self.boot_us.max(rules.ceiling_us);
            let late = most_us >= from_us.saturating_add(LAG_US);
            if decided.is_none() && late {
                ceiling = Some(ReleaseDecision {
                    t_us: most_us,
                    cause: Cause::Ceiling,
                    since_us: rules.ceiling_us,
                    value: most_us as f32 / 3.6e9,
                    bound: rules.ceiling_us as f32 / 3.6e9,
                });
            }
            self.decision = decided.or(ceiling);
            keep |= self.decision.is_some();
        }
        let blind_us = rules.ceiling_us.saturating_add(BLIND_US);
        let blind = self.water.silent() && now_us >= blind_us;
        let time = now_us >= rules.floor_us;
        let inputs = Inputs {
            now_us,
            most_us,
            called: self.decision.is_some(),
            clear: time && (self.water.clear() || blind),
            held: self.water.air,
            depth_m: self.water.depth_m(),
            wet: self.water.wet(),
        };
        keep |= self.driver.step(&inputs, &rules.release);
        let rest_us = if self.calls() { POLL_US } else { REST_US };
        let wait_us = self.driver.ends_in_us(now_us, &rules.release).unwrap_or(rest_us);
        let poll_in_us = wait_us.min(rest_us);
        Actions { keep, pull: self.driver.state().pull(), poll_in_us, ceiling }
    }
}
