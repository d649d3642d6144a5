//! How well pours and pulls are found: drawn sessions with a known truth go through the live
//! feeds and through a written trace, and what comes out is scored.
//!
//! Unlike the end-to-end tests this reaches into the analysis library, since what it measures
//! is the library's; the truth comes from `sample_data::drawn`, which knows nothing of how
//! anything is detected.
//!
//! | module | what it holds |
//! |---|---|
//! | [`feed`] | one session through provisional feed, final feed and written trace |
//! | [`ideal`] | the moment of a lift as well as noise and rate let anybody tell it |
//! | [`score`] | what was told against what happened |
//! | [`tally`] | scores of many sessions added up |
//! | [`table`] | the tally as a table and as JSON |
//! | [`seals`] | verdicts over shops whose gaskets wear out |

pub mod feed;
pub mod ideal;
pub mod score;
pub mod seals;
pub mod table;
pub mod tally;

use std::num::NonZero;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Does `work` for each of `items` on as many threads as there are processors; results in the
/// order of the items.
pub fn in_parallel<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::with_capacity(items.len()));
    let threads = std::thread::available_parallelism().map_or(1, NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((i, item)) = {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    items.get(i).map(|item| (i, item))
                } {
                    let result = work(item);
                    done.lock().unwrap().push((i, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|d| d.0);
    done.into_iter().map(|d| d.1).collect()
}
