//! The clock of the trace beside the tag's own time, which never goes back.
//!
//! Both agree until the trace's clock is set back or stands still: from there on the tag
//! counts from its own last time ([`firmware_core::signal::sensor`]), and what it tells of lies later
//! by its time than by the times written in the trace. A report is held against the trace and
//! its truth, so it tells times as written.

use super::seconds;

/// From `tag_us` on, rows were written from `written_us` on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Piece {
    tag_us: u64,
    written_us: u64,
    /// The written time stands still.
    stands: bool,
}

impl Piece {
    fn at(&self, tag_us: u64) -> u64 {
        let passed_us = if self.stands { 0 } else { tag_us.saturating_sub(self.tag_us) };
        self.written_us.saturating_add(passed_us)
    }
}

/// Changes kept at most; later times go on from the last of them. A clock that is set back
/// once a minute fills this in a month and a half.
const PIECES_MAX: usize = 65_536;

/// How written times follow from the tag's.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TraceClock {
    pieces: Vec<Piece>,
    now_us: u64,
    last_written_us: u64,
}

impl TraceClock {
    /// Takes note of a row written at `written_us`, microseconds from the first, after which
    /// the tag's time was `tag_us`; or of the last of several in regular steps. A row that
    /// did not move the tag's time on was dropped by it.
    #[inline]
    pub fn note(&mut self, tag_us: u64, written_us: u64) {
        if tag_us == self.now_us {
            return;
        }
        if tag_us != written_us || !self.pieces.is_empty() {
            self.follow(tag_us, written_us);
        }
        self.now_us = tag_us;
        self.last_written_us = written_us;
    }

    #[cold]
    #[inline(never)]
    fn follow(&mut self, tag_us: u64, written_us: u64) {
        let stands = written_us == self.last_written_us;
        let start = Piece { tag_us: 0, written_us: 0, stands: false };
        let last = self.pieces.last().unwrap_or(&start);
        let goes_on = last.at(tag_us) == written_us;
        if goes_on || self.pieces.len() >= PIECES_MAX {
            return;
        }
        // Everything after the row before is of this piece.
        let tag_from_us = self.now_us.saturating_add(1).min(tag_us);
        let before_us = if stands { 0 } else { tag_us - tag_from_us };
        self.pieces.push(Piece {
            tag_us: tag_from_us,
            written_us: written_us.saturating_sub(before_us),
            stands,
        });
    }

    /// The written time, microseconds from the first row, for a time of the tag's.
    pub fn written_us(&self, tag_us: u64) -> u64 {
        let after = self.pieces.partition_point(|piece| piece.tag_us <= tag_us);
        match after.checked_sub(1).and_then(|n| self.pieces.get(n)) {
            Some(piece) => piece.at(tag_us),
            None => tag_us,
        }
    }

    /// The same in seconds.
    pub fn written_s(&self, tag_s: f64) -> f64 {
        let tag_us = (tag_s * 1e6).max(0.0) as u64;
        let ahead_us = tag_us.abs_diff(self.written_us(tag_us)) as f64;
        // The tag is never behind.
        tag_s - ahead_us / 1e6
    }

    /// A time of the tag's on the clock of the trace, whose first row is at `first_t_s`, s.
    pub(crate) fn at_s(&self, tag_us: u64, first_t_s: f64) -> f64 {
        seconds(self.written_us(tag_us), first_t_s)
    }

    /// The same for an estimate of `tag_s`, to the millisecond.
    pub(crate) fn estimate_s(&self, tag_s: f32, first_t_s: f64) -> f64 {
        ((self.written_s(tag_s.into()) + first_t_s) * 1e3).round() / 1e3
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A clock that took rows, each with the tag's time after it.
    fn clock(rows: &[(u64, u64)]) -> TraceClock {
        let mut clock = TraceClock::default();
        rows.iter().for_each(|&(tag, written)| clock.note(tag, written));
        clock
    }

    #[test]
    fn times_are_the_same_until_the_clock_is_set_back() {
        let even: Vec<_> = (0..9).map(|n| (n * 40, n * 40)).collect();
        assert_eq!(clock(&even), TraceClock { now_us: 320, last_written_us: 320, pieces: vec![] });
        let clock = clock(&[even, vec![(360, 60), (400, 100), (440, 140)]].concat());
        assert_eq!(clock.pieces.len(), 1);
        for (tag, written) in [(0, 0), (320, 320), (321, 21), (360, 60), (440, 140), (500, 200)] {
            assert_eq!(clock.written_us(tag), written, "{tag}");
        }
        assert!((clock.written_s(0.000_44) - 0.000_14).abs() < 1e-12);
        assert_eq!(clock.written_s(-3.0), -3.0);
    }

    #[test]
    fn a_row_that_was_dropped_changes_nothing() {
        // One wrong time far ahead, which the tag does not believe.
        let rows = [(40, 40), (80, 80), (80, 9_000), (160, 160), (200, 200)];
        assert_eq!(clock(&rows).pieces, []);
    }

    #[test]
    fn a_clock_that_stands_still_is_one_piece_and_so_is_what_follows() {
        let still = (1..500).map(|n| (40 + 40 * n, 40));
        let on = (1..9).map(|n| (20_000 + 40 * n, 40 + 40 * n));
        let clock = clock(&[(40, 40)].into_iter().chain(still).chain(on).collect::<Vec<_>>());
        assert_eq!(clock.pieces.len(), 2, "{clock:?}");
        for (tag, written) in [(40, 40), (60, 40), (20_000, 40), (20_040, 80), (20_320, 360)] {
            assert_eq!(clock.written_us(tag), written, "{tag}");
        }
    }

    #[test]
    fn memory_is_bounded() {
        let mut clock = TraceClock::default();
        for n in 0..200_000 {
            clock.note(40 * n, 40 * n - 7 * (n % 2) * n.min(1));
        }
        assert_eq!(clock.pieces.len(), PIECES_MAX);
    }
}
