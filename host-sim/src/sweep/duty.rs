//! A duty cycle: awake for the first part of every period, asleep for the rest.
//!
//! Asleep, the tag takes no reading at all. Its clock runs on, and an alarm wakes
//! it for the ceiling. How the detectors meet the gap is their own handling of
//! gaps: windows start anew, the first sample is believed once the next agrees
//! with it, and a minute with less than 60 % of its samples is no evidence.

/// When the tag is awake.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Duty {
    /// All the time.
    Always,
    /// From the start of each period, microseconds.
    Cycle {
        /// Awake, more than 0 and less than `every_us`.
        on_us: u64,
        /// Period.
        every_us: u64,
    },
}

impl Duty {
    /// Whether the tag is awake at `t_us`.
    #[inline]
    pub fn awake(self, t_us: u64) -> bool {
        match self {
            Duty::Always => true,
            Duty::Cycle { on_us, every_us } => t_us % every_us < on_us,
        }
    }

    /// Part of the time awake, 0 to 1.
    pub fn fraction(self) -> f64 {
        match self {
            Duty::Always => 1.0,
            Duty::Cycle { on_us, every_us } => on_us as f64 / every_us as f64,
        }
    }

    /// As shown in tables: `always`, or seconds awake of every so many.
    pub fn name(self) -> String {
        match self {
            Duty::Always => "always".into(),
            Duty::Cycle { on_us, every_us } => {
                format!("{}/{} s", on_us as f64 / 1e6, every_us as f64 / 1e6)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wakes_at_the_start_of_each_period() {
        let duty = Duty::Cycle { on_us: 2_000_000, every_us: 10_000_000 };
        let awake: Vec<u64> = (0..25).filter(|s| duty.awake(s * 1_000_000)).collect();
        assert_eq!(awake, [0, 1, 10, 11, 20, 21]);
        assert_eq!((duty.fraction(), Duty::Always.fraction()), (0.2, 1.0));
        assert_eq!((duty.name(), Duty::Always.name()), ("2/10 s".into(), "always".into()));
    }
}
