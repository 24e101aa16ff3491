//! A comparison for a person, in 80 columns.

use std::fmt::Write as _;

use super::comparison::{Comparison, Kind};

/// Nothing at all where nothing changed.
pub fn text(c: &Comparison) -> String {
    let mut out = String::new();
    if !c.is_silent() {
        // Writing to a string cannot fail.
        let _ = report(&mut out, c);
    }
    out
}

fn report(out: &mut String, c: &Comparison) -> std::fmt::Result {
    writeln!(out, "{} of {} deployments decided otherwise", c.changed.len(), c.compared)?;
    for (kind, n) in &c.worst_by_kind {
        let what = match kind {
            Kind::Fate => "another fate",
            Kind::Cause => "another cause of release",
            Kind::FateTime => "another time of fate",
            Kind::ReleaseTime => "another time of release",
            Kind::Recovery => "another recovery",
            Kind::Rate => "another beat rate",
            Kind::Motion => "another sway, VeDBA, pitch or roll",
            Kind::Own => "another set of own events",
        };
        writeln!(out, "  {n:>6}  {what}, at the worst")?;
    }
    if c.detector_was != c.detector_now {
        writeln!(out, "on-tag code {}, now {}", c.detector_was, c.detector_now)?;
    }
    for (key, was, now) in &c.defaults_changed {
        let shown = |v: &Option<f64>| v.map_or("absent".to_owned(), |v| v.to_string());
        writeln!(out, "default of {key}: {}, now {}", shown(was), shown(now))?;
    }
    for changed in &c.changed {
        writeln!(out)?;
        let id = changed.id.as_ref().map_or(String::new(), |id| format!("  ({id})"));
        writeln!(out, "{}{id}", changed.trace)?;
        if changed.deployment_changed {
            writeln!(out, "  its deployment file changed too")?;
        }
        for change in &changed.changes {
            writeln!(out, "  {:<17} {} -> {}", label(change.key), change.was, change.now)?;
        }
    }
    let lists = [
        ("Traces whose content changed; their decisions were not compared", &c.trace_changed),
        ("Deployment files that changed, with the same decisions", &c.deployment_changed),
        ("Traces of the baseline that are not there", &c.missing),
        ("Traces that the baseline does not know", &c.new),
    ];
    for (heading, names) in lists {
        if !names.is_empty() {
            writeln!(out, "\n{heading}: {}", names.len())?;
            for name in names {
                writeln!(out, "  {name}")?;
            }
        }
    }
    Ok(())
}

/// A key of the baseline in words.
fn label(key: &str) -> String {
    match key {
        "fate_t_s" => "time of the fate".into(),
        "release_t_s" => "time of release".into(),
        "recovery_t_s" => "recovery".into(),
        "rates_per_min" => "beats a minute".into(),
        "own" => "own events".into(),
        _ => key
            .trim_end_matches("_t_s")
            .trim_end_matches("_deg")
            .trim_end_matches("_g")
            .replace('_', " "),
    }
}
