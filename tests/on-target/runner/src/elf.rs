//! Sizes of an image.

use std::fs;
use std::path::Path;

use object::{Object, ObjectSection, ObjectSymbol, SectionFlags};

/// Start of memory on both targets.
const RAM: u64 = 0x2000_0000;

/// Bytes of an image by kind.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sizes {
    /// Code, constants and first values: what lies in flash.
    pub flash: u64,
    /// Memory with a fixed place.
    pub ram: u64,
    /// The tag's state.
    pub tag: u64,
}

/// Size of the variable of this name.
pub fn symbol(image: &Path, name: &str) -> Result<u64, String> {
    let data = fs::read(image).map_err(|e| format!("{}: {e}", image.display()))?;
    let file = object::File::parse(&*data).map_err(|e| e.to_string())?;
    let found = file
        .symbols()
        .find(|s| s.address() >= RAM && s.name().is_ok_and(|n| n.contains(name)) && s.size() > 0);
    found.map(|s| s.size()).ok_or_else(|| format!("{}: no variable {name}", image.display()))
}

/// Reads the sizes of an image.
pub fn sizes(image: &Path) -> Result<Sizes, String> {
    let data = fs::read(image).map_err(|e| format!("{}: {e}", image.display()))?;
    let file = object::File::parse(&*data).map_err(|e| e.to_string())?;
    let mut sizes = Sizes::default();
    for section in file.sections() {
        let SectionFlags::Elf { sh_flags } = section.flags() else { continue };
        if sh_flags & u64::from(object::elf::SHF_ALLOC) == 0 {
            continue;
        }
        if section.address() >= RAM {
            sizes.ram += section.size();
            // First values of variables lie in flash too.
            if section.name() == Ok(".data") {
                sizes.flash += section.size();
            }
        } else {
            sizes.flash += section.size();
        }
    }
    let tag = file
        .symbols()
        .find(|s| s.address() >= RAM && s.name().is_ok_and(|n| n.contains("TAG")) && s.size() > 0);
    sizes.tag = tag.map_or(0, |s| s.size());
    Ok(sizes)
}
