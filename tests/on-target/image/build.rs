//! Puts the memory map of the target where the linker finds it.

use std::{env, fs, path::PathBuf};

fn main() {
    let target = env::var("TARGET").unwrap_or_default();
    // QEMU `mps2-an386` (4 MiB each), and `microbit` (256 KiB and 16 KiB).
    let (flash, ram) = if target.starts_with("thumbv7em") { (4096, 4096) } else { (256, 16) };
    let map = format!(
        "MEMORY\n{{\n  FLASH : ORIGIN = 0x00000000, LENGTH = {flash}K\n  \
         RAM : ORIGIN = 0x20000000, LENGTH = {ram}K\n}}\n"
    );
    let out = PathBuf::from(env::var("OUT_DIR").unwrap_or_default());
    fs::write(out.join("memory.x"), map).expect("the build folder can be written");
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    println!("cargo:rustc-link-arg-bins=--nmagic");
    if env::var_os("CARGO_FEATURE_LOG").is_some() {
        println!("cargo:rustc-link-arg-bins=-Tdefmt.x");
    }
    println!("cargo:rerun-if-changed=build.rs");
}
