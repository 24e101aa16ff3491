//! The page of a replay: whole, self-contained, small, and true to the JSON.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-data").join(name)
}

fn swaymark(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark")).args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn a_page_is_whole_self_contained_and_says_what_the_text_says() {
    let dir = tempfile::tempdir().unwrap();
    let page = dir.path().join("dead.html");
    let trace = demo("death-first-hour-0005.csv.gz");
    let (trace, path) = (trace.to_str().unwrap(), page.to_str().unwrap());
    let plain = swaymark(&["replay", trace, "--quiet"]);
    let run = swaymark(&["replay", trace, "--quiet", "--report", path]);
    assert!(run.status.success(), "{}", text(&run.stderr));
    assert_eq!(text(&plain.stdout), text(&run.stdout), "a page changes no decision");
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(html.starts_with("<!DOCTYPE html>") && html.ends_with("</html>"));
    let json = swaymark(&["replay", trace, "--quiet", "--format", "json"]);
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let hours = |t_s: &serde_json::Value| t_s.as_f64().unwrap() / 3600.0;
    let died =
        format!("The animal died {:.2} h after release, at 2030-08-05", hours(&json["fate_t_s"]));
    let left = format!("The tag lets go {:.2} h after release", hours(&json["release"]["t_s"]));
    assert!(html.contains(&died) && html.contains(&left), "{died} {left}");
    assert!(html.contains("default-src 'none'"), "the page forbids itself to fetch anything");
    for fetched in ["src=\"http", "href=\"http", "url(http", "@import", "fetch("] {
        assert!(!html.contains(fetched), "{fetched}");
    }
    let names: Vec<_> =
        std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["dead.html"], "nothing is left beside the page");
}

#[test]
fn several_traces_go_into_a_folder_and_not_into_one_page() {
    let dir = tempfile::tempdir().unwrap();
    let a = demo("death-first-hour-0005.csv.gz");
    let b = demo("bottom-rester-0008.csv.gz");
    let (a, b) = (a.to_str().unwrap(), b.to_str().unwrap());
    let file = dir.path().join("both.html");
    let run = swaymark(&["replay", a, b, "--report", file.to_str().unwrap()]);
    assert_eq!(run.status.code(), Some(2));
    assert!(text(&run.stderr).contains("give a folder"), "{}", text(&run.stderr));
    assert!(!file.exists());
    let folder = format!("{}/pages/", dir.path().display());
    let run = swaymark(&["replay", a, b, "--quiet", "--report", &folder]);
    assert!(run.status.success(), "{}", text(&run.stderr));
    for name in ["death-first-hour-0005.html", "bottom-rester-0008.html"] {
        assert!(Path::new(&folder).join(name).exists(), "{name}");
    }
    let run = swaymark(&["replay", a, a, "--report", &folder]);
    assert!(text(&run.stderr).contains("share the page"), "{}", text(&run.stderr));
}

#[test]
fn names_from_files_cannot_become_markup() {
    let dir = tempfile::tempdir().unwrap();
    let trace = dir.path().join("x.csv");
    let mut rows = String::from("t_s,ax_g,ay_g,az_g\n");
    for i in 0..2000 {
        rows += &format!("{:.2},0.01,{:.2},1.0\n", f64::from(i) / 25.0, f64::from(i % 25) / 100.0);
    }
    std::fs::write(&trace, rows).unwrap();
    let id = "</script><script>alert(1)</script>";
    std::fs::write(dir.path().join("x.toml"), format!("[deployment]\nid = \"{id}\"\n")).unwrap();
    let page = dir.path().join("x.html");
    let run = swaymark(&["replay", trace.to_str().unwrap(), "--report", page.to_str().unwrap()]);
    assert!(run.status.success(), "{}", text(&run.stderr));
    let html = std::fs::read_to_string(page).unwrap();
    assert!(!html.contains("<script>alert"));
    assert!(html.contains("What became of the animal cannot be told from this record."));
}

#[test]
fn a_place_that_cannot_be_written_to_is_told_and_leaves_nothing() {
    let trace = demo("bottom-rester-0008.csv.gz");
    let run = swaymark(&["replay", trace.to_str().unwrap(), "--report", "/nowhere/at/all.html"]);
    assert_eq!(run.status.code(), Some(2));
    assert!(text(&run.stderr).contains("/nowhere/at/all.html: cannot be written"));
}
