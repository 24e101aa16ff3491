//! A row taken apart, cell by cell: every way of writing a number and a time that is
//! understood, and what is wrong with the others.

use csv::ByteRecord;

use super::cell::{self, Cell};
use super::faults::ReadFault;
use super::{
    DEPTH_RANGE_M, MAX_ACCEL_G, MAX_T_S, Row, Step, TEMP_RANGE_C, TraceReader, followed, open,
    within,
};
use crate::problem::{Problem, shown};

impl TraceReader {
    /// Reads one record and makes a row of it.
    pub(super) fn step(&mut self) -> Result<Step, Problem> {
        match self.lines.next() {
            Ok(Some([])) => return Ok(Step::Skipped),
            Ok(Some(line)) => split(line, self.delimiter, &mut self.record),
            Ok(None) => return Ok(Step::End),
            Err(e) => {
                let place = format!("after row {}", self.lines.count());
                return Err(open::damaged(&self.name, &place, self.gzip, &e));
            }
        }
        let line = self.lines.count();
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
    pub(super) fn tag_time(&mut self, us: i64, start: i64) -> u64 {
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
            let us = match self.times.parse_timestamp(text) {
                Ok(t) => Some(t.as_microsecond()),
                Err(_) => self.zoneless(text),
            };
            if let (Some(us), Some(quick)) = (us, &mut self.quick) {
                quick.remember(text, us);
            }
            us
        } else {
            match self.number(column) {
                Cell::Number(s) => match seconds_us(s) {
                    None if self.start_us.is_none() && s > 0.0 && s < 1e20 => {
                        return Err(Problem::new(format!(
                            "{}: row {line}, column t_s: {} is not a time since the start of a file",
                            self.name,
                            shown(cell(&self.record, column)),
                        ))
                        .help(
                            "t_s is in seconds and starts near 0; for dates use a column \
                             time_utc (RFC 3339)",
                        ));
                    }
                    us => us,
                },
                Cell::Empty => return Ok(self.follow_on()),
                Cell::Bad => None,
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
        let (us, timed) = followed(self.timed, self.period_us)?;
        self.timed = Some(timed);
        Some(us)
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
                if pressure {
                    v = self.pressure_to_depth(v);
                }
                match within(Some(v), range) {
                    Ok(reading) => return reading,
                    Err(fault) => fault,
                }
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

/// A time in seconds as microseconds, the nearest; `None` where it cannot be one.
pub(super) fn seconds_us(s: f64) -> Option<i64> {
    let us = s * 1e6;
    (s.abs() <= MAX_T_S).then_some((us + 0.5f64.copysign(us)) as i64)
}

/// A cell of a record, without the CR of a CR LF end of line; empty where the
/// row is too short.
#[inline]
pub(super) fn cell(record: &ByteRecord, column: usize) -> &[u8] {
    match record.get(column) {
        Some([cell @ .., b'\r']) => cell,
        Some(cell) => cell,
        None => b"",
    }
}

/// Takes a line apart.
pub(super) fn split(line: &[u8], delimiter: u8, record: &mut ByteRecord) {
    record.clear();
    let mut from = 0;
    for at in memchr::memchr_iter(delimiter, line) {
        record.push_field(&line[from..at]);
        from = at + 1;
    }
    record.push_field(&line[from..]);
}
