//! Shares of a course: twelve, of which any five rebuild it.
//!
//! The first five are the course itself, every fifth point each, so that one of
//! them alone is of use. The other seven are sums of these over GF(2^8) with the
//! coefficients of a Cauchy matrix, of which every square part can be inverted:
//! the erasure code of Reed and Solomon (1960, J. SIAM 8:300) in the systematic
//! form of Blömer et al. (1995, ICSI TR-95-048).

use crate::message::course::POINTS;

/// Shares of a course.
pub const PAGES: usize = 12;
/// Different shares that rebuild it.
pub const WANTED: usize = 5;
/// Bytes of a share.
pub const SHARE_BYTES: usize = POINTS / WANTED;

/// Product in GF(2^8) by x^8 + x^4 + x^3 + x^2 + 1.
const fn product(a: u8, b: u8) -> u8 {
    let (mut a, mut b, mut sum) = (a, b, 0);
    while b != 0 {
        if b & 1 == 1 {
            sum ^= a;
        }
        let carry = a & 0x80 != 0;
        a = a.wrapping_shl(1);
        if carry {
            a ^= 0x1D;
        }
        b = b.wrapping_shr(1);
    }
    sum
}

/// Inverse of `a`, which is not 0: its 254th power.
const fn inverse(a: u8) -> u8 {
    let mut power = 1;
    let mut n = 0_u8;
    while n < 254 {
        power = product(power, a);
        n = n.wrapping_add(1);
    }
    power
}

/// Coefficient of the course's part `part` in the share of a page.
fn coefficient(page: u8, part: u8) -> u8 {
    if usize::from(page) < WANTED { u8::from(page == part) } else { inverse(page ^ part) }
}

/// The share that a page carries. Part `i` of the course holds its points `i`, `i + 5`, ...
pub fn share(points: &[u8; POINTS], page: u8) -> [u8; SHARE_BYTES] {
    let mut share = [0; SHARE_BYTES];
    for part in 0..WANTED as u8 {
        let factor = coefficient(page, part);
        if factor == 0 {
            continue;
        }
        let of_part = points.iter().skip(usize::from(part)).step_by(WANTED);
        for (sum, point) in share.iter_mut().zip(of_part) {
            *sum ^= product(factor, *point);
        }
    }
    share
}

/// The course from the shares of different pages: whole from any five, else the
/// points of those pages that hold them plainly.
pub fn rebuild(shares: &[(u8, [u8; SHARE_BYTES])]) -> [Option<u8>; POINTS] {
    let mut points = [None; POINTS];
    let mut rows = [[0_u8; WANTED]; WANTED];
    let mut sums = [[0_u8; SHARE_BYTES]; WANTED];
    let mut seen = [false; PAGES];
    let mut count = 0_usize;
    for (page, share) in shares {
        let Some(seen) = seen.get_mut(usize::from(*page)).filter(|seen| !**seen) else { continue };
        *seen = true;
        if usize::from(*page) < WANTED {
            let of_page = points.iter_mut().skip(usize::from(*page)).step_by(WANTED);
            for (point, byte) in of_page.zip(share) {
                *point = Some(*byte);
            }
        }
        if let (Some(row), Some(sum)) = (rows.get_mut(count), sums.get_mut(count)) {
            for (part, x) in row.iter_mut().enumerate() {
                *x = coefficient(*page, part as u8);
            }
            *sum = *share;
            count = count.saturating_add(1);
        }
    }
    if count < WANTED || !solve(&mut rows, &mut sums) {
        return points;
    }
    for (part, of_part) in sums.iter().enumerate() {
        for (point, byte) in points.iter_mut().skip(part).step_by(WANTED).zip(of_part) {
            *point = Some(*byte);
        }
    }
    points
}

/// Gauss and Jordan: the rows become the identity, the sums the parts.
fn solve(rows: &mut [[u8; WANTED]; WANTED], sums: &mut [[u8; SHARE_BYTES]; WANTED]) -> bool {
    for column in 0..WANTED {
        let at = |rows: &[[u8; WANTED]; WANTED], row: usize| {
            rows.get(row).and_then(|r| r.get(column)).copied().unwrap_or(0)
        };
        let Some(pivot) = (column..WANTED).find(|row| at(rows, *row) != 0) else { return false };
        rows.swap(column, pivot);
        sums.swap(column, pivot);
        let scale = inverse(at(rows, column));
        let (Some(row), Some(sum)) = (rows.get_mut(column), sums.get_mut(column)) else {
            return false;
        };
        row.iter_mut().chain(sum.iter_mut()).for_each(|x| *x = product(*x, scale));
        let (row, sum) = (*row, *sum);
        for other in (0..WANTED).filter(|other| *other != column) {
            let factor = at(rows, other);
            let own = rows.get_mut(other).into_iter().flatten().zip(row);
            let summed = sums.get_mut(other).into_iter().flatten().zip(sum);
            for (x, y) in own.chain(summed) {
                *x ^= product(factor, y);
            }
        }
    }
    true
}
