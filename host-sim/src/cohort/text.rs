//! A cohort for a person, in at most 80 columns.

use std::fmt::Write as _;

use super::analysis::{Cohort, Grouping, Summary, counted};
use super::logrank::LogRank;
use super::proportion::Proportion;
use super::record::{Deployment, Fate};
use super::survival::Quantile;
use crate::replay::CAUTION;

/// Deployments listed at most; undetermined ones are always listed.
const LISTED: usize = 40;

/// The whole text.
pub fn text(c: &Cohort) -> String {
    let mut out = String::new();
    let all = &c.all;
    let _ = writeln!(
        out,
        "{}, followed for {:.0} h in all:\n{}\n",
        counted(all.deployments, "deployment"),
        all.followed_h,
        fates(all)
    );
    let _ = writeln!(out, "Surviving, of those known        {}", proportion(&all.surviving));
    if all.of(Fate::Undetermined) > 0 {
        let _ = writeln!(
            out,
            "  had all undetermined died      {}",
            proportion(&all.surviving_at_worst)
        );
        let _ = writeln!(
            out,
            "  had all undetermined lived     {}",
            proportion(&all.surviving_at_best)
        );
    }
    if !all.survival_at.is_empty() {
        let _ = writeln!(
            out,
            "\nAlive after (Kaplan-Meier, log-log 95 % interval; tags that came off alive\ncount until then)"
        );
        for at in &all.survival_at {
            let _ = writeln!(
                out,
                "  {:>5} h  {:>5.1} %   {:>5.1} to {:>5.1} %   {} followed so long",
                at.time_h,
                100.0 * at.survival,
                100.0 * at.low,
                100.0 * at.high,
                at.at_risk
            );
        }
    }
    let _ = writeln!(
        out,
        "\nRecovered  {} of {}; the others died, came off or ended before",
        all.recovered, all.deployments
    );
    for q in all.recovery.iter().filter(|q| q.time.is_some()) {
        let _ = writeln!(out, "  {:>3.0} % by {}", 100.0 * q.part, hours(q));
    }
    for grouping in &c.by {
        out += &by(grouping);
    }
    if !c.remarks.is_empty() {
        out.push('\n');
        c.remarks.iter().for_each(|r| fold(&mut out, r, ""));
    }
    out += &list(&c.deployments);
    let _ = write!(out, "\n{CAUTION}\n");
    out
}

fn fates(s: &Summary) -> String {
    let told = |fate: Fate, word: &str| format!("{} {word}", s.of(fate));
    [
        told(Fate::Alive, "alive at the end"),
        told(Fate::Detached, "came off alive"),
        told(Fate::Dead, "died"),
        told(Fate::Undetermined, "undetermined"),
    ]
    .join(", ")
}

fn proportion(p: &Proportion) -> String {
    let (Some(part), Some(w), Some(e)) = (p.proportion, p.wilson, p.exact) else {
        return "nothing known".into();
    };
    let range = |(low, high): (f64, f64)| format!("{:.1} to {:.1}", 100.0 * low, 100.0 * high);
    format!(
        "{} of {}, {:.1} %\n      95 %: {} (Wilson), {} (exact)",
        p.count,
        p.of,
        100.0 * part,
        range(w),
        range(e)
    )
}

/// `9.9 h (8.1 to 12.0)`; a bound that is not reached is open.
fn hours(q: &Quantile) -> String {
    let bound = |b: Option<f64>| b.map_or("..".into(), |b| format!("{b:.1}"));
    match q.time {
        Some(t) => format!("{t:.1} h ({} to {})", bound(q.low), bound(q.high)),
        None => "not reached".into(),
    }
}

fn by(g: &Grouping) -> String {
    let mut out = format!("\nBy {}\n", g.column);
    let _ = writeln!(
        out,
        "  {:<18} {:>3} {:>5} {:>4}  {:<20}  half recovered h",
        "", "n", "died", "open", "surviving % (Wilson)"
    );
    for group in &g.groups {
        let s = &group.summary;
        let surviving = match (s.surviving.proportion, s.surviving.wilson) {
            (Some(p), Some((low, high))) => {
                format!("{:.0} ({:.0} to {:.0})", 100.0 * p, 100.0 * low, 100.0 * high)
            }
            _ => "-".into(),
        };
        let half = s.recovery.iter().find(|q| q.part == 0.5).map_or("-".into(), hours);
        let name: String = group.name.chars().take(18).collect();
        let _ = writeln!(
            out,
            "  {name:<18} {:>3} {:>5} {:>4}  {surviving:<20}  {}",
            s.deployments,
            s.of(Fate::Dead),
            s.of(Fate::Undetermined),
            half.replace(" h ", " ")
        );
    }
    let mut test = |what: &str, test: &Option<LogRank>| {
        if let Some(t) = test {
            let _ = writeln!(
                out,
                "  log-rank, {what}: chi-squared {:.2}, {} df, p {}; shuffled p {}",
                t.statistic,
                t.df,
                p_value(t.p),
                p_value(t.p_permutation)
            );
        }
    };
    test("survival", &g.survival_test);
    test("recovery", &g.recovery_test);
    g.remarks.iter().for_each(|r| fold(&mut out, r, "  "));
    out
}

/// A p value with sense.
pub(crate) fn p_value(p: f64) -> String {
    if p < 0.0001 { "< 0.0001".into() } else { format!("{p:.4}") }
}

fn list(deployments: &[Deployment]) -> String {
    let short = deployments.len() > LISTED;
    let listed: Vec<_> =
        deployments.iter().filter(|d| !short || d.fate == Fate::Undetermined).collect();
    if listed.is_empty() {
        return String::new();
    }
    let mut out =
        String::from(if short { "\nUndetermined (all deployments: --format csv)\n" } else { "\n" });
    let _ =
        writeln!(out, "{:<22} {:<12} {:>8} {:>10}  groups", "deployment", "fate", "h", "settled h");
    for d in listed {
        let groups: Vec<&str> = d.groups.values().map(String::as_str).collect();
        let line = format!(
            "{:<22} {:<12} {:>8.2} {:>10}  {}",
            tail(&d.id, 22),
            d.fate.word(),
            d.time_h,
            d.recovery_h.map_or("-".into(), |h| format!("{h:.2}")),
            groups.join(", ")
        );
        let line: String = line.trim_end().chars().take(80).collect();
        let _ = writeln!(out, "{line}");
    }
    out
}

/// The name, or its end where it is long.
fn tail(name: &str, most: usize) -> String {
    let length = name.chars().count();
    if length <= most {
        return name.to_owned();
    }
    "..".chars().chain(name.chars().skip(length + 2 - most)).collect()
}

/// A sentence folded at 80 columns.
fn fold(out: &mut String, sentence: &str, indent: &str) {
    let mut line = indent.to_owned();
    for word in sentence.split_whitespace() {
        if line.len() + 1 + word.len() > 80 && line.trim() != "" {
            let _ = writeln!(out, "{}", line.trim_end());
            line = format!("{indent}  ");
        }
        line += word;
        line.push(' ');
    }
    let _ = writeln!(out, "{}", line.trim_end());
}
