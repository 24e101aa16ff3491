//! What would help: single changes that a person can make, and how strongly the
//! answer depends on each figure.

use serde::Serialize;

use super::Measure;
use crate::energy::outlook::as_written;
use crate::energy::{Outcome, Rules};
use crate::tag_file::{Duty, Figure, PhaseKind, TagFile};

/// Whether a change is one of settings or one of the tag itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum ChangeKind {
    /// A setting or the schedule.
    Setting,
    /// Another cell or part.
    Hardware,
}

/// A single change and what it buys.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// In words.
    pub change: String,
    /// Setting or hardware.
    pub kind: ChangeKind,
    /// Days on the animal with it.
    pub animal_days: f64,
    /// Beacon days with it.
    pub beacon_days: f64,
    /// Days won on what is measured.
    pub gain_days: f64,
}

/// How the answer depends on a figure.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sensitivity {
    /// The figure.
    pub key: String,
    /// As written; a table counts as 1.
    pub value: f64,
    /// Change of the days measured, in percent, when the figure grows by one percent;
    /// for temperatures, by one deg C.
    pub percent_per_percent: f64,
    /// Standard deviation of the days that this figure alone would cause.
    pub sd_days: f64,
    /// Days measured with the figure one standard deviation lower.
    pub days_at_minus_sd: f64,
    /// Days measured with the figure one standard deviation higher.
    pub days_at_plus_sd: f64,
    /// Where the figure comes from.
    pub source: String,
}

/// Days of `measure` that a tag comes to, figures as written.
fn days(tag: &TagFile, measure: Measure) -> f64 {
    let run = |bounded| as_written(tag, None, Rules { bounded });
    match measure {
        Measure::Animal => run(true).animal_s / 86_400.0,
        Measure::Beacon => run(true).search_s / 86_400.0,
        Measure::Cell => run(false).animal_s / 86_400.0,
    }
}

const BOUNDED: Rules = Rules { bounded: true };

/// All changes that can be made to `tag`, the one that buys most first.
pub fn changes(tag: &TagFile, now: &Outcome, measure: Measure) -> Vec<Change> {
    let mut all = Vec::new();
    let base = days(tag, measure);
    let mut consider = |change: String, kind: ChangeKind, edit: &dyn Fn(&mut TagFile)| {
        let mut other = tag.clone();
        edit(&mut other);
        if other == *tag {
            return;
        }
        let outcome = as_written(&other, None, BOUNDED);
        all.push(Change {
            change,
            kind,
            animal_days: outcome.animal_s / 86_400.0,
            beacon_days: outcome.search_s / 86_400.0,
            gain_days: days(&other, measure) - base,
        });
    };
    use ChangeKind::{Hardware, Setting};

    let fastest = tag.phases.iter().filter(|p| p.kind == PhaseKind::Animal).map(|p| p.sample_hz);
    let fastest = fastest.fold(0.0, f64::max);
    if fastest >= 10.0 {
        consider(
            format!("sampling at {} instead of {fastest} Hz on the animal", fastest / 2.0),
            Setting,
            &|tag| {
                for p in tag.phases.iter_mut().filter(|p| p.kind == PhaseKind::Animal) {
                    p.sample_hz = p.sample_hz.min((p.sample_hz / 2.0).max(5.0));
                }
            },
        );
    }
    consider("sampling half as much of the time on the animal".into(), Setting, &|tag| {
        for p in tag.phases.iter_mut().filter(|p| p.kind == PhaseKind::Animal && p.sample_hz > 0.0)
        {
            p.duty = Some(match p.duty {
                Some(d) => Duty { on_s: d.on_s / 2.0, ..d },
                None => Duty { on_s: 1800.0, period_s: 3600.0 },
            });
        }
    });
    for (n, record) in tag.records.iter().enumerate() {
        consider(format!("no record {:?} on the animal", record.name), Setting, &|tag| {
            for p in tag.phases.iter_mut().filter(|p| p.kind == PhaseKind::Animal) {
                p.records.retain(|r| *r != n);
            }
        });
    }
    for (n, load) in tag.loads.iter().enumerate() {
        let name = load.name.replace('_', " ");
        for kind in [PhaseKind::Animal, PhaseKind::Search] {
            // Beacons in the search are what the charge is kept for.
            let beacon = kind == PhaseKind::Search && load.pulses.is_some();
            let place = if kind == PhaseKind::Animal { "on the animal" } else { "in the search" };
            if !beacon {
                consider(format!("no {name} {place}"), Setting, &|tag| {
                    for p in tag.phases.iter_mut().filter(|p| p.kind == kind) {
                        p.parts.retain(|part| *part != n);
                    }
                });
            }
        }
        if let Some(pulses) = &load.pulses
            && tag.phases.iter().any(|p| p.parts.contains(&n))
        {
            let period = pulses.period_s.value;
            consider(
                format!("{name} every {} s instead of every {period} s", 2.0 * period),
                Setting,
                &|tag| {
                    if let Some(p) = tag.loads.get_mut(n).and_then(|l| l.pulses.as_mut()) {
                        p.period_s.value *= 2.0;
                    }
                },
            );
            consider(
                format!("{name} for half the hours of a day, {}", pulses.hours_per_day / 2.0),
                Setting,
                &|tag| {
                    if let Some(p) = tag.loads.get_mut(n).and_then(|l| l.pulses.as_mut()) {
                        p.hours_per_day /= 2.0;
                    }
                },
            );
        }
    }
    let reserve = tag.release.reserve_fraction;
    for to in [reserve - 0.1, reserve + 0.1] {
        if !(0.0..=0.95).contains(&to) {
            continue;
        }
        consider(
            format!("letting go at {:.0} % left instead of {:.0} %", 100.0 * to, 100.0 * reserve),
            Setting,
            &|tag| tag.release.reserve_fraction = to,
        );
    }
    consider("a cell with 20 % more capacity".into(), Hardware, &|tag| {
        tag.cell.nominal_mah.value *= 1.2;
    });
    consider("half the internal resistance".into(), Hardware, &|tag| {
        tag.cell.resistance_ohm_by_c.scale.value *= 0.5;
    });
    consider("a buffer capacitor of 50 mF more".into(), Hardware, &|tag| {
        tag.supply.buffer_mf.value += 50.0;
        if tag.supply.buffer_esr_ohm.value == 0.0 {
            tag.supply.buffer_esr_ohm.value = 0.1;
        }
    });
    consider("twice the memory".into(), Hardware, &|tag| {
        if let Some(memory) = &mut tag.memory_mib {
            memory.value *= 2.0;
        }
    });
    let wanted = tag.search_wanted_h() / 24.0;
    let beacon_now = now.search_s / 86_400.0;
    // What buys time on the animal must not take the search below what is wanted.
    let fair = |c: &Change| {
        measure != Measure::Animal && c.animal_days >= 0.999 * now.animal_s / 86_400.0
            || measure == Measure::Animal && c.beacon_days >= wanted.min(beacon_now)
    };
    all.retain(fair);
    all.sort_by(|a, b| b.gain_days.total_cmp(&a.gain_days));
    all
}

/// The dependence on every figure, strongest cause of uncertainty first.
pub fn sensitivities(tag: &TagFile, measure: Measure) -> Vec<Sensitivity> {
    let base = days(tag, measure);
    let mut work = tag.clone();
    let count = work.figures_mut().len();
    let mut all = Vec::new();
    let with = |work: &mut TagFile, n: usize, set: &dyn Fn(&mut Figure)| {
        let mut old = None;
        if let Some(figure) = work.figures_mut().into_iter().nth(n) {
            old = Some(figure.value);
            set(figure);
        }
        let result = days(work, measure);
        if let (Some(figure), Some(old)) = (work.figures_mut().into_iter().nth(n), old) {
            figure.value = old;
        }
        result
    };
    for n in 0..count {
        let Some(figure) = work.figures_mut().into_iter().nth(n).cloned() else { continue };
        let temperature = figure.key.ends_with(".temp_c");
        let step = if temperature { 1.0 } else { 0.05 * figure.value.abs() };
        if step == 0.0 {
            continue;
        }
        let up = with(&mut work, n, &|f| f.value += step);
        let down = with(&mut work, n, &|f| f.value -= step);
        let percent_up = if temperature { 1.0 } else { 5.0 };
        let percent =
            if base > 0.0 { 100.0 * (up - down) / base / (2.0 * percent_up) } else { 0.0 };
        let (less, more) = if figure.spread.is_none() {
            (base, base)
        } else {
            let more = with(&mut work, n, &|f| f.shift(1.0));
            (with(&mut work, n, &|f| f.shift(-1.0)), more)
        };
        all.push(Sensitivity {
            key: figure.key,
            value: figure.value,
            percent_per_percent: percent,
            sd_days: 0.5 * (more - less).abs(),
            days_at_minus_sd: less,
            days_at_plus_sd: more,
            source: figure.source,
        });
    }
    all.sort_by(|a, b| {
        b.sd_days
            .total_cmp(&a.sd_days)
            .then(b.percent_per_percent.abs().total_cmp(&a.percent_per_percent.abs()))
    });
    all
}
