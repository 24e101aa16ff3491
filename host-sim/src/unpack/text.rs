//! The reports for a person.

use std::fmt::Write as _;

use super::image::{Event, ImageReport};
use super::messages::{DeploymentReport, MessageReport};

fn utc(unix_s: Option<u32>, t_s: f64) -> String {
    let Some(start) = unix_s else { return String::new() };
    match jiff::Timestamp::from_second(i64::from(start) + t_s as i64) {
        Ok(t) => t.strftime("  %Y-%m-%d %H:%M UTC").to_string(),
        Err(_) => String::new(),
    }
}

/// The report of an image.
pub fn of_image(r: &ImageReport) -> String {
    let mut out = String::new();
    let start = r.start.and_then(|s| s.start_unix_s);
    let _ = write!(out, "{}", r.image);
    if let Some(s) = &r.start {
        let _ = write!(out, "  (deployment {}", s.deployment);
        let _ =
            write!(out, ", {} Hz, floor {} h, ceiling {} h)", s.sample_hz, s.floor_h, s.ceiling_h);
    }
    let span = r.minutes.last().map_or(0.0, |m| m.t_s + 60.0);
    let samples: usize = r.bursts.iter().map(|b| b.samples_g.len()).sum();
    let _ = writeln!(
        out,
        "\n{} minutes, {} hours, {} events, {samples} raw samples; to {:.1} h\n",
        r.minutes.len(),
        r.hours.len(),
        r.events.len(),
        span / 3600.0
    );
    for e in r.events.iter().filter(|e| e.event != "recovery_estimated") {
        let _ = writeln!(out, "{:>8.2} h{}  {}", e.t_s / 3600.0, utc(start, e.t_s), told(e));
    }
    let estimates = r.events.iter().filter(|e| e.event == "recovery_estimated").count();
    if estimates > 0 {
        let _ = writeln!(out, "            and {estimates} estimates of recovery");
    }
    for (n, line) in r.own.iter().flat_map(|own| own.lines(0.0)).enumerate() {
        let _ = writeln!(out, "{}{line}", if n == 0 { "\nOwn events  " } else { "            " });
    }
    let s = &r.segments;
    let _ = writeln!(
        out,
        "\nSegments    {} of {} B: {} blank, {} summaries, {} minutes, {} raw, {} not readable",
        s.blank + s.detail + s.minutes + s.summary + s.unknown,
        r.segment_bytes,
        s.blank,
        s.summary,
        s.minutes,
        s.detail,
        s.unknown
    );
    for (what, before) in
        [("raw", r.before.detail), ("minute", r.before.minutes), ("summary", r.before.summary)]
    {
        if before > 0 {
            let lost =
                if s.unknown > 0 { "dropped, or in a segment not readable" } else { "dropped" };
            let _ = writeln!(out, "Oldest      {before} {what} records before it: {lost}");
        }
    }
    let damaged: usize = r.damage.iter().map(|d| d.bytes).sum();
    if r.damage.is_empty() {
        let _ = writeln!(out, "Damage      none");
    } else {
        let first = r.damage.first().map_or(0, |d| d.at);
        let _ = writeln!(
            out,
            "Damage      {damaged} B in {} places, the first at byte {first} (unfinished or damaged)",
            r.damage.len()
        );
    }
    if r.missing.is_empty() {
        let _ = writeln!(out, "Missing     none between the oldest and the newest record");
    }
    for m in r.missing.iter().take(10) {
        let _ =
            writeln!(out, "Missing     {} of class {} from number {}", m.count, m.class, m.first);
    }
    if r.missing.len() > 10 {
        let _ = writeln!(out, "            and {} more gaps", r.missing.len() - 10);
    }
    if r.before_launch > 0 {
        let _ = writeln!(
            out,
            "Left out    {} records from before the animal's release",
            r.before_launch
        );
    }
    if r.unknown_kinds > 0 {
        let _ = writeln!(out, "Unknown     {} records of a newer kind", r.unknown_kinds);
    }
    out
}

fn told(e: &Event) -> String {
    let since = e.since_s.unwrap_or(0.0) / 3600.0;
    let value = e.value.unwrap_or(f64::NAN);
    match e.event {
        "fate" => format!(
            "{}{}, since {since:.2} h, evidence {value:.1}",
            e.what.unwrap_or("?"),
            e.detail.map(|d| format!(" ({d})")).unwrap_or_default()
        ),
        "recovery_decided" => format!(
            "recovered at {since:.2} +/- {:.2} h",
            f64::from(e.se_s.unwrap_or(0.0)) / 3600.0
        ),
        "release" => format!(
            "lets go: {}, since {since:.2} h, {value:.3} against {:.3}",
            e.what.unwrap_or("?"),
            e.bound.unwrap_or(f32::NAN)
        ),
        "fault" => format!("fault: {}, {value:.0} so far", e.what.unwrap_or("?")),
        "reset" if value.is_nan() => "reset".to_owned(),
        "reset" => format!("reset, at most {value:.1} s without power"),
        other => other.to_owned(),
    }
}

/// The report of messages.
pub fn of_messages(r: &MessageReport) -> String {
    let mut out = String::new();
    for d in &r.deployments {
        one(d, &mut out);
    }
    for bad in r.refused.iter().take(10) {
        let _ = writeln!(out, "Row {}: {}", bad.row, bad.why);
    }
    if r.refused.len() > 10 {
        let _ = writeln!(out, "and {} more that are not sound", r.refused.len() - 10);
    }
    out
}

fn one(d: &DeploymentReport, out: &mut String) {
    let _ = writeln!(
        out,
        "Deployment {}: {} messages, {} of them agree on fate; the latest made at {:.2} h\n",
        d.deployment,
        d.messages,
        d.agreeing,
        d.made_t_s / 3600.0
    );
    let at = |t: Option<f64>| t.map(|t| format!(" at {:.2} h", t / 3600.0)).unwrap_or_default();
    let detail = d.fate_detail.map(|x| format!(" ({x})")).unwrap_or_default();
    let _ = writeln!(out, "Fate        {}{detail}{}", d.fate, at(d.fate_t_s));
    let error = d.recovery_se_s.map(|se| format!(" +/- {:.1} h", se / 3600.0)).unwrap_or_default();
    let _ = writeln!(out, "Recovery    {}{}{error}", d.recovery, at(d.recovery_t_s));
    let _ = match d.release_cause {
        Some(cause) => writeln!(out, "Let go      {cause}{}", at(d.release_t_s)),
        None => writeln!(out, "Let go      not yet"),
    };
    let cell = d.cell_left.map_or("unknown".to_owned(), |c| format!("{:.0} % left", 100.0 * c));
    let _ = writeln!(out, "Cell        {cell}");
    let checks =
        if d.checks.is_empty() { "nothing to tell".to_owned() } else { d.checks.join(", ") };
    let _ = writeln!(out, "Checks      {checks}");
    let rate = |r: Option<f32>| r.map_or("-".to_owned(), |r| format!("{r:.0}"));
    let mut line = String::new();
    for c in &d.chosen {
        let _ = write!(line, "hour {}: {}, ", c.hour, rate(c.beats_per_min));
    }
    let _ = writeln!(out, "Beats/min   {line}latest: {}", rate(d.latest_beats_per_min));
    let c = &d.course;
    let _ = writeln!(
        out,
        "Course      {} from pages {:?}, every {} h\n",
        if c.whole { "whole" } else { "in part" },
        c.pages,
        c.step_h
    );
    let _ = writeln!(out, "{:>12} {:>10} {:>10}", "h", "beats/min", "at rest");
    for p in &c.points {
        let rest = p
            .rest_at_least
            .map_or("-".to_owned(), |x| format!("{:.0}-{:.0} %", 100.0 * x, 100.0 * x + 25.0));
        let rate = p.beats_per_min.map_or("-".to_owned(), |r| {
            if r == 0.0 { "< 3".to_owned() } else { format!("{r:.0}") }
        });
        let hours = format!("{:.0}-{:.0}", p.t_s / 3600.0, p.end_s / 3600.0);
        let _ = writeln!(out, "{hours:>12} {rate:>10} {rest:>10}");
    }
    let _ = writeln!(out);
}
