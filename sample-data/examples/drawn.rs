//! Prints a drawn session: `drawn SEED` its readings, one a line, as CSV, with the truth before
//! them in lines that begin with `#`. Not for the seeds that are kept for the final table.

use std::error::Error;
use std::io::{BufWriter, Write};

use sample_data::drawn::{Mix, Settings, TEST, draw};

fn main() -> Result<(), Box<dyn Error>> {
    let seed: u64 = std::env::args()
        .nth(1)
        .ok_or("which seed? drawn 1000")?
        .parse()?;
    if TEST.contains(&seed) {
        return Err("this seed is kept unseen".into());
    }
    let session = draw(seed, &Settings::of(Mix::everything()));
    let trace = session.trace();
    let Some(first) = trace.iter().map(|s| s.time).min() else {
        return Ok(());
    };
    let mut out = BufWriter::new(std::io::stdout().lock());
    let s = |at: analysis::time::Micros| at.seconds_since(first);
    for pour in &session.truth.pours {
        let words: Vec<&str> = pour.troubles.iter().map(|t| t.words()).collect();
        writeln!(
            out,
            "# pour,{:.2},{},{:.1},{:.2},{}",
            s(pour.at),
            pour.at.rfc3339_ms(),
            -pour.chill_k,
            pour.gap_s,
            words.join("; ")
        )?;
    }
    for pull in &session.truth.pulls {
        let (from, to) = (s(pull.opened_at), s(pull.closed_at));
        writeln!(out, "# pull,{from:.2},{to:.2},{:?}", pull.seating)?;
    }
    for sample in &trace {
        let t = s(sample.time);
        writeln!(out, "{},{t:.3},{}", sample.channel, sample.value)?;
    }
    Ok(())
}
