//! The report of one deployment.

use firmware_core::config::{Breathing, Config, Detector, Release};
use firmware_core::types::Fate;
use maud::{Markup, html};
use serde_json::{Value, json};

use super::fit;
use super::gather::{BEAT_PER_G, CAUSES, Gather, MINUTE_COLUMNS, fault_words, nights};
use super::pack;
use super::page::{Data, HOW_SURE, Page, assumed, verdict};
use super::tiles::{FULL_PER_G, Packed, Span};
use super::words::{Verdict, verdicts, when};
use crate::own::{self, OwnEvents, Told};
use crate::problem::Problem;
use crate::replay::{Prepared, Report, cause_name, fault_name, held_back, size, told, utc};

const SCRIPT: &str = include_str!("../../assets/deployment.js");

/// A page is kept below this, bytes.
const PAGE_BYTES: usize = 11_000_000;
/// Events of a detector of one's own that are marked in the plots, and in the table, at most.
const MARKS: usize = 500;
const ROWS: usize = 50;
/// Everything but the data, about, bytes.
const FRAME_BYTES: usize = 150_000;

/// Replays a trace; gives its report, and a page about it.
///
/// # Errors
/// Damage met further on in the file.
pub fn replay(mut prepared: Prepared) -> Result<(Report, String), Problem> {
    let config = prepared.setup.config;
    let notices = std::mem::take(&mut prepared.notices);
    let mut gathered = Gather::new(prepared.facts.sample_hz);
    let report = prepared.run_watched(&mut gathered)?;
    let page = page(&report, &config, gathered, &notices);
    Ok((report, page))
}

fn page(r: &Report, config: &Config, gathered: Gather, notices: &[String]) -> String {
    let verdicts = verdicts(r, config, &gathered);
    let events = events(r);
    let minutes = pack::columns(&gathered.minutes);
    let beats = gathered.beats();
    let spans = spans(r, &gathered);
    let mut meta = meta(r, config, &gathered, &events);
    let used = minutes.len() + beats.len() + FRAME_BYTES;
    let room = PAGE_BYTES.saturating_sub(used).max(PAGE_BYTES / 4) / 4 * 3;
    // When each kind of fault was first seen, h after release.
    let mut begun: Vec<(&'static str, f64)> = Vec::new();
    for &(t_s, kind) in &gathered.faults {
        let name = fault_name(kind);
        if !begun.iter().any(|(known, _)| *known == name) {
            begun.push((name, t_s / 3600.0));
        }
    }
    let packed = gathered.tiles.finish(room, &spans);
    meta["raw"] = raw_index(&packed);
    if let Some(own) = &r.own {
        meta["own"] = own_marks(r, own);
    }
    let name = r.id.clone().unwrap_or_else(|| short_name(&r.trace));
    let title = format!("Deployment {name}");
    let mut data = vec![
        Data { id: "data-meta", text: meta.to_string() },
        Data { id: "data-minutes", text: minutes },
        Data { id: "data-beats", text: beats },
    ];
    let ids: Vec<String> = (0..packed.levels.len()).map(|n| format!("data-level-{n}")).collect();
    for (level, id) in packed.levels.iter().zip(&ids) {
        data.push(Data { id, text: level.text.clone() });
    }
    let full = full_words(r, &packed);
    data.push(Data { id: "data-full", text: packed.full_text });
    Page {
        title: &title,
        kind: "Deployment report",
        body: body(r, config, &verdicts, &events, &begun, &full, notices),
        data,
        scripts: &[SCRIPT],
    }
    .render()
}

fn short_name(trace: &str) -> String {
    trace.rsplit(['/', '\\']).next().unwrap_or(trace).to_owned()
}

/// A moment worth finding, for marks and for stepping from one to the next.
struct Event {
    t_s: f64,
    letter: &'static str,
    what: String,
}

fn events(r: &Report) -> Vec<Event> {
    let first = r.facts.first_t_s;
    let mut events =
        vec![Event { t_s: first, letter: "R", what: r.launch.told(r.facts.record_t_s) }];
    let mut add = |t: Option<f64>, letter, what: &str| {
        events.extend(t.map(|t_s| Event { t_s, letter, what: what.into() }));
    };
    add(r.recovery_t_s, "S", "settled on its own normal");
    add(r.recovery_decided_t_s, "s", "the tag knows that it settled");
    let (happened, known) = match (r.fate, r.fate_detail) {
        ("dead", _) => ("died", "the tag knows of the death"),
        (_, Some("on_bottom")) => ("tag came off, lies on the bottom", "the tag knows it is off"),
        _ => ("tag came off, floats", "the tag knows it is off"),
    };
    let letters = if r.fate == "dead" { ("D", "d") } else { ("O", "o") };
    add(r.fate_t_s, letters.0, happened);
    add(r.fate_t_s.and(r.fate_decided_t_s), letters.1, known);
    add(r.release.t_s, "L", "the tag lets go");
    add(Some(first + r.duration_s), "E", "record ends");
    events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
    events
}

/// Where full rate is wanted most.
fn spans(r: &Report, gathered: &Gather) -> Vec<Span> {
    let first = r.facts.first_t_s;
    let end = r.duration_s;
    let around = |t: f64, half: f64| (t - half, t + half);
    let mut spans: Vec<Span> = vec![(0.0, 300.0), (end - 300.0, end)];
    for t in [r.fate_t_s, r.release.t_s, r.recovery_t_s, r.fate_decided_t_s].into_iter().flatten() {
        spans.push(around(t - first, 300.0));
    }
    spans.extend(gathered.fates.iter().map(|f| around(f.event_us as f64 / 1e6, 300.0)));
    spans.extend(gathered.faults.iter().take(40).map(|&(t, _)| around(t, 60.0)));
    spans
}

fn raw_index(packed: &Packed) -> Value {
    json!({
        "levels": packed.levels.iter()
            .map(|l| json!({"samples": l.samples, "tiles": l.index})).collect::<Vec<_>>(),
        "full": packed.full_index,
        "complete": packed.full_complete,
        "full_per_g": FULL_PER_G,
        "bounds_per_g": packed.bounds_per_g,
    })
}

/// Events of the registered detector, for their marks.
fn own_marks(r: &Report, own: &OwnEvents) -> Value {
    let told = own.told.iter().take(MARKS);
    told.map(|e| json!({"t": e.t_s - r.facts.first_t_s, "what": e.event})).collect()
}

/// A table of the events of the registered detector.
fn own_table(r: &Report, own: &OwnEvents) -> Markup {
    let numbers = |told: &Told| {
        let all = told.numbers.iter().map(|(name, value)| format!("{name} {value}"));
        all.collect::<Vec<_>>().join(", ")
    };
    let hours = |t_s: f64| format!("{:.3} h", (t_s - r.facts.first_t_s) / 3600.0);
    let rest = own.told.len().saturating_sub(ROWS);
    html! {
        section {
            h2 { "Own events" }
            ul { @for line in own.lines(r.facts.first_t_s) { li { (line) } } }
            @if !own.told.is_empty() {
                table {
                    thead { tr { th scope="col" { "What" } th scope="col" { "After release" }
                        th scope="col" { "Numbers" } } }
                    tbody {
                        @for told in own.told.iter().take(ROWS) {
                            tr { td { (told.event) } td { (hours(told.t_s)) }
                                td { (numbers(told)) } }
                        }
                    }
                }
            }
            @if rest > 0 { p { (rest) " more are in the JSON of `swaymark replay`." } }
            @if own.told.len() > MARKS { p { "The first " (MARKS) " are marked in the plots." } }
        }
    }
}

/// What is kept of the raw axes, plainly.
fn full_words(r: &Report, packed: &Packed) -> String {
    let step = format!("Readings are kept to 1/{FULL_PER_G:.0} g.");
    if packed.full_complete {
        return format!(
            "All {} samples are in this page at full rate; when zoomed out, the plots show the least \
             and the greatest of each stretch. {step}",
            r.samples
        );
    }
    let finest = packed.levels.first().map_or(0.0, |l| l.samples as f64 / r.sample_hz);
    let kept_s: f64 = packed.full_index.iter().map(|e| e[1] - e[0]).sum();
    format!(
        "The whole record is in this page as the least and the greatest of every {finest:.2} s. \
         Full rate is kept for {:.1} h of {:.1} h: the start, the end, around each decision and \
         fault, and stretches spread evenly; the bar under the raw axes shows where. {step} For full \
         rate elsewhere, look into the trace itself.",
        kept_s / 3600.0,
        r.duration_s / 3600.0,
    )
}

fn meta(r: &Report, config: &Config, gathered: &Gather, events: &[Event]) -> Value {
    let first = r.facts.first_t_s;
    let d = config.detector();
    let rel = config.release();
    let (curves, curve_words) = recovery_curves(r, gathered);
    let since = |t: Option<f64>| t.map(|t| t - first);
    json!({
        "start_unix_s": r.facts.start_unix_us.map(|us| us as f64 / 1e6),
        "duration_s": r.duration_s,
        "sample_hz": r.sample_hz,
        "has_depth": r.facts.has_depth,
        "minute_columns": MINUTE_COLUMNS,
        "beat_per_g": BEAT_PER_G,
        "beat_count": r.beats.count,
        "events": events.iter()
            .map(|e| json!({"t": e.t_s - first, "letter": e.letter, "what": e.what}))
            .collect::<Vec<_>>(),
        "faults": gathered.faults.iter()
            .map(|&(t, kind)| json!({"t": t, "what": fault_words(kind)})).collect::<Vec<_>>(),
        "nights": nights(config, r.duration_s),
        "bounds": {
            "not_living": -d.false_death_prob.ln(),
            "lives": d.missed_death_prob.ln(),
            "recovery_prob": d.recovery_prob,
            "cell": rel.cell_reserve_fraction,
            "memory": rel.memory_full_fraction,
            "depth_m": rel.max_depth_m,
            "floor_s": f64::from(rel.floor_h) * 3600.0,
            "ceiling_s": f64::from(rel.ceiling_h) * 3600.0,
        },
        "causes": CAUSES.map(cause_name),
        "fates": gathered.fates.iter().map(|f| json!({
            "t": f.event_us as f64 / 1e6,
            "known": f.decided_us as f64 / 1e6,
            "fate": match f.fate {
                Fate::Dead => "dead",
                Fate::DetachedFloating => "tag off, floats",
                Fate::DetachedOnBottom => "tag off, on the bottom",
                Fate::Alive => "alive",
                Fate::Undetermined => "undetermined",
            },
        })).collect::<Vec<_>>(),
        "recovery": {
            "t": since(r.recovery_t_s),
            "estimate": since(r.recovery_estimate_t_s),
            "se": r.recovery_se_s,
            "history": gathered.recoveries.iter()
                .map(|(now, e)| json!([now, e.t_s, e.se_s, e.prob])).collect::<Vec<_>>(),
        },
        "fit": curves,
        "fit_words": curve_words,
        "release": {
            "t": since(r.release.t_s),
            "cause": r.release.cause,
            "since": since(r.release.since_s),
        },
    })
}

/// The curves over beat rate and amplitude, and what is to be said of them.
fn recovery_curves(r: &Report, gathered: &Gather) -> (Value, String) {
    let ended = matches!(r.fate, "dead" | "detached").then_some(r.fate_t_s).flatten();
    let until_s = ended.map_or(f64::INFINITY, |t| t - r.facts.first_t_s);
    let [minutes, bpm, sway] = [0, 1, 2].map(|n| &gathered.minutes[n]);
    let curves = [bpm, sway].map(|signal| fit::curve(minutes, signal, until_s));
    let told = |name: &str, curve: &Option<fit::Curve>| match curve {
        Some(c) => format!("{name}: 80 % of the way back at {:.1} h.", c.recovered_h),
        None => format!("{name}: no return to a settled level can be fitted."),
    };
    let words = format!(
        "Curves and 95 % bands: a logistic return fitted afterwards to the whole record, each signal \
         by itself. {} {}",
        told("Beat rate", &curves[0]),
        told("Amplitude", &curves[1])
    );
    let [bpm, sway] = curves;
    (json!({"bpm": bpm, "sway_g": sway}), words)
}

fn body(
    r: &Report,
    config: &Config,
    verdicts: &[Verdict],
    events: &[Event],
    begun: &[(&'static str, f64)],
    full: &str,
    notices: &[String],
) -> Markup {
    let since = |kind: &str| {
        let at = begun.iter().find(|(known, _)| *known == kind);
        at.map_or(String::new(), |(_, h)| format!(", {h:.2} h after release"))
    };
    html! {
        section aria-label="What happened" .verdicts {
            @for v in verdicts { (verdict(v.about, v.mark, &v.said, HOW_SURE, &v.sure)) }
        }
        @if !r.faults.is_empty() {
            section .caution aria-label="Faults" {
                h2 { "Faults in this record" }
                ul { @for fault in &r.faults { li { (told(fault)) (since(fault.kind)) } } }
                p { "What could not be trusted was kept from the detectors. Decisions near a fault \
                     deserve a look at the raw axes; faults are marked there." }
            }
        }
        (plots(full))
        div .tables {
            section {
                h2 { "Moments" }
                table {
                    thead { tr { th scope="col" { "Mark" } th scope="col" { "What" }
                        th scope="col" { "When" } } }
                    tbody {
                        @for e in events {
                            tr { td { span .letter { (e.letter) } } td { (e.what) }
                                td { (when(r, e.t_s)) } }
                        }
                    }
                }
            }
            @if let Some(own) = &r.own { (own_table(r, own)) }
            section { h2 { "Deployment" } (facts(r, config)) }
            section { h2 { "Settings" } (settings(r, config)) }
            (assumed(notices))
        }
    }
}

fn plots(full: &str) -> Markup {
    html! {
        section #plots aria-label="Plots over time" {
            h2 { "Over time" }
            noscript { p .caution { "The plots need a browser with script switched on. What was \
                decided is told above and below." } }
            div #bar role="toolbar" aria-label="Time shown" {
                span .spans {
                    button type="button" data-span="all" { "All" }
                    button type="button" data-span="86400" { "1 d" }
                    button type="button" data-span="21600" { "6 h" }
                    button type="button" data-span="3600" { "1 h" }
                    button type="button" data-span="600" { "10 min" }
                    button type="button" data-span="60" { "1 min" }
                    button type="button" data-span="10" { "10 s" }
                }
                span {
                    button type="button" data-do="left" aria-label="Earlier" { "\u{25c2}" }
                    button type="button" data-do="right" aria-label="Later" { "\u{25b8}" }
                    button type="button" data-do="out" aria-label="Zoom out" { "\u{2212}" }
                    button type="button" data-do="in" aria-label="Zoom in" { "+" }
                }
                span {
                    button type="button" data-do="previous" { "Moment before" }
                    button type="button" data-do="next" { "Next moment" }
                }
                span { button type="button" #clock { "Show UTC" } }
            }
            p #now aria-live="polite" {}
            p .help { "Drag over a plot to zoom in, double-click to see all; with Ctrl, the wheel \
                zooms. Keys, with the plots in focus: " kbd { "\u{2190}" } " " kbd { "\u{2192}" }
                " read values, with Shift move on; " kbd { "+" } " " kbd { "\u{2212}" } " zoom; "
                kbd { "n" } " " kbd { "p" } " next and previous moment; " kbd { "0" } " all. Grey \
                bands are nights." }
            div #panels tabindex="0" role="group"
                aria-label="Linked plots over time. Arrow keys read values, plus and minus zoom." {}
            p #full-note { (full) }
        }
    }
}

fn facts(r: &Report, config: &Config) -> Markup {
    let place = config.place();
    let f = &r.facts;
    let mut rows: Vec<(&str, String)> = vec![("Trace", short_name(&r.trace))];
    let mut add = |name, value: String| rows.push((name, value));
    if let Some(id) = &r.id {
        add("Deployment", id.clone());
    }
    add("Start", f.start_unix_us.map_or("not known".into(), utc));
    add(
        "Length",
        format!("{:.2} h, {} samples at {} Hz", r.duration_s / 3600.0, r.samples, r.sample_hz),
    );
    if place.start_unix_s.is_some() {
        add(
            "Place",
            format!("{:.3}\u{b0} N, {:.3}\u{b0} E", place.latitude_deg, place.longitude_deg),
        );
    }
    add(
        "Animal",
        match f.breathing {
            Breathing::Ram => "ram ventilator".into(),
            Breathing::Buccal => "buccal pumper".into(),
        },
    );
    if let Some(length) = config.animal().length_m {
        add("Total length", format!("{length} m"));
    }
    add(
        "Depth",
        if f.has_depth { "recorded" } else { "not recorded: decisions wait longer" }.into(),
    );
    add("Tail beats", r.beats.count.to_string());
    add(
        "Cell",
        format!(
            "{:.2} mAh used of {} mAh; {:.1} % can still be had{}",
            r.energy.used_mah,
            f.cell_mah,
            100.0 * r.energy.left_fraction,
            if held_back(r) { ", as age and temperature keep some back" } else { "" }
        ),
    );
    add(
        "Memory",
        format!(
            "{} in summaries, {:.1} % of {}",
            size(f64::from(r.memory.record_bytes)),
            100.0 * r.memory.used_fraction,
            size(f.memory_bytes)
        ),
    );
    html! {
        table { tbody { @for (name, value) in rows { tr { th scope="row" { (name) } td { (value) } } } } }
    }
}

/// Settings that differ from the defaults.
fn settings(r: &Report, config: &Config) -> Markup {
    let own = r.own.iter().flat_map(|own| &own.settings);
    let own = own.filter_map(|&(key, value)| {
        let (_, p) = own::settings().find(|(known, _)| *known == key)?;
        let name = key.strip_suffix(p.key)?.trim_end_matches('.');
        Some((format!("detector.{name}"), p, Some(value)))
    });
    let changed: Vec<_> = Detector::PARAMS
        .iter()
        .map(|p| ("detector".to_owned(), p, config.detector().get(p.key)))
        .chain(
            Release::PARAMS.iter().map(|p| ("release".to_owned(), p, config.release().get(p.key))),
        )
        .filter(|(_, p, value)| value.is_some_and(|v| v != p.default))
        .chain(own)
        .collect();
    html! {
        @if changed.is_empty() {
            p { "All detector and release settings are the defaults." }
        } @else {
            p { "Settings that differ from the defaults:" }
            table {
                thead { tr { th scope="col" { "Setting" } th scope="col" { "Here" }
                    th scope="col" { "Default" } } }
                tbody {
                    @for (group, p, value) in changed {
                        tr { td { "[" (group) "] " (p.key) } td { (value.unwrap_or(f32::NAN)) }
                            td { (p.default) } }
                    }
                }
            }
        }
    }
}
