//! Files of the runner, read and written whole.

use std::fs;
use std::path::Path;

use serde::Deserialize;

use crate::target::here;

/// A TOML file beside the runner.
pub fn read<T: for<'a> Deserialize<'a>>(name: &str) -> Result<T, String> {
    let path = here().join(name);
    let text = fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    toml::from_str(&text).map_err(|e| format!("{}: {e}", path.display()))
}

/// Written beside first, then renamed.
pub fn write(path: &Path, text: &str) -> Result<(), String> {
    let part = path.with_extension("part");
    fs::write(&part, text)
        .and_then(|()| fs::rename(&part, path))
        .map_err(|e| format!("{}: {e}", path.display()))
}
