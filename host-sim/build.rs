//! Gives the program a fingerprint of its own sources, so that results kept in files
//! can be told from those of other code.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

fn main() -> io::Result<()> {
    let core = fingerprint(&["../firmware-core/src"])?;
    let all = fingerprint(&["../firmware-core/src", "src"])?;
    println!("cargo::rustc-env=SWAYMARK_CORE_SOURCES={core}");
    println!("cargo::rustc-env=SWAYMARK_ALL_SOURCES={all}");
    Ok(())
}

/// Hash of the names and contents of all sources under `folders`.
fn fingerprint(folders: &[&str]) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    for folder in folders {
        println!("cargo::rerun-if-changed={folder}");
        let mut files = Vec::new();
        collect(Path::new(folder), &mut files)?;
        files.sort();
        for file in files {
            let text = fs::read_to_string(&file)?.replace("\r\n", "\n");
            hasher.update(file.to_string_lossy().as_bytes());
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        }
    }
    Ok(hasher.finalize().to_hex()[..16].to_owned())
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            collect(&path, files)?;
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    Ok(())
}
