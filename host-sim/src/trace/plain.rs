//! Numbers in plain writing: perhaps a minus, digits, perhaps a point and more digits.
//!
//! A column mostly writes its numbers alike: so many digits before the point, so many
//! after. Its [`Shape`] is tried on eight bytes at a time, without a look at single
//! ones. What is written otherwise is counted out digit by digit, up to fifteen; the
//! rest is left to [`super::cell`]. A number of fifteen digits and a power of ten up to
//! 10^15 are exact in double precision, so their quotient is the nearest number, the
//! same as any other correct reading gives (Clinger 1990, PLDI; memory).

/// Most digits that are exact.
const DIGITS: u32 = 15;
/// Longest number that fits a shape, bytes.
const LONGEST: u32 = 8;
const POWERS: [f64; DIGITS as usize + 1] =
    [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
const MILLIONTHS: [u64; 7] = [1_000_000, 100_000, 10_000, 1_000, 100, 10, 1];
const ZEROS: u64 = 0x3030_3030_3030_3030;
const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
const HIGH: u64 = 0x8080_8080_8080_8080;

/// A plain number: its digits as a whole number, and how many stand after the point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plain {
    negative: bool,
    digits: u64,
    decimals: u32,
    unit: f64,
}

impl Plain {
    /// The number.
    #[inline]
    pub fn value(self) -> f64 {
        let size = self.digits as i64 as f64 / self.unit;
        f64::from_bits(size.to_bits() | u64::from(self.negative) << 63)
    }

    /// A million times the number, where that is whole and fits.
    #[inline]
    pub fn millionths(self) -> Option<i64> {
        let size = self.digits.checked_mul(*MILLIONTHS.get(self.decimals as usize)?)?;
        let size = i64::try_from(size).ok()?;
        Some(if self.negative { -size } else { size })
    }
}

/// How the numbers of a column are written.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// Mark before the decimals; 0: none is read.
    point: u8,
    /// Bytes of a number without its sign; 0: none was seen that fits.
    len: u32,
    decimals: u32,
    unit: f64,
    /// A zero for each digit, and the point.
    pattern: u64,
    /// The bytes that are compared.
    kept: u64,
    /// What lifts a byte's difference from the pattern over 127 where it must not be.
    lift: u64,
    /// Digits before and after the point.
    before: u64,
    after: u64,
    /// Bits to move the digits before the point by, to close up, and then all.
    close: u32,
    align: u32,
}

/// The first `n` of eight bytes.
fn first(n: u32) -> u64 {
    1_u64.checked_shl(8 * n).map_or(u64::MAX, |bit| bit - 1)
}

#[inline]
fn eight(text: &[u8], at: usize) -> Option<u64> {
    let bytes = text.get(at..at + 8)?;
    bytes.try_into().ok().map(u64::from_le_bytes)
}

/// The value of eight digits, first digit in the lowest byte.
#[inline]
fn eight_digits(v: u64) -> u64 {
    // Pairs, then fours, then all: each step adds neighbours, the first times its weight.
    let v = (v.wrapping_mul(10 << 8 | 1) >> 8) & 0x00ff_00ff_00ff_00ff;
    let v = (v.wrapping_mul(100 << 16 | 1) >> 16) & 0x0000_ffff_0000_ffff;
    v.wrapping_mul(10_000 << 32 | 1) >> 32
}

impl Shape {
    /// Not yet seen. `point`: the mark before the decimals; 0: whole numbers only.
    pub fn new(point: u8) -> Self {
        Shape {
            point,
            len: 0,
            decimals: 0,
            unit: 1.0,
            pattern: 0,
            kept: 0,
            lift: 0,
            before: 0,
            after: 0,
            close: 0,
            align: 0,
        }
    }

    /// For numbers with so many digits before the point, and after it.
    fn of(point: u8, before: u32, after: u32) -> Self {
        let marks = u32::from(after > 0);
        let len = before + marks + after;
        if len > LONGEST {
            return Shape::new(point);
        }
        let mark = first(before + marks) & !first(before);
        let marked = u64::from_le_bytes([point; 8]);
        Shape {
            point,
            len,
            decimals: after,
            unit: POWERS[after as usize],
            pattern: (ZEROS & !mark | marked & mark) & first(len),
            kept: first(len),
            // A digit lies from 0 to 9, the mark at 0.
            lift: 0x7676_7676_7676_7676 & !mark | LOW & mark,
            before: first(before),
            after: first(len) & !first(before + marks),
            close: 8 * marks,
            align: 8 * (LONGEST - len),
        }
    }

    /// The number that starts at `at` and ends before a byte `stop`, and where that is.
    /// Eight bytes must be there to be looked at.
    #[inline(always)]
    pub fn read(&mut self, text: &[u8], mut at: usize, stop: u8) -> Option<(Plain, usize)> {
        let mut bytes = eight(text, at)?;
        let negative = bytes as u8 == b'-';
        if negative {
            at += 1;
            bytes = eight(text, at)?;
        }
        let end = at + self.len as usize;
        let from_zero = (bytes ^ self.pattern) & self.kept;
        let odd = (((from_zero & LOW) + self.lift) | from_zero) & HIGH;
        if odd != 0 || self.len == 0 || *text.get(end)? != stop {
            return self.count_out(text, at, stop, negative);
        }
        let digits = (from_zero & self.before) << self.close | from_zero & self.after;
        let digits = eight_digits(digits << self.align);
        Some((Plain { negative, digits, decimals: self.decimals, unit: self.unit }, end))
    }

    /// Digit by digit; takes on the shape of what it finds.
    #[cold]
    #[inline(never)]
    fn count_out(
        &mut self,
        text: &[u8],
        mut at: usize,
        stop: u8,
        negative: bool,
    ) -> Option<(Plain, usize)> {
        let mut digits = 0_u64;
        let mut run = |at: &mut usize| {
            let from = *at;
            while let Some(digit) = text.get(*at).map(|b| b.wrapping_sub(b'0')).filter(|d| *d < 10)
            {
                digits = digits.wrapping_mul(10).wrapping_add(digit.into());
                *at += 1;
            }
            u32::try_from(*at - from).unwrap_or(u32::MAX)
        };
        let before = run(&mut at);
        let mut after = 0;
        if self.point != 0 && text.get(at) == Some(&self.point) {
            at += 1;
            after = run(&mut at);
            if after == 0 {
                return None;
            }
        }
        if before == 0 || before.saturating_add(after) > DIGITS || text.get(at) != Some(&stop) {
            return None;
        }
        *self = Shape::of(self.point, before, after);
        Some((Plain { negative, digits, decimals: after, unit: POWERS[after as usize] }, at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Reads `text` before a comma, twice: counted out, then by its shape.
    fn read(text: &str) -> Option<f64> {
        let mut shape = Shape::new(b'.');
        let line = format!("{text},             ");
        let (counted, end) = shape.read(line.as_bytes(), 0, b',')?;
        assert_eq!(end, text.len());
        let again = shape.read(line.as_bytes(), 0, b',');
        assert_eq!(again, Some((counted, end)), "{text}");
        Some(counted.value())
    }

    #[test]
    fn what_is_not_plain_is_left_to_others() {
        for text in [
            "",
            "-",
            ".5",
            "5.",
            "+1",
            " 1",
            "1 ",
            "1e3",
            "nan",
            "--1",
            "1.2.3",
            "1-2",
            "0x1",
            "1234567890.123456",
            "1\u{b2}",
            "\"1\"",
            "1/2",
            "1:2",
        ] {
            assert_eq!(read(text), None, "{text}");
        }
        assert_eq!(Shape::new(0).read(b"1.5,        ", 0, b','), None);
        assert_eq!(Shape::new(b'.').read(b"1.5;        ", 0, b','), None);
        assert_eq!(Shape::new(b'.').read(b"1.5,", 0, b','), None);
    }

    /// A shape that fits one number is tried on another, with every byte in every place.
    #[test]
    fn a_shape_takes_nothing_but_its_own_kind() {
        for known in ["1", "12.5", "0.123456", "12345678", "7.1"] {
            for at in 0..known.len() {
                for byte in 0..=255_u8 {
                    let mut shape = Shape::new(b'.');
                    let mut line = format!("{known},             ").into_bytes();
                    shape.read(&line, 0, b',').unwrap();
                    line[at] = byte;
                    let cell = line.split(|b| *b == b',').next().unwrap();
                    let want = std::str::from_utf8(cell).ok().and_then(read);
                    let got = shape.read(&line, 0, b',').map(|(number, _)| number.value());
                    assert_eq!(got, want, "{known}, {at}, {byte}");
                }
            }
        }
    }

    proptest! {
        #[test]
        fn the_same_bits_as_the_standard_library(
            negative: bool, digits in 0_u64..1_000_000_000_000_000, width in 1_usize..16, decimals in 0_usize..15,
        ) {
            let digits = format!("{:0width$}", digits % 10_u64.pow(width as u32));
            let decimals = decimals.min(digits.len() - 1);
            let (whole, part) = digits.split_at(digits.len() - decimals);
            let point = if decimals > 0 { "." } else { "" };
            let text = format!("{}{whole}{point}{part}", if negative { "-" } else { "" });
            let want: f64 = text.parse().unwrap();
            prop_assert_eq!(read(&text).map(f64::to_bits), Some(want.to_bits()), "{}", text);
        }
    }
}
