//! Small statistics.

/// Quantile by linear interpolation, 0 to 1. Empty: not a number.
pub fn quantile(values: &[f64], part: f64) -> f64 {
    let mut v = values.to_vec();
    v.sort_by(f64::total_cmp);
    let Some(last) = v.len().checked_sub(1) else { return f64::NAN };
    let at = part * last as f64;
    let low = at.floor() as usize;
    let high = (low + 1).min(last);
    v[low] + (at - low as f64) * (v[high] - v[low])
}

/// The middle value.
pub fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

/// Root mean square.
pub fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// Slope of a straight line through evenly spaced values, a step.
pub fn slope(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let top: f64 = values.iter().enumerate().map(|(i, v)| (i as f64 - middle) * v).sum();
    top / (n * (n * n - 1.0) / 12.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_known_values() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), 2.0);
        assert_eq!(quantile(&[0.0, 10.0], 0.95), 9.5);
        assert!((slope(&[1.0, 3.0, 5.0, 7.0]) - 2.0).abs() < 1e-12);
        assert!((rms(&[3.0, 4.0]) - 12.5_f64.sqrt()).abs() < 1e-12);
    }
}
