//! What a terminal shows: help with an example, 80 columns, completions, manual pages.

use std::process::{Command, Output};

const COMMANDS: [&str; 10] = [
    "budget",
    "cohort",
    "compare",
    "completions",
    "man",
    "replay",
    "score",
    "sweep",
    "synth",
    "unpack",
];

fn swaymark(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark"))
        .args(args)
        .env_remove("NO_COLOR")
        .output()
        .expect("it runs")
}

fn told(args: &[&str]) -> String {
    let out = swaymark(args);
    assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).expect("UTF-8")
}

#[test]
fn every_help_has_an_example_and_fits_80_columns() {
    let whole = told(&["--help"]);
    for command in COMMANDS {
        assert!(whole.contains(&format!("\n  {command} ")), "{command} is listed");
        for help in ["--help", "-h"] {
            let text = told(&[command, help]);
            assert!(text.contains("Example"), "{command} {help}");
            assert!(text.contains(&format!("swaymark {command}")), "{command} {help}");
            for line in text.lines() {
                assert!(line.chars().count() <= 80, "{command}: {line}");
                assert!(!line.contains('\u{1b}'), "colour without a terminal: {line:?}");
            }
        }
    }
    let listed = whole.lines().filter(|l| l.starts_with("  ") && l.chars().nth(2) != Some(' '));
    let listed = listed.filter(|l| !l.trim_start().starts_with('-')).count();
    assert_eq!(listed, COMMANDS.len() + 1, "a new command belongs into this test:\n{whole}");
}

#[test]
fn completions_name_every_command() {
    for shell in ["bash", "fish", "zsh", "elvish", "powershell"] {
        let script = told(&["completions", shell]);
        for command in COMMANDS {
            assert!(script.contains(command), "{shell}: {command}");
        }
        assert!(script.contains("report"), "{shell}");
    }
}

#[test]
fn manual_pages_are_written_for_every_command() {
    let dir = tempfile::tempdir().expect("a folder");
    let out = dir.path().join("man1");
    told(&["man", "--out", out.to_str().expect("a name")]);
    for command in COMMANDS {
        let page = std::fs::read_to_string(out.join(format!("swaymark-{command}.1")));
        let page = page.unwrap_or_else(|e| panic!("{command}: {e}"));
        assert!(page.starts_with(".ie") || page.contains(".TH"), "{command}");
        assert!(page.contains("EXTRA") || page.contains("Example"), "{command}");
    }
    assert!(told(&["man"]).contains(".TH"));
}

#[test]
fn errors_fit_and_point_at_the_key() {
    let dir = tempfile::tempdir().expect("a folder");
    let trace = dir.path().join("a.csv");
    std::fs::write(&trace, "t_s,ax_g,ay_g,az_g\n0,0,0,1\n0.1,0,0,1\n").expect("written");
    std::fs::write(dir.path().join("a.toml"), "[release]\nflor_h = 3\n").expect("written");
    let out = swaymark(&["replay", trace.to_str().expect("a name")]);
    assert_eq!(out.status.code(), Some(2));
    let text = String::from_utf8_lossy(&out.stderr);
    assert!(text.contains("flor_h") && text.contains("floor_h"), "{text}");
    assert!(!text.contains('\u{1b}'), "colour without a terminal: {text:?}");
}
