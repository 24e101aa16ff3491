//! The animal alive, and the short motions of all stages.

use std::f64::consts::TAU;

use super::{Stage, World};
use crate::synth::behaviour::{Mode, Setting};
use crate::synth::gait::{Mark, Stroke};
use crate::synth::plan::Fate;
use crate::synth::posture::{Rotation, STANDARD_GRAVITY as G, Vec3, attitude};
use crate::synth::swell::Water;
use crate::synth::truth::Happening;

impl World {
    pub(super) fn alive(&mut self, t_s: f64, bottom_m: f64, water: &Water) -> Vec3 {
        let slow = self.slow;
        let levels = if self.eaten { [1.0; 3] } else { slow.levels };
        let day = slow.day;
        let (weakness, no_glide) = match self.plan.fate {
            Fate::Dies { at_s, fades_s, .. } => {
                (((t_s - at_s) / fades_s + 1.0).clamp(0.0, 1.0), t_s > at_s - 90.0)
            }
            _ => (0.0, false),
        };
        let setting = Setting {
            t_s,
            depth_m: self.depth_m,
            bottom_m,
            unrest: levels[2],
            darkness: slow.darkness,
            weakness,
            current: slow.current,
            no_glide,
        };
        let was = self.intent.mode;
        self.intent = self.behaviour.step(setting, &mut self.d_behaviour, &mut self.d_slow);
        if !self.dying && !self.eaten && weakness == 0.0 {
            let (intent, jolt, d) = (&mut self.intent, &mut self.jolt, &mut self.d_antics);
            self.antics.step(t_s, self.depth_m, bottom_m, intent, jolt, d);
        }
        let intent = self.intent;
        if intent.mode != was {
            self.note_mode(t_s, was);
        }

        let s = &self.swimmer;
        self.stroke = Stroke {
            beating: intent.beating && !self.dying,
            hz: (s.beat_hz * levels[0] * day * intent.rate).clamp(0.15, 5.0),
            amplitude: levels[1] * day * intent.amplitude,
        };
        let cruise = s.speed(s.beat_hz, 1.0);
        let (to, tau) = if intent.grounded {
            (0.0, 1.0)
        } else if self.gait.running() {
            // A burst speeds up quickly, but not as the beat alone would have it.
            (s.speed(self.stroke.hz, self.stroke.amplitude).min(2.5 * cruise), 4.0)
        } else if self.pitch.value < -0.1 {
            (0.8 * cruise, 8.0)
        } else {
            (0.4 * cruise, 8.0)
        };
        let faster = (to - self.speed) / tau;
        self.speed += faster * self.node_s;

        let yaw_rate = intent.yaw_rate + self.heading_wander.step(&mut self.d_slow);
        if !intent.grounded {
            self.heading += yaw_rate * self.node_s;
        }
        let sideways = if intent.grounded { 0.0 } else { self.speed * intent.yaw_rate };
        // It leans into the turn.
        let bank = -0.4 * intent.yaw_rate - sideways / G;
        let pitch = self.pitch.step(intent.pitch, 1.3, self.node_s);
        let roll = self.roll.step(intent.roll + bank, 1.3, self.node_s);

        let (sh, ch) = self.heading.sin_cos();
        let level = |v: [f64; 2]| [ch * v[0] + sh * v[1], ch * v[1] - sh * v[0]];
        if intent.grounded {
            self.depth_m += ((bottom_m - 0.15) - self.depth_m) * 0.1;
            self.read_depth_m = self.depth_m + water.pressure_m;
            self.gill.0 = self.behaviour.gill().0;
            // Swell leans on it, but it holds on.
            let flow = level(water.flow);
            let lean = [0.012 * flow[0], 0.025 * flow[1]];
            let body = attitude(roll + lean[1], pitch + lean[0], 0.0);
            if let Some(leash) = &mut self.leash {
                return leash.towed(flow[0].hypot(flow[1]), &mut self.d_stray);
            }
            return self.lodged.after(&body).apply([0.0, 0.0, G]);
        }
        self.gill.0 = 0.0;
        self.depth_m -= self.speed * pitch.sin() * self.node_s;
        self.depth_m = self.depth_m.clamp(0.4, bottom_m - 0.15);
        self.read_depth_m = self.depth_m;
        if self.antics.airborne() {
            // Free fall, but for the air.
            self.read_depth_m = 0.0;
            return self.worn(roll, pitch).apply([0.0, 0.0, 0.03 * G]);
        }
        if let Some(leash) = &mut self.leash {
            return leash.towed(self.speed, &mut self.d_stray);
        }
        // A body as heavy as the water goes with it.
        let carried = level([water.acceleration[0], water.acceleration[1]]);
        let felt = [carried[0] + faster, carried[1] + sideways, G + water.acceleration[2]];
        self.worn(roll, pitch).apply(felt)
    }

    /// From the level frame to the tag.
    fn worn(&self, roll: f64, pitch: f64) -> Rotation {
        let body = attitude(roll, pitch, 0.0);
        if self.eaten { self.lodged.after(&body) } else { body }
    }

    /// Opens and closes bursts, and turns a glide that ends on the bottom into a rest.
    fn note_mode(&mut self, t_s: f64, was: Mode) {
        if was == Mode::Burst
            && let Some(from) = self.burst_from.take()
        {
            self.happen(from, Happening::Burst, Some(t_s));
        }
        if self.intent.mode == Mode::Burst {
            self.burst_from = Some(t_s);
        }
        if self.intent.mode == Mode::Rest && !self.gait.running() {
            self.close(t_s);
            self.open = Some((Happening::Rest, t_s));
        }
    }

    /// One short step that ends at `t_s`: what is added to the force, m/s2, and a roll.
    pub(in crate::synth) fn short(&mut self, t_s: f64, step_s: f64) -> (Vec3, f64) {
        let mut extra = [0.0; 3];
        let mut recoil = 0.0;
        match &mut self.stage {
            Stage::Alive => {
                let (motion, mark) = self.gait.step(
                    self.stroke,
                    step_s,
                    self.plan.extras.pace.slow_every > 1,
                    &mut self.d_gait,
                );
                // Flesh around a swallowed tag moves less than a fin.
                let part = if self.eaten { 0.6 } else { 1.0 };
                recoil = part * motion.roll;
                extra = motion.acceleration.map(|a| part * a);
                if self.eaten {
                    extra = self.lodged.apply(extra);
                }
                let mark = match &self.leash {
                    Some(leash) => {
                        recoil = 0.0;
                        extra = extra.map(|a| leash.coupling * a);
                        // The tag is no longer on the animal.
                        None
                    }
                    None => mark,
                };
                match mark {
                    Some(Mark::Beat { ago_s }) => self.happen(t_s - ago_s, Happening::Beat, None),
                    Some(Mark::Stopped) if self.dying => self.die(t_s),
                    Some(Mark::Stopped) => {
                        let rests = self.intent.mode == Mode::Rest;
                        let what = if rests { Happening::Rest } else { Happening::Glide };
                        self.open = Some((what, t_s));
                    }
                    Some(Mark::Started) => {
                        if let Some((what, from)) = self.open.take() {
                            self.happen(from, what, Some(t_s));
                        }
                    }
                    None => {}
                }
                if !self.dying && !self.eaten && self.leash.is_none() {
                    let (sway, ended) = self.shakes.step(t_s);
                    extra[1] += sway;
                    if let Some((from, to)) = ended {
                        self.happen(from, Happening::HeadShake, Some(to));
                    }
                }
                if self.gill.0 > 0.0 && self.leash.is_none() {
                    self.gill.1 = (self.gill.1 + self.behaviour.gill().1 * step_s).fract();
                    let (s, c) = (TAU * self.gill.1).sin_cos();
                    let a = G * self.gill.0;
                    // A breath is a quick squeeze: the second harmonic shows.
                    extra[2] += a * (c + 0.4 * (c * c - s * s));
                    extra[0] += 0.5 * a * s;
                }
            }
            Stage::Adrift(_, Some(scavenger)) => {
                (extra, _) = scavenger.step(t_s, &mut self.d_scavenger);
            }
            Stage::Carcass(carcass, Some(scavenger), _) => {
                let (pull, ended) = scavenger.step(t_s, &mut self.d_scavenger);
                extra = pull;
                if ended {
                    carcass.moved(&mut self.d_scavenger);
                }
            }
            Stage::Snagged(leash, _) => extra[1] += leash.shed(step_s),
            _ => {}
        }
        if let (Some(leash), Stage::Alive) = (&mut self.leash, &self.stage) {
            extra[1] += leash.shed(step_s);
        }
        if let Some(jolt) = self.jolt {
            match jolt.at(t_s) {
                Some(a) => (0..3).for_each(|i| extra[i] += a[i]),
                None => self.jolt = None,
            }
        }
        (extra, recoil)
    }
}
