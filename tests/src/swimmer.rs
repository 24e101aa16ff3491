//! A swimming animal: bouts of whole cycles, glides, turns, bursts, held rolls,
//! yo-yo dives; its acceleration in body axes and the true time of each beat.

use crate::logger::{Unrest, Wander, between, draws, gravity, log_between, normal};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{PI, TAU};

/// How one animal swims.
#[derive(Clone, Debug)]
pub struct Gait {
    /// Beat frequency when cruising, Hz.
    pub beat_hz: f64,
    /// Sway amplitude (half the swing), g.
    pub sway_g: f64,
    /// Second and third harmonic of the sway, parts of its amplitude.
    pub harmonics: [f64; 2],
    /// Spread of the logarithm of frequency, and twice that of amplitude.
    pub wander: f64,
    /// Shortest and longest bout, s.
    pub swim_s: [f64; 2],
    /// Shortest and longest glide, s; `None` swims without a pause.
    pub glide_s: Option<[f64; 2]>,
    /// Turns, bursts and held rolls an hour.
    pub turns_per_h: f64,
    /// Bursts an hour.
    pub bursts_per_h: f64,
    /// Held rolls (30 to 60 degrees for 1 to 4 minutes) an hour.
    pub held_rolls_per_h: f64,
    /// Fastest beat of a burst, Hz.
    pub burst_max_hz: f64,
    /// Dives: middle depth and half height, m, and period, s.
    pub dive: [f64; 3],
}

impl Gait {
    /// Cruises at one rhythm without a pause, a turn or a harmonic.
    pub fn steady(beat_hz: f64, sway_g: f64) -> Self {
        Gait {
            beat_hz,
            sway_g,
            harmonics: [0.0; 2],
            wander: 0.0,
            swim_s: [1e9, 1e9],
            glide_s: None,
            turns_per_h: 0.0,
            bursts_per_h: 0.0,
            held_rolls_per_h: 0.0,
            burst_max_hz: beat_hz,
            dive: [20.0, 0.0, 600.0],
        }
    }

    /// An animal drawn from the ranges of a wild one: 0.25 to 3 Hz, 0.03 to
    /// 0.6 g, glides of 5 to 60 s.
    pub fn wild(seed: u64) -> Self {
        let rng = &mut draws(seed ^ 0x6a17);
        let beat_hz = log_between(rng, 0.25, 3.0);
        Gait {
            beat_hz,
            sway_g: log_between(rng, 0.03, 0.6),
            harmonics: [between(rng, 0.0, 0.2), between(rng, 0.0, 0.12)],
            wander: between(rng, 0.03, 0.1),
            swim_s: [15.0_f64.max(8.0 / beat_hz), 240.0],
            glide_s: Some([5.0, 60.0]),
            turns_per_h: 25.0,
            bursts_per_h: 8.0,
            held_rolls_per_h: 2.0,
            burst_max_hz: (2.0 * beat_hz).min(4.5),
            dive: [30.0, between(rng, 5.0, 25.0), between(rng, 200.0, 900.0)],
        }
    }
}

/// A smooth rise, a stay and a fall.
#[derive(Clone, Copy, Debug, Default)]
struct Bump {
    start_s: f64,
    length_s: f64,
    ramp_s: f64,
    height: f64,
    more: f64,
}

impl Bump {
    fn at(&self, t_s: f64) -> f64 {
        let since = t_s - self.start_s;
        if since < 0.0 || since > self.length_s {
            return 0.0;
        }
        let edge = (since.min(self.length_s - since) / self.ramp_s).clamp(0.0, 1.0);
        0.5 - 0.5 * (PI * edge).cos()
    }

    fn over(&self, t_s: f64) -> bool {
        t_s > self.start_s + self.length_s
    }
}

/// What the body does at one instant.
#[derive(Clone, Copy, Debug)]
pub struct Instant {
    /// Acceleration (specific force), body axes, g.
    pub body_g: [f64; 3],
    /// Depth, m.
    pub depth_m: f64,
    /// The beat whose extreme was passed since the step before: time and period, s.
    pub beat: Option<(f64, f64)>,
    /// Cycles done since the step before.
    pub cycles: f64,
    /// Between beats.
    pub gliding: bool,
}

/// The animal, stepped through time.
#[derive(Clone, Debug)]
pub struct Swimmer {
    gait: Gait,
    rng: ChaCha8Rng,
    dt_s: f64,
    t_s: f64,
    /// Cycles of this bout, and how many are done; `None` while gliding.
    bout: Option<(f64, f64)>,
    /// Where in the cycle the left extreme lies: a quarter or three quarters.
    left_at: f64,
    glide_left_s: f64,
    rest_s: Option<f64>,
    resting: bool,
    rate: Wander,
    strength: Wander,
    pitch: Unrest,
    roll: Unrest,
    turn: Bump,
    burst: Bump,
    held: Bump,
    lean: [f64; 3],
    gill_hz: f64,
    rest_depth_m: Option<f64>,
}

impl Swimmer {
    /// An animal at the start of a bout, stepped `sample_hz` times a second.
    pub fn new(gait: Gait, seed: u64, sample_hz: f64) -> Self {
        let mut rng = draws(seed ^ 0x0051_1115);
        let dt_s = 1.0 / sample_hz;
        let wander = gait.wander;
        let lean = std::array::from_fn(|_| between(&mut rng, 0.0, TAU));
        let mut swimmer = Swimmer {
            rate: Wander::new(&mut rng, wander, 60.0, dt_s),
            strength: Wander::new(&mut rng, 2.0 * wander, 40.0, dt_s),
            pitch: Unrest::new(&mut rng, if wander > 0.0 { 0.05 } else { 0.0 }, 8.0, dt_s),
            roll: Unrest::new(&mut rng, if wander > 0.0 { 0.07 } else { 0.0 }, 10.0, dt_s),
            gill_hz: between(&mut rng, 0.3, 0.8),
            gait,
            rng,
            dt_s,
            t_s: 0.0,
            bout: None,
            left_at: 0.25,
            glide_left_s: 0.0,
            rest_s: None,
            resting: false,
            turn: Bump::default(),
            burst: Bump::default(),
            held: Bump::default(),
            lean,
            rest_depth_m: None,
        };
        swimmer.start_bout();
        swimmer
    }

    /// From the end of this bout, lies still on the bottom for so long, s, with
    /// gill movements of a few mg.
    pub fn rest_next(&mut self, length_s: f64) {
        self.rest_s = Some(length_s);
    }

    fn start_bout(&mut self) {
        let [short, long] = self.gait.swim_s;
        let length_s = log_between(&mut self.rng, short, long);
        self.bout = Some((f64::max((length_s * self.gait.beat_hz).round(), 3.0), 0.0));
        // It starts to either side.
        self.left_at = if normal(&mut self.rng) > 0.0 { 0.25 } else { 0.75 };
        self.resting = false;
        self.rest_depth_m = None;
    }

    fn events(&mut self) {
        let (t, rng) = (self.t_s, &mut self.rng);
        let wait = |rng: &mut ChaCha8Rng, per_h: f64| {
            if per_h > 0.0 { -between(rng, 0.0, 1.0).max(1e-9).ln() * 3600.0 / per_h } else { 1e12 }
        };
        if self.turn.over(t) {
            // It turns by beating harder to one side, so a turn takes a few beats.
            let length_s =
                f64::max(between(rng, 3.0, 6.0), between(rng, 2.0, 5.0) / self.gait.beat_hz);
            let side = if normal(rng) > 0.0 { 1.0 } else { -1.0 };
            self.turn = Bump {
                start_s: t + wait(rng, self.gait.turns_per_h),
                length_s,
                ramp_s: 0.5 * length_s,
                height: side * between(rng, 0.3, 0.7),
                more: side * between(rng, 0.02, 0.15),
            };
        }
        if self.burst.over(t) {
            let faster = between(rng, 1.3, 2.0);
            self.burst = Bump {
                start_s: t + wait(rng, self.gait.bursts_per_h),
                length_s: between(rng, 4.0, 10.0),
                ramp_s: 1.0,
                height: faster.min((self.gait.burst_max_hz / self.gait.beat_hz).max(1.0)),
                more: between(rng, 1.3, 2.2),
            };
        }
        if self.held.over(t) {
            let side = if normal(rng) > 0.0 { 1.0 } else { -1.0 };
            self.held = Bump {
                start_s: t + wait(rng, self.gait.held_rolls_per_h),
                length_s: between(rng, 60.0, 240.0),
                ramp_s: 4.0,
                height: side * between(rng, 30.0, 60.0).to_radians(),
                more: 0.0,
            };
        }
    }

    /// One step with the animal's level of beat frequency and of sway scaled.
    pub fn step(&mut self, rate_factor: f64, sway_factor: f64) -> Instant {
        self.events();
        self.t_s += self.dt_s;
        let t = self.t_s;
        let burst = self.burst.at(t);
        let hz = self.gait.beat_hz
            * rate_factor
            * self.rate.step(&mut self.rng).exp()
            * (1.0 + burst * (self.burst.height - 1.0));
        let sway_g = self.gait.sway_g
            * sway_factor
            * self.strength.step(&mut self.rng).exp()
            * (1.0 + burst * (self.burst.more - 1.0));
        let mut beat = None;
        let mut cycles = 0.0;
        let mut tail = [0.0; 3];
        match self.bout {
            Some((whole, done)) => {
                let now = (done + hz * self.dt_s).min(whole);
                cycles = now - done;
                let next = (done - self.left_at).floor() + 1.0 + self.left_at;
                if now >= next && done < next {
                    beat = Some((t - (now - next) / hz, 1.0 / hz));
                }
                // A bout starts and ends with the tail straight, over half a cycle.
                let edge = (now.min(whole - now) / 0.5).clamp(0.0, 1.0);
                let shown = (0.5 - 0.5 * (PI * edge).cos()) * sway_g;
                let phase = TAU * (now - self.left_at);
                let [h2, h3] = self.gait.harmonics;
                let [l0, l1, l2] = self.lean;
                tail = [
                    shown * 0.2 * (2.0 * phase + l0).cos(),
                    shown
                        * (phase.cos()
                            + h2 * (2.0 * phase + l1).cos()
                            + h3 * (3.0 * phase + l2).cos()),
                    shown * 0.1 * (phase + l0).cos(),
                ];
                self.bout = Some((whole, now));
                if now >= whole {
                    self.bout = None;
                    self.glide_left_s = match (self.rest_s.take(), self.gait.glide_s) {
                        (Some(rest_s), _) => {
                            self.resting = true;
                            rest_s
                        }
                        (None, Some([short, long])) => log_between(&mut self.rng, short, long),
                        (None, None) => 0.0,
                    };
                }
            }
            None => {
                self.glide_left_s -= self.dt_s;
                if self.glide_left_s <= 0.0 {
                    self.start_bout();
                }
            }
        }
        let gliding = self.bout.is_none();
        let [middle_m, height_m, period_s] = self.gait.dive;
        let turn_of_dive = TAU * t / period_s;
        let mut depth_m = middle_m + height_m * turn_of_dive.sin();
        // Sinking (depth growing) goes with the head down, at about 1 m/s along the path.
        let sink = height_m * TAU / period_s * turn_of_dive.cos();
        let mut pitch = -sink.clamp(-0.7, 0.7).asin() * 0.7 + self.pitch.step(&mut self.rng);
        let mut roll = self.roll.step(&mut self.rng)
            + self.turn.at(t) * self.turn.height
            + self.held.at(t) * self.held.height;
        let mut side = self.turn.at(t) * self.turn.more;
        if gliding && self.resting {
            depth_m = *self.rest_depth_m.get_or_insert(middle_m + height_m);
            pitch = 0.03;
            roll = 0.02;
            side = 0.0;
            tail = [0.0, 0.0, 0.002 * (TAU * self.gill_hz * t).sin()];
        }
        let g = gravity(pitch, roll);
        Instant {
            body_g: [g[0] + tail[0], g[1] + tail[1] + side, g[2] + tail[2]],
            depth_m,
            beat,
            cycles,
            gliding,
        }
    }
}
