//! The rows of a trace, one after the other, read on this thread or on one ahead of it.

use std::panic;
use std::sync::mpsc;
use std::thread;

use crate::problem::Problem;
use crate::trace::{Rows, TraceReader};

/// Rows read at a time: few enough to stay in the cache until they are taken.
const AT_HAND: usize = 512;
/// Rows handed from thread to thread at a time.
const LOT: usize = 4096;
/// Lots of rows under way between the threads: memory stays the same for any length.
const LOTS: usize = 4;

/// Hands all rows to `take`, a lot at a time, on this thread; reads on another where
/// `overlapped`. `sample_us`: as for [`Rows::new`].
///
/// # Errors
/// Damage met in the file, after the rows before it were handed over.
pub(super) fn each(
    reader: &mut TraceReader,
    overlapped: bool,
    sample_us: u32,
    mut take: impl FnMut(&Rows),
) -> Result<(), Problem> {
    if !overlapped {
        let mut rows = Rows::new(sample_us, AT_HAND);
        loop {
            let more = reader.read(&mut rows, AT_HAND);
            take(&rows);
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
        let _ = send_empty.send(Rows::new(sample_us, LOT));
    }
    thread::scope(|scope| {
        let reading = scope.spawn(move || {
            // Ends early only where the taker panicked, which is told by its own thread.
            while let Ok(mut rows) = empty.recv() {
                let more = reader.read(&mut rows, LOT);
                if send_full.send(rows).is_err() || !more? {
                    break;
                }
            }
            Ok(())
        });
        for mut rows in full {
            take(&rows);
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
    use crate::trace::{ReadOptions, Row};

    fn rows(text: &str, overlapped: bool) -> (Vec<Row>, Option<String>) {
        let source = Box::new(Cursor::new(text.as_bytes().to_vec()));
        let mut reader =
            TraceReader::from_source("t.csv", source, &ReadOptions::default()).unwrap();
        let mut got = Vec::new();
        let ended = each(&mut reader, overlapped, 40_000, |lot| got.extend(lot.iter()));
        (got, ended.err().map(|problem| problem.to_string()))
    }

    #[test]
    fn read_ahead_or_not_the_rows_are_the_same() {
        let mut text = String::from("t_s;ax_g;ay_g;az_g;depth_m\n");
        for n in 0..3 * LOT {
            let (t, x) = (n as f64 / 25.0, (n as f64).sin());
            writeln!(text, "{t:.2};{x:.4};0.5;1.{n};").unwrap();
        }
        let (plain, none) = rows(&text, false);
        assert_eq!((plain.len(), none), (3 * LOT, None));
        assert_eq!(rows(&text, true), (plain.clone(), None));
        // A decimal comma that comes late: what was read before is handed over.
        text += "9999;0,5;0.5;1.0;\n";
        for overlapped in [false, true] {
            let (got, problem) = rows(&text, overlapped);
            assert_eq!(got, plain);
            let line = 3 * LOT + 2;
            assert!(problem.unwrap().contains(&format!("row {line}, column ax_g: decimal commas")));
        }
    }

    #[test]
    #[should_panic(expected = "planted")]
    fn a_panic_of_the_taker_is_passed_on() {
        let mut text = String::from("t_s,ax_g,ay_g,az_g\n");
        (0..9 * LOT).for_each(|n| writeln!(text, "{n},0.{n},0.5,1").unwrap());
        let source = Box::new(Cursor::new(text.into_bytes()));
        let mut reader =
            TraceReader::from_source("t.csv", source, &ReadOptions::default()).unwrap();
        let _ = each(&mut reader, true, 40_000, |lot| {
            assert!(lot.iter().all(|row| row.line < 5000), "planted");
        });
    }
}
