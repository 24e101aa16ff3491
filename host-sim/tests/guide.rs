//! `docs/guide.md` cannot go stale: each command in it is run, and gives what stands
//! there. `SWAYMARK_WRITE_DOCS=1` writes what they give now.

use std::path::Path;
use std::process::Command;

/// Runs a command as a reader would, in `dir`: its output, or where it fails, what it
/// says on standard error.
fn run(command: &str, dir: &Path) -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_swaymark")).parent().expect("a folder");
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap_or_default());
    let out = Command::new("sh")
        .args(["-c", command])
        .current_dir(dir)
        .env("PATH", path)
        .env("NO_COLOR", "1")
        .output()
        .expect("a shell");
    let (stdout, stderr) =
        (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    assert!(!stderr.contains("internal error"), "{command}: {stderr}");
    let told = if out.status.success() { &stdout } else { &stderr };
    assert!(!out.status.success() || stderr.is_empty(), "{command}: {stderr}");
    let lines: Vec<&str> = told.lines().map(str::trim_end).collect();
    lines.join("\n").trim_end().to_owned()
}

/// The text of a block with the outputs as they are now.
fn renewed(block: &str, dir: &Path) -> String {
    let mut out = String::new();
    let mut lines = block.lines().peekable();
    while let Some(line) = lines.next() {
        let Some(first) = line.strip_prefix("$ ") else { continue };
        out += &format!("{line}\n");
        let mut command = first.to_owned();
        while let Some(more) = lines.next_if(|l| l.starts_with('>')) {
            out += &format!("{more}\n");
            command += "\n";
            command += more.strip_prefix("> ").unwrap_or("");
        }
        let given = run(&command, dir);
        if !given.is_empty() {
            out += &format!("{given}\n");
        }
    }
    out
}

#[test]
fn every_command_of_the_guide_gives_what_stands_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let guide = root.join("docs/guide.md");
    let dir = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::symlink(
        root.join("demo-data").canonicalize().expect("there"),
        dir.path().join("demo-data"),
    )
    .expect("a link");
    let text = std::fs::read_to_string(&guide).expect("the guide");
    let mut now = String::new();
    let mut rest = text.as_str();
    while let Some((before, after)) = rest.split_once("```console\n") {
        let (block, after) = after.split_once("```\n").expect("the block ends");
        now += &format!("{before}```console\n{}```\n", renewed(block, dir.path()));
        rest = after;
    }
    now += rest;
    if std::env::var_os("SWAYMARK_WRITE_DOCS").is_some() {
        std::fs::write(&guide, now).expect("written");
        return;
    }
    for (n, (a, b)) in text.lines().zip(now.lines()).enumerate() {
        assert_eq!(a, b, "docs/guide.md, line {}", n + 1);
    }
    assert_eq!(text.lines().count(), now.lines().count());
    assert!(now.lines().filter(|l| l.starts_with("$ swaymark")).count() >= 10);
    for line in now.lines().filter(|l| !l.starts_with('|')) {
        assert!(line.chars().count() <= 100, "{line}");
    }
}
