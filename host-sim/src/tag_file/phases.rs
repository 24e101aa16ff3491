//! The schedule of a tag file.

use super::figure::Figure;
use super::parts::{Load, RecordBytes};
use super::reader::Section;
use crate::problem::{Problem, nearest, shown};

/// Sample rates that the detectors take, Hz (`firmware_core::config`).
const DETECTOR_HZ: std::ops::RangeInclusive<f64> = 5.0..=100.0;
/// Most parts that a phase can have in use.
const MAX_PARTS: usize = 60;

/// Where the tag is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum PhaseKind {
    /// The animal has not been let go yet.
    Before,
    /// On the animal.
    Animal,
    /// Surfaced and searched for.
    Search,
}

/// Sampling by turns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Duty {
    /// Sampling goes on for so long, s ...
    pub on_s: f64,
    /// ... every so often, s.
    pub period_s: f64,
}

/// A phase of the schedule.
#[derive(Clone, Debug, PartialEq)]
pub struct Phase {
    /// Its name.
    pub name: String,
    /// Where the tag is.
    pub kind: PhaseKind,
    /// Start, h since the animal was let go.
    pub start_h: f64,
    /// End, h since the animal was let go.
    pub end_h: f64,
    /// Temperature of the cell, deg C.
    pub temp_c: Figure,
    /// Samples a second, Hz; 0: none.
    pub sample_hz: f64,
    /// Sampling by turns; `None`: all the time.
    pub duty: Option<Duty>,
    /// Depth readings a second while sampling, Hz.
    pub depth_hz: f64,
    /// The detectors run.
    pub detectors: bool,
    /// Records kept, as indices into the records of the file.
    pub records: Vec<usize>,
    /// Parts in use, as indices into the loads of the file.
    pub parts: Vec<usize>,
}

/// A format of record.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Its name.
    pub name: String,
    /// Bytes it takes.
    pub bytes: RecordBytes,
}

impl Phase {
    pub(super) fn read(
        s: &Section<'_>,
        loads: &[Load],
        records: &[Record],
        has_depth: bool,
    ) -> Result<Self, Problem> {
        let kind = match s.may_text("kind") {
            Some("before") => PhaseKind::Before,
            Some("animal") => PhaseKind::Animal,
            _ => PhaseKind::Search,
        };
        let (start_h, end_h) = (s.number("start_h")?, s.number("end_h")?);
        if end_h <= start_h {
            return Err(
                s.fail_at("end_h", &format!("end_h = {end_h} must be after start_h = {start_h}"))
            );
        }
        let sample_hz = s.number("sample_hz")?;
        if sample_hz > 0.0 && sample_hz < 0.01 {
            return Err(s.fail_at("sample_hz", "sample_hz must be 0 or at least 0.01 Hz"));
        }
        let duty = match (s.may_number("duty_on_min"), s.may_number("duty_period_min")) {
            (None, None) => None,
            (Some(on), Some(period)) if on > period => {
                return Err(s.fail_at(
                    "duty_on_min",
                    &format!("duty_on_min = {on} is longer than duty_period_min = {period}"),
                ));
            }
            (Some(_), Some(_)) if sample_hz == 0.0 => {
                return Err(
                    s.fail_at("duty_on_min", "duty_on_min without sampling: sample_hz is 0")
                );
            }
            (Some(on), Some(period)) => {
                Some(Duty { on_s: on * 60.0, period_s: period * 60.0 }).filter(|_| on < period)
            }
            (Some(_), None) => {
                return Err(s.fail_at("duty_on_min", "duty_on_min needs duty_period_min"));
            }
            (None, Some(_)) => {
                return Err(s.fail_at("duty_period_min", "duty_period_min needs duty_on_min"));
            }
        };
        let depth_hz = s.number("depth_hz")?;
        if depth_hz > 0.0 && !has_depth {
            return Err(s.fail_at("depth_hz", "depth_hz without a [depth_sensor] to read"));
        }
        let can_detect = DETECTOR_HZ.contains(&sample_hz);
        let detectors = s.may_flag("detectors").unwrap_or(kind == PhaseKind::Animal && can_detect);
        if detectors && !can_detect {
            let [low, high] = [DETECTOR_HZ.start(), DETECTOR_HZ.end()];
            return Err(s.fail_at(
                "detectors",
                &format!("detectors work at {low} to {high} Hz, but sample_hz is {sample_hz}"),
            ));
        }
        let find = |key: &str, what: &str, known: Vec<&str>| -> Result<Vec<usize>, Problem> {
            let mut found = Vec::new();
            for (name, span) in s.name_list(key) {
                let Some(n) = known.iter().position(|k| k == name) else {
                    let message =
                        format!("{key} in {}: unknown {what} {}", s.title, shown(name.as_bytes()));
                    let problem = s.doc.fail(span, &message, "not in this file");
                    return Err(match nearest(name, known.iter().copied()) {
                        Some(near) => problem.help(format!(
                            "nearest known: {near}; this file describes {}",
                            known.join(", ")
                        )),
                        None => problem.help(format!("this file describes no {what}")),
                    });
                };
                found.push(n);
            }
            Ok(found)
        };
        if s.name_list("parts").len() > MAX_PARTS {
            let message = format!("parts names more than {MAX_PARTS} parts");
            return Err(s.fail_at("parts", &message));
        }
        Ok(Phase {
            name: s.text("name")?,
            kind,
            start_h,
            end_h,
            temp_c: s.figure("temp_c")?,
            sample_hz,
            duty,
            depth_hz,
            detectors,
            records: find("records", "record", records.iter().map(|r| &*r.name).collect())?,
            parts: find("parts", "part", loads.iter().map(|l| &*l.name).collect())?,
        })
    }
}

/// Phases in order, without overlap or gap, of which one is on the animal.
pub(super) fn check(phases: &[Phase], sections: &[Section<'_>]) -> Result<(), Problem> {
    let mut order: Vec<usize> = (0..phases.len()).collect();
    order.sort_by(|&a, &b| phases[a].start_h.total_cmp(&phases[b].start_h));
    for pair in order.windows(2) {
        let (a, b) = (&phases[pair[0]], &phases[pair[1]]);
        let s = &sections[pair[1]];
        if b.start_h < a.end_h {
            return Err(s.fail_at(
                "start_h",
                &format!(
                    "start_h = {} lies before the end of phase {:?} (end_h = {}): phases overlap",
                    b.start_h, a.name, a.end_h
                ),
            ));
        }
        if b.start_h > a.end_h {
            return Err(s.fail_at(
                "start_h",
                &format!(
                    "start_h = {} leaves a gap after phase {:?} (end_h = {}); what does the tag do meanwhile?",
                    b.start_h, a.name, a.end_h
                ),
            ));
        }
        if b.kind < a.kind {
            return Err(s.fail_at(
                "kind",
                &format!(
                    "kind {:?} cannot follow kind {:?}; the order is before, animal, search",
                    word(b.kind),
                    word(a.kind)
                ),
            ));
        }
    }
    let first = phases.iter().position(|p| p.kind == PhaseKind::Animal);
    let Some(_) = first else {
        let s = &sections[0];
        return Err(s.fail_at("kind", "no phase is of kind \"animal\"; one at least was expected"));
    };
    for (n, phase) in phases.iter().enumerate() {
        let wrong = match phase.kind {
            PhaseKind::Before => phase.start_h > 0.0 || phase.end_h > 0.0,
            PhaseKind::Animal | PhaseKind::Search => phase.start_h < 0.0,
        };
        if wrong {
            return Err(sections[n].fail_at(
                "start_h",
                &format!(
                    "a phase of kind {:?} from {} to {} h: the animal is let go at hour 0",
                    word(phase.kind),
                    phase.start_h,
                    phase.end_h
                ),
            ));
        }
    }
    let start = |kind| {
        phases.iter().filter(|p| p.kind == kind).map(|p| p.start_h).fold(f64::INFINITY, f64::min)
    };
    let begins = start(PhaseKind::Animal);
    if begins != 0.0 {
        let n = phases.iter().position(|p| p.kind == PhaseKind::Animal && p.start_h == begins);
        return Err(sections[n.unwrap_or(0)].fail_at(
            "start_h",
            &format!(
                "the first phase on the animal starts at hour 0, when it is let go; got {begins}"
            ),
        ));
    }
    Ok(())
}

/// The word of the file.
pub fn word(kind: PhaseKind) -> &'static str {
    match kind {
        PhaseKind::Before => "before",
        PhaseKind::Animal => "animal",
        PhaseKind::Search => "search",
    }
}
