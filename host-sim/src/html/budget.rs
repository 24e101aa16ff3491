//! The report of a budget.

use maud::{Markup, html};
use serde_json::{Value, json};

use super::bars;
use super::page::{CHARTS, Data, HOW_SURE, Page, assumed, verdict};
use crate::budget::answer::{chance, failure, in_days, limited, measured_in};
use crate::budget::discharge::{Discharge, Moment, Stretch};
use crate::budget::{Budget, Measure};
use crate::energy::Percentiles;
use crate::tag_file::PhaseKind;

const SCRIPT: &str = include_str!("../../assets/budget.js");

/// Figures and changes shown.
const MOST_ROWS: usize = 10;

/// The page.
pub fn page(b: &Budget, d: &Discharge) -> String {
    let title = format!("Budget of {}", b.id);
    Page {
        title: &title,
        kind: "Energy budget",
        body: body(b, d),
        data: vec![Data { id: "data-meta", text: meta(b, d).to_string() }],
        scripts: &[CHARTS, SCRIPT],
    }
    .render()
}

/// Four digits after the point: enough for a plot.
fn brief(x: f64) -> f64 {
    (x * 1e4).round() / 1e4
}

fn meta(b: &Budget, d: &Discharge) -> Value {
    let series = |value: fn(&Moment) -> f64| -> Vec<Option<f64>> {
        d.as_written.iter().map(|m| m.map(|m| brief(value(&m)))).collect()
    };
    let spread = |of: &dyn Fn(usize) -> Option<Percentiles>| {
        let pick = |part: fn(&Percentiles) -> f64| -> Vec<Option<f64>> {
            (0..d.days.len()).map(|n| of(n).map(|p| brief(part(&p)))).collect()
        };
        json!({"low": pick(|p| p.p05), "middle": pick(|p| p.median), "high": pick(|p| p.p95)})
    };
    let at = |n: usize| d.spread.get(n).copied().flatten();
    let failures: Vec<Value> = b
        .failures
        .iter()
        .map(|f| {
            json!({"day": brief(f.t_h / 24.0), "volts": brief(f.volts), "pulse": f.pulse,
                "phase": f.phase, "said": failure(f)})
        })
        .collect();
    json!({
        "days": d.days,
        "left": series(|m| m.left),
        "steady_v": series(|m| m.steady_v),
        "lowest_v": series(|m| m.lowest_v),
        "left_spread": spread(&|n| at(n).map(|s| s.left)),
        "lowest_spread": spread(&|n| at(n).map(|s| s.lowest_v)),
        "running": d.running.iter().map(|&r| brief(r)).collect::<Vec<_>>(),
        "draws": d.draws,
        "brownout_v": brief(d.brownout_v),
        "cutoff_v": brief(d.cutoff_v),
        "end_days": [d.end_days.p05, d.end_days.median, d.end_days.p95],
        "wanted_day": (b.beacon_days_wanted > 0.0)
            .then(|| search_start(d).map(|day| day + b.beacon_days_wanted)),
        "firing": b.as_written.firing_v.map(|v| json!({"day": b.as_written.animal_days,
            "volts": brief(v), "fired": b.as_written.fired})),
        "stretches": d.stretches.iter().map(|s| json!({
            "phase": s.phase, "kind": kind(s.kind), "from": s.days[0], "to": s.days[1],
            "pulse": s.pulse,
        })).collect::<Vec<_>>(),
        "failures": failures,
    })
}

fn search_start(d: &Discharge) -> Option<f64> {
    d.stretches.iter().find(|s| s.kind == PhaseKind::Search).map(|s| s.days[0])
}

fn kind(kind: PhaseKind) -> &'static str {
    match kind {
        PhaseKind::Before => "before",
        PhaseKind::Animal => "on the animal",
        PhaseKind::Search => "search",
    }
}

fn range(p: &Percentiles) -> String {
    match (in_days(p.p05), in_days(p.p95)) {
        (low, high) if low == high => format!("{low} days in nearly all"),
        (low, high) => format!("{low} to {high} days (5th to 95th percentile)"),
    }
}

fn body(b: &Budget, d: &Discharge) -> Markup {
    html! {
        section .verdicts aria-label="What to expect" { (animal(b)) (search(b)) (voltage(b, d)) }
        (cautions(b))
        (plots(b, d))
        section { h2 { "Phase by phase, figures as written" } (phases(d)) }
        (consumers(b))
        (path(b))
        (changes(b))
        (figures(b))
        (deaths(b))
        div .tables {
            section { h2 { "The tag" } (facts(b, d)) }
            section { h2 { "In words" } ul { @for s in &b.answer { li { (s) } } } }
            (assumed(&b.notices))
        }
    }
}

fn animal(b: &Budget) -> Markup {
    let o = &b.outlook;
    let said = format!(
        "The tag works for {} days on the animal, limited by {}.",
        in_days(o.animal_days.median),
        limited(o.limited_by, b)
    );
    let alone = format!(
        "{} of {} draws. The battery alone would carry it {}.",
        range(&o.animal_days),
        o.draws,
        range(&o.cell_days)
    );
    verdict("On the animal", "plain", &said, HOW_SURE, &alone)
}

fn search(b: &Budget) -> Markup {
    let o = &b.outlook;
    if b.beacon_days_wanted <= 0.0 {
        return verdict(
            "Search",
            "open",
            "The tag file asks for no search.",
            HOW_SURE,
            "no phase of kind \"search\" is in it, so nothing is kept for beacons.",
        );
    }
    let (mark, enough) = if o.beacon_days.p05 >= b.beacon_days_wanted {
        ("good", "more than")
    } else if o.beacon_days.median >= b.beacon_days_wanted {
        ("open", "probably more than")
    } else {
        ("bad", "less than")
    };
    let said = format!(
        "{} days of beacon are left after the tag has let go, {enough} the {} wanted.",
        in_days(o.beacon_days.median),
        in_days(b.beacon_days_wanted)
    );
    let sure = format!(
        "{}. Fewer days than wanted in {}.",
        range(&o.beacon_days),
        chance(o.short_search_chance, o.draws)
    );
    verdict("Search", mark, &said, HOW_SURE, &sure)
}

fn voltage(b: &Budget, d: &Discharge) -> Markup {
    let o = &b.outlook;
    let said = match b.failures.first() {
        Some(f) => match &f.pulse {
            Some(pulse) => format!(
                "The battery gives way on day {}, in the phase \u{201c}{}\u{201d}: the {pulse} pulls \
                 it below the {:.2} V at which the tag resets.",
                in_days(f.t_h.max(0.0) / 24.0),
                f.phase,
                f.limit_v
            ),
            None => failure(f),
        },
        None => "The battery does not give way within ten years.".into(),
    };
    let day = match (in_days(d.end_days.p05), in_days(d.end_days.p95)) {
        (low, high) if low == high => format!("day {low} in nearly all of {} draws", o.draws),
        (low, high) => format!("day {low} to {high} (5th to 95th percentile)"),
    };
    let ends = format!(
        "{day}. Before the tag has let go it gives way in {}.",
        chance(o.brownout_chance, o.draws)
    );
    let early = b.as_written.animal_limit.is_dead() || !b.as_written.fired;
    let mark = match (early, o.brownout_chance > 0.0) {
        (true, _) => "bad",
        (_, true) => "open",
        _ => "plain",
    };
    verdict("Voltage", mark, &said, HOW_SURE, &ends)
}

fn cautions(b: &Budget) -> Markup {
    html! {
        section .caution aria-label="Cautions" {
            h2 { "Bear in mind" }
            ul {
                @if b.invented { li { "The figures of this tag file are invented." } }
                @if b.figures.iter().all(|f| f.sd_days == 0.0) {
                    li { "No figure of this tag file that matters here says how sure it is \
                        (sd_percent, sd): the ranges tell nothing of what is not known." }
                }
                @for w in b.death.iter().filter_map(|d| d.judgement.warning.as_ref()
                    .map(|w| (d, w.trim_end_matches('.')))) {
                    li { (w.1) " (" (w.0.phase) ", " (breather(w.0.breathing)) ")." }
                }
                @if !b.as_written.fired {
                    li { "With the figures as written the release cannot fire: it pulls the \
                        voltage too low, or the tag has stopped before." }
                }
                li { "A model shows what the figures of the tag file imply. Try the cell, cold and \
                    under its pulses, before a trip; a rested lithium cell can sag far more at its \
                    first pulse." }
                li { "Lithium cells burn and vent, more so when sealed in resin or shorted; never \
                    charge primary cells, and ship and handle them by the rules for dangerous \
                    goods. Local rules come first." }
            }
        }
    }
}

fn breather(mode: &str) -> &'static str {
    if mode == "ram" { "ram ventilator" } else { "buccal pumper" }
}

fn plots(b: &Budget, d: &Discharge) -> Markup {
    html! {
        section #plots aria-label="Discharge curves" {
            h2 { "Discharge" }
            noscript { p .caution { "The curves need a browser with script switched on; the tables \
                below tell the same." } }
            div #panels tabindex="0" role="group"
                aria-label="Curves over days after release. Arrow keys read values, plus and minus zoom." {}
            p #now aria-live="polite" {}
            p .help { "Lines: figures as written; grey ground: on the animal. Bands: 5th to 95th percentile of " (d.draws)
                " draws of the uncertain figures, of those tags that still run. "
                @if !b.failures.is_empty() { "\u{2715} where the battery gives way, with its 5th to \
                    95th percentile as a bar. " }
                "Drag to zoom, double-click for all; keys, with the plots in focus: "
                kbd { "\u{2190}" } " " kbd { "\u{2192}" } " read values, " kbd { "+" } " "
                kbd { "\u{2212}" } " zoom, " kbd { "0" } " all." }
        }
    }
}

fn phases(d: &Discharge) -> Markup {
    let volts = |m: &Moment| format!("{:.2}", m.steady_v);
    let row = |s: &Stretch| {
        let [first, last] = &s.ends;
        let pulse = s.pulse.as_ref().map_or(String::new(), |p| format!(" ({p})"));
        html! { tr {
            th scope="row" { (s.phase) @if s.phase != kind(s.kind) { ", " (kind(s.kind)) } }
            td .n { (day(s.days[0])) } td .n { (day(s.days[1])) }
            td .n { (format!("{:.0}", s.temp_c)) }
            td .n { (format!("{:.1} to {:.1}", 100.0 * first.left, 100.0 * last.left)) }
            td .n { (volts(first)) " to " (volts(last)) }
            td { (format!("{:.2} to {:.2}", first.lowest_v, last.lowest_v)) (pulse) }
        } }
    };
    html! {
        div .scroll tabindex="0" role="region" aria-label="Table of phases" {
            table .wide {
                thead { tr { th scope="col" { "Phase" } th .n scope="col" { "From day" }
                    th .n scope="col" { "To day" } th .n scope="col" { "\u{b0}C" }
                    th .n scope="col" { "Charge left, %" } th .n scope="col" { "Steady load, V" }
                    th scope="col" { "Lowest under a pulse, V" } } }
                tbody { @for s in &d.stretches { (row(s)) } }
            }
        }
        p .help { "Days count from the release of the animal. Charge left is what can be had at the \
            temperature of the phase: cold hides charge and warmth gives it back, so it can rise \
            from one phase to the next, and is below 100 % in the cold before anything was used." }
    }
}

fn day(days: f64) -> String {
    if days < 0.0 { format!("\u{2212}{}", in_days(-days)) } else { in_days(days) }
}

fn mah(x: f64) -> String {
    match x {
        0.0 => "\u{2013}".into(),
        x if x < 0.01 => "< 0.01".into(),
        x if x < 100.0 => format!("{x:.2}"),
        x => format!("{x:.1}"),
    }
}

fn consumers(b: &Budget) -> Markup {
    let all: f64 = b.parts.iter().map(|p| p.before_mah + p.animal_mah + p.search_mah).sum();
    let most = b.parts.first().map_or(1.0, |p| p.before_mah + p.animal_mah + p.search_mah);
    let sums = b
        .parts
        .iter()
        .fold([0.0; 3], |s, p| [s[0] + p.before_mah, s[1] + p.animal_mah, s[2] + p.search_mah]);
    html! {
        section {
            h2 { "What uses the charge, mAh, figures as written" }
            (bars::key(&["before", "on the animal, firing included", "search"]))
            div .scroll tabindex="0" role="region" aria-label="Table of consumers" {
                table .wide .bars {
                    thead { tr { th scope="col" { "Part" } th scope="col" { "Share" }
                        th .n scope="col" { "Before" } th .n scope="col" { "On the animal" }
                        th .n scope="col" { "Search" } th .n scope="col" { "Together" }
                        th .n scope="col" { "Of all, %" } } }
                    tbody {
                        @for p in &b.parts {
                            @let sum = p.before_mah + p.animal_mah + p.search_mah;
                            tr {
                                th scope="row" { (p.part) }
                                td { (bars::stacked(&[(p.before_mah / most, 0),
                                    (p.animal_mah / most, 1), (p.search_mah / most, 2)])) }
                                td .n { (mah(p.before_mah)) } td .n { (mah(p.animal_mah)) }
                                td .n { (mah(p.search_mah)) } td .n { (mah(sum)) }
                                td .n { (format!("{:.1}", 100.0 * sum / all.max(1e-12))) }
                            }
                        }
                        tr .sum { th scope="row" { "all" } td {} td .n { (mah(sums[0])) }
                            td .n { (mah(sums[1])) } td .n { (mah(sums[2])) } td .n { (mah(all)) }
                            td .n { "100" } }
                    }
                }
            }
            p .help { "Charge that leaks within the cell, or that cold and load keep back, is in none \
                of these: of " (format!("{:.0}", b.nominal_mah)) " mAh nominal, "
                (format!("{:.1}", 100.0 * all / b.nominal_mah)) " % is drawn by the end." }
        }
    }
}

/// What the core's own path draws, and the wear of the flash.
fn path(b: &Budget) -> Markup {
    let small = |x: f64| if x == 0.0 { "\u{2013}".to_owned() } else { format!("{x:.3}") };
    html! {
        @if b.path.iter().any(|p| p.animal_mah > 0.0) {
            section {
                h2 { "Detectors, bus and copies on the animal, figures as written" }
                table .wide {
                    thead { tr { th scope="col" { "Part" } th .n scope="col" { "Mean, \u{b5}A" }
                        th .n scope="col" { "mAh" } } }
                    tbody { @for p in &b.path { tr {
                        th scope="row" { (p.part) } td .n { (small(p.mean_ua)) }
                        td .n { (small(p.animal_mah)) }
                    } } }
                }
                @if let Some(wear) = &b.flash_wear { p { (wear.said()) } }
                p .help { "Shell: clocks, water, release and log. Bus: reading the accelerometer. \
                    Pressure: reading the depth sensor, without its own current. Copies: state kept \
                    in flash, with the flash\u{2019}s own current." }
            }
        }
    }
}

fn now_days(b: &Budget) -> f64 {
    match b.measure {
        Measure::Animal => b.as_written.animal_days,
        Measure::Beacon => b.as_written.beacon_days,
        Measure::Cell => b.as_written.cell_days,
    }
}

fn changes(b: &Budget) -> Markup {
    let worth: Vec<_> = b.changes.iter().filter(|c| c.gain_days >= 0.005).take(MOST_ROWS).collect();
    let most = worth.first().map_or(1.0, |c| c.gain_days);
    let what = measured_in(b.measure);
    html! {
        section {
            h2 { "What single changes would buy, in " (what) }
            @if worth.is_empty() {
                p { "No single change buys more " (what) "." }
            } @else {
                div .scroll tabindex="0" role="region" aria-label="Table of changes" {
                    table .wide .bars {
                        thead { tr { th scope="col" { "Change" } th scope="col" { "Gain" }
                            th .n scope="col" { "Days more" } th .n scope="col" { "Days then" } } }
                        tbody { @for c in worth { tr {
                            th scope="row" { (c.change) }
                            td { (bars::stacked(&[(c.gain_days / most, 1)])) }
                            td .n { "+" (in_days(c.gain_days)) }
                            td .n { (in_days(now_days(b) + c.gain_days)) }
                        } } }
                    }
                }
                p .help { "Each change by itself, all other figures as written ("
                    (in_days(now_days(b))) " " (what) " now)." }
            }
        }
    }
}

fn figures(b: &Budget) -> Markup {
    let strong: Vec<_> = b.figures.iter().filter(|f| f.sd_days >= 0.005).take(MOST_ROWS).collect();
    let what = measured_in(b.measure);
    let now = now_days(b);
    let ends = strong.iter().flat_map(|f| [f.days_at_minus_sd, f.days_at_plus_sd]);
    let (low, high) = ends.fold((now, now), |(l, h), v| (l.min(v), h.max(v)));
    let half = (now - low).max(high - now).max(1e-9);
    let axis = [now - half, now + half];
    html! {
        section {
            h2 { "What makes it uncertain, in " (what) }
            @if strong.is_empty() {
                p { "No figure of the tag file moves it by as much as 0.01 days, or none says how \
                    sure it is (sd_percent, sd)." }
            } @else {
                (bars::key(&["figure one standard deviation lower", "one higher"]))
                div .scroll tabindex="0" role="region" aria-label="Table of uncertain figures" {
                    table .wide .bars {
                        thead { tr { th scope="col" { "Figure" }
                            th scope="col" { span .axis { span { (in_days(axis[0].max(0.0))) }
                                span { (in_days(now)) " as written" } span { (in_days(axis[1])) } } }
                            th .n scope="col" { "One lower" } th .n scope="col" { "One higher" }
                            th .source scope="col" { "Source" } } }
                        tbody { @for f in &strong { tr {
                            th scope="row" { code { (f.key) } }
                            td { (bars::tornado(axis, now, f.days_at_minus_sd, f.days_at_plus_sd)) }
                            td .n { (in_days(f.days_at_minus_sd)) }
                            td .n { (in_days(f.days_at_plus_sd)) }
                            td { (f.source) }
                        } } }
                    }
                }
                p .help { "Each figure moved by itself, strongest first; a table of a cell moves as \
                    one. The longest bars are what to measure before the trip." }
            }
        }
    }
}

fn deaths(b: &Budget) -> Markup {
    html! {
        @if !b.death.is_empty() {
            section {
                h2 { "Could a death be told?" }
                table .wide {
                    thead { tr { th scope="col" { "Phase" } th scope="col" { "Animal" }
                        th .n scope="col" { "A death is told after, h" }
                        th .n scope="col" { "Ceiling after, h" } } }
                    tbody { @for d in &b.death { tr {
                        th scope="row" { (d.phase) } td { (breather(d.breathing)) }
                        td .n { (d.judgement.confirm_h.map_or("never".into(), |h| format!("{h:.1}"))) }
                        td .n { (format!("{:.1}", d.judgement.ceiling_h)) }
                    } } }
                }
                p .help { "The slowest case, reckoned from the sampling chosen; a wait for daylight \
                    comes on top." }
            }
        }
    }
}

fn facts(b: &Budget, d: &Discharge) -> Markup {
    let rows = [
        ("Tag file", b.tag.clone()),
        ("Battery", format!("{}, {} mAh nominal", b.cell, (b.nominal_mah * 10.0).round() / 10.0)),
        ("Tag resets below", format!("{:.2} V", d.brownout_v)),
        ("Counts as empty below", format!("{:.2} V under steady load", d.cutoff_v)),
        ("Ceiling", format!("{} days", in_days(b.ceiling_days))),
        ("Search wanted", format!("{} days", in_days(b.beacon_days_wanted))),
        ("Reserve for firing and search", format!("{:.0} %", 100.0 * b.reserve_fraction)),
        ("Draws", format!("{}, seed {}", b.outlook.draws, b.seed)),
    ];
    html! {
        table { tbody { @for (name, value) in rows {
            tr { th scope="row" { (name) } td { (value) } } } } }
    }
}
