//! A carcass that does not lie on the bottom: adrift, in the surf, or carried off.
//!
//! Adrift it goes with the water around it and rocks about the apparent vertical. In
//! the surf each wave rolls it over the ground and breaks on it as a bore; at low
//! water it may lie dry. A scavenger that swims off with it moves it with its own beat.

use std::f64::consts::TAU;

use super::carcass::Pull;
use super::draws::{Draws, Wander};
use super::posture::{Follower, STANDARD_GRAVITY as G, Vec3, attitude};
use super::swell::{Sea, SeaState, Water};

/// A carcass adrift.
#[derive(Clone, Debug)]
pub(crate) struct Adrift {
    /// Depth it hangs at, m; 0.3 at the surface.
    hangs_m: f64,
    pitch: Follower,
    roll: Follower,
    lies: (f64, f64),
    wander: [Wander; 3],
    tilt: [(f64, f64); 2],
    period_s: f64,
    damping: f64,
    yaw: f64,
}

impl Adrift {
    pub(crate) fn new(bottom_m: f64, at: (f64, f64), dt_s: f64, d: &mut Draws) -> Self {
        let afloat = d.chance(0.5);
        Self {
            hangs_m: if afloat { 0.3 } else { d.between(0.1, 0.8) * bottom_m },
            pitch: Follower::at(at.0),
            roll: Follower::at(at.1),
            // On a side or belly up (memory), head up or down by some.
            lies: (d.between(-0.5, 0.5), d.sign() * d.between(1.2, 3.1)),
            wander: [
                Wander::new(0.12, 25.0, dt_s),
                Wander::new(0.15, 25.0, dt_s),
                Wander::new(0.04, 60.0, dt_s),
            ],
            tilt: [(0.0, 0.0); 2],
            period_s: d.between(2.0, 5.0),
            damping: d.between(0.3, 0.8),
            yaw: d.angle(),
        }
    }

    /// Specific force in the body frame, m/s2; moves the depth along.
    pub(crate) fn step(
        &mut self,
        depth_m: &mut f64,
        bottom_m: f64,
        water: &Water,
        dt_s: f64,
        d: &mut Draws,
    ) -> Vec3 {
        *depth_m += (self.hangs_m - *depth_m).clamp(-0.15, 0.15) * dt_s;
        *depth_m = depth_m.clamp(0.3, bottom_m - 0.1);
        let [a, b, spin] = [0, 1, 2].map(|i| self.wander[i].step(d));
        self.yaw += spin * dt_s;
        let pitch = self.pitch.step(self.lies.0 + a, 0.3, dt_s);
        let roll = self.roll.step(self.lies.1 + b, 0.3, dt_s);
        let felt = [water.acceleration[0], water.acceleration[1], G + water.acceleration[2]];
        let omega = TAU / self.period_s;
        for i in 0..2 {
            let (x, v) = self.tilt[i];
            let push = omega * omega * (felt[i] / felt[2] - x) - 2.0 * self.damping * omega * v;
            self.tilt[i].1 = v + push * dt_s;
            self.tilt[i].0 = (x + self.tilt[i].1 * dt_s).clamp(-1.0, 1.0);
        }
        let lean = attitude(-self.tilt[1].0, -self.tilt[0].0, 0.0);
        attitude(roll, pitch, self.yaw).after(&lean).apply(felt)
    }
}

/// A carcass in the surf.
#[derive(Clone, Debug)]
pub(crate) struct Surf {
    sea: Sea,
    shallows_m: f64,
    from: (f64, f64),
    wash_s: f64,
    pitch: Follower,
    roll: Follower,
    rolled: f64,
    heading: f64,
    rolls_m: f64,
    was_up: bool,
    bore_until_s: f64,
    next_hit_s: f64,
}

impl Surf {
    pub(crate) fn new(
        swell: SeaState,
        t_s: f64,
        depth_m: f64,
        at: (f64, f64),
        dt_s: f64,
        d: &mut Draws,
    ) -> Self {
        let shallows_m = d.between(0.8, 2.5);
        // A wave breaks at about 0.6 to 0.8 of the depth (common practice, no source).
        let sea = SeaState { height_m: swell.height_m.min(0.6 * shallows_m), ..swell };
        Self {
            sea: Sea::new(sea, shallows_m, dt_s, d),
            shallows_m,
            from: (t_s, depth_m),
            wash_s: d.log_between(600.0, 5400.0),
            pitch: Follower::at(at.0),
            roll: Follower::at(at.1),
            rolled: d.sign() * d.between(1.0, 3.0),
            heading: d.angle(),
            rolls_m: d.between(0.05, 0.6),
            was_up: false,
            bore_until_s: 0.0,
            next_hit_s: 0.0,
        }
    }

    /// Specific force in the body frame, m/s2; moves the depth along; may add a blow.
    pub(crate) fn step(
        &mut self,
        t_s: f64,
        depth_m: &mut f64,
        tide_m: f64,
        jolt: &mut Option<Pull>,
        dt_s: f64,
        d: &mut Draws,
    ) -> Vec3 {
        let there = ((t_s - self.from.0) / self.wash_s).clamp(0.0, 1.0);
        let shallow = (self.shallows_m + tide_m).max(0.0);
        *depth_m = self.from.1 + there * (shallow - self.from.1);
        let wet = *depth_m > 0.25;
        let water = self.sea.step((self.shallows_m - 0.1).max(0.1));
        let (s, c) = self.heading.sin_cos();
        let turned = |v: &[f64]| [c * v[0] + s * v[1], c * v[1] - s * v[0]];
        let flow = turned(&water.flow);
        let push = turned(&water.acceleration[..2]);
        if there > 0.8 && wet {
            // It rolls over the ground with the flow once that is strong enough.
            if flow[1].abs() > 0.35 {
                self.rolled += self.rolls_m * flow[1] * dt_s;
            }
            let up = water.surface_m > 0.0;
            if up && !self.was_up && d.chance(0.8) {
                self.bore_until_s = t_s + d.between(0.8, 3.0);
                self.rolled += 0.25 * d.normal();
                self.heading += 0.1 * d.normal();
            }
            self.was_up = up;
            if t_s < self.bore_until_s && t_s >= self.next_hit_s {
                *jolt = Some(Pull::draw(t_s, d.log_between(0.05, 0.7), d.between(0.15, 0.5), d));
                self.next_hit_s = t_s + 0.15 + d.wait(0.3);
            }
        }
        let tilt = if wet { 0.08 * flow[0] } else { 0.0 };
        let pitch = self.pitch.step(0.1 + tilt, 1.2, dt_s);
        let roll = self.roll.step(self.rolled, 1.5, dt_s);
        let part = if wet { 0.4 } else { 0.0 };
        attitude(roll, pitch, 0.0).apply([part * push[0], part * push[1], G])
    }
}

/// A scavenger that swims off with the carcass, now and then.
#[derive(Clone, Debug)]
pub(crate) struct Carrier {
    every_s: f64,
    next_s: f64,
    until_s: f64,
    beat_hz: f64,
    sway_g: f64,
    phase: f64,
    rise_m_s: f64,
    wander: [Wander; 2],
    surge: Wander,
}

impl Carrier {
    pub(crate) fn new(from_s: f64, every_s: f64, dt_s: f64, d: &mut Draws) -> Self {
        Self {
            every_s,
            next_s: from_s + d.wait(every_s),
            until_s: 0.0,
            beat_hz: d.log_between(0.3, 1.2),
            sway_g: d.log_between(0.02, 0.15),
            phase: d.angle(),
            rise_m_s: 0.0,
            wander: [Wander::new(0.5, 4.0, dt_s), Wander::new(0.9, 6.0, dt_s)],
            surge: Wander::new(0.08 * G, 0.5, dt_s),
        }
    }

    /// Whether it carries at `t_s`.
    pub(crate) fn carries(&self, t_s: f64) -> bool {
        t_s - 0.1 < self.until_s
    }

    /// While it carries: pitch and roll off the posture, force, and the change of depth.
    pub(crate) fn step(
        &mut self,
        t_s: f64,
        dt_s: f64,
        d: &mut Draws,
    ) -> Option<((f64, f64), Vec3, f64)> {
        if t_s >= self.next_s {
            self.until_s = t_s + d.log_between(60.0, 1500.0);
            self.next_s = self.until_s + d.wait(self.every_s);
            self.rise_m_s = d.between(0.02, 0.15);
        }
        if t_s >= self.until_s {
            return None;
        }
        if d.chance(dt_s / 60.0) {
            self.rise_m_s = d.between(-0.1, 0.1);
        }
        self.phase += TAU * self.beat_hz * dt_s;
        let sway = self.sway_g * G * self.phase.sin();
        let jerk = self.surge.step(d);
        let turned = [0, 1].map(|i| self.wander[i].step(d));
        Some(((turned[0], turned[1]), [jerk, sway, 0.5 * jerk], -self.rise_m_s * dt_s))
    }
}
