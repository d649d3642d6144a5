//! What the formal looks said when they were last gone through, kept from one asking to the next.
//! A look rests on the flasks that were there and on no later ones, so what it said need not be
//! worked out again every week. Nothing here can change an answer: what is kept counts only
//! while a digest of everything that the last look rests on is the same, and is worked out anew
//! otherwise.

use std::collections::BTreeMap;
use std::fmt::{self, Write as _};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::Question;
use super::looks::{self, InOrder, Said};
use super::rows::Row;
use super::standing::{Claim, Key, Shop};
use crate::probe::series::scale;

/// Askings that are kept: reports of weeks on either side of some looks, before and after a
/// correction.
const KEPT: usize = 16;

/// What the looks said, for [`evidence_after`](super::evidence_after). An empty one knows
/// nothing. It may be stored, for the same build of the program: another may judge otherwise.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Past {
    /// Newest first.
    askings: Vec<Asking>,
}

/// What looks said once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Asking {
    /// Of everything that the last look rests on.
    digest: String,
    said: Vec<(Key, Vec<Said>)>,
    claims: Vec<(Key, Stands)>,
}

/// A claim that stands, free of the flasks that it was made from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Stands {
    pour_c: f64,
    against_c: f64,
    scale: Option<String>,
}

/// What was said of each stratum by every look so far, and the claims that stand after the last.
pub(super) type Told<'a> = (BTreeMap<Key, Vec<Said>>, BTreeMap<Key, Claim<'a>>);

impl Past {
    /// What is known of looks with this digest.
    pub(super) fn recall<'a>(&self, digest: &str, rows: &[&Row<'a>]) -> Option<Told<'a>> {
        let asking = self.askings.iter().find(|a| a.digest == digest)?;
        let said = asking.said.iter().cloned().collect();
        let mut claims = BTreeMap::new();
        for (key, stands) in &asking.claims {
            let scale = match &stands.scale {
                None => None,
                // The same digest means the same flasks, so one of them was read on it.
                Some(name) => Some(
                    rows.iter()
                        .filter_map(|r| scale(r.flask))
                        .find(|scale| *scale == name)?,
                ),
            };
            let claim = Claim {
                pour_c: stands.pour_c,
                against_c: stands.against_c,
                scale,
            };
            claims.insert(key.clone(), claim);
        }
        Some((said, claims))
    }

    /// Keeps what looks with this digest said.
    pub(super) fn keep(&mut self, digest: String, (said, claims): &Told<'_>) {
        let stands = |claim: &Claim| Stands {
            pour_c: claim.pour_c,
            against_c: claim.against_c,
            scale: claim.scale.map(str::to_owned),
        };
        let asking = Asking {
            digest,
            said: said.iter().map(|(k, s)| (k.clone(), s.clone())).collect(),
            claims: claims.iter().map(|(k, c)| (k.clone(), stands(c))).collect(),
        };
        self.askings.insert(0, asking);
        self.askings.truncate(KEPT);
    }

    /// Moves every claim to a temperature that no look claimed, and says how many there were.
    #[cfg(test)]
    pub(super) fn forge(&mut self, pour_c: f64) -> usize {
        let mut claims = 0;
        for (_, claim) in self.askings.iter_mut().flat_map(|a| &mut a.claims) {
            claim.pour_c = pour_c;
            claims += 1;
        }
        claims
    }
}

/// A digest of everything that looks up to `number` rest on.
pub(super) fn digest<'a>(shop: &Shop<'a, '_>, order: &InOrder<'a>, number: usize) -> String {
    // Taken apart, so that a part added later is not forgotten here.
    let Question {
        outcome,
        since,
        // Flasks after the last look are not in it, whenever the asking ends.
        until: _,
        alloy,
        section,
        shown_in,
        kinds,
        alloys,
        factors,
        shape,
        spread,
        method,
        repeatability_k,
        trials,
        draws,
        meant,
    } = shop.question;
    let mut sum = Sum(Sha256::new());
    sum.add(&(number, outcome, since, alloy, section, shown_in, kinds));
    sum.add(&(alloys, factors, shape, spread, method, repeatability_k));
    sum.add(&(trials, draws, meant, &shop.manner, &shop.asked_otherwise));
    if number > 0 {
        let (seen, until) = order.first(looks::sessions_at(number), &shop.rows);
        sum.add(&until);
        for row in seen {
            sum.add(&(&row.flask.id, &row.alloy, &row.section));
            sum.add(&(&row.fewest, &row.most));
        }
        for (key, poured) in &shop.poured {
            sum.add(key);
            // Those that nobody inspected count as well.
            for one in poured.iter().filter(|p| p.by(until)) {
                sum.add(one);
            }
        }
    }
    let digest = sum.0.finalize();
    digest.iter().fold(String::new(), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// A sum over values as they are printed for debugging: every field, floats to the last digit.
struct Sum(Sha256);

impl Sum {
    fn add(&mut self, value: &impl fmt::Debug) {
        // A sum takes whatever it is given.
        let _ = writeln!(self, "{value:?}");
    }
}

impl fmt::Write for Sum {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.0.update(text);
        Ok(())
    }
}
