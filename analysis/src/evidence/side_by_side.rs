//! The same work on many things at once, as many as the machine has cores for. What comes out is in
//! the order of what went in, so no answer depends on how many cores there are.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::{Builder, ScopedJoinHandle, available_parallelism, scope};

/// Most threads: a bench's machine has few cores, and each takes memory.
const MOST_THREADS: usize = 4;

/// Does `work` to every item; the results in the order of the items.
pub(super) fn side_by_side<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let threads = available_parallelism()
        .map_or(1, |n| n.get().min(MOST_THREADS))
        .min(items.len());
    let next = AtomicUsize::new(0);
    // Each takes the next that nobody has taken: some take far longer than others.
    let share = || -> Vec<(usize, R)> {
        std::iter::from_fn(|| {
            let i = next.fetch_add(1, Ordering::Relaxed);
            Some((i, work(items.get(i)?)))
        })
        .collect()
    };
    let mut done = Vec::with_capacity(items.len());
    scope(|scope| {
        // Where no thread is to be had, as under a memory limit, the others do its part.
        let spawned: Vec<_> = (1..threads)
            .filter_map(|_| Builder::new().spawn_scoped(scope, share).ok())
            .collect();
        done.extend(share());
        for part in spawned.into_iter().map(ScopedJoinHandle::join) {
            match part {
                Ok(part) => done.extend(part),
                // A panic in the work is a bug; it goes on where the caller can see it.
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
    });
    done.sort_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_the_items_however_long_each_takes() {
        let items: Vec<u64> = (0..40).collect();
        let done = side_by_side(&items, |i| {
            std::thread::sleep(std::time::Duration::from_micros((40 - i) * 50));
            i * i
        });
        assert_eq!(done, items.iter().map(|i| i * i).collect::<Vec<_>>());
        assert!(side_by_side(&items[..0], |i| *i).is_empty());
    }

    #[test]
    #[should_panic(expected = "the seventh")]
    fn a_panic_reaches_the_caller() {
        let items: Vec<usize> = (0..40).collect();
        side_by_side(&items, |i| assert!(*i != 7, "the seventh"));
    }
}
