//! Reads the committed reference values.

use serde::de::DeserializeOwned;
use std::path::PathBuf;

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("reference/data").join(name)
}

/// Rows of a committed table.
///
/// # Panics
/// Where the file is missing or does not read as `T`.
pub fn rows<T: DeserializeOwned>(name: &str) -> Vec<T> {
    let mut reader = csv::Reader::from_path(path(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
    reader.deserialize().map(|row| row.unwrap_or_else(|e| panic!("{name}: {e}"))).collect()
}

/// A committed JSON file.
///
/// # Panics
/// Where the file is missing or does not read as `T`.
pub fn json<T: DeserializeOwned>(name: &str) -> T {
    let text = std::fs::read_to_string(path(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{name}: {e}"))
}
