//! Numbers in plain writing: perhaps a minus, digits, perhaps a point and more digits.
//!
//! A column mostly writes its numbers alike: so many digits before the point, so many
//! after. Its [`Shape`] is tried on eight bytes at a time, without a look at single
//! ones; what stands before the last eight bytes of a longer number (hours into a
//! deployment, times have nine) seldom changes, and is held against what it was. What is
//! written otherwise is taken from sixteen bytes at once, up to fifteen digits; the
//! rest is left to [`super::cell`]. A number of fifteen digits and a power of ten up to
//! 10^15 are exact in double precision, so their quotient is the nearest number, the
//! same as any other correct reading gives (Clinger 1990, PLDI; memory).

/// Most digits that are exact.
const DIGITS: u32 = 15;
/// Most bytes that a shape looks at digit by digit: the last of a number.
const TAIL: u32 = 8;
/// Bytes that numbers are read in: so many that places in it need no check.
pub(super) const WINDOW: usize = 160;
/// A number starts at most here in them.
const PLACES: usize = 127;
const POWERS: [f64; DIGITS as usize + 1] =
    [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
const TENS: [u64; TAIL as usize + 1] =
    [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000];
/// By digits after the point, what makes millionths of the digits as a whole number.
const MILLIONTHS: [u64; 7] = [1_000_000, 100_000, 10_000, 1_000, 100, 10, 1];
const ZEROS: u64 = 0x3030_3030_3030_3030;
const ZEROS_16: u128 = 0x3030_3030_3030_3030_3030_3030_3030_3030;
const LOW_16: u128 = 0x7f7f_7f7f_7f7f_7f7f_7f7f_7f7f_7f7f_7f7f;
const OVER_9_16: u128 = 0x7676_7676_7676_7676_7676_7676_7676_7676;
const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
/// Makes tens and ones into numbers up to 99, in the bytes of the ones moved up by one.
const PAIRS: u64 = 10 << 8 | 1;
const HIGH: u64 = 0x8080_8080_8080_8080;

/// A plain number: its digits as a whole number, and what they are counted in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plain {
    negative: bool,
    digits: u64,
    /// Such digits in 1.
    unit: f64,
    /// Millionths in one of them; 0: less than one.
    millionths: u64,
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
        if self.millionths == 0 {
            return None;
        }
        let size = self.digits.checked_mul(self.millionths)?;
        let size = i64::try_from(size).ok()?;
        Some(if self.negative { -size } else { size })
    }
}

/// How the numbers of a column are written.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// Mark before the decimals; 0: none is read.
    point: u8,
    unit: f64,
    millionths: u64,
    /// What stands before the last eight bytes, the bits of it that are compared, its bytes
    /// and what it adds to the digits.
    lead: u64,
    lead_kept: u64,
    lead_len: usize,
    lead_digits: u64,
    /// Bytes of the rest.
    len: usize,
    /// A zero for each digit of it, and the point.
    pattern: u64,
    /// What lifts a byte's difference from the pattern over 127 where it must not be.
    lift: u64,
    /// The bits that then tell so.
    odd: u64,
    /// Digits before and after the point, each with what moves them to the end of eight
    /// bytes, without a place for the point, and makes pairs of them.
    before: u64,
    before_times: u64,
    after: u64,
    after_times: u64,
}

/// The first `n` of eight bytes.
fn first(n: u32) -> u64 {
    1_u64.checked_shl(8 * n).map_or(u64::MAX, |bit| bit - 1)
}

/// The eight bytes at `at`, at most [`PLACES`] and sixteen more.
#[inline(always)]
pub(super) fn eight(window: &[u8; WINDOW], at: usize) -> u64 {
    let bytes = window.get(at..at + 8).and_then(|bytes| bytes.try_into().ok());
    bytes.map_or(0, u64::from_le_bytes)
}

/// The bytes of `text`, as many as fit, with zeros behind.
pub(super) fn window(text: &[u8]) -> [u8; WINDOW] {
    let mut window = [0; WINDOW];
    window.iter_mut().zip(text).for_each(|(to, from)| *to = *from);
    window
}

/// The value of eight digits, first digit in the lowest byte.
#[inline(always)]
fn eight_digits(v: u64) -> u64 {
    four_pairs(v.wrapping_mul(PAIRS))
}

/// The same of what [`PAIRS`] made of them.
#[inline(always)]
fn four_pairs(v: u64) -> u64 {
    // Fours, then all: each step adds neighbours, the first times its weight.
    let v = (v >> 8) & 0x00ff_00ff_00ff_00ff;
    let v = (v.wrapping_mul(100 << 16 | 1) >> 16) & 0x0000_ffff_0000_ffff;
    v.wrapping_mul(10_000 << 32 | 1) >> 32
}

/// The first `n` of sixteen bytes.
fn first_of_16(n: u32) -> u128 {
    1_u128.checked_shl(8 * n).map_or(u128::MAX, |bit| bit - 1)
}

impl Shape {
    /// Not yet seen. `point`: the mark before the decimals; 0: whole numbers only.
    pub fn new(point: u8) -> Self {
        Shape {
            point,
            unit: 1.0,
            millionths: 0,
            lead: 0,
            lead_kept: 0,
            lead_len: 0,
            lead_digits: 0,
            len: 0,
            pattern: 0,
            // Nothing but zero bytes passes, and none ends a cell.
            lift: LOW,
            odd: HIGH,
            before: 0,
            before_times: 0,
            after: 0,
            after_times: 0,
        }
    }

    /// Mark before the decimals; 0: none is read.
    pub fn point(&self) -> u8 {
        self.point
    }

    /// For numbers like that in `text`, of `digits` with so many before the point and after.
    fn of(point: u8, before: u32, after: u32, text: u64, digits: u64) -> Self {
        let marks = u32::from(after > 0);
        let all = before + marks + after;
        let len = all.min(TAIL);
        let lead_len = all - len;
        // The point may stand in the part before.
        let (before, marks) = match before.checked_sub(lead_len) {
            Some(before) => (before, marks),
            None => (len, 0),
        };
        let mark = first(before + marks) & !first(before);
        let marked = u64::from_le_bytes([point; 8]);
        let align = 8 * (TAIL - len);
        Shape {
            point,
            unit: POWERS[after as usize],
            millionths: MILLIONTHS.get(after as usize).copied().unwrap_or(0),
            lead: text & first(lead_len),
            lead_kept: first(lead_len),
            lead_len: lead_len as usize,
            lead_digits: digits - digits % TENS[(len - marks) as usize],
            len: len as usize,
            pattern: ZEROS & !mark | marked & mark,
            // A digit lies from 0 to 9, the mark at 0.
            lift: 0x7676_7676_7676_7676 & !mark | LOW & mark,
            odd: HIGH & first(len),
            before: first(before),
            before_times: PAIRS << (align + 8 * marks),
            after: first(len) & !first(before + marks),
            after_times: PAIRS << align,
        }
    }

    /// The number that starts at `at`, at most [`PLACES`], and ends before a byte `stop`, and
    /// where that is.
    #[inline(always)]
    pub fn read(&mut self, window: &[u8; WINDOW], at: usize, stop: u8) -> Option<(Plain, usize)> {
        self.alike(window, at, stop).or_else(|| self.other(window, at, stop))
    }

    /// The same, where it is of this shape.
    #[inline(always)]
    pub fn alike(&self, window: &[u8; WINDOW], at: usize, stop: u8) -> Option<(Plain, usize)> {
        // What is masked here is so already: it spares a check.
        let at = at & PLACES;
        // No branch for the sign: it comes and goes as the animal moves.
        let negative = window[at] == b'-';
        let at = at + usize::from(negative);
        if self.lead_kept != 0 {
            return self.long(window, at, stop, negative);
        }
        let from_zero = eight(window, at) ^ self.pattern;
        let end = at + (self.len & 15);
        if self.is_odd(from_zero) || window[end] != stop {
            return None;
        }
        Some((self.plain(negative, self.digits(from_zero)), end))
    }

    /// Whether a byte is no digit or point where one must be. One above 127 tells so by itself,
    /// whatever it adds to those behind it.
    #[inline(always)]
    fn is_odd(&self, from_zero: u64) -> bool {
        (from_zero.wrapping_add(self.lift) | from_zero) & self.odd != 0
    }

    /// The digits as a whole number.
    #[inline(always)]
    fn digits(&self, from_zero: u64) -> u64 {
        let before = (from_zero & self.before).wrapping_mul(self.before_times);
        let after = (from_zero & self.after).wrapping_mul(self.after_times);
        four_pairs(before.wrapping_add(after))
    }

    #[inline(always)]
    fn plain(&self, negative: bool, digits: u64) -> Plain {
        Plain { negative, digits, unit: self.unit, millionths: self.millionths }
    }

    /// A number of more than eight bytes, behind its sign.
    #[inline]
    fn long(
        &self,
        window: &[u8; WINDOW],
        at: usize,
        stop: u8,
        negative: bool,
    ) -> Option<(Plain, usize)> {
        let from_zero = eight(window, at + self.lead_len) ^ self.pattern;
        let end = at + self.lead_len + self.len;
        let led = eight(window, at) & self.lead_kept == self.lead;
        if !led || self.is_odd(from_zero) || window.get(end) != Some(&stop) {
            return None;
        }
        Some((self.plain(negative, self.digits(from_zero) + self.lead_digits), end))
    }

    /// A number of another shape, which is taken on.
    #[inline(never)]
    pub fn other(&mut self, text: &[u8; WINDOW], at: usize, stop: u8) -> Option<(Plain, usize)> {
        let negative = text.get(at) == Some(&b'-');
        let at = at + usize::from(negative);
        let bytes: [u8; 16] = text.get(at..at + 16)?.try_into().ok()?;
        let from_zero = u128::from_le_bytes(bytes) ^ ZEROS_16;
        // The highest bit of each byte that is no digit.
        let marks = (((from_zero & LOW_16) + OVER_9_16) | from_zero) & !LOW_16;
        let before = marks.trailing_zeros() / 8;
        let (mut end, mut after, mut digits) = (before, 0, from_zero);
        if self.point != 0 && text.get(at + before as usize) == Some(&self.point) {
            end = (marks & marks.wrapping_sub(1)).trailing_zeros() / 8;
            after = end.checked_sub(before + 1).filter(|after| *after > 0)?;
            digits = (from_zero & first_of_16(before)) << 8 | from_zero & !first_of_16(before + 1);
        }
        if before == 0 || before + after > DIGITS || text.get(at + end as usize) != Some(&stop) {
            return None;
        }
        // The last digit goes to the end: what follows it falls out.
        let digits = digits << (8 * (16 - end));
        let digits =
            eight_digits(digits as u64) * 100_000_000 + eight_digits((digits >> 64) as u64);
        let text = u64::from_le_bytes(*bytes.first_chunk()?);
        *self = Shape::of(self.point, before, after, text, digits);
        let end = at + end as usize;
        Some((self.plain(negative, digits), end))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Reads `text` before a comma, twice: as of another shape, then by its own.
    fn read(text: &str) -> Option<f64> {
        let mut shape = Shape::new(b'.');
        let line = window(format!("{text},").as_bytes());
        let (number, end) = shape.read(&line, 0, b',')?;
        assert_eq!(end, text.len());
        let again = shape.read(&line, 0, b',');
        assert_eq!(again, Some((number, end)), "{text}");
        Some(number.value())
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
        assert_eq!(Shape::new(0).read(&window(b"1.5,"), 0, b','), None);
        assert_eq!(Shape::new(b'.').read(&window(b"1.5;"), 0, b','), None);
    }

    /// A shape that fits one number is tried on another, with every byte in every place.
    #[test]
    fn a_shape_takes_nothing_but_its_own_kind() {
        for known in [
            "1",
            "12.5",
            "0.123456",
            "12345678",
            "7.1",
            "123456.04",
            "0.123456789",
            "1234567890.123",
            "123456789012345",
        ] {
            for at in 0..known.len() {
                for byte in 0..=255_u8 {
                    let mut shape = Shape::new(b'.');
                    let mut line = window(format!("{known},").as_bytes());
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
