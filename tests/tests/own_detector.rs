//! `docs/own-detector.md`, followed to the letter: a crate outside the repository, made from the
//! blocks of the page alone, whose detector goes through every command that the page gives.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

const ROOT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/..");
/// F1 of the example detector against the truth, at least.
const F1_LEAST: f64 = 0.9;

fn page() -> String {
    fs::read_to_string(Path::new(ROOT).join("docs/own-detector.md")).expect("the page")
}

/// The block of code that follows the line that begins with the name of a file.
fn block<'a>(page: &'a str, name: &str) -> &'a str {
    let from = page.find(&format!("\n`{name}`")).unwrap_or_else(|| panic!("no `{name}` shown"));
    let open = from + page[from..].find("```").expect("a block");
    let start = open + page[open..].find('\n').expect("a block") + 1;
    let end = start + page[start..].find("\n```").expect("an end") + 1;
    &page[start..end]
}

/// Every command of the page, in order.
fn commands(page: &str) -> Vec<&str> {
    let blocks = page.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap_or(""));
    blocks.flat_map(str::lines).collect()
}

/// The crate of the page, in a folder of its own.
struct Crate {
    folder: tempfile::TempDir,
}

impl Crate {
    fn made(page: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let root = fs::canonicalize(ROOT).expect("the repository");
        let root = root.to_str().expect("a path in UTF-8");
        fs::create_dir(folder.path().join("src")).expect("a folder");
        for name in ["Cargo.toml", "src/lib.rs", "src/main.rs", "bounds.toml", "grid.toml"] {
            let text = block(page, name).replace("/path/to/swaymark", root);
            fs::write(folder.path().join(name), text).expect("written");
        }
        // The versions that are there already; nothing is fetched.
        fs::copy(Path::new(root).join("Cargo.lock"), folder.path().join("Cargo.lock"))
            .expect("a lock file");
        Crate { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Builds it, as the first command of the page would, and keeps the program: what changes
    /// in the repository meanwhile changes nothing here.
    fn build(&self) {
        // Beside the workspace's own, with its profile, so that what both need is there.
        let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().expect("a folder");
        let output = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
            .args(["build", "--quiet", "--offline"])
            .current_dir(self.folder.path())
            .env("CARGO_TARGET_DIR", target)
            .env("CARGO_PROFILE_DEV_DEBUG", "line-tables-only")
            // A build that was broken off leaves no halves behind.
            .env("CARGO_INCREMENTAL", "0")
            .output()
            .expect("cargo runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let program = format!("my-shakes{}", std::env::consts::EXE_SUFFIX);
        let built = target.join("debug").join(&program);
        fs::copy(built, self.path(&program)).expect("the program");
    }

    /// Runs a command of the page: exit status, standard output and standard error.
    fn run(&self, command: &str) -> (Option<i32>, String, String) {
        let rest = command.strip_prefix("cargo run --quiet -- ");
        let words = rest.unwrap_or_else(|| panic!("{command}: is not run by cargo"));
        let program = self.path(&format!("my-shakes{}", std::env::consts::EXE_SUFFIX));
        let output = Command::new(program)
            .args(words.split_whitespace())
            .current_dir(self.folder.path())
            .output()
            .expect("the program runs");
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
        (output.status.code(), text(output.stdout), text(output.stderr))
    }

    /// Runs a command that is to end well; gives standard output.
    fn done(&self, command: &str) -> String {
        let (code, out, error) = self.run(command);
        assert_eq!(code, Some(0), "{command}: {error}\n{out}");
        out
    }
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

#[test]
fn the_page_shows_the_example_and_it_is_short() {
    let page = page();
    for name in ["src/lib.rs", "src/main.rs"] {
        let path = Path::new(ROOT).join("tests/examples/head-shake").join(name);
        let text = fs::read_to_string(path).expect("the example");
        assert!(
            block(&page, name) == text,
            "docs/own-detector.md: {name} differs from the example"
        );
    }
    assert!(block(&page, "src/lib.rs").lines().count() < 80);
    assert!(block(&page, "src/main.rs").lines().count() <= 10);
}

#[test]
fn a_crate_of_the_page_alone_goes_through_every_command() {
    let page = page();
    let made = Crate::made(&page);
    made.build();
    let commands = commands(&page);
    let mut seen = Vec::new();
    let mut told = None;
    for command in &commands {
        let out = made.done(command);
        let word = command.split_whitespace().nth(4).unwrap_or_default();
        let has = |option: &str| command.split_whitespace().any(|word| word == option);
        seen.push(word);
        match word {
            "synth" => {
                let truth = fs::read_to_string(made.path("bay/head-shaker-0001.truth.csv"));
                let shakes = truth.expect("truth").matches(",head_shake,").count();
                assert!(shakes >= 8, "{shakes}");
            }
            "replay" if has("json") => {
                let own = json(&out)["own"].as_array().expect("own events").len();
                assert!(own >= 8, "{own}");
                assert!(out.contains("\"own\":[{\"event\":\"head_shake\",\"t_s\":"));
                told = Some(own);
            }
            "replay" if has("--report") => {
                let html = fs::read_to_string(made.path("shakes.html")).expect("a page");
                assert!(html.contains("Own events") && html.contains("\"what\":\"head_shake\""));
            }
            "replay" if has("--image") => assert!(made.path("shakes.flash").is_file()),
            "replay" => assert!(out.contains("\nOwn events  head_shake "), "{out}"),
            "score" if has("json") => {
                let summary = json(&out);
                let of = |key: &str| summary["all"]["statistics"][key]["value"].as_f64().unwrap();
                assert!(of("head_shake_f1") >= F1_LEAST, "{}", of("head_shake_f1"));
                assert!(of("head_shake_mean_error_s").abs() < 0.5);
                assert_eq!(summary["bounds"][0]["kept"], Value::Bool(true));
            }
            "score" => assert!(out.contains("  head_shake_f1 "), "{out}"),
            "sweep" => {
                let table = fs::read_to_string(made.path("shakes.csv")).expect("a table");
                let second = events_of_second(&made);
                swept(&table, &out, told.unwrap_or_default() + second);
            }
            "compare" if has("--accept") => {
                let baseline = fs::read_to_string(made.path("bay.baseline")).expect("a baseline");
                assert!(baseline.contains("\"own\":{\"head_shake\":{\"count\":"), "{baseline}");
                assert!(baseline.contains("\"head_shake.least_g\":0.3"), "{baseline}");
            }
            "compare" => assert_eq!(out, ""),
            "unpack" => {
                let own = json(&out)["own"].clone();
                let own = own.as_array().expect("own events");
                assert_eq!(Some(own.len()), told);
                assert!(own[0]["peak_g"].as_f64().is_some_and(|g| g > 0.3), "{}", own[0]);
                let table = fs::read_to_string(made.path("tables/shakes.own.head_shake.csv"));
                let table = table.expect("a table");
                assert!(table.starts_with("t_s,swings,peak_g\n"), "{table}");
                assert_eq!(Some(table.lines().count() - 1), told);
            }
            other => panic!("a command that is not checked: {other}"),
        }
    }
    for word in ["synth", "replay", "score", "sweep", "compare", "unpack"] {
        assert!(seen.contains(&word), "the page does not show {word}");
    }
    other_settings_and_wrong_ones(&made, &page);
}

/// Events that a replay of the second trace reports.
fn events_of_second(made: &Crate) -> usize {
    let out = made.done("cargo run --quiet -- replay bay/head-shaker-0002.csv --format json");
    json(&out)["own"].as_array().expect("own events").len()
}

/// Twelve combinations, of which the stricter ones report less.
fn swept(csv: &str, out: &str, replayed: usize) {
    let mut table = csv::Reader::from_reader(csv.as_bytes());
    let head = table.headers().expect("a head").clone();
    let column =
        |name: &str| head.iter().position(|h| h == name).unwrap_or_else(|| panic!("{name}"));
    let (f1, count) = (column("head_shake_f1"), column("head_shake_count"));
    let (g, swings) = (column("head_shake.least_g"), column("head_shake.least_swings"));
    let rate = column("rate_hz");
    let rows: Vec<Vec<f64>> = table
        .records()
        .map(|row| {
            let row = row.expect("a row");
            [rate, g, swings, f1, count].iter().map(|c| row[*c].parse().unwrap()).collect()
        })
        .collect();
    assert_eq!(rows.len(), 12);
    let of = |want: [f64; 3]| {
        let row = rows.iter().find(|r| r[..3] == want).unwrap_or_else(|| panic!("{want:?}"));
        (row[3], row[4])
    };
    let (f1, count) = of([25.0, 0.3, 4.0]);
    assert!(f1 >= F1_LEAST, "{f1}");
    assert_eq!(count, replayed as f64, "at the defaults the tags of a sweep report what one does");
    assert!(of([25.0, 0.6, 6.0]).1 < count, "a stricter one reports less");
    assert!(out.contains("head_shake.least_g 0.6"), "{out}");
}

/// A setting of the deployment file counts and is checked; a changed set of events is named.
fn other_settings_and_wrong_ones(made: &Crate, page: &str) {
    let at = page.find("[detector.head_shake]\nleast_g = 0.4").expect("a setting on the page");
    let table = page[at..].split("```").next().unwrap_or_default();
    let path = made.path("bay/head-shaker-0001.toml");
    let before = fs::read_to_string(&path).expect("a deployment file");
    let compare = "cargo run --quiet -- compare bay.baseline bay";
    fs::write(&path, format!("{before}\n{table}")).expect("written");
    assert!(matches!(made.run(compare).0, Some(0 | 1)));
    fs::write(&path, format!("{before}\n{}", table.replace("0.4", "1.0"))).expect("written");
    let (code, out, _) = made.run(compare);
    assert_eq!(code, Some(1), "{out}");
    assert!(out.contains("own events        head_shake "), "{out}");
    for (from, to, want) in [
        ("0.4", "9", "head_shake.least_g must lie between 0.05 and 4, got 9"),
        ("least_g", "leat_g", "nearest known key: least_g"),
        ("head_shake", "tail_slap", "no detector \"tail_slap\" in this program"),
    ] {
        fs::write(&path, format!("{before}\n{}", table.replace(from, to))).expect("written");
        let (code, _, error) =
            made.run("cargo run --quiet -- replay bay/head-shaker-0001.csv --quiet");
        assert_eq!(code, Some(2));
        assert!(error.contains(want), "{error}");
    }
}
