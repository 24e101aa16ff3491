//! Reading a trace: CSV, plain or gzip, row by row in constant memory.
//!
//! The layers follow the way of a byte: `open` unpacks, `header` names the
//! columns, `cell` reads a number, and [`TraceReader`] makes a [`Row`] of it.
//! What is wrong with single cells and rows is counted in [`ReadFaults`] and the
//! reading goes on; a file that cannot be a trace is a [`Problem`].

mod cell;
mod decoded;
mod faults;
mod header;
mod open;

use std::collections::VecDeque;
use std::io::{Cursor, Read};
use std::path::Path;

use csv::ByteRecord;
use jiff::fmt::temporal::DateTimeParser;

use crate::pressure;
use crate::problem::{Problem, shown};
use cell::{Cell, Decimals};
use header::Layout;

pub use decoded::{Decoded, Samples};
pub use faults::{READ_FAULTS, ReadFault, ReadFaults, Tally};
pub use header::{AccelUnit, KNOWN as COLUMNS, STANDARD_GRAVITY_MS2};
pub(crate) use open::bounded;
pub use open::{MAX_LINE, Source, open_file};

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
    csv: csv::Reader<Source>,
    record: ByteRecord,
    delimiter: u8,
    gzip: bool,
    /// Lines end in CR alone.
    cr_only: bool,
    records: u64,
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
}

/// What the first rows showed.
#[derive(Default)]
struct Preview {
    seen: usize,
    unreadable: usize,
    first_unreadable: Option<String>,
    times_us: Vec<i64>,
    /// Number of the row, and its time where the cell held one, microseconds.
    timed: Vec<(usize, i64)>,
    empty_times: usize,
    accel_g: Vec<[f64; 3]>,
    widest: usize,
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
        let text = open::text(name, source)?;
        let cr_only = text.head.contains(&b'\r') && !text.head.contains(&b'\n');
        let end = if cr_only { b'\r' } else { b'\n' };
        let first_line = text
            .head
            .split(|&b| b == b'\n' || b == b'\r')
            .find(|line| !line.trim_ascii().is_empty())
            .unwrap_or_default();
        let delimiter = header::delimiter(first_line, &options.columns);
        // The end of line that the last row may lack; an extra one does no harm.
        let bytes = Cursor::new(text.head).chain(text.rest).chain(&b"\n"[..]);
        let source: Source = Box::new(open::LineBound::new(bytes));
        // No quoting here: a stray quote would swallow the rest of the file.
        // Rows with quoted delimiters are split again, one by one.
        let mut csv = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .quoting(false)
            .delimiter(delimiter)
            .terminator(csv::Terminator::Any(end))
            .buffer_capacity(64 * 1024)
            .from_reader(source);
        let mut record = ByteRecord::new();
        loop {
            let more = csv
                .read_byte_record(&mut record)
                .map_err(|e| read_problem(name, "in the header", text.gzip, e))?;
            if !more {
                return Err(Problem::new(format!("{name}: holds no header row, only blank lines")));
            }
            if record.iter().any(|cell| !cell.trim_ascii().is_empty()) {
                break;
            }
        }
        let line = if cr_only { 1 } else { csv.position().line().saturating_sub(1) };
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
        let mut reader = TraceReader {
            name: name.to_owned(),
            csv,
            record,
            delimiter,
            gzip: text.gzip,
            cr_only,
            records: 1,
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
        };
        reader.look_ahead(line)?;
        Ok(reader)
    }

    /// The next row, or `None` at the end.
    ///
    /// # Errors
    /// Damaged gzip data, a line without end, or marks of decimal fractions
    /// that contradict each other.
    pub fn next_row(&mut self) -> Result<Option<Row>, Problem> {
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

    /// Reads the first rows and judges the file by them.
    fn look_ahead(&mut self, header_line: u64) -> Result<(), Problem> {
        let mut ahead = VecDeque::with_capacity(PREVIEW_ROWS);
        loop {
            match self.step()? {
                Step::End => break,
                Step::Skipped => {}
                Step::Row(row) => ahead.push_back(row),
            }
            if self.preview.as_ref().is_none_or(|p| p.seen >= PREVIEW_ROWS) {
                break;
            }
        }
        self.ahead = ahead;
        let Some(preview) = self.preview.take() else { return Ok(()) };
        let name = &self.name;
        if preview.seen == 0 {
            return Err(Problem::new(format!(
                "{name}: holds a header (row {header_line}) and no samples"
            )));
        }
        if self.ahead.is_empty() || 2 * preview.unreadable > preview.seen {
            let mut problem = Problem::new(format!(
                "{name}: {} of the first {} rows cannot be read; the first is {}",
                preview.unreadable,
                preview.seen,
                preview.first_unreadable.as_deref().unwrap_or("unknown"),
            ));
            if preview.empty_times > 0 && self.period_us.is_none() {
                problem = problem.help(
                    "rows with an empty time cell need sample_hz under [logger] in the deployment file",
                );
            }
            if self.layout.utc && self.start_us.is_none() && preview.empty_times < preview.seen {
                problem = problem.help(
                    "write times as 2031-05-04T06:12:00.040Z, or with the hours from UTC as \
                     2031-05-04T08:12:00.040+02:00; where times tell no zone, state utc_offset_h \
                     (0 for UTC) under [columns] in the deployment file; or give seconds from the \
                     start in a column t_s",
                );
            }
            if self.delimiter == b',' && preview.widest + 1 >= 2 * self.layout.names.len() {
                problem = problem.help(
                    "the rows have twice as many cells as the header: decimal commas cannot be \
                     told from separators; write the file with decimal points, or with semicolons \
                     between the cells",
                );
            }
            return Err(problem);
        }
        self.correct_start(&preview.times_us);
        self.check_unit(&preview.accel_g)?;
        self.inferred_hz = self.infer_rate(&preview.timed)?;
        if preview.empty_times > 0 {
            self.notices
                .push(format!("{}: empty time cells are filled in from sample_hz", self.name));
        }
        if self.decimals.comma {
            self.notices.push(format!("{}: decimal commas are read as decimal points", self.name));
        }
        Ok(())
    }

    /// A worn tag reads about 1 g on average, whatever the animal does: another
    /// unit under the name of this one shows at once.
    fn check_unit(&mut self, accel_g: &[[f64; 3]]) -> Result<(), Problem> {
        let moves = |axis: usize| {
            accel_g.iter().any(|a| a[axis] != accel_g[0][axis]) // not a stuck axis
        };
        if accel_g.len() < 20 || !(moves(0) && moves(1) && moves(2)) {
            return Ok(());
        }
        let mut size: Vec<f64> =
            accel_g.iter().map(|a| (a[0] * a[0] + a[1] * a[1] + a[2] * a[2]).sqrt()).collect();
        let middle = size.len() / 2;
        let (_, &mut median, _) = size.select_nth_unstable_by(middle, f64::total_cmp);
        let near = |want: f64| median > 0.85 * want && median < 1.15 * want;
        let unit = self.layout.unit;
        let looks_like = match unit {
            AccelUnit::G if near(STANDARD_GRAVITY_MS2) => {
                Some("m/s2 (columns ax_ms2, ay_ms2, az_ms2)")
            }
            AccelUnit::Ms2 if near(1.0 / STANDARD_GRAVITY_MS2) => {
                Some("g (columns ax_g, ay_g, az_g)")
            }
            AccelUnit::G | AccelUnit::Ms2 if median > 50.0 => Some(
                "milli-g or counts (columns ax_raw, ay_raw, az_raw, and counts_per_g in the deployment file)",
            ),
            AccelUnit::Raw if !(0.2..=5.0).contains(&median) => {
                Some("counts of another scale (counts_per_g in the deployment file)")
            }
            _ => None,
        };
        if let Some(looks_like) = looks_like {
            let shown = if unit == AccelUnit::Ms2 { median * STANDARD_GRAVITY_MS2 } else { median };
            let (read_as, want) = match unit {
                AccelUnit::Ms2 => ("m/s2", "9.8 m/s2"),
                AccelUnit::G | AccelUnit::Raw => ("g", "1 g"),
            };
            return Err(Problem::new(format!(
                "{}: columns {}: wrong unit: the first {} rows have a median magnitude of {shown:.2} \
                 {read_as}, and about {want} was expected",
                self.name,
                unit.columns().join(", "),
                accel_g.len(),
            ))
            .help(format!("this looks like {looks_like}")));
        }
        if !(0.5..=2.0).contains(&median) {
            self.notices.push(format!(
                "{}: the first rows have a median magnitude of {median:.2} g, and about 1 g was \
                 expected; check unit, scale and sensor",
                self.name
            ));
        }
        Ok(())
    }

    /// Mean of the regular steps: the median picks out which are regular, the
    /// mean is free of the rounding of single times. `timed` holds the numbers of
    /// rows and their times.
    fn infer_rate(&self, timed: &[(usize, i64)]) -> Result<Option<f64>, Problem> {
        // Rows and time between two rows with a time of their own.
        let steps: Vec<(f64, f64)> = timed
            .windows(2)
            .map(|w| ((w[1].0 - w[0].0) as f64, w[1].1.saturating_sub(w[0].1) as f64))
            .collect();
        if steps.is_empty() {
            return Ok(None);
        }
        let mut sorted: Vec<f64> = steps.iter().map(|(rows, us)| us / rows.max(1.0)).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        let median = sorted[sorted.len() / 2];
        if median <= 0.0 {
            let (column, why) = if self.layout.utc {
                ("time_utc", "times to the millisecond were expected")
            } else {
                ("t_s", "seconds with decimals were expected")
            };
            return Err(Problem::new(format!(
                "{}: column {column}: time stands still or runs back in most of the first {} rows; {why}",
                self.name,
                timed.len(),
            ))
            .help(
                "where the logger tells whole seconds only, keep the time in the first row of each \
                 second, leave the other time cells empty, and state sample_hz under [logger] in \
                 the deployment file",
            ));
        }
        let (mut rows, mut us) = (0.0, 0.0);
        for (n, step_us) in steps {
            if step_us >= 0.5 * median * n && step_us <= 1.5 * median * n {
                rows += n;
                us += step_us;
            }
        }
        let hz = 1e6 * rows / us;
        // Four figures: more is the rounding of the times.
        let unit = 10f64.powi(hz.log10().floor() as i32 - 3);
        Ok(Some(((hz / unit).round() * unit * 1e6).round() / 1e6))
    }

    /// Reads one record and makes a row of it.
    #[inline]
    fn step(&mut self) -> Result<Step, Problem> {
        match self.csv.read_byte_record(&mut self.record) {
            Ok(true) => {}
            Ok(false) => return Ok(Step::End),
            Err(e) => {
                let place = format!("after row {}", self.line());
                return Err(read_problem(&self.name, &place, self.gzip, e));
            }
        }
        self.records += 1;
        let line = self.line();
        if self.record.len() != self.layout.names.len() && !self.mend(line) {
            return Ok(Step::Skipped);
        }
        if let Some(p) = &mut self.preview {
            p.seen += 1;
        }
        let step = self.row(line)?;
        if let Some(column) = self.mixed_decimals {
            return Err(Problem::new(format!(
                "{}: row {line}, column {}: decimal commas and decimal points in one file; what \
                 {} means cannot be told",
                self.name,
                self.layout.names[column],
                shown(cell(&self.record, column)),
            ))
            .help("write the file with decimal points throughout"));
        }
        Ok(step)
    }

    /// Makes a row of the record that was read.
    #[inline]
    fn row(&mut self, line: u64) -> Result<Step, Problem> {
        let Some(us) = self.time(line)? else {
            self.bad(ReadFault::BadTime, line, self.layout.time);
            self.unreadable();
            return Ok(Step::Skipped);
        };
        let start = *self.start_us.get_or_insert(us);
        if let Some(last) = self.last_us
            && us <= last
        {
            let kind = if us == last { ReadFault::DuplicateTime } else { ReadFault::TimeBackwards };
            self.faults.add(kind, line);
        }
        self.last_us = Some(us);

        let mut accel = [f64::NAN; 3];
        for (axis, value) in accel.iter_mut().enumerate() {
            let column = self.layout.accel[axis];
            match self.number(column) {
                Cell::Number(v) => *value = v * self.scale_to_g,
                Cell::Empty => self.bad(ReadFault::EmptyCell, line, column),
                Cell::Bad => self.bad(ReadFault::NotANumber, line, column),
            }
        }
        if let Some(p) = &mut self.preview {
            p.times_us.push(us);
            if accel.iter().all(|v| v.is_finite()) {
                p.accel_g.push(accel);
            }
        }
        let mut accel_g = accel.map(|v| v as f32);
        for axis in 0..3 {
            if accel[axis].abs() > MAX_ACCEL_G {
                self.bad(ReadFault::OutOfRange, line, self.layout.accel[axis]);
                accel_g[axis] = f32::NAN;
            }
        }
        if self.preview.is_some() && accel_g.iter().all(|v| v.is_nan()) {
            self.unreadable();
        }

        let depth_m = match self.layout.depth {
            Some(column) => self.reading(line, column, self.layout.pressure, DEPTH_RANGE_M),
            None => None,
        };
        let temp_c = match self.layout.temp {
            Some(column) => self.reading(line, column, false, TEMP_RANGE_C),
            None => None,
        };
        let t_us = self.tag_time(us, start);
        let temp_c = temp_c.filter(|t| !t.is_nan());
        Ok(Step::Row(Row { line, t_us, accel_g, depth_m, temp_c }))
    }

    /// Time since the first row, microseconds. A clock that fell back to before
    /// the first row (a logger that lost its date) runs on from 0.
    #[inline]
    fn tag_time(&mut self, us: i64, start: i64) -> u64 {
        let base = if us >= start {
            self.fallen_back_us = None;
            start
        } else {
            let base = self.fallen_back_us.unwrap_or(us).min(us);
            self.fallen_back_us = Some(base);
            base
        };
        u64::try_from(us.saturating_sub(base)).unwrap_or(0)
    }

    /// Where the first row was ahead of most others, its time was wrong: the
    /// start is where the others begin.
    fn correct_start(&mut self, times_us: &[i64]) {
        let Some(start) = self.start_us else { return };
        let before = times_us.iter().filter(|&&us| us < start).count();
        let Some(first) = times_us.iter().position(|&us| us < start) else { return };
        if 2 * before <= times_us.len() {
            return;
        }
        let start = times_us[first];
        self.start_us = Some(start);
        self.fallen_back_us = None;
        let mut ahead = std::mem::take(&mut self.ahead);
        for (n, (row, &us)) in ahead.iter_mut().zip(times_us).enumerate() {
            row.t_us = if n < first { 0 } else { self.tag_time(us, start) };
        }
        self.ahead = ahead;
    }

    /// Time of the record on the file's own clock, microseconds, or `None`
    /// where it cannot be read.
    #[inline]
    fn time(&mut self, line: u64) -> Result<Option<i64>, Problem> {
        let column = self.layout.time;
        let us = if self.layout.utc {
            let text = cell(&self.record, column).trim_ascii();
            let text = match text {
                [b'"', inner @ .., b'"'] => inner,
                _ => text,
            };
            if text.is_empty() {
                return Ok(self.follow_on());
            }
            match self.times.parse_timestamp(text) {
                Ok(t) => Some(t.as_microsecond()),
                Err(_) => self.zoneless(text),
            }
        } else {
            match self.number(column) {
                Cell::Number(s) if s.abs() <= MAX_T_S => {
                    let us = s * 1e6;
                    Some((us + 0.5f64.copysign(us)) as i64)
                }
                Cell::Number(s) if self.start_us.is_none() && s > 0.0 && s < 1e20 => {
                    return Err(Problem::new(format!(
                        "{}: row {line}, column t_s: {} is not a time since the start of a file",
                        self.name,
                        shown(cell(&self.record, column)),
                    ))
                    .help(
                        "t_s is in seconds and starts near 0; for dates use a column time_utc \
                         (RFC 3339)",
                    ));
                }
                Cell::Empty => return Ok(self.follow_on()),
                _ => None,
            }
        };
        if let Some(us) = us {
            self.timed = Some((us, 0));
            if let Some(p) = &mut self.preview {
                p.timed.push((p.seen, us));
            }
        }
        Ok(us)
    }

    /// A date and time without a zone, where it is known how far clocks were from UTC.
    #[cold]
    fn zoneless(&self, text: &[u8]) -> Option<i64> {
        let offset_us = self.offset_us?;
        let civil = self.times.parse_datetime(text).ok()?;
        let as_utc = jiff::tz::Offset::UTC.to_timestamp(civil).ok()?;
        Some(as_utc.as_microsecond() - offset_us)
    }

    /// Time of a row with an empty time cell: so many sample periods after the
    /// last time read.
    fn follow_on(&mut self) -> Option<i64> {
        if let Some(p) = &mut self.preview {
            p.empty_times += 1;
        }
        let (us, rows) = self.timed.as_mut()?;
        *rows += 1;
        let since_us = self.period_us? * f64::from(*rows);
        (since_us <= MAX_UNTIMED_US).then(|| us.saturating_add(since_us.round() as i64))
    }

    /// An optional reading; `NaN` where it is no number or outside `range`.
    #[inline]
    fn reading(
        &mut self,
        line: u64,
        column: usize,
        pressure: bool,
        range: (f64, f64),
    ) -> Option<f32> {
        if cell(&self.record, column).is_empty() {
            return None;
        }
        let fault = match self.number(column) {
            Cell::Empty => return None,
            Cell::Number(mut v) => {
                // Beyond the deepest sea the formula means nothing.
                if pressure && v.abs() < 12_000.0 {
                    v = pressure::depth_m(v, self.latitude_deg);
                }
                if v >= range.0 && v <= range.1 {
                    return Some(v as f32);
                }
                ReadFault::OutOfRange
            }
            Cell::Bad => ReadFault::NotANumber,
        };
        self.bad(fault, line, column);
        Some(f32::NAN)
    }

    /// Reads the number in a column.
    #[inline]
    fn number(&mut self, column: usize) -> Cell {
        let cell = cell(&self.record, column);
        if self.delimiter == b',' {
            return cell::number(cell);
        }
        let read = cell::number_noting(cell, &mut self.decimals);
        if self.decimals.comma && self.decimals.point && self.mixed_decimals.is_none() {
            self.mixed_decimals = Some(column);
        }
        read
    }

    /// Line of the record read last.
    #[inline]
    fn line(&self) -> u64 {
        // The parser counts LF, and has read past the one that ends the record.
        if self.cr_only { self.records } else { self.csv.position().line().saturating_sub(1) }
    }

    /// A row of another length than the header. True where it can be used.
    #[cold]
    fn mend(&mut self, line: u64) -> bool {
        if self.record.iter().all(|cell| cell.trim_ascii().is_empty()) && self.record.len() == 1 {
            return false; // a blank line
        }
        let want = self.layout.names.len();
        let mut got = self.record.len();
        if got > want && self.record.as_slice().contains(&b'"') {
            // Perhaps quoted cells that hold the delimiter.
            let joined: Vec<&[u8]> = self.record.iter().collect();
            let joined = joined.join(&self.delimiter);
            let mut again = csv::ReaderBuilder::new()
                .has_headers(false)
                .flexible(true)
                .delimiter(self.delimiter)
                .from_reader(&joined[..]);
            let mut record = ByteRecord::new();
            if matches!(again.read_byte_record(&mut record), Ok(true)) && record.len() == want {
                self.record = record;
                return true;
            }
        }
        while got > want && cell(&self.record, got - 1).trim_ascii().is_empty() {
            got -= 1; // separators at the end of the row
        }
        if got == want {
            return true;
        }
        self.faults.add(ReadFault::RaggedRow, line);
        if got < want && got >= self.layout.needed {
            return true; // only optional cells at the end are wanting
        }
        if let Some(p) = &mut self.preview {
            p.seen += 1;
            p.unreadable += 1;
            p.widest = p.widest.max(got);
            p.first_unreadable.get_or_insert_with(|| {
                format!("row {line}: it has {got} cells, and the header has {want}")
            });
        }
        false
    }

    /// Counts a cell at fault.
    #[cold]
    fn bad(&mut self, kind: ReadFault, line: u64, column: usize) {
        self.faults.add(kind, line);
        if let Some(p) = &mut self.preview {
            p.first_unreadable.get_or_insert_with(|| {
                let expected = match (column == self.layout.time, self.layout.utc) {
                    (true, true) => "a date and time with zone (RFC 3339)",
                    _ => "a number",
                };
                format!(
                    "row {line}, column {}: {} where {expected} was expected",
                    self.layout.names[column],
                    shown(cell(&self.record, column)),
                )
            });
        }
    }

    /// Counts a row that told nothing.
    #[cold]
    fn unreadable(&mut self) {
        if let Some(p) = &mut self.preview {
            p.unreadable += 1;
        }
    }
}

/// A cell of a record, without the CR of a CR LF end of line; empty where the
/// row is too short.
#[inline]
fn cell(record: &ByteRecord, column: usize) -> &[u8] {
    match record.get(column) {
        Some([cell @ .., b'\r']) => cell,
        Some(cell) => cell,
        None => b"",
    }
}

/// An error of the CSV layer as a [`Problem`].
fn read_problem(name: &str, place: &str, gzip: bool, error: csv::Error) -> Problem {
    match error.into_kind() {
        csv::ErrorKind::Io(e) => open::damaged(name, place, gzip, &e),
        other => Problem::new(format!("{name}: {place}: cannot be read: {other:?}")),
    }
}
