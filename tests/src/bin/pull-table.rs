//! Prints how well pulls of vacuum are judged on benches with a known truth: by size of leak, at
//! several rates of reading, with and without a switch on the valve.
//!
//! By default over the seeds that the verdicts may be tuned on; `--test` runs the ones that are
//! kept for the final table, and lists no single pull.

use std::ops::Range;
use std::process::ExitCode;

use pourbook_tests::detection::in_parallel;
use pourbook_tests::pulls::PullTally;
use sample_data::drawn::{PULLS_TEST, PULLS_TUNING, pull_bench};

const HELP: &str = "\
pull-table: how well pulls of vacuum are judged on benches with a known truth

  --test       the seeds 31000..31200, kept for the final table; by default 2000..2200, which
               verdicts may be tuned on
  --count N    only the first N of them
  --rate HZ    only this many readings a second; by default 0.2, 1, 2 and 5
  --switch     only with a switch on the valve
  --no-switch  only without
  --misses     lists wrong verdicts, pull by pull; never of the test seeds
  --json       prints JSON

  cargo build --release --workspace && target/release/pull-table --rate 1 --misses";

struct Wanted {
    seeds: Range<u64>,
    rates_hz: Vec<f64>,
    switches: Vec<bool>,
    misses: bool,
    json: bool,
}

fn main() -> ExitCode {
    match wanted(std::env::args().skip(1)) {
        Ok(Some(wanted)) => {
            print(&wanted);
            ExitCode::SUCCESS
        }
        Ok(None) => {
            println!("{HELP}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("error: {why}; see pull-table --help");
            ExitCode::from(2)
        }
    }
}

fn wanted(mut words: impl Iterator<Item = String>) -> Result<Option<Wanted>, String> {
    let mut wanted = Wanted {
        seeds: PULLS_TUNING,
        rates_hz: vec![0.2, 1.0, 2.0, 5.0],
        switches: vec![true, false],
        misses: false,
        json: false,
    };
    let mut count = u64::MAX;
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} needs a value"));
        match word.as_str() {
            "--help" | "-h" => return Ok(None),
            "--test" => wanted.seeds = PULLS_TEST,
            "--count" => count = number(&value()?)?,
            "--rate" => {
                let rate: f64 = number(&value()?)?;
                if !(0.05..=20.0).contains(&rate) {
                    return Err(format!(
                        "{rate} readings a second: from 0.05 to 20 can be drawn"
                    ));
                }
                wanted.rates_hz = vec![rate];
            }
            "--switch" => wanted.switches = vec![true],
            "--no-switch" => wanted.switches = vec![false],
            "--misses" => wanted.misses = true,
            "--json" => wanted.json = true,
            other => return Err(format!("\"{other}\" is no option")),
        }
    }
    if wanted.misses && wanted.seeds == PULLS_TEST {
        return Err("the test seeds are kept unseen; list the misses of others".to_owned());
    }
    wanted.seeds.end = wanted
        .seeds
        .end
        .min(wanted.seeds.start.saturating_add(count));
    Ok(Some(wanted))
}

fn number<T: std::str::FromStr>(text: &str) -> Result<T, String> {
    text.parse().map_err(|_| format!("\"{text}\" is no number"))
}

fn print(wanted: &Wanted) {
    let seeds: Vec<u64> = wanted.seeds.clone().collect();
    let mut all = Vec::new();
    for &rate_hz in &wanted.rates_hz {
        for &switch in &wanted.switches {
            let parts = in_parallel(&seeds, |seed| {
                let mut tally = PullTally::default();
                let mut misses = Vec::new();
                tally.play(&pull_bench(*seed, rate_hz, switch), &mut misses);
                (tally, misses)
            });
            let mut tally = PullTally::default();
            for (part, _) in &parts {
                tally.add(part);
            }
            if wanted.json {
                all.push(serde_json::json!({
                    "readings_a_second": rate_hz,
                    "valve_switch": switch,
                    "pulls": tally.json(),
                }));
                continue;
            }
            let with = if switch { "with" } else { "without" };
            println!(
                "{rate_hz} readings a second, {with} a valve's switch; {} not found\n\n{tally}",
                tally.not_found
            );
            if wanted.misses {
                for (_, misses) in parts {
                    for miss in misses {
                        println!("{}", miss.0);
                    }
                }
            }
        }
    }
    if wanted.json {
        println!("{}", serde_json::Value::Array(all));
    }
}
