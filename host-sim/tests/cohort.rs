//! `swaymark cohort` as a user meets it.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

const TABLE: &str = "id,fate,time_h,recovery_h,handling,hook
A1,alive,48.5,9.5,short,J
A2,alive,30,11,short,circle
A3,dead,2.25,,long,J
A4,detached,12,,long,circle
A5,undetermined,0.5,,short,J
A6,alive,40,14.25,,circle
";

fn cohort(dir: &Path, args: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_swaymark");
    Command::new(program).arg("cohort").args(args).current_dir(dir).output().unwrap()
}

fn stdout(out: &Output) -> String {
    String::from_utf8_lossy(&out.stdout).into_owned()
}

fn stderr(out: &Output) -> String {
    String::from_utf8_lossy(&out.stderr).into_owned()
}

fn bay() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("bay.csv"), TABLE).unwrap();
    dir
}

#[test]
fn nothing_is_dropped_and_everything_fits_the_terminal() {
    let dir = bay();
    let out = cohort(dir.path(), &["bay.csv"]);
    assert!(out.status.success(), "{}", stderr(&out));
    let text = stdout(&out);
    for want in [
        "6 deployments",
        "3 alive at the end, 1 came off alive, 1 died, 1 undetermined",
        "4 of 5, 80.0 %",
        "had all undetermined died      4 of 6, 66.7 %",
        "had all undetermined lived     5 of 6, 83.3 %",
        "A5                     undetermined",
        "(not given)",
        "Small numbers: 6 deployments and 1 death",
        "the chi-squared p is rough",
        "it is not a welfare decision",
    ] {
        assert!(text.contains(want), "{want:?} not in\n{text}");
    }
    for line in text.lines() {
        assert!(line.chars().count() <= 80 && line == line.trim_end(), "{line:?}");
    }
}

#[test]
fn the_table_comes_back_as_it_was_and_so_do_the_numbers() {
    let dir = bay();
    let first = cohort(dir.path(), &["bay.csv", "--format", "csv"]);
    fs::write(dir.path().join("again.csv"), &first.stdout).unwrap();
    let second = cohort(dir.path(), &["again.csv", "--format", "csv"]);
    let without_source = |text: String| -> Vec<String> {
        text.lines().map(|l| l.split(',').take(6).collect::<Vec<_>>().join(",")).collect()
    };
    assert_eq!(without_source(stdout(&first)), without_source(stdout(&second)));
    assert!(stdout(&first).contains("A3,dead,2.25,,long,J"), "{}", stdout(&first));
    let numbers = |name: &str| {
        let out = cohort(dir.path(), &[name, "--format", "json"]);
        let json: Value = serde_json::from_slice(&out.stdout).unwrap();
        (json["all"].clone(), json["by"].clone())
    };
    assert_eq!(numbers("bay.csv"), numbers("again.csv"));
}

#[test]
fn traces_json_and_tables_say_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-data");
    for name in ["death-first-hour-0005", "bottom-rester-0008"] {
        fs::copy(demo.join(format!("{name}.csv.gz")), dir.path().join(format!("{name}.csv.gz")))
            .unwrap();
        let mut toml = fs::read_to_string(demo.join(format!("{name}.toml"))).unwrap();
        let handling = if name.starts_with("death") { "long" } else { "short" };
        toml += &format!("\n[group]\nhandling = \"{handling}\"\nlines = 2\n");
        fs::write(dir.path().join(format!("{name}.toml")), toml).unwrap();
    }
    let by_trace = cohort(dir.path(), &[".", "--format", "csv", "--quiet"]);
    let table = stdout(&by_trace);
    assert!(table.starts_with("id,fate,time_h,recovery_h,handling,lines,source\n"), "{table}");
    let dead = table.lines().find(|l| l.starts_with("OSB-DFH-0005,dead,0.")).expect("dead");
    assert!(dead.contains(",long,2,"), "{dead}");
    let replayed = Command::new(env!("CARGO_BIN_EXE_swaymark"))
        .args(["replay", "--format", "json", "--quiet"])
        .args(["death-first-hour-0005.csv.gz", "bottom-rester-0008.csv.gz"])
        .current_dir(dir.path())
        .output()
        .unwrap();
    fs::write(dir.path().join("bay.jsonl"), replayed.stdout).unwrap();
    fs::write(
        dir.path().join("groups.csv"),
        "id,handling,lines\nOSB-DFH-0005,long,2\nOSB-BR-0008,short,2\nOSB-X,short,2\n",
    )
    .unwrap();
    let by_json = cohort(dir.path(), &["bay.jsonl", "--groups", "groups.csv", "--format", "csv"]);
    let first = |text: &str| -> Vec<String> {
        text.lines().map(|l| l.rsplit_once(',').unwrap().0.to_owned()).collect()
    };
    assert_eq!(first(&table), first(&stdout(&by_json)));
    assert!(stderr(&by_json).contains("1 ids that no deployment has, the first is OSB-X"));
    // The same deployment by two ways would count twice.
    let twice = cohort(dir.path(), &[".", "bay.jsonl", "--quiet"]);
    assert_eq!(twice.status.code(), Some(2));
    assert!(stderr(&twice).contains("occurs twice"), "{}", stderr(&twice));
}

#[test]
fn mistakes_are_told_with_row_column_and_a_suggestion() {
    let dir = bay();
    for (name, text, wanted) in [
        (
            "f.csv",
            "id,fate,time_h\nA,ded,3\n",
            &["row 2, column fate", "\"ded\"", "nearest: dead"][..],
        ),
        ("t.csv", "id,fate,time_h\nA,dead,-3\n", &["row 2, column time_h", "\"-3\""]),
        ("s.csv", "id,fate,time_h\nA,dead\n", &["row 2", "2 cells"]),
        ("j.json", "{\"trace\":\"x\"}", &["j.json: row 1, key fate"]),
        ("k.json", "{\"trace\":", &["k.json: row 1", "not JSON"]),
    ] {
        fs::write(dir.path().join(name), text).unwrap();
        let out = cohort(dir.path(), &[name, "bay.csv"]);
        assert_eq!(out.status.code(), Some(2), "{name}");
        for want in wanted {
            assert!(stderr(&out).contains(want), "{want:?} not in {}", stderr(&out));
        }
        // The others still count, and what is missing is told with the numbers.
        assert!(stdout(&out).contains("6 deployments"), "{}", stdout(&out));
        assert!(stdout(&out).contains("1 input could not be read"), "{}", stdout(&out));
    }
    let out = cohort(dir.path(), &["bay.csv", "--by", "handlin"]);
    assert!(stderr(&out).contains("nearest there is: handling"), "{}", stderr(&out));
    let out = cohort(dir.path(), &["nowhere"]);
    assert_eq!(out.status.code(), Some(2));
}

#[test]
fn the_page_tells_what_the_text_tells() {
    let dir = bay();
    let out = cohort(dir.path(), &["bay.csv", "--by", "handling", "--report", "bay.html"]);
    assert!(out.status.success(), "{}", stderr(&out));
    let page = fs::read_to_string(dir.path().join("bay.html")).unwrap();
    for want in
        ["4 of 5 animals of known fate", "The fate of 1 of 6 is undetermined", "By handling"]
    {
        assert!(page.contains(want), "{want}");
    }
    assert!(!page.contains("By hook"), "only what was asked for");
}
