//! Whole rows in plain writing, read in one pass where they lie in the buffer.
//!
//! Nearly every row of a trace has the cells that the header promises, each a plain
//! number or empty. Such a row is read here without being taken apart first. Any other
//! is left alone: [`super::record`] reads it cell by cell and says what is wrong.

use super::cell;
use super::header::Layout;
use super::plain::{Shape, WINDOW, eight, window};
use super::record::seconds_us;

/// What a column is read as.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Role {
    Seconds,
    Date,
    X,
    Y,
    Z,
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
    /// Numbers still to be read without a try of the shape, as those before were not of one.
    freely: u8,
}

/// Numbers that are read freely after one that was no plain one.
const FREELY: u8 = 32;
/// Longest number that is read freely, bytes: 17 digits, sign, point and exponent are 24. A date
/// and three such lie within a window.
const LONGEST: usize = 26;

impl Column {
    /// The number at `at`, and where the next cell starts.
    #[inline(always)]
    fn number(&mut self, window: &[u8; WINDOW], at: usize) -> Option<(f64, usize)> {
        match self.shape.alike(window, at, self.stop) {
            Some((number, end)) => Some((number.value(), end + 1)),
            None => self.other_number(window, at),
        }
    }

    /// The same of a number of another shape, which is taken on; or of one in any writing, but for
    /// blanks or quotes around it.
    #[inline(never)]
    fn other_number(&mut self, window: &[u8; WINDOW], at: usize) -> Option<(f64, usize)> {
        if self.freely > 0 {
            self.freely -= 1;
        } else if let Some((number, end)) = self.shape.other(window, at, self.stop) {
            return Some((number.value(), end + 1));
        }
        self.free_number(window, at)
    }

    /// The same, without a try of its shape.
    fn free_number(&mut self, window: &[u8; WINDOW], at: usize) -> Option<(f64, usize)> {
        if self.shape.point() != b'.' {
            return None;
        }
        let (number, len) = cell::number_before(window.get(at..at + LONGEST + 1)?, self.stop)?;
        self.freely = FREELY;
        Some((number, at + len + 1))
    }

    /// The time at `at`, microseconds, if any is told there, and where the next cell starts.
    #[inline(always)]
    fn time(
        &mut self,
        minute: Option<&Minute>,
        window: &[u8; WINDOW],
        at: usize,
    ) -> Option<(Option<i64>, usize)> {
        if *window.get(at)? == self.stop {
            return Some((None, at + 1));
        }
        let (us, end) = match self.role {
            Role::Date => date(minute?, window, at, &mut self.shape, self.stop)?,
            _ => {
                let plain = self.shape.read(window, at, self.stop);
                match plain.and_then(|(number, end)| Some((number.millionths()?, end))) {
                    Some(read) => read,
                    None => {
                        let (s, next) = self.free_number(window, at)?;
                        return Some((Some(seconds_us(s)?), next));
                    }
                }
            }
        };
        Some((Some(us), end + 1))
    }
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
    pub x: f64,
    pub y: f64,
    pub z: f64,
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
    /// Time and the three axes come first, in this order.
    ordered: bool,
    /// How a row ends of which all other cells are empty: its bytes, the bits that are
    /// compared, and how many they are.
    bare: u64,
    bare_kept: u64,
    bare_len: usize,
    minute: Option<Minute>,
}

impl Quick {
    /// For rows as `layout` says; `point`: the mark before decimals, 0: none.
    pub fn new(layout: &Layout, delimiter: u8, terminator: u8, crlf: bool, point: u8) -> Self {
        let last = layout.names.len() - 1;
        let time = if layout.utc { Role::Date } else { Role::Seconds };
        let columns: Vec<Column> = (0..=last)
            .map(|column| {
                let role = match layout.accel.iter().position(|&a| a == column) {
                    _ if column == layout.time => time,
                    Some(axis) => [Role::X, Role::Y, Role::Z][axis],
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
                Column { role, stop, shape: Shape::new(point), freely: 0 }
            })
            .collect();
        let ordered = layout.time == 0 && layout.accel == [1, 2, 3];
        let mut quick = Quick {
            columns,
            delimiter,
            terminator,
            crlf,
            ordered,
            // Nothing is like this.
            bare: 1,
            bare_kept: 0,
            bare_len: 0,
            minute: None,
        };
        let others = quick.columns.get(4..).unwrap_or_default();
        let mut bare: Vec<u8> = others.iter().map(|column| column.stop).collect();
        if crlf {
            bare.push(terminator);
        }
        if bare.len() <= 8 && others.iter().all(|column| column.role != Role::Other) {
            let bytes = |of: &[u8]| eight(&window(of), 0);
            (quick.bare, quick.bare_len) = (bytes(&bare), bare.len());
            quick.bare_kept = bytes(&vec![0xff; bare.len()]);
        }
        quick
    }

    /// The row at the start of `text`, where it is a plain one.
    #[inline(always)]
    pub fn row(&mut self, text: &[u8]) -> Option<Cells> {
        let mut row = Cells { len: 0, us: None, x: 0.0, y: 0.0, z: 0.0, depth: None, temp: None };
        let mut at = 0;
        let minute = self.minute.as_ref();
        let mut columns = &mut self.columns[..];
        if self.ordered
            && let [t, x, y, z, others @ ..] = columns
        {
            // A date and time takes 43 bytes at most, any other number 26.
            let window = text.first_chunk()?;
            (row.us, at) = t.time(minute, window, at)?;
            (row.x, at) = x.number(window, at)?;
            (row.y, at) = y.number(window, at)?;
            (row.z, at) = z.number(window, at)?;
            if eight(window, at & 127) & self.bare_kept == self.bare {
                row.len = at + self.bare_len;
                return Some(row);
            }
            columns = others;
        }
        for column in columns {
            let stop = column.stop;
            let window = text.get(at..)?.first_chunk()?;
            let len;
            match column.role {
                Role::X => (row.x, len) = column.number(window, 0)?,
                Role::Y => (row.y, len) = column.number(window, 0)?,
                Role::Z => (row.z, len) = column.number(window, 0)?,
                Role::Seconds | Role::Date => (row.us, len) = column.time(minute, window, 0)?,
                Role::Other => {
                    let cell = text.get(at..)?;
                    let mut end = memchr::memchr2(self.delimiter, self.terminator, cell)?;
                    if self.crlf && stop == b'\r' {
                        end = end.checked_sub(1)?;
                    }
                    if *cell.get(end)? != stop {
                        return None;
                    }
                    len = end + 1;
                }
                _ if window[0] == stop => len = 1,
                Role::Depth => {
                    let (number, after) = column.number(window, 0)?;
                    (row.depth, len) = (Some(number), after);
                }
                Role::Temp => {
                    let (number, after) = column.number(window, 0)?;
                    (row.temp, len) = (Some(number), after);
                }
            }
            at += len;
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
        if !fits || zone.len() > Minute::ZONE || seconds.len() >= WINDOW {
            return;
        }
        let cell = [seconds, b","].concat();
        let read = Shape::new(b'.').read(&window(&cell), 0, b',');
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
    text: &[u8; WINDOW],
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

#[cfg(test)]
mod tests {
    use std::fmt::Write;
    use std::io::Cursor;

    use proptest::prelude::*;

    use super::super::{ReadFault, ReadFaults, ReadOptions, Row, TraceReader};

    /// All that a reader tells of a text, with plain rows read in one pass or not.
    fn read(text: &[u8], quick: bool) -> Result<(Vec<String>, ReadFaults, String), String> {
        let source = Box::new(Cursor::new(text.to_vec()));
        let options = ReadOptions {
            sample_hz: Some(25.0),
            counts_per_g: Some(1000.0),
            ..ReadOptions::default()
        };
        let reader = if quick {
            TraceReader::from_source("t.csv", source, &options)
        } else {
            TraceReader::cell_by_cell("t.csv", source, &options)
        };
        let mut reader = reader.map_err(|p| p.to_string())?;
        let mut rows: Vec<Row> = Vec::new();
        let ended = loop {
            match reader.next_row() {
                Ok(Some(row)) => rows.push(row),
                Ok(None) => break String::new(),
                Err(problem) => break problem.to_string(),
            }
        };
        // As text: a missing axis is equal to itself, and -0 is not 0.
        let shown = rows.iter().map(|row| format!("{row:?}")).collect();
        Ok((shown, *reader.faults(), ended))
    }

    /// A trace of 1200 rows with columns of the `kind`; the preview takes 1000 of them.
    fn trace(kind: usize, end: &str) -> Vec<u8> {
        let head = match kind {
            0 => "t_s,ax_g,ay_g,az_g,depth_m,temp_c",
            1 => "note,az_g,ay_g,ax_g,t_s,pressure_dbar,other",
            2 => "time_utc,ax_ms2,ay_ms2,az_ms2,depth_m",
            3 => "t_s;ax_g;ay_g;az_g;temp_c",
            4 => "t_s,ax_g,ay_g,az_g,depth_m",
            _ => "ax_raw\tay_raw\taz_raw\tt_s",
        };
        let mut text = format!("{head}{end}");
        for n in 0..1200_i64 {
            let t = n as f64 / 25.0;
            let (x, y) = ((n * 37 % 200 - 100) as f64 / 250.0, (n * 91 % 77) as f64 / 300.0);
            let slow = if n % 25 == 0 { format!("{:.2}", t / 9.0 - 1.0) } else { String::new() };
            let sparse = if n % 25 == 0 { format!("{}", n / 25) } else { String::new() };
            let row = match kind {
                0 => format!("{t:.2},{x:.4},{y:.5},0.97,{slow},{slow}"),
                1 => format!("a,1.01,{y:.3},{x},{sparse},{slow},b"),
                2 => {
                    let (min, s) = (n / 1500, t % 60.0);
                    format!(
                        "2031-01-07T14:{:02}:{s:05.2}+02:00,{x:.3},9.81,{y:.3},{slow}",
                        57 + min
                    )
                }
                3 => format!("{t:.2};{x:.4};{y:.4};1.02;{slow}").replace('.', ","),
                4 => format!("{},{},{:e},{},{slow}", t / 0.7, x / 0.7, y / 3.0, 0.7 / 0.71),
                _ => format!("{:.0}\t{:.0}\t{}\t{t}", x * 1e3, y * 1e3, 990 + n % 13),
            };
            write!(text, "{row}{end}").unwrap();
        }
        text.into_bytes()
    }

    #[test]
    fn plain_rows_are_read_in_one_pass() {
        for (kind, end) in (0..6).flat_map(|kind| ["\n", "\r\n", "\r"].map(|end| (kind, end))) {
            let text = trace(kind, end);
            let (rows, faults, ended) = read(&text, true).unwrap();
            assert_eq!((rows.len(), ended.as_str()), (1200, ""), "{kind} {end:?}");
            assert_eq!(faults.get(ReadFault::NotANumber).count, 0);
            let source = Box::new(Cursor::new(text));
            let options = ReadOptions {
                sample_hz: Some(25.0),
                counts_per_g: Some(1000.0),
                ..ReadOptions::default()
            };
            let mut reader = TraceReader::from_source("t.csv", source, &options).unwrap();
            (0..1010).for_each(|_| assert!(reader.next_row().unwrap().is_some()));
            let quick = (0..180).filter(|_| {
                let plain = reader.plain_rows(1, true, |_| ()) > 0;
                plain || reader.any_row().unwrap().is_none()
            });
            // Now and then a row is not: the first of a minute, say.
            assert!(quick.count() >= 170, "{kind} {end:?}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]
        #[test]
        fn nothing_comes_out_otherwise_than_cell_by_cell(
            kind in 0_usize..6,
            end in prop::sample::select(vec!["\n", "\r\n", "\r"]),
            edits in prop::collection::vec(
                (0.0..1.0_f64, prop::sample::select(b"0123456789.,;-+eE \t\"\r\nZT:xN\xff".to_vec()), 0..3_u8),
                0..12,
            ),
        ) {
            let mut text = trace(kind, end);
            // Behind the header; half of the cases in what comes after the preview.
            let header = text.iter().position(|b| b"\r\n".contains(b)).unwrap() + 2;
            let from = if edits.len() % 2 == 0 { header } else { text.len() * 5 / 6 };
            for (place, byte, how) in edits {
                let at = from + ((text.len() - from - 1) as f64 * place) as usize;
                match how {
                    0 => text[at] = byte,
                    1 => text.insert(at, byte),
                    _ => drop(text.remove(at)),
                }
            }
            let (once, by_cell) = (read(&text, true), read(&text, false));
            if let (Ok(once), Ok(by_cell)) = (&once, &by_cell) {
                // The first row that differs, before all of them.
                for (a, b) in once.0.iter().zip(&by_cell.0) {
                    prop_assert_eq!(a, b);
                }
                prop_assert_eq!(&once.1, &by_cell.1);
            }
            prop_assert!(once == by_cell);
        }
    }
}
