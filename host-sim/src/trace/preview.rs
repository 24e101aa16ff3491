//! Judging a file by its first rows: is it what it says, and at which rate was it sampled?

use std::collections::VecDeque;

use super::{AccelUnit, PREVIEW_ROWS, Row, STANDARD_GRAVITY_MS2, Step, TraceReader};
use crate::problem::Problem;

/// What the first rows showed.
#[derive(Default)]
pub(super) struct Preview {
    pub seen: usize,
    pub unreadable: usize,
    pub first_unreadable: Option<String>,
    pub times_us: Vec<i64>,
    /// Number of the row, and its time where the cell held one, microseconds.
    pub timed: Vec<(usize, i64)>,
    pub empty_times: usize,
    pub accel_g: Vec<[f64; 3]>,
    pub widest: usize,
}

impl TraceReader {
    /// Reads the first rows and judges the file by them.
    pub(super) fn look_ahead(&mut self) -> Result<(), Problem> {
        let header_line = self.lines.count();
        let mut ahead = VecDeque::with_capacity(PREVIEW_ROWS);
        loop {
            self.preview_plain(&mut ahead);
            if self.preview.as_ref().is_none_or(|p| p.seen >= PREVIEW_ROWS) {
                break;
            }
            match self.step()? {
                Step::End => break,
                Step::Skipped => {}
                Step::Row(row) => ahead.push_back(row),
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

    /// The next of the first rows, as long as they are written plainly and tell their time.
    fn preview_plain(&mut self, ahead: &mut VecDeque<Row>) {
        let Some(start_us) = self.start_us else { return };
        let Some(mut preview) = self.preview.take() else { return };
        self.plain_rows(PREVIEW_ROWS.saturating_sub(preview.seen), false, |row| {
            let us = start_us + row.t_us as i64;
            preview.seen += 1;
            preview.times_us.push(us);
            preview.timed.push((preview.seen, us));
            preview.accel_g.push(row.accel_g.map(f64::from));
            ahead.push_back(*row);
        });
        self.preview = Some(preview);
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
}
