//! The report of a sweep.

use maud::{Markup, html};
use serde_json::{Value, json};

use super::page::{CHARTS, Data, Page, assumed, verdict};
use super::sweep_table::{Column, columns, shown};
use crate::cohort::proportion::Proportion;
use crate::sweep::output::{CellResult, SweepResult, count, runs};
use crate::sweep::pareto::{GOALS, Goal, goal_named};

const SCRIPT: &str = include_str!("../../assets/sweep.js");

/// The page.
pub fn page(r: &SweepResult) -> String {
    let title = format!("{} over {}", count(r.cells.len(), "cell"), count(r.traces.len(), "trace"));
    let columns = columns(r);
    Page {
        title: &title,
        kind: "Sweep report",
        body: body(r, &columns),
        data: vec![Data { id: "data-meta", text: meta(r, &columns).to_string() }],
        scripts: &[CHARTS, SCRIPT],
    }
    .render()
}

/// Six figures are enough to draw with.
fn brief(x: f64) -> f64 {
    format!("{x:.5e}").parse().unwrap_or(x)
}

/// Name, unit, digits after the point and factor of a goal, for a person.
fn shown_as(goal: &Goal) -> (&'static str, &'static str, usize, f64) {
    match goal.name {
        "beat_f1" => ("Tail beats, F1", "", 3, 1.0),
        "rate_error_per_min" => ("Error of the beat rate", "beats/min", 2, 1.0),
        "fate_wrong" => ("Fates not told rightly", "%", 1, 100.0),
        "fate_delay_h" => ("Delay of deaths and losses", "h", 2, 1.0),
        "release_delay_h" => ("From death or loss to letting go", "h", 1, 1.0),
        "recovery_error_h" => ("Error of the recovery time", "h", 2, 1.0),
        "false_releases" => ("False releases", "traces", 0, 1.0),
        "on_animal_days" => ("On the animal, up to the ceiling", "days", 1, 1.0),
        "cell_days" => ("On the animal, as the battery allows", "days", 0, 1.0),
        "beacon_days" => ("Beacon after surfacing", "days", 1, 1.0),
        "bytes_per_day" => ("Recorded", "MB/day", 2, 1e-6),
        name => (name, "", 3, 1.0),
    }
}

/// Goals whose values differ between cells, those of the front first.
fn goals(r: &SweepResult) -> Vec<&'static Goal> {
    let wanted = r.goals.iter().filter_map(|name| goal_named(name));
    let others = GOALS.iter().filter(|g| !r.goals.contains(&g.name));
    let differs = |g: &&Goal| {
        let mut values = r.cells.iter().filter_map(|c| (g.value)(&c.score));
        values.next().is_some_and(|first| values.any(|v| v != first))
    };
    wanted.chain(others).filter(differs).collect()
}

fn meta(r: &SweepResult, columns: &[Column]) -> Value {
    let each = |value: &dyn Fn(&CellResult) -> Value| r.cells.iter().map(value).collect::<Value>();
    let called = called(r);
    let goals: Vec<Value> = goals(r)
        .into_iter()
        .map(|g| {
            let (name, unit, digits, factor) = shown_as(g);
            json!({"name": name, "unit": unit, "digits": digits, "more": g.more,
                "wanted": r.goals.contains(&g.name),
                "values": each(&|c| json!((g.value)(&c.score).map(|v| brief(factor * v))))})
        })
        .collect();
    let share = |count: u64, of: u64| {
        let p = Proportion::new(count, of);
        json!(
            p.proportion
                .zip(p.wilson)
                .map(|(v, (low, high))| [v, low, high].map(|v| (1e4 * v).round() / 100.0))
        )
    };
    let ranged = |mean: Option<f64>, ends: Option<[f64; 2]>| {
        json!(mean.map(|m| {
            let [low, high] = ends.unwrap_or([m, m]);
            [m, low, high].map(brief)
        }))
    };
    let spread = |c: &CellResult| r.spreads.get(c.cell - 1).cloned().unwrap_or_default();
    json!({
        "labels": r.labels,
        "front": each(&|c| json!(u8::from(c.pareto))),
        "called": each(&|c| json!(u8::from(called.contains(&c.cell)))),
        "goals": goals,
        "axes": r.axes.iter().map(|a| json!({"key": a.key, "values": a.values, "of": a.of}))
            .collect::<Vec<_>>(),
        "missed": each(&|c| {
            let s = &c.score;
            let of = s.deaths + s.losses;
            share(of - s.deaths_told - s.losses_told, of)
        }),
        "false": each(&|c| share(c.score.false_alarms, spread(c).survivors)),
        "told_h": each(&|c| ranged(c.score.fate_delay_h, spread(c).fate_delay_h)),
        "free_h": each(&|c| ranged(c.score.release_delay_h, spread(c).release_delay_h)),
        "trial_h": each(&|c| json!(c.trial_death_delay_h.map(|h| [h, h, h].map(brief)))),
        "columns": columns.iter().map(Column::json).collect::<Vec<_>>(),
        "start": start(r),
    })
}

/// Numbers of the cells that are spoken of.
fn called(r: &SweepResult) -> std::collections::BTreeSet<usize> {
    r.callouts.iter().flat_map(|c| c.cells.iter().copied()).collect()
}

/// Where to start: the cell on the front that is best by the first goal and not
/// spoken of, else the first one.
fn start(r: &SweepResult) -> usize {
    let called = called(r);
    let sound = r.cells.iter().filter(|c| c.pareto && !called.contains(&c.cell));
    let first = r.goals.first().and_then(|name| goal_named(name));
    let worth = |c: &&CellResult| match first {
        Some(g) => (g.value)(&c.score).map_or(f64::NEG_INFINITY, |v| if g.more { v } else { -v }),
        None => 0.0,
    };
    let best = sound.reduce(|a, b| if worth(&b) > worth(&a) { b } else { a });
    best.map_or(0, |c| c.cell - 1)
}

fn body(r: &SweepResult, columns: &[Column]) -> Markup {
    html! {
        section .verdicts aria-label="In short" { (tried(r)) (best(r)) (untold(r)) }
        @if !r.callouts.is_empty() || r.tag_invented || r.traces.len() < 30 || !lacking(r).is_empty() {
            section .caution aria-label="Cautions" {
                h2 { "Bear in mind" }
                ul {
                    @for c in &r.callouts {
                        li { (c.text) " (" @if c.cells.len() == 1 { "cell " } @else { "cells " }
                            (runs(&c.cells)) ")" }
                    }
                    @if r.traces.len() < 30 {
                        li { "All this is told of " (count(r.traces.len(), "trace")) ": the bars of \
                            the operating curves show how little that can say. Cells were chosen by \
                            looking at these traces; hold the choice against others before a trip." }
                    }
                    @for lack in lacking(r) { li { (lack) } }
                    @if r.tag_invented {
                        li { "Days are those of the tag \u{201c}" (r.tag) "\u{201d}, whose figures are \
                            invented." }
                    }
                }
            }
        }
        section #plots aria-label="What is gained and what is lost" {
            h2 { "What is gained and what is lost" }
            noscript { p .caution { "The plots need a browser with script switched on; the table \
                below tells the same." } }
            div #goals {
                label { "Across " select #goal-x {} } " "
                label { "Up " select #goal-y {} }
            }
            div #panels tabindex="0" role="group"
                aria-label="Cells by two goals. Arrow keys go from cell to cell, Enter chooses one, plus and minus zoom." {}
            p #now aria-live="polite" {}
            p .help { "A cell is one choice from every list of the grid. Filled: on the Pareto front, \
                no other cell is at least as good in every goal (" (goal_words(r)) ") and better in \
                one. Hollow: beaten. \u{2715}: spoken of above. Dashed line: the best of the two goals \
                shown. Point at a cell for its settings, click it to choose it. Drag to zoom, \
                double-click for all; keys, with the plot in focus: " kbd { "\u{2190}" } " "
                kbd { "\u{2192}" } " from cell to cell, " kbd { "Enter" } " chooses, " kbd { "+" } " "
                kbd { "\u{2212}" } " zoom, " kbd { "0" } " all." }
            @if r.axes.is_empty() {
                p { "The grid holds a single cell: there is nothing to compare." }
            } @else {
                h2 #through { "Operating curves" }
                p .help { "Through the chosen cell: one setting changes, all others stay as they are \
                    there; the chosen cell is ringed. Bars of error rates: 95 % intervals (Wilson). \
                    Bars of delays: from the least to the greatest of the traces. \u{201c}Plain death\u{201d}: \
                    made, motionless, at one depth; nothing is drawn where it is not told before the \
                    ceiling." }
                div #curves {}
            }
        }
        section {
            h2 { "Cells" }
            (table(r, columns))
        }
        div .tables {
            section { h2 { "Sweep" } table { tbody {
                tr { th scope="row" { "Grid" } td { (r.grid) } }
                tr { th scope="row" { "Tag" } td { (r.tag) } }
                tr { th scope="row" { "Front by" } td { (goal_words(r)) } }
                @for a in &r.axes { tr { th scope="row" { (a.key) } td { (a.values.join(", ")) } } }
            } } }
            section { h2 { "Traces" } ul { @for t in &r.traces { li { (t) } } } }
            (assumed(&r.notices))
        }
    }
}

/// What the traces cannot tell of, as none of their animals did it.
fn lacking(r: &SweepResult) -> Vec<&'static str> {
    let survivors = r.spreads.first().map_or(0, |s| s.survivors);
    let lost = r.cells.first().map_or(0, |c| c.score.deaths + c.score.losses);
    let mut all = Vec::new();
    if survivors == 0 {
        all.push(
            "No animal of these traces lived on with its tag: how often a survivor would be \
                  called dead cannot be told.",
        );
    }
    if lost == 0 {
        all.push(
            "No animal of these traces died or lost its tag: how often that would be missed \
                  cannot be told, but for the plain death of the trial.",
        );
    }
    all
}

fn goal_words(r: &SweepResult) -> String {
    let name = |name: &&str| goal_named(name).map_or(name.to_string(), |g| shown_as(g).0.into());
    r.goals.iter().map(name).collect::<Vec<_>>().join("; ")
}

fn tried(r: &SweepResult) -> Markup {
    let front = r.cells.iter().filter(|c| c.pareto).count();
    let said = format!(
        "{} of {} {} beaten by no other.",
        front,
        count(r.cells.len(), "cell"),
        if front == 1 { "is" } else { "are" }
    );
    let first = r.cells.first();
    let (deaths, losses) = first.map_or((0, 0), |c| (c.score.deaths, c.score.losses));
    let survivors = r.spreads.first().map_or(0, |s| s.survivors);
    let sure = format!(
        "{} with truth: {}, {}, {}.",
        count(r.traces.len(), "trace"),
        count(survivors as usize, "survivor"),
        count(deaths as usize, "death"),
        match losses {
            1 => "1 loss of the tag".to_owned(),
            n => format!("{n} losses of the tag"),
        }
    );
    verdict("Tried", "plain", &said, "By what:", &sure)
}

/// The best by the first goal, and what each other goal has at its best.
fn best(r: &SweepResult) -> Markup {
    let told = |g: &Goal| {
        let known = r.cells.iter().filter_map(|c| (g.value)(&c.score).map(|v| (c, v)));
        let best = known
            .reduce(|a, b| if (g.more && b.1 > a.1) || (!g.more && b.1 < a.1) { b } else { a });
        best.map(|(cell, v)| {
            let (name, unit, digits, factor) = shown_as(g);
            let alike = r.cells.iter().filter(|c| (g.value)(&c.score) == Some(v)).count();
            let more = match alike {
                1 => String::new(),
                n if n == r.cells.len() => " (all alike)".into(),
                n => format!(" (and {} alike)", count(n - 1, "other")),
            };
            let label = r.labels.get(cell.cell - 1).map_or("", String::as_str);
            let value = format!("{:.digits$} {unit}", factor * v);
            (format!("{name}: {} in cell {}{more}", value.trim_end(), cell.cell), label.to_owned())
        })
    };
    let mut all = r.goals.iter().filter_map(|n| goal_named(n)).filter_map(told);
    let (said, rest) = match all.next() {
        Some((first, label)) => (
            match label.is_empty() {
                true => format!("{first}."),
                false => format!("{first}: {label}."),
            },
            all.map(|(text, _)| text).collect::<Vec<_>>().join("; "),
        ),
        None => ("No goal can be told of any cell.".into(), String::new()),
    };
    let rest = if rest.is_empty() { "none".into() } else { rest };
    verdict("Best by one goal", "good", &said, "By the others:", &format!("{rest}."))
}

fn untold(r: &SweepResult) -> Markup {
    let never: Vec<usize> =
        r.cells.iter().filter(|c| c.trial_death_delay_h.is_none()).map(|c| c.cell).collect();
    let false_let_go = r.cells.iter().filter(|c| c.score.false_releases > 0).count();
    let said = match never.len() {
        0 => "A plain death is told before the ceiling in every cell.".to_owned(),
        n => format!(
            "In {n} of {} a plain death is not told before the ceiling.",
            count(r.cells.len(), "cell")
        ),
    };
    let sure = match false_let_go {
        0 => "No cell let go of a living animal for its death in these traces.".to_owned(),
        n => format!("{} let go of a living animal for its death.", count(n, "cell")),
    };
    let mark = if never.is_empty() && false_let_go == 0 { "plain" } else { "bad" };
    verdict("Deaths", mark, &said, "And:", &sure)
}

fn table(r: &SweepResult, columns: &[Column]) -> Markup {
    let rows = shown(r);
    let all = rows.len() == r.cells.len();
    html! {
        div #filter role="toolbar" aria-label="Cells in the table" {
            button type="button" data-only="" aria-pressed=(all.to_string()) { "All cells" } " "
            button type="button" data-only="front" aria-pressed=((!all).to_string()) { "Only the front" }
        }
        div .scroll tabindex="0" role="region" aria-label="Table of cells" {
            table .wide #cells {
                thead { tr { @for c in columns { (c.head()) } } }
                tbody { @for n in rows { tr { @for (k, c) in columns.iter().enumerate() {
                    @if k == 0 { th scope="row" { (c.text(n)) } }
                    @else { td .n[c.is_number()] { (c.text(n)) } }
                } } } }
            }
        }
        p #more {}
        p .help { "Click a heading to sort, a cell\u{2019}s number to choose it. *: on the front, \
            !: spoken of above. A blank is not a zero: the truth does not tell of it, or the tag \
            decided nothing." }
    }
}
