//! A dead animal: it sinks, lies on the bottom, is rocked by swell, turned by the
//! tide, and pulled about by a scavenger.
//!
//! Rocking is a damped body about its long axis, driven across by the flow at
//! the bottom: part by drag (`u |u|`, which brings odd harmonics of the swell), part by
//! inertia (`du/dt`).

use super::draws::Draws;
use super::posture::{Follower, STANDARD_GRAVITY, Vec3};
use super::swell::Water;

/// How one carcass lies and moves.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CarcassKind {
    /// Posture it comes to, rad.
    pub(crate) pitch: f64,
    pub(crate) roll: f64,
    pub(crate) heading: f64,
    /// Sinking speed, m/s.
    pub(crate) sink_m_s: f64,
    /// Roll in rad for a steady cross flow of 1 m/s, and for 1 m/s2.
    pub(crate) drag_roll: f64,
    pub(crate) inertia_roll: f64,
    /// Natural period of the rocking, s, and its damping ratio.
    pub(crate) period_s: f64,
    pub(crate) damping: f64,
    /// How far the tide turns it over, rad.
    pub(crate) tide_roll: f64,
}

impl CarcassKind {
    pub(crate) fn draw(d: &mut Draws) -> Self {
        Self {
            pitch: d.between(-0.25, 0.25),
            // On a side, or belly up.
            roll: d.sign() * d.between(1.0, 3.0),
            heading: d.angle(),
            sink_m_s: d.between(0.12, 0.4),
            drag_roll: d.log_between(0.15, 1.0),
            inertia_roll: d.log_between(0.1, 0.5),
            period_s: d.between(2.5, 6.0),
            damping: d.between(0.5, 1.2),
            tide_roll: d.between(0.0, 0.15),
        }
    }
}

/// The carcass in motion.
#[derive(Clone, Debug)]
pub(crate) struct Carcass {
    kind: CarcassKind,
    pitch: Follower,
    roll: Follower,
    rock: (f64, f64),
    nod: (f64, f64),
    before: [f64; 2],
    shift: [f64; 2],
}

impl Carcass {
    pub(crate) fn new(kind: CarcassKind, pitch: f64, roll: f64) -> Self {
        Self {
            kind,
            pitch: Follower::at(pitch),
            roll: Follower::at(roll),
            rock: (0.0, 0.0),
            nod: (0.0, 0.0),
            before: [0.0; 2],
            shift: [0.0; 2],
        }
    }

    /// A pull that leaves it lying a little differently.
    pub(crate) fn moved(&mut self, d: &mut Draws) {
        self.shift[0] = (self.shift[0] + 0.06 * d.normal()).clamp(-0.3, 0.3);
        self.shift[1] += 0.12 * d.normal();
    }

    /// Let go by one that carried it off: it lies anew.
    pub(crate) fn dropped(&mut self, d: &mut Draws) {
        self.kind.roll = d.sign() * d.between(1.0, 3.0);
        self.kind.pitch = d.between(-0.25, 0.25);
        self.kind.heading = d.angle();
        self.shift = [0.0; 2];
    }

    /// Pitch and roll after a step; `grounded` once on the bottom.
    pub(crate) fn step(
        &mut self,
        water: &Water,
        current: f64,
        grounded: bool,
        dt_s: f64,
    ) -> (f64, f64) {
        let k = &self.kind;
        let slow = if grounded { 0.5 } else { 0.15 };
        let tide = if grounded { k.tide_roll * current } else { 0.0 };
        let pitch = self.pitch.step(k.pitch + self.shift[0], slow, dt_s);
        let roll = self.roll.step(k.roll + self.shift[1] + tide, slow, dt_s);
        if !grounded {
            return (pitch, roll);
        }
        let (s, c) = k.heading.sin_cos();
        let along = c * water.flow[0] + s * water.flow[1];
        let across = c * water.flow[1] - s * water.flow[0];
        let omega = std::f64::consts::TAU / k.period_s;
        let push = |u: f64, was: f64| k.drag_roll * u * u.abs() + k.inertia_roll * (u - was) / dt_s;
        let sway = push(across, self.before[1]);
        let surge = 0.35 * push(along, self.before[0]);
        self.before = [along, across];
        for (body, force) in [(&mut self.rock, sway), (&mut self.nod, surge)] {
            let a = omega * omega * (force - body.0) - 2.0 * k.damping * omega * body.1;
            body.1 += a * dt_s;
            body.0 += body.1 * dt_s;
        }
        // It cannot rock through the bottom.
        let soft = |x: f64| 0.35 * (x / 0.35).tanh();
        (pitch + soft(self.nod.0), roll + soft(self.rock.0))
    }
}

/// A scavenger: bouts of short, irregular, strong pulls.
#[derive(Clone, Debug)]
pub(crate) struct Scavenger {
    /// Mean time between bouts, s, and when it has had enough.
    every_s: f64,
    until_s: f64,
    bout: (f64, f64),
    next_s: f64,
    pull: Option<Pull>,
}

/// A half-sine pulse of acceleration.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pull {
    pub(crate) start_s: f64,
    pub(crate) length_s: f64,
    pub(crate) size: Vec3,
}

impl Pull {
    pub(crate) fn draw(t_s: f64, size_g: f64, length_s: f64, d: &mut Draws) -> Self {
        let u = d.direction();
        Self { start_s: t_s, length_s, size: u.map(|x| x * size_g * STANDARD_GRAVITY) }
    }

    pub(crate) fn at(&self, t_s: f64) -> Option<Vec3> {
        let x = (t_s - self.start_s) / self.length_s;
        // Out and back, so that no net speed is left.
        (x < 1.0).then(|| self.size.map(|a| a * (std::f64::consts::TAU * x.max(0.0)).sin()))
    }
}

impl Scavenger {
    pub(crate) fn new(from_s: f64, lasts_s: f64, every_s: f64, d: &mut Draws) -> Self {
        let first = from_s + d.wait(every_s);
        Self {
            every_s,
            until_s: from_s + lasts_s,
            bout: (first, first + d.log_between(8.0, 120.0)),
            next_s: first,
            pull: None,
        }
    }

    /// The pull on the carcass, m/s2, and whether a bout has just ended.
    pub(crate) fn step(&mut self, t_s: f64, d: &mut Draws) -> (Vec3, bool) {
        let mut ended = false;
        if t_s >= self.next_s && t_s < self.until_s {
            if t_s >= self.bout.1 {
                let start = t_s + d.wait(self.every_s);
                self.bout = (start, start + d.log_between(8.0, 120.0));
                self.next_s = start;
                ended = true;
            } else {
                self.pull =
                    Some(Pull::draw(t_s, d.log_between(0.08, 1.2), d.between(0.12, 0.6), d));
                self.next_s = t_s + 0.15 + d.wait(1.1);
            }
        }
        let force = self.pull.and_then(|p| p.at(t_s));
        if force.is_none() {
            self.pull = None;
        }
        (force.unwrap_or([0.0; 3]), ended)
    }
}
