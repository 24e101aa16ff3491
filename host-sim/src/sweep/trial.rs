//! A trial death: would a tag with this duty cycle and these settings notice it?
//!
//! The traces may hold no death, or only late ones. So every cell is also put to a
//! made deployment: an hour of steady swimming, then the plainest death there is,
//! no motion at all at one depth. It says whether the tag can tell, not how well: what
//! takes longer than the ceiling cannot be told even of an animal that dies at once.

use std::sync::Arc;

use firmware_core::config::Config;

use super::duty::Duty;
use super::fan::{self, LeafPlan, LimbPlan};
use crate::energy::tracker::TraceLoads;
use crate::trace::Decoded;

/// When the animal dies, s.
pub const DEATH_S: f64 = 3600.0;
/// Longest trial after the death, h.
pub const LONGEST_H: f64 = 72.0;

/// What came of a trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Trial {
    /// Noticed, so many hours after it.
    Noticed {
        /// Delay, h.
        delay_h: f64,
    },
    /// Called dead, or the tag off, while it still swam.
    Early,
    /// Not noticed by the end of the trial.
    Unnoticed {
        /// From the death to the end of the trial, h.
        within_h: f64,
        /// Whether any minute held enough samples to be judged by.
        any_minute: bool,
    },
}

/// Runs the trial for tags that differ only in what the judges read. `ceiling_h`:
/// the latest ceiling of any of them, h; `loads` are of no consequence.
pub fn run(duty: Duty, loads: &Arc<TraceLoads>, configs: &[Config], ceiling_h: f64) -> Vec<Trial> {
    let Some(first) = configs.first() else { return Vec::new() };
    let hz = f64::from(first.logger().sample_hz);
    let end_s = DEATH_S + ceiling_h.min(LONGEST_H) * 3600.0;
    let trace = made(hz, duty, end_s);
    let plans: Vec<LimbPlan> = configs
        .iter()
        .enumerate()
        .map(|(id, &config)| LimbPlan {
            config,
            leaves: vec![LeafPlan {
                config,
                memory_bytes: f64::MAX,
                raw_bytes_per_sample: 0.0,
                id,
            }],
        })
        .collect();
    fan::run(&trace, duty, loads, &plans, true)
        .iter()
        .map(|o| match o.fates.first() {
            Some(f) if (f.decided_us as f64) < DEATH_S * 1e6 => Trial::Early,
            Some(f) => Trial::Noticed { delay_h: (f.decided_us as f64 / 1e6 - DEATH_S) / 3600.0 },
            None => Trial::Unnoticed {
                within_h: (end_s - DEATH_S) / 3600.0,
                any_minute: o.found.minutes.iter().any(|m| m.1.is_some()),
            },
        })
        .collect()
}

/// The made deployment, only where the tag is awake.
fn made(hz: f64, duty: Duty, end_s: f64) -> Decoded {
    let mut trace = Decoded::default();
    let mut seed = 7_u64;
    let mut noise = move |size: f64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((seed >> 40) as f64 / f64::from(1 << 24) - 0.5) * size
    };
    let each_s = hz.round().max(1.0) as u64;
    for n in 0..(end_s * hz) as u64 {
        let t_us = (n as f64 * 1e6 / hz).round() as u64;
        if !duty.awake(t_us) {
            continue;
        }
        let t = n as f64 / hz;
        let swims = t < DEATH_S;
        let sway = if swims { 0.15 * (t * 0.8 * std::f64::consts::TAU).sin() } else { 0.0 };
        let accel = [0.03, sway, 1.0].map(|a| (a + noise(0.008)) as f32);
        let depth = if swims { 20.0 + 6.0 * (t / 240.0).sin() } else { 31.0 };
        let depth = (n % each_s == 0).then(|| (depth + noise(0.04)) as f32);
        trace.add(t_us, accel, depth, None);
    }
    trace
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deployment::Deployment;

    #[test]
    fn some_duty_cycles_cannot_tell() {
        let config = Deployment::default().config(10.0, None).unwrap();
        let cycle = |on_s: u64, every_s: u64| Duty::Cycle {
            on_us: on_s * 1_000_000,
            every_us: every_s * 1_000_000,
        };
        let tag = Deployment::default().tag_file().unwrap();
        let loads = Arc::new(TraceLoads::new(&tag, 10.0));
        let of = |duty| run(duty, &loads, &[config], 24.0)[0];
        let Trial::Noticed { delay_h } = of(Duty::Always) else { panic!() };
        assert!(delay_h > 0.2 && delay_h < 1.0, "{delay_h}");
        // Half the minutes: twice the time.
        let Trial::Noticed { delay_h: half_h } = of(cycle(300, 600)) else { panic!() };
        assert!(half_h > 1.5 * delay_h && half_h < 3.5 * delay_h, "{half_h}");
        // Half of every minute: none is enough.
        let never = of(cycle(30, 60));
        assert_eq!(never, Trial::Unnoticed { within_h: 24.0, any_minute: false });
        assert!(matches!(of(cycle(61, 36_000)), Trial::Unnoticed { .. }));
    }
}
