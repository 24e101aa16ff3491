//! A figure of a tag file: a number, how sure it is, and where it comes from.

/// One number with its uncertainty and its source.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Where it stands, as `cell.nominal_mah`.
    pub key: String,
    /// The number, in the unit of the key.
    pub value: f64,
    /// How sure it is.
    pub spread: Spread,
    /// Where it comes from.
    pub source: String,
}

/// Standard deviation of a figure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Spread {
    /// Part of the value, 0 to 1: drawn log-normally, so that it keeps its sign.
    Part(f64),
    /// In the unit of the figure: drawn normally.
    Absolute(f64),
}

impl Spread {
    /// True where nothing is uncertain.
    pub fn is_none(self) -> bool {
        matches!(self, Spread::Part(s) | Spread::Absolute(s) if s == 0.0)
    }
}

impl Figure {
    /// Moves the value by `z` standard deviations.
    pub fn shift(&mut self, z: f64) {
        self.value = match self.spread {
            Spread::Part(part) => self.value * (z * part.ln_1p()).exp(),
            // Only a temperature may change its sign.
            Spread::Absolute(sd) if self.value >= 0.0 && !self.key.ends_with(".temp_c") => {
                (self.value + z * sd).max(1e-3 * self.value)
            }
            Spread::Absolute(sd) => self.value + z * sd,
        };
    }
}

/// A figure that depends on another quantity: points joined by straight lines, and
/// level beyond the first and the last. One draw moves all its points alike.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Where it stands.
    pub key: String,
    /// Pairs, the first number rising.
    pub points: Vec<[f64; 2]>,
    /// Factor on every second number, 1 as written; uncertain by `scale.spread`.
    pub scale: Figure,
}

impl Curve {
    /// The value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.scale.value * line(&self.points, x)
    }
}

/// Straight lines between `points`, level beyond them.
pub fn line(points: &[[f64; 2]], x: f64) -> f64 {
    let after = points.partition_point(|p| p[0] <= x);
    match (after.checked_sub(1).and_then(|n| points.get(n)), points.get(after)) {
        (Some(a), Some(b)) => a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]),
        (Some(p), None) | (None, Some(p)) => p[1],
        (None, None) => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_ends() {
        let p = [[0.0, 10.0], [10.0, 20.0], [20.0, 0.0]];
        for (x, want) in
            [(-5.0, 10.0), (0.0, 10.0), (5.0, 15.0), (10.0, 20.0), (15.0, 10.0), (99.0, 0.0)]
        {
            assert_eq!(line(&p, x), want, "{x}");
        }
    }

    #[test]
    fn shifts_by_standard_deviations() {
        let mut f = Figure {
            key: "x".into(),
            value: 100.0,
            spread: Spread::Part(0.1),
            source: "test".into(),
        };
        f.shift(1.0);
        assert!((f.value - 110.0).abs() < 1e-9);
        f.shift(-1.0);
        assert!((f.value - 100.0).abs() < 1e-9);
        f.spread = Spread::Absolute(3.0);
        f.shift(-2.0);
        assert!((f.value - 94.0).abs() < 1e-9);
        f.shift(-100.0);
        assert!(f.value > 0.0);
    }
}
