//! Time to an event where not every event was seen.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

/// How long one was watched, and whether the event was seen at the end of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Watched {
    /// Time, h (any unit, the same for all).
    pub time: f64,
    /// Event at that time; else only: not before it.
    pub event: bool,
}

/// The curve just after a time at which something happened.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Step {
    /// Time.
    pub time: f64,
    /// Watched until then or longer.
    pub at_risk: u64,
    /// Events then.
    pub events: u64,
    /// Watched no longer.
    pub censored: u64,
    /// Part without the event.
    pub survival: f64,
    /// Lower bound, 95 %.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// A Kaplan-Meier curve (Kaplan & Meier 1958, J. Am. Stat. Assoc. 53:457) with
/// log-log intervals of Greenwood's variance (Kalbfleisch & Prentice 1980).
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Curve {
    /// Steps, in order of time.
    pub steps: Vec<Step>,
}

/// When a part has had the event, with its interval; `None`: not reached.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Quantile {
    /// The part that has had the event, 0 to 1.
    pub part: f64,
    /// When.
    pub time: Option<f64>,
    /// Lower bound, 95 %.
    pub low: Option<f64>,
    /// Upper bound.
    pub high: Option<f64>,
}

/// The standard normal quantile of a two-sided 95 % interval.
fn z() -> f64 {
    Normal::standard().inverse_cdf(0.975)
}

impl Curve {
    /// From all that were watched, in any order.
    pub fn new(watched: &[Watched]) -> Self {
        let mut sorted = watched.to_vec();
        sorted.sort_by(|a, b| a.time.total_cmp(&b.time));
        let z = z();
        let (mut survival, mut greenwood) = (1.0, 0.0);
        let mut at_risk = sorted.len() as u64;
        let mut steps = Vec::new();
        for same in sorted.chunk_by(|a, b| a.time == b.time) {
            let events = same.iter().filter(|w| w.event).count() as u64;
            let (n, d) = (at_risk as f64, events as f64);
            survival = if events == at_risk { 0.0 } else { survival * (1.0 - d / n) };
            greenwood += d / (n * (n - d));
            let (low, high) = log_log(survival, greenwood, z);
            steps.push(Step {
                time: same[0].time,
                at_risk,
                events,
                censored: same.len() as u64 - events,
                survival,
                low,
                high,
            });
            at_risk -= same.len() as u64;
        }
        Curve { steps }
    }

    /// The step that holds at `time`; `None` before the first.
    pub fn at(&self, time: f64) -> Option<&Step> {
        self.steps.iter().take_while(|s| s.time <= time).last()
    }

    /// Last time anyone was watched.
    pub fn end(&self) -> f64 {
        self.steps.last().map_or(0.0, |s| s.time)
    }

    /// When `part` has had the event; its interval is where the bounds of the
    /// curve pass (Brookmeyer & Crowley 1982, Biometrics 38:29).
    pub fn quantile(&self, part: f64) -> Quantile {
        let left = 1.0 - part + 1e-12;
        let first = |of: fn(&Step) -> f64| {
            self.steps.iter().find(|s| s.events > 0 && of(s) <= left).map(|s| s.time)
        };
        Quantile {
            part,
            time: first(|s| s.survival),
            low: first(|s| s.low),
            high: first(|s| s.high),
        }
    }
}

/// The interval that stays within 0 to 1 by way of log(-log S).
fn log_log(survival: f64, greenwood: f64, z: f64) -> (f64, f64) {
    if survival >= 1.0 || survival <= 0.0 {
        return (survival, survival);
    }
    let reach = z * greenwood.sqrt() / survival.ln();
    (survival.powf((-reach).exp()), survival.powf(reach.exp()))
}
