//! One cell: a number, or why not.

/// What a cell holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Cell {
    /// A finite number.
    Number(f64),
    /// Nothing, or blanks.
    Empty,
    /// Anything else, NaN and infinities among it.
    Bad,
}

/// How decimal fractions are written, as far as seen.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Decimals {
    /// A decimal comma was seen. Possible only where the delimiter is not a comma.
    pub comma: bool,
    /// A decimal point was seen. Kept only where the delimiter is not a comma.
    pub point: bool,
}

/// Reads a plain decimal number; the fast path of every cell.
#[inline]
pub(super) fn number(cell: &[u8]) -> Cell {
    match fast_float2::parse::<f64, _>(cell) {
        Ok(v) if v.is_finite() => Cell::Number(v),
        Ok(_) => Cell::Bad,
        Err(_) => tidied(cell),
    }
}

/// Reads a number at the start of `text` that ends before a byte `stop`; gives its length too.
/// `None`: it does not, or is none.
#[inline]
pub(super) fn number_before(text: &[u8], stop: u8) -> Option<(f64, usize)> {
    let (number, len) = fast_float2::parse_partial::<f64, _>(text).ok()?;
    (number.is_finite() && text.get(len) == Some(&stop)).then_some((number, len))
}

/// A cell with blanks or quotes around the number.
#[cold]
fn tidied(cell: &[u8]) -> Cell {
    let mut cell = cell.trim_ascii();
    if let [b'"', inner @ .., b'"'] = cell {
        cell = inner.trim_ascii();
    }
    if cell.is_empty() {
        return Cell::Empty;
    }
    match fast_float2::parse::<f64, _>(cell) {
        Ok(v) if v.is_finite() => Cell::Number(v),
        _ => Cell::Bad,
    }
}

/// Reads a number that may have a decimal comma, and notes which it had.
pub(super) fn number_noting(cell: &[u8], seen: &mut Decimals) -> Cell {
    let point = cell.contains(&b'.');
    match memchr::memchr_iter(b',', cell).count() {
        0 => {
            let read = number(cell);
            seen.point |= point && matches!(read, Cell::Number(_));
            read
        }
        1 => {
            let swapped: Vec<u8> = cell.iter().map(|&b| if b == b',' { b'.' } else { b }).collect();
            let read = number(&swapped);
            if matches!(read, Cell::Number(_)) {
                seen.comma = true;
            } else if point && cell.iter().all(|b| b"0123456789+-.,eE \r".contains(b)) {
                // Something like 1.234,5: both marks in one cell.
                seen.comma = true;
                seen.point = true;
            }
            read
        }
        _ => Cell::Bad,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_what_is_none() {
        for (text, want) in [
            ("1.5", Cell::Number(1.5)),
            (" -0.25 ", Cell::Number(-0.25)),
            ("\"3\"", Cell::Number(3.0)),
            ("1e-3", Cell::Number(0.001)),
            ("+2", Cell::Number(2.0)),
            ("", Cell::Empty),
            ("  ", Cell::Empty),
            ("\"\"", Cell::Empty),
            ("NaN", Cell::Bad),
            ("inf", Cell::Bad),
            ("-Infinity", Cell::Bad),
            ("1e999", Cell::Bad),
            ("1,5", Cell::Bad),
            ("abc", Cell::Bad),
            ("1 2", Cell::Bad),
        ] {
            assert_eq!(number(text.as_bytes()), want, "{text}");
        }
    }

    #[test]
    fn decimal_commas_are_noted() {
        let mut seen = Decimals::default();
        assert_eq!(number_noting(b"1,5", &mut seen), Cell::Number(1.5));
        assert!(seen.comma && !seen.point);
        assert_eq!(number_noting(b"1.5", &mut seen), Cell::Number(1.5));
        assert!(seen.comma && seen.point);
        let mut seen = Decimals::default();
        assert_eq!(number_noting(b"1.234,5", &mut seen), Cell::Bad);
        assert!(seen.comma && seen.point);
        assert_eq!(number_noting(b"1,2,3", &mut Decimals::default()), Cell::Bad);
    }
}
