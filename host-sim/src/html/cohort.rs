//! The report of a cohort.

use maud::{Markup, html};
use serde_json::json;

use super::page::{CHARTS, Data, HOW_SURE, Page, verdict};
use crate::cohort::analysis::{Cohort, Grouping, Summary, counted};
use crate::cohort::logrank::LogRank;
use crate::cohort::p_value;
use crate::cohort::proportion::Proportion;
use crate::cohort::record::{Deployment, Fate};
use crate::cohort::survival::{Curve, Quantile};

const SCRIPT: &str = include_str!("../../assets/cohort.js");

/// The page.
pub fn page(c: &Cohort) -> String {
    let title = format!("Cohort of {}", counted(c.all.deployments, "deployment"));
    Page {
        title: &title,
        kind: "Cohort report",
        body: body(c),
        data: vec![Data { id: "data-meta", text: curves(c).to_string() }],
        scripts: &[CHARTS, SCRIPT],
    }
    .render()
}

/// Everything that is plotted.
fn curves(c: &Cohort) -> serde_json::Value {
    let curve = |s: &Curve| {
        json!(
            s.steps
                .iter()
                .map(|p| [
                    p.time,
                    p.survival,
                    p.low,
                    p.high,
                    p.at_risk as f64,
                    p.events as f64,
                    p.censored as f64
                ])
                .collect::<Vec<_>>()
        )
    };
    let both = |name: &str, s: &Summary| {
        json!({"name": name, "n": s.deployments, "survival": curve(&s.survival),
            "unrecovered": curve(&s.unrecovered)})
    };
    let by: Vec<_> =
        c.by.iter()
            .map(|g| {
                let groups: Vec<_> = g.groups.iter().map(|x| both(&x.name, &x.summary)).collect();
                json!({"column": g.column, "groups": groups})
            })
            .collect();
    json!({"all": both("all", &c.all), "by": by})
}

fn body(c: &Cohort) -> Markup {
    let s = &c.all;
    let open = s.of(Fate::Undetermined) + c.unreadable.len() as u64 > 0;
    html! {
        section .verdicts aria-label="What happened" {
            (verdict("Survival", "good", &survived(s), HOW_SURE, &format!("{}.", intervals(&s.surviving))))
            (verdict("Recovery", "plain", &recovered(s), HOW_SURE, &half_recovered(s)))
            (verdict("Not known", if open { "open" } else { "plain" }, &unknown(s, c.unreadable.len()),
                "What it could mean:", &could_mean(s)))
        }
        @if !c.remarks.is_empty() {
            section .caution aria-label="Cautions" {
                h2 { "Bear in mind" }
                ul { @for r in &c.remarks { li { (r) } } }
                @if !c.unreadable.is_empty() {
                    p { "Not read:" }
                    ul { @for u in &c.unreadable { li { (u) } } }
                }
            }
        }
        section #plots aria-label="Plots over time" {
            h2 { "Over time after release" }
            noscript { p .caution { "The curves need a browser with script switched on; the tables \
                below tell the same." } }
            @if !c.by.is_empty() {
                p #choice role="toolbar" aria-label="Curves shown" {
                    button type="button" data-by="" aria-pressed="true" { "All together" } " "
                    @for g in &c.by {
                        button type="button" data-by=(g.column) aria-pressed="false" { "By " (g.column) } " "
                    }
                }
            }
            div #panels tabindex="0" role="group"
                aria-label="Curves over time. Arrow keys read values." {}
            p #now aria-live="polite" {}
            p .help { "Steps are deaths or recoveries, ticks are tags that came off or records that \
                ended; bands are 95 % log-log intervals. Drag to zoom, double-click for all; keys, with \
                the plots in focus: " kbd { "\u{2190}" } " " kbd { "\u{2192}" } " read values, " kbd { "+" }
                " " kbd { "\u{2212}" } " zoom, " kbd { "0" } " all." }
        }
        section {
            h2 { "Alive after" }
            (alive_table(s))
            p .help { "Kaplan-Meier, 95 % log-log intervals: an animal whose tag came off, or whose record \
                ended, counts until then and not after. So these differ from the plain share above, which \
                counts it as not seen to die." }
        }
        @for g in &c.by { (by(g)) }
        section {
            h2 { "Deployments" }
            (deployments(&c.deployments))
            p .help { "Detached: the tag came off a living animal. Followed: until death, until the tag came \
                off, or until the record ended. \u{2013}: not seen to recover by then." }
        }
    }
}

fn percent(part: f64) -> String {
    format!("{:.1} %", 100.0 * part)
}

fn survived(s: &Summary) -> String {
    let p = &s.surviving;
    match p.proportion {
        Some(part) => format!(
            "{} of {} animals of known fate were not seen to die ({}): {} alive at the end, {} when \
             the tag came off; {} died.",
            p.count,
            p.of,
            percent(part),
            s.of(Fate::Alive),
            s.of(Fate::Detached),
            s.of(Fate::Dead)
        ),
        None => "No fate is known.".into(),
    }
}

fn intervals(p: &Proportion) -> String {
    let range = |i: Option<(f64, f64)>| {
        i.map_or("none".into(), |(l, h)| format!("{:.1} to {:.1} %", 100.0 * l, 100.0 * h))
    };
    format!("95 % interval {} (Wilson), {} (exact)", range(p.wilson), range(p.exact))
}

fn recovered(s: &Summary) -> String {
    let half = s.recovery.iter().find(|q| q.part == 0.5);
    match half.and_then(|q| q.time) {
        Some(t) => format!(
            "{} of {} were seen to recover; half had recovered by {t:.1} h after release.",
            s.recovered, s.deployments
        ),
        None => format!(
            "{} of {} were seen to recover: too few, or followed too short, to say when half had.",
            s.recovered, s.deployments
        ),
    }
}

fn half_recovered(s: &Summary) -> String {
    let told: Vec<String> = s
        .recovery
        .iter()
        .filter(|q| q.time.is_some())
        .map(|q| format!("{:.0} % by {}", 100.0 * q.part, hours(q)))
        .collect();
    let told = if told.is_empty() { "too few recovered".into() } else { told.join("; ") };
    format!("{told}. Those that died, came off or ended before count as not recovered until then.")
}

fn hours(q: &Quantile) -> String {
    let bound = |b: Option<f64>| b.map_or("not reached".into(), |b| format!("{b:.1}"));
    match q.time {
        Some(t) => format!("{t:.1} h ({} to {})", bound(q.low), bound(q.high)),
        None => "not reached".into(),
    }
}

fn unknown(s: &Summary, unreadable: usize) -> String {
    let open = s.of(Fate::Undetermined);
    let read = match unreadable {
        0 => String::new(),
        n => format!(" {} could not be read.", counted(n as u64, "input")),
    };
    match open {
        0 => format!("The fate of every animal is known.{read}"),
        n => format!("The fate of {n} of {} is undetermined.{read}", s.deployments),
    }
}

fn could_mean(s: &Summary) -> String {
    let (w, b) = (&s.surviving_at_worst, &s.surviving_at_best);
    match (s.of(Fate::Undetermined), w.proportion, b.proportion) {
        (0, ..) => {
            "nothing is left open by the tags; what befell animals after their tags came off \
                    is not known."
                .into()
        }
        (_, Some(worst), Some(best)) => format!(
            "surviving {} had all of them died, {} had all of them lived.",
            percent(worst),
            percent(best)
        ),
        _ => "nothing can be said.".into(),
    }
}

fn alive_table(s: &Summary) -> Markup {
    html! {
        @if s.survival_at.is_empty() {
            p { "Nobody was followed for six hours." }
        } @else {
            table .wide {
                thead { tr { th scope="col" { "After release" } th .n scope="col" { "Alive" }
                    th .n scope="col" { "95 % interval" } th .n scope="col" { "Still followed" } } }
                tbody { @for at in &s.survival_at { tr {
                    th scope="row" { (at.time_h) " h" } td .n { (percent(at.survival)) }
                    td .n { @if at.survival < 1.0 { (percent(at.low)) " to " (percent(at.high)) }
                        @else { "none before the first death" } } td .n { (at.at_risk) }
                } } }
            }
        }
    }
}

fn by(g: &Grouping) -> Markup {
    let test = |what: &str, t: &Option<LogRank>| {
        t.as_ref().map(|t| {
            format!(
                "Log-rank test, {what}: chi-squared {:.2} on {} df, p {}; by shuffling p {}.",
                t.statistic,
                t.df,
                p_value(t.p),
                p_value(t.p_permutation)
            )
        })
    };
    html! {
        section {
            h2 { "By " (g.column) }
            div .scroll tabindex="0" role="region" aria-label={ "Table by " (g.column) } {
                table .wide {
                    thead { tr { th scope="col" { (g.column) } th .n scope="col" { "Deployments" }
                        th .n scope="col" { "Died" } th .n scope="col" { "Undetermined" }
                        th scope="col" { "Surviving, of those known" }
                        th scope="col" { "Half recovered by" } } }
                    tbody { @for x in &g.groups { tr {
                        th scope="row" { (x.name) }
                        td .n { (x.summary.deployments) } td .n { (x.summary.of(Fate::Dead)) }
                        td .n { (x.summary.of(Fate::Undetermined)) }
                        td { @if let Some(p) = x.summary.surviving.proportion { (percent(p)) ", " }
                            (intervals(&x.summary.surviving)) }
                        td { (x.summary.recovery.iter().find(|q| q.part == 0.5)
                            .map_or("not reached".into(), hours)) }
                    } } }
                }
            }
            @for line in [test("survival", &g.survival_test), test("recovery", &g.recovery_test)].iter().flatten() {
                p { (line) }
            }
            @if !g.remarks.is_empty() {
                ul .caution { @for r in &g.remarks { li { (r) } } }
            }
        }
    }
}

fn deployments(all: &[Deployment]) -> Markup {
    let columns: std::collections::BTreeSet<&String> =
        all.iter().flat_map(|d| d.groups.keys()).collect();
    html! {
        div .scroll tabindex="0" role="region" aria-label="Table of deployments" {
            table .wide {
                thead { tr { th scope="col" { "Deployment" } th scope="col" { "Fate" }
                    th .n scope="col" { "Followed, h" } th .n scope="col" { "Recovered after, h" }
                    @for column in &columns { th scope="col" { (column) } } } }
                tbody { @for d in all { tr {
                    th scope="row" { (d.id) }
                    td { @match d.fate {
                        Fate::Dead | Fate::Undetermined => { strong { (d.fate.word()) } },
                        _ => { (d.fate.word()) },
                    } }
                    td .n { (format!("{:.2}", d.time_h)) }
                    td .n { (d.recovery_h.map_or("\u{2013}".into(), |h| format!("{h:.2}"))) }
                    @for column in &columns {
                        td { (d.groups.get(*column).map_or("\u{2013}", String::as_str)) }
                    }
                } } }
            }
        }
    }
}
