//! The clock as a value. Nothing in the daemon asks the operating system for the time except
//! through here, so that demo, replay, soak and tests can run at any speed.

use std::sync::atomic::{AtomicI64, Ordering};

use analysis::time::Micros;
use uuid::Uuid;

/// What time it is, twice: as the wall says, which may step, and as time really passed.
pub trait Clock: Send + Sync + 'static {
    /// Wall time, UTC.
    fn now(&self) -> Micros;
    /// Microseconds since the machine booted; never steps.
    fn monotonic_us(&self) -> i64;
    /// Which boot [`Clock::monotonic_us`] counts from.
    fn boot(&self) -> Uuid;
}

/// The machine's own clocks.
#[derive(Debug, Clone)]
pub struct SystemClock {
    boot: Uuid,
}

impl SystemClock {
    /// Reads the boot id once. Where the system gives none, a new one is made, which only means
    /// that readings of two runs are not compared by their monotonic time.
    pub fn new() -> Self {
        let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
            .ok()
            .and_then(|text| text.trim().parse().ok())
            .unwrap_or_else(Uuid::new_v4);
        SystemClock { boot }
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        SystemClock::new()
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Micros {
        Micros(jiff::Timestamp::now().as_microsecond())
    }

    fn monotonic_us(&self) -> i64 {
        let t = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        t.tv_sec * Micros::PER_SECOND + t.tv_nsec / 1_000
    }

    fn boot(&self) -> Uuid {
        self.boot
    }
}

/// A clock that stands still until it is told, for the demo, replay and tests.
#[derive(Debug)]
pub struct ManualClock {
    now: AtomicI64,
    monotonic: AtomicI64,
    boot: Uuid,
}

impl ManualClock {
    /// A clock that shows `now`.
    pub fn at(now: Micros) -> Self {
        ManualClock {
            now: AtomicI64::new(now.0),
            monotonic: AtomicI64::new(0),
            boot: Uuid::new_v4(),
        }
    }

    /// Lets time pass up to `now`; a time before the one shown changes nothing.
    pub fn advance_to(&self, now: Micros) {
        let before = self.now.fetch_max(now.0, Ordering::SeqCst);
        if now.0 > before {
            self.monotonic.fetch_add(now.0 - before, Ordering::SeqCst);
        }
    }

    /// Steps the wall clock as a person or a time server would: no time passes.
    pub fn step_to(&self, now: Micros) {
        self.now.store(now.0, Ordering::SeqCst);
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Micros {
        Micros(self.now.load(Ordering::SeqCst))
    }

    fn monotonic_us(&self) -> i64 {
        self.monotonic.load(Ordering::SeqCst)
    }

    fn boot(&self) -> Uuid {
        self.boot
    }
}
