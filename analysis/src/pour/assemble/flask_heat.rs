//! How hot a flask still was as the metal came: measured by a thermocouple in it, else cooled
//! from the kiln over its time out of it, else what its card says.

use super::{Card, Context, MouldFrom};
use crate::cooling::{Mould, USUAL_KILN_SPREAD_K, Way, cooled};
use crate::pour::rows::{FlaskTemperatureFrom, PourRow};
use crate::thermocouple::unknown_probe_uncertainty_k;
use crate::time::Micros;

/// How well a door switch or a tap tells when the flask left, s: the door opens a little before.
const SWITCH_SD_S: f64 = 5.0;
/// A time written down to the minute (rectangular, 60 s ÷ √12; JCGM 100:2008, 4.3.7), s.
const MINUTE_SD_S: f64 = 17.3;
/// How far a kiln that nobody reads is from its set point, K, as a standard deviation (common
/// practice: controllers hold 1 to 4 K, their thermocouples are off by as much as any).
const SET_POINT_SD_K: f64 = 5.0;

/// Fills in the flask's temperature, its standard uncertainty and where it comes from.
pub(super) fn fill(pour: &mut PourRow, card: Option<&Card>, context: &Context) {
    if pour.flask_temperature_from == Some(FlaskTemperatureFrom::Measured) {
        return;
    }
    let found = by_cooling(pour, card, context).or_else(|| by_card(card?));
    pour.flask_temperature_c = found.map(|f| f.celsius);
    pour.flask_temperature_sd_k = found.and_then(|f| f.sd_k);
    pour.flask_temperature_from = found.map(|f| f.from);
}

#[derive(Clone, Copy)]
struct Found {
    celsius: f64,
    sd_k: Option<f64>,
    from: FlaskTemperatureFrom,
}

fn by_cooling(pour: &PourRow, card: Option<&Card>, context: &Context) -> Option<Found> {
    let seconds = pour.transfer_s?;
    let spread_k = card
        .and_then(|c| c.kiln_spread_k)
        .unwrap_or(USUAL_KILN_SPREAD_K);
    // Anywhere between the coolest and the hottest shelf (rectangular; JCGM 100, 4.3.7).
    let shelf_sd_k = spread_k / 12.0_f64.sqrt();
    let written = card
        .and_then(|c| c.out_of_kiln_at)
        .filter(|out| pour.at.seconds_since(*out) == seconds);
    let read = match (card.and_then(|c| c.kiln_temperature_c), written) {
        (Some(then), _) => Some(then),
        (None, None) => pour.kiln_temperature_c,
        // A reading at the pour is one after the door was open: its sensor hangs in the air and
        // has lost tens of kelvin that the flask kept.
        (None, Some(_)) => None,
    };
    let (kiln_c, reading_sd_k) = match read {
        Some(read) => (read, 0.0),
        // Nobody read the kiln in time: its set point is the best there is.
        None => (card?.kiln_set_point_c?, SET_POINT_SD_K),
    };
    let kiln_sd_k = shelf_sd_k
        .hypot(reading_sd_k)
        .hypot(unknown_probe_uncertainty_k(kiln_c));
    let way = Way {
        kiln_c,
        kiln_sd_k,
        seconds,
        seconds_sd: written.map_or(SWITCH_SD_S, written_sd_s),
        diameter_mm: card.and_then(|c| c.diameter_mm),
    };
    let flask = cooled(&mould_at(&context.moulds, pour.at), &way)?;
    Some(Found {
        celsius: flask.pieces.celsius,
        sd_k: Some(flask.pieces.sd_k),
        from: FlaskTemperatureFrom::Cooled,
    })
}

fn by_card(card: &Card) -> Option<Found> {
    Some(Found {
        celsius: card.kiln_set_point_c?,
        sd_k: card.kiln_spread_k.map(|spread| spread / 12.0_f64.sqrt()),
        from: FlaskTemperatureFrom::Card,
    })
}

/// A whole minute was written down by hand; anything finer was tapped.
fn written_sd_s(at: Micros) -> f64 {
    if at.0.rem_euclid(60_000_000) == 0 {
        MINUTE_SD_S
    } else {
        SWITCH_SD_S
    }
}

/// The mould in force at a time: the newest that holds from then or before; earlier than all of
/// them the first, since a shop's flasks were what they were before anybody measured one; the
/// literature's where nobody did.
fn mould_at(moulds: &[MouldFrom], at: Micros) -> Mould {
    moulds
        .iter()
        .filter(|m| m.from <= at)
        .max_by_key(|m| m.from)
        .or_else(|| moulds.iter().min_by_key(|m| m.from))
        .map_or_else(Mould::default, |m| m.mould)
}
