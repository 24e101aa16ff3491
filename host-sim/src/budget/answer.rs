//! The answer in sentences.

use super::{Budget, Measure};
use crate::energy::{Failure, Limit};
use crate::tag_file::TagFile;

/// Days with as many digits as they are worth.
pub(crate) fn in_days(days: f64) -> String {
    if days < 0.005 {
        "0".into()
    } else if days >= 3652.0 {
        "3650 or more".into()
    } else if days >= 100.0 {
        format!("{days:.0}")
    } else if days >= 1.0 {
        format!("{days:.1}")
    } else {
        format!("{days:.2}")
    }
}

/// A chance in percent, never rounded to certainty.
pub(crate) fn chance(part: f64, draws: usize) -> String {
    let least = 1.0 / draws as f64;
    if part <= 0.0 {
        format!("none of {draws} draws")
    } else if part >= 1.0 {
        format!("all of {draws} draws")
    } else if part < 0.1 || least > 0.01 {
        format!("{:.1} % of the draws", 100.0 * part)
    } else {
        format!("{:.0} % of the draws", 100.0 * part)
    }
}

/// What a limit is, after "limited by".
pub(crate) fn limited(limit: Limit, budget: &Budget) -> String {
    match limit {
        Limit::Ceiling => {
            format!("the ceiling of {} days, not by the cell", in_days(budget.ceiling_days))
        }
        Limit::Memory => "the memory, which is full by then".into(),
        Limit::Reserve => format!(
            "the cell: by then no more is left than the reserve of {:.0} % for firing and search",
            100.0 * budget.reserve_fraction
        ),
        Limit::BrownOut => match budget.failures.first().and_then(|f| f.pulse.as_ref()) {
            Some(pulse) => format!("the voltage: the {pulse} resets the tag"),
            None => "the voltage: a pulse resets the tag".into(),
        },
        Limit::CutOff => "the voltage: even the steady load pulls it below the cut-off".into(),
        Limit::Empty => "the cell, which is empty by then".into(),
        Limit::Horizon => "nothing within ten years".into(),
    }
}

/// A failure in one or two sentences.
pub(crate) fn failure(f: &Failure) -> String {
    let day = in_days(f.t_h.max(0.0) / 24.0);
    let sum = 100.0 * f.left_by_sum_fraction;
    let left = 100.0 * f.left_fraction;
    let mut text = match (&f.pulse, f.pulse_ma, f.pulse_s) {
        (Some(pulse), Some(ma), Some(s)) => {
            let length = match s {
                s if s >= 1.0 => format!("{s:.1} s"),
                s if s >= 0.01 => format!("{:.0} ms", 1e3 * s),
                s => format!("{:.2} ms", 1e3 * s),
            };
            format!(
                "Brown-out on day {day} ({}): the {pulse}, {ma:.0} mA for {length}, at {:.0} deg C \
                 and {:.1} ohm pulls the battery to {:.2} V; the tag resets below {:.2} V.",
                f.phase, f.temp_c, f.ohm, f.volts, f.limit_v
            )
        }
        _ if f.kind == Limit::Empty => {
            format!("Empty on day {day} ({}), at {:.0} deg C.", f.phase, f.temp_c)
        }
        _ => format!(
            "Below the cut-off on day {day} ({}): the steady load at {:.0} deg C and {:.1} ohm pulls \
             the battery to {:.2} V, below {:.2} V.",
            f.phase, f.temp_c, f.ohm, f.volts, f.limit_v
        ),
    };
    text += &format!(
        " A sum of milliamp-hours would have {sum:.0} % left; at this temperature it is {left:.0} %."
    );
    text
}

/// What changes are measured in.
pub(crate) fn measured_in(measure: Measure) -> &'static str {
    match measure {
        Measure::Animal => "days on the animal",
        Measure::Beacon => "beacon days",
        Measure::Cell => "days by the cell alone",
    }
}

/// The sentences, in order.
pub(crate) fn sentences(tag: &TagFile, b: &Budget) -> Vec<String> {
    let mut all = Vec::new();
    let o = &b.outlook;
    all.push(format!(
        "Lasts {} days on the animal (5th to 95th percentile {} to {}), limited by {}.",
        in_days(o.animal_days.median),
        in_days(o.animal_days.p05),
        in_days(o.animal_days.p95),
        limited(o.limited_by, b)
    ));
    if matches!(o.limited_by, Limit::Ceiling | Limit::Memory) {
        all.push(format!(
            "The cell alone would carry it for {} days on the animal ({} to {}).",
            in_days(o.cell_days.median),
            in_days(o.cell_days.p05),
            in_days(o.cell_days.p95),
        ));
    }
    if b.beacon_days_wanted > 0.0 {
        let enough = if o.beacon_days.p05 >= b.beacon_days_wanted {
            "enough for"
        } else if o.beacon_days.median >= b.beacon_days_wanted {
            "probably enough for"
        } else {
            "not enough for"
        };
        all.push(format!(
            "After that the beacons run for {} days ({} to {}): {enough} the {} days of search wanted.",
            in_days(o.beacon_days.median),
            in_days(o.beacon_days.p05),
            in_days(o.beacon_days.p95),
            in_days(b.beacon_days_wanted),
        ));
        match b.as_written.reserve_needed_fraction {
            Some(needed) if needed > b.reserve_fraction => all.push(format!(
                "Were the cell ever down to the reserve of {:.0} % on the animal, it would not cover \
                 that search; a reserve of {:.0} % would.",
                100.0 * b.reserve_fraction,
                100.0 * needed
            )),
            None => all.push("No reserve would cover that search.".into()),
            Some(_) => {}
        }
    }
    if o.brownout_chance > 0.0 {
        all.push(format!(
            "The tag gives way before it has let go in {}.",
            chance(o.brownout_chance, o.draws)
        ));
    }
    if !b.as_written.fired {
        all.push(match (&tag.passive_link_days, b.as_written.by_passive_link) {
            (Some(days), true) => format!(
                "The release cannot fire then; the tag comes off by its passive link after {} days.",
                in_days(days.value.max(b.as_written.animal_days))
            ),
            _ => "The release cannot fire then and there is no passive link: the tag stays on the \
                  animal and is lost."
                .into(),
        });
    }
    let what = measured_in(b.measure);
    let now = match b.measure {
        Measure::Animal => b.as_written.animal_days,
        Measure::Beacon => b.as_written.beacon_days,
        Measure::Cell => b.as_written.cell_days,
    };
    match b.changes.first().filter(|c| c.gain_days > 1e-3 * now.max(0.01)) {
        Some(best) => all.push(format!(
            "The one change that buys most is {}: {} instead of {} {what}.",
            best.change,
            in_days(now + best.gain_days),
            in_days(now)
        )),
        None if o.limited_by == Limit::Ceiling => all.push(
            "No single change buys more than the schedule asks for; the ceiling could be later."
                .into(),
        ),
        None => all.push(format!("No single change buys more {what}.")),
    }
    if let Some(figure) = b.figures.first().filter(|f| f.sd_days > 0.01 * now) {
        all.push(format!(
            "What is least sure is {}: alone it moves the {what} by {} either way (source: {}).",
            figure.key,
            in_days(figure.sd_days),
            figure.source
        ));
    }
    for death in &b.death {
        if let Some(warning) = &death.judgement.warning {
            let many = b.death.iter().any(|d| d.phase != death.phase);
            let phase = if many { format!(" ({})", death.phase) } else { String::new() };
            let warning = warning.trim_end_matches('.');
            let text = format!("{warning}{phase}.");
            if !all.contains(&text) {
                all.push(text);
            }
        }
    }
    all
}
