//! Finds head shakes: bursts of fast, strong sway.
#![no_std]

use firmware_core::config::Param;
use firmware_core::detector::{Detector, Motion, Out, OwnKind};
use firmware_core::kept::Kept;

firmware_core::kept! {
    /// A run of swings to one side and the other in turn.
    #[derive(Clone, Debug, PartialEq)]
    pub struct HeadShake {
        least_g: f32,
        half_us: u64,
        least_swings: u32,
        /// Swings of the present run, its start and latest swing, microseconds, and its peak, g.
        swings: u32,
        from_us: u64,
        last_us: u64,
        peak_g: f32,
        /// The latest swing went towards the positive side.
        positive: bool,
    }
}

const fn param(key: &'static str, min: f32, max: f32, default: f32, doc: &'static str) -> Param {
    Param { key, min, max, default, is_flag: false, doc }
}

impl Detector for HeadShake {
    const NAME: &'static str = "head_shake";
    const PARAMS: &'static [Param] = &[
        param("least_g", 0.05, 4.0, 0.3, "Sway that counts as a swing, in g."),
        param("least_hz", 0.5, 10.0, 2.5, "Slowest shake, in swings there and back a second."),
        param("least_swings", 2.0, 50.0, 4.0, "Fewest swings of a shake, each to one side."),
    ];
    const EVENTS: &'static [OwnKind] =
        &[OwnKind { name: "head_shake", numbers: &["swings", "peak_g"] }];

    fn new(params: &[f32]) -> Self {
        let [least_g, least_hz, least_swings] = *params else { return Self::blank() };
        HeadShake {
            least_g,
            half_us: (0.5e6 / least_hz) as u64,
            least_swings: least_swings as u32,
            ..Self::blank()
        }
    }

    fn block(&mut self, motion: &Motion<'_>, out: &mut Out) {
        let Some(axis) = motion.sway_axis else { return };
        for (t_us, accel_g) in motion.samples() {
            // Sway without what is slower than a beat.
            let sway_g: f32 = (0..3).map(|k| axis[k] * (accel_g[k] - motion.mean_g[k])).sum();
            if self.swings > 0 && t_us > self.last_us.saturating_add(self.half_us) {
                if self.swings >= self.least_swings {
                    out.report(0, self.from_us, &[self.swings as f32, self.peak_g]);
                }
                self.swings = 0;
            }
            if sway_g.abs() < self.least_g {
                continue;
            }
            if self.swings == 0 {
                (self.from_us, self.peak_g) = (t_us, 0.0);
            }
            if self.swings == 0 || (sway_g > 0.0) != self.positive {
                self.swings += 1;
                (self.last_us, self.positive) = (t_us, sway_g > 0.0);
            }
            self.peak_g = self.peak_g.max(sway_g.abs());
        }
    }

    fn gap(&mut self) {
        self.swings = 0;
    }
}
