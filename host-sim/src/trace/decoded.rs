//! A trace read once, held in compact arrays, to be run through many times.
//!
//! A row takes 16 bytes (12 of acceleration, 4 of time), a reading of depth or
//! temperature 8 more: 48 h at 25 Hz with depth once a second take 70 MB.

use firmware_core::types::{Run, Sample};

use super::{Row, TraceReader};
use crate::problem::Problem;

/// Marks a step in time that does not fit 32 bits and stands in `jumps`.
const JUMP: i32 = i32::MIN;

/// A decoded trace.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decoded {
    accel_g: Vec<[f32; 3]>,
    /// From the row before to this one, microseconds.
    steps_us: Vec<i32>,
    /// Rows whose step does not fit, with their time, microseconds.
    jumps: Vec<(u32, u64)>,
    depth_m: Vec<(u32, f32)>,
    temp_c: Vec<(u32, f32)>,
    last_us: u64,
    latest_us: u64,
}

impl Decoded {
    /// Reads all rows of `reader`.
    ///
    /// # Errors
    /// Damage met in the file, or more than 2^32 rows.
    pub fn read(reader: &mut TraceReader, name: &str) -> Result<Self, Problem> {
        let mut decoded = Decoded::default();
        // One more than there may be, to see that there are too many.
        reader.each(u32::MAX as usize + 1, |row| decoded.push(row))?;
        if decoded.len() > u32::MAX as usize {
            return Err(Problem::new(format!("{name}: more than {} rows", u32::MAX)));
        }
        decoded.accel_g.shrink_to_fit();
        decoded.steps_us.shrink_to_fit();
        Ok(decoded)
    }

    /// Adds a row.
    pub fn push(&mut self, row: &Row) {
        self.add(row.t_us, row.accel_g, row.depth_m, row.temp_c);
    }

    /// Adds a row given by its parts, as in [`Row`].
    pub fn add(&mut self, t_us: u64, accel_g: [f32; 3], depth_m: Option<f32>, temp_c: Option<f32>) {
        let n = self.accel_g.len() as u32;
        let step = i128::from(t_us) - i128::from(self.last_us);
        match i32::try_from(step) {
            Ok(step) if step != JUMP => self.steps_us.push(step),
            _ => {
                self.steps_us.push(JUMP);
                self.jumps.push((n, t_us));
            }
        }
        self.accel_g.push(accel_g);
        if let Some(depth) = depth_m {
            self.depth_m.push((n, depth));
        }
        if let Some(temp) = temp_c {
            self.temp_c.push((n, temp));
        }
        self.last_us = t_us;
        self.latest_us = self.latest_us.max(t_us);
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.accel_g.len()
    }

    /// Whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.accel_g.is_empty()
    }

    /// Latest time of any row, microseconds.
    pub fn latest_us(&self) -> u64 {
        self.latest_us
    }

    /// Acceleration of all rows, g.
    pub fn accel_g(&self) -> &[[f32; 3]] {
        &self.accel_g
    }

    /// The same as runs of samples, for `Tag::feed`, without readings of cell and memory:
    /// each as long as time goes on by equal steps and no reading of depth comes in.
    pub fn runs(&self) -> Runs<'_> {
        Runs { samples: self.samples() }
    }

    /// The rows as the tag's samples, without readings of cell and memory.
    pub fn samples(&self) -> Samples<'_> {
        Samples { of: self, at: 0, jump: 0, depth: 0, temp: 0, t_us: 0 }
    }
}

/// Iterator over the rows of a [`Decoded`].
#[derive(Clone, Debug)]
pub struct Samples<'a> {
    of: &'a Decoded,
    at: usize,
    jump: usize,
    depth: usize,
    temp: usize,
    t_us: u64,
}

/// The value for row `at`, where the list holds one.
#[inline]
fn reading(list: &[(u32, f32)], next: &mut usize, at: usize) -> Option<f32> {
    match list.get(*next) {
        Some(&(row, value)) if row as usize == at => {
            *next += 1;
            Some(value)
        }
        _ => None,
    }
}

impl Iterator for Samples<'_> {
    type Item = Sample;

    #[inline]
    fn next(&mut self) -> Option<Sample> {
        let at = self.at;
        let (&accel_g, &step) = (self.of.accel_g.get(at)?, self.of.steps_us.get(at)?);
        if step == JUMP {
            self.t_us = self.of.jumps.get(self.jump).map_or(self.t_us, |j| j.1);
            self.jump += 1;
        } else {
            self.t_us = self.t_us.wrapping_add_signed(i64::from(step));
        }
        self.at += 1;
        Some(Sample {
            t_us: self.t_us,
            accel_g,
            depth_m: reading(&self.of.depth_m, &mut self.depth, at),
            temp_c: reading(&self.of.temp_c, &mut self.temp, at),
            cell_left: None,
            memory_used: None,
        })
    }
}

/// Iterator over the rows of a [`Decoded`], many at a time.
#[derive(Clone, Debug)]
pub struct Runs<'a> {
    samples: Samples<'a>,
}

impl<'a> Iterator for Runs<'a> {
    type Item = Run<'a>;

    fn next(&mut self) -> Option<Run<'a>> {
        let samples = &mut self.samples;
        let (of, from) = (samples.of, samples.at);
        let first = samples.next()?;
        // A jump is less than nothing.
        let step = of.steps_us.get(from + 1).copied().unwrap_or(0);
        let period_us = u32::try_from(step).unwrap_or(0);
        let mut len = 1;
        if period_us > 0 {
            let depth = of.depth_m.get(samples.depth).map_or(usize::MAX, |d| d.0 as usize);
            let until = depth.min(of.len());
            let alike = of.steps_us[from + 1..until].iter().take_while(|&&s| s == step).count();
            len += alike;
            samples.t_us += u64::from(period_us) * alike as u64;
            samples.at += alike;
        }
        let accel_g = &of.accel_g[from..from + len];
        Some(Run { depth_m: first.depth_m, ..Run::accel(first.t_us, period_us, accel_g) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_back_what_was_put_in() {
        let rows = [
            (0, [0.0, 1.0, f32::MIN_POSITIVE], Some(3.5), None),
            (40_000, [0.1; 3], None, Some(-1.0)),
            (20_000, [0.2; 3], None, None),
            (9_000_000_000, [0.3; 3], Some(f32::MAX), Some(4.0)),
            (1, [0.4; 3], None, None),
            (40_001, [0.5; 3], Some(1.0), None),
        ];
        let mut d = Decoded::default();
        for (t_us, accel_g, depth_m, temp_c) in rows {
            d.push(&Row { line: 0, t_us, accel_g, depth_m, temp_c });
        }
        let back: Vec<_> = d.samples().map(|s| (s.t_us, s.accel_g, s.depth_m, s.temp_c)).collect();
        assert_eq!(back, rows);
        assert_eq!((d.len(), d.latest_us()), (6, 9_000_000_000));
    }

    #[test]
    fn runs_hold_the_same_samples() {
        let t_us = [0, 40, 80, 120, 120, 160, 200, 100, 140, 9_000_000, 9_000_040, 9_000_080];
        let mut d = Decoded::default();
        for (n, t) in t_us.into_iter().enumerate() {
            let depth_m = [2, 10].contains(&n).then_some(n as f32);
            d.add(t * 1000, [n as f32; 3], depth_m, (n == 1).then_some(4.0));
        }
        let mut lengths = Vec::new();
        let mut held = Vec::new();
        for run in d.runs() {
            lengths.push(run.accel_g.len());
            for (n, accel_g) in run.accel_g.iter().enumerate() {
                let t_us = run.t_us + n as u64 * u64::from(run.period_us);
                held.push((t_us, *accel_g, run.depth_m.filter(|_| n == 0)));
            }
        }
        let want: Vec<_> = d.samples().map(|s| (s.t_us, s.accel_g, s.depth_m)).collect();
        assert_eq!(held, want);
        // Up to depth, the same time again, time that runs back, a jump, depth.
        assert_eq!(lengths, [2, 2, 3, 2, 1, 2]);
    }
}
