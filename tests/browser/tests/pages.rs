//! Every report in a headless browser: no complaint of the console, no request off
//! the page, zoom, hover and keys at work, and no serious fault of accessibility by
//! axe-core 4.14.1 (bundled, `axe/`).

use std::fs;
use std::path::{Path, PathBuf};

use host_sim::deployment::Deployment;
use host_sim::html;
use host_sim::replay::{self, Keep};
use swaymark_browser_tests::{Browser, five_days_at_50_hz};
use tempfile::TempDir;

const SHOWN: &str = "[swaymark.line.from, swaymark.line.to]";

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-data").join(name)
}

fn page_of(trace: &Path, dir: &TempDir) -> PathBuf {
    let prepared = replay::prepare(trace, None, Keep::default(), |file| Box::new(file)).unwrap();
    let (_, page) = html::deployment::replay(prepared).unwrap();
    let path = dir.path().join("page.html");
    html::write(&path, &page).unwrap();
    path
}

fn span(browser: &mut Browser) -> f64 {
    browser.number(&format!("(() => {{ const r = {SHOWN}; return r[1] - r[0]; }})()"))
}

/// Waits for the raw axes to be drawn as they are now to be.
fn settle(browser: &mut Browser) {
    browser.value("swaymark.raw.shownNow.then(() => new Promise((r) => requestAnimationFrame(r)))");
}

#[test]
fn a_deployment_zooms_from_a_day_to_single_beats() {
    let dir = tempfile::tempdir().unwrap();
    let page = page_of(&demo("cruiser-0015.csv.gz"), &dir);
    let browser = &mut Browser::start();
    let ms = browser.open(&page);
    println!("a day at 25 Hz opens in {ms} ms");
    browser.picture("deployment");
    assert_eq!(browser.number("swaymark.line.charts.length"), 13.0);
    assert_eq!(span(browser), 86_400.0);

    // Drag over a plot: all plots show that stretch.
    browser.drag("#chart-depth .u-over", 0.25, 0.5);
    let dragged = span(browser);
    assert!((dragged / 86_400.0 - 0.25).abs() < 0.02, "{dragged}");
    let linked =
        browser.number("new Set(swaymark.line.charts.map((c) => c.plot.scales.x.min)).size");
    assert_eq!(linked, 1.0, "all time axes are one");

    // Hover: every plot tells its value, the line at the top the time.
    let [x, y, width] = browser.place("#chart-beats .u-over");
    browser.mouse("mouseMoved", x + 0.6 * width, y);
    let told =
        browser.text("document.querySelector('#chart-depth tr:nth-child(2) .u-value').textContent");
    assert!(told.trim().parse::<f64>().is_ok(), "depth under the cursor: {told:?}");
    let now = browser.text("document.getElementById('now').textContent");
    assert!(now.contains("after release") && now.contains("UTC"), "{now}");

    // Keys: in and in again, to single beats, drawn from every sample.
    browser.value("document.getElementById('panels').focus()");
    for _ in 0..11 {
        browser.key("+");
    }
    settle(browser);
    assert!(span(browser) < 20.0, "{}", span(browser));
    assert_eq!(browser.text("swaymark.raw.shown"), "full");
    let samples = browser.number("swaymark.raw.data[1][0].filter((t) => t >= swaymark.line.from && t <= swaymark.line.to).length");
    let all = span(browser) * 25.0;
    assert!((samples - all).abs() <= 2.0, "{samples} of {all} samples");
    let beats = browser.number("(() => { const [a, b] = swaymark.raw.between(swaymark.line.from, swaymark.line.to); return b - a; })()");
    assert!(beats >= 2.0, "{beats} beats in {} s", span(browser));
    browser.value("document.getElementById('chart-raw-x').scrollIntoView()");
    browser.picture("deployment-beats");
    browser.key("ArrowRight");
    let now = browser.text("document.getElementById('now').textContent");
    assert!(now.contains("beats/min"), "values by keyboard: {now}");
    browser.key("0");
    assert_eq!(span(browser), 86_400.0);
    browser.key("n");
    browser.key("n");
    let now = browser.text("document.getElementById('now').textContent");
    assert!(now.contains("settled on its own normal"), "the next moment: {now}");
    browser.value("document.getElementById('clock').click()");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn a_deployment_is_accessible_and_prints() {
    let dir = tempfile::tempdir().unwrap();
    let page = page_of(&demo("death-first-hour-0005.csv.gz"), &dir);
    let browser = &mut Browser::start();
    browser.open(&page);
    browser.accessible_in_both_colours("death");
    let colour = |b: &mut Browser| b.text("getComputedStyle(document.body).color");
    let screen = colour(browser);
    browser.value(
        "document.getElementById('theme').click(); document.getElementById('theme').click()",
    );
    assert_ne!(colour(browser), screen, "dark by choice");
    browser.picture("deployment-dark");
    browser.prints("deployment");
    assert_eq!(
        browser.text("document.documentElement.dataset.theme"),
        "dark",
        "as before printing"
    );
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn faults_are_shown_where_they_matter() {
    let dir = tempfile::tempdir().unwrap();
    let trace = dir.path().join("faulty.csv");
    let mut rows = String::from("t_s,ax_g,ay_g,az_g\n");
    for i in 0..3 * 3600 * 10 {
        let t = f64::from(i) / 10.0;
        if (4000.0..4600.0).contains(&t) {
            continue; // a gap
        }
        let x = if t > 7000.0 { 0.02 } else { 0.02 + f64::from(i % 7) / 1000.0 };
        let y = 0.2 * (t * 3.0).sin();
        rows += &format!("{t:.1},{x:.3},{y:.3},1.0{}\n", i % 9);
    }
    fs::write(&trace, rows).unwrap();
    let page = page_of(&trace, &dir);
    let browser = &mut Browser::start();
    browser.open(&page);
    let caution = browser.text("document.querySelector('.caution').textContent");
    assert!(caution.contains("gaps in the record") && caution.contains("stuck"), "{caution}");
    assert!(browser.number("swaymark.meta.faults.length") >= 2.0);
    // Nothing is drawn where nothing was recorded.
    browser.value("swaymark.line.set(4100, 4500)");
    settle(browser);
    let drawn = browser.number("swaymark.raw.data[0][1].filter((v, i) => v != null && swaymark.raw.data[0][0][i] > 4100 && swaymark.raw.data[0][0][i] < 4500).length");
    assert_eq!(drawn, 0.0);
    let bridged = browser.number(
        "swaymark.line.charts.find((c) => c.id === 'sway').plot.data[1].filter((v) => v === null).length",
    );
    assert!(bridged >= 1.0, "no line bridges the gap");
    assert_eq!(browser.faults_of_access(), Vec::<String>::new());
    browser.picture("faults");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn five_days_at_50_hz_stay_small_and_open_without_unpacking_everything() {
    let dir = tempfile::tempdir().unwrap();
    let source = Box::new(five_days_at_50_hz());
    let deployment = Deployment::default();
    let prepared =
        replay::prepare_source("five-days.csv", source, &deployment, Keep::default(), Vec::new())
            .unwrap();
    let (report, page) = html::deployment::replay(prepared).unwrap();
    assert_eq!(report.samples, 21_600_000);
    let path = dir.path().join("five-days.html");
    html::write(&path, &page).unwrap();
    let bytes = fs::metadata(&path).unwrap().len();
    let browser = &mut Browser::start();
    let ms = browser.open(&path);
    println!("five days at 50 Hz: {bytes} bytes, open in {ms} ms");
    assert!(bytes < 12_000_000, "{bytes}");
    // Speed is told, and held against a bound only on request, on a quiet machine.
    if let Ok(most) = std::env::var("SWAYMARK_OPEN_MS") {
        assert!(ms <= most.parse::<f64>().unwrap(), "{ms} ms");
    }
    let unpacked = browser.number("swaymark.raw.unpacked");
    assert!(unpacked < 200_000.0, "{unpacked} characters unpacked to open");
    // Single beats are seen wherever one looks.
    browser.value("swaymark.line.set(300000, 300015)");
    settle(browser);
    let bins =
        browser.number("swaymark.raw.data[1][0].filter((t) => t >= 300000 && t <= 300015).length");
    assert!(bins >= 15.0 * 0.7 * 3.0, "{bins} stretches over 10 beats");
    let note = browser.text("document.getElementById('full-note').textContent");
    assert!(note.contains("Full rate is kept for"), "{note}");
    // And every sample where full rate is kept.
    browser.value("swaymark.line.set(100, 110)");
    settle(browser);
    assert_eq!(
        browser.number("swaymark.raw.data[1][0].filter((t) => t >= 100 && t < 110).length"),
        500.0
    );
    browser.picture("five-days");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn a_cohort_compares_groups() {
    let dir = tempfile::tempdir().unwrap();
    let table = dir.path().join("bay.csv");
    let mut text = String::from("id,fate,time_h,recovery_h,handling\n");
    for i in 0..30 {
        let fate = ["alive", "alive", "dead", "detached", "alive", "undetermined"][i % 6];
        let hours = [40.0, 61.0, 3.0, 20.0, 48.0, 1.0][i % 6] + i as f64 / 7.0;
        let settled = if hours > 30.0 { format!("{}", 6 + i % 9) } else { String::new() };
        text += &format!("B-{i:02},{fate},{hours:.2},{settled},{}\n", ["short", "long"][i % 2]);
    }
    fs::write(&table, text).unwrap();
    let deployments = host_sim::cohort::table::read(&table).unwrap();
    let cohort = host_sim::cohort::analysis::Cohort::new(deployments, &[], Vec::new());
    let page = dir.path().join("bay.html");
    html::write(&page, &html::cohort::page(&cohort)).unwrap();
    let browser = &mut Browser::start();
    browser.open(&page);
    assert_eq!(browser.number("swaymark.plots[0].series.length"), 4.0);
    browser.value("document.querySelector('[data-by=handling]').click()");
    assert_eq!(browser.number("swaymark.plots[0].series.length"), 7.0, "two curves with bands");
    browser.picture("cohort");
    let [x, y, width] = browser.place("#chart-survival .u-over");
    browser.mouse("mouseMoved", x + 0.3 * width, y);
    let now = browser.text("document.getElementById('now').textContent");
    assert!(now.contains("short: alive") && now.contains("long: alive"), "{now}");
    browser.drag("#chart-survival .u-over", 0.3, 0.5);
    let shown = browser.number("swaymark.range[1] - swaymark.range[0]");
    let all = browser.number("swaymark.meta.all.survival.at(-1)[0]");
    assert!((shown / all - 0.2).abs() < 0.03, "{shown} of {all}");
    let page_text = browser.text("document.body.textContent");
    assert!(page_text.contains("5 of 30 is undetermined"), "the open ones are told");
    browser.accessible_in_both_colours("cohort");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}
