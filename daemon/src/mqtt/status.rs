//! What pourbook itself publishes through a broker of the shop's own, so that any lamp or
//! buzzer can follow: per machine its status, the last advice and the last pour, as retained
//! JSON. Only the latest of each is kept and sent; nothing waits for it and nothing depends on
//! it, so it goes at QoS 0.
//!
//! | topic | content |
//! |---|---|
//! | `pourbook/MACHINE/status` | [`MachineStatus`] |
//! | `pourbook/MACHINE/advice` | [`Advice`] |
//! | `pourbook/MACHINE/pour` | the pour's row as `pours --json` prints it |
//! | `pourbook/KILN/status` | [`KilnStatus`] |
//! | `pourbook/KILN/advice` | [`Advice`], about a burnout |
//! | `pourbook/status` | [`MachineStatus`] without a machine: only whether pourbook is there, where several machines share one connection and so one last will |

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use analysis::time::Micros;
use serde::Serialize;
use tokio::sync::watch;

/// The content of a `status` topic. Figures are in stored units, absent where not heard.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct MachineStatus {
    /// False in the last will and at a stop.
    pub online: bool,
    /// When; absent in the last will, which is written long before it is sent.
    pub at: Option<Micros>,
    /// The stage of casting, in one word.
    pub stage: Option<String>,
    /// The melt, °C.
    pub melt_temperature_c: Option<f64>,
    /// The vacuum, kPa below ambient.
    pub vacuum_kpa: Option<f64>,
    /// The cover gas, L/min.
    pub gas_flow_l_min: Option<f64>,
    /// Trouble worth a look, in words; empty if none.
    pub trouble: Vec<String>,
}

/// The content of a kiln's `status` topic. Figures are in stored units, absent where not heard.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct KilnStatus {
    /// When.
    pub at: Option<Micros>,
    /// `cold`, `climbing`, `holding`, `falling`, `ending`, or `hot` while its place in its
    /// programme is not known.
    pub stage: String,
    /// The step of its programme, from 1.
    pub step: Option<u32>,
    /// What it reads, °C.
    pub kiln_temperature_c: Option<f64>,
    /// What it should read, °C.
    pub expected_c: Option<f64>,
    /// What is wrong, in words; empty if nothing.
    pub trouble: Vec<String>,
}

/// The content of an `advice` topic.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// When.
    pub at: Micros,
    /// What it is about, in one word: `pull`, `gas`, `seal`, `burnout`, …
    pub about: String,
    /// `good`, `look`, `stop`, or `over` once there is nothing more to do about it. Advice only: pourbook is never an interlock.
    pub level: String,
    /// The sentence for people, with the number and the action.
    pub sentence: String,
}

/// The latest of each topic, for whoever is connected to send.
#[derive(Debug, Clone)]
pub struct StatusBoard {
    posts: Arc<Mutex<Posts>>,
    changes: Arc<watch::Sender<u64>>,
}

#[derive(Debug, Default)]
struct Posts {
    last: u64,
    /// Topic to the number of the post and its content.
    latest: BTreeMap<String, (u64, Vec<u8>)>,
}

impl StatusBoard {
    /// An empty board.
    pub fn new() -> StatusBoard {
        StatusBoard {
            posts: Arc::default(),
            changes: Arc::new(watch::Sender::new(0)),
        }
    }

    /// Posts a machine's status.
    pub fn status(&self, machine: &str, status: &MachineStatus) {
        self.post(status_topic(machine), status);
    }

    /// Posts a kiln's status.
    pub fn kiln(&self, kiln: &str, status: &KilnStatus) {
        self.post(status_topic(kiln), status);
    }

    /// Posts advice for a machine or a kiln.
    pub fn advice(&self, machine: &str, advice: &Advice) {
        self.post(format!("pourbook/{}/advice", level(machine)), advice);
    }

    /// What was last posted on a topic, as JSON.
    pub fn latest(&self, topic: &str) -> Option<Vec<u8>> {
        self.posts().latest.get(topic).map(|post| post.1.clone())
    }

    /// Posts a machine's last pour.
    pub fn pour(&self, machine: &str, row: &impl Serialize) {
        self.post(format!("pourbook/{}/pour", level(machine)), row);
    }

    fn post(&self, topic: String, content: &impl Serialize) {
        // Plain data always serialises; if ever not, the previous content stays.
        let Ok(json) = serde_json::to_vec(content) else {
            return;
        };
        let mut posts = self.posts();
        posts.last += 1;
        let number = posts.last;
        posts.latest.insert(topic, (number, json));
        drop(posts);
        self.changes.send_replace(number);
    }

    /// What was posted after post number `seen`, oldest first, and the number of the last.
    pub(super) fn after(&self, seen: u64) -> (Vec<(String, Vec<u8>)>, u64) {
        let posts = self.posts();
        let mut newer: Vec<(u64, &String, &Vec<u8>)> = posts
            .latest
            .iter()
            .filter(|(_, (number, _))| *number > seen)
            .map(|(topic, (number, json))| (*number, topic, json))
            .collect();
        newer.sort_unstable_by_key(|(number, _, _)| *number);
        let newer = newer
            .into_iter()
            .map(|(_, topic, json)| (topic.clone(), json.clone()))
            .collect();
        (newer, posts.last)
    }

    /// Tells of every post.
    pub(super) fn changes(&self) -> watch::Receiver<u64> {
        self.changes.subscribe()
    }

    fn posts(&self) -> MutexGuard<'_, Posts> {
        self.posts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Default for StatusBoard {
    fn default() -> Self {
        StatusBoard::new()
    }
}

/// Where a machine's status goes.
pub fn status_topic(machine: &str) -> String {
    format!("pourbook/{}/status", level(machine))
}

/// Where the last will goes: MQTT has one for each connection, so several machines share one.
pub fn will_topic(machines: &[String]) -> String {
    match machines {
        [one] => status_topic(one),
        _ => "pourbook/status".to_owned(),
    }
}

/// A name as one level of a topic.
fn level(name: &str) -> String {
    name.chars()
        .map(|c| match c {
            '/' | '+' | '#' | '\0' => '-',
            other => other,
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn only_the_latest_of_each_topic_is_sent_in_order_of_posting() {
        let board = StatusBoard::new();
        let status = |melt| MachineStatus {
            online: true,
            melt_temperature_c: Some(melt),
            ..MachineStatus::default()
        };
        board.status("bench-1", &status(900.0));
        board.status("bench-2", &status(20.0));
        board.status("bench-1", &status(968.0));
        let (posts, seen) = board.after(0);
        let topics: Vec<&str> = posts.iter().map(|(topic, _)| topic.as_str()).collect();
        assert_eq!(
            topics,
            ["pourbook/bench-2/status", "pourbook/bench-1/status"]
        );
        assert!(
            String::from_utf8(posts[1].1.clone())
                .unwrap()
                .contains("968")
        );
        assert_eq!(board.after(seen).0, []);
    }

    #[test]
    fn the_last_will_is_a_machines_own_where_there_is_one() {
        assert_eq!(will_topic(&["bench-1".into()]), "pourbook/bench-1/status");
        assert_eq!(
            will_topic(&["bench-1".into(), "bench-2".into()]),
            "pourbook/status"
        );
        assert_eq!(status_topic("a/b+#"), "pourbook/a-b--/status");
    }

    #[test]
    fn the_status_document_is_what_lamps_rely_on() {
        let status = MachineStatus {
            online: true,
            at: Some(Micros(0)),
            stage: Some("molten".into()),
            melt_temperature_c: Some(968.5),
            ..MachineStatus::default()
        };
        assert_eq!(
            serde_json::to_string(&status).unwrap(),
            r#"{"online":true,"at":"1970-01-01T00:00:00.000Z","stage":"molten","melt_temperature_c":968.5,"vacuum_kpa":null,"gas_flow_l_min":null,"trouble":[]}"#
        );
    }
}
