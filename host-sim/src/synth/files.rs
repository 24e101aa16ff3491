//! The three files of a deployment: trace, deployment file, truth file.
//!
//! Each is written beside its place under a passing name and takes its own
//! name only when all three are whole.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use flate2::write::GzEncoder;
use flate2::{Compression, GzBuilder};

use super::decimal::push_fixed;
use super::faults::Row;
use super::handling::Done;
use super::plan::Plan;
use super::sensor::whole;
use super::truth::Event;
use crate::trace;

use super::{AccelColumns, Format, SynthError, TimeColumn, Written};

/// A file under its passing name; removed unless it is kept.
struct Beside {
    part: PathBuf,
    place: PathBuf,
    kept: bool,
}

impl Beside {
    fn create(place: PathBuf) -> Result<(Self, File), SynthError> {
        let mut part = place.clone().into_os_string();
        part.push(".part");
        let part = PathBuf::from(part);
        let file = File::create(&part).map_err(|e| SynthError::io(&part, e))?;
        Ok((Self { part, place, kept: false }, file))
    }

    fn keep(mut self) -> Result<PathBuf, SynthError> {
        fs::rename(&self.part, &self.place).map_err(|e| SynthError::io(&self.place, e))?;
        self.kept = true;
        Ok(self.place.clone())
    }
}

impl Drop for Beside {
    fn drop(&mut self) {
        if !self.kept {
            // Nothing can be done about a failure here; the file is only a leftover.
            let _ = fs::remove_file(&self.part);
        }
    }
}

enum Out {
    Plain(BufWriter<File>),
    Gzip(Box<GzEncoder<BufWriter<File>>>),
}

impl Write for Out {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        match self {
            Self::Plain(w) => w.write(buf),
            Self::Gzip(w) => w.write(buf),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Plain(w) => w.flush(),
            Self::Gzip(w) => w.flush(),
        }
    }
}

/// How the numbers of one trace are written.
pub(crate) struct Layout {
    format: Format,
    sample_hz: f64,
    time_decimals: u32,
    acceleration_decimals: u32,
    acceleration_scale: f64,
    start_s: i64,
    second: (i64, Vec<u8>),
}

impl Layout {
    pub(crate) fn new(plan: &Plan, format: Format) -> Self {
        let hz = plan.sensor.sample_hz;
        let exact = |d: &u32| {
            let x = 10_f64.powi(*d as i32) / hz;
            (x - x.round()).abs() < 1e-9
        };
        let time_decimals = (0..=4).find(exact).unwrap_or(4);
        let per_count = match format.acceleration {
            AccelColumns::G => 1.0 / plan.sensor.counts_per_g,
            AccelColumns::Ms2 => super::posture::STANDARD_GRAVITY / plan.sensor.counts_per_g,
            AccelColumns::Raw => 1.0,
        };
        // Enough decimals that writing adds under an eighth of a count.
        let acceleration_decimals = match format.acceleration {
            AccelColumns::Raw => 0,
            _ => (0..=7).find(|&d| 4.0 * 10_f64.powi(-d) <= per_count).unwrap_or(7) as u32,
        };
        Self {
            format,
            sample_hz: hz,
            time_decimals,
            acceleration_decimals,
            acceleration_scale: per_count * 10_f64.powi(acceleration_decimals as i32),
            start_s: plan.start.as_second(),
            second: (i64::MIN, Vec::new()),
        }
    }

    /// The row as a reader of the written file has it; `line` counts from 1.
    pub(crate) fn read_back(&self, row: &Row, line: u64) -> trace::Row {
        let unit = 10_i64.pow(self.time_decimals);
        let t = whole(row.tick as f64 * unit as f64 / self.sample_hz) + row.shift_s * unit;
        let centi = |wanted: bool, cell: Option<i64>| {
            cell.filter(|_| wanted).map(|c| (c as f64 / 100.0) as f32)
        };
        let by = 10_f64.powi(self.acceleration_decimals as i32);
        trace::Row {
            line,
            t_us: u64::try_from(t * (1_000_000 / unit)).unwrap_or(0),
            accel_g: row.counts.map(|c| match c {
                Some(c) => (whole(f64::from(c) * self.acceleration_scale) as f64 / by) as f32,
                None => f32::NAN,
            }),
            depth_m: centi(self.format.depth, row.depth_cm),
            temp_c: centi(self.format.temperature, row.temp_cc),
        }
    }

    fn header(&self) -> String {
        let mut names = vec![match self.format.time {
            TimeColumn::Seconds | TimeColumn::SparseSeconds => "t_s",
            TimeColumn::Utc => "time_utc",
        }];
        names.extend(match self.format.acceleration {
            AccelColumns::G => ["ax_g", "ay_g", "az_g"],
            AccelColumns::Ms2 => ["ax_ms2", "ay_ms2", "az_ms2"],
            AccelColumns::Raw => ["ax_raw", "ay_raw", "az_raw"],
        });
        if self.format.depth {
            names.push("depth_m");
        }
        if self.format.temperature {
            names.push("temp_c");
        }
        if self.format.wet {
            names.push("wet");
        }
        names.join(",") + "\n"
    }

    fn push(&mut self, out: &mut Vec<u8>, row: &Row) {
        let unit = 10_i64.pow(self.time_decimals);
        let t = whole(row.tick as f64 * unit as f64 / self.sample_hz) + row.shift_s * unit;
        match self.format.time {
            TimeColumn::Seconds => push_fixed(out, t, self.time_decimals),
            TimeColumn::SparseSeconds => {
                if t.rem_euclid(unit) == 0 {
                    push_fixed(out, t / unit, 0);
                }
            }
            TimeColumn::Utc => {
                let second = self.start_s + t.div_euclid(unit);
                if self.second.0 != second {
                    let text = jiff::Timestamp::from_second(second).map_or_else(
                        |_| String::new(),
                        |s| s.strftime("%Y-%m-%dT%H:%M:%S").to_string(),
                    );
                    self.second = (second, text.into_bytes());
                }
                out.extend_from_slice(&self.second.1);
                if self.time_decimals > 0 {
                    let from = out.len();
                    push_fixed(out, t.rem_euclid(unit), self.time_decimals);
                    out.remove(from);
                }
                out.push(b'Z');
            }
        }
        for count in row.counts {
            out.push(b',');
            if let Some(c) = count {
                let scaled = whole(f64::from(c) * self.acceleration_scale);
                push_fixed(out, scaled, self.acceleration_decimals);
            }
        }
        for (wanted, cell) in
            [(self.format.depth, row.depth_cm), (self.format.temperature, row.temp_cc)]
        {
            if wanted {
                out.push(b',');
                if let Some(c) = cell {
                    push_fixed(out, c, 2);
                }
            }
        }
        if self.format.wet {
            out.push(b',');
            let second = (row.tick as f64 / self.sample_hz + 1e-9) as u64;
            if let Some(wet) = row.wet.filter(|_| second.is_multiple_of(2)) {
                out.push(if wet { b'1' } else { b'0' });
            }
        }
        out.push(b'\n');
    }
}

/// The writer of one deployment.
pub(crate) struct Files {
    trace: (Beside, Out),
    truth: (Beside, BufWriter<File>),
    deployment: Beside,
    deployment_toml: String,
    layout: Layout,
    buffer: Vec<u8>,
    rows: u64,
    beats: u64,
    hours: f64,
}

const CHUNK: usize = 1 << 16;

impl Files {
    pub(crate) fn create(
        plan: &Plan,
        dir: &Path,
        name: &str,
        format: Format,
        gzip: bool,
        mount_deg: Option<[f64; 3]>,
    ) -> Result<Self, SynthError> {
        fs::create_dir_all(dir).map_err(|e| SynthError::io(dir, e))?;
        let (deployment, mut file) = Beside::create(dir.join(format!("{name}.toml")))?;
        let deployment_toml = plan.deployment_toml(mount_deg);
        file.write_all(deployment_toml.as_bytes())
            .map_err(|e| SynthError::io(&deployment.part, e))?;
        let (truth, file) = Beside::create(dir.join(format!("{name}.truth.csv")))?;
        let mut truth = (truth, BufWriter::new(file));
        truth.1.write_all(b"t_s,event,end_s\n").map_err(|e| SynthError::io(&truth.0.part, e))?;
        let ending = if gzip { "csv.gz" } else { "csv" };
        let (trace, file) = Beside::create(dir.join(format!("{name}.{ending}")))?;
        let file = BufWriter::with_capacity(CHUNK, file);
        let out = if gzip {
            // No time stamp, so that the same request gives the same bytes.
            Out::Gzip(Box::new(GzBuilder::new().mtime(0).write(file, Compression::best())))
        } else {
            Out::Plain(file)
        };
        let layout = Layout::new(plan, format);
        let mut buffer = Vec::with_capacity(2 * CHUNK);
        buffer.extend_from_slice(layout.header().as_bytes());
        Ok(Self {
            trace: (trace, out),
            truth,
            deployment,
            deployment_toml,
            layout,
            buffer,
            rows: 0,
            beats: 0,
            hours: plan.hours,
        })
    }

    pub(crate) fn row(&mut self, row: &Row) -> Result<(), SynthError> {
        self.rows += 1;
        self.layout.push(&mut self.buffer, row);
        if self.buffer.len() >= CHUNK {
            self.drain()?;
        }
        Ok(())
    }

    fn drain(&mut self) -> Result<(), SynthError> {
        self.trace.1.write_all(&self.buffer).map_err(|e| SynthError::io(&self.trace.0.part, e))?;
        self.buffer.clear();
        Ok(())
    }

    pub(crate) fn event(&mut self, e: &Event) -> Result<(), SynthError> {
        self.beats += u64::from(e.what == super::truth::Happening::Beat);
        let out = &mut self.truth.1;
        match e.end_s {
            Some(end) => writeln!(out, "{:.3},{},{end:.3}", e.t_s, e.what.name()),
            None => writeln!(out, "{:.3},{},", e.t_s, e.what.name()),
        }
        .map_err(|err| SynthError::io(&self.truth.0.part, err))
    }

    /// Writes into the deployment file how long the record is and, where it is to be
    /// `stated`, when the animal was released and the package picked up.
    pub(crate) fn handled(&mut self, done: &Done, stated: bool) -> Result<(), SynthError> {
        self.hours = done.lasts_s / 3600.0;
        let utc = |key: &str, t_s: f64| {
            let start_s = self.layout.start_s;
            let at = jiff::Timestamp::from_second(start_s + whole(t_s));
            at.map_or_else(|_| String::new(), |at| format!("{key} = \"{at}\"\n"))
        };
        let mut bounds = String::new();
        if stated {
            bounds += &utc("release_utc", done.released_s);
            bounds += &done.picked_up_s.map_or_else(String::new, |t| utc("end_utc", t));
        }
        let made = format!("handling = true\nrecord_s = {:.0}\n", done.lasts_s);
        let text = self
            .deployment_toml
            .replacen("latitude_deg", &(bounds + "latitude_deg"), 1)
            .replacen("fault = ", &(made + "fault = "), 1);
        fs::write(&self.deployment.part, text).map_err(|e| SynthError::io(&self.deployment.part, e))
    }

    pub(crate) fn finish(mut self) -> Result<Written, SynthError> {
        self.drain()?;
        let (trace, out) = self.trace;
        let done = match out {
            Out::Plain(mut w) => w.flush(),
            Out::Gzip(w) => w.finish().and_then(|mut w| w.flush()),
        };
        done.map_err(|e| SynthError::io(&trace.part, e))?;
        self.truth.1.flush().map_err(|e| SynthError::io(&self.truth.0.part, e))?;
        // The trace last: whoever sees it finds the other two.
        Ok(Written {
            deployment: self.deployment.keep()?,
            truth: self.truth.0.keep()?,
            trace: trace.keep()?,
            rows: self.rows,
            beats: self.beats,
            duration_s: self.hours * 3600.0,
        })
    }
}
