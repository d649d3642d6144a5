//! `pourbook check`: is the configuration right, and what arrives? While a daemon holds the
//! book, what it heard is shown; else this listens itself, and acknowledges nothing, since
//! nothing it hears is kept.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, anyhow};
use clap::Args;
use tokio::sync::mpsc;

use super::open::load;
use super::run::runtime;
use super::{BookArg, out};
use crate::book::Book;
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, WayIn};
use crate::mqtt::broker::Broker;
use crate::mqtt::door::Door;
use crate::mqtt::heard::{ChannelHeard, Heard};
use crate::mqtt::ingest::Ingest;
use crate::mqtt::status::StatusBoard;
use crate::service::HEARD_FILE;
use crate::shutdown::Shutdown;

/// Check the configuration, then listen and say what arrives.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  pourbook check --book ~/book --listen-s 30")]
pub struct CheckArgs {
    #[command(flatten)]
    book: BookArg,
    /// Only check the configuration; listen to nothing
    #[arg(long)]
    config_only: bool,
    /// How long to listen, s
    #[arg(long, value_name = "S", default_value_t = 10)]
    listen_s: u64,
    /// Print what arrives as one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn check(args: &CheckArgs) -> anyhow::Result<()> {
    let book = args.book.book();
    if !book.config().is_file() {
        return Err(anyhow!(
            "there is no {}; start a book with \"pourbook run --book {}\"",
            book.config().display(),
            book.root().display()
        ));
    }
    let config = load(&book)?;
    if !args.json {
        out::line(&format!("{}: no faults found", book.config().display()))?;
        for line in super::check_kilns::kiln_lines(&book, &config) {
            out::line(&line)?;
        }
    }
    if args.config_only {
        return Ok(());
    }
    let heard = match book.lock() {
        Ok(_lock) => listen(&config, Duration::from_secs(args.listen_s))?,
        Err(crate::book::BookError::InUse(_)) => heard_by_daemon(&book)?,
        Err(e) => return Err(e.into()),
    };
    if args.json {
        return out::json_lines(&[heard]);
    }
    print(&config, &heard)
}

fn heard_by_daemon(book: &Book) -> anyhow::Result<Heard> {
    let path = book.below(HEARD_FILE);
    let text = std::fs::read(&path).with_context(|| path.display().to_string())?;
    let heard: Heard = serde_json::from_slice(&text).with_context(|| path.display().to_string())?;
    let age_s = SystemClock::new().now().seconds_since(heard.at).max(0.0);
    eprintln!(
        "pourbook: a daemon has this book; this is what it heard since its start, as of {age_s:.0} \
         s ago"
    );
    Ok(heard)
}

fn listen(config: &Config, listen_for: Duration) -> anyhow::Result<Heard> {
    eprintln!(
        "pourbook: listening for {} s; nothing is stored and nothing acknowledged meanwhile",
        listen_for.as_secs()
    );
    runtime()?.block_on(async {
        let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
        let (submissions, mut dropped) = mpsc::channel(1024);
        let ingest = Ingest::new(&config.routes(), clock, submissions);
        let (stop, shutdown) = Shutdown::new();
        let way = match &config.way_in {
            WayIn::Door(door) => {
                let door = Door::bind(door.settings()).await?;
                eprintln!("pourbook: sensors may publish to {}", door.local_addr());
                tokio::spawn(door.run(ingest.clone(), shutdown))
            }
            WayIn::Broker(shop) => {
                // Without machines no status is published: that is the daemon's to say.
                let mut settings = shop.settings(Vec::new())?;
                // Another name than the daemon's: what the broker keeps for that one stays.
                settings.client_id = format!("{}-check", settings.client_id);
                let broker = Broker::new(settings, StatusBoard::new())?;
                let running = broker.run(ingest.clone(), shutdown);
                tokio::spawn(async move {
                    let _ = running.await;
                })
            }
        };
        let end = tokio::time::Instant::now() + listen_for;
        // Taken and let go: without an acknowledgement the sender keeps what it sent.
        while tokio::time::timeout_at(end, dropped.recv())
            .await
            .is_ok_and(|s| s.is_some())
        {}
        let heard = ingest.heard();
        stop.tell();
        way.abort();
        Ok(heard)
    })
}

fn print(config: &Config, heard: &Heard) -> anyhow::Result<()> {
    out::line("")?;
    if heard.channels.is_empty() {
        out::line("No channel is configured.")?;
    }
    let rows: Vec<Vec<String>> = heard
        .channels
        .iter()
        .map(|c| {
            vec![
                c.place.clone(),
                c.channel.clone(),
                c.topic.clone(),
                c.unit.clone(),
                c.readings.to_string(),
                c.rate_hz
                    .map_or_else(String::new, |hz| format!("{hz:.2}/s")),
                c.last_payload.clone().unwrap_or_default(),
                remarks(config, c).join("; "),
            ]
        })
        .collect();
    if !rows.is_empty() {
        out::table(
            &[
                "place",
                "channel",
                "topic",
                "unit",
                "readings",
                "rate",
                "last payload",
                "remarks",
            ],
            &rows,
        )?;
    }
    for channel in &heard.channels {
        for bad in &channel.bad {
            out::line(&format!(
                "{} {}: cannot read {:?}, {}: {}",
                channel.place,
                channel.channel,
                bad.payload,
                out::count(bad.count, "time"),
                bad.reason
            ))?;
        }
    }
    for clock in &heard.wrong_clocks {
        out::line(&format!(
            "{} on {}: its clock is {:.0} s {}; readings are corrected by that",
            clock.client,
            clock.topic,
            clock.ahead_s.abs(),
            if clock.ahead_s > 0.0 {
                "ahead"
            } else {
                "behind"
            }
        ))?;
    }
    if !heard.unassigned.is_empty() {
        out::line("")?;
        out::line("Heard on topics that no channel is configured for:")?;
        let rows: Vec<Vec<String>> = heard
            .unassigned
            .iter()
            .map(|t| {
                vec![
                    t.topic.clone(),
                    t.messages.to_string(),
                    t.last_payload.clone(),
                ]
            })
            .collect();
        out::table(&["topic", "messages", "last payload"], &rows)?;
    }
    let beside: Vec<String> = heard
        .counts
        .iter()
        .filter(|(kind, _)| !IN_ORDER.contains(&kind.as_str()))
        .map(|(kind, n)| counted(kind, *n))
        .collect();
    if !beside.is_empty() {
        out::line("")?;
        out::line("Also counted:")?;
        for line in beside {
            out::line(&format!("  {line}"))?;
        }
    }
    Ok(())
}

/// Counts that ask for nothing.
const IN_ORDER: [&str; 3] = [
    "messages",
    "door: the client said goodbye",
    "door: closed at the stop of the daemon",
];

/// A count with how to mend it, where that is known.
fn counted(kind: &str, n: u64) -> String {
    let mend = match kind {
        "door: closed, packet over the limit" => "send smaller messages, one reading each",
        "door: closed, not MQTT 3.1.1" | "door: refused, another version of MQTT" => {
            "set the sender to MQTT 3.1.1"
        }
        "door: subscriptions refused" => {
            "pourbook only takes in; what it found is in \"pourbook pours\" and the reports"
        }
        "door: refused, no login" | "door: refused, wrong user or password" => {
            "give the sender the user and password of its [[mqtt.sensor]]"
        }
        "refused: a topic that its sender may not use" => "see topic_prefix of its [[mqtt.sensor]]",
        _ => "",
    };
    let times = out::count(n, "time");
    if mend.is_empty() {
        format!("{kind}, {times}")
    } else {
        format!("{kind}, {times}: {mend}")
    }
}

/// What looks wrong with a channel, in words.
fn remarks(config: &Config, channel: &ChannelHeard) -> Vec<String> {
    let mut remarks = Vec::new();
    if channel.readings == 0 && channel.refused == 0 {
        remarks.push("nothing arrived".to_owned());
        return remarks;
    }
    if channel.stale {
        remarks.push("gone silent".to_owned());
    }
    for (flag, count) in &channel.flagged {
        remarks.push(format!("{count} {flag}"));
    }
    let Some(value) = channel.last_value else {
        return remarks;
    };
    let switches: BTreeSet<&str> = ["chamber_door", "kiln_door", "stopper", "vacuum_valve"]
        .into_iter()
        .collect();
    if switches.contains(channel.channel.as_str()) {
        return remarks;
    }
    let ambient = config.shop.ambient_kpa();
    match channel.channel.as_str() {
        "melt_temperature" | "kiln_temperature" | "flask_temperature" if value > 1250.0 => {
            remarks.push("very hot for a bench: is it in degF and declared Cel?".to_owned());
        }
        "melt_temperature" | "kiln_temperature" | "flask_temperature" if value < -20.0 => {
            remarks.push("below freezing: is it in Cel and declared degF?".to_owned());
        }
        "vacuum" if value > ambient + 3.0 => {
            remarks.push("deeper than the air allows: check unit and sense".to_owned());
        }
        "vacuum" if value > 0.8 * ambient => {
            remarks.push(
                "nearly all of the air: unless the vacuum is on, is the sense \"absolute\"?"
                    .to_owned(),
            );
        }
        "barometer" if (value - ambient).abs() > 10.0 => {
            remarks.push("far from the air at your altitude: check unit and altitude_m".to_owned());
        }
        _ => {}
    }
    remarks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_door_refused_is_told_with_how_to_mend_it() {
        assert_eq!(
            counted("door: refused, another version of MQTT", 1),
            "door: refused, another version of MQTT, 1 time: set the sender to MQTT 3.1.1"
        );
        assert_eq!(
            counted("refused: not JSON", 3),
            "refused: not JSON, 3 times"
        );
    }
}
