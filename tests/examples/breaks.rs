//! Does the baseline notice? The on-tag code is broken on purpose in a copy of the
//! workspace, one break at a time, and held against the project's own baseline:
//!
//!     cargo run -p swaymark-tests --example breaks            # all, about 20 minutes
//!     cargo run -p swaymark-tests --example breaks -- pitch   # those named so
//!
//! A sign flipped, a filter corner moved by a fifth, a confirmation dropped: each must
//! name deployments. Formatting the code otherwise must be silent. The copy lies under
//! `target/breaks`; the project's own files are not touched.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

/// What is done to the copy.
enum Deed {
    /// In a file of the core, texts are replaced by others, each once.
    Replace(&'static str, &'static [[&'static str; 2]]),
    /// All files of the core formatted with other rules.
    Format,
    /// Nothing.
    None,
}

struct Break {
    name: &'static str,
    deed: Deed,
    hurts: bool,
}

const BREAKS: [Break; 9] = [
    Break { name: "as it is", deed: Deed::None, hurts: false },
    Break { name: "formatted otherwise", deed: Deed::Format, hurts: false },
    Break {
        name: "sign: pitch",
        deed: Deed::Replace(
            "signal/frame.rs",
            &[["math::atan2(x, math::sqrt(", "math::atan2(-x, math::sqrt("]],
        ),
        hurts: true,
    },
    Break {
        name: "sign: covariance of the sway axis",
        deed: Deed::Replace(
            "signal/sway.rs",
            &[["xy * x + yy * y + yz * z", "xy * x - yy * y + yz * z"]],
        ),
        hurts: true,
    },
    Break {
        // Its gain s (1 - s)^n, s = sin^2(pi / period), is greatest at s = 1/(n + 1); each sum
        // of neighbours is half a power. With five of eight of them that period is 0.825 of what
        // it was: the corners lie a fifth higher.
        name: "corner: band-pass of the beats + 20 %",
        deed: Deed::Replace(
            "beats/bandpass.rs",
            &[["sums(sums(sums(sums(v, p6), p7), p8), p9)", "sums(v.map(|y| y << 3), p6)"]],
        ),
        hurts: true,
    },
    Break {
        name: "corner: running mean of posture + 20 %",
        deed: Deed::Replace(
            "signal/posture.rs",
            &[["config.detector().static_window_s", "config.detector().static_window_s / 1.2"]],
        ),
        hurts: true,
    },
    Break {
        name: "confirmation: of the cause of release",
        deed: Deed::Replace(
            "release/decide.rs",
            &[["now_s.saturating_sub(since_s) < confirm_s", "confirm_s == u32::MAX"]],
        ),
        hurts: true,
    },
    Break {
        name: "confirmation: of the first rhythm",
        deed: Deed::Replace(
            "beats/choose.rs",
            &[["const UNKNOWN_S: f32 = 8.0", "const UNKNOWN_S: f32 = 0.0"]],
        ),
        hurts: true,
    },
    Break {
        name: "confirmation: of a pause by its length",
        deed: Deed::Replace(
            "fate/test.rs",
            &[["const LN_1000: f32 = 6.907_755", "const LN_1000: f32 = 13.8"]],
        ),
        hurts: true,
    },
];

fn main() -> ExitCode {
    let wanted: Vec<String> = std::env::args().skip(1).collect();
    let mut failed = false;
    for one in &BREAKS {
        if !wanted.is_empty() && !wanted.iter().any(|w| one.name.contains(w.as_str())) {
            continue;
        }
        match tried(one) {
            Ok(said) => println!("ok    {}\n{said}", one.name),
            Err(said) => {
                failed = true;
                println!("FAIL  {}\n{said}", one.name);
            }
        }
    }
    if failed { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

fn tried(one: &Break) -> Result<String, String> {
    let workspace = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let copy = workspace.join("target/breaks/copy");
    mirror(&workspace, &copy)?;
    let core = copy.join("firmware-core/src");
    do_to(&one.deed, &core)?;
    let out = Command::new(env!("CARGO"))
        .args(["test", "--quiet", "--locked", "-p", "swaymark-tests"])
        .args(["--test", "baseline", "--", "--nocapture"])
        .current_dir(&copy)
        // Its own: cargo takes a package of the copy for the one it was copied from.
        .env("CARGO_TARGET_DIR", workspace.join("target/breaks/target"))
        .env_remove("SWAYMARK_WRITE_BASELINE")
        .output()
        .map_err(|e| format!("cargo cannot be run: {e}"))?;
    let text = String::from_utf8_lossy(&out.stdout);
    let names = text.contains("deployments decided otherwise");
    let said: String = text
        .lines()
        .skip_while(|line| !line.contains("decided otherwise"))
        .take_while(|line| !line.contains("no_decision_has_changed"))
        .filter(|line| !line.trim().is_empty())
        .take(14)
        .map(|line| format!("        {line}\n"))
        .collect();
    if names == one.hurts && out.status.success() != one.hurts {
        return Ok(said);
    }
    let errors = String::from_utf8_lossy(&out.stderr);
    let last: Vec<&str> = errors.lines().rev().take(20).collect();
    let last: Vec<&str> = last.into_iter().rev().collect();
    Err(format!("{said}{}", last.join("\n")))
}

/// Makes `to` like `from`; a file that is alike already keeps its time, so that nothing
/// is built anew for it.
fn mirror(from: &Path, to: &Path) -> Result<(), String> {
    let told = |e| format!("{}: {e}", from.display());
    if from.is_file() {
        let bytes = fs::read(from).map_err(told)?;
        if fs::read(to).is_ok_and(|there| there == bytes) {
            return Ok(());
        }
        if let Some(parent) = to.parent() {
            fs::create_dir_all(parent).map_err(told)?;
        }
        return fs::write(to, bytes).map_err(told);
    }
    let names = |folder: &Path| -> Result<Vec<_>, String> {
        let entries = fs::read_dir(folder).map_err(told)?;
        entries.map(|entry| entry.map(|e| e.file_name()).map_err(told)).collect()
    };
    let wanted: Vec<_> = names(from)?
        .into_iter()
        .filter(|name| !["target", ".git"].iter().any(|left_out| name == left_out))
        .collect();
    // What is no longer there goes from the copy too.
    for name in names(to).unwrap_or_default().iter().filter(|name| !wanted.contains(name)) {
        let gone = to.join(name);
        if gone.is_dir() { fs::remove_dir_all(&gone) } else { fs::remove_file(&gone) }
            .map_err(told)?;
    }
    wanted.iter().try_for_each(|name| mirror(&from.join(name), &to.join(name)))
}

/// Does it to the sources in `core`.
fn do_to(deed: &Deed, core: &Path) -> Result<(), String> {
    match deed {
        Deed::None => Ok(()),
        Deed::Replace(file, pairs) => {
            let file = core.join(file);
            let text = fs::read_to_string(&file).map_err(|e| format!("{}: {e}", file.display()))?;
            let text = replaced(text, pairs).map_err(|e| format!("{}: {e}", file.display()))?;
            fs::write(&file, text).map_err(|e| format!("{}: {e}", file.display()))
        }
        Deed::Format => format(core),
    }
}

/// The text with each of the pairs' first replaced by its second.
fn replaced(text: String, pairs: &[[&str; 2]]) -> Result<String, String> {
    pairs.iter().try_fold(text, |text, [from, to]| {
        let there = text.contains(from).then(|| text.replacen(from, to, 1));
        there.ok_or_else(|| format!("has no {from:?} any more; name another break"))
    })
}

fn format(folder: &Path) -> Result<(), String> {
    let files: Vec<PathBuf> = fs::read_dir(folder)
        .map_err(|e| e.to_string())?
        .filter_map(|entry| entry.ok().map(|e| e.path()))
        .filter(|path| path.extension().is_some_and(|e| e == "rs"))
        .collect();
    let before = fs::read(&files[0]).map_err(|e| e.to_string())?;
    let status = Command::new("rustfmt")
        .args([
            "--edition",
            "2024",
            "--config",
            "max_width=60,hard_tabs=true,use_small_heuristics=Off",
        ])
        .args(&files)
        .status()
        .map_err(|e| format!("rustfmt cannot be run: {e}"))?;
    if !status.success() || fs::read(&files[0]).map_err(|e| e.to_string())? == before {
        return Err("rustfmt changed nothing".into());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Else a break goes stale unseen: running them all takes too long for every change.
    #[test]
    fn every_break_finds_its_place() {
        let core = Path::new(env!("CARGO_MANIFEST_DIR")).join("../firmware-core/src");
        for one in &BREAKS {
            if let Deed::Replace(file, pairs) = one.deed {
                let text = fs::read_to_string(core.join(file)).expect("a source of the core");
                let changed = replaced(text.clone(), pairs).expect(one.name);
                assert_ne!(text, changed, "{}", one.name);
            }
        }
    }
}
