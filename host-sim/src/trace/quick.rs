//! Whole rows in plain writing, read in one pass where they lie in the buffer.
//!
//! Nearly every row of a trace has the cells that the header promises, each a plain
//! number or empty. Such a row is read here without being taken apart first. Any other
//! is left alone: [`super::record`] reads it cell by cell and says what is wrong.

use super::header::Layout;
use super::plain::Shape;

/// What a column is read as.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Role {
    Seconds,
    Date,
    Axis(usize),
    Depth,
    Temp,
    Other,
}

#[derive(Clone, Copy, Debug)]
struct Column {
    role: Role,
    /// The byte after a cell.
    stop: u8,
    shape: Shape,
}

/// Year to minute of a date and time that was read, what followed the seconds, and when
/// the minute began, microseconds on the file's clock.
#[derive(Clone, Debug)]
struct Minute {
    text: [u8; Minute::LEN],
    zone: Vec<u8>,
    start_us: i64,
}

impl Minute {
    /// Length of `2031-01-07T14:57:`.
    const LEN: usize = 17;
    /// Longest zone that is looked at (`+02:00`).
    const ZONE: usize = 6;
}

/// The cells of a row.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cells {
    /// Bytes of the row, its end among them.
    pub len: usize,
    /// Time on the file's clock, microseconds; `None`: an empty cell.
    pub us: Option<i64>,
    /// Acceleration in the unit of the file.
    pub accel: [f64; 3],
    /// Depth or pressure in the unit of the file.
    pub depth: Option<f64>,
    /// Temperature, deg C.
    pub temp: Option<f64>,
}

/// The reader of plain rows.
#[derive(Debug)]
pub(super) struct Quick {
    columns: Vec<Column>,
    delimiter: u8,
    terminator: u8,
    /// Rows end in CR LF.
    crlf: bool,
    minute: Option<Minute>,
}

impl Quick {
    /// For rows as `layout` says; `point`: the mark before decimals, 0: none.
    pub fn new(layout: &Layout, delimiter: u8, terminator: u8, crlf: bool, point: u8) -> Self {
        let last = layout.names.len() - 1;
        let time = if layout.utc { Role::Date } else { Role::Seconds };
        let columns = (0..=last)
            .map(|column| {
                let axis = layout.accel.iter().position(|&a| a == column);
                let role = match axis {
                    _ if column == layout.time => time,
                    Some(axis) => Role::Axis(axis),
                    None if Some(column) == layout.depth => Role::Depth,
                    None if Some(column) == layout.temp => Role::Temp,
                    None => Role::Other,
                };
                let stop = match (column == last, crlf) {
                    (false, _) => delimiter,
                    (true, true) => b'\r',
                    (true, false) => terminator,
                };
                // The seconds of a date have a point, whatever other numbers have.
                let point = if role == Role::Date { b'.' } else { point };
                Column { role, stop, shape: Shape::new(point) }
            })
            .collect();
        Quick { columns, delimiter, terminator, crlf, minute: None }
    }

    /// The row at the start of `text`, where it is a plain one.
    #[inline]
    pub fn row(&mut self, text: &[u8]) -> Option<Cells> {
        let mut row = Cells { len: 0, us: None, accel: [0.0; 3], depth: None, temp: None };
        let mut at = 0;
        for column in &mut self.columns {
            let (stop, shape) = (column.stop, &mut column.shape);
            match column.role {
                Role::Axis(axis) => {
                    let (number, end) = shape.read(text, at, stop)?;
                    row.accel[axis] = number.value();
                    at = end + 1;
                }
                Role::Other => {
                    let cell = text.get(at..)?;
                    at += memchr::memchr2(self.delimiter, self.terminator, cell)?;
                    if self.crlf && stop == b'\r' {
                        at = at.checked_sub(1)?;
                    }
                    if *text.get(at)? != stop {
                        return None;
                    }
                    at += 1;
                }
                _ if *text.get(at)? == stop => at += 1,
                Role::Seconds => {
                    let (number, end) = shape.read(text, at, stop)?;
                    row.us = Some(number.millionths()?);
                    at = end + 1;
                }
                Role::Date => {
                    let minute = self.minute.as_ref()?;
                    let (us, end) = date(minute, text, at, shape, stop)?;
                    row.us = Some(us);
                    at = end + 1;
                }
                Role::Depth => {
                    let (number, end) = shape.read(text, at, stop)?;
                    row.depth = Some(number.value());
                    at = end + 1;
                }
                Role::Temp => {
                    let (number, end) = shape.read(text, at, stop)?;
                    row.temp = Some(number.value());
                    at = end + 1;
                }
            }
        }
        if self.crlf {
            if *text.get(at)? != self.terminator {
                return None;
            }
            at += 1;
        }
        row.len = at;
        Some(row)
    }

    /// Remembers the minute of a date and time that was read as `us`.
    pub fn remember(&mut self, text: &[u8], us: i64) {
        let Some((minute, rest)) = text.split_first_chunk::<{ Minute::LEN }>() else { return };
        let form = b"dddd-dd-dd dd:dd:";
        let fits = minute.iter().zip(form).all(|(b, f)| match f {
            b'd' => b.is_ascii_digit(),
            b' ' => matches!(b, b' ' | b'T'),
            mark => b == mark,
        });
        let seconds = rest.iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count();
        let (seconds, zone) = rest.split_at(seconds);
        if !fits || zone.len() > Minute::ZONE {
            return;
        }
        let mut padded = seconds.to_vec();
        padded.extend_from_slice(b",       ");
        let read = Shape::new(b'.').read(&padded, 0, b',');
        let within = read.and_then(|(number, _)| number.millionths()).filter(|us| in_minute(*us));
        if let Some(within) = within {
            let start_us = us.saturating_sub(within);
            self.minute = Some(Minute { text: *minute, zone: zone.to_vec(), start_us });
        }
    }
}

/// A second of 60 is left to the slower reading.
fn in_minute(us: i64) -> bool {
    (0..60_000_000).contains(&us)
}

/// A date and time within `minute`, microseconds, and where it ends.
#[inline]
fn date(
    minute: &Minute,
    text: &[u8],
    at: usize,
    shape: &mut Shape,
    stop: u8,
) -> Option<(i64, usize)> {
    let (head, _) = text.get(at..)?.split_first_chunk::<{ Minute::LEN }>()?;
    if *head != minute.text {
        return None;
    }
    let at = at + Minute::LEN;
    let (seconds, end) = shape.read(text, at, *minute.zone.first().unwrap_or(&stop))?;
    let us = seconds.millionths().filter(|us| in_minute(*us))?;
    let two_digits = end == at + 2 || text.get(at + 2) == Some(&b'.');
    if !two_digits || text.get(at) == Some(&b'-') {
        return None;
    }
    let after = end + minute.zone.len();
    if text.get(end..after)? != minute.zone || *text.get(after)? != stop {
        return None;
    }
    Some((minute.start_us + us, after))
}
