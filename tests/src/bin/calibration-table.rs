//! Prints what the evidence is worth on drawn shops whose truth is known: whether limits hold
//! it, what no effect is mistaken for, how often a real one is found, what following the advice
//! costs. The table is kept in `DEVELOPERS.md`.

use std::io::{IsTerminal as _, Write as _};
use std::num::NonZero;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use pourbook_tests::calibration::followed;
use pourbook_tests::calibration::over_seeds;
use pourbook_tests::calibration::rows::{self, Row, rows, trials, watched};
use pourbook_tests::calibration::score::{Score, asked, score, stratum_of};
use pourbook_tests::calibration::speed::{five_years, write_flasks};
use pourbook_tests::calibration::table::{Tally, Target, head, line, targets, watched_target};
use pourbook_tests::calibration::tally::Share;
use pourbook_tests::calibration::trapped::{self, Trapped};
use pourbook_tests::calibration::trials::{HEAD, Trials, tried};
use pourbook_tests::calibration::watched::ever_claimed;
use sample_data::ledger::draw;
use sample_data::ledger::traps::ALL;

const HELP: &str = "\
calibration-table: what the evidence is worth on drawn shops whose truth is known

  --shops N          shops a row; by default 4000
  --minutes M        stop when so many minutes are over, each row having had its part
  --rows WORD        only rows whose name has this in it; may be given more than once
  --threads N        by default as many as there are processors
  --list             lists the rows
  --traps            instead: what becomes of shops made to mislead, 200 of each
  --speed            instead: times the evidence on five years of flasks, as JSON
  --flasks FILE      … and writes those flasks there as CSV, for others to be timed on

Rows are printed as they finish. Shops of a row have the seeds from the one that --list shows.

  cargo build --release --workspace && target/release/calibration-table --shops 400";

struct Wanted {
    shops: u64,
    minutes: Option<f64>,
    rows: Vec<String>,
    threads: usize,
    list: bool,
    traps: bool,
    speed: bool,
    flasks: Option<PathBuf>,
}

fn main() -> ExitCode {
    match wanted(std::env::args().skip(1)) {
        Ok(Some(wanted)) => match run(&wanted) {
            Ok(true) => ExitCode::SUCCESS,
            Ok(false) => ExitCode::FAILURE,
            Err(why) => {
                eprintln!("error: {why}");
                ExitCode::FAILURE
            }
        },
        Ok(None) => {
            println!("{HELP}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("error: {why}; see calibration-table --help");
            ExitCode::from(2)
        }
    }
}

fn wanted(mut words: impl Iterator<Item = String>) -> Result<Option<Wanted>, String> {
    let mut wanted = Wanted {
        shops: 4000,
        minutes: None,
        rows: Vec::new(),
        threads: std::thread::available_parallelism().map_or(1, NonZero::get),
        list: false,
        traps: false,
        speed: false,
        flasks: None,
    };
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} needs a value"));
        match word.as_str() {
            "--help" | "-h" => return Ok(None),
            "--shops" => wanted.shops = number(&value()?)?,
            "--minutes" => {
                let minutes: f64 = number(&value()?)?;
                if !(minutes > 0.0 && minutes.is_finite()) {
                    return Err(format!("\"{minutes}\" is no number of minutes"));
                }
                wanted.minutes = Some(minutes);
            }
            "--rows" => wanted.rows.push(value()?),
            "--threads" => wanted.threads = number(&value()?)?,
            "--list" => wanted.list = true,
            "--traps" => wanted.traps = true,
            "--speed" => wanted.speed = true,
            "--flasks" => wanted.flasks = Some(value()?.into()),
            other => return Err(format!("\"{other}\" is no option")),
        }
    }
    if wanted.shops == 0 || wanted.shops > 100_000 {
        return Err("a row has 1 to 100000 shops".to_owned());
    }
    Ok(Some(wanted))
}

fn number<T: std::str::FromStr>(text: &str) -> Result<T, String> {
    text.parse().map_err(|_| format!("\"{text}\" is no number"))
}

/// Whether all targets were met.
fn run(wanted: &Wanted) -> Result<bool, String> {
    if wanted.speed {
        let timed = five_years();
        if let Some(file) = &wanted.flasks {
            write_flasks(file, &timed.shop.flasks)
                .map_err(|e| format!("{}: {e}", file.display()))?;
        }
        println!("{}", timed.json());
        return Ok(true);
    }
    if wanted.traps {
        traps(wanted)?;
        return Ok(true);
    }
    let asked_for = |row: &Row| {
        wanted.rows.is_empty()
            || wanted
                .rows
                .iter()
                .any(|word| row.name.contains(word.as_str()))
    };
    let once: Vec<Row> = rows().into_iter().filter(asked_for).collect();
    let long: Vec<Row> = watched().into_iter().filter(asked_for).collect();
    let by_lot: Vec<Row> = trials().into_iter().filter(asked_for).collect();
    let again: Vec<Row> = rows::followed().into_iter().filter(asked_for).collect();
    if once.is_empty() && long.is_empty() && by_lot.is_empty() && again.is_empty() {
        return Err("no row has such a name; --list shows them".to_owned());
    }
    if wanted.list {
        for row in once.iter().chain(&again).chain(&by_lot).chain(&long) {
            println!("{:<20} seeds from {:>9}  {}", row.name, row.seed, row.words);
        }
        return Ok(true);
    }
    let mut clock = Clock::new(wanted, once.len() + again.len() + by_lot.len() + long.len());
    let mut met: Vec<Target> = Vec::new();
    if !once.is_empty() {
        println!("{}", head());
    }
    for row in &once {
        let mut tally = Tally::default();
        for scores in clock.over(row, |shop_seed| scored(row, shop_seed)) {
            for score in scores {
                tally.add(score.as_ref());
            }
        }
        println!("{}", line(&row.words, &tally));
        flush()?;
        met.extend(targets(&row.name, &row.words, &tally));
    }
    if !again.is_empty() {
        println!("\n{}", followed::HEAD);
    }
    for row in &again {
        let mut all = followed::Tally::default();
        for one in clock.over(row, |seed| {
            followed::followed(seed, &row.plan, FOLLOWED_AFTER)
        }) {
            all.add(&one);
        }
        println!("{}", all.line(&row.words));
        flush()?;
    }
    if !by_lot.is_empty() {
        println!("\n{HEAD}");
    }
    for row in &by_lot {
        let mut all = Trials::default();
        for one in clock.over(row, |seed| tried(seed, &row.plan)) {
            all.add(one.as_ref());
        }
        println!("{}", all.line(&row.words));
        flush()?;
        met.push(all.target(&row.words));
    }
    if !long.is_empty() {
        println!(
            "\n| no effect, watched for five years | number | ever fair or strong |\n|---|---|---|"
        );
    }
    for row in &long {
        let mut ever = Share::default();
        for claimed in clock.over(row, |seed| ever_claimed(&draw(seed, &row.plan))) {
            ever.add(claimed);
        }
        println!("| {} | {} | {ever} |", row.words, ever.of);
        flush()?;
        // What wanders for weeks is no model's assumption: told, not promised.
        if row.plan.session_memory == 0.0 {
            met.push(watched_target(&row.words, ever));
        }
    }
    if !met.is_empty() {
        println!("\n| target | found | met |\n|---|---|---|");
    }
    for target in &met {
        let word = if target.met { "yes" } else { "no" };
        println!("| {} | {} | {word} |", target.words, target.found);
    }
    Ok(met.iter().all(|t| t.met))
}

/// Flasks that a shop has poured before it first follows advice.
const FOLLOWED_AFTER: usize = 100;

/// Shops of one trap.
const TRAPPED: u64 = 200;
/// Flasks of a trap's shops: of some two months, half a year, and a year and a half.
const TRAP_SIZES: [usize; 3] = [100, 300, 1000];

fn traps(wanted: &Wanted) -> Result<(), String> {
    println!("{}", trapped::HEAD);
    for (words, trap) in ALL {
        for flasks in TRAP_SIZES {
            let seeds = 30_000_000..30_000_000 + TRAPPED.min(wanted.shops);
            let mut all = Trapped::default();
            for shop in over_seeds(
                seeds,
                wanted.threads,
                None,
                |_| (),
                |seed| trapped::sprung(trap, seed, flasks),
            ) {
                all.add(&shop);
            }
            println!("{}", all.line(words, flasks));
            flush()?;
        }
    }
    Ok(())
}

/// A score for each line of the shop.
fn scored(row: &Row, seed: u64) -> Vec<Option<Score>> {
    let shop = draw(seed, &row.plan);
    let said = asked(&shop);
    (0..shop.lines.len())
        .map(|line| stratum_of(&said, &shop, line).map(|s| score(&shop, line, s)))
        .collect()
}

fn flush() -> Result<(), String> {
    std::io::stdout().flush().map_err(|e| e.to_string())
}

/// Shares what time there is among the rows that are left.
struct Clock {
    shops: u64,
    threads: usize,
    ends: Option<Instant>,
    left: u32,
}

impl Clock {
    fn new(wanted: &Wanted, rows: usize) -> Clock {
        let ends = wanted
            .minutes
            .map(|m| Instant::now() + Duration::from_secs_f64(60.0 * m));
        Clock {
            shops: wanted.shops,
            threads: wanted.threads,
            ends,
            left: rows as u32,
        }
    }

    fn over<R: Send>(&mut self, row: &Row, work: impl Fn(u64) -> R + Sync) -> Vec<R> {
        let began = Instant::now();
        let until = self.ends.map(|ends| {
            let rest = ends.saturating_duration_since(began);
            began + rest / self.left.max(1)
        });
        self.left = self.left.saturating_sub(1);
        let shops = self.shops;
        let step = (shops as usize / 20).max(1);
        let watched = std::io::stderr().is_terminal();
        let done = over_seeds(
            row.seed..row.seed + shops,
            self.threads,
            until,
            |done| {
                if watched && done % step == 0 {
                    eprint!("\r{:<20} {done:>6} of {shops}", row.name);
                }
            },
            work,
        );
        eprintln!(
            "{}{:<20} {:>6} shops, seeds {} to {}, {:.0} s",
            if watched { "\r" } else { "" },
            row.name,
            done.len(),
            row.seed,
            row.seed + (done.len() as u64).saturating_sub(1),
            began.elapsed().as_secs_f64()
        );
        done
    }
}
