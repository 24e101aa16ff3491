//! Satellite messages as a report.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use firmware_core::message::{
    CHOSEN_HOURS, FINAL, Facts, MESSAGE_BYTES, Message, MessageError, Point, Recovery, SHARE_BYTES,
    checks, rebuild,
};
use serde::Serialize;

use crate::problem::{Problem, shown};
use crate::replay::{cause_name, fate_name};

/// Minutes within which pages of a growing course are taken together.
const TOGETHER_MIN: u32 = 12 * 60;

/// What a file of messages told.
#[derive(Clone, Debug, Serialize)]
pub struct MessageReport {
    /// Version of this layout.
    pub schema: u32,
    /// The file.
    pub file: String,
    /// Lines with a message that is not sound, by their number, and why.
    pub refused: Vec<Refused>,
    /// One for each deployment.
    pub deployments: Vec<DeploymentReport>,
}

/// A message that is not sound.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Refused {
    /// Line of the file, from 1.
    pub row: usize,
    /// What is wrong with it.
    pub why: String,
}

/// What the messages of one deployment told. Times are seconds from its start.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DeploymentReport {
    /// Its number.
    pub deployment: u8,
    /// Sound messages.
    pub messages: usize,
    /// Of these, messages that tell the same fate at the same time as the latest.
    pub agreeing: usize,
    /// When the latest was made, s.
    pub made_t_s: f64,
    /// `alive`, `dead`, `detached` or `undetermined`.
    pub fate: &'static str,
    /// `floating` or `on_bottom`, where detached.
    pub fate_detail: Option<&'static str>,
    /// When it happened, to half a minute, s.
    pub fate_t_s: Option<f64>,
    /// `unknown`, `estimated` or `decided`.
    pub recovery: &'static str,
    /// When, to 0.05 h, s.
    pub recovery_t_s: Option<f64>,
    /// Standard error, s.
    pub recovery_se_s: Option<f64>,
    /// Why the tag let go.
    pub release_cause: Option<&'static str>,
    /// When, to half a minute, s.
    pub release_t_s: Option<f64>,
    /// Part of the cell's charge left, to 1/60.
    pub cell_left: Option<f32>,
    /// Self-checks that are set.
    pub checks: Vec<&'static str>,
    /// Beat rates of the chosen hours, to 3.9 %.
    pub chosen: Vec<ChosenHour>,
    /// Beat rate of the latest hour with swimming.
    pub latest_beats_per_min: Option<f32>,
    /// The course.
    pub course: CourseReport,
}

/// The beat rate of an hour.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ChosenHour {
    /// End of the hour, h after the start.
    pub hour: u16,
    /// Beats a minute; 0 for fewer than 3; none where not known.
    pub beats_per_min: Option<f32>,
}

/// The course of a deployment.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CourseReport {
    /// Hours from point to point.
    pub step_h: u32,
    /// Whether the course is closed.
    pub closed: bool,
    /// Pages it was put together from.
    pub pages: Vec<u8>,
    /// Whether all of it is known.
    pub whole: bool,
    /// The points that are known and were lived through.
    pub points: Vec<CoursePoint>,
}

/// A point of the course.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CoursePoint {
    /// Start, s.
    pub t_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Mean beats a minute while swimming, to 3.9 %; 0 for fewer than 3.
    pub beats_per_min: Option<f32>,
    /// Share of the minutes at rest: 0, 0.25, 0.5 or 0.75, or up to 0.25 more.
    pub rest_at_least: Option<f32>,
}

fn seconds(minutes: u32) -> f64 {
    f64::from(minutes) * 60.0
}

/// The bytes of a line: hexadecimal digits, with spaces or colons between them if liked.
fn bytes(name: &str, row: usize, line: &str) -> Result<Vec<u8>, Problem> {
    let mut digits = Vec::new();
    for (column, c) in line.char_indices() {
        match c.to_digit(16) {
            Some(digit) => digits.push(digit as u8),
            None if c.is_whitespace() || c == ':' || c == '-' => {}
            None => {
                return Err(Problem::new(format!(
                    "{name}: row {row}, column {}: {} is no hexadecimal digit",
                    column + 1,
                    shown(c.to_string().as_bytes())
                ))
                .help("one message a line: 62 hexadecimal digits; lines that begin with # are passed over"));
            }
        }
    }
    Ok(digits.chunks(2).map(|pair| pair.iter().fold(0, |byte, d| byte << 4 | d)).collect())
}

fn sound(bytes: &[u8]) -> Result<Message, String> {
    let whole: &[u8; MESSAGE_BYTES] = bytes
        .try_into()
        .map_err(|_| format!("{} bytes; a message has {MESSAGE_BYTES}", bytes.len()))?;
    Message::decode(whole).map_err(|e| match e {
        MessageError::Damaged => "damaged: the check sum does not fit".to_owned(),
        MessageError::Version(v) => format!("layout {v}, which this version does not know"),
        MessageError::Meaningless => "a code without meaning, though the check sum fits".to_owned(),
    })
}

impl MessageReport {
    /// The report of a text with one message a line.
    ///
    /// # Errors
    /// A character that belongs to no message.
    pub fn new(name: &str, text: &str) -> Result<Self, Problem> {
        let mut refused = Vec::new();
        let mut by_deployment: BTreeMap<u8, Vec<Message>> = BTreeMap::new();
        for (n, line) in text.lines().enumerate() {
            let line = line.trim_start_matches('\u{feff}').trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            match sound(&bytes(name, n + 1, line)?) {
                Ok(m) => by_deployment.entry(m.facts.deployment).or_default().push(m),
                Err(why) => refused.push(Refused { row: n + 1, why }),
            }
        }
        let deployments = by_deployment.values().filter_map(|all| deployment(all)).collect();
        Ok(MessageReport { schema: 1, file: name.to_owned(), refused, deployments })
    }
}

/// Messages that say the same of fate as this one.
fn agreeing(all: &[Message], facts: &Facts) -> usize {
    all.iter().filter(|m| (m.facts.fate, m.facts.fate_min) == (facts.fate, facts.fate_min)).count()
}

fn deployment(all: &[Message]) -> Option<DeploymentReport> {
    let latest = all.iter().max_by_key(|m| m.facts.now_min)?;
    let f = &latest.facts;
    let (fate, fate_detail) = fate_name(f.fate);
    let (recovery, t_h, se_h) = match f.recovery {
        Recovery::Unknown => ("unknown", None, None),
        Recovery::Estimated { t_h, se_h } => ("estimated", Some(t_h), Some(se_h)),
        Recovery::Decided { t_h, se_h } => ("decided", Some(t_h), Some(se_h)),
    };
    // Tenths of an hour: whole seconds.
    let hours = |h: Option<f32>| h.map(|h| (f64::from(h) * 3600.0).round());
    let [chosen @ .., newest] = f.chosen;
    let names = [
        (checks::ACCELEROMETER, "accelerometer_fault"),
        (checks::CLIPPED, "clipped_axis"),
        (checks::GAP, "gap"),
        (checks::CLOCK, "clock_jump"),
        (checks::DEPTH, "depth_fault"),
        (checks::MEMORY, "record_lost"),
        (checks::RESET, "reset"),
        (checks::RELEASE_VERIFIED, "release_verified"),
    ];
    Some(DeploymentReport {
        deployment: f.deployment,
        messages: all.len(),
        agreeing: agreeing(all, f),
        made_t_s: seconds(f.now_min),
        fate,
        fate_detail,
        fate_t_s: f.fate_min.map(seconds),
        recovery,
        recovery_t_s: hours(t_h),
        recovery_se_s: hours(se_h),
        release_cause: f.cause.map(cause_name),
        release_t_s: f.release_min.map(seconds),
        cell_left: f.cell_left,
        checks: names
            .iter()
            .filter(|(bit, _)| f.checks & bit != 0)
            .map(|(_, name)| *name)
            .collect(),
        chosen: CHOSEN_HOURS
            .iter()
            .zip(chosen)
            .map(|(hour, level)| ChosenHour { hour: *hour, beats_per_min: level.beats_per_min() })
            .collect(),
        latest_beats_per_min: newest.beats_per_min(),
        course: course(all),
    })
}

/// The course from the pages that go together: of all such sets the one that
/// tells most, of those the latest.
fn course(all: &[Message]) -> CourseReport {
    let candidates = all.iter().map(|m| {
        let mut pages: BTreeMap<u8, [u8; SHARE_BYTES]> = BTreeMap::new();
        let together = all.iter().filter(|o| {
            let near = o.facts.now_min.abs_diff(m.facts.now_min) <= TOGETHER_MIN;
            (o.step, o.revision) == (m.step, m.revision) && (near || m.revision == FINAL)
        });
        for other in together {
            pages.entry(other.page).or_insert(other.share);
        }
        let shares: Vec<(u8, [u8; SHARE_BYTES])> = pages.into_iter().collect();
        let points = rebuild(&shares);
        let known = points.iter().flatten().count();
        (known, m.revision == FINAL, m.facts.now_min, m, shares, points)
    });
    let best = candidates.max_by_key(|(known, closed, now, ..)| (*known, *closed, *now));
    let Some((known, closed, _, m, shares, points)) = best else {
        return CourseReport {
            step_h: 1,
            closed: false,
            pages: Vec::new(),
            whole: false,
            points: Vec::new(),
        };
    };
    let step_h = 1_u32 << m.step;
    let step_s = f64::from(step_h) * 3600.0;
    let points_known = points
        .iter()
        .enumerate()
        .filter_map(|(n, code)| Some((n, Point::from_code((*code)?))))
        .filter_map(|(n, point)| {
            let rate = point.level.beats_per_min()?;
            Some(CoursePoint {
                t_s: n as f64 * step_s,
                end_s: (n + 1) as f64 * step_s,
                beats_per_min: Some(rate),
                rest_at_least: Some(f32::from(point.rest) * 0.25),
            })
        })
        .collect();
    CourseReport {
        step_h,
        closed,
        pages: shares.iter().map(|(page, _)| *page).collect(),
        whole: known == points.len(),
        points: points_known,
    }
}

/// Reads messages from a file.
///
/// # Errors
/// A file that cannot be read, or in which no message is sound.
pub fn read_messages(path: &Path) -> Result<MessageReport, Problem> {
    let name = path.display().to_string();
    let text = fs::read(path).map_err(|e| Problem::new(format!("{name}: {e}")))?;
    let text = String::from_utf8(text).map_err(|_| {
        Problem::new(format!("{name}: is not text; one message a line was expected"))
            .help("`swaymark unpack IMAGE` reads a flash image")
    })?;
    let report = MessageReport::new(&name, &text)?;
    if report.deployments.is_empty() {
        let first = report.refused.first();
        let why = first.map_or("holds no message".to_owned(), |r| {
            format!("no message is sound; the first, in row {}: {}", r.row, r.why)
        });
        return Err(Problem::new(format!("{name}: {why}"))
            .help("one message a line: 62 hexadecimal digits; docs/message.md has an example"));
    }
    Ok(report)
}
