//! Many jobs in parallel, results in the order of the jobs.

use std::collections::BTreeMap;
use std::panic::{self, AssertUnwindSafe};
use std::sync::mpsc;

use crate::problem::Problem;

/// Runs `work` over all `items` on `jobs` threads (0: one a processor core) and hands
/// the results to `each` in the order of the items, on this thread. `None` where the
/// work panicked.
///
/// # Errors
/// No threads to run on.
pub fn in_order<T: Sync, R: Send>(
    items: &[T],
    jobs: usize,
    work: impl Fn(&T) -> R + Sync,
    mut each: impl FnMut(usize, Option<R>),
) -> Result<(), Problem> {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs)
        .build()
        .map_err(|e| Problem::new(format!("no threads to run on: {e}")))?;
    // A bounded queue: results waiting to be taken hold no more than so many.
    let (send, results) = mpsc::sync_channel(4 * pool.current_num_threads());
    let work = &work;
    pool.in_place_scope_fifo(|scope| {
        for (n, item) in items.iter().enumerate() {
            let send = send.clone();
            scope.spawn_fifo(move |_| {
                let result = panic::catch_unwind(AssertUnwindSafe(|| work(item))).ok();
                // The receiver lives until all are done.
                let _ = send.send((n, result));
            });
        }
        drop(send);
        let mut waiting = BTreeMap::new();
        let mut next = 0;
        for (n, result) in results {
            waiting.insert(n, result);
            while let Some(result) = waiting.remove(&next) {
                each(next, result);
                next += 1;
            }
        }
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_the_order_and_survives_a_panic() {
        let items: Vec<u64> = (0..200).collect();
        let mut got = Vec::new();
        let work = |&n: &u64| {
            std::thread::sleep(std::time::Duration::from_micros((n * 7919) % 300));
            assert_ne!(n, 50, "planted");
            n
        };
        in_order(&items, 3, work, |at, result| got.push((at as u64, result))).unwrap();
        let want: Vec<_> = items.iter().map(|&n| (n, (n != 50).then_some(n))).collect();
        assert_eq!(got, want);
    }
}
