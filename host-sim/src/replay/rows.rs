//! The rows of a trace, one after the other, read on this thread or on one ahead of it.

use std::panic;
use std::sync::mpsc;
use std::thread;

use crate::problem::Problem;
use crate::trace::{Row, TraceReader};

/// Rows read at a time: few enough to stay in the cache until they are taken.
const AT_HAND: usize = 256;
/// Rows handed from thread to thread at a time.
const ROWS: usize = 4096;
/// Lots of rows under way between the threads: memory stays the same for any length.
const LOTS: usize = 4;

/// Hands every row to `take`, on this thread; reads on another where `overlapped`.
///
/// # Errors
/// Damage met in the file, after the rows before it were handed over.
pub(super) fn each(
    reader: &mut TraceReader,
    overlapped: bool,
    mut take: impl FnMut(&Row),
) -> Result<(), Problem> {
    if !overlapped {
        let mut rows = Vec::with_capacity(AT_HAND);
        loop {
            let more = reader.read(&mut rows, AT_HAND);
            rows.iter().for_each(&mut take);
            rows.clear();
            if !more? {
                return Ok(());
            }
        }
    }
    let (send_full, full) = mpsc::channel();
    let (send_empty, empty) = mpsc::channel();
    for _ in 0..LOTS {
        // The receiver lives on this thread.
        let _ = send_empty.send(Vec::with_capacity(ROWS));
    }
    thread::scope(|scope| {
        let reading = scope.spawn(move || {
            // Ends early only where the taker panicked, which is told by its own thread.
            while let Ok(mut rows) = empty.recv() {
                let more = reader.read(&mut rows, ROWS);
                if send_full.send(rows).is_err() || !more? {
                    break;
                }
            }
            Ok(())
        });
        for mut rows in full {
            rows.iter().for_each(&mut take);
            rows.clear();
            // The reader has gone after the last lot.
            let _ = send_empty.send(rows);
        }
        drop(send_empty);
        reading.join().unwrap_or_else(|panicked| panic::resume_unwind(panicked))
    })
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;
    use std::io::Cursor;

    use super::*;
    use crate::trace::ReadOptions;

    fn rows(text: &str, overlapped: bool) -> (Vec<Row>, Option<String>) {
        let source = Box::new(Cursor::new(text.as_bytes().to_vec()));
        let mut reader =
            TraceReader::from_source("t.csv", source, &ReadOptions::default()).unwrap();
        let mut got = Vec::new();
        let ended = each(&mut reader, overlapped, |row| got.push(*row));
        (got, ended.err().map(|problem| problem.to_string()))
    }

    #[test]
    fn read_ahead_or_not_the_rows_are_the_same() {
        let mut text = String::from("t_s;ax_g;ay_g;az_g;depth_m\n");
        for n in 0..3 * ROWS {
            let (t, x) = (n as f64 / 25.0, (n as f64).sin());
            writeln!(text, "{t:.2};{x:.4};0.5;1.{n};").unwrap();
        }
        let (plain, none) = rows(&text, false);
        assert_eq!((plain.len(), none), (3 * ROWS, None));
        assert_eq!(rows(&text, true), (plain.clone(), None));
        // A decimal comma that comes late: what was read before is handed over.
        text += "9999;0,5;0.5;1.0;\n";
        for overlapped in [false, true] {
            let (got, problem) = rows(&text, overlapped);
            assert_eq!(got, plain);
            let line = 3 * ROWS + 2;
            assert!(problem.unwrap().contains(&format!("row {line}, column ax_g: decimal commas")));
        }
    }

    #[test]
    #[should_panic(expected = "planted")]
    fn a_panic_of_the_taker_is_passed_on() {
        let mut text = String::from("t_s,ax_g,ay_g,az_g\n");
        (0..9 * ROWS).for_each(|n| writeln!(text, "{n},0.{n},0.5,1").unwrap());
        let source = Box::new(Cursor::new(text.into_bytes()));
        let mut reader =
            TraceReader::from_source("t.csv", source, &ReadOptions::default()).unwrap();
        let _ = each(&mut reader, true, |row| assert!(row.line < 5000, "planted"));
    }
}
