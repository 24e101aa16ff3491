//! The two targets: how images are built for them and how they are run.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A target.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Target {
    /// Name in tables.
    pub name: &'static str,
    /// Rust's name.
    pub triple: &'static str,
    /// Machine of the emulator.
    pub machine: &'static str,
}

/// Cortex-M4F and Cortex-M0.
pub const TARGETS: [Target; 2] = [
    Target { name: "Cortex-M4F", triple: "thumbv7em-none-eabihf", machine: "mps2-an386" },
    Target { name: "Cortex-M0", triple: "thumbv6m-none-eabi", machine: "microbit" },
];

/// Folder of this workspace.
pub fn here() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().map(Path::to_path_buf).unwrap_or_default()
}

/// How to build: where the source lies and what to change.
#[derive(Clone, Debug)]
pub struct Build {
    /// Folder of the workspace to build.
    pub workspace: PathBuf,
    /// Binary.
    pub binary: &'static str,
    /// Features.
    pub features: &'static str,
}

impl Build {
    /// A binary of this workspace.
    pub fn of(binary: &'static str, features: &'static str) -> Self {
        Build { workspace: here(), binary, features }
    }
}

/// Cargo set up for a target: the one on the path with the target installed, or
/// Debian's, which builds `core` from its source package.
fn cargo(target: Target, folder: &Path) -> Command {
    let debian = std::env::var("ON_TARGET_TOOLCHAIN").as_deref() == Ok("debian");
    let mut command = if debian {
        let mut c = Command::new("/usr/bin/cargo");
        let linker = target.triple.to_uppercase().replace('-', "_");
        c.env("RUSTC", "/usr/bin/rustc")
            .env("RUSTC_BOOTSTRAP", "1")
            .env(format!("CARGO_TARGET_{linker}_LINKER"), "ld.lld")
            .env_remove("RUSTUP_TOOLCHAIN")
            .args(["build", "-Zbuild-std=core"]);
        c
    } else {
        let mut c = Command::new("cargo");
        c.arg("build");
        c
    };
    command.args(["--quiet", "--release", "--target", target.triple, "--target-dir"]).arg(folder);
    command
}

fn finish(mut command: Command, image: PathBuf) -> Result<PathBuf, String> {
    let output = command.output().map_err(|e| format!("cargo does not start: {e}"))?;
    if output.status.success() {
        Ok(image)
    } else {
        Err(String::from_utf8_lossy(&output.stderr).into_owned())
    }
}

/// Builds an image and gives its path; the error is what the compiler said.
pub fn build(target: Target, build: &Build) -> Result<PathBuf, String> {
    // The images' features exclude each other, so each has a folder of its own.
    let folder = build.workspace.join("target").join(if build.features.is_empty() {
        "images".to_owned()
    } else {
        format!("images-{}", build.features)
    });
    let mut command = cargo(target, &folder);
    command.current_dir(&build.workspace).args([
        "--package",
        "on-target-image",
        "--bin",
        build.binary,
    ]);
    if !build.features.is_empty() {
        command.args(["--features", build.features]);
    }
    // Everything that is logged, for the image that logs.
    command.env("DEFMT_LOG", "trace");
    finish(command, folder.join(target.triple).join("release").join(build.binary))
}

/// Builds a binary of another package of this workspace.
pub fn build_package(
    target: Target,
    package: &str,
    binary: &str,
    features: &str,
) -> Result<PathBuf, String> {
    let folder = here().join("target").join("images");
    let mut command = cargo(target, &folder);
    command.current_dir(here()).args(["--locked", "--package", package, "--bin", binary]);
    command.args(["--features", features]);
    finish(command, folder.join(target.triple).join("release").join(binary))
}

/// Builds a project of its own.
pub fn build_project(target: Target, project: &Path, binary: &str) -> Result<PathBuf, String> {
    let folder = project.join("target");
    let mut command = cargo(target, &folder);
    command.current_dir(project);
    finish(command, folder.join(target.triple).join("release").join(binary))
}

/// How to run an image.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As fast as the emulator can.
    Free,
    /// Every instruction takes the same time, so that time counts instructions.
    Counted,
}

/// Command that runs an image in a folder.
pub fn emulator(target: Target, image: &Path, folder: &Path, pace: Pace) -> Command {
    let mut command = Command::new("qemu-system-arm");
    command
        .current_dir(folder)
        .args(["-M", target.machine, "-nographic", "-monitor", "none", "-serial", "none"])
        .args(["-semihosting-config", "enable=on,target=native"])
        .arg("-kernel")
        .arg(image);
    if pace == Pace::Counted {
        command.args(["-icount", "shift=8"]);
    }
    command
}

/// A folder for one run, with its traces in it.
pub fn folder(traces: &[u8]) -> Result<tempfile::TempDir, String> {
    let folder = tempfile::tempdir().map_err(|e| format!("no temporary folder: {e}"))?;
    put_traces(folder.path(), traces)?;
    Ok(folder)
}

/// Puts other traces into a folder.
pub fn put_traces(folder: &Path, traces: &[u8]) -> Result<(), String> {
    fs::write(folder.join("traces.bin"), traces)
        .map_err(|e| format!("traces cannot be written: {e}"))
}

/// Runs an image in a folder.
pub fn emulate(target: Target, image: &Path, folder: &Path, pace: Pace) -> Result<(), String> {
    let output = emulator(target, image, folder, pace)
        .stdin(Stdio::null())
        .output()
        .map_err(|e| format!("qemu-system-arm does not start: {e}"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!(
        "the image on {} ended with {}: {}",
        target.machine,
        output.status,
        String::from_utf8_lossy(&output.stderr)
    ))
}

/// Runs an image in a folder and gives the results.
pub fn run_in(target: Target, image: &Path, folder: &Path, pace: Pace) -> Result<Vec<u8>, String> {
    emulate(target, image, folder, pace)?;
    fs::read(folder.join("results.bin")).map_err(|e| format!("no results: {e}"))
}

/// Runs an image over some traces and gives the results.
pub fn run(target: Target, image: &Path, traces: &[u8], pace: Pace) -> Result<Vec<u8>, String> {
    let folder = folder(traces)?;
    run_in(target, image, folder.path(), pace)
}
