//! A made trace straight into the tag, row by row, without files.
//!
//! The rows carry the same rounding as those of a written file, so the decisions are
//! those of a replay of the written file, bit for bit.

use std::sync::Arc;

use super::engine::Sink;
use super::faults::Row;
use super::files::Layout;
use super::truth::{Event, Happening};
use super::{Request, SynthError, engine, prepare};
use firmware_core::config::{Config, Detector, Release};

use crate::deployment::{DEFAULT_MEMORY_MIB, Deployment};
use crate::energy::tracker::TraceLoads;
use crate::problem::Problem;
use crate::replay::{FileFacts, Keep, Replayer, Report, Setup};
use crate::trace::{self, Found, Placed, ReadFaults};
use crate::truth::{self, TruthEvent};

/// What came of one made trace.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The deployment as its file would tell it.
    pub deployment: Deployment,
    /// Text of that file.
    pub deployment_toml: String,
    /// What happened, beats aside unless they are kept; up to the stop.
    pub truth: Vec<TruthEvent>,
    /// When the animal recovers, s on the clock of the trace; also beyond a stop or an end.
    pub recovers_s: Option<f64>,
    /// What the tag said.
    pub report: Report,
    /// Rows made.
    pub rows: u64,
    /// Fingerprint of all that the tag was given, deployment file and rows, where
    /// [`Request::fingerprint`] asks for it.
    pub fingerprint: Option<String>,
}

/// Why nothing came of it.
#[derive(Debug, thiserror::Error)]
pub enum MemoryError {
    /// A wrong request.
    #[error(transparent)]
    Synth(#[from] SynthError),
    /// A deployment that the tag refuses.
    #[error("{0}")]
    Deployment(Problem),
}

struct Tagged<'a, F> {
    /// The deployment's own settings first, then the others.
    tags: Vec<Replayer>,
    layout: Layout,
    truth: Vec<TruthEvent>,
    fate: Vec<TruthEvent>,
    keep_beats: bool,
    rows: u64,
    every: u64,
    stop: &'a mut F,
    seen: Option<blake3::Hasher>,
}

/// The caller has seen enough.
struct Enough;

impl<F: FnMut(&[Replayer]) -> bool> Sink for Tagged<'_, F> {
    type Error = Enough;

    fn row(&mut self, row: &Row) -> Result<(), Enough> {
        self.rows += 1;
        // The header of a file is a line too.
        let row = self.layout.read_back(row, self.rows + 1);
        if let Some(seen) = &mut self.seen {
            seen.update(&bytes(&row));
        }
        self.tags.iter_mut().for_each(|tag| tag.push(&row));
        if self.rows.is_multiple_of(self.every) && (self.stop)(&self.tags) {
            return Err(Enough);
        }
        Ok(())
    }

    fn event(&mut self, e: &Event) -> Result<(), Enough> {
        if e.what != Happening::Beat || self.keep_beats {
            let row = self.truth.len() as u64 + 2;
            self.truth.extend(told(e, row));
        }
        Ok(())
    }

    fn at_once(&mut self, e: &Event) {
        self.fate.extend(told(e, 0));
    }
}

/// A row, bit for bit; what was not read is told from every number.
fn bytes(row: &crate::trace::Row) -> [u8; 30] {
    let slow = |v: Option<f32>| {
        v.map_or([0; 5], |v| {
            let [a, b, c, d] = v.to_bits().to_le_bytes();
            [1, a, b, c, d]
        })
    };
    let [x, y, z] = row.accel_g.map(|a| a.to_bits().to_le_bytes());
    let mut out = [0; 30];
    let parts: [&[u8]; 6] =
        [&row.t_us.to_le_bytes(), &x, &y, &z, &slow(row.depth_m), &slow(row.temp_c)];
    for (slot, byte) in out.iter_mut().zip(parts.into_iter().flatten()) {
        *slot = *byte;
    }
    out
}

/// As a truth file would tell it; `None` for an event of a detector that is not registered.
fn told(e: &Event, row: u64) -> Option<TruthEvent> {
    let event = truth::named(e.what.name())?;
    // Thousandths of a second, as written.
    let shown = |t: f64| (t * 1e3).round() / 1e3;
    Some(TruthEvent { t_s: shown(e.t_s), event, end_s: e.end_s.map(shown), row })
}

/// Rows of a synthetic trace as a tag would take them.
struct Collected {
    layout: Layout,
    rows: Vec<trace::Row>,
}

impl Sink for Collected {
    type Error = Enough;

    fn row(&mut self, row: &Row) -> Result<(), Enough> {
        // The header of a file is a line too.
        let line = self.rows.len() as u64 + 2;
        self.rows.push(self.layout.read_back(row, line));
        Ok(())
    }

    fn event(&mut self, _: &Event) -> Result<(), Enough> {
        Ok(())
    }
}

/// The configuration and the rows of the synthetic trace of `request`: what a tag would be
/// given, bit for bit, for checks that drive the on-tag code themselves.
///
/// # Errors
/// A wrong request, or a deployment that the tag refuses.
pub fn rows_in_memory(request: &Request) -> Result<(Config, Vec<trace::Row>), MemoryError> {
    let prepared = prepare(request)?;
    let plan = &prepared.plan;
    let text = plan.deployment_toml(prepared.mount_deg);
    let name = request.file_name();
    let deployment = Deployment::parse(&format!("{name}.toml"), text.as_bytes())
        .map_err(MemoryError::Deployment)?;
    let config = deployment
        .config(plan.sensor.sample_hz, deployment.start_unix_us)
        .map_err(MemoryError::Deployment)?;
    let layout = Layout::new(plan, prepared.format);
    let mut collected = Collected { layout, rows: Vec::new() };
    // It never has enough.
    let _ = engine::run(plan, &mut collected);
    Ok((config, collected.rows))
}

/// Makes the trace of `request` and runs it through the tag as it comes. `stop` is asked
/// every minute whether it has seen enough; the truth then ends a while before.
///
/// # Errors
/// A wrong request, or a deployment that the tag refuses.
pub fn run_in_memory(
    request: &Request,
    keep: Keep,
    mut stop: impl FnMut(&Replayer) -> bool,
) -> Result<Outcome, MemoryError> {
    let own = |tags: &[Replayer]| tags.first().is_some_and(&mut stop);
    run_with_settings(request, keep, &[], own).map(|(outcome, _)| outcome)
}

/// As [`run_in_memory`], with the same rows going into a tag of the deployment's own
/// settings and one of each of `settings`, which `stop` sees in this order. The reports
/// are those of `settings`.
///
/// # Errors
/// As [`run_in_memory`].
pub fn run_with_settings(
    request: &Request,
    keep: Keep,
    settings: &[(Detector, Release)],
    mut stop: impl FnMut(&[Replayer]) -> bool,
) -> Result<(Outcome, Vec<Report>), MemoryError> {
    let prepared = prepare(request)?;
    let plan = &prepared.plan;
    let text = plan.deployment_toml(prepared.mount_deg);
    let name = request.file_name();
    let deployment = Deployment::parse(&format!("{name}.toml"), text.as_bytes())
        .map_err(MemoryError::Deployment)?;
    let start_unix_us = deployment.start_unix_us;
    let config =
        deployment.config(plan.sensor.sample_hz, start_unix_us).map_err(MemoryError::Deployment)?;
    let parts = deployment.tag_file().map_err(MemoryError::Deployment)?;
    let memory_mib = parts.memory_mib.as_ref().map_or(DEFAULT_MEMORY_MIB, |m| m.value);
    let memory_bytes = memory_mib * 1024.0 * 1024.0;
    let setup = Setup {
        config,
        energy: Arc::new(TraceLoads::new(&parts, plan.sensor.sample_hz)),
        memory_bytes,
        first_t_s: 0.0,
        keep,
        own: deployment.own.clone(),
    };
    let mut tags = vec![Replayer::new(&setup)];
    for (detector, release) in settings {
        let mut other = deployment.clone();
        (other.detector, other.release) = (*detector, *release);
        let config =
            other.config(plan.sensor.sample_hz, start_unix_us).map_err(MemoryError::Deployment)?;
        tags.push(Replayer::new(&Setup { config, ..setup.clone() }));
    }
    let mut tagged = Tagged {
        tags,
        layout: Layout::new(plan, prepared.format),
        truth: Vec::new(),
        fate: Vec::new(),
        keep_beats: keep.beats,
        rows: 0,
        every: (60.0 * plan.sensor.sample_hz) as u64,
        stop: &mut stop,
        seen: request.fingerprint.then(blake3::Hasher::new),
    };
    if let Some(seen) = &mut tagged.seen {
        seen.update(text.as_bytes());
    }
    if engine::run(plan, &mut tagged).is_err() {
        // Seen enough: what was still waiting for its place is told now.
        for e in std::mem::take(&mut tagged.fate) {
            if !tagged.truth.iter().any(|t| t.event == e.event && t.t_s == e.t_s) {
                tagged.truth.push(e);
            }
        }
    }
    let facts = FileFacts {
        trace: name,
        id: deployment.id.clone(),
        sample_hz: plan.sensor.sample_hz,
        first_t_s: 0.0,
        record_t_s: 0.0,
        placed: Placed { from_us: 0, known_us: 0, found: Found::Stated, end_us: None },
        end_stated: false,
        start_unix_us,
        breathing: deployment.breathing.unwrap_or(firmware_core::config::Breathing::Ram),
        has_depth: prepared.format.depth,
        raw_counts: false,
        cell_mah: parts.cell.nominal_mah.value * parts.cell.in_parallel,
        tag: parts.id,
        memory_bytes,
    };
    let (rows, truth) = (tagged.rows, tagged.truth);
    let fingerprint = tagged.seen.map(|seen| crate::batch::shown(&seen.finalize()));
    let mut reports: Vec<Report> = tagged
        .tags
        .into_iter()
        .map(|tag| tag.finish(facts.clone(), &ReadFaults::default()))
        .collect();
    let report = reports.remove(0);
    let per_clock = 1.0 + plan.sensor.clock_ppm * 1e-6;
    let recovers_s = plan.extras.recovers.then(|| plan.recovery.recovered_s() / per_clock);
    let outcome =
        Outcome { deployment, deployment_toml: text, truth, recovers_s, report, rows, fingerprint };
    Ok((outcome, reports))
}
