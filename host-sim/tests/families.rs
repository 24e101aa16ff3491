//! `swaymark synth` with families, as a user meets it.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

fn synth(args: &[&str], dir: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_swaymark"));
    command.arg("synth").args(args).arg("--out").arg(dir).current_dir(dir);
    command.output().expect("it runs")
}

fn told(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn makes_many_in_order_and_the_same_for_any_number_of_jobs() {
    let (a, b) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let args = ["hard", "--seed", "3", "--count", "5", "--hours", "0.3"];
    let one = synth(&[&args[..], &["--jobs", "1"]].concat(), a.path());
    let many = synth(&[&args[..], &["--jobs", "4"]].concat(), b.path());
    assert!(one.status.success() && many.status.success(), "{}", told(&one.stderr));
    let names: Vec<String> = told(&one.stdout)
        .lines()
        .map(|l| Path::new(l).file_name().expect("a name").to_string_lossy().into_owned())
        .collect();
    let want: Vec<String> = (3..8).map(|n| format!("hard-{n:04}.csv")).collect();
    assert_eq!(names, want);
    for name in fs::read_dir(a.path()).expect("a folder").map(|e| e.expect("an entry").file_name())
    {
        let read = |dir: &Path| fs::read(dir.join(&name)).expect("a file");
        assert_eq!(read(a.path()), read(b.path()), "{name:?}");
    }
    let toml = fs::read_to_string(a.path().join("hard-0003.toml")).expect("a deployment file");
    assert!(
        toml.contains("family = \"hard\"") && toml.contains("\"animal.length_m\" = "),
        "{toml}"
    );
}

#[test]
fn a_family_of_ones_own_and_mistakes_in_it() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("bay-sharks.toml");
    fs::write(&file, "[family]\nlike = \"ram-death\"\n[animal]\nlength_m = 0.8\n")
        .expect("written");
    let out = synth(&["bay-sharks.toml", "--hours", "0.2", "--quiet"], dir.path());
    assert!(out.status.success() && out.stderr.is_empty(), "{}", told(&out.stderr));
    let toml = fs::read_to_string(dir.path().join("bay-sharks-0001.toml")).expect("a file");
    assert!(toml.contains("family = \"bay-sharks\"") && toml.contains("length_m = 0.80"), "{toml}");

    fs::write(&file, "[animal]\nlenght_m = 0.8\n").expect("written");
    let out = synth(&["bay-sharks.toml"], dir.path());
    assert_eq!(out.status.code(), Some(2));
    let said = told(&out.stderr);
    for want in ["bay-sharks.toml: line 2, column 1", "lenght_m", "animal.length_m"] {
        assert!(said.contains(want), "{want:?} not in {said}");
    }
    for (name, want) in [("hart", "did you mean hard?"), ("none.toml", "none.toml: cannot be read")]
    {
        let out = synth(&[name], dir.path());
        assert_eq!(out.status.code(), Some(2));
        assert!(told(&out.stderr).contains(want), "{}", told(&out.stderr));
    }
}

#[test]
fn says_when_seeds_are_for_judging_and_lists_what_there_is() {
    let dir = tempfile::tempdir().expect("a folder");
    let notice = "are for judging";
    let out = synth(&["ram-death", "--seed", "999", "--hours", "0.1"], dir.path());
    assert!(!told(&out.stderr).contains(notice), "{}", told(&out.stderr));
    let out = synth(&["ram-death", "--seed", "999", "--count", "2", "--hours", "0.1"], dir.path());
    assert!(told(&out.stderr).contains(notice), "{}", told(&out.stderr));
    let list = told(&synth(&[], dir.path()).stdout);
    for name in ["cruiser", "fault-dead-depth", "hard", "dangling", "tidal-rester"] {
        assert!(list.lines().any(|l| l.starts_with(name)), "{list}");
    }
    let described = told(&synth(&["dangling", "--describe"], dir.path()).stdout);
    assert!(described.contains("| `tag.dangles_from` | \"animal\" (50 %), \"snag\" (50 %) |"));
}
