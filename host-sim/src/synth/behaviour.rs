//! What a live animal does: cruise, glide, burst, turn, hold a roll, dive, rest.
//!
//! A plan of a few minutes at most is drawn at a time. Times are seconds after
//! release, angles radians.

use super::depth::steer;
use super::draws::{Draws, Wander};

/// Habits of one animal.
#[derive(Clone, Debug)]
pub(crate) struct Habits {
    /// Mean time from the end of a glide to the next, s; infinite for none.
    pub(crate) swim_s: f64,
    /// Shortest and longest glide, s.
    pub(crate) glide_s: (f64, f64),
    /// Mean time between bursts, s, and how much faster the tail beats then.
    pub(crate) burst_every_s: f64,
    pub(crate) burst_factor: (f64, f64),
    /// Mean time between turns, s.
    pub(crate) turn_every_s: f64,
    /// Mean time between held rolls, s; infinite for none. Held for these s.
    pub(crate) roll_every_s: f64,
    pub(crate) roll_s: (f64, f64),
    /// Depths kept, m; shallow and deep end of a yo-yo.
    pub(crate) band_m: (f64, f64),
    pub(crate) yoyo: bool,
    /// Time swimming and time resting on the bottom in turn, s.
    pub(crate) rest: Option<((f64, f64), (f64, f64))>,
    /// Slow wander of beat rate and amplitude, in logarithms, and of pitch and roll, rad.
    pub(crate) wander: [f64; 4],
    /// Gill movement while resting: amplitude in g and rate in Hz.
    pub(crate) gill: (f64, f64),
    /// Rests while the tidal current, -1 to 1, is stronger than this.
    pub(crate) tidal: Option<f64>,
}

/// What the animal is about, as the truth file has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mode {
    Cruise,
    Glide,
    Burst,
    Rest,
}

/// What the animal wants at this moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Intent {
    pub(crate) mode: Mode,
    pub(crate) beating: bool,
    /// Factors on beat rate and on displacement amplitude.
    pub(crate) rate: f64,
    pub(crate) amplitude: f64,
    pub(crate) pitch: f64,
    pub(crate) roll: f64,
    /// Rate of yaw to the left, rad/s.
    pub(crate) yaw_rate: f64,
    /// On the bottom and not moving.
    pub(crate) grounded: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Dive {
    Down,
    Up,
}

/// The course of one animal's behaviour.
#[derive(Clone, Debug)]
pub(crate) struct Behaviour {
    habits: Habits,
    mode: Mode,
    until_s: f64,
    next_burst_s: f64,
    next_turn_s: f64,
    turn: Option<(f64, f64)>,
    next_roll_s: f64,
    held: Option<(f64, f64)>,
    burst: (f64, f64),
    target_m: f64,
    next_target_s: f64,
    dive: Dive,
    dive_pitch: f64,
    rest_from_s: f64,
    rest_for_s: f64,
    going_down: bool,
    rest_posture: (f64, f64),
    wander: [Wander; 4],
}

/// The world as the animal meets it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    pub(crate) t_s: f64,
    pub(crate) depth_m: f64,
    pub(crate) bottom_m: f64,
    /// Restlessness as a part of the settled.
    pub(crate) unrest: f64,
    /// 0 by day to 1 by night.
    pub(crate) darkness: f64,
    /// Weakness of a dying animal, 0 to 1.
    pub(crate) weakness: f64,
    /// Tidal current, -1 to 1.
    pub(crate) current: f64,
    /// Keep the tail going (just before death, so that its time is sharp).
    pub(crate) no_glide: bool,
}

impl Behaviour {
    pub(crate) fn new(habits: Habits, start_s: f64, dt_s: f64, d: &mut Draws) -> Self {
        let w = habits.wander;
        let rest_from_s = match habits.rest {
            Some((swim, _)) => start_s + d.between(swim.0, swim.1),
            None => f64::INFINITY,
        };
        Self {
            mode: Mode::Cruise,
            until_s: start_s + d.wait(habits.swim_s).max(20.0),
            next_burst_s: start_s + d.wait(habits.burst_every_s),
            next_turn_s: start_s + d.wait(habits.turn_every_s),
            turn: None,
            next_roll_s: start_s + d.wait(habits.roll_every_s),
            held: None,
            burst: (1.0, 1.0),
            target_m: d.between(habits.band_m.0, habits.band_m.1),
            next_target_s: start_s,
            dive: Dive::Down,
            dive_pitch: -0.25,
            rest_from_s,
            rest_for_s: 0.0,
            going_down: false,
            rest_posture: (0.0, 0.0),
            wander: [
                Wander::new(w[0], 60.0, dt_s),
                Wander::new(w[1], 30.0, dt_s),
                Wander::new(w[2], 20.0, dt_s),
                Wander::new(w[3], 15.0, dt_s),
            ],
            habits,
        }
    }

    /// Gill amplitude in g and rate in Hz.
    pub(crate) fn gill(&self) -> (f64, f64) {
        self.habits.gill
    }

    pub(crate) fn step(&mut self, at: Setting, d: &mut Draws, slow: &mut Draws) -> Intent {
        let wander = [0, 1, 2, 3].map(|i| self.wander[i].step(slow));
        if self.mode == Mode::Rest {
            let turned = self.habits.tidal.is_some_and(|least| at.current.abs() < least);
            if at.t_s < self.until_s && !turned {
                return Intent {
                    mode: Mode::Rest,
                    beating: false,
                    rate: 1.0,
                    amplitude: 1.0,
                    pitch: self.rest_posture.0,
                    roll: self.rest_posture.1,
                    yaw_rate: 0.0,
                    grounded: true,
                };
            }
            self.mode = Mode::Cruise;
            self.until_s = at.t_s + d.wait(self.habits.swim_s).max(60.0);
            if let Some((swim, _)) = self.habits.rest {
                // More swimming by night.
                self.rest_from_s = at.t_s + d.between(swim.0, swim.1) * (0.6 + 0.8 * at.darkness);
            }
        }
        self.change_mode(at, d);
        self.change_turn(at, d);
        let pitch = self.pitch(at, d);

        let mut intent = Intent {
            mode: self.mode,
            beating: self.mode != Mode::Glide,
            rate: wander[0].exp(),
            amplitude: wander[1].exp(),
            pitch: pitch + wander[2] * at.unrest,
            roll: wander[3] * at.unrest,
            yaw_rate: 0.0,
            grounded: false,
        };
        if self.habits.yoyo && self.dive == Dive::Up {
            intent.amplitude *= 1.15;
        }
        if self.mode == Mode::Burst {
            intent.rate *= self.burst.0;
            intent.amplitude *= self.burst.1;
        }
        if let Some((rate, _)) = self.turn {
            intent.yaw_rate = rate;
        }
        if let Some((roll, _)) = self.held {
            intent.roll += roll;
        }
        if at.weakness > 0.0 {
            intent.rate *= 1.0 - 0.3 * at.weakness;
            intent.amplitude *= 1.0 - 0.45 * at.weakness;
            intent.roll += 0.5 * at.weakness * (at.t_s / 37.0).sin();
        }
        intent
    }

    fn change_mode(&mut self, at: Setting, d: &mut Draws) {
        let t = at.t_s;
        if t >= self.next_burst_s && self.mode == Mode::Cruise && !at.no_glide {
            let (lo, hi) = self.habits.burst_factor;
            self.mode = Mode::Burst;
            self.burst = (d.between(lo, hi), d.between(1.0, 1.35));
            self.until_s = t + d.between(2.0, 9.0);
            self.next_burst_s = self.until_s + d.wait(self.habits.burst_every_s / at.unrest);
        }
        if self.mode == Mode::Glide && at.no_glide {
            self.until_s = self.until_s.min(t);
        }
        if t < self.until_s {
            return;
        }
        match self.mode {
            Mode::Cruise if !at.no_glide && !self.going_down && self.may_glide() => {
                self.mode = Mode::Glide;
                let (lo, hi) = self.habits.glide_s;
                self.until_s = t + d.log_between(lo, hi);
            }
            _ => {
                self.mode = Mode::Cruise;
                let mean = self.habits.swim_s * (1.0 - 0.6 * at.weakness);
                self.until_s = t + if mean.is_finite() { d.wait(mean).max(12.0) } else { 600.0 };
            }
        }
    }

    fn may_glide(&self) -> bool {
        self.habits.swim_s.is_finite() && !(self.habits.yoyo && self.dive == Dive::Up)
    }

    fn change_turn(&mut self, at: Setting, d: &mut Draws) {
        let t = at.t_s;
        if self.turn.is_some_and(|(_, end)| t >= end) {
            self.turn = None;
        }
        if t >= self.next_turn_s && self.turn.is_none() {
            let through = d.between(0.4, 3.0);
            let rate = d.between(0.1, 0.7);
            self.turn = Some((rate * d.sign(), t + through / rate));
            self.next_turn_s = t + through / rate + d.wait(self.habits.turn_every_s / at.unrest);
        }
        if self.held.is_some_and(|(_, end)| t >= end) {
            self.held = None;
            self.next_roll_s = t + d.wait(self.habits.roll_every_s);
        }
        if t >= self.next_roll_s && self.held.is_none() {
            let (lo, hi) = self.habits.roll_s;
            // 30 to 60 deg to either side (Animal Biotelemetry 8:11, 2020).
            let roll = d.between(30.0, 60.0).to_radians() * d.sign();
            self.held = Some((roll, t + d.between(lo, hi)));
        }
    }

    fn pitch(&mut self, at: Setting, d: &mut Draws) -> f64 {
        let t = at.t_s;
        let flows = self.habits.tidal.is_none_or(|least| at.current.abs() > least);
        if t >= self.rest_from_s && flows && !self.going_down {
            self.going_down = true;
        }
        if self.going_down {
            if at.depth_m < at.bottom_m - 0.25 {
                return steer(at.depth_m, at.bottom_m + 4.0, 0.35);
            }
            self.going_down = false;
            if let Some((_, rest)) = self.habits.rest {
                self.mode = Mode::Rest;
                self.rest_for_s = d.log_between(rest.0, rest.1) * (1.2 - 0.4 * at.darkness);
                self.until_s = t + self.rest_for_s;
                self.rest_posture = (d.between(-0.05, 0.12), d.between(-0.15, 0.15));
                self.rest_from_s = f64::INFINITY;
                self.held = None;
                self.turn = None;
            }
            return 0.0;
        }
        let (shallow, deep) = self.habits.band_m;
        let deep = deep.min(at.bottom_m - 2.0);
        if self.habits.yoyo {
            match self.dive {
                Dive::Down if at.depth_m > deep => {
                    self.dive = Dive::Up;
                    self.dive_pitch = d.between(0.12, 0.32);
                    if self.mode == Mode::Glide {
                        self.until_s = t;
                    }
                }
                Dive::Up if at.depth_m < shallow => {
                    self.dive = Dive::Down;
                    self.dive_pitch = -d.between(0.16, 0.38);
                    // A dive starts with a glide, most often.
                    if d.chance(0.7) {
                        self.until_s = t;
                    }
                }
                _ => {}
            }
            return self.dive_pitch;
        }
        if t >= self.next_target_s {
            self.target_m = d.between(shallow, deep.max(shallow));
            self.next_target_s = t + d.between(300.0, 1500.0);
        }
        steer(at.depth_m, self.target_m, 0.2)
    }
}
