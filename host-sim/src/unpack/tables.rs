//! Tables of an image or of messages, as CSV.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::image::{Event, ImageReport};
use super::messages::MessageReport;
use crate::batch::write_whole;
use crate::own::Told;
use crate::problem::Problem;

/// Writes a table whole.
fn write<R: Serialize>(
    path: PathBuf,
    rows: impl IntoIterator<Item = R>,
) -> Result<PathBuf, Problem> {
    let problem = |what: String| Problem::new(format!("{}: {what}", path.display()));
    let mut table = csv::Writer::from_writer(Vec::new());
    for row in rows {
        table.serialize(row).map_err(|e| problem(e.to_string()))?;
    }
    let bytes = table.into_inner().map_err(|e| problem(e.to_string()))?;
    write_whole(&path, &bytes)?;
    Ok(path)
}

fn folder(dir: &Path) -> Result<(), Problem> {
    fs::create_dir_all(dir).map_err(|e| Problem::new(format!("{}: {e}", dir.display())))
}

#[derive(Serialize)]
struct EventRow {
    t_s: f64,
    event: &'static str,
    what: Option<&'static str>,
    detail: Option<&'static str>,
    since_s: Option<f64>,
    se_s: Option<f32>,
    value: Option<f64>,
    bound: Option<f32>,
    minute_t_s: Option<f64>,
    minute_beats_per_min: Option<f32>,
    minute_vedba_g: Option<f32>,
    minute_depth_m: Option<f32>,
}

impl EventRow {
    fn new(e: &Event) -> Self {
        EventRow {
            t_s: e.t_s,
            event: e.event,
            what: e.what,
            detail: e.detail,
            since_s: e.since_s,
            se_s: e.se_s,
            value: e.value,
            bound: e.bound,
            minute_t_s: e.minute.map(|m| m.t_s),
            minute_beats_per_min: e.minute.and_then(|m| m.beats_per_min),
            minute_vedba_g: e.minute.map(|m| m.vedba_g),
            minute_depth_m: e.minute.and_then(|m| m.depth_m),
        }
    }
}

#[derive(Serialize)]
struct SampleRow {
    t_s: f64,
    ax_g: Option<f32>,
    ay_g: Option<f32>,
    az_g: Option<f32>,
}

/// Writes the tables of an image into a folder: `STEM.events.csv`,
/// `STEM.hours.csv`, `STEM.minutes.csv`, `STEM.bursts.csv` (a trace), and of the events of
/// a detector of one's own `STEM.own.KIND.csv`, each where there are rows for it. Gives the
/// files.
///
/// # Errors
/// A folder or a file that cannot be written.
pub fn write_image(report: &ImageReport, stem: &str, dir: &Path) -> Result<Vec<PathBuf>, Problem> {
    folder(dir)?;
    let path = |kind: &str| dir.join(format!("{stem}.{kind}.csv"));
    let mut files = Vec::new();
    if !report.events.is_empty() {
        files.push(write(path("events"), report.events.iter().map(EventRow::new))?);
    }
    if !report.hours.is_empty() {
        files.push(write(path("hours"), &report.hours)?);
    }
    if !report.minutes.is_empty() {
        files.push(write(path("minutes"), &report.minutes)?);
    }
    if !report.bursts.is_empty() {
        let rows = report.bursts.iter().flat_map(|b| {
            b.samples_g.iter().enumerate().map(move |(n, [ax_g, ay_g, az_g])| SampleRow {
                t_s: ((b.t_s + n as f64 / f64::from(b.sample_hz)) * 1e6).round() / 1e6,
                ax_g: *ax_g,
                ay_g: *ay_g,
                az_g: *az_g,
            })
        });
        files.push(write(path("bursts"), rows)?);
    }
    let own = report.own.as_ref();
    for kind in own.iter().flat_map(|own| &own.kinds) {
        let told: Vec<&Told> =
            own.iter().flat_map(|own| &own.told).filter(|t| t.event == *kind).collect();
        if !told.is_empty() {
            files.push(write_own(path(&format!("own.{kind}")), &told)?);
        }
    }
    Ok(files)
}

/// Writes the events of one kind: their times, and a column for each of their numbers.
fn write_own(path: PathBuf, told: &[&Told]) -> Result<PathBuf, Problem> {
    let numbers = told.first().into_iter().flat_map(|t| &t.numbers);
    let head = ["t_s"].into_iter().chain(numbers.map(|(name, _)| name.as_str()));
    let rows = told.iter().map(|t| {
        let numbers = t.numbers.iter().map(|(_, value)| value.to_string());
        std::iter::once(t.t_s.to_string()).chain(numbers).collect()
    });
    let head: Vec<String> = head.map(str::to_owned).collect();
    records(path, std::iter::once(head).chain(rows))
}

/// Writes a table of text whole.
fn records(path: PathBuf, rows: impl IntoIterator<Item = Vec<String>>) -> Result<PathBuf, Problem> {
    let problem = |what: String| Problem::new(format!("{}: {what}", path.display()));
    let mut table = csv::Writer::from_writer(Vec::new());
    for row in rows {
        table.write_record(row).map_err(|e| problem(e.to_string()))?;
    }
    let bytes = table.into_inner().map_err(|e| problem(e.to_string()))?;
    write_whole(&path, &bytes)?;
    Ok(path)
}

#[derive(Serialize)]
struct CourseRow {
    deployment: u8,
    t_s: f64,
    end_s: f64,
    beats_per_min: Option<f32>,
    rest_at_least: Option<f32>,
}

/// Writes the courses that messages told: `STEM.course.csv`.
///
/// # Errors
/// A folder or a file that cannot be written.
pub fn write_course(report: &MessageReport, stem: &str, dir: &Path) -> Result<PathBuf, Problem> {
    folder(dir)?;
    let rows = report.deployments.iter().flat_map(|d| {
        d.course.points.iter().map(move |p| CourseRow {
            deployment: d.deployment,
            t_s: p.t_s,
            end_s: p.end_s,
            beats_per_min: p.beats_per_min,
            rest_at_least: p.rest_at_least,
        })
    });
    write(dir.join(format!("{stem}.course.csv")), rows)
}
