//! Prints `truth.json` of the invented shop: `truth SEED WEEKS LAST-DAY`, by default
//! `truth 7 26 2026-11-22`. A few figures of what was drawn go to stderr.

use std::error::Error;

use sample_data::truth::TruthFile;
use sample_data::{Shop, Troubles, simulate};

fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let mut word = |otherwise: &str| words.next().unwrap_or_else(|| otherwise.to_owned());
    let shop = Shop::new(
        word("7").parse()?,
        word("26").parse()?,
        word("2026-11-22").parse()?,
    );
    let mut sessions = Vec::new();
    let (mut flasks, mut inspected, mut pieces, mut defective, mut steering, mut readings) =
        (0, 0, 0, 0, 0, 0);
    for plan in shop.sessions() {
        let session = simulate(plan, 1.0, &Troubles::default());
        readings += session.samples.len();
        flasks += session.cards.len();
        for inspection in &session.inspections {
            inspected += 1;
            pieces += inspection.pieces;
            defective += inspection.defective;
            steering += inspection.defective_steering;
        }
        sessions.push(session.truth);
    }
    eprintln!(
        "{} sessions, {flasks} flasks of which {inspected} inspected, {pieces} pieces, \
         {defective} defective, {steering} that may steer, {readings} readings",
        sessions.len()
    );
    let truth = TruthFile {
        shop: shop.truth(),
        sessions,
    };
    println!("{}", serde_json::to_string_pretty(&truth)?);
    Ok(())
}
