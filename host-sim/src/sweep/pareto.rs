//! The Pareto front: cells that no other cell beats in everything at once.

use super::tally::CellScore;

/// One thing that a cell is judged by.
#[derive(Debug)]
pub struct Goal {
    /// Name in the grid file.
    pub name: &'static str,
    /// What it is, with its unit.
    pub doc: &'static str,
    /// More is better.
    pub more: bool,
    /// The value in a cell; `None` where it cannot be said.
    pub value: fn(&CellScore) -> Option<f64>,
}

/// All goals.
pub const GOALS: &[Goal] = &[
    Goal {
        name: "beat_f1",
        doc: "F1 of tail beats, 0 to 1; more is better",
        more: true,
        value: |s| s.beat_f1,
    },
    Goal {
        name: "rate_error_per_min",
        doc: "mean size of the error of the beat rate, beats/min; less is better",
        more: false,
        value: |s| s.rate_error_per_min,
    },
    Goal {
        name: "fate_wrong",
        doc: "part of the traces whose fate was not told rightly, 0 to 1; less is better",
        more: false,
        value: |s| s.fate_wrong,
    },
    Goal {
        name: "fate_delay_h",
        doc: "mean delay of deaths and losses told rightly, h; less is better",
        more: false,
        value: |s| s.fate_delay_h,
    },
    Goal {
        name: "release_delay_h",
        doc: "mean time from a death or a loss to letting go for it, h; less is better",
        more: false,
        value: |s| s.release_delay_h,
    },
    Goal {
        name: "recovery_error_h",
        doc: "mean size of the error of recovery times, h; less is better",
        more: false,
        value: |s| s.recovery_error_h,
    },
    Goal {
        name: "false_releases",
        doc: "traces in which the tag let go of a living animal for its death; fewer are better",
        more: false,
        value: |s| Some(s.false_releases as f64),
    },
    Goal {
        name: "on_animal_days",
        doc: "days on the animal, up to the ceiling; more is better",
        more: true,
        value: |s| s.on_animal_days,
    },
    Goal {
        name: "cell_days",
        doc: "days on the animal that the cell would last without a ceiling; more is better",
        more: true,
        value: |s| s.cell_days,
    },
    Goal {
        name: "beacon_days",
        doc: "days of beacon after surfacing; more is better",
        more: true,
        value: |s| s.beacon_days,
    },
    Goal {
        name: "bytes_per_day",
        doc: "bytes recorded a day; fewer are better",
        more: false,
        value: |s| Some(s.bytes_per_day),
    },
];

/// What cells are judged by where the grid file does not say.
pub const USUAL: [&str; 4] = ["beat_f1", "fate_wrong", "release_delay_h", "cell_days"];

/// The goal called `name`.
pub fn goal_named(name: &str) -> Option<&'static Goal> {
    GOALS.iter().find(|g| g.name == name)
}

/// Names of all goals.
pub fn goal_names() -> impl Iterator<Item = &'static str> {
    GOALS.iter().map(|g| g.name)
}

/// Which cells are on the front: no other is at least as good in every goal and
/// better in one. What cannot be said counts as worst; a goal that no cell can
/// tell anything of decides nothing.
pub fn front(scores: &[CellScore], goals: &[&Goal]) -> Vec<bool> {
    let values: Vec<Vec<f64>> = scores
        .iter()
        .map(|s| {
            goals
                .iter()
                .map(|g| match (g.value)(s) {
                    Some(v) if v.is_nan() => f64::NEG_INFINITY,
                    Some(v) if g.more => v,
                    Some(v) => -v,
                    None => f64::NEG_INFINITY,
                })
                .collect()
        })
        .collect();
    let beats = |a: &[f64], b: &[f64]| {
        a.iter().zip(b).all(|(a, b)| a >= b) && a.iter().zip(b).any(|(a, b)| a > b)
    };
    // Whoever is beaten is beaten by one on the front: the best in order of the
    // goals come first and are enough to compare with.
    let mut order: Vec<usize> = (0..values.len()).collect();
    let descending = |&a: &usize, &b: &usize| {
        let by_goal = values[a].iter().zip(&values[b]).map(|(a, b)| b.total_cmp(a));
        by_goal.fold(std::cmp::Ordering::Equal, std::cmp::Ordering::then)
    };
    order.sort_by(descending);
    let mut best: Vec<usize> = Vec::new();
    let mut on = vec![false; values.len()];
    for n in order {
        if !best.iter().any(|&b| beats(&values[b], &values[n])) {
            best.push(n);
            on[n] = true;
        }
    }
    on
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(f1: Option<f64>, days: f64) -> CellScore {
        let days = Some(days);
        CellScore { beat_f1: f1, on_animal_days: days, cell_days: days, ..Default::default() }
    }

    #[test]
    fn as_by_comparing_all_with_all() {
        let mut seed = 3_u64;
        let mut draw = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            ((seed >> 33) % 8) as f64
        };
        let cells: Vec<CellScore> = (0..200).map(|_| cell(Some(draw()), draw())).collect();
        let goals: Vec<&Goal> =
            ["beat_f1", "on_animal_days"].iter().filter_map(|n| goal_named(n)).collect();
        let on = front(&cells, &goals);
        for (a, &on) in cells.iter().zip(&on) {
            let beaten = cells.iter().any(|b| {
                b.beat_f1 >= a.beat_f1
                    && b.on_animal_days >= a.on_animal_days
                    && (b.beat_f1 > a.beat_f1 || b.on_animal_days > a.on_animal_days)
            });
            assert_eq!(on, !beaten, "{a:?}");
        }
    }

    #[test]
    fn unknown_is_worst_and_usual_goals_exist() {
        let goals: Vec<&Goal> = USUAL.iter().map(|n| goal_named(n).unwrap()).collect();
        let on = front(&[cell(None, 3.0), cell(Some(0.1), 3.0), cell(None, 4.0)], &goals);
        assert_eq!(on, [false, true, true]);
        assert_eq!(front(&[cell(None, 1.0), cell(None, 1.0)], &goals), [true, true]);
    }
}
