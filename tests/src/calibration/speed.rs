//! The evidence timed on five years of flasks, and those flasks as a table for others to be timed
//! on.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::time::Instant;

use analysis::flask::Flask;
use sample_data::ledger::plan::Size;
use sample_data::ledger::{Heat, Ledger, Plan, draw};
use serde_json::{Value, json};

use super::score::asked;

/// The seed of the shop that is timed.
const SEED: u64 = 11_000_000;
/// The best of so many runs: what else the computer does is not ours.
const RUNS: usize = 3;

/// A shop and how long its evidence took.
#[derive(Clone, Debug)]
pub struct Timed {
    /// The shop.
    pub shop: Ledger,
    /// Its sessions.
    pub sessions: usize,
    /// The quickest run, s.
    pub seconds: f64,
}

impl Timed {
    /// As JSON.
    pub fn json(&self) -> Value {
        json!({
            "flasks": self.shop.flasks.len(),
            "sessions": self.sessions,
            "seconds": self.seconds,
        })
    }
}

/// Five years of three sections, asked as the weekly report asks.
pub fn five_years() -> Timed {
    let shop = draw(SEED, &Plan::three_sections(Size::Weeks(260), Heat::cup()));
    let mut sessions: Vec<&str> = shop.flasks.iter().map(|f| f.session.as_str()).collect();
    sessions.dedup();
    let seconds = (0..RUNS)
        .map(|_| {
            let began = Instant::now();
            let said = asked(&shop);
            assert_eq!(said.strata.len(), shop.lines.len());
            began.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min);
    Timed {
        sessions: sessions.len(),
        seconds,
        shop,
    }
}

/// The flasks that may steer the pour and were looked at, as CSV.
///
/// # Errors
/// What the file system says.
pub fn write_flasks(file: &Path, flasks: &[Flask]) -> io::Result<()> {
    let mut out = BufWriter::new(File::create(file)?);
    writeln!(
        out,
        "session,day,section,pieces,defective_steering,pour_temperature_c,flask_temperature_c,\
         vacuum_share,remelt_percent,seal_age_pours"
    )?;
    let first = flasks.first().map(|f| f.cast_at).unwrap_or_default();
    for f in flasks.iter().filter(|f| f.set_aside.is_none()) {
        let (Some(pieces), Some(bad)) = (f.pieces, f.defective_steering) else {
            continue;
        };
        let figure = |x: Option<f64>| x.map_or_else(String::new, |x| x.to_string());
        writeln!(
            out,
            "{},{},{},{pieces},{bad},{},{},{},{},{}",
            f.session,
            f.cast_at.seconds_since(first) / 86_400.0,
            f.section.as_deref().unwrap_or_default(),
            figure(f.pour_temperature_c),
            figure(f.flask_temperature_c),
            figure(f.vacuum_share),
            figure(f.remelt_percent),
            figure(f.seal_age_pours.map(f64::from)),
        )?;
    }
    out.flush()
}
