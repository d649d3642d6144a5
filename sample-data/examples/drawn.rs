//! Prints a drawn session's readings around its pours: `drawn SEED [BEFORE-S AFTER-S]`, by
//! default `drawn 1000 60 60`. Not for the seeds that are kept for the final table.

use std::error::Error;

use analysis::channel::Channel;
use sample_data::drawn::{Mix, Settings, TEST, draw};

fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let mut word = |otherwise: &str| words.next().unwrap_or_else(|| otherwise.to_owned());
    let seed: u64 = word("1000").parse()?;
    let (before, after): (f64, f64) = (word("60").parse()?, word("60").parse()?);
    if TEST.contains(&seed) {
        return Err("this seed is kept unseen".into());
    }
    let session = draw(seed, &Settings::of(Mix::everything()));
    let trace = session.trace();
    for pour in &session.truth.pours {
        println!("{pour:?}");
        for pull in &session.truth.pulls {
            if pull.flask == pour.flask {
                println!(
                    "pull {:+.1} to {:+.1} s, {:?}",
                    pull.opened_at.seconds_since(pour.at),
                    pull.closed_at.seconds_since(pour.at),
                    pull.worth
                );
            }
        }
        for channel in [Channel::MeltTemperature, Channel::Vacuum] {
            let near: Vec<String> = trace
                .iter()
                .filter(|s| s.channel == channel)
                .map(|s| (s.time.seconds_since(pour.at), s.value))
                .filter(|(t, _)| (-before..after).contains(t))
                .map(|(t, value)| format!("{t:+.1}:{value:.1}"))
                .collect();
            println!("{channel}: {}\n", near.join(" "));
        }
    }
    Ok(())
}
