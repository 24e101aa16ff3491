//! Many jobs in parallel, results in the order of the jobs.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::panic::{self, AssertUnwindSafe};
use std::sync::mpsc;
use std::thread;

use crate::problem::Problem;

/// The threads to work on where `jobs` were asked for (0: one a processor core).
pub fn thread_count(jobs: usize) -> usize {
    match jobs {
        0 => thread::available_parallelism().map_or(1, NonZeroUsize::get),
        jobs => jobs,
    }
}

/// Runs `work` over all `items` on `jobs` threads (0: one a processor core) and hands
/// the results to `each` in the order of the items, on this thread. `None` where the
/// work panicked. Where one thread is enough, it is this one.
///
/// # Errors
/// No threads to run on.
pub fn in_order<T: Sync, R: Send>(
    items: &[T],
    jobs: usize,
    work: impl Fn(&T) -> R + Sync,
    mut each: impl FnMut(usize, Option<R>),
) -> Result<(), Problem> {
    let work = |item: &T| panic::catch_unwind(AssertUnwindSafe(|| work(item))).ok();
    let threads = thread_count(jobs).min(items.len());
    if threads < 2 {
        items.iter().enumerate().for_each(|(n, item)| each(n, work(item)));
        return Ok(());
    }
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|e| Problem::new(format!("no threads to run on: {e}")))?;
    // A bounded queue: results waiting to be taken hold no more than so many.
    let (send, results) = mpsc::sync_channel(4 * pool.current_num_threads());
    let work = &work;
    pool.in_place_scope_fifo(|scope| {
        for (n, item) in items.iter().enumerate() {
            let send = send.clone();
            scope.spawn_fifo(move |_| {
                // The receiver lives until all are done.
                let _ = send.send((n, work(item)));
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
        let work = |&n: &u64| {
            std::thread::sleep(std::time::Duration::from_micros((n * 7919) % 300));
            assert_ne!(n, 50, "planted");
            n
        };
        let want: Vec<_> = items.iter().map(|&n| (n, (n != 50).then_some(n))).collect();
        for jobs in [1, 3] {
            let mut got = Vec::new();
            in_order(&items, jobs, work, |at, result| got.push((at as u64, result))).unwrap();
            assert_eq!(got, want, "{jobs}");
        }
    }
}
