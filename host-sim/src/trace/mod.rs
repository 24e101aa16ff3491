//! Reading a trace: CSV, plain or gzip, row by row in constant memory.
//!
//! The layers follow the way of a byte: `open` unpacks, `lines` finds the lines,
//! `header` names the columns, `quick` reads rows of `plain` numbers, `record` and
//! `cell` any other, and [`TraceReader`] makes a [`Row`] of it. `preview` judges the
//! file by its first rows; `part` finds the deployment within the record. What is wrong with single cells and rows is counted in
//! [`ReadFaults`] and the reading goes on; a file that cannot be a trace is a [`Problem`].

mod cell;
mod decoded;
mod faults;
mod header;
mod lines;
mod open;
mod part;
mod plain;
mod preview;
mod quick;
mod record;
mod rows;

use std::collections::VecDeque;
use std::io::{Cursor, Read};
use std::path::Path;

use csv::ByteRecord;
use jiff::fmt::temporal::DateTimeParser;

use crate::pressure;
use crate::problem::Problem;
use cell::Decimals;
use header::Layout;
use lines::Lines;
use part::Part;
use preview::Preview;
use quick::{Cells, Quick};
use record::{cell, split};

pub use decoded::{Decoded, Runs, Samples};
pub use faults::{READ_FAULTS, ReadFault, ReadFaults, Tally};
pub use header::{AccelUnit, KNOWN as COLUMNS, STANDARD_GRAVITY_MS2};
pub(crate) use open::bounded;
pub use open::{MAX_LINE, Source, open_file};
pub use part::{Bounds, Found, Placed};
pub use rows::{Rows, Stretch};

/// Rows looked at before the first is handed out: they give the sample rate and
/// show whether the file can be what it says.
pub const PREVIEW_ROWS: usize = 1000;

/// Acceleration beyond this is no reading of a logger's sensor, g (the widest
/// full scale allowed is 32 g).
const MAX_ACCEL_G: f64 = 100.0;
/// Depths a reading can have, m: the deepest sea is less than 11 100 m deep, and
/// a sensor in air may read a few metres above the surface.
const DEPTH_RANGE_M: (f64, f64) = (-50.0, 11_100.0);
/// Temperatures a reading can have, deg C.
const TEMP_RANGE_C: (f64, f64) = (-60.0, 90.0);
/// Longest time since the start of a file taken as such, s (three years).
const MAX_T_S: f64 = 1.0e8;
/// The same, microseconds.
const MAX_T_US: i64 = 100_000_000_000_000;

/// One sample as read from the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Line of the file, from 1 (the header is a line too).
    pub line: u64,
    /// Time since the first row, microseconds. A clock that falls back to before
    /// the first row runs on from 0.
    pub t_us: u64,
    /// Acceleration, g; a missing axis is `NaN`.
    pub accel_g: [f32; 3],
    /// Depth below the surface, m. `None`: no reading with this row. `NaN`: a
    /// reading that is no number, or an impossible one.
    pub depth_m: Option<f32>,
    /// Temperature, deg C, where a sound reading came with this row.
    pub temp_c: Option<f32>,
}

/// Longest stretch of rows without a time of their own, microseconds.
const MAX_UNTIMED_US: f64 = 60e6;

/// What has to be known to read a trace.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadOptions {
    /// Sample rate where stated, Hz. Rows with an empty time cell follow the last
    /// time by it; where it is not stated they cannot be read.
    pub sample_hz: Option<f64>,
    /// Counts for one g, for raw samples; `None` where unknown.
    pub counts_per_g: Option<f64>,
    /// Latitude for pressure to depth, degrees.
    pub latitude_deg: f64,
    /// Columns under other names: ours, and that in the file.
    pub columns: Vec<(&'static str, String)>,
    /// How far clocks are ahead of UTC where a date and time tells no zone, h;
    /// `None`: such a time cannot be read.
    pub utc_offset_h: Option<f64>,
}

impl Default for ReadOptions {
    fn default() -> Self {
        ReadOptions {
            sample_hz: None,
            counts_per_g: None,
            latitude_deg: 45.0,
            columns: Vec::new(),
            utc_offset_h: None,
        }
    }
}

/// Reads a trace row by row.
pub struct TraceReader {
    name: String,
    lines: Lines<Source>,
    /// Reads plain rows, once it is known how numbers are written.
    quick: Option<Quick>,
    /// Rows end in CR LF.
    crlf: bool,
    record: ByteRecord,
    delimiter: u8,
    gzip: bool,
    layout: Layout,
    scale_to_g: f64,
    latitude_deg: f64,
    decimals: Decimals,
    /// Column in which the second way of writing decimals was met.
    mixed_decimals: Option<usize>,
    times: DateTimeParser,
    /// How far clocks are ahead of UTC where no zone is told, microseconds.
    offset_us: Option<i64>,
    start_us: Option<i64>,
    last_us: Option<i64>,
    /// Time between samples as stated, microseconds.
    period_us: Option<f64>,
    /// Last time read from a cell, microseconds, and the rows read since.
    timed: Option<(i64, u32)>,
    /// Where a clock that fell back to before the start began anew.
    fallen_back_us: Option<i64>,
    faults: ReadFaults,
    ahead: VecDeque<Row>,
    preview: Option<Preview>,
    inferred_hz: Option<f64>,
    notices: Vec<String>,
    /// The part that is the deployment, once that was looked for.
    part: Option<Box<Part>>,
}

enum Step {
    End,
    Skipped,
    Row(Row),
}

impl TraceReader {
    /// Opens the trace at `path` and reads its first rows.
    ///
    /// # Errors
    /// A file that cannot be opened, or cannot be a trace.
    pub fn open(path: &Path, options: &ReadOptions) -> Result<Self, Problem> {
        Self::from_source(&path.display().to_string(), Box::new(open_file(path)?), options)
    }

    /// Reads a trace from any source of bytes; `name` is used in messages.
    ///
    /// # Errors
    /// A source that cannot be a trace.
    pub fn from_source(name: &str, source: Source, options: &ReadOptions) -> Result<Self, Problem> {
        let mut reader = Self::headed(name, source, options)?;
        if reader.delimiter == b',' {
            reader.quick = Some(reader.quick_with(b'.'));
        }
        reader.look_ahead()?;
        if reader.quick.is_none() {
            reader.quick = Some(reader.quick_with(match reader.decimals {
                Decimals { comma: true, point: false } => b',',
                Decimals { comma: false, point: true } => b'.',
                // Not known yet, and the first to be met is to be noted.
                _ => 0,
            }));
        }
        Ok(reader)
    }

    /// The same, without ever reading a row in one pass.
    #[cfg(test)]
    fn cell_by_cell(name: &str, source: Source, options: &ReadOptions) -> Result<Self, Problem> {
        let mut reader = Self::headed(name, source, options)?;
        reader.look_ahead()?;
        Ok(reader)
    }

    /// A reader of plain rows; `point`: the mark before decimals, 0: none.
    fn quick_with(&self, point: u8) -> Quick {
        Quick::new(&self.layout, self.delimiter, self.lines.end(), self.crlf, point)
    }

    /// Reads the header.
    fn headed(name: &str, source: Source, options: &ReadOptions) -> Result<Self, Problem> {
        let text = open::text(name, source)?;
        let cr_only = text.head.contains(&b'\r') && !text.head.contains(&b'\n');
        let end = if cr_only { b'\r' } else { b'\n' };
        let first_line = text
            .head
            .split(|&b| b == b'\n' || b == b'\r')
            .find(|line| !line.trim_ascii().is_empty())
            .unwrap_or_default();
        let delimiter = header::delimiter(first_line, &options.columns);
        let bytes: Source = Box::new(Cursor::new(text.head).chain(text.rest));
        let bounded: Source = Box::new(open::LineBound::new(bytes));
        let mut lines = Lines::new(bounded, end);
        // No quoting here: a stray quote would swallow the rest of the file.
        // Rows with quoted delimiters are split again, one by one.
        let mut record = ByteRecord::new();
        let headed = |e| open::damaged(name, "in the header", text.gzip, &e);
        loop {
            let Some(row) = lines.next().map_err(headed)? else {
                return Err(Problem::new(format!("{name}: holds no header row, only blank lines")));
            };
            split(row, delimiter, &mut record);
            if record.iter().any(|cell| !cell.trim_ascii().is_empty()) {
                break;
            }
        }
        let line = lines.count();
        let (layout, mut notices) = {
            let cells = (0..record.len()).map(|column| cell(&record, column));
            header::layout(name, line, cells, &options.columns)?
        };
        let what = match delimiter {
            b';' => Some("semicolons"),
            b'\t' => Some("tabs"),
            b'|' => Some("vertical bars"),
            _ => None,
        };
        if let Some(what) = what {
            notices.push(format!("{name}: cells are separated by {what}, not commas"));
        }
        let scale_to_g = match layout.unit {
            AccelUnit::G => 1.0,
            AccelUnit::Ms2 => 1.0 / STANDARD_GRAVITY_MS2,
            AccelUnit::Raw => {
                1.0 / options.counts_per_g.ok_or_else(|| {
                    Problem::new(format!(
                        "{name}: row {line}, column ax_raw: counts need a scale, and none is given"
                    ))
                    .help("state counts_per_g under [logger] in the deployment file")
                })?
            }
        };
        Ok(TraceReader {
            name: name.to_owned(),
            lines,
            quick: None,
            crlf: record.as_slice().ends_with(b"\r"),
            record,
            delimiter,
            gzip: text.gzip,
            layout,
            scale_to_g,
            latitude_deg: options.latitude_deg,
            decimals: Decimals::default(),
            mixed_decimals: None,
            times: DateTimeParser::new(),
            offset_us: options.utc_offset_h.map(|h| (h * 3.6e9).round() as i64),
            start_us: None,
            last_us: None,
            period_us: options.sample_hz.map(|hz| 1e6 / hz),
            timed: None,
            fallen_back_us: None,
            faults: ReadFaults::default(),
            ahead: VecDeque::new(),
            preview: Some(Preview::default()),
            inferred_hz: None,
            notices,
            part: None,
        })
    }

    /// The next row, or `None` at the end.
    ///
    /// # Errors
    /// Damaged gzip data, a line without end, or marks of decimal fractions
    /// that contradict each other.
    pub fn next_row(&mut self) -> Result<Option<Row>, Problem> {
        let mut next = None;
        self.each(1, |row| next = Some(*row))?;
        Ok(next)
    }

    /// Reads rows into `rows` until there are `most`. False: these are the last.
    ///
    /// # Errors
    /// As [`TraceReader::next_row`]; the rows before are in `rows`.
    pub fn read(&mut self, rows: &mut Rows, most: usize) -> Result<bool, Problem> {
        let lacking = most.saturating_sub(rows.len());
        self.each(lacking, |row| rows.push(row))
    }

    /// Hands rows to `take` until it got `most`. False: these were the last.
    ///
    /// # Errors
    /// As [`TraceReader::next_row`]; the rows before were handed over.
    pub fn each(&mut self, most: usize, take: impl FnMut(&Row)) -> Result<bool, Problem> {
        let Some(mut part) = self.part.take() else { return self.each_of_record(most, take) };
        let more = self.each_of_part(&mut part, most, take);
        self.part = Some(part);
        more
    }

    /// The same, of the whole record.
    fn each_of_record(&mut self, most: usize, mut take: impl FnMut(&Row)) -> Result<bool, Problem> {
        let mut lacking = most;
        while lacking > 0 {
            lacking -= self.plain_rows(lacking, true, &mut take);
            if lacking == 0 {
                break;
            }
            match self.any_row()? {
                Some(row) => take(&row),
                None => return Ok(false),
            }
            lacking -= 1;
        }
        Ok(true)
    }

    /// Hands the next rows to `take` as long as they are written plainly and nothing about
    /// them is odd, at most so many; gives how many. `follow`: a time may be left out, where the
    /// sample rate is stated.
    #[inline]
    fn plain_rows(&mut self, most: usize, follow: bool, mut take: impl FnMut(&Row)) -> usize {
        if !self.ahead.is_empty() || self.fallen_back_us.is_some() {
            return 0;
        }
        let (Some(start_us), Some(mut last_us), Some(mut quick)) =
            (self.start_us, self.last_us, self.quick.take())
        else {
            return 0;
        };
        let scale = self.scale_to_g;
        let mut taken = 0;
        let mut line = self.lines.count();
        let mut at = 0;
        let text = self.lines.ahead();
        let mut timed = self.timed;
        while taken < most {
            let Some(cells) = text.get(at..).and_then(|rest| quick.row(rest)) else { break };
            let (x, y, z) = (cells.x * scale, cells.y * scale, cells.z * scale);
            if x.abs() > MAX_ACCEL_G || y.abs() > MAX_ACCEL_G || z.abs() > MAX_ACCEL_G {
                break;
            }
            let accel_g = [x as f32, y as f32, z as f32];
            let Ok(depth_m) = self.depth(&cells) else { break };
            let Ok(temp_c) = within(cells.temp, TEMP_RANGE_C) else { break };
            let followed = match cells.us {
                Some(us) if us.abs() <= MAX_T_US || self.layout.utc => (us, (us, 0)),
                Some(_) => break,
                None if !follow => break,
                None => match followed(timed, self.period_us) {
                    Some(followed) => followed,
                    None => break,
                },
            };
            let us = followed.0;
            if us <= last_us {
                break;
            }
            let Some(Ok(t_us)) = us.checked_sub(start_us).map(u64::try_from) else { break };
            last_us = us;
            timed = Some(followed.1);
            at += cells.len;
            line += 1;
            taken += 1;
            take(&Row { line, t_us, accel_g, depth_m, temp_c });
        }
        self.lines.skip(at, taken);
        self.quick = Some(quick);
        self.last_us = Some(last_us);
        self.timed = timed;
        taken
    }

    /// The depth among plain cells, m.
    #[inline]
    fn depth(&self, cells: &Cells) -> Result<Option<f32>, ReadFault> {
        let Some(mut depth) = cells.depth else { return Ok(None) };
        if self.layout.pressure {
            depth = self.pressure_to_depth(depth);
        }
        within(Some(depth), DEPTH_RANGE_M)
    }

    /// Depth for a pressure, m; beyond the deepest sea the formula means nothing.
    fn pressure_to_depth(&self, dbar: f64) -> f64 {
        if dbar.abs() < 12_000.0 { pressure::depth_m(dbar, self.latitude_deg) } else { dbar }
    }

    /// The next row, however it is written.
    #[cold]
    #[inline(never)]
    fn any_row(&mut self) -> Result<Option<Row>, Problem> {
        if let Some(row) = self.ahead.pop_front() {
            return Ok(Some(row));
        }
        loop {
            match self.step()? {
                Step::Row(row) => return Ok(Some(row)),
                Step::Skipped => {}
                Step::End => return Ok(None),
            }
        }
    }

    /// Sample rate from the times of the first rows, Hz; `None` where there are
    /// too few.
    pub fn inferred_hz(&self) -> Option<f64> {
        self.inferred_hz
    }

    /// Unix time of the first row, microseconds, where the file gives dates.
    pub fn start_unix_us(&self) -> Option<i64> {
        self.start_us.filter(|_| self.layout.utc)
    }

    /// `t_s` of the first row, s; 0 where the file gives dates.
    pub fn first_t_s(&self) -> f64 {
        match self.start_us {
            Some(us) if !self.layout.utc => us as f64 / 1e6,
            _ => 0.0,
        }
    }

    /// Whether the file has a column of depth or pressure.
    pub fn has_depth(&self) -> bool {
        self.layout.depth.is_some()
    }

    /// Whether depth is worked out from pressure, which needs the latitude.
    pub fn has_pressure(&self) -> bool {
        self.layout.pressure
    }

    /// Unit of the acceleration columns.
    pub fn accel_unit(&self) -> AccelUnit {
        self.layout.unit
    }

    /// Faults counted so far.
    pub fn faults(&self) -> &ReadFaults {
        &self.faults
    }

    /// What a person should know about how the file was understood.
    pub fn notices(&self) -> &[String] {
        &self.notices
    }
}

/// Time of a row with an empty time cell, microseconds, so many periods after the last that
/// was read from a cell, with that and the rows since; `None` where it cannot be told.
#[inline]
fn followed(timed: Option<(i64, u32)>, period_us: Option<f64>) -> Option<(i64, (i64, u32))> {
    let (us, rows) = timed?;
    let rows = rows + 1;
    let since_us = period_us? * f64::from(rows);
    let next_us = us.saturating_add(since_us.round() as i64);
    (since_us <= MAX_UNTIMED_US).then_some((next_us, (us, rows)))
}

/// A reading, where there is one, if it lies in `range`.
#[inline]
fn within(reading: Option<f64>, range: (f64, f64)) -> Result<Option<f32>, ReadFault> {
    match reading {
        None => Ok(None),
        Some(v) if v >= range.0 && v <= range.1 => Ok(Some(v as f32)),
        Some(_) => Err(ReadFault::OutOfRange),
    }
}
