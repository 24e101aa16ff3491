//! `docs/formats.md` tells the truth: every key that a replay prints is in it and no
//! other, and ranges and example of the deployment file are those of the program.

use std::collections::BTreeSet;
use std::process::Command;

use host_sim::deployment::Deployment;
use host_sim::trace::READ_FAULTS;
use serde_json::Value;

const DOC: &str = include_str!("../../docs/formats.md");

/// The part of the document under the heading `title`, up to the next one of its level.
fn section(title: &str) -> &'static str {
    let from = DOC.find(&format!("\n## {title}\n")).expect("the section is there") + 1;
    let rest = &DOC[from..];
    &rest[..rest[1..].find("\n## ").map_or(rest.len(), |at| at + 1)]
}

/// Cells of the rows of all tables in `text` whose first cell is one name in backticks.
fn rows(text: &'static str) -> Vec<Vec<&'static str>> {
    text.lines()
        .filter(|line| line.starts_with("| `"))
        .map(|line| line.trim_matches('|').split('|').map(str::trim).collect())
        .collect()
}

fn name(cell: &str) -> &str {
    cell.trim_matches('`')
}

/// Paths of all keys: `a`, `a.b`, `a[].b`.
fn paths(value: &Value, at: &str, into: &mut BTreeSet<String>) {
    match value {
        Value::Object(entries) => {
            for (key, value) in entries {
                let path = if at.is_empty() { key.clone() } else { format!("{at}.{key}") };
                paths(value, &path, into);
                into.insert(path);
            }
        }
        Value::Array(items) => items.iter().for_each(|v| paths(v, &format!("{at}[]"), into)),
        _ => {}
    }
}

#[test]
fn every_key_printed_is_told_and_no_other() {
    let dir = tempfile::tempdir().expect("a directory");
    let trace = dir.path().join("k.csv");
    let mut text = String::from("t_s,ax_g,ay_g,az_g,depth_m\n");
    for n in 0..5 * 60 * 25 {
        let t = f64::from(n) / 25.0;
        let y = if n == 4000 { "oops".into() } else { format!("{:.4}", 0.2 * (t * 5.0).sin()) };
        text += &format!("{t:.2},0.0{},{y},1.0{},12.{}\n", n % 7, n % 5, n % 3);
    }
    std::fs::write(&trace, text).expect("written");
    let out = Command::new(env!("CARGO_BIN_EXE_swaymark"))
        .args(["replay", "--format", "json", "--beats", "--minutes"])
        .arg(&trace)
        .output()
        .expect("the program runs");
    let value: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let mut printed = BTreeSet::new();
    paths(&value, "", &mut printed);
    assert!(printed.contains("faults[].kind") && printed.contains("minutes[].state"));

    let told: BTreeSet<String> = rows(section("JSON of a replay"))
        .iter()
        .take_while(|cells| cells[0] != "`release.cause`" || cells.len() == 3)
        .map(|cells| name(cells[0]).to_owned())
        .collect();
    let missing: Vec<_> = printed.difference(&told).collect();
    assert!(missing.is_empty(), "printed, not in docs/formats.md: {missing:?}");
    let stale: Vec<_> = told.difference(&printed).collect();
    assert!(stale.is_empty(), "in docs/formats.md, not printed: {stale:?}");
}

#[test]
fn every_fault_of_a_file_is_told() {
    let told: Vec<&str> = rows(section("Faults")).iter().map(|cells| name(cells[0])).collect();
    for kind in READ_FAULTS {
        assert!(told.contains(&kind.name()), "{}", kind.name());
    }
    // The tag's own: as many as it has counters.
    assert_eq!(told.len(), READ_FAULTS.len() + firmware_core::types::FAULT_KINDS.len());
}

#[test]
fn the_example_is_read_and_names_every_key_of_the_tables() {
    let from = DOC.find("```toml\n").expect("an example") + 8;
    let example = &DOC[from..from + DOC[from..].find("```").expect("its end")];
    Deployment::parse("example.toml", example.as_bytes()).expect("a sound example");
    let columns = "`t_s`, `time_utc`, `ax_g`, ..."; // more than one name, with an example of its own
    for cells in rows(section("Deployment file")).into_iter().filter(|cells| cells[0] != columns) {
        let line = format!("\n{} = ", name(cells[0]));
        assert!(section("Deployment file").contains(&line), "{}", cells[0]);
    }
}

#[test]
fn ranges_of_the_deployment_file_are_those_of_the_program() {
    let mut tried = 0;
    let mut table = "";
    for line in section("Deployment file").lines() {
        if let Some(rest) = line.strip_prefix("| key of `[") {
            table = rest.split(']').next().expect("a name");
        }
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [key, default, range, ..] = cells[..] else { continue };
        let Some((low, high)) = range.split_once(" to ") else { continue };
        let (Ok(low), Ok(high)) = (low.parse::<f64>(), high.parse::<f64>()) else { continue };
        let key = name(key);
        if key == "start_utc" {
            continue; // years, not numbers
        }
        let parse =
            |v: f64| Deployment::parse("x.toml", format!("[{table}]\n{key} = {v:?}\n").as_bytes());
        assert!(parse(low).is_ok() && parse(high).is_ok(), "{key} takes {low} and {high}");
        for beyond in [low - 1e-3 * low.abs(), high + 1e-3 * high.abs()] {
            assert!(parse(beyond).is_err(), "{key} refuses {beyond}");
        }
        if let Ok(default) = default.parse::<f64>() {
            let d = Deployment::default();
            let of = match key {
                "range_g" => d.range_g,
                other => panic!("a default of {other} that this test does not know"),
            };
            assert_eq!(of, default, "{key}");
        }
        tried += 1;
    }
    assert_eq!(tried, 9, "all ranges of numbers were tried");
}
