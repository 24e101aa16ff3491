//! The wet contact: what it reads in air, in water, and between.

use crate::synth::draws::Draws;

/// How often a bubble makes the contact in water read dry.
const BUBBLE_CHANCE: f64 = 0.002;

/// A pair of contacts that water joins.
#[derive(Clone, Debug)]
pub(super) struct Wet {
    /// How long a drop clings after water, s.
    clings_s: f64,
    wet_until_s: f64,
}

impl Wet {
    pub(super) fn new(d: &mut Draws) -> Self {
        Self { clings_s: d.log_between(1.0, 60.0), wet_until_s: f64::NEG_INFINITY }
    }

    /// Water came over it at `t_s`.
    pub(super) fn splash(&mut self, splashed: bool, t_s: f64) {
        if splashed {
            self.wet_until_s = self.wet_until_s.max(t_s + self.clings_s);
        }
    }

    /// What it reads at `t_s`, s.
    pub(super) fn read(&mut self, in_water: bool, t_s: f64, d: &mut Draws) -> bool {
        if in_water {
            self.wet_until_s = t_s + self.clings_s * d.between(0.1, 1.0);
            return !d.chance(BUBBLE_CHANCE);
        }
        t_s < self.wet_until_s
    }
}
