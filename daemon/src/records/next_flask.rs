//! Which flask stands at the machine while no pour says so yet: the next card of the day.

use analysis::time::Micros;
use uuid::Uuid;

use super::book::Records;
use super::error::Result;
use super::flasks::StoredFlask;

/// Longer out of the kiln than this, no flask is poured, s (as in matching by order).
const OUT_AT_MOST_S: f64 = 20.0 * 60.0;

impl Records {
    /// The flask that a session would pour next, by its cards: one that has just left the kiln,
    /// else the first in casting order of which nobody has said that it left. Cards that are
    /// matched already, or of other machines or sessions, are not meant.
    ///
    /// # Errors
    /// [`super::RecordError::NotFound`] for an unknown session.
    pub fn next_flask(&self, session: Uuid, now: Micros) -> Result<Option<StoredFlask>> {
        let held = self.session(session)?;
        let free: Vec<StoredFlask> = self
            .flasks_of_day(held.day)?
            .into_iter()
            .filter(|flask| {
                let card = &flask.card;
                let elsewhere = match card.session {
                    Some(other) => other != session,
                    None => card.machine.as_ref().is_some_and(|m| *m != held.machine),
                };
                !flask.imported && flask.pour.is_none() && !elsewhere
            })
            .collect();
        let just_out = free.iter().find(|flask| {
            let out_s = flask.card.kiln_out_at.map(|out| now.seconds_since(out));
            out_s.is_some_and(|s| (0.0..=OUT_AT_MOST_S).contains(&s))
        });
        let next = just_out.or_else(|| free.iter().find(|f| f.card.kiln_out_at.is_none()));
        Ok(next.cloned())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::card::FlaskCard;
    use crate::records::sessions::NewSession;
    use crate::records::words::AddedBy;

    #[test]
    fn the_flask_that_left_the_kiln_is_next_and_else_the_first_card() {
        let setup = test_setup();
        let now = setup.now;
        let mut records = Records::in_memory(&setup).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, now)
            .unwrap();
        let session = Uuid::from_u128(1);
        records
            .open_session(&NewSession {
                id: session,
                name: "one".into(),
                machine: "bench-1".into(),
                opened_at: now,
                kilns: Vec::new(),
            })
            .unwrap();
        let day = records.session(session).unwrap().day;
        for (label, order) in [("B", 2), ("A", 1), ("C", 3)] {
            let card = FlaskCard {
                casting_order: Some(order),
                diameter_mm: Some(25.4 * f64::from(order + 2)),
                ..FlaskCard::new(label, day)
            };
            records.add_flask(&card, now).unwrap();
        }
        let next = |records: &Records| {
            let flask = records.next_flask(session, now).unwrap().unwrap();
            flask.card.label
        };
        assert_eq!(next(&records), "A");
        let c = records.find_flask("C", Some(day), day).unwrap();
        let mut card = records.flask(c).unwrap().card;
        card.kiln_out_at = Some(now.plus_seconds(-90.0));
        records.update_flask(c, &card).unwrap();
        assert_eq!(next(&records), "C");
        // Out since an hour and no pour: whatever became of it, it is not at the machine.
        card.kiln_out_at = Some(now.plus_seconds(-3600.0));
        records.update_flask(c, &card).unwrap();
        assert_eq!(next(&records), "A");
    }
}
