//! Where metal comes from and where it goes: lots, the grams of each in a charge, and the tree,
//! button and scrap that go back to a lot. What does not come back is the loss.

use analysis::time::Micros;
use rusqlite::{OptionalExtension, params};
use serde::Serialize;
use uuid::Uuid;

use super::book::{Records, named};
use super::error::{RecordError, Result};
use super::words::WeightOf;

/// A lot of metal.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Lot {
    /// What the shop calls it; unique.
    pub label: String,
    /// Its alloy.
    pub alloy: String,
    /// Who sold it.
    pub supplier: Option<String>,
    /// How often it was melted: 0 for new metal.
    pub remelt_generation: u32,
    /// When it came.
    pub received_at: Micros,
    /// How much came, g.
    pub received_g: Option<f64>,
    /// Anything else.
    pub note: Option<String>,
}

/// A flask's metal, in and back.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct MetalBalance {
    /// In the charge, g.
    pub charged_g: f64,
    /// Weighed afterwards, pieces included, g.
    pub back_g: f64,
    /// Not come back, g. Negative when more was weighed than charged: a weighing error.
    pub lost_g: f64,
}

impl Records {
    /// Adds a lot.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] for a wrong field, [`RecordError::Clash`] for a label in use.
    pub fn add_lot(&mut self, lot: &Lot) -> Result<Uuid> {
        named("label", &lot.label)?;
        named("alloy", &lot.alloy)?;
        if let Some(g) = lot.received_g {
            more_than_nothing("received_g", g)?;
        }
        if self.lot_id(&lot.label)?.is_some() {
            return Err(RecordError::Clash(format!(
                "there is a lot \"{}\" already",
                lot.label
            )));
        }
        let id = Uuid::new_v4();
        self.db.execute(
            "INSERT INTO lots (id, label, alloy, supplier, remelt_generation, received_at,
                               received_g, note)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![
                id.to_string(),
                lot.label,
                lot.alloy,
                lot.supplier,
                lot.remelt_generation,
                lot.received_at.0,
                lot.received_g,
                lot.note
            ],
        )?;
        Ok(id)
    }

    /// Puts grams of a lot into a flask's charge; said again, the later figure holds.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown flask or lot, [`RecordError::Invalid`] for a
    /// weight that is none.
    pub fn charge(&mut self, flask: Uuid, lot: &str, grams: f64) -> Result<()> {
        more_than_nothing("grams", grams)?;
        self.flask(flask)?;
        let lot = self.lot_must(lot)?;
        self.db.execute(
            "INSERT INTO charges (flask, lot, grams) VALUES (?1, ?2, ?3)
             ON CONFLICT (flask, lot) DO UPDATE SET grams = excluded.grams",
            params![flask.to_string(), lot, grams],
        )?;
        Ok(())
    }

    /// Records a weight after the pour, and the lot the metal goes back to.
    ///
    /// # Errors
    /// As [`Records::charge`]; pieces go to no lot.
    pub fn weigh_back(
        &mut self,
        flask: Uuid,
        what: WeightOf,
        grams: f64,
        lot: Option<&str>,
        at: Micros,
    ) -> Result<()> {
        if !(grams >= 0.0 && grams.is_finite()) {
            return Err(RecordError::invalid(
                "grams",
                format!("{grams} must be 0 or more"),
            ));
        }
        if what == WeightOf::Pieces && lot.is_some() {
            return Err(RecordError::invalid(
                "lot",
                "pieces are sold; they go back to no lot",
            ));
        }
        self.flask(flask)?;
        let lot = lot.map(|l| self.lot_must(l)).transpose()?;
        self.db.execute(
            "INSERT INTO weights_back (flask, what, grams, lot, weighed_at)
             VALUES (?1, ?2, ?3, ?4, ?5)",
            params![flask.to_string(), what, grams, lot, at.0],
        )?;
        Ok(())
    }

    /// What was weighed in for a flask, lot by lot, g; none if no lot was.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn charged_g(&self, flask: Uuid) -> Result<Option<f64>> {
        Ok(self
            .db
            .prepare_cached("SELECT sum(grams) FROM charges WHERE flask = ?1")?
            .query_row([flask.to_string()], |row| row.get(0))?)
    }

    /// A flask's metal in and back, once both its charge and its pieces were weighed; before
    /// that there is no telling what was lost.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn metal_balance(&self, flask: Uuid) -> Result<Option<MetalBalance>> {
        let (charged, metal, back, pieces): (Option<f64>, Option<f64>, Option<f64>, i64) =
            self.db.query_row(
                "SELECT (SELECT sum(grams) FROM charges WHERE flask = f.id), f.metal_g,
                        (SELECT sum(grams) FROM weights_back WHERE flask = f.id),
                        (SELECT count(*) FROM weights_back WHERE flask = f.id AND what = 'pieces')
                 FROM flasks f WHERE f.id = ?1",
                [flask.to_string()],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
            )?;
        Ok(match (charged.or(metal), back, pieces) {
            (Some(charged_g), Some(back_g), 1..) => Some(MetalBalance {
                charged_g,
                back_g,
                lost_g: charged_g - back_g,
            }),
            _ => None,
        })
    }

    /// What should be left of a lot, g: received, less charges, plus what went back to it.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown lot.
    pub fn lot_left_g(&self, label: &str) -> Result<Option<f64>> {
        let id = self.lot_must(label)?;
        Ok(self.db.query_row(
            "SELECT received_g
                    - coalesce((SELECT sum(grams) FROM charges WHERE lot = l.id), 0)
                    + coalesce((SELECT sum(grams) FROM weights_back WHERE lot = l.id), 0)
             FROM lots l WHERE id = ?1",
            [id],
            |row| row.get(0),
        )?)
    }

    fn lot_id(&self, label: &str) -> Result<Option<String>> {
        Ok(self
            .db
            .query_row("SELECT id FROM lots WHERE label = ?1", [label], |row| {
                row.get(0)
            })
            .optional()?)
    }

    fn lot_must(&self, label: &str) -> Result<String> {
        self.lot_id(label)?
            .ok_or_else(|| RecordError::not_found("lot", label))
    }
}

fn more_than_nothing(field: &'static str, grams: f64) -> Result<()> {
    if grams > 0.0 && grams.is_finite() {
        Ok(())
    } else {
        Err(RecordError::invalid(
            field,
            format!("{grams} must be more than 0"),
        ))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::flasks::FlaskCard;

    #[test]
    fn metal_in_less_metal_back_is_the_loss() {
        let now = Micros(0);
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let flask = records
            .add_flask(&FlaskCard::new("F1", "2026-11-18".parse().unwrap()), now)
            .unwrap();
        for (label, generation) in [("new-7", 0), ("old-3", 2)] {
            let lot = Lot {
                label: label.into(),
                alloy: "sterling-925".into(),
                supplier: None,
                remelt_generation: generation,
                received_at: now,
                received_g: Some(1000.0),
                note: None,
            };
            records.add_lot(&lot).unwrap();
            assert!(records.add_lot(&lot).is_err());
        }
        records.charge(flask, "new-7", 100.0).unwrap();
        records.charge(flask, "old-3", 60.0).unwrap();
        records.charge(flask, "old-3", 50.0).unwrap();
        records
            .weigh_back(flask, WeightOf::Tree, 40.0, Some("old-3"), now)
            .unwrap();
        assert_eq!(
            records.metal_balance(flask).unwrap(),
            None,
            "pieces not weighed"
        );
        records
            .weigh_back(flask, WeightOf::Pieces, 108.5, None, now)
            .unwrap();
        assert_eq!(
            records.metal_balance(flask).unwrap(),
            Some(MetalBalance {
                charged_g: 150.0,
                back_g: 148.5,
                lost_g: 1.5
            })
        );
        assert_eq!(records.lot_left_g("old-3").unwrap(), Some(990.0));
        assert_eq!(
            records.charge(flask, "old-4", 1.0).unwrap_err().to_string(),
            "there is no lot \"old-4\""
        );
        assert!(records.charge(flask, "old-3", f64::NAN).is_err());
        assert!(
            records
                .weigh_back(flask, WeightOf::Pieces, 1.0, Some("old-3"), now)
                .is_err()
        );
    }
}
