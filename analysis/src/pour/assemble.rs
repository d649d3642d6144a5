//! The one ordered step that adds to context-free rows what spans sessions: hand corrections,
//! part changes, the machine's usual pull, targets and flask cards. Rows from one machine or
//! from a thousand trace files give the same table, row by row.

mod flask_heat;

use std::collections::BTreeMap;

use super::correction::correct;
use super::rows::{FoundBy, PourRow, PullRow, Row, Verdict, quality};
use super::usual::{self, FlaskSize, PULLS_FOR_USUAL};
use crate::burnout::SessionKiln;
use crate::cooling::Mould;
use crate::time::Micros;
use crate::upkeep::ages::write_ages;
use crate::upkeep::fault::LONGEST_OUT_S;
use crate::upkeep::{Fault, Part, PartChange, PartsAtPour, UpkeepRow};

pub use super::correction::Correction;

/// A correction, card or pour within this of another time means that pour, s.
pub const SAME_POUR_S: f64 = 15.0;
/// A charge of less than this share of the metal asked for is short: sprue and button are about
/// half of the metal and take up a few per cent, no more (common practice).
const SHORT_CHARGE_SHARE: f64 = 0.95;
/// A flask cannot have stood longer than this between kiln and pour, s; a longer time is a
/// wrong entry.
const LONGEST_TRANSFER_S: f64 = 3600.0;

/// What the shop meant to pour at, from some time on.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// Alloy name.
    pub alloy: String,
    /// `thin`, `medium` or `heavy`; none: every section that has no target of its own.
    pub section: Option<String>,
    /// In force from then until the next one for the same alloy and section.
    pub from: Micros,
    /// Pour temperature, °C.
    pub pour_temperature_c: f64,
}

/// A flask card that is matched to a pour.
#[derive(Clone, Debug, PartialEq)]
pub struct Card {
    /// The card's id.
    pub id: String,
    /// The machine that poured it.
    pub machine: String,
    /// The pour it is matched to, by its time (within [`SAME_POUR_S`]).
    pub pour_at: Micros,
    /// Alloy name.
    pub alloy: Option<String>,
    /// The alloy's liquidus, °C.
    pub liquidus_c: Option<f64>,
    /// Section.
    pub section: Option<String>,
    /// A target of its own (a trial arm), °C; goes before the shop's.
    pub target_c: Option<f64>,
    /// The flask's diameter, mm.
    pub diameter_mm: Option<f64>,
    /// The flask's size.
    pub size: Option<FlaskSize>,
    /// The kiln's set point, °C.
    pub kiln_set_point_c: Option<f64>,
    /// How much the kiln differs from shelf to shelf, K (greatest to least).
    pub kiln_spread_k: Option<f64>,
    /// When the flask left the kiln.
    pub out_of_kiln_at: Option<Micros>,
    /// What the kiln read then, °C; looked up in the kiln's trace by whoever builds the card.
    pub kiln_temperature_c: Option<f64>,
    /// Soak actually held, min; likewise.
    pub soak_min: Option<f64>,
    /// What was off about its time in the kiln and its way out, in the words of
    /// [`super::rows::quality`]; likewise.
    pub quality: Vec<&'static str>,
    /// The metal that the flask asks for, g.
    pub metal_g: Option<f64>,
    /// The metal that was weighed in for it, lot by lot, g.
    pub charged_g: Option<f64>,
}

impl Card {
    /// Whether clearly less metal was weighed in than the flask asks for.
    fn is_short(&self) -> bool {
        self.metal_g
            .zip(self.charged_g)
            .is_some_and(|(asked, weighed)| weighed < SHORT_CHARGE_SHARE * asked)
    }
}

/// How the shop's flasks cool, from some time on.
#[derive(Clone, Debug, PartialEq)]
pub struct MouldFrom {
    /// In force from then until the next; the first also before.
    pub from: Micros,
    /// As measured there.
    pub mould: Mould,
}

/// Everything that spans sessions. Order does not matter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Context {
    /// Changes of parts; from each of a machine's gasket on, its usual pull is learnt anew.
    pub part_changes: Vec<PartChange>,
    /// Targets with their history.
    pub targets: Vec<Target>,
    /// Matched cards.
    pub cards: Vec<Card>,
    /// Measured flasks; none: the literature's.
    pub moulds: Vec<MouldFrom>,
    /// By machine, how long a flask may stand between kiln and pour, s; where it is not said,
    /// [`LONGEST_OUT_S`].
    pub longest_out_s: BTreeMap<String, f64>,
    /// Hand corrections.
    pub corrections: Vec<Correction>,
}

/// One machine's rows.
#[derive(Default)]
struct Machine {
    pulls: Vec<PullRow>,
    pours: Vec<PourRow>,
    upkeep: Vec<UpkeepRow>,
    kilns: Vec<SessionKiln>,
}

/// A pour of which only the time is known.
pub fn bare_pour(session: &str, machine: &str, at: Micros, found_by: FoundBy) -> PourRow {
    PourRow {
        session: session.to_owned(),
        machine: machine.to_owned(),
        number: 1,
        at,
        confidence: 1.0,
        found_by,
        flask: None,
        pour_temperature_c: None,
        target_c: None,
        superheat_k: None,
        heating_rate_k_s: None,
        peak_melt_c: None,
        time_molten_s: None,
        since_charge_s: None,
        vacuum_kpa: None,
        vacuum_share: None,
        vacuum_lead_s: None,
        vacuum_after_kpa: None,
        gas_flow_l_min: None,
        gas_flow_least_l_min: None,
        kiln_temperature_c: None,
        soak_min: None,
        transfer_s: None,
        flask_temperature_c: None,
        flask_temperature_sd_k: None,
        flask_temperature_from: None,
        seal_age_pours: None,
        quality: vec![quality::NO_MELT_READING.to_owned()],
        faults: vec![quality::NO_MELT_READING.to_owned()],
        parts: PartsAtPour::default(),
    }
}

/// Adds to the rows of any number of sessions what their context knows. The rows may come in
/// any order; they leave ordered by machine, time and kind. Assembling twice changes nothing.
pub fn assemble(rows: Vec<Row>, context: &Context) -> Vec<Row> {
    let mut machines: BTreeMap<String, Machine> = BTreeMap::new();
    for row in rows {
        let machine = machines.entry(row.machine().to_owned()).or_default();
        match row {
            Row::Pull(pull) => machine.pulls.push(pull),
            Row::Pour(pour) => machine.pours.push(pour),
            Row::Upkeep(upkeep) => machine.upkeep.push(upkeep),
            Row::Kiln(kiln) => machine.kilns.push(kiln),
        }
    }
    for pour in context.corrections.iter().filter_map(Correction::row) {
        machines.entry(pour.machine.clone()).or_default();
    }
    let mut out = Vec::new();
    for (machine, rows) in machines {
        let Machine {
            mut pulls,
            mut pours,
            mut upkeep,
            mut kilns,
        } = rows;
        upkeep.sort_by(|a, b| (a.from, &a.session).cmp(&(b.from, &b.session)));
        kilns.sort_by(|a, b| (&a.session, a.heard.number).cmp(&(&b.session, b.heard.number)));
        correct(&machine, &mut pours, &context.corrections);
        pulls.sort_by(|a, b| (a.opened_at, &a.session).cmp(&(b.opened_at, &b.session)));
        pours.sort_by(|a, b| (a.at, &a.session).cmp(&(b.at, &b.session)));
        number(&mut pours);
        let gaskets = gaskets_of(&machine, context);
        rejudge(&mut pulls, &pours, &gaskets, context);
        for pull in &mut pulls {
            pull.poured = pours.iter().any(|pour| into(pull, pour));
        }
        count_seal_age(&mut pours, &gaskets);
        write_ages(
            &machine,
            &mut pours,
            &pulls,
            &upkeep,
            &context.part_changes,
            into,
        );
        for pour in &mut pours {
            note_pull(pour, pulls.iter().find(|pull| into(pull, pour)));
            let card = card_of(pour, context);
            fill_from_card(pour, card, context);
            flask_heat::fill(pour, card, context);
            let short = card.is_some_and(Card::is_short);
            let longest_out_s = context.longest_out_s.get(&machine).copied();
            pour.faults = Fault::of(pour, short, longest_out_s.unwrap_or(LONGEST_OUT_S));
        }
        let mut mixed: Vec<Row> = upkeep
            .into_iter()
            .map(Row::Upkeep)
            .chain(kilns.into_iter().map(Row::Kiln))
            .chain(pulls.into_iter().map(Row::Pull))
            .chain(pours.into_iter().map(Row::Pour))
            .collect();
        mixed.sort_by_key(Row::at);
        out.append(&mut mixed);
    }
    out
}

fn near(a: Micros, b: Micros) -> bool {
    a.seconds_since(b).abs() <= SAME_POUR_S
}

pub(super) fn number(pours: &mut [PourRow]) {
    let mut counts: BTreeMap<String, u32> = BTreeMap::new();
    for pour in pours {
        let n = counts.entry(pour.session.clone()).or_default();
        *n += 1;
        pour.number = *n;
    }
}

pub(super) fn gaskets_of(machine: &str, context: &Context) -> Vec<Micros> {
    let mut changes: Vec<Micros> = context
        .part_changes
        .iter()
        .filter(|change| change.part == Part::Gasket && change.machine == machine)
        .map(|change| change.at)
        .collect();
    changes.sort_unstable();
    changes
}

/// Good pulls that fall short of the machine's own for the flask become weak. Never the other
/// way: the floor stands whatever a machine is used to.
fn rejudge(pulls: &mut [PullRow], pours: &[PourRow], gaskets: &[Micros], context: &Context) {
    let sizes: Vec<Option<FlaskSize>> = pulls
        .iter()
        .map(|pull| usual::size_of(pull, pours, context))
        .collect();
    let spell_of = |pull: &PullRow| gaskets.partition_point(|change| *change <= pull.opened_at);
    let mut kinds: BTreeMap<(usize, Option<FlaskSize>), Vec<usize>> = BTreeMap::new();
    for (i, pull) in pulls.iter().enumerate() {
        kinds.entry((spell_of(pull), sizes[i])).or_default().push(i);
    }
    for same in kinds.into_values() {
        let Some(usual) = usual::anchor(same.iter().map(|i| &pulls[*i])) else {
            continue;
        };
        // The ten that made the usual were judged by the floor and stay so; re-judged, they
        // would make another usual the next time.
        let mut made = 0;
        for i in same {
            let pull = &mut pulls[i];
            if made < PULLS_FOR_USUAL {
                made += usize::from(usual::counts(pull));
                continue;
            }
            let short = pull
                .settled_share()
                .is_some_and(|(share, se)| usual.is_short(share, se));
            if pull.verdict == Verdict::Good && short {
                pull.verdict = Verdict::Weak;
            }
        }
    }
}

/// Whether this pour went into this pull; the few seconds are those a turn may be late.
pub(super) fn into(pull: &PullRow, pour: &PourRow) -> bool {
    pull.session == pour.session
        && pour.at >= pull.opened_at
        && pull
            .closed_at
            .is_none_or(|closed| pour.at <= closed.plus_seconds(3.0))
}

/// The words about the pull follow the verdict as it now stands.
fn note_pull(pour: &mut PourRow, pull: Option<&PullRow>) {
    let Some(pull) = pull else { return };
    pour.quality
        .retain(|w| w != quality::WEAK_PULL && w != quality::MISSING_PULL);
    match pull.verdict {
        Verdict::Weak => pour.quality.push(quality::WEAK_PULL.to_owned()),
        Verdict::Missing => pour.quality.push(quality::MISSING_PULL.to_owned()),
        Verdict::Good | Verdict::Unknown => {}
    }
    pour.quality.sort_unstable();
}

/// Pours made on the same gasket before this one; none while no change is on record.
fn count_seal_age(pours: &mut [PourRow], gaskets: &[Micros]) {
    let mut current: Option<Micros> = None;
    let mut count = 0;
    for pour in pours {
        let changed = gaskets.iter().rev().find(|at| **at <= pour.at).copied();
        if changed != current {
            (current, count) = (changed, 0);
        }
        pour.seal_age_pours = changed.map(|_| count);
        count += 1;
    }
}

pub(super) fn card_of<'a>(pour: &PourRow, context: &'a Context) -> Option<&'a Card> {
    context
        .cards
        .iter()
        .filter(|card| card.machine == pour.machine && near(card.pour_at, pour.at))
        .min_by_key(|card| (card.pour_at.0.abs_diff(pour.at.0), &card.id))
}

fn fill_from_card(pour: &mut PourRow, card: Option<&Card>, context: &Context) {
    let Some(card) = card else { return };
    pour.flask = Some(card.id.clone());
    pour.target_c = card.target_c.or_else(|| target_at(pour.at, card, context));
    if let Some((melt, liquidus)) = pour.pour_temperature_c.zip(card.liquidus_c) {
        pour.superheat_k = Some(melt - liquidus);
        pour.quality.retain(|w| w != quality::BELOW_LIQUIDUS);
        if melt < liquidus {
            pour.quality.push(quality::BELOW_LIQUIDUS.to_owned());
            pour.quality.sort_unstable();
        }
    }
    if card.kiln_temperature_c.is_some() {
        pour.kiln_temperature_c = card.kiln_temperature_c;
        pour.quality.retain(|w| w != quality::NO_KILN_READING);
    }
    if card.soak_min.is_some() {
        pour.soak_min = card.soak_min;
    }
    for word in &card.quality {
        if !pour.quality.iter().any(|w| w == word) {
            pour.quality.push((*word).to_owned());
        }
    }
    pour.quality.sort_unstable();
    let transfer = card
        .out_of_kiln_at
        .map(|out| pour.at.seconds_since(out))
        .filter(|s| (0.0..=LONGEST_TRANSFER_S).contains(s));
    if transfer.is_some() {
        pour.transfer_s = transfer;
    }
}

/// The newest target for this alloy and section; one for the section goes before one for all.
fn target_at(at: Micros, card: &Card, context: &Context) -> Option<f64> {
    let alloy = card.alloy.as_deref()?;
    let newest = |section: Option<&str>| {
        context
            .targets
            .iter()
            .filter(|t| t.alloy == alloy && t.section.as_deref() == section && t.from <= at)
            .max_by_key(|t| t.from)
            .map(|t| t.pour_temperature_c)
    };
    card.section
        .as_deref()
        .and_then(|section| newest(Some(section)))
        .or_else(|| newest(None))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
