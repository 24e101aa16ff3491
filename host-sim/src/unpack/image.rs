//! A flash image as a report.

use std::fs;
use std::path::Path;

use firmware_core::store::record::{Class, Hour, Record};
use firmware_core::types::{LaunchStep, LaunchedBy};
use serde::Serialize;

use super::salvage::{Kept, SegmentState, salvage};
use crate::own::{Names, OwnEvents};
use crate::problem::Problem;
use crate::replay::{Minute, cause_name, fate_name, fault_name, state_name};

/// All that an image told. Times are seconds from the start of the deployment.
#[derive(Clone, Debug, Serialize)]
pub struct ImageReport {
    /// Version of this layout.
    pub schema: u32,
    /// The file.
    pub image: String,
    /// Its size.
    pub bytes: usize,
    /// Bytes of a segment.
    pub segment_bytes: usize,
    /// What the segments hold.
    pub segments: SegmentCounts,
    /// The start of the deployment.
    pub start: Option<StartRow>,
    /// Who recorded it, where the firmware says so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identity: Option<IdentityRow>,
    /// Events in the order of time.
    pub events: Vec<Event>,
    /// Hours.
    pub hours: Vec<HourRow>,
    /// Minutes, with the keys of a replay.
    pub minutes: Vec<Minute>,
    /// Raw bursts.
    pub bursts: Vec<RawBurst>,
    /// Events of a detector of one's own, named as the image names them; absent where the image
    /// holds neither such events nor their names.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub own: Option<OwnEvents>,
    /// Bytes that are neither blank nor sound.
    pub damage: Vec<DamageRow>,
    /// Gaps in the records.
    pub missing: Vec<MissingRow>,
    /// Records of each class dropped or lost before the oldest that is left.
    pub before: Before,
    /// Sound records of kinds that this version does not know.
    pub unknown_kinds: usize,
    /// Sound records from before the animal's release, which are left out.
    pub before_launch: usize,
}

/// Who recorded it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct IdentityRow {
    /// The firmware's own version.
    pub firmware: u32,
    /// The core: a hash of its source, hexadecimal.
    pub program: String,
    /// A hash of all settings of the detectors, hexadecimal.
    pub settings: String,
    /// Serial number of the tag.
    pub serial: u32,
    /// Number of the deployment.
    pub deployment: u32,
}

/// Segments by what they hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct SegmentCounts {
    /// As erased.
    pub blank: usize,
    /// Raw bursts.
    pub detail: usize,
    /// Minutes.
    pub minutes: usize,
    /// Hours and events.
    pub summary: usize,
    /// Without a sound header.
    pub unknown: usize,
    /// With one sound copy of the header only.
    pub one_copy: usize,
}

/// The start of a deployment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StartRow {
    /// Number of the deployment.
    pub deployment: u8,
    /// Unix time, s.
    pub start_unix_s: Option<u32>,
    /// Samples a second.
    pub sample_hz: f32,
    /// Release floor, h.
    pub floor_h: f32,
    /// Release ceiling, h.
    pub ceiling_h: f32,
}

/// An event, as one row of a table: what does not apply is left out.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Event {
    /// When the tag knew, s.
    pub t_s: f64,
    /// `fate`, `recovery_estimated`, `recovery_decided`, `release`, `fault` or `reset`.
    pub event: &'static str,
    /// Fate, cause or kind of fault.
    pub what: Option<&'static str>,
    /// Floating or on the bottom, where the tag came off.
    pub detail: Option<&'static str>,
    /// When it happened by the tag's estimate, or since when the cause stood, s.
    pub since_s: Option<f64>,
    /// Standard error of that, s.
    pub se_s: Option<f32>,
    /// The number it was judged by: evidence, probability, value, samples at fault, or s without power at most.
    pub value: Option<f64>,
    /// The bound that it was held against.
    pub bound: Option<f32>,
    /// The minute that it was taken on.
    pub minute: Option<Minute>,
}

/// An hour.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HourRow {
    /// Start, s.
    pub t_s: f64,
    /// Minutes recorded.
    pub minutes: u8,
    /// Of these, spent swimming.
    pub swimming_min: u8,
    /// Of these, spent resting.
    pub resting_min: u8,
    /// Mean over the minutes spent swimming.
    pub beats_per_min: Option<f32>,
    /// Mean over the minutes spent swimming, g.
    pub sway_g: f32,
    /// Mean, g.
    pub odba_g: f32,
    /// Mean, g.
    pub vedba_g: f32,
    /// Liveliest minute, g.
    pub vedba_max_g: f32,
    /// Mean, degrees.
    pub pitch_deg: f32,
    /// Standard deviation, degrees.
    pub pitch_sd_deg: f32,
    /// Mean, m.
    pub depth_m: Option<f32>,
    /// Shallowest minute, m.
    pub depth_min_m: Option<f32>,
    /// Deepest minute, m.
    pub depth_max_m: Option<f32>,
    /// Part of the cell's charge left.
    pub cell_left: Option<f32>,
    /// What the animal was doing at the end.
    pub state: &'static str,
    /// Samples with a stuck axis.
    pub stuck_axis: u16,
    /// Samples with a clipped axis.
    pub clipped_axis: u16,
    /// Samples with a missing axis.
    pub missing_axis: u16,
    /// Gaps.
    pub gap: u16,
    /// Clock jumps.
    pub clock_jump: u16,
    /// Minutes in which the depth sensor had failed.
    pub depth_fault: u16,
}

/// Raw samples.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RawBurst {
    /// First sample, s.
    pub t_s: f64,
    /// Samples a second.
    pub sample_hz: f32,
    /// Samples of three axes, g; null where an axis gave no number.
    pub samples_g: Vec<[Option<f32>; 3]>,
}

/// Bytes that are neither blank nor sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct DamageRow {
    /// First byte of the image.
    pub at: usize,
    /// How many.
    pub bytes: usize,
    /// Whether the header of its segment is sound.
    pub in_use: bool,
}

/// Records that are not there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct MissingRow {
    /// `detail`, `minutes` or `summary`.
    pub class: &'static str,
    /// Number of the first.
    pub first: u32,
    /// How many.
    pub count: u32,
}

/// Numbers of records by class.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Before {
    /// Raw bursts.
    pub detail: u32,
    /// Minutes.
    pub minutes: u32,
    /// Hours and events.
    pub summary: u32,
}

fn class_name(class: Class) -> &'static str {
    match class {
        Class::Detail => "detail",
        Class::Minutes => "minutes",
        Class::Summary => "summary",
    }
}

fn seconds(us: u64) -> f64 {
    us as f64 / 1e6
}

impl HourRow {
    fn new(h: &Hour) -> Self {
        let [stuck_axis, clipped_axis, missing_axis, gap, clock_jump, depth_fault] = h.faults;
        HourRow {
            t_s: f64::from(h.number) * 3600.0,
            minutes: h.minutes,
            swimming_min: h.swimming,
            resting_min: h.resting,
            beats_per_min: h.beats_per_min,
            sway_g: h.sway_g,
            odba_g: h.odba_g,
            vedba_g: h.vedba_g,
            vedba_max_g: h.vedba_max_g,
            pitch_deg: h.pitch_deg,
            pitch_sd_deg: h.pitch_sd_deg,
            depth_m: h.depth_m,
            depth_min_m: h.depth_min_m,
            depth_max_m: h.depth_max_m,
            cell_left: h.cell_left,
            state: state_name(h.state),
            stuck_axis,
            clipped_axis,
            missing_axis,
            gap,
            clock_jump,
            depth_fault,
        }
    }
}

/// Name of a step to the launch or the end, and what it was found by.
fn launch_name(step: LaunchStep) -> (&'static str, Option<&'static str>) {
    match step {
        LaunchStep::Begin { .. } => ("begun", None),
        LaunchStep::Launched(LaunchedBy::Depth) => ("launched", Some("depth")),
        LaunchStep::Launched(LaunchedBy::Wet) => ("launched", Some("wet")),
        LaunchStep::Launched(LaunchedBy::Motion) => ("launched", Some("motion")),
        LaunchStep::MayEnd => ("may_have_ended", None),
        LaunchStep::GoesOn => ("goes_on", None),
        LaunchStep::Ended => ("ended", None),
    }
}

impl Event {
    fn new(record: &Record) -> Option<Self> {
        let t_s = seconds(record.t_us());
        Some(match record {
            Record::Reset(e) => {
                Event { t_s, event: "reset", value: e.out_us.map(seconds), ..Event::default() }
            }
            Record::Fate(e) => {
                let (what, detail) = fate_name(e.report.fate);
                Event {
                    t_s,
                    event: "fate",
                    what: Some(what),
                    detail,
                    since_s: Some(seconds(e.report.event_us)),
                    value: Some(e.report.evidence.into()),
                    minute: e.minute.as_ref().map(|m| Minute::new(m, 0.0)),
                    ..Event::default()
                }
            }
            Record::Recovery(e) => Event {
                t_s,
                event: match e.report.decided_us {
                    Some(_) => "recovery_decided",
                    None => "recovery_estimated",
                },
                since_s: Some(e.report.t_s.into()),
                se_s: Some(e.report.se_s),
                value: Some(e.report.prob.into()),
                ..Event::default()
            },
            Record::Release(e) => Event {
                t_s,
                event: "release",
                what: Some(cause_name(e.decision.cause)),
                since_s: Some(seconds(e.decision.since_us)),
                value: Some(e.decision.value.into()),
                bound: Some(e.decision.bound),
                minute: e.minute.as_ref().map(|m| Minute::new(m, 0.0)),
                ..Event::default()
            },
            Record::Fault(e) => Event {
                t_s,
                event: "fault",
                what: Some(fault_name(e.kind)),
                value: Some(e.count.into()),
                ..Event::default()
            },
            Record::Launch(e) => {
                let (what, detail) = launch_name(e.report.step);
                Event {
                    t_s,
                    event: what,
                    detail,
                    since_s: (e.ago_us > 0).then(|| t_s - seconds(e.ago_us)),
                    value: e.report.depth_m.map(f64::from),
                    ..Event::default()
                }
            }
            Record::End(e) => {
                Event { t_s, event: "end", value: Some(e.reason.into()), ..Event::default() }
            }
            Record::Start(_)
            | Record::Identity(_)
            | Record::Minute(_)
            | Record::Hour(_)
            | Record::Burst(_)
            | Record::Own(_)
            | Record::OwnNames(_) => return None,
        })
    }
}

/// Events of a detector of one's own.
fn own_events(records: &[Kept]) -> Option<OwnEvents> {
    let names = records.iter().find_map(|kept| match &kept.record {
        Record::OwnNames(names) => Names::read(names),
        _ => None,
    });
    let is_own = |kept: &&Kept| matches!(kept.record, Record::Own(_));
    if names.is_none() && !records.iter().any(|kept| is_own(&kept)) {
        return None;
    }
    let names = names.unwrap_or_default();
    let told = records.iter().filter_map(|kept| match &kept.record {
        Record::Own(own) => Some(names.told(&own.0, seconds(own.0.t_us))),
        _ => None,
    });
    Some(OwnEvents::named(&names, told.collect()))
}

impl ImageReport {
    /// The report of the bytes of an image called `name`. `segment_bytes` where the user states it.
    pub fn new(name: &str, image: &[u8], segment_bytes: Option<usize>) -> Self {
        let s = salvage(image, segment_bytes);
        let mut segments = SegmentCounts::default();
        for state in &s.segments {
            match state {
                SegmentState::Blank => segments.blank += 1,
                SegmentState::Unknown => segments.unknown += 1,
                SegmentState::Used { header, copies } => {
                    segments.one_copy += usize::from(*copies < 2);
                    match header.class {
                        Class::Detail => segments.detail += 1,
                        Class::Minutes => segments.minutes += 1,
                        Class::Summary => segments.summary += 1,
                    }
                }
            }
        }
        let mut report = ImageReport {
            schema: 1,
            image: name.to_owned(),
            bytes: image.len(),
            segment_bytes: s.segment_bytes,
            segments,
            start: None,
            identity: None,
            events: Vec::new(),
            hours: Vec::new(),
            minutes: Vec::new(),
            bursts: Vec::new(),
            own: own_events(&s.records),
            damage: s
                .damage
                .iter()
                .map(|d| DamageRow { at: d.at, bytes: d.bytes, in_use: d.placed })
                .collect(),
            missing: s
                .missing
                .iter()
                .map(|m| MissingRow { class: class_name(m.class), first: m.first, count: m.count })
                .collect(),
            before: Before { detail: s.before[0], minutes: s.before[1], summary: s.before[2] },
            unknown_kinds: s.foreign,
            before_launch: s.handled,
        };
        for kept in &s.records {
            match &kept.record {
                Record::Start(e) => {
                    report.start = Some(StartRow {
                        deployment: e.deployment,
                        start_unix_s: e.start_unix_s,
                        sample_hz: e.sample_hz,
                        floor_h: e.floor_h,
                        ceiling_h: e.ceiling_h,
                    });
                }
                Record::Identity(e) => {
                    report.identity = Some(IdentityRow {
                        firmware: e.firmware,
                        program: format!("{:08x}", e.program),
                        settings: format!("{:08x}", e.settings),
                        serial: e.serial,
                        deployment: e.deployment,
                    });
                }
                Record::Minute(m) => report.minutes.push(Minute::new(m, 0.0)),
                Record::Hour(h) => report.hours.push(HourRow::new(h)),
                Record::Burst(b) => report.bursts.push(RawBurst {
                    t_s: seconds(b.t_us),
                    sample_hz: b.sample_hz,
                    samples_g: b
                        .samples_g()
                        .map(|axes| axes.map(|g| (!g.is_nan()).then_some(g)))
                        .collect(),
                }),
                other => report.events.extend(Event::new(other)),
            }
        }
        report.events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        report.minutes.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        report.hours.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        report.bursts.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        report
    }

    /// Whether the image holds nothing of this kind at all.
    fn is_foreign(&self) -> bool {
        let s = &self.segments;
        s.detail + s.minutes + s.summary == 0
            && s.unknown > 0
            && self.start.is_none()
            && self.events.is_empty()
            && self.hours.is_empty()
            && self.minutes.is_empty()
            && self.bursts.is_empty()
            && self.own.is_none()
    }
}

/// Reads an image from a file.
///
/// # Errors
/// A file that cannot be read, or in which nothing is a record.
pub fn read_image(path: &Path, segment_bytes: Option<usize>) -> Result<ImageReport, Problem> {
    let name = path.display().to_string();
    let image = fs::read(path).map_err(|e| Problem::new(format!("{name}: {e}")))?;
    if image.is_empty() {
        return Err(Problem::new(format!(
            "{name}: is empty; a copy of a tag's flash was expected"
        )));
    }
    of_bytes(&name, &image, segment_bytes)
}

/// The report of the bytes of an image called `name`.
///
/// # Errors
/// Nothing in it is a record.
pub fn of_bytes(
    name: &str,
    image: &[u8],
    segment_bytes: Option<usize>,
) -> Result<ImageReport, Problem> {
    let report = ImageReport::new(name, image, segment_bytes);
    if report.is_foreign() {
        return Err(Problem::new(format!(
            "{name}: holds no record: no segment begins with a sound header, and nowhere is a \
             record with a sound check sum"
        ))
        .help(
            "a copy of the whole range of the flash that the log was given is expected, byte for \
             byte; `swaymark unpack --messages FILE` reads satellite messages",
        ));
    }
    Ok(report)
}
