//! Learns when a sender has stopped to wait for its acknowledgements, so that the next commit
//! need not wait for its second.
//!
//! MQTT 3.1.1 does not say how many messages a sender keeps in flight. But a sender that is out
//! of window shows it: it falls silent with n messages unacknowledged, and goes on at once when
//! they are acknowledged. From then on a commit is due as soon as n are outstanding. A sender
//! that is merely slow does not go on at once, and is soon found out: being acknowledged early
//! makes it no faster. Senders that open a connection for each message are learned as one.
//! Pure: times come in, nothing is asked of a clock.

use std::collections::HashMap;
use std::time::{Duration, Instant};

/// Silence before an acknowledgement that may mean waiting. Well above the gaps of a sender
/// that just goes on, such as eight channels at 5 Hz in one connection.
const SILENT: Duration = Duration::from_millis(100);
/// How soon a sender that waited goes on.
const AT_ONCE: Duration = Duration::from_millis(50);
/// How soon the next connection of a sender that opens one for each message comes: a process
/// has to start first.
const NEXT_CONNECTION: Duration = Duration::from_millis(250);
/// Early commits that made a sender no faster, until it is no longer taken to be waiting.
const DISAPPOINTMENTS: u8 = 3;
/// How long it is then left alone, at first; doubled each time.
const LEFT_ALONE: Duration = Duration::from_secs(60);
/// And at most.
const LEFT_ALONE_MOST: Duration = Duration::from_secs(3600);
/// A connection not heard of for so long is forgotten.
const FORGOTTEN: Duration = Duration::from_secs(600);

/// What is known of every connection's window.
#[derive(Debug, Default)]
pub(super) struct Windows {
    lines: HashMap<u64, Line>,
    /// The window of connections that are yet unknown.
    newcomers: Learned,
    /// The last acknowledgement of a connection that had sent nothing before.
    first_life: Option<(u64, usize, Instant)>,
    due: bool,
    cleared: Option<Instant>,
}

#[derive(Debug)]
struct Line {
    outstanding: usize,
    heard: Instant,
    /// When it was acknowledged last, how many that were, and whether it had been silent.
    acked: Option<(Instant, usize, bool)>,
    /// It has been acknowledged before.
    known: bool,
    learned: Learned,
}

/// A window, and how well it has held.
#[derive(Debug, Clone, Copy, Default)]
struct Learned {
    window: Option<usize>,
    /// An early commit was made for it, and whether it helped is not known yet.
    on_trial: bool,
    disappointments: u8,
    not_before: Option<Instant>,
    left_alone: Option<Duration>,
}

impl Learned {
    fn learn(&mut self, window: usize, now: Instant) {
        if self.not_before.is_none_or(|t| now >= t) {
            self.window = Some(window);
            self.disappointments = 0;
            self.on_trial = false;
        }
    }

    /// The next message came: at once, or not.
    fn judge(&mut self, at_once: bool, now: Instant) {
        if !std::mem::take(&mut self.on_trial) {
            return;
        }
        if at_once {
            self.disappointments = 0;
            return;
        }
        self.disappointments += 1;
        if self.disappointments >= DISAPPOINTMENTS {
            let alone = self
                .left_alone
                .map_or(LEFT_ALONE, |d| (d * 2).min(LEFT_ALONE_MOST));
            *self = Learned {
                not_before: Some(now + alone),
                left_alone: Some(alone),
                ..Learned::default()
            };
        }
    }
}

impl Windows {
    /// A message came that wants an acknowledgement.
    pub(super) fn heard(&mut self, connection: u64, now: Instant) {
        let fresh = !self.lines.contains_key(&connection);
        if fresh {
            self.newcomer(now);
        }
        let newcomers = self.newcomers.window;
        let line = self.lines.entry(connection).or_insert_with(|| Line {
            outstanding: 0,
            heard: now,
            acked: None,
            known: false,
            learned: Learned::default(),
        });
        if let Some((acked, n, silent)) = line.acked.take() {
            let at_once = now.duration_since(acked) <= AT_ONCE;
            line.learned.judge(at_once, now);
            if silent && at_once && line.learned.window.is_none() {
                line.learned.learn(n, now);
            }
        }
        line.outstanding += 1;
        line.heard = now;
        if line.learned.window.is_some_and(|w| line.outstanding > w) {
            line.learned.window = None;
        }
        if line.learned.window.is_some_and(|w| line.outstanding >= w) {
            line.learned.on_trial = true;
            self.due = true;
        } else if !line.known && newcomers == Some(line.outstanding) {
            self.newcomers.on_trial = true;
            self.due = true;
        }
    }

    /// A connection that was not there before: does it follow at once on one that has just
    /// been acknowledged for the first time, and was silent since?
    fn newcomer(&mut self, now: Instant) {
        let Some((before, n, acked)) = self.first_life.take() else {
            return;
        };
        let spoke_since = self
            .lines
            .get(&before)
            .is_some_and(|line| line.outstanding > 0);
        let at_once = now.duration_since(acked) <= NEXT_CONNECTION && !spoke_since;
        self.newcomers.judge(at_once, now);
        if at_once && self.newcomers.window.is_none() {
            self.newcomers.learn(n, now);
        }
    }

    /// Whether some sender waits, as far as is known, so that a commit is due now.
    pub(super) fn commit_is_due(&self) -> bool {
        self.due
    }

    /// Everything outstanding was acknowledged.
    pub(super) fn acknowledged(&mut self, now: Instant) {
        self.due = false;
        for (connection, line) in &mut self.lines {
            if line.outstanding == 0 {
                continue;
            }
            let silent = now.duration_since(line.heard) >= SILENT;
            line.acked = Some((now, line.outstanding, silent));
            if !line.known && (silent || self.newcomers.on_trial) {
                self.first_life = Some((*connection, line.outstanding, now));
            }
            line.known = true;
            line.outstanding = 0;
        }
        if self
            .cleared
            .is_none_or(|t| now.duration_since(t) >= FORGOTTEN)
        {
            self.cleared = Some(now);
            self.lines
                .retain(|_, line| now.duration_since(line.heard) < FORGOTTEN);
        }
    }

    /// The window taken for a connection.
    #[cfg(test)]
    fn window(&self, connection: u64) -> Option<usize> {
        self.lines.get(&connection).and_then(|l| l.learned.window)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Senders against a journal with a commit every second, in steps of a millisecond.
    struct Shop {
        windows: Windows,
        start: Instant,
        ms: u64,
        first_waiting: Option<u64>,
        outstanding: HashMap<u64, usize>,
        commits: Vec<u64>,
    }

    impl Shop {
        fn new() -> Self {
            Shop {
                windows: Windows::default(),
                start: Instant::now(),
                ms: 0,
                first_waiting: None,
                outstanding: HashMap::new(),
                commits: Vec::new(),
            }
        }

        fn now(&self) -> Instant {
            self.start + Duration::from_millis(self.ms)
        }

        fn send(&mut self, connection: u64) {
            self.windows.heard(connection, self.now());
            *self.outstanding.entry(connection).or_default() += 1;
            self.first_waiting.get_or_insert(self.ms);
        }

        /// Lets a millisecond pass; the commit itself takes five.
        fn pass(&mut self) {
            let waited = self.first_waiting.is_some_and(|t| self.ms - t >= 1000);
            if waited || self.windows.commit_is_due() {
                self.ms += 5;
                self.windows.acknowledged(self.now());
                self.outstanding.clear();
                self.first_waiting = None;
                self.commits.push(self.ms);
            }
            self.ms += 1;
        }

        fn free(&self, connection: u64, window: usize) -> bool {
            self.outstanding.get(&connection).copied().unwrap_or(0) < window
        }
    }

    /// A sender with this window and always something to say: messages in ten seconds.
    fn backlog(window: usize, per_ms: usize) -> usize {
        let mut shop = Shop::new();
        let mut sent = 0;
        while shop.ms < 10_000 {
            for _ in 0..per_ms {
                if shop.free(1, window) {
                    shop.send(1);
                    sent += 1;
                }
            }
            shop.pass();
        }
        assert_eq!(shop.windows.window(1), Some(window));
        sent
    }

    #[test]
    fn a_sender_out_of_window_waits_a_second_once_and_then_no_more() {
        // A commit takes 6 ms here, so a window of n could carry about n/7 per ms at best.
        for (window, per_ms, at_least) in [(1, 1, 1100), (20, 5, 15_000), (1000, 20, 150_000)] {
            let sent = backlog(window, per_ms);
            assert!(sent >= at_least, "window {window}: {sent} in ten seconds");
        }
    }

    #[test]
    fn a_sender_that_connects_for_each_message_is_learned_too() {
        let mut shop = Shop::new();
        let mut connection = 0;
        let mut ready = 0;
        while shop.ms < 20_000 {
            if shop.ms >= ready && shop.free(connection, 1) {
                connection += 1;
                shop.send(connection);
                ready = u64::MAX;
            }
            shop.pass();
            if shop.free(connection, 1) && ready == u64::MAX {
                // The next process takes 20 ms to start.
                ready = shop.ms + 20;
            }
        }
        assert!(connection > 500, "{connection} messages in 20 s");
    }

    /// Sensors at 5 Hz, each with its own connection or all in one; commits in ten minutes.
    fn steady(connections: u64, per_connection: u64, jitter: u64) -> usize {
        let mut shop = Shop::new();
        let mut noise = 12345u64;
        let sensors = connections * per_connection;
        let mut next: Vec<u64> = (0..sensors).map(|n| n * 200 / sensors).collect();
        while shop.ms < 600_000 {
            for sensor in 0..sensors {
                if shop.ms >= next[sensor as usize] {
                    shop.send(sensor % connections);
                    noise = noise
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1);
                    let shift = if jitter == 0 {
                        0
                    } else {
                        (noise >> 33) % (2 * jitter)
                    };
                    next[sensor as usize] += 200 + shift - jitter;
                }
            }
            shop.pass();
        }
        shop.commits.len()
    }

    #[test]
    fn steady_sensors_cost_about_a_commit_a_second() {
        for (connections, per_connection) in [(8, 1), (1, 8), (4, 2), (1, 1)] {
            for jitter in [0, 20, 90] {
                let commits = steady(connections, per_connection, jitter);
                assert!(
                    (500..=720).contains(&commits),
                    "{connections} connections of {per_connection}, jitter {jitter} ms: \
                     {commits} commits in 600 s"
                );
            }
        }
    }

    #[test]
    fn steady_sensors_beside_a_waiting_one_are_not_taken_to_wait_when_it_is_gone() {
        let mut shop = Shop::new();
        while shop.ms < 120_000 {
            // The backlog is through after ten seconds.
            if shop.ms < 10_000 && shop.free(99, 1) {
                shop.send(99);
            }
            for sensor in 0..8 {
                if shop.ms % 200 == sensor * 25 {
                    shop.send(sensor);
                }
            }
            shop.pass();
        }
        let late = shop.commits.iter().filter(|ms| **ms > 20_000).count();
        assert!((90..=130).contains(&late), "{late} commits in 100 s");
    }

    #[test]
    fn a_window_that_is_overrun_is_forgotten() {
        let mut windows = Windows::default();
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        windows.heard(1, at(0));
        windows.acknowledged(at(1000));
        windows.heard(1, at(1010));
        assert_eq!(windows.window(1), Some(1));
        assert!(windows.commit_is_due());
        windows.heard(1, at(1011));
        assert_eq!(windows.window(1), None);
    }
}
