//! Puts the memory map of the target where the linker finds it.

use std::{env, fs, path::PathBuf};

fn main() {
    // QEMU `mps2-an386` (4 MiB each), and the nRF52840 (1 MiB and 256 KiB; the last 96 KiB of the flash
    // hold log and copies).
    let real = env::var_os("CARGO_FEATURE_NRF52840").is_some();
    let (flash, ram) = if real { (928, 256) } else { (4096, 4096) };
    let map = format!(
        "MEMORY\n{{\n  FLASH : ORIGIN = 0x00000000, LENGTH = {flash}K\n  \
         RAM : ORIGIN = 0x20000000, LENGTH = {ram}K\n}}\n"
    );
    let out = PathBuf::from(env::var("OUT_DIR").unwrap_or_default());
    fs::write(out.join("memory.x"), map).expect("the build folder can be written");
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    println!("cargo:rustc-link-arg-bins=--nmagic");
    println!("cargo:rerun-if-changed=build.rs");
}
