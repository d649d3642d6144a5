//! What `check` says of kilns: the programme each is followed against, in words; and for one
//! without, the programme that its last burnout would have been, ready to be copied.

use analysis::burnout::shape::programme_of;
use analysis::burnout::{BurnoutRow, Programme};
use analysis::time::Micros;
use analysis::units::ShownIn;

use crate::book::Book;
use crate::config::Config;
use crate::records::Records;

/// The lines for every kiln, in the order of the configuration.
pub(super) fn kiln_lines(book: &Book, config: &Config) -> Vec<String> {
    let shown = &config.shop.shown_in;
    // A book that has no records yet has no burnout to show either.
    let records = Records::open(&book.records()).ok();
    let mut lines = Vec::new();
    for kiln in &config.kilns {
        let limit = shown.temperature(kiln.highest_c);
        if let Some(programme) = kiln.programme.as_deref().and_then(|p| config.programme(p)) {
            lines.push(format!(
                "{}: followed against \"{}\": {}; above {limit} it is told whatever the programme",
                kiln.name,
                programme.name(),
                in_words(programme, shown)
            ));
            continue;
        }
        lines.push(format!(
            "{}: no programme, so a stall cannot be told from a hold; above {limit} it is told",
            kiln.name
        ));
        let seen = records.as_ref().and_then(|records| {
            let burnouts = records.burnouts(Some(&kiln.name), Micros(i64::MIN), Micros(i64::MAX));
            last_whole(burnouts.ok()?)
        });
        if let Some(programme) = seen.and_then(|row| programme_of("as-seen", &row.spells).ok()) {
            lines.push("  its last burnout would be:".to_owned());
            lines.extend(in_toml(&programme).lines().map(|line| format!("  {line}")));
        }
    }
    lines
}

/// The last burnout that was seen from its beginning to its end, with nothing wrong.
fn last_whole(burnouts: Vec<BurnoutRow>) -> Option<BurnoutRow> {
    burnouts
        .into_iter()
        .rfind(|row| !row.joined_late && row.ended_at.is_some() && row.faults.is_empty())
}

fn in_words(programme: &Programme, shown: &ShownIn) -> String {
    let steps = programme.steps().iter().map(|step| {
        let to = step.to_c.map_or_else(
            || "what the flask cards say".to_owned(),
            |c| shown.temperature(c).to_string(),
        );
        let ramp = step.ramp_k_h.map_or_else(String::new, |k_h| {
            format!(" at {}/h", shown.difference(k_h))
        });
        let hold = step.hold_min.map_or_else(
            || "held until the flasks are out".to_owned(),
            |min| format!("held {min:.0} min"),
        );
        format!("to {to}{ramp}, {hold}")
    });
    steps.collect::<Vec<_>>().join("; ")
}

/// The programme as `pourbook.toml` has it.
fn in_toml(programme: &Programme) -> String {
    let mut text = format!(
        "[[programme]]\nname = \"{}\"\nsteps = [\n",
        programme.name()
    );
    for step in programme.steps() {
        let mut parts = Vec::new();
        parts.extend(step.to_c.map(|c| format!("to = \"{c:.0} Cel\"")));
        parts.extend(step.ramp_k_h.map(|k_h| format!("ramp = \"{k_h:.0} K/h\"")));
        parts.extend(step.hold_min.map(|min| format!("hold_min = {min:.0}")));
        text.push_str(&format!("  {{ {} }},\n", parts.join(", ")));
    }
    text + "]\n"
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_programme_that_was_seen_can_be_copied_into_the_configuration() {
        let shop = "[shop]\nname = \"a\"\ntime_zone = \"Europe/Dublin\"\n";
        let written = "[[programme]]\nname = \"as-seen\"\nsteps = [\n  { to = \"150 Cel\", ramp = \
                       \"175 K/h\", hold_min = 105 },\n  { to = \"730 Cel\" },\n]\n";
        let config = Config::parse(&format!("{shop}{written}"), "pourbook.toml").unwrap();
        assert_eq!(in_toml(&config.programmes[0]), written);
        assert_eq!(
            in_words(&config.programmes[0], &config.shop.shown_in),
            "to 150 °C at 175 °C/h, held 105 min; to 730 °C, held until the flasks are out"
        );
    }
}
