//! Reads a CSV file with the bare `csv` crate and counts its records: the floor that
//! `tests/reference/speed.py` holds a replay against.

use std::process::ExitCode;

fn main() -> ExitCode {
    let Some(path) = std::env::args_os().nth(1) else {
        eprintln!("usage: bare_csv TRACE.csv");
        return ExitCode::FAILURE;
    };
    match count(&path) {
        Ok(rows) => println!("{rows}"),
        Err(e) => {
            eprintln!("{}: {e}", path.to_string_lossy());
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

fn count(path: &std::ffi::OsStr) -> Result<u64, csv::Error> {
    let mut csv = csv::Reader::from_path(path)?;
    let mut record = csv::ByteRecord::new();
    let mut rows = 0;
    while csv.read_byte_record(&mut record)? {
        rows += 1;
    }
    Ok(rows)
}
