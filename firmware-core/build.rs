//! A number for this very program: a hash of its source. Copies of the state made by another program
//! are not taken up, and a log says which one wrote it.

use std::path::{Path, PathBuf};
use std::{env, fs, io};

fn sources(dir: &Path, into: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(dir)? {
        let path = entry?.path();
        if path.is_dir() {
            sources(&path, into)?;
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            into.push(path);
        }
    }
    Ok(())
}

fn main() -> io::Result<()> {
    let mut paths = Vec::new();
    sources(Path::new("src"), &mut paths)?;
    paths.sort();
    // FNV-1a, 32 bits (Fowler, Noll & Vo; memory); ends of lines count alike everywhere.
    let mut hash: u32 = 0x811C_9DC5;
    for path in &paths {
        for byte in fs::read(path)?.into_iter().filter(|byte| *byte != b'\r') {
            hash = (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193);
        }
    }
    let out = PathBuf::from(env::var_os("OUT_DIR").unwrap_or_default());
    fs::write(out.join("program.rs"), format!("{hash:#010x}_u32\n"))?;
    println!("cargo:rerun-if-changed=src");
    Ok(())
}
