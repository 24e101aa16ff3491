//! Rows side by side, many at a time: the form in which the tag takes them fastest.

use std::ops::Range;

use super::Row;

/// Rows whose times follow each other by equal steps, and whose lines by one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Line of the file of the first row, from 1.
    pub line: u64,
    /// Time of the first row since the first of the file, microseconds.
    pub t_us: u64,
    /// From one row to the next, microseconds; 0: there is one row alone.
    pub period_us: u32,
    /// Depth that came with the first row, m, as in [`Row`]; the others have none.
    pub depth_m: Option<f32>,
    /// Temperature that came with the first row, deg C; the others have none.
    pub temp_c: Option<f32>,
    /// Place of the first row among all.
    from: usize,
}

impl Stretch {
    /// Time of its row `n`, from 0, microseconds.
    #[inline]
    pub fn time_us(&self, n: usize) -> u64 {
        self.t_us + u64::from(self.period_us) * n as u64
    }

    /// The first rows of the stretch one by one: those of `accel_g`, g.
    pub fn rows(&self, accel_g: &[[f32; 3]]) -> impl Iterator<Item = Row> {
        accel_g.iter().enumerate().map(|(n, &accel_g)| Row {
            line: self.line + n as u64,
            t_us: self.time_us(n),
            accel_g,
            depth_m: self.depth_m.filter(|_| n == 0),
            temp_c: self.temp_c.filter(|_| n == 0),
        })
    }
}

/// Further on than any row's time can be, microseconds.
const NEVER_US: u64 = 1 << 63;

/// A lot of rows.
#[derive(Clone, Debug)]
pub struct Rows {
    accel_g: Vec<[f32; 3]>,
    stretches: Vec<Stretch>,
    /// Longest step that is no gap, microseconds.
    longest_us: u64,
    /// Step of the latest stretch, microseconds; [`NEVER_US`]: nothing goes on from it.
    step_us: u64,
    last_us: u64,
    next_us: u64,
    next_line: u64,
}

impl Rows {
    /// Without rows, with room for so many. `sample_us`: time from sample to sample as
    /// configured, microseconds; a step of 1.5 times that or more is a gap.
    pub fn new(sample_us: u32, room: usize) -> Self {
        Rows {
            accel_g: Vec::with_capacity(room),
            stretches: Vec::with_capacity(room / 16),
            longest_us: u64::from(sample_us) * 3 / 2,
            step_us: NEVER_US,
            last_us: 0,
            next_us: 0,
            next_line: 0,
        }
    }

    /// Adds a row.
    #[inline(always)]
    pub fn push(&mut self, row: &Row) {
        let goes_on = row.t_us == self.next_us && row.line == self.next_line;
        if !goes_on || row.depth_m.is_some() || row.temp_c.is_some() {
            self.start(row);
        }
        self.accel_g.push(row.accel_g);
        self.next_us = row.t_us.wrapping_add(self.step_us);
        self.next_line = row.line + 1;
        self.last_us = row.t_us;
    }

    /// A stretch starts with `row`.
    #[inline(never)]
    fn start(&mut self, row: &Row) {
        let step_us = row.t_us.saturating_sub(self.last_us);
        // After a gap, a clock set back or another oddity a row is alone, so that what it
        // leads to is told of this very row.
        let plain = (1..=self.longest_us).contains(&step_us);
        self.step_us = if plain { step_us } else { NEVER_US };
        self.stretches.push(Stretch {
            line: row.line,
            t_us: row.t_us,
            period_us: if plain { step_us as u32 } else { 0 },
            depth_m: row.depth_m,
            temp_c: row.temp_c,
            from: self.accel_g.len(),
        });
    }

    /// Number of rows.
    #[inline]
    pub fn len(&self) -> usize {
        self.accel_g.len()
    }

    /// Whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.accel_g.is_empty()
    }

    /// Takes all rows out. A row that follows is held against the last of them.
    pub fn clear(&mut self) {
        self.accel_g.clear();
        self.stretches.clear();
        // A stretch does not go on from one lot to the next.
        self.next_line = 0;
    }

    /// The stretches in order, each with the acceleration of its rows, g; a missing axis
    /// is `NaN`. There is at least one row in each.
    pub fn stretches(&self) -> impl Iterator<Item = (&Stretch, &[[f32; 3]])> {
        let ends = self.stretches.iter().skip(1).map(|s| s.from).chain([self.len()]);
        let accel = |range: Range<usize>| self.accel_g.get(range).unwrap_or_default();
        self.stretches.iter().zip(ends).map(move |(s, end)| (s, accel(s.from..end)))
    }

    /// The rows one by one.
    pub fn iter(&self) -> impl Iterator<Item = Row> {
        self.stretches().flat_map(|(stretch, accel_g)| stretch.rows(accel_g))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Line, time and whether there are depth and temperature.
    type Brief = (u64, u64, bool, bool);

    fn row((line, t_us, depth, temp): Brief) -> Row {
        let accel_g = [line as f32, 0.5, f32::NAN];
        let reading = |there: bool, of: f32| there.then_some(of + line as f32);
        Row { line, t_us, accel_g, depth_m: reading(depth, 0.25), temp_c: reading(temp, 0.75) }
    }

    /// The rows, then the length and step of each stretch.
    fn lengths(rows: &Rows) -> Vec<(usize, u32)> {
        rows.stretches().map(|(s, accel)| (accel.len(), s.period_us)).collect()
    }

    fn filled(briefs: &[Brief]) -> Rows {
        let mut rows = Rows::new(40_000, 8);
        briefs.iter().for_each(|b| rows.push(&row(*b)));
        // As text: what is no number does not equal itself.
        let want: Vec<String> = briefs.iter().map(|b| format!("{:?}", row(*b))).collect();
        assert_eq!(rows.iter().map(|r| format!("{r:?}")).collect::<Vec<_>>(), want);
        assert_eq!((rows.len(), rows.is_empty()), (briefs.len(), briefs.is_empty()));
        rows
    }

    #[test]
    fn equal_steps_without_readings_make_a_stretch() {
        let even: Vec<Brief> =
            (0..7).map(|n| (n + 2, n * 40_000, n == 0 || n == 4, n == 5)).collect();
        // The first of all is alone: nothing is before it.
        assert_eq!(lengths(&filled(&even)), [(1, 0), (3, 40_000), (1, 40_000), (2, 40_000)]);
        assert_eq!(lengths(&filled(&[])), []);
    }

    #[test]
    fn what_is_odd_about_time_stands_alone() {
        let t_ms = [0, 40, 80, 200, 240, 280, 280, 280, 320, 100, 140, 199, 258, 319];
        let briefs: Vec<Brief> =
            t_ms.iter().enumerate().map(|(n, t)| (n as u64 + 2, t * 1000, false, false)).collect();
        let want = [
            (1, 0), // the first
            (2, 40_000),
            (1, 0), // a gap
            (2, 40_000),
            (1, 0), // the same time again
            (1, 0),
            (1, 40_000),
            (1, 0), // time that runs back
            (1, 40_000),
            (2, 59_000), // other steps, but no gaps
            (1, 0),      // just over
        ];
        assert_eq!(lengths(&filled(&briefs)), want);
    }

    #[test]
    fn a_missing_line_and_a_new_lot_start_anew() {
        let briefs = [2, 3, 4, 6, 7].map(|line| (line, line * 40_000, false, false));
        let mut rows = filled(&briefs);
        assert_eq!(lengths(&rows), [(1, 0), (2, 40_000), (1, 0), (1, 40_000)]);
        rows.clear();
        assert!(rows.is_empty());
        // Not a gap: it goes on from the last row of the lot before.
        rows.push(&row((8, 320_000, false, false)));
        assert_eq!(lengths(&rows), [(1, 40_000)]);
    }
}
