//! What the tag decided on one deployment, and from what.

use std::collections::BTreeMap;

use firmware_core::config::{Config, Detector, Param, Release};
use serde::{Deserialize, Serialize};

use crate::batch::of_bytes;
use crate::own;
use crate::replay::{Minute, Report};

/// Parts of a record whose mean rates are kept.
pub const PARTS: usize = 8;

/// Decisions of one deployment: one line of a baseline. Times in s on the clock of
/// the trace, to the millisecond.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Decision {
    /// Name of the trace below the folder that was named.
    pub trace: String,
    /// Identifier of the deployment.
    pub id: Option<String>,
    /// Fingerprint of the trace.
    pub trace_hash: String,
    /// Fingerprint of the deployment file, where there is one.
    pub deployment_hash: Option<String>,
    /// Settings that differ from the defaults.
    pub settings: BTreeMap<String, f64>,
    /// Fate at the end: `alive`, `dead`, `detached` or `undetermined`.
    pub fate: String,
    /// `floating` or `on_bottom`.
    pub fate_detail: Option<String>,
    /// When it happened, by the tag's own estimate.
    pub fate_t_s: Option<f64>,
    /// When the tag knew.
    pub fate_decided_t_s: Option<f64>,
    /// When the animal had recovered, once decided.
    pub recovery_t_s: Option<f64>,
    /// When the tag knew.
    pub recovery_decided_t_s: Option<f64>,
    /// Why it let go.
    pub release_cause: String,
    /// When.
    pub release_t_s: Option<f64>,
    /// Beats found.
    pub beats: u64,
    /// Mean beats a minute in each eighth of the record; `None` where too little was
    /// recorded.
    pub rates_per_min: Vec<Option<f64>>,
    /// Mean sway amplitude, g.
    pub sway_g: Option<f64>,
    /// Mean VeDBA, g.
    pub vedba_g: Option<f64>,
    /// Mean pitch, degrees.
    pub pitch_deg: Option<f64>,
    /// Mean direction of the roll, -180 to 180 degrees; `None` where it points all ways.
    pub roll_deg: Option<f64>,
    /// Events of the registered detector by their names; absent without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub own: Option<BTreeMap<String, OwnEvents>>,
}

/// Events of one kind of a registered detector.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnEvents {
    /// How many.
    pub count: u64,
    /// Hash of their times in ms.
    pub times: String,
}

impl OwnEvents {
    fn new(times_s: &[f64]) -> Self {
        let ms: Vec<String> = times_s.iter().map(|t| rounded(1000.0 * t, 0).to_string()).collect();
        OwnEvents { count: times_s.len() as u64, times: of_bytes(ms.join(" ").as_bytes()) }
    }
}

impl Decision {
    /// What `report`, made with [`crate::replay::Keep`] `minutes`, says was decided under
    /// `config`.
    pub fn new(
        trace: &str,
        trace_hash: String,
        deployment_hash: Option<String>,
        config: &Config,
        report: &Report,
    ) -> Self {
        let minutes = report.minutes.as_deref().unwrap_or_default();
        let (first_s, part_s) = (report.facts.first_t_s, report.duration_s / PARTS as f64);
        let rates_per_min = (0..PARTS)
            .map(|part| {
                let from = first_s + part as f64 * part_s;
                let here = minutes.iter().filter(|m| {
                    let middle = m.t_s + 30.0;
                    middle >= from && middle < from + part_s
                });
                mean(here.filter_map(|m| m.beats_per_min).map(f64::from), 3)
            })
            .collect();
        let over =
            |of: fn(&Minute) -> f32, places| mean(minutes.iter().map(|m| f64::from(of(m))), places);
        let ms = |t: Option<f64>| t.map(|t| rounded(t, 3));
        Decision {
            trace: trace.to_owned(),
            id: report.id.clone(),
            trace_hash,
            deployment_hash,
            settings: changed_settings(config, report),
            fate: report.fate.to_owned(),
            fate_detail: report.fate_detail.map(str::to_owned),
            fate_t_s: ms(report.fate_t_s),
            fate_decided_t_s: ms(report.fate_decided_t_s),
            recovery_t_s: ms(report.recovery_t_s),
            recovery_decided_t_s: ms(report.recovery_decided_t_s),
            release_cause: report.release.cause.to_owned(),
            release_t_s: ms(report.release.t_s),
            beats: report.beats.count,
            rates_per_min,
            sway_g: over(|m| m.sway_g, 5),
            vedba_g: over(|m| m.vedba_g, 5),
            pitch_deg: over(|m| m.pitch_deg, 2),
            roll_deg: mean_direction(minutes.iter().map(|m| f64::from(m.roll_deg))),
            own: report.own.as_ref().map(|own| {
                let times_s = own.times_s().into_iter();
                times_s.map(|(kind, t)| (kind.to_owned(), OwnEvents::new(&t))).collect()
            }),
        }
    }
}

/// Mean to so many decimals, where there is anything to take it of.
fn mean(values: impl Iterator<Item = f64>, places: i32) -> Option<f64> {
    let (n, sum) = values.fold((0_u32, 0.0), |(n, sum), v| (n + 1, sum + v));
    (n > 0).then(|| rounded(sum / f64::from(n), places))
}

/// Mean of angles in degrees, -180 to 180; `None` where they point all ways.
fn mean_direction(angles: impl Iterator<Item = f64>) -> Option<f64> {
    let (n, x, y) = angles.fold((0_u32, 0.0, 0.0), |(n, x, y), a| {
        let (sin, cos) = a.to_radians().sin_cos();
        (n + 1, x + cos, y + sin)
    });
    (f64::hypot(x, y) > 0.1 * f64::from(n)).then(|| rounded(y.atan2(x).to_degrees(), 2))
}

fn rounded(value: f64, places: i32) -> f64 {
    let by = 10_f64.powi(places);
    // Never the negative zero, which reads as a change.
    (value * by).round() / by + 0.0
}

/// Defaults of all settings.
pub(super) fn defaults() -> BTreeMap<String, f64> {
    let all = Detector::PARAMS.iter().chain(Release::PARAMS).map(|p| (p.key, p));
    all.chain(own::settings()).map(|(key, p)| (key.to_owned(), shown(p.default))).collect()
}

fn changed_settings(config: &Config, report: &Report) -> BTreeMap<String, f64> {
    let of = |p: &Param, value: Option<f32>| {
        value.filter(|v| *v != p.default).map(|v| (p.key.to_owned(), shown(v)))
    };
    let detector = Detector::PARAMS.iter().filter_map(|p| of(p, config.detector().get(p.key)));
    let release = Release::PARAMS.iter().filter_map(|p| of(p, config.release().get(p.key)));
    let own = report.own.iter().flat_map(|own| &own.settings);
    let own = own.map(|&(key, value)| (key.to_owned(), shown(value)));
    detector.chain(release).chain(own).collect()
}

/// A setting as a person wrote it, not with the digits of a 32-bit float.
fn shown(value: f32) -> f64 {
    value.to_string().parse().unwrap_or_else(|_| f64::from(value))
}
