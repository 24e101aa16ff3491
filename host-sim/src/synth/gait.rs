//! Kinematics of the tail beat, seen at the dorsal fin.
//!
//! The body wave moves the dorsal fin sideways by
//! `y = a (cos p + h2 cos(2 p + e2) + h3 cos(3 p + e3))` with phase `p` growing at
//! `2 pi f`. The sideways acceleration is its second derivative with `a` and `f`
//! taken as slow (quasi-steady). The body also rolls a little with each beat, so
//! that gravity leaks into the sway axis, and surges and heaves at twice the beat
//! because each half stroke pushes forward and lifts alike. A beat stops and starts
//! as the tail crosses the midline, where the acceleration is near zero.

use std::f64::consts::{PI, TAU};

use super::draws::Draws;
use super::posture::Vec3;

/// Constants of one animal's swimming. Shape figures are invented within what is
/// seen in fish (memory); the Strouhal number is 0.2 to 0.4 (Taylor, Nudds &
/// Thomas 2003, Nature 425:707).
#[derive(Clone, Debug)]
pub(crate) struct Swimmer {
    /// Total length, m.
    pub(crate) length_m: f64,
    /// Settled beat frequency, Hz.
    pub(crate) beat_hz: f64,
    /// Settled displacement amplitude at the dorsal fin, m.
    pub(crate) fin_amplitude_m: f64,
    /// Second and third harmonic of the displacement, as parts of the first.
    pub(crate) harmonic: [f64; 2],
    /// Phase of these, rad.
    pub(crate) harmonic_phase: [f64; 2],
    /// Roll amplitude at the settled beat, rad.
    pub(crate) recoil_roll: f64,
    /// Phase of the roll against the sideways acceleration, rad.
    pub(crate) recoil_lag: f64,
    /// Surge and heave at twice the beat, as parts of the sway acceleration.
    pub(crate) surge: f64,
    pub(crate) heave: f64,
    pub(crate) surge_lag: f64,
    pub(crate) heave_lag: f64,
    /// Strouhal number while cruising.
    pub(crate) strouhal: f64,
    /// Scatter of frequency and of amplitude from beat to beat, as parts.
    pub(crate) beat_scatter: [f64; 2],
}

impl Swimmer {
    /// An animal of this length. Beat frequency falls as length^-0.9, which is
    /// mass^-0.3 (Sato et al. 2007, Proc. R. Soc. B 274:471).
    pub(crate) fn draw(length_m: f64, d: &mut Draws) -> Self {
        let beat_hz = (d.between(0.95, 1.35) * length_m.powf(-0.9)).clamp(0.22, 3.0);
        let fin_amplitude_m = {
            // Three hundredths of the length, kept to sway swings of 0.03 to 0.6 g (memory).
            let a = d.between(0.018, 0.045) * length_m;
            let sway = |a: f64| a * (TAU * beat_hz).powi(2) / super::posture::STANDARD_GRAVITY;
            a * (sway(a).clamp(0.02, 0.45) / sway(a))
        };
        let sway_g = fin_amplitude_m * (TAU * beat_hz).powi(2) / super::posture::STANDARD_GRAVITY;
        Self {
            length_m,
            beat_hz,
            fin_amplitude_m,
            harmonic: [d.between(0.0, 0.07), d.between(0.003, 0.05)],
            harmonic_phase: [d.angle(), d.angle()],
            recoil_roll: (d.between(0.15, 0.7) * sway_g).min(0.12),
            recoil_lag: d.between(-0.45, 0.45),
            surge: d.between(0.08, 0.35),
            heave: d.between(0.05, 0.22),
            surge_lag: d.angle(),
            heave_lag: d.angle(),
            strouhal: d.between(0.22, 0.38),
            beat_scatter: [d.between(0.015, 0.07), d.between(0.05, 0.2)],
        }
    }

    /// Speed in m/s at this beat frequency and amplitude (as a part of the settled).
    pub(crate) fn speed(&self, hz: f64, amplitude: f64) -> f64 {
        hz * 0.18 * self.length_m * amplitude / self.strouhal
    }

    /// Scales the stroke so that the sway stays within 0.03 to 0.6 g (memory) at the
    /// settled level and at a first level of these parts of it (beat rate, amplitude).
    pub(crate) fn fit(&mut self, first: [f64; 2]) {
        let omega = TAU * self.beat_hz;
        let along = self.fin_amplitude_m * omega * omega / super::posture::STANDARD_GRAVITY;
        let first_g = (along * first[0] * first[0] + self.recoil_roll) * first[1];
        let settled_g = along + self.recoil_roll;
        let by = (0.6 / first_g.max(settled_g)).min(1.0).max(0.03 / first_g.min(settled_g));
        self.fin_amplitude_m *= by;
        self.recoil_roll *= by;
    }

    /// Brings the settled sway to `sway_g` and makes the stroke as crooked as it gets.
    pub(crate) fn weaken(&mut self, sway_g: f64) {
        let omega = TAU * self.beat_hz;
        let along = self.fin_amplitude_m * omega * omega / super::posture::STANDARD_GRAVITY;
        let by = sway_g / (along + self.recoil_roll);
        self.fin_amplitude_m *= by;
        self.recoil_roll *= by;
        self.harmonic = [0.07, 0.05];
        self.beat_scatter = [0.07, 0.2];
    }

    fn displacement(&self, p: f64) -> f64 {
        p.cos()
            + self.harmonic[0] * (2.0 * p + self.harmonic_phase[0]).cos()
            + self.harmonic[1] * (3.0 * p + self.harmonic_phase[1]).cos()
    }

    /// The phase at which the fin is furthest to the left, near zero.
    fn left_most(&self) -> f64 {
        let (mut lo, mut hi) = (-1.0, 1.0);
        for _ in 0..100 {
            let (a, b) = (lo + (hi - lo) / 3.0, hi - (hi - lo) / 3.0);
            if self.displacement(a) < self.displacement(b) {
                lo = a;
            } else {
                hi = b;
            }
        }
        0.5 * (lo + hi)
    }
}

/// What the animal wants of its tail.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stroke {
    pub(crate) beating: bool,
    /// Beat frequency, Hz.
    pub(crate) hz: f64,
    /// Displacement amplitude as a part of the settled one.
    pub(crate) amplitude: f64,
}

/// What happened within one step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Mark {
    /// Left-most sway, this long before the end of the step, s.
    Beat {
        ago_s: f64,
    },
    Stopped,
    Started,
}

/// Acceleration that the beat adds, m/s2 in the body frame, and the roll it causes.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Motion {
    pub(crate) acceleration: Vec3,
    pub(crate) roll: f64,
}

/// The tail of one animal in motion.
#[derive(Clone, Debug)]
pub(crate) struct Gait {
    swimmer: Swimmer,
    shift: f64,
    third: [(f64, f64); 2],
    recoil: (f64, f64),
    surge: (f64, f64),
    heave: (f64, f64),
    /// Phase since left-most, -pi to pi.
    phase: f64,
    running: bool,
    envelope: f64,
    jitter: [f64; 2],
    jitter_to: [f64; 2],
    /// Steps until the lags are worked out anew, and the lags.
    eased: (u32, f64, f64),
}

impl Gait {
    pub(crate) fn new(swimmer: Swimmer, running: bool) -> Self {
        let cis = |a: f64| (a.cos(), a.sin());
        Self {
            shift: swimmer.left_most(),
            third: [cis(swimmer.harmonic_phase[0]), cis(swimmer.harmonic_phase[1])],
            recoil: cis(swimmer.recoil_lag),
            surge: cis(swimmer.surge_lag),
            heave: cis(swimmer.heave_lag),
            phase: -PI / 2.0,
            running,
            envelope: if running { 1.0 } else { 0.0 },
            jitter: [0.0; 2],
            jitter_to: [0.0; 2],
            eased: (0, 0.0, 0.0),
            swimmer,
        }
    }

    pub(crate) fn running(&self) -> bool {
        self.running
    }

    /// One step of `dt_s`; `seldom` works slow things out at every eighth step only.
    pub(crate) fn step(
        &mut self,
        stroke: Stroke,
        dt_s: f64,
        seldom: bool,
        d: &mut Draws,
    ) -> (Motion, Option<Mark>) {
        let mut mark = None;
        let hz = stroke.hz * (1.0 + self.jitter[0]);
        if !self.running && stroke.beating {
            self.running = true;
            // The first stroke leaves the midline to either side.
            self.phase = if d.chance(0.5) { -PI / 2.0 } else { PI / 2.0 };
            mark = Some(Mark::Started);
        }
        if !self.running && self.envelope < 1e-4 {
            self.envelope = 0.0;
            return (Motion::default(), mark);
        }
        let before = self.phase;
        self.phase += TAU * hz * dt_s;
        if !seldom || self.eased.0 == 0 {
            let ease = 1.0 - (-dt_s * hz / 0.12).exp();
            self.eased = (8, ease, 1.0 - (-dt_s * hz / 0.25).exp());
        }
        let (_, ease, slow) = self.eased;
        self.eased.0 -= 1;
        self.envelope += ease * (if self.running { 1.0 } else { 0.0 } - self.envelope);
        for i in 0..2 {
            self.jitter[i] += slow * (self.jitter_to[i] - self.jitter[i]);
        }
        if before < 0.0 && self.phase >= 0.0 {
            if self.running && self.envelope >= 0.5 {
                mark = Some(Mark::Beat { ago_s: self.phase / (TAU * hz) });
            }
            for i in 0..2 {
                let z = d.normal().clamp(-2.5, 2.5);
                self.jitter_to[i] = self.swimmer.beat_scatter[i] * z;
            }
        }
        let crossed = |at: f64| before < at && self.phase >= at;
        if self.running && !stroke.beating && (crossed(PI / 2.0) || crossed(-PI / 2.0)) {
            self.running = false;
            mark = Some(Mark::Stopped);
        }
        if self.phase > PI {
            self.phase -= TAU;
        }

        let s = &self.swimmer;
        let (s1, c1) = (self.phase + self.shift).sin_cos();
        let (s2, c2) = (2.0 * s1 * c1, 2.0 * c1 * c1 - 1.0);
        let (s3, c3) = (s2 * c1 + c2 * s1, c2 * c1 - s2 * s1);
        let scale = self.envelope * stroke.amplitude * (1.0 + self.jitter[1]);
        let omega = TAU * hz;
        let size = omega * omega * s.fin_amplitude_m * scale;
        let (h2, h3) = (self.third[0], self.third[1]);
        let sway = c1
            + 4.0 * s.harmonic[0] * (c2 * h2.0 - s2 * h2.1)
            + 9.0 * s.harmonic[1] * (c3 * h3.0 - s3 * h3.1);
        let double = |by: (f64, f64)| c2 * by.0 - s2 * by.1;
        let motion = Motion {
            acceleration: [
                size * s.surge * double(self.surge),
                -size * sway,
                size * s.heave * double(self.heave),
            ],
            // Leaks with the sign of the acceleration, a little ahead or behind.
            roll: -s.recoil_roll * scale * (c1 * self.recoil.0 - s1 * self.recoil.1),
        };
        (motion, mark)
    }
}
