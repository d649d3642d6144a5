//! Prints how well pours and pulls are found in drawn sessions with a known truth.
//!
//! By default over the seeds that a detector's constants may be tuned on; `--test` runs the
//! ones that nobody looks into, for the one final table, and lists no single session.

use std::ops::Range;
use std::process::ExitCode;
use std::time::Instant;

use analysis::pour::Weighed;
use pourbook_tests::detection::feed::hear;
use pourbook_tests::detection::in_parallel;
use pourbook_tests::detection::score::{Score, score};
use pourbook_tests::detection::seals::SealTally;
use pourbook_tests::detection::table::misses;
use pourbook_tests::detection::tally::Tally;
use sample_data::drawn::{Mix, Settings, TEST, TUNING, Trouble, draw, seal_shop};

const HELP: &str = "\
detection-table: how well pours and pulls are found in drawn sessions with a known truth

  --seeds FROM..TO   sessions of these seeds; by default 1000..1200, which constants may be
                     tuned on
  --test             the seeds 40000..40500, kept for the final table: no single session is shown
  --count N          only the first N of them
  --rate HZ          every session with this many readings a second
  --no-vacuum        every session with neither vacuum sensor nor valve switch
  --no-depth         every session with a valve switch but no vacuum sensor
  --wall             every session with its probe in the crucible's wall
  --misses           lists what went wrong, session by session; never of the test seeds
  --signs            instead: every turn that was weighed, with its signs and the truth, as CSV;
                     never of the test seeds
  --seals N          instead: verdicts over N shops whose gaskets wear out (seeds from 1000)
  --json             prints JSON

  cargo build --release --workspace && target/release/detection-table --misses";

struct Wanted {
    seeds: Range<u64>,
    rate_hz: Option<f64>,
    misses: bool,
    signs: bool,
    always: Vec<Trouble>,
    json: bool,
    seals: Option<u64>,
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
            eprintln!("error: {why}; see detection-table --help");
            ExitCode::from(2)
        }
    }
}

fn wanted(mut words: impl Iterator<Item = String>) -> Result<Option<Wanted>, String> {
    let mut wanted = Wanted {
        seeds: TUNING,
        rate_hz: None,
        misses: false,
        signs: false,
        always: Vec::new(),
        json: false,
        seals: None,
    };
    let mut count: Option<u64> = None;
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} needs a value"));
        match word.as_str() {
            "--help" | "-h" => return Ok(None),
            "--seeds" => {
                let text = value()?;
                let ends = text.split_once("..").map(|(a, b)| (a.parse(), b.parse()));
                let Some((Ok(from), Ok(to))) = ends else {
                    return Err(format!("\"{text}\" is no range like 1000..1200"));
                };
                wanted.seeds = from..to;
            }
            "--test" => wanted.seeds = TEST,
            "--count" => count = Some(number(&value()?)?),
            "--rate" => wanted.rate_hz = Some(number(&value()?)?),
            "--misses" => wanted.misses = true,
            "--no-vacuum" => {
                wanted.always = vec![Trouble::NoVacuumSensor, Trouble::NoValveSwitch];
            }
            "--no-depth" => wanted.always = vec![Trouble::NoVacuumSensor],
            "--wall" => wanted.always = vec![Trouble::WallProbe],
            "--signs" => wanted.signs = true,
            "--json" => wanted.json = true,
            "--seals" => wanted.seals = Some(number(&value()?)?),
            other => return Err(format!("\"{other}\" is no option")),
        }
    }
    if let Some(count) = count {
        let Range { start, end } = wanted.seeds;
        wanted.seeds = start..end.min(start + count);
    }
    if wanted.seeds.is_empty() {
        return Err("there are no seeds in this range".to_owned());
    }
    let test = wanted.seeds.start < TEST.end && wanted.seeds.end > TEST.start;
    if (wanted.misses || wanted.signs) && test {
        return Err(format!(
            "the seeds {}..{} are kept unseen; list the misses of others",
            TEST.start, TEST.end
        ));
    }
    Ok(Some(wanted))
}

fn number<T: std::str::FromStr>(text: &str) -> Result<T, String> {
    text.parse().map_err(|_| format!("\"{text}\" is no number"))
}

fn print(wanted: &Wanted) {
    if let Some(shops) = wanted.seals {
        print_seals(shops, wanted.json);
        return;
    }
    let began = Instant::now();
    let mut mix = Mix::everything();
    if let Some(hz) = wanted.rate_hz {
        mix = mix.at_rate(hz);
    }
    for trouble in &wanted.always {
        mix = mix.with(*trouble, 1.0);
    }
    if wanted.always == [Trouble::NoVacuumSensor] {
        mix = mix.with(Trouble::NoValveSwitch, 0.0);
    }
    let settings = Settings::of(mix);
    let seeds: Vec<u64> = wanted.seeds.clone().collect();
    let scores: Vec<Score> = in_parallel(&seeds, |seed| {
        let session = draw(*seed, &settings);
        score(&session, &hear(&session))
    });
    if wanted.signs {
        print_signs(&scores);
        return;
    }
    let mut tally = Tally::default();
    for score in &scores {
        tally.add(score);
    }
    if wanted.json {
        println!("{}", tally.json());
        return;
    }
    println!(
        "Seeds {} to {}, {:.0} s.\n",
        wanted.seeds.start,
        wanted.seeds.end - 1,
        began.elapsed().as_secs_f64()
    );
    print!("{tally}");
    if wanted.misses {
        println!();
        for line in scores.iter().flat_map(misses) {
            println!("{line}");
        }
    }
}

fn print_signs(scores: &[Score]) {
    println!(
        "seed,at,from_pour_s,told,confidence,{}",
        Weighed::SIGNS.join(",")
    );
    for score in scores {
        for (weighed, from_pour) in &score.weighed {
            let signs: Vec<String> = weighed.signs.iter().map(|s| format!("{s:.4}")).collect();
            println!(
                "{},{},{},{},{:.4},{}",
                score.seed,
                weighed.at.rfc3339_ms(),
                from_pour.map_or(String::new(), |s| format!("{s:.2}")),
                weighed.poured,
                weighed.confidence,
                signs.join(","),
            );
        }
    }
}

fn print_seals(shops: u64, json: bool) {
    let seeds: Vec<u64> = (0..shops).map(|i| TUNING.start + i).collect();
    let parts = in_parallel(&seeds, |seed| {
        let mut tally = SealTally::default();
        // Every other shop has a switch on its valve.
        tally.play(&seal_shop(*seed, 3, 50, seed % 2 == 0));
        tally
    });
    let mut all = SealTally::default();
    for part in parts {
        all.add(&part);
    }
    if json {
        println!("{}", all.json());
    } else {
        println!("{shops} shops of three gaskets each, 50 pours a gasket.\n\n{all}");
    }
}
