//! Follows `docs/porting.md` to the letter: makes the project that it shows,
//! builds it for both targets and runs it on the emulated board.

use std::fs;
use std::path::Path;

use crate::target::{self, Pace, TARGETS, here};

/// Longest example allowed, lines.
const LINES_MAX: usize = 80;

/// The block of code that follows the line that names a file.
fn block(page: &str, name: &str) -> Result<String, String> {
    let from = page
        .find(&format!("\n`{name}`"))
        .ok_or_else(|| format!("docs/porting.md shows no `{name}`"))?;
    let rest = &page[from..];
    let open = rest.find("```").ok_or("a block is not opened")?;
    let start = open + rest[open..].find('\n').ok_or("a block is not opened")? + 1;
    let end = start + rest[start..].find("\n```").ok_or("a block is not closed")? + 1;
    Ok(rest[start..end].to_owned())
}

/// Makes, builds and runs the project.
pub fn all() -> Result<(), String> {
    let root = here().join("../..");
    let page = fs::read_to_string(root.join("docs/porting.md"))
        .map_err(|e| format!("docs/porting.md: {e}"))?;
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let project = folder.path().join("my-tag");
    let io = |what: &str, result: std::io::Result<()>| result.map_err(|e| format!("{what}: {e}"));
    io("project", fs::create_dir_all(project.join("src")))?;
    io("project", fs::create_dir_all(project.join(".cargo")))?;
    for name in ["Cargo.toml", ".cargo/config.toml", "memory.x", "build.rs", "src/main.rs"] {
        let text = block(&page, name)?;
        if name == "src/main.rs" && text.lines().count() >= LINES_MAX {
            return Err(format!("the example has {} lines", text.lines().count()));
        }
        io(name, fs::write(project.join(name), text))?;
    }
    copy_folder(&here().join("newcomer"), &project.join("board"))?;
    copy_core(&root, &folder.path().join("swaymark"))?;
    for target in TARGETS {
        let image = target::build_project(target, &project, "my-tag")?;
        let folder = target::folder(&[])?;
        target::emulate(target, &image, folder.path(), Pace::Free)?;
        println!(
            "{}: the project of docs/porting.md builds, runs and counts its beats",
            target.name
        );
    }
    Ok(())
}

/// Copies what a build of the core needs.
pub fn copy_core(root: &Path, to: &Path) -> Result<(), String> {
    fs::create_dir_all(to).map_err(|e| e.to_string())?;
    for name in ["Cargo.toml", "Cargo.lock"] {
        fs::copy(root.join(name), to.join(name)).map_err(|e| format!("{name}: {e}"))?;
    }
    for name in ["firmware-core", "host-sim", "tests"] {
        copy_folder(&root.join(name), &to.join(name))?;
    }
    Ok(())
}

/// Copies a folder, leaving out what was built.
pub fn copy_folder(from: &Path, to: &Path) -> Result<(), String> {
    let say = |e: std::io::Error| format!("{}: {e}", from.display());
    fs::create_dir_all(to).map_err(say)?;
    for entry in fs::read_dir(from).map_err(say)? {
        let entry = entry.map_err(say)?;
        if entry.file_name() == "target" {
            continue;
        }
        let into = to.join(entry.file_name());
        if entry.file_type().map_err(say)?.is_dir() {
            copy_folder(&entry.path(), &into)?;
        } else {
            fs::copy(entry.path(), into).map_err(say)?;
        }
    }
    Ok(())
}
