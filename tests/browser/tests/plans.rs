//! The pages of planning, a budget and a sweep, in a headless browser: no complaint of
//! the console, no request off the page, zoom, hover and keys at work, and no serious
//! fault of accessibility by axe-core 4.14.1 (bundled, `axe/`).

use std::fs;
use std::path::{Path, PathBuf};

use host_sim::budget::discharge::discharge;
use host_sim::budget::{Settings, budget};
use host_sim::html;
use host_sim::sweep::callout::trials;
use host_sim::sweep::grid::Grid;
use host_sim::sweep::output::SweepResult;
use host_sim::sweep::run::Sweep;
use host_sim::sweep::traces;
use host_sim::tag_file::TagFile;
use swaymark_browser_tests::Browser;
use tempfile::TempDir;

const NOW: &str = "document.getElementById('now').textContent";
const SPAN: &str = "swaymark.range[1] - swaymark.range[0]";

fn budget_page(name: &str, dir: &TempDir) -> PathBuf {
    let tag = TagFile::shipped(name).unwrap();
    let settings = Settings::default();
    let page = html::budget::page(&budget(&tag, &settings), &discharge(&tag, &settings));
    let path = dir.path().join("budget.html");
    html::write(&path, &page).unwrap();
    path
}

#[test]
fn a_budget_tells_when_and_by_what_the_battery_gives_way() {
    let dir = tempfile::tempdir().unwrap();
    let page = budget_page("fin-float", &dir);
    let browser = &mut Browser::start();
    let ms = browser.open(&page);
    println!("a budget opens in {ms} ms");
    assert_eq!(browser.number("swaymark.plots.length"), 3.0);
    let whole = browser.number(SPAN);

    // The point at which the tag gives way stands on the voltage at which it resets.
    let failure = browser.value("swaymark.meta.failures[0]");
    assert_eq!(failure["pulse"], "satellite message");
    let volts = failure["volts"].as_f64().unwrap();
    assert!((volts - browser.number("swaymark.meta.brownout_v")).abs() < 0.005, "{volts}");
    let last = browser.number(
        "swaymark.plots[1].data[0].filter((d, i) => swaymark.plots[1].data[2][i] != null).at(-1)",
    );
    assert!((last - failure["day"].as_f64().unwrap()).abs() < 0.01, "the curve ends there: {last}");

    // Hover: all three plots, and the line below them.
    let [x, y, width] = browser.place("#chart-volts .u-over");
    browser.mouse("mouseMoved", x + 0.4 * width, y);
    let now = browser.text(NOW);
    assert!(now.contains("(search)") && now.contains("% left (") && now.contains(" V "), "{now}");
    let left =
        browser.text("document.querySelector('#chart-left tr:nth-child(2) .u-value').textContent");
    assert!(left.trim().parse::<f64>().is_ok_and(|v| (30.0..95.0).contains(&v)), "{left:?}");

    // Zoom by dragging; all plots show the same days; back by double click and by keys.
    browser.drag("#chart-left .u-over", 0.2, 0.45);
    let shown = browser.number(SPAN);
    assert!((shown / whole - 0.25).abs() < 0.03, "{shown} of {whole}");
    assert_eq!(browser.number("new Set(swaymark.plots.map((p) => p.scales.x.min)).size"), 1.0);
    browser.value("document.getElementById('panels').focus()");
    browser.key("0");
    // The span is a difference of the axis' ends, each rounded.
    let again = browser.number(SPAN);
    assert!((again / whole - 1.0).abs() < 1e-12, "{again} after {whole}");
    browser.key("+");
    assert!(browser.number(SPAN) < 0.6 * whole);
    browser.key("ArrowRight");
    assert!(browser.text(NOW).starts_with("Day "), "values by keyboard");
    browser.key("0");

    browser.accessible_in_both_colours("budget");
    browser.prints("budget");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn every_budget_that_comes_along_opens() {
    let browser = &mut Browser::start();
    for name in TagFile::shipped_names() {
        let dir = tempfile::tempdir().unwrap();
        browser.open(&budget_page(name, &dir));
        assert_eq!(browser.faults_of_access(), Vec::<String>::new(), "{name}");
        browser.picture(&format!("budget-{name}"));
        assert_eq!(browser.complaints(), Vec::<String>::new(), "{name}");
    }
}

fn sweep_page(dir: &TempDir) -> PathBuf {
    for (scenario, seed) in [("cruiser", 3), ("death-first-hour", 4), ("tag-floating", 5)] {
        let mut request = host_sim::synth::Request::new(scenario, seed, dir.path());
        (request.hours, request.sample_hz) = (Some(3.0), Some(20.0));
        host_sim::synth::run(&request).unwrap();
    }
    let grid = "[sampling]\nrate_hz = [20, 10, 5]\nduty = [\"always\", { on_s = 300, every_s = 600 }, \
        { on_s = 20, every_s = 60 }]\n[detector]\nfalse_death_prob = [1e-3, 1e-6]\n";
    let grid = Grid::parse("grid.toml", grid).unwrap();
    let (traces, _) = traces::find(dir.path()).unwrap();
    let sweep = Sweep::new(grid, traces, None, None).unwrap();
    let (results, _) = sweep.run(None, 2, &|_| ()).unwrap();
    let result = SweepResult::new(&sweep, &results, &trials(&sweep));
    let path = dir.path().join("sweep.html");
    html::write(&path, &html::sweep::page(&result)).unwrap();
    path
}

/// Texts of a column of the table.
fn column(browser: &mut Browser, n: usize) -> Vec<String> {
    let script = format!(
        "[...document.querySelectorAll('#cells tbody tr')].map((r) => r.children[{n}].textContent)"
    );
    let texts = browser.value(&script);
    texts.as_array().unwrap().iter().map(|t| t.as_str().unwrap().to_owned()).collect()
}

#[test]
fn a_sweep_shows_what_each_cell_costs_and_tells() {
    let dir = tempfile::tempdir().unwrap();
    let page = sweep_page(&dir);
    let browser = &mut Browser::start();
    let ms = browser.open(&page);
    println!("a sweep of 18 cells opens in {ms} ms");
    let text = browser.text("document.querySelector('.caution').textContent");
    assert!(text.contains("Awake 20 s of every 60 s, the tag cannot tell a death"), "{text}");

    // Point at the chosen cell: its settings stand beside it, all it is worth below.
    let at = browser.value("(() => { const u = swaymark.scatter.charts[0].plot, b = u.over.getBoundingClientRect(); \
        u.over.scrollIntoView({block: 'center'}); const c = u.over.getBoundingClientRect(), i = swaymark.chosen, g = swaymark.meta.goals; \
        const x = g.findIndex((o) => o.name === document.querySelector('#goal-x').selectedOptions[0].text.split(',')[0]); \
        const v = (id) => g[Number(document.querySelector(id).value)].values[i]; \
        return [c.x + u.valToPos(v('#goal-x'), 'x'), c.y + u.valToPos(v('#goal-y'), 'y'), b.width, x]; })()");
    browser.mouse("mouseMoved", at[0].as_f64().unwrap() + 3.0, at[1].as_f64().unwrap() + 2.0);
    let tip = browser.text("document.querySelector('.tip').textContent");
    assert!(tip.contains(" Hz, ") && tip.contains("false_death_prob"), "{tip}");
    let now = browser.text(NOW);
    assert!(now.contains("On the front") && now.contains("Tail beats, F1 0."), "{now}");

    // From cell to cell by keys, and Enter chooses: the curves go through it.
    browser.value("document.getElementById('panels').focus()");
    browser.key("ArrowRight");
    browser.key("ArrowRight");
    let pointed = browser.number("swaymark.pointed");
    browser.key("Enter");
    assert_eq!(browser.number("swaymark.chosen"), pointed);
    let head = browser.text("document.getElementById('through').textContent");
    assert!(head.ends_with(&format!("cell {}", pointed + 1.0)), "{head}");
    assert_eq!(browser.number("swaymark.curves.length"), 3.0, "a pair of curves each setting");
    browser.value("swaymark.choose(0)");
    let missed = browser.value("swaymark.curves[1].charts[0].plot.data[1]");
    assert_eq!(missed[2].as_f64(), Some(100.0), "20/60 s tells no death: {missed}");

    // The other goals on the axes, and zoom.
    browser.value("(() => { const s = document.getElementById('goal-x'); s.value = '2'; s.dispatchEvent(new Event('change')); })()");
    let whole = browser.number(SPAN);
    browser.drag("#chart-pareto .u-over", 0.3, 0.7);
    assert!((browser.number(SPAN) / whole - 0.4).abs() < 0.05);
    browser.value("document.getElementById('panels').focus()");
    browser.key("0");
    // The span is a difference of the axis' ends, each rounded.
    let again = browser.number(SPAN);
    assert!((again / whole - 1.0).abs() < 1e-12, "{again} after {whole}");

    // The dashed line goes through the cells that none beats in both goals shown.
    let unlike = browser.value(
        "(() => { const g = ['#goal-x', '#goal-y'].map((id) => swaymark.meta.goals[Number(document.querySelector(id).value)]); \
         const v = (i) => g.map((o) => (o.more ? 1 : -1) * o.values[i]); const all = g[0].values.map((_, i) => i).filter((i) => g.every((o) => o.values[i] != null)); \
         const place = (i) => v(i).join(); const best = new Set(all.filter((i) => !all.some((j) => v(j)[0] >= v(i)[0] && v(j)[1] >= v(i)[1] && place(j) !== place(i))).map(place)); \
         const drawn = new Set(swaymark.edge.map(place)); return [best.size, drawn.size, [...best].filter((p) => !drawn.has(p)).length]; })()",
    );
    assert!(unlike[0].as_f64() >= Some(1.0) && unlike[0] == unlike[1], "{unlike}");
    assert_eq!(unlike[2].as_f64(), Some(0.0), "{unlike}");

    // The table sorts, both ways, and by what the headings say.
    let f1 =
        "[...document.querySelectorAll('#cells thead button')].find((b) => b.textContent === 'F1')";
    let place = browser
        .number(&format!("[...document.querySelectorAll('#cells thead button')].indexOf({f1})"))
        as usize;
    browser.value(&format!("{f1}.click()"));
    let up = column(browser, place);
    assert!(up.len() == 18 && up.is_sorted(), "{up:?}");
    browser.value(&format!("{f1}.click()"));
    let mut down = column(browser, place);
    let sorted =
        browser.text("document.querySelector('#cells [aria-sort]').getAttribute('aria-sort')");
    assert_eq!(sorted, "descending");
    down.reverse();
    assert_eq!(up, down);
    browser.value("document.querySelector('[data-only=front]').click()");
    assert!(column(browser, 1).iter().all(|mark| mark.contains('*')));
    browser.value("document.querySelector('[data-only=\"\"]').click()");

    browser.accessible_in_both_colours("sweep");
    browser.prints("sweep");
    assert_eq!(browser.complaints(), Vec::<String>::new());
    fs::remove_file(Path::new(&page)).unwrap();
}
