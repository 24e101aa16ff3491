//! A long trace, made as it is read.

use std::io::{self, Read, Write};

/// CSV of five days at 50 Hz with depth: a swimmer at 0.7 Hz with unrest, glides and
/// a sensor's noise. Cheap to make, and no easier to pack than a real record.
pub fn five_days_at_50_hz() -> impl Read + Send {
    Rows { row: 0, rows: 5 * 86_400 * 50, noise: 1, text: Vec::new(), given: 0 }
}

struct Rows {
    row: u64,
    rows: u64,
    noise: u64,
    text: Vec<u8>,
    given: usize,
}

impl Rows {
    /// A triangular noise of about 4 mg.
    fn noise(&mut self) -> f64 {
        // Xorshift (Marsaglia 2003, J. Stat. Software 8:14).
        self.noise ^= self.noise << 13;
        self.noise ^= self.noise >> 7;
        self.noise ^= self.noise << 17;
        let (a, b) = (self.noise & 0xffff, (self.noise >> 16) & 0xffff);
        (a as f64 - b as f64) / 65_536.0 * 0.01
    }

    fn fill(&mut self) {
        self.text.clear();
        self.given = 0;
        if self.row == 0 {
            self.text.extend_from_slice(b"t_s,ax_g,ay_g,az_g,depth_m\n");
        }
        let end = (self.row + 1000).min(self.rows);
        while self.row < end {
            let t = self.row as f64 / 50.0;
            let gliding = (t / 17.0).sin() > 0.8;
            let beat = std::f64::consts::TAU * 0.7 * t + 2.0 * (t / 300.0).sin();
            let sway = if gliding { 0.0 } else { 0.12 + 0.04 * (t / 900.0).sin() };
            let [x, y, z] = [
                0.1 * (t / 60.0).sin() + 0.1 * sway * (2.0 * beat).sin(),
                sway * beat.sin(),
                1.0 + 0.05 * sway * (2.0 * beat).cos(),
            ]
            .map(|v| v + self.noise());
            // Writing to memory does not fail.
            let _ = write!(self.text, "{t:.2},{x:.4},{y:.4},{z:.4},");
            if self.row.is_multiple_of(50) {
                let _ = write!(self.text, "{:.1}", 20.0 + 15.0 * (t / 2000.0).sin());
            }
            self.text.push(b'\n');
            self.row += 1;
        }
    }
}

impl Read for Rows {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        if self.given == self.text.len() {
            self.fill();
        }
        let n = to.len().min(self.text.len() - self.given);
        to[..n].copy_from_slice(&self.text[self.given..self.given + n]);
        self.given += n;
        Ok(n)
    }
}
