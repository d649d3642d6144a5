//! The session sheet's kiln and bench: the burnout that fed the session, how worn each part was
//! at each pour, what gas was let out and what is left, and what keeps a pour from steering.

use analysis::gas::OXYGEN_IN_AIR_PERCENT;
use analysis::gas::cylinder::{Lasts, RESERVE_KPA};
use analysis::gas::room::{DEFICIENT_PERCENT, Emptied};
use analysis::pour::PourRow;
use analysis::upkeep::Fault;

use super::SessionSheet;
use crate::chart::night;
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};
use crate::table::{Cell, Table};
use crate::wording;

/// The gas at a session's end, and how long it lasts.
#[derive(Clone, Debug, PartialEq)]
pub struct GasLeft {
    /// Let out in the session, L as it flowed.
    pub used_l: f64,
    /// Left in the cylinder, L; none while its content is not on record.
    pub left_l: Option<f64>,
    /// How far both may be off because the sensor was silent, L.
    pub unsure_l: f64,
    /// How long that lasts, at the use of the last weeks, down to the pressure at which a
    /// cylinder is changed.
    pub lasts: Option<Lasts>,
    /// The room that the gas goes into, m³, if the shop has said.
    pub room_m3: Option<f64>,
    /// Its oxygen if all of the cylinder got into it at once.
    pub emptied: Option<Emptied>,
    /// Hours until the closed room is short of oxygen at the session's mean flow.
    pub deficient_h: Option<f64>,
}

impl SessionSheet {
    /// The burnouts of the session's kilns; none if nothing was heard of any.
    pub(super) fn nights(&self) -> Result<Option<Section>, PageError> {
        let mut figures: Vec<Drawn> = Vec::new();
        for (number, kiln) in (1..).zip(&self.nights) {
            let id = format!("burnout-{number}");
            let figure = night::draw(&id, kiln, &self.shop.shown, &self.shop.zone)?;
            figures.extend(figure.map(Drawn::from));
        }
        Ok((!figures.is_empty()).then(|| Section {
            id: "burnout",
            title: "The kiln".to_owned(),
            blocks: vec![Block::Figures { figures }],
        }))
    }

    /// How worn the bench was at each pour, and its gas; none if nothing is on record.
    pub(super) fn bench(&self) -> Option<Section> {
        let mut blocks = Vec::new();
        let table = self.wear();
        if !table.rows.is_empty() {
            blocks.push(Block::text(
                "Pours since each part was changed, this one not counted; hot and bare is \
                 graphite above 500 °C with less cover gas than the machine's least.",
            ));
            blocks.push(Block::Table { table });
        }
        let gas = self.gas.as_ref().map(|gas| self.gas_said(gas));
        if let Some(items) = gas.filter(|items| !items.is_empty()) {
            blocks.push(Block::List { items });
        }
        if blocks.is_empty() {
            return None;
        }
        Some(Section {
            id: "bench",
            title: "Parts and gas".to_owned(),
            blocks,
        })
    }

    fn wear(&self) -> Table {
        let gas = self.shop.shown.gas(0.0).unit;
        let mut table = Table::new(
            "How worn the bench was at each pour",
            &[
                "pour",
                "#gasket, pours",
                "#gasket, pulls with metal",
                "#gasket, vacuum when new",
                "#gasket, vacuum lately",
                "#seal ring, pours",
                "#stopper rod, pours",
                "#stopper rod, hot and bare [min]",
                "#stirring rod, pours",
                "#stirring rod, hot and bare [min]",
                "#crucible, pours",
                "#crucible, hot and bare [min]",
                "#thermocouple, pours",
                "#pump oil, pours",
                "#gas cylinder, pours",
                &format!("#gas let out in the session [{gas}]"),
                &format!("#gas left in the cylinder [{gas}]"),
            ],
        );
        let count = |n: Option<u32>| Cell::plain(n.map(|n| n.to_string()).unwrap_or_default());
        let shown = &self.shop.shown;
        let share = |s: Option<f64>| Cell::plain(figure(s, |s| shown.share(s).to_string()));
        let minutes = |m: Option<f64>| Cell::plain(figure(m, |m| format!("{m:.0}")));
        let litres = |l: Option<f64>, unsure: Option<f64>| {
            let spread = unsure
                .filter(|u| u.is_finite() && *u >= 0.5)
                .map(|u| format!(" ± {}", shown.gas(u).number()));
            Cell::plain(figure(l, |l| {
                shown.gas(l).number() + spread.as_deref().unwrap_or_default()
            }))
        };
        for pour in &self.pours {
            let parts = &pour.parts;
            table.push(vec![
                Cell::plain(format!("pour {}", pour.number)),
                count(pour.seal_age_pours),
                count(parts.gasket_pulls),
                share(parts.gasket_share_first),
                share(parts.gasket_share_lately),
                count(parts.seal_ring_age_pours),
                count(parts.stopper_rod_age_pours),
                minutes(parts.stopper_rod_bare_hot_min),
                count(parts.stirring_rod_age_pours),
                minutes(parts.stirring_rod_bare_hot_min),
                count(parts.crucible_age_pours),
                minutes(parts.crucible_bare_hot_min),
                count(parts.thermocouple_age_pours),
                count(parts.pump_oil_age_pours),
                count(parts.gas_cylinder_age_pours),
                litres(parts.session_gas_l, parts.session_gas_unsure_l),
                litres(parts.cylinder_left_l, parts.cylinder_unsure_l),
            ]);
        }
        table.without_empty_columns().turned("measure")
    }

    fn gas_said(&self, gas: &GasLeft) -> Vec<String> {
        let litres = |l: f64| self.shop.shown.gas(l);
        let mut items = Vec::new();
        let mut text = format!("The session let out {} of cover gas", litres(gas.used_l));
        if gas.unsure_l >= 0.5 {
            text += &format!(
                ", give or take {} while the sensor was silent",
                litres(gas.unsure_l)
            );
        }
        items.push(text + ".");
        match (gas.left_l, gas.lasts) {
            (Some(left), Some(lasts)) => items.push(format!(
                "The cylinder has about {} left: {} at the use of the last weeks, or {:.0} h of \
                 casting, until it is down to {} and wants changing.",
                litres(left),
                wording::weeks_or_days(lasts.weeks),
                lasts.flowing_h,
                wording::pressure_left(RESERVE_KPA, &self.shop.shown)
            )),
            (Some(left), None) => {
                items.push(format!("The cylinder has about {} left.", litres(left)));
            }
            (None, _) => items.push(
                "What is left of the cylinder is not known; pourbook record part gas-cylinder \
                 with --gas, --volume-l and --pressure tells it at the next change."
                    .to_owned(),
            ),
        }
        if let (Some(room), Some(emptied)) = (gas.room_m3, gas.emptied) {
            let low = emptied.displaced_percent;
            let mut text = format!(
                "All of that at once into a closed room of {room:.0} m³ would leave {low:.1} % \
                 oxygen (air has {OXYGEN_IN_AIR_PERCENT} %)"
            );
            if low < DEFICIENT_PERCENT {
                text += &format!(
                    ", below the {DEFICIENT_PERCENT} % that is safe to breathe. Inert gas gives no \
                     warning: air the room, and trust an oxygen monitor and not this figure"
                );
            }
            if let Some(hours) = gas.deficient_h {
                text += &format!(
                    ". At this session's flow, unaired, it would take {hours:.0} h to get to \
                     {DEFICIENT_PERCENT} %"
                );
            }
            items.push(text + ".");
        }
        items
    }

    /// What keeps pours of this session from steering the pour temperature.
    pub(super) fn set_aside(&self) -> Vec<String> {
        let why = |pour: &PourRow| -> Vec<String> {
            let words = |code: &String| {
                Fault::from_code(code)
                    .map_or_else(|| code.replace('-', " "), |f| f.words().to_owned())
            };
            pour.faults.iter().map(words).collect()
        };
        self.pours
            .iter()
            .filter(|pour| !pour.faults.is_empty())
            .map(|pour| {
                format!(
                    "Pour {} is set aside and steers no advice: {}.",
                    pour.number,
                    wording::list(&why(pour))
                )
            })
            .collect()
    }
}

fn figure(value: Option<f64>, show: impl Fn(f64) -> String) -> String {
    value
        .filter(|v| v.is_finite())
        .map(show)
        .unwrap_or_default()
}
