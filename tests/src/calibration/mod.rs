//! What the evidence is worth: shops with a known truth are drawn as tables of flasks
//! ([`sample_data::ledger`]), the evidence is asked as the weekly report asks it, and what it
//! said is held against the truth.
//!
//! | module | what it holds |
//! |---|---|
//! | [`rows`] | the kinds of shops, and their seeds |
//! | [`score`] | what was said of one shop against what is true of it |
//! | [`naive`] | what somebody without statistics would pour at; the best that a line can say |
//! | [`trapped`] | shops made to mislead |
//! | [`trials`] | trials planned, poured by lot and analysed |
//! | [`followed`] | shops that do what they are told, again and again |
//! | [`watched`] | shops looked at week after week |
//! | [`speed`] | five years of flasks, timed |
//! | [`tally`] | means and shares with what chance leaves of doubt |
//! | [`table`] | the table, and the targets it is held against |

pub mod followed;
pub mod naive;
pub mod rows;
pub mod score;
pub mod speed;
pub mod table;
pub mod tally;
pub mod trapped;
pub mod trials;
pub mod watched;

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// Does `work` for each of the seeds on so many threads, until all are done or `until` is past;
/// results in the order of the seeds, of the first so many of them. `progress` is told how many
/// are done.
pub fn over_seeds<R: Send>(
    seeds: std::ops::Range<u64>,
    threads: usize,
    until: Option<Instant>,
    progress: impl Fn(usize) + Sync,
    work: impl Fn(u64) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let finished = AtomicUsize::new(0);
    let done: Mutex<Vec<(u64, R)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..threads.max(1) {
            scope.spawn(|| {
                loop {
                    // Handed out in order, so that what is done in time is the first so many.
                    if until.is_some_and(|u| Instant::now() >= u) {
                        break;
                    }
                    let seed = seeds.start + next.fetch_add(1, Ordering::Relaxed) as u64;
                    if seed >= seeds.end {
                        break;
                    }
                    let result = work(seed);
                    done.lock().unwrap().push((seed, result));
                    progress(finished.fetch_add(1, Ordering::Relaxed) + 1);
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|d| d.0);
    done.into_iter().map(|d| d.1).collect()
}
