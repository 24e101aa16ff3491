//! Faults of the sensor, the record and the clock, laid over a sound trace.
//!
//! Times are seconds on the logger's clock before any jump.

use super::draws::Draws;
use super::sensor::SensorKind;

/// What a dead depth sensor does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum DeadDepth {
    /// The last reading for ever.
    Frozen,
    /// Empty cells.
    Silent,
    /// The lowest reading of its scale.
    Rail,
}

/// One fault, or none.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Fault {
    None,
    /// An axis repeats its last count.
    Stuck {
        axis: usize,
        from_s: f64,
        until_s: f64,
    },
    /// An axis drifts to the rail, so that half its swing is cut off.
    Clipped {
        axis: usize,
        from_s: f64,
        until_s: f64,
    },
    /// The cells of an axis are empty.
    Missing {
        axis: usize,
        from_s: f64,
        until_s: f64,
    },
    /// Rows are lost from and to these times.
    Gaps(Vec<(f64, f64)>),
    /// Rows are written more than once, this often on average.
    Duplicates {
        every_s: f64,
    },
    /// The clock leaps ahead by whole seconds, and later back.
    ClockJump {
        from_s: f64,
        until_s: f64,
        by_s: i64,
    },
    DeadDepth {
        from_s: f64,
        how: DeadDepth,
    },
}

impl Fault {
    /// Said in one line, for the deployment file.
    pub(crate) fn describe(&self) -> String {
        const AXIS: [&str; 3] = ["ax", "ay", "az"];
        let span = |from_s: f64, until_s: f64| match until_s.is_finite() {
            true => format!("{from_s:.0} to {until_s:.0} s"),
            false => format!("{from_s:.0} s"),
        };
        match self {
            Self::None => "none".into(),
            Self::Stuck { axis, from_s, until_s } => {
                format!("{} stuck from {}", AXIS[*axis], span(*from_s, *until_s))
            }
            Self::Clipped { axis, from_s, until_s } => {
                format!("{} clipped from {}", AXIS[*axis], span(*from_s, *until_s))
            }
            Self::Missing { axis, from_s, until_s } => {
                format!("{} missing from {}", AXIS[*axis], span(*from_s, *until_s))
            }
            Self::Gaps(gaps) => {
                let all: Vec<String> =
                    gaps.iter().map(|(a, b)| format!("{a:.0} to {b:.0}")).collect();
                format!("rows lost at {} s", all.join(", "))
            }
            Self::Duplicates { every_s } => format!("rows repeated about every {every_s:.0} s"),
            Self::ClockJump { from_s, until_s, by_s } => {
                format!("clock {by_s} s ahead from {from_s:.0} to {until_s:.0} s")
            }
            Self::DeadDepth { from_s, how } => {
                let how = match how {
                    DeadDepth::Frozen => "frozen",
                    DeadDepth::Silent => "silent",
                    DeadDepth::Rail => "at its lowest reading",
                };
                format!("depth {how} from {from_s:.0} s")
            }
        }
    }

    /// How far the written clock is ahead at `t_s`, s.
    pub(crate) fn clock_shift_s(&self, t_s: f64) -> i64 {
        match *self {
            Self::ClockJump { from_s, until_s, by_s } if t_s >= from_s && t_s < until_s => by_s,
            _ => 0,
        }
    }

    /// Whether the rows at `t_s` are lost.
    pub(crate) fn lost(&self, t_s: f64) -> bool {
        match self {
            Self::Gaps(gaps) => gaps.iter().any(|&(a, b)| t_s >= a && t_s < b),
            _ => false,
        }
    }
}

/// A row as the logger has it; `None` is an empty cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Row {
    /// Number of the sample from the start.
    pub(crate) tick: u64,
    /// Whole seconds that the written time is ahead.
    pub(crate) shift_s: i64,
    pub(crate) counts: [Option<i32>; 3],
    /// Depth and temperature in hundredths.
    pub(crate) depth_cm: Option<i64>,
    pub(crate) temp_cc: Option<i64>,
    /// What a wet contact reads, once a second; `None` between.
    pub(crate) wet: Option<bool>,
    /// How deep the tag really is, m.
    pub(crate) below_m: f64,
}

/// A fault at work on a stream of rows.
#[derive(Clone, Debug)]
pub(crate) struct Spoiler {
    pub(crate) fault: Fault,
    full: (i32, i32),
    held: Option<i32>,
    mean: f64,
    bias: Option<i32>,
    held_depth: Option<i64>,
    next_s: f64,
}

impl Spoiler {
    pub(crate) fn new(fault: Fault, kind: &SensorKind, d: &mut Draws) -> Self {
        let full = (kind.range_g * kind.counts_per_g) as i32;
        let next_s = match fault {
            Fault::Duplicates { every_s } => d.wait(every_s),
            _ => f64::INFINITY,
        };
        Self {
            fault,
            full: (-full, full - 1),
            held: None,
            mean: 0.0,
            bias: None,
            held_depth: None,
            next_s,
        }
    }

    /// Spoils a row taken at `t_s`; the answer is how often to write it.
    pub(crate) fn spoil(&mut self, t_s: f64, row: &mut Row, d: &mut Draws) -> u32 {
        row.shift_s = self.fault.clock_shift_s(t_s);
        if self.fault.lost(t_s) {
            return 0;
        }
        match self.fault {
            Fault::Stuck { axis, from_s, until_s } if t_s >= from_s && t_s < until_s => {
                row.counts[axis] = self.held;
            }
            Fault::Stuck { axis, .. } => self.held = row.counts[axis],
            Fault::Clipped { axis, from_s, until_s } => {
                let Some(count) = row.counts[axis] else { return 1 };
                if t_s < from_s {
                    self.mean += 0.002 * (f64::from(count) - self.mean);
                } else if t_s < until_s {
                    let top = self.full.1;
                    let bias = *self.bias.get_or_insert(top - self.mean.round() as i32);
                    row.counts[axis] = Some((count + bias).clamp(self.full.0, top));
                }
            }
            Fault::Missing { axis, from_s, until_s } if t_s >= from_s && t_s < until_s => {
                row.counts[axis] = None;
            }
            Fault::DeadDepth { from_s, how } => {
                if t_s < from_s {
                    self.held_depth = row.depth_cm.or(self.held_depth);
                } else if row.depth_cm.is_some() {
                    row.depth_cm = match how {
                        DeadDepth::Frozen => self.held_depth,
                        DeadDepth::Silent => None,
                        DeadDepth::Rail => Some(-1000),
                    };
                }
            }
            Fault::Duplicates { every_s } if t_s >= self.next_s => {
                self.next_s = t_s + d.wait(every_s);
                return 2 + d.below(4) as u32;
            }
            _ => {}
        }
        1
    }
}
