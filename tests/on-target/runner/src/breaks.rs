//! Checks of the checks: with one constant of one stage changed on the target
//! alone, the comparison must fail and name that stage, and a bound must fail and
//! say which; with a panic planted, the image must not link.

use std::fs;
use std::path::Path;

use crate::newcomer::copy_core;
use crate::target::{self, Build, TARGETS, here};
use crate::{check, measure};

/// Changes the value of `const NAME: ... = VALUE;` in a file of the core.
fn change(workspace: &Path, file: &str, name: &str, value: &str) -> Result<(), String> {
    let path = workspace.join("../../firmware-core/src").join(file);
    let text = fs::read_to_string(&path).map_err(|e| format!("{file}: {e}"))?;
    let from = text
        .find(&format!("const {name}:"))
        .ok_or_else(|| format!("{file} has no constant {name}; name another one in `breaks.rs`"))?;
    let equals = from + text[from..].find("= ").ok_or("no value")? + 2;
    let end = equals + text[equals..].find(';').ok_or("no end")?;
    let changed = format!("{}{value}{}", &text[..equals], &text[end..]);
    if changed == text {
        return Err(format!("{name} is {value} already"));
    }
    fs::write(&path, changed).map_err(|e| format!("{file}: {e}"))
}

fn must_fail(what: &str, result: Result<(), String>, said: &str) -> Result<(), String> {
    match result {
        Ok(()) => Err(format!("{what}: nothing failed")),
        Err(e) if e.contains(said) => {
            println!("{what}: fails as it must:\n  {}", e.replace('\n', "\n  "));
            Ok(())
        }
        Err(e) => Err(format!("{what}: failed, but without saying \"{said}\": {e}")),
    }
}

/// All three.
pub fn all() -> Result<(), String> {
    let target = TARGETS[0];
    let planted = target::build(target, &Build::of("proof", "planted")).map(|_| ());
    must_fail("a planted panic", planted, "a_panic_is_reachable")?;

    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let workspace = folder.path().join("tests/on-target");
    copy_core(&here().join("../.."), folder.path())?;
    change(&workspace, "signal/sway.rs", "NOISE_G2", "2.1e-4")?;
    let broken = |features| Build { workspace: workspace.clone(), binary: "image", features };
    let image = target::build(target, &broken(""))?;
    let traces: Vec<_> = check::short_traces().into_iter().take(6).collect();
    let want = check::expected(&traces)?;
    let compared = check::compare(
        target,
        &image,
        &|| target::build(target, &broken("inspect")),
        &traces,
        &want,
    );
    must_fail("one constant of `sway` changed", compared, "stage `sway` at sample")?;

    change(&workspace, "recovery.rs", "BINS", "200")?;
    let measured = measure::state_only(target, &workspace);
    must_fail("more bins in `recovery`", measured, "state of the detectors")
}
