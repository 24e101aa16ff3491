//! Death, loss of the tag, being eaten: when its time has come.

use super::{Stage, World};
use crate::synth::adrift::{Adrift, Carrier, Surf};
use crate::synth::behaviour::Behaviour;
use crate::synth::carcass::{Carcass, Pull, Scavenger};
use crate::synth::floating::Loose;
use crate::synth::gait::Gait;
use crate::synth::leash::Leash;
use crate::synth::plan::{Fate, Way};
use crate::synth::truth::Happening;

impl World {
    /// Death, loss of the tag, being eaten: when its time has come.
    pub(super) fn turn_of_fate(&mut self, t_s: f64) {
        if !matches!(self.stage, Stage::Alive) {
            return;
        }
        match self.plan.fate {
            Fate::Dies { at_s, .. } if t_s >= at_s => {
                self.dying = true;
                if !self.gait.running() {
                    self.die(t_s);
                }
            }
            Fate::Floats { at_s } | Fate::Sinks { at_s } if t_s >= at_s => {
                self.close(t_s);
                self.happen(t_s, Happening::Detached, None);
                self.jolt = Some(Pull::draw(t_s, 1.5, 0.1, &mut self.d_tag));
                let loose = Box::new(Loose::new(self.plan.package, self.node_s, &mut self.d_tag));
                self.stage = match self.plan.fate {
                    Fate::Floats { .. } => Stage::Floating(loose, false),
                    _ => Stage::Sunk(loose, false),
                };
            }
            Fate::Dangles { at_s } if t_s >= at_s && self.leash.is_none() => {
                self.close(t_s);
                self.happen(t_s, Happening::Detached, None);
                self.jolt = Some(Pull::draw(t_s, 1.0, 0.1, &mut self.d_stray));
                let leash = Box::new(Leash::new(self.plan.package, self.node_s, &mut self.d_stray));
                if self.plan.extras.snag {
                    let bottom_m = self.plan.bottom_m + self.plan.tide.height(t_s);
                    self.stage = Stage::Snagged(leash, bottom_m - self.depth_m);
                } else {
                    self.leash = Some(leash);
                }
            }
            Fate::Eaten { at_s, ref by, lodged, warmer_c } if t_s >= at_s && !self.eaten => {
                let (swimmer, habits) = (**by).clone();
                self.eaten = true;
                self.close(t_s);
                self.happen(t_s, Happening::Death, None);
                self.jolt = Some(Pull::draw(t_s, 2.0, 0.7, &mut self.d_tag));
                self.behaviour = Behaviour::new(habits, t_s, self.node_s, &mut self.d_behaviour);
                self.gait = Gait::new(swimmer.clone(), true);
                self.swimmer = swimmer;
                self.lodged = lodged;
                self.warmer_c = warmer_c;
            }
            _ => {}
        }
    }

    pub(super) fn die(&mut self, t_s: f64) {
        self.close(t_s);
        self.happen(t_s, Happening::Death, None);
        let carcass = Carcass::new(self.plan.carcass, self.pitch.value, self.roll.value);
        let scavenger = match self.plan.fate {
            Fate::Dies { scavenged: true, .. } => {
                let d = &mut self.d_scavenger;
                let (from, lasts) = (t_s + d.between(1800.0, 9000.0), d.between(2.0, 8.0) * 3600.0);
                let every = d.between(400.0, 2400.0);
                Some(Box::new(Scavenger::new(from, lasts, every, d)))
            }
            _ => None,
        };
        let at = (self.pitch.value, self.roll.value);
        let d = &mut self.d_stray;
        self.stage = match self.plan.extras.way {
            Way::Sinks => {
                let every_s = self.plan.extras.carried_every_s;
                let carrier = every_s
                    .is_finite()
                    .then(|| Box::new(Carrier::new(t_s + 600.0, every_s, self.node_s, d)));
                Stage::Carcass(Box::new(carcass), scavenger, carrier)
            }
            Way::Drifts => Stage::Adrift(
                Box::new(Adrift::new(self.plan.bottom_m, at, self.node_s, d)),
                scavenger,
            ),
            Way::Surf => Stage::Surf(Box::new(Surf::new(
                self.plan.swell,
                t_s,
                self.depth_m,
                at,
                self.node_s,
                d,
            ))),
        };
    }
}
