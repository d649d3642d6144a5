//! Waiting for something to become true, with a reason when it does not.

use std::net::TcpListener;
use std::time::{Duration, Instant};

/// Asks `ready` until it gives something, for at most `seconds`.
///
/// # Panics
/// When the time is over, saying what was waited for.
#[track_caller]
pub fn wait_for<T>(what: &str, seconds: u64, mut ready: impl FnMut() -> Option<T>) -> T {
    let end = Instant::now() + Duration::from_secs(seconds);
    loop {
        if let Some(found) = ready() {
            return found;
        }
        assert!(
            Instant::now() < end,
            "waited {seconds} s in vain for {what}"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A TCP port of this computer that was free a moment ago.
///
/// # Panics
/// When the system gives none.
pub fn free_port() -> u16 {
    let probe = TcpListener::bind("127.0.0.1:0").expect("the system gives a free port");
    probe
        .local_addr()
        .expect("a bound listener has an address")
        .port()
}
