//! How a package moves in a scene: the specific force on it, from causes.
//!
//! What lies in a boat tilts as a damped oscillator driven by noise; what hangs from a hook is
//! a pendulum, and feels force along its line alone; what falls feels none until it lands; what
//! is in the sea feels the water of the linear wave theory of [`Sea`].

use std::f64::consts::{PI, TAU};

use super::pendulum::Pendulum;
use super::scene::{Carrier, Place, Rhythm, Scene};
use crate::synth::draws::{Draws, Wander};
use crate::synth::floating::Loose;
use crate::synth::mounting::about;
use crate::synth::plan::Plan;
use crate::synth::posture::{Rotation, STANDARD_GRAVITY as G, Vec3, attitude};
use crate::synth::swell::Sea;

/// A damped oscillator driven by white noise.
#[derive(Clone, Debug)]
struct Rock {
    omega: f64,
    kick: f64,
    at: f64,
    speed: f64,
}

/// Damping ratio of what rocks: a rhythm that comes and goes within some periods.
const ROCK_DAMPING: f64 = 0.12;

impl Rock {
    /// Standard deviation `r.size` about the frequency `r.hz`.
    fn new(r: Rhythm, dt_s: f64, d: &mut Draws) -> Self {
        let omega = TAU * r.hz;
        // Stationary variance of x'' + 2 z w x' + w^2 x = s n(t) is s^2 / (4 z w^3).
        let kick = r.size * (4.0 * ROCK_DAMPING * omega.powi(3) * dt_s).sqrt();
        Self { omega, kick, at: r.size * d.normal(), speed: omega * r.size * d.normal() }
    }

    fn step(&mut self, dt_s: f64, d: &mut Draws) -> f64 {
        if self.kick == 0.0 {
            return 0.0;
        }
        let a = -self.omega * self.omega * self.at - 2.0 * ROCK_DAMPING * self.omega * self.speed;
        self.speed += a * dt_s + self.kick * d.normal();
        self.at += self.speed * dt_s;
        self.at
    }
}

/// A turn under way.
#[derive(Clone, Copy, Debug)]
struct Turning {
    axis: Vec3,
    angle: f64,
    from_s: f64,
    lasts_s: f64,
}

impl Turning {
    /// Where it has got to: it starts and ends at rest (least jerk).
    fn at(&self, t_s: f64) -> Rotation {
        let x = ((t_s - self.from_s) / self.lasts_s).clamp(0.0, 1.0);
        let part = x * x * x * (10.0 + x * (6.0 * x - 15.0));
        about(self.axis, self.angle * part)
    }
}

/// A blow as half a sine.
#[derive(Clone, Copy, Debug)]
struct Blow {
    along: Vec3,
    peak: f64,
    from_s: f64,
    lasts_s: f64,
}

/// A burst of the animal's tail.
#[derive(Clone, Copy, Debug)]
struct Burst {
    from_s: f64,
    until_s: f64,
    hz: f64,
    swing: f64,
    phase: f64,
}

/// What moves in one scene.
pub(super) struct Motion {
    scene: Scene,
    dt_s: f64,
    end_s: f64,
    held: Rotation,
    turning: Option<Turning>,
    tilt: [Rock; 2],
    bounce: Rock,
    travel: [Wander; 2],
    unsteady: [Wander; 3],
    step_phase: f64,
    going: bool,
    change_s: f64,
    blow: Option<Blow>,
    falls_until_s: f64,
    burst: Option<Burst>,
    burst_due_s: f64,
    quiet: bool,
    hook: Pendulum,
    sea: Option<(Sea, Sea)>,
    swing_part: f64,
    loose: Option<Loose>,
    pub(super) below_m: f64,
    hills: Wander,
    beat_hz: f64,
    pub(super) splashed: bool,
}

impl Motion {
    /// The scene from `from_s`, for a package that was `held` so and `below_m` deep.
    pub(super) fn new(
        scene: Scene,
        plan: &Plan,
        (from_s, below_m, held): (f64, f64, Rotation),
        d: &mut Draws,
    ) -> Self {
        let dt_s = plan.extras.pace.step_s;
        let sea = matches!(scene.place, Place::Sea { .. }).then(|| {
            let mut of = |state| Sea::new(state, plan.bottom_m, dt_s, d);
            (of(plan.swell), of(plan.wind_sea))
        });
        let (curve, slow_s) = scene.travel;
        let hills_m = match scene.place {
            Place::Air { hills_m } => hills_m,
            _ => 0.0,
        };
        // In another place it lies another way; on its animal it sits as it is mounted.
        let (held, target) = match scene.carrier {
            Carrier::Animal => (held, posture(d)),
            _ => (held, posture(d).after(&about(d.direction(), d.between(0.0, PI)))),
        };
        let first =
            turn_between(&held, &target, from_s, d.between(0.4, 3.0).min(0.5 * scene.lasts_s));
        Self {
            dt_s,
            end_s: from_s + scene.lasts_s,
            held,
            turning: Some(first),
            tilt: scene.tilt.map(|t| Rock::new(t, dt_s, d)),
            bounce: Rock::new(scene.bounce, dt_s, d),
            travel: [0, 1].map(|_| Wander::new(curve, slow_s, dt_s)),
            unsteady: [0, 1, 2].map(|_| Wander::new(scene.unsteady_g, 0.15, dt_s)),
            step_phase: d.angle(),
            going: true,
            change_s: scene.stops_s.map_or(f64::INFINITY, |s| from_s + d.wait(s.0)),
            blow: None,
            falls_until_s: f64::NEG_INFINITY,
            burst: None,
            burst_due_s: from_s + d.wait(scene.bursts.every_s.min(1e9)),
            quiet: d.chance(0.2),
            hook: Pendulum::draw(d),
            sea,
            swing_part: d.between(0.0, 0.4),
            loose: (scene.carrier == Carrier::Float).then(|| Loose::new(plan.package, dt_s, d)),
            below_m,
            hills: Wander::new(hills_m, 150.0, dt_s),
            beat_hz: plan.swimmer.beat_hz,
            splashed: false,
            scene,
        }
    }

    /// How it is held at `t_s`.
    pub(super) fn held(&self, t_s: f64) -> Rotation {
        self.turning.map_or(self.held, |turn| turn.at(t_s).after(&self.held))
    }

    /// What height does to the reading of pressure, m.
    pub(super) fn hills_m(&mut self, d: &mut Draws) -> f64 {
        self.hills.step(d)
    }

    fn due(&self, every_s: f64, d: &mut Draws) -> bool {
        every_s.is_finite() && d.chance((self.dt_s / every_s).min(1.0))
    }

    /// One step to `t_s`: the specific force in the package's frame, m/s2.
    pub(super) fn step(&mut self, t_s: f64, d: &mut Draws) -> Vec3 {
        self.chances(t_s, d);
        let (water, in_sea) = self.water(d);
        if let Some(loose) = &mut self.loose {
            let rising = matches!(self.scene.place, Place::Rising { .. });
            return loose.afloat(&water, rising, self.dt_s, d);
        }
        let mut a = self.pushes(d);
        if in_sea {
            (0..3).for_each(|i| a[i] += water.acceleration[i]);
        }
        let (roll, pitch) = (self.tilt[0].step(self.dt_s, d), self.tilt[1].step(self.dt_s, d));
        let held = self.held(t_s);
        if t_s < self.falls_until_s {
            return [0.0; 3];
        }
        let mut f = if self.scene.carrier == Carrier::Hook {
            // The hook moves with the boat that rolls under it.
            let pull = self.hook.step([a[0] + G * pitch, a[1] + G * roll, a[2]], self.dt_s);
            held.apply([0.0, 0.0, pull])
        } else {
            a[2] += G;
            held.after(&attitude(roll, pitch, 0.0)).apply(a)
        };
        if let Some(blow) = self.blow {
            let x = (t_s - blow.from_s) / blow.lasts_s;
            if x >= 1.0 {
                self.blow = None;
            } else if x > 0.0 {
                let push = G * blow.peak * (PI * x).sin();
                (0..3).for_each(|i| f[i] += push * blow.along[i]);
            }
        }
        self.tail(t_s, &mut f, d);
        f
    }

    /// Draws what begins in this step.
    fn chances(&mut self, t_s: f64, d: &mut Draws) {
        if let (true, Some((goes_s, stops_s))) = (t_s >= self.change_s, self.scene.stops_s) {
            self.going = !self.going;
            self.change_s = t_s + d.wait(if self.going { goes_s } else { stops_s });
        }
        let turning = self.turning.is_some_and(|turn| t_s < turn.from_s + turn.lasts_s);
        if !turning {
            if self.turning.is_some() {
                self.held = self.held(t_s);
                self.turning = None;
            }
            if self.due(self.scene.turns.every_s, d) && t_s + 3.0 < self.end_s {
                self.turn(t_s, d);
            }
        }
        if self.blow.is_none() && self.due(self.scene.knocks.every_s, d) {
            let peak = self.scene.knocks.size * d.log_between(0.3, 1.5);
            let lasts_s = d.log_between(0.02, 0.25);
            self.blow = Some(Blow { along: d.direction(), peak, from_s: t_s, lasts_s });
        }
        if self.due(self.scene.drops.every_s, d) && t_s + 1.0 < self.end_s {
            // A fall of 0.3 to 1.2 m lasts sqrt(2 h / g).
            self.falls_until_s = t_s + (2.0 * d.between(0.3, 1.2) / G).sqrt();
            self.blow = Some(Blow {
                along: d.direction(),
                peak: self.scene.drops.size,
                from_s: self.falls_until_s,
                lasts_s: d.between(0.015, 0.06),
            });
        }
        self.splashed = self.due(self.scene.splash_s, d);
    }

    /// Begins a turn: on the animal the animal turns, by itself or in hands.
    fn turn(&mut self, t_s: f64, d: &mut Draws) {
        let lasts_s = d.log_between(0.3, 3.0);
        self.turning = Some(if self.scene.carrier == Carrier::Animal {
            turn_between(&self.held, &posture(d), t_s, lasts_s)
        } else {
            let angle = self.scene.turns.size * d.between(0.15, 1.0);
            Turning { axis: d.direction(), angle, from_s: t_s, lasts_s }
        });
    }

    /// The water about it, and whether it is in it.
    fn water(&mut self, d: &mut Draws) -> (crate::synth::swell::Water, bool) {
        let mut water = crate::synth::swell::Water::default();
        match self.scene.place {
            Place::Air { .. } => self.below_m = 0.0,
            Place::Held { below_m } => {
                // Little waves, and the line or the hand that holds it.
                let wave = 0.05 * self.unsteady[0].step(d).clamp(-0.5, 0.5);
                let goal = (below_m + wave).max(0.0);
                self.below_m += (goal - self.below_m) * (self.dt_s / 0.7).min(1.0);
            }
            Place::Rising { speed_m_s } => {
                self.below_m = (self.below_m - speed_m_s * self.dt_s).max(0.0);
            }
            Place::Sea { below_m } => {
                if let Some((swell, wind)) = &mut self.sea {
                    water = swell.step(self.below_m);
                    let more = wind.step(self.below_m);
                    for i in 0..3 {
                        water.acceleration[i] += more.acceleration[i];
                    }
                    // It goes with the surface but for a part: a rope, a hand, the boat's side.
                    let short = self.swing_part * (water.surface_m + more.surface_m);
                    let afloat = self.scene.carrier == Carrier::Float;
                    let goal = if afloat { below_m } else { (below_m + short).clamp(0.0, 1.2) };
                    self.below_m += (goal - self.below_m) * (self.dt_s / 0.5).min(1.0);
                }
                return (water, true);
            }
        }
        (water, false)
    }

    /// Accelerations by the boat, the road, steps and hands, m/s2, in the level frame.
    fn pushes(&mut self, d: &mut Draws) -> Vec3 {
        let s = &self.scene;
        let going = if self.going { 1.0 } else { 0.0 };
        let mut a = [0.0; 3];
        a[2] += self.bounce.step(self.dt_s, d) * if s.stops_s.is_some() { going } else { 1.0 };
        a[0] += going * self.travel[0].step(d);
        a[1] += going * self.travel[1].step(d);
        if s.rumble_g > 0.0 {
            // An idle engine still shakes.
            let size = s.rumble_g * (0.25 + 0.75 * going);
            a.iter_mut().for_each(|x| *x += size * d.normal());
        }
        if s.steps.size > 0.0 {
            self.step_phase += TAU * s.steps.hz * self.dt_s * (1.0 + 0.3 * d.normal());
            let (p, size) = (self.step_phase, going * s.steps.size);
            a[2] += size * (p.cos() + 0.35 * (2.0 * p).cos());
            a[1] += 0.3 * size * (0.5 * p).cos();
            a[0] += 0.4 * size * (p + 1.0).sin();
        }
        if s.unsteady_g > 0.0 {
            let calm = if self.quiet && s.carrier == Carrier::Animal { 0.2 } else { 1.0 };
            for (x, w) in a.iter_mut().zip(&mut self.unsteady) {
                *x += calm * w.step(d);
            }
        }
        a.map(|x| G * x)
    }

    /// Bursts of the tail, in the animal's frame.
    fn tail(&mut self, t_s: f64, f: &mut Vec3, d: &mut Draws) {
        if self.scene.carrier != Carrier::Animal {
            return;
        }
        if self.burst.is_none() && t_s >= self.burst_due_s {
            self.burst = Some(Burst {
                from_s: t_s,
                until_s: t_s + d.log_between(0.8, 12.0),
                hz: self.beat_hz * d.log_between(0.8, 3.0),
                swing: self.scene.bursts.size * d.log_between(0.3, 1.3),
                phase: 0.0,
            });
        }
        let Some(b) = &mut self.burst else { return };
        if t_s >= b.until_s {
            self.burst = None;
            let spell = if d.chance(0.15) { 4.0 } else { 1.0 };
            self.burst_due_s = t_s + spell * d.wait(self.scene.bursts.every_s);
            return;
        }
        b.phase += TAU * b.hz * self.dt_s * (1.0 + 0.4 * d.normal());
        let x = (t_s - b.from_s) / (b.until_s - b.from_s);
        let size = b.swing * (PI * x).sin().powf(0.4);
        // The body bends both ways, jerks ahead twice a cycle, and rolls with the tail.
        f[1] += G * size * (b.phase.sin() + 0.25 * (3.0 * b.phase).sin());
        f[0] += 0.3 * G * size * (2.0 * b.phase).sin();
        f[2] += 0.3 * G * size * (2.0 * b.phase + 0.7).cos();
    }
}

/// How an animal lies in hands: upright, on a side, or on its back.
fn posture(d: &mut Draws) -> Rotation {
    let side = d.sign();
    let roll = match d.below(10) {
        0..=4 => d.between(-20.0, 20.0),
        5..=7 => side * d.between(50.0, 110.0),
        _ => side * d.between(150.0, 180.0),
    };
    attitude(roll.to_radians(), d.between(-20.0, 20.0_f64).to_radians(), d.angle())
}

/// The turn from one way of being held to another.
fn turn_between(from: &Rotation, to: &Rotation, from_s: f64, lasts_s: f64) -> Turning {
    let turn = to.after(&from.transposed());
    let m = &turn.0;
    let angle = (0.5 * (m[0][0] + m[1][1] + m[2][2] - 1.0)).clamp(-1.0, 1.0).acos();
    let v = [m[2][1] - m[1][2], m[0][2] - m[2][0], m[1][0] - m[0][1]];
    let n = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
    let axis = if n > 1e-9 { v.map(|x| x / n) } else { [1.0, 0.0, 0.0] };
    Turning { axis, angle, from_s, lasts_s: lasts_s.max(0.05) }
}
