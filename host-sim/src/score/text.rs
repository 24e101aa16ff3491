//! The score for a person, in 80 columns.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::bounds::{Checked, Limit};
use super::intervals::Estimate;
use super::statistics::{self, Statistic, Unit, statistic};
use super::summary::{Group, Summary};
use super::trace_score::{TagFate, TrueFate};
use crate::replay::CAUTION;

const FATES: [(TrueFate, &str); 4] = [
    (TrueFate::Alive, "alive"),
    (TrueFate::Dead, "dead"),
    (TrueFate::Eaten, "eaten"),
    (TrueFate::Detached, "detached"),
];
const TOLD: [(TagFate, &str); 4] = [
    (TagFate::Alive, "alive"),
    (TagFate::Dead, "dead"),
    (TagFate::Detached, "detached"),
    (TagFate::Undetermined, "undetermined"),
];
/// The whole report.
pub fn text(summary: &Summary) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = report(&mut out, summary);
    out
}

fn report(out: &mut String, s: &Summary) -> std::fmt::Result {
    let t = &s.totals;
    writeln!(
        out,
        "{} traces with truth, {:.0} h, {} families",
        s.all.traces,
        t.hours,
        s.families.len()
    )?;
    if s.without_truth > 0 {
        writeln!(out, "{} traces without truth were passed over", s.without_truth)?;
    }
    if !s.refused.is_empty() {
        writeln!(out, "{} could not be scored (see the errors)", s.refused.len())?;
    }
    writeln!(out, "on-tag code {}", s.detector)?;
    writeln!(
        out,
        "beats: {} true, {} found, {} matched; minutes: {}",
        t.beats_true, t.beats_found, t.beats_matched, t.minutes
    )?;
    let mut section = "";
    for stat in statistics::all() {
        if stat.section != section {
            section = stat.section;
            heading(out, section)?;
        }
        row(out, stat.key, stat.unit, &s.all.statistics[stat.key])?;
        if stat.key == "false_release" {
            zero(out, &s.all)?;
        }
    }
    matrix(out, &s.all)?;
    causes(out, &s.all)?;
    if s.families.len() > 1 {
        writeln!(out, "\nBy family (the JSON holds every statistic of each)")?;
        for stat in statistics::all().filter(|stat| stat.headline) {
            by_family(out, stat, &s.families)?;
        }
    }
    writeln!(out, "\nWorst traces")?;
    if s.worst.is_empty() {
        writeln!(out, "  none: nothing went wrong that a score tells of")?;
    }
    for (n, w) in s.worst.iter().enumerate() {
        writeln!(out, "{:>3}  {}  ({})", n + 1, w.trace, w.family)?;
        for why in &w.why {
            writeln!(out, "     {why}")?;
        }
        writeln!(out, "     {}", w.replay)?;
    }
    if let Some(bounds) = &s.bounds {
        writeln!(out, "\nBounds")?;
        for bound in bounds {
            writeln!(out, "{}", bound_line(bound))?;
        }
    }
    writeln!(out, "\n{CAUTION}")
}

/// A number in its unit.
fn number(value: Option<f64>, unit: Unit) -> String {
    let Some(v) = value else { return "-".into() };
    match unit {
        Unit::Part => format!("{:.2} %", 100.0 * v),
        Unit::PerMin | Unit::Hours => format!("{v:.2}"),
        Unit::Seconds => format!("{v:.3}"),
        Unit::Minutes => format!("{v:.1}"),
    }
}

fn row(out: &mut String, name: &str, unit: Unit, e: &Estimate) -> std::fmt::Result {
    let interval = match (e.low, e.high) {
        (Some(_), Some(_)) => {
            let bare = |v| number(v, unit).replace(" %", "");
            format!("{:>8} to {:<8}", bare(e.low), bare(e.high))
        }
        _ => format!("{:>8}", "-"),
    };
    let name: String = name.chars().take(31).collect();
    writeln!(out, "  {name:<32}{:>10}  {interval:<20}{:>8}", number(e.value, unit), e.n)
}

/// What a count of false releases, zero above all, says of the truth.
fn zero(out: &mut String, all: &Group) -> std::fmt::Result {
    let e = &all.statistics["false_release"];
    match (e.count, e.high) {
        (Some(count), Some(high)) => writeln!(
            out,
            "    {count} of {} survivors: with 95 % confidence at most {} are",
            e.n,
            at_most(high)
        ),
        _ => writeln!(out, "    no survivor among the traces"),
    }
}

/// A part in per cent, rounded up: it is a bound.
fn at_most(part: f64) -> String {
    format!("{:.3} %", (part * 1e5).ceil() / 1000.0)
}

fn matrix(out: &mut String, all: &Group) -> std::fmt::Result {
    writeln!(out, "\nFate: truth (rows) against what the tag held at the end")?;
    write!(out, "  {:<12}", "")?;
    for (_, told) in TOLD {
        write!(out, "{told:>14}")?;
    }
    writeln!(out)?;
    for (truth, name) in FATES {
        let Some(counts) = all.fate.get(&truth) else { continue };
        write!(out, "  {name:<12}")?;
        for (told, _) in TOLD {
            write!(out, "{:>14}", counts.get(&told).and_then(|e| e.count).unwrap_or(0))?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn causes(out: &mut String, all: &Group) -> std::fmt::Result {
    heading(out, "Let go for, by true fate")?;
    for (truth, name) in FATES {
        for (cause, estimate) in all.release_causes.get(&truth).into_iter().flatten() {
            row(out, &format!("{name}: {cause}"), Unit::Part, estimate)?;
        }
    }
    Ok(())
}

fn heading(out: &mut String, text: &str) -> std::fmt::Result {
    writeln!(out, "\n{text:<34}{:>10}  {:<20}{:>8}", "value", "  95 % interval", "n")
}

fn by_family(
    out: &mut String,
    stat: &Statistic,
    families: &BTreeMap<String, Group>,
) -> std::fmt::Result {
    let with_cases: Vec<_> =
        families.iter().filter(|(_, g)| g.statistics[stat.key].n > 0).collect();
    if with_cases.is_empty() {
        return Ok(());
    }
    heading(out, stat.key)?;
    for (name, group) in with_cases {
        row(out, name, stat.unit, &group.statistics[stat.key])?;
    }
    Ok(())
}

/// One bound in words; also told on standard error where it was missed.
pub fn bound_line(b: &Checked) -> String {
    let unit = statistic(b.statistic).map_or(Unit::Part, |s| s.unit);
    let plain = |v: f64| match (b.limit, unit) {
        (Limit::NMin, _) => format!("{v:.0}"),
        (_, Unit::Part) => format!("{} %", trimmed(100.0 * v)),
        _ => trimmed(v),
    };
    let (what, word) = match b.limit {
        Limit::Min => ("", "at least"),
        Limit::Max => ("", "at most"),
        Limit::LowMin => (", lower end", "at least"),
        Limit::HighMax => (", upper end", "at most"),
        Limit::NMin => (", cases", "at least"),
    };
    let got = match (b.got, b.why) {
        (_, Some(why)) => why.to_owned(),
        (Some(got), None) => plain(got),
        (None, None) => "-".into(),
    };
    let short = b.short_by.map_or(String::new(), |by| format!(", short by {}", plain(by)));
    format!(
        "  {}  {} {}{what}: {got}{short}; {word} {} (n {})",
        if b.kept { "kept " } else { "SHORT" },
        b.family,
        b.statistic,
        plain(b.bound),
        b.n
    )
}

/// Up to five decimals, without the zeros at the end.
fn trimmed(v: f64) -> String {
    let text = format!("{v:.5}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
