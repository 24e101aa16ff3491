//! The table of the cells of a sweep: the same columns with script and without.

use maud::{Markup, html};
use serde_json::{Value, json};

use crate::sweep::output::SweepResult;

/// Cells up to which all are shown at first; of more, those on the front.
const SHOWN: usize = 60;
/// Rows at most on a page without script.
const MOST: usize = 200;

/// A column.
pub(super) struct Column {
    head: String,
    said: &'static str,
    values: Values,
}

enum Values {
    /// Numbers with so many digits; what cannot be said is blank.
    Number(usize, Vec<Option<f64>>),
    /// Words, each with its place in the order.
    Word(Vec<(f64, String)>),
}

impl Column {
    /// The text in a row.
    pub fn text(&self, row: usize) -> String {
        match &self.values {
            Values::Number(digits, all) => {
                let value = all.get(row).copied().flatten();
                value.map_or(String::new(), |v| format!("{v:.digits$}"))
            }
            Values::Word(all) => all.get(row).map_or(String::new(), |(_, text)| text.clone()),
        }
    }

    /// True where numbers stand under each other.
    pub fn is_number(&self) -> bool {
        matches!(self.values, Values::Number(..))
    }

    /// The heading; the script makes it a button that sorts.
    pub fn head(&self) -> Markup {
        html! { th scope="col" .n[self.is_number()] title=(self.said) { (self.head) } }
    }

    /// For the script: `sort` is what to sort by, `text` what to show where that is not
    /// the number itself.
    pub fn json(&self) -> Value {
        match &self.values {
            Values::Number(digits, all) => {
                let scale = 10f64.powi(*digits as i32);
                let sort: Vec<_> =
                    all.iter().map(|v| v.map(|v| (v * scale).round() / scale)).collect();
                json!({"digits": digits, "sort": sort})
            }
            Values::Word(all) => json!({
                "sort": all.iter().map(|(order, _)| order).collect::<Vec<_>>(),
                "text": all.iter().map(|(_, text)| text).collect::<Vec<_>>(),
            }),
        }
    }
}

/// Rows shown without script: all, or those on the front.
pub(super) fn shown(r: &SweepResult) -> Vec<usize> {
    let all = r.cells.len() <= SHOWN;
    let rows = r.cells.iter().filter(|c| all || c.pareto).map(|c| c.cell - 1);
    rows.take(MOST).collect()
}

/// All columns.
pub(super) fn columns(r: &SweepResult) -> Vec<Column> {
    let called: std::collections::BTreeSet<usize> =
        r.callouts.iter().flat_map(|c| c.cells.iter().copied()).collect();
    let mark = |c: &crate::sweep::output::CellResult| {
        let (front, spoken) = (c.pareto, called.contains(&c.cell));
        let text = format!("{}{}", if front { "*" } else { "" }, if spoken { "!" } else { "" });
        (f64::from(u8::from(!front)) * 2.0 + f64::from(u8::from(spoken)), text)
    };
    let number = |head: &str, said, digits, value: &dyn Fn(usize) -> Option<f64>| Column {
        head: head.into(),
        said,
        values: Values::Number(digits, (0..r.cells.len()).map(value).collect()),
    };
    let word = |head: &str, said, value: &dyn Fn(usize) -> (f64, String)| Column {
        head: head.into(),
        said,
        values: Values::Word((0..r.cells.len()).map(value).collect()),
    };
    let s = |n: usize| &r.cells[n].score;
    let part = |count: u64, of: u64| match of {
        0 => (-1.0, String::new()),
        _ => (count as f64 / of as f64, format!("{count} of {of}")),
    };
    let mut all = vec![
        number("Cell", "Number, in the order of the grid", 0, &|n| Some(r.cells[n].cell as f64)),
        word("", "On the front, spoken of", &|n| mark(&r.cells[n])),
    ];
    for axis in &r.axes {
        all.push(word(axis.key, "Setting of the grid", &|n| {
            let of = axis.of[n];
            (of as f64, axis.values[of].clone())
        }));
    }
    all.extend([
        number("F1", "F1 of tail beats, all traces together", 3, &|n| s(n).beat_f1),
        number("Rate error, /min", "Mean size of the error of the beat rate", 2, &|n| {
            s(n).rate_error_per_min
        }),
        word("Told", "Deaths and lost tags told before the ceiling", &|n| {
            part(s(n).deaths_told + s(n).losses_told, s(n).deaths + s(n).losses)
        }),
        word("False", "Survivors called dead or off", &|n| {
            part(s(n).false_alarms, r.spreads.get(n).map_or(0, |p| p.survivors))
        }),
        number("Told after, h", "Mean delay of deaths and losses told", 2, &|n| s(n).fate_delay_h),
        number("Lets go after, h", "Mean time from death or loss to letting go", 1, &|n| {
            s(n).release_delay_h
        }),
        number("Plain death, h", "Delay of a plain death in the trial", 1, &|n| {
            r.cells[n].trial_death_delay_h
        }),
        number("False releases", "Traces of living animals let go for death or loss", 0, &|n| {
            Some(s(n).false_releases as f64)
        }),
        number("Battery, days", "On the animal, as the battery allows: median", 0, &|n| {
            s(n).cell_days
        }),
        number("Beacon, days", "Of beacon after surfacing: median", 1, &|n| s(n).beacon_days),
        number("MB a day", "Recorded a day", 2, &|n| Some(s(n).bytes_per_day / 1e6)),
    ]);
    all
}
