//! Fixed-point numbers written fast.

/// Appends `scaled / 10^decimals` with exactly that many decimals.
pub(crate) fn push_fixed(out: &mut Vec<u8>, scaled: i64, decimals: u32) {
    if scaled < 0 {
        out.push(b'-');
    }
    let unit = 10_u64.pow(decimals);
    let size = scaled.unsigned_abs();
    let mut buffer = itoa::Buffer::new();
    out.extend_from_slice(buffer.format(size / unit).as_bytes());
    if decimals > 0 {
        out.push(b'.');
        // A leading one keeps the zeros; it is cut off again.
        let text = buffer.format(unit + size % unit);
        out.extend_from_slice(&text.as_bytes()[1..]);
    }
}

#[cfg(test)]
mod tests {
    use super::push_fixed;

    #[test]
    fn same_as_the_standard_library() {
        for &(v, d) in
            &[(0, 0), (0, 2), (5, 2), (-5, 2), (123_456, 4), (-100_000, 4), (7, 1), (-7, 0)]
        {
            let mut out = Vec::new();
            push_fixed(&mut out, v, d);
            let want = format!("{:.*}", d as usize, v as f64 / 10_f64.powi(d as i32));
            assert_eq!(String::from_utf8(out).unwrap(), want);
        }
    }
}
