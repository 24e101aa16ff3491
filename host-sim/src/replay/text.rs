//! The report for a person: a short timeline, or one line of a table.

use std::fmt::Write as _;

use super::report::{Fault, Report};
use firmware_core::config::Breathing;

/// The caution under every report.
pub const CAUTION: &str = "A replay shows what software would decide; it is not a welfare decision.\n\
Permits, ethics review and local rules come first.";

/// `2031-05-04 06:12 UTC` of a Unix time, microseconds.
pub(crate) fn utc(us: i64) -> String {
    match jiff::Timestamp::from_microsecond(us) {
        Ok(t) => t.strftime("%Y-%m-%d %H:%M UTC").to_string(),
        Err(_) => "-".into(),
    }
}

/// The report of one trace.
pub fn one(r: &Report) -> String {
    let f = &r.facts;
    let mut out = String::new();
    let hours = |t_s: f64| (t_s - f.first_t_s) / 3600.0;
    let breathing = match f.breathing {
        Breathing::Ram => "ram ventilator",
        Breathing::Buccal => "buccal pumper",
    };
    let _ = write!(out, "{}", r.trace);
    if let Some(id) = &f.id {
        let _ = write!(out, "  ({id})");
    }
    let _ = writeln!(
        out,
        "\n{:.1} h at {} Hz, {} samples, {}, {breathing}\n",
        r.duration_s / 3600.0,
        r.sample_hz,
        r.samples,
        if f.has_depth { "with depth" } else { "without depth" },
    );

    // The timeline: hours since release, date where known, what happened.
    let late = |known: f64| match r.release.t_s {
        Some(gone) if known > gone => ", after letting go",
        _ => "",
    };
    let mut events: Vec<(f64, String)> = vec![(f.first_t_s, r.launch.told(f.record_t_s))];
    if let (Some(t), Some(known)) = (r.recovery_t_s, r.recovery_decided_t_s) {
        let se = r.recovery_se_s.map_or(0.0, f64::from) / 3600.0;
        events.push((
            t,
            format!("settled, +/- {se:.1} h; known at {:.1} h{}", hours(known), late(known)),
        ));
    }
    if let (Some(t), Some(known)) = (r.fate_t_s, r.fate_decided_t_s) {
        let what = match (r.fate, r.fate_detail) {
            ("dead", _) => "died",
            (_, Some("on_bottom")) => "tag came off and lies on the bottom",
            _ => "tag came off and floats",
        };
        events.push((t, format!("{what}; known at {:.1} h{}", hours(known), late(known))));
    }
    if let Some(t) = r.release.t_s {
        events.push((t, format!("tag lets go: {}", why(r))));
    }
    let end = f.first_t_s + r.duration_s;
    let worn = if r.release.t_s.is_none() { "; the tag has not let go" } else { "" };
    let ends = match r.end.map(|end| end.by) {
        Some("picked_up") => "picked up",
        Some(_) => "deployment ends",
        None => "record ends",
    };
    events.push((end, format!("{ends}{}{worn}", standing(r))));
    events.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (t, what) in &events {
        let _ = write!(out, "{:>8.2} h  ", hours(*t));
        if let Some(start) = f.start_unix_us {
            let _ = write!(out, "{}  ", utc(start + ((t - f.first_t_s) * 1e6) as i64));
        }
        let _ = writeln!(out, "{what}");
    }
    if r.recovery_t_s.is_none()
        && matches!(r.fate, "alive" | "undetermined")
        && let (Some(t), Some(se), Some(p)) =
            (r.recovery_estimate_t_s, r.recovery_se_s, r.recovery_prob)
    {
        let _ = writeln!(
            out,
            "\nSettling not decided: latest estimate {:.1} +/- {:.1} h, probability {p:.2}.",
            hours(t),
            f64::from(se) / 3600.0,
        );
    }

    let _ = writeln!(out, "\nTail beats  {}", r.beats.count);
    for (n, line) in r.own.iter().flat_map(|own| own.lines(f.first_t_s)).enumerate() {
        let _ = writeln!(out, "{}{line}", if n == 0 { "Own events  " } else { "            " });
    }
    let _ = writeln!(
        out,
        "Cell        {:.2} mAh used of {} mAh, {:.1} % left{}",
        r.energy.used_mah,
        f.cell_mah,
        100.0 * r.energy.left_fraction,
        if held_back(r) { " (less for age and cold)" } else { "" }
    );
    let _ = writeln!(
        out,
        "Memory      {} in summaries, {:.1} % of {}",
        size(f64::from(r.memory.record_bytes)),
        100.0 * r.memory.used_fraction,
        size(f.memory_bytes)
    );
    if let Some(injected) = &r.injected {
        let _ = writeln!(out, "Injected    {}", injected.told());
    }
    if r.faults.is_empty() {
        let _ = writeln!(out, "Faults      none");
    }
    for (n, fault) in r.faults.iter().enumerate() {
        let _ = writeln!(
            out,
            "{}{}",
            if n == 0 { "Faults      " } else { "            " },
            told(fault)
        );
    }
    out
}

/// What the record ends on.
fn standing(r: &Report) -> &'static str {
    match r.fate {
        "alive" => "; the animal is alive",
        "undetermined" => "; fate not determined",
        _ => "",
    }
}

/// Why the tag lets go, with the numbers behind it.
pub(crate) fn why(r: &Report) -> String {
    let value = r.release.value.unwrap_or(f32::NAN);
    let bound = r.release.bound.unwrap_or(f32::NAN);
    let since = r
        .release
        .since_s
        .map(|t| format!(" since {:.1} h", (t - r.facts.first_t_s) / 3600.0))
        .unwrap_or_default();
    match r.release.cause {
        "ceiling" => format!("ceiling of {bound:.1} h reached"),
        "death" => format!("death known{since}"),
        "detached" => format!("tag off the animal, known{since}"),
        "recovered" => format!("recovered, {value:.1} h of normal behaviour (wanted {bound:.1})"),
        "memory_full" => format!("memory {:.0} % full{since}", 100.0 * value),
        "cell_low" => {
            format!("cell at {:.0} %, reserve {:.0} %{since}", 100.0 * value, 100.0 * bound)
        }
        "too_deep" => format!("{value:.0} m deep, housing rated for {bound:.0} m"),
        other => other.to_owned(),
    }
}

pub(crate) fn size(bytes: f64) -> String {
    if bytes < 10_240.0 {
        format!("{bytes:.0} B")
    } else if bytes < 1_048_576.0 {
        format!("{:.1} KiB", bytes / 1024.0)
    } else {
        format!("{:.1} MiB", bytes / 1_048_576.0)
    }
}

/// A fault in plain words.
pub(crate) fn told(f: &Fault) -> String {
    let what = match f.kind {
        "stuck_axis" => "samples with an axis stuck at one value",
        "clipped_axis" => "samples with an axis at full scale",
        "missing_axis" => "samples with an axis missing",
        "gap" => "gaps in the record",
        "clock_jump" => "times that jump back or stand still",
        "depth_fault" => "minutes in which the depth sensor had failed",
        "not_a_number" => "cells that hold no number",
        "empty_cell" => "empty acceleration cells",
        "out_of_range" => "values that no sensor gives",
        "bad_time" => "rows left out, time cannot be read",
        "ragged_row" => "rows with too few or too many cells",
        "time_backwards" => "rows at which time runs back",
        "duplicate_time" => "rows with the time of the row before",
        other => other,
    };
    format!("{} {what}, first at row {}", f.count, f.first_row)
}

/// True where noticeably less can be had from the cell than was not used: its age and
/// its temperature keep the rest back.
pub(crate) fn held_back(r: &Report) -> bool {
    r.energy.left_fraction + r.energy.used_mah / r.facts.cell_mah < 0.995
}

/// Head of the table of many traces.
pub fn table_header() -> String {
    format!(
        "{:<18} {:>6} {:<12} {:>6} {:>11} {:>7} {:<11}",
        "trace", "h", "fate", "at h", "settled h", "lets go", "cause"
    ) + " !"
}

/// One trace as a line of the table: at most 80 columns. The last column marks
/// traces with faults.
pub fn table_row(r: &Report) -> String {
    let hours = |t_s: f64| (t_s - r.facts.first_t_s) / 3600.0;
    let hours_or = |t: Option<f64>| t.map_or("-".into(), |t| brief(hours(t)));
    let settled = match (r.recovery_t_s, r.recovery_se_s) {
        (Some(t), Some(se)) => {
            format!("{}+/-{}", brief(hours(t)), brief(f64::from(se) / 3600.0))
        }
        _ => "-".into(),
    };
    let fate = match r.fate_detail {
        Some("floating") => "off, floats",
        Some(_) => "off, bottom",
        None => r.fate,
    };
    format!(
        "{:<18} {:>6} {:<12} {:>6} {:>11} {:>7} {:<11} {}",
        short(&r.trace),
        brief(r.duration_s / 3600.0),
        fate,
        hours_or(r.fate_t_s),
        settled,
        hours_or(r.release.t_s),
        r.release.cause,
        if r.faults.is_empty() { "" } else { "!" },
    )
    .trim_end()
    .to_owned()
}

/// Hours with one decimal, without where the number is long.
fn brief(hours: f64) -> String {
    if hours.abs() < 1000.0 { format!("{hours:.1}") } else { format!("{hours:.0}") }
}

/// The file name, or its end where it is long.
fn short(trace: &str) -> String {
    let name = trace.rsplit(['/', '\\']).next().unwrap_or(trace);
    let name = name.strip_suffix(".gz").unwrap_or(name);
    let name = name.strip_suffix(".csv").unwrap_or(name);
    let length = name.chars().count();
    if length <= 18 {
        return name.to_owned();
    }
    "..".chars().chain(name.chars().skip(length - 16)).collect()
}
