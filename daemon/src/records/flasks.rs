//! Flask cards: what the caster writes before or after the pour. A flask has one or more lines,
//! one for each pattern, section or sprue version on its tree.

use analysis::time::Micros;
use jiff::civil::Date;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use serde::Serialize;
use uuid::Uuid;

pub use super::card::{ABSOLUTE_ZERO_C, FlaskCard, FlaskLine, HOTTEST_C, SECTIONS, too_hot};

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::sessions::{range, read_day};

/// A flask as recorded.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StoredFlask {
    /// Its identity.
    pub id: Uuid,
    /// Its card.
    pub card: FlaskCard,
    /// Whether it came from a file of old records.
    pub imported: bool,
    /// When it was added.
    pub added_at: Micros,
    /// The pour it is matched to.
    pub pour: Option<Uuid>,
    /// Whether that match is confirmed.
    pub confirmed: bool,
}

/// A flask that was poured and whose pieces nobody has counted.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Waiting {
    /// Its identity.
    pub flask: Uuid,
    /// Its label.
    pub label: String,
    /// Its day.
    pub day: Date,
    /// The session's name.
    pub session: String,
    /// When it was poured.
    pub poured_at: Micros,
    /// Pieces on its lines, as far as known.
    pub pieces: Option<u32>,
    /// How many lines it has.
    pub lines: u32,
}

const COLUMNS: [&str; 24] = [
    "label",
    "day",
    "session",
    "machine",
    "casting_order",
    "alloy",
    "metal_g",
    "remelt_percent",
    "diameter_mm",
    "height_mm",
    "investment_batch",
    "water_ratio",
    "invested_at",
    "kiln",
    "load",
    "shelf",
    "kiln_in_at",
    "kiln_out_at",
    "kiln_set_c",
    "soak_min",
    "trial_arm",
    "note",
    "programme",
    "kiln_out_by",
];

/// The word for a tap in `kiln_out_by`.
const TAP: &str = "tap";

struct Raw {
    id: String,
    day: String,
    session: Option<String>,
    pour: Option<String>,
    flask: StoredFlask,
}

fn raw(row: &Row<'_>) -> rusqlite::Result<Raw> {
    let mut card = FlaskCard::new(row.get::<_, String>(0)?, Date::ZERO);
    card.lines.clear();
    card.machine = row.get(3)?;
    card.casting_order = row.get(4)?;
    card.alloy = row.get(5)?;
    card.metal_g = row.get(6)?;
    card.remelt_percent = row.get(7)?;
    card.diameter_mm = row.get(8)?;
    card.height_mm = row.get(9)?;
    card.investment_batch = row.get(10)?;
    card.water_ratio = row.get(11)?;
    card.invested_at = row.get::<_, Option<i64>>(12)?.map(Micros);
    card.kiln = row.get(13)?;
    card.load = row.get(14)?;
    card.shelf = row.get(15)?;
    card.kiln_in_at = row.get::<_, Option<i64>>(16)?.map(Micros);
    card.kiln_out_at = row.get::<_, Option<i64>>(17)?.map(Micros);
    card.kiln_set_c = row.get(18)?;
    card.soak_min = row.get(19)?;
    card.trial_arm = row.get(20)?;
    card.note = row.get(21)?;
    card.programme = row.get(22)?;
    card.kiln_out_tapped = row.get::<_, String>(23)? == TAP;
    Ok(Raw {
        day: row.get(1)?,
        session: row.get(2)?,
        id: row.get(24)?,
        pour: row.get(27)?,
        flask: StoredFlask {
            id: Uuid::nil(),
            card,
            imported: row.get(25)?,
            added_at: Micros(row.get(26)?),
            pour: None,
            confirmed: row.get::<_, Option<i64>>(28)?.is_some(),
        },
    })
}

impl Records {
    /// Adds a flask card.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] naming the field; [`RecordError::NotFound`] for an unknown
    /// machine, kiln or session; [`RecordError::Clash`] when the label is taken that day on that
    /// machine.
    pub fn add_flask(&mut self, card: &FlaskCard, now: Micros) -> Result<Uuid> {
        card.check()?;
        let id = Uuid::new_v4();
        let tx = self.write()?;
        known_places(&tx, card)?;
        label_is_free(&tx, card, None)?;
        insert_flask(&tx, id, card, false, now)?;
        tx.commit()?;
        Ok(id)
    }

    /// Writes a card anew. Lines keep their places: line 2 stays line 2 with its inspections; a
    /// line that has inspections cannot be dropped.
    ///
    /// # Errors
    /// As [`Records::add_flask`], and [`RecordError::Clash`] for a dropped line with inspections.
    pub fn update_flask(&mut self, id: Uuid, card: &FlaskCard) -> Result<()> {
        card.check()?;
        self.flask(id)?;
        let tx = self.write()?;
        known_places(&tx, card)?;
        label_is_free(&tx, card, Some(id))?;
        let sets: Vec<String> = COLUMNS
            .iter()
            .zip(2..)
            .map(|(c, i)| format!("{c} = ?{i}"))
            .collect();
        let mut values: Vec<Box<dyn rusqlite::ToSql>> = vec![Box::new(id.to_string())];
        values.extend(card_values(card));
        tx.execute(
            &format!("UPDATE flasks SET {} WHERE id = ?1", sets.join(", ")),
            rusqlite::params_from_iter(values),
        )?;
        let kept = i64::try_from(card.lines.len()).unwrap_or(i64::MAX);
        let inspected: Option<u32> = tx
            .query_row(
                "SELECT number FROM flask_lines l WHERE flask = ?1 AND number > ?2
                 AND EXISTS (SELECT 1 FROM inspections WHERE line = l.id)",
                params![id.to_string(), kept],
                |row| row.get(0),
            )
            .optional()?;
        if let Some(number) = inspected {
            return Err(RecordError::Clash(format!(
                "line {number} of flask \"{}\" has been inspected and cannot be dropped",
                card.label
            )));
        }
        tx.execute(
            "DELETE FROM flask_lines WHERE flask = ?1 AND number > ?2",
            params![id.to_string(), kept],
        )?;
        write_lines(&tx, id, &card.lines)?;
        tx.commit()?;
        Ok(())
    }

    /// The flask with this identity.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn flask(&self, id: Uuid) -> Result<StoredFlask> {
        self.flasks_where("f.id = ?1", &[&id.to_string()])?
            .pop()
            .ok_or_else(|| RecordError::not_found("flask", id.to_string()))
    }

    /// The cards of a day in casting order.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn flasks_of_day(&self, day: Date) -> Result<Vec<StoredFlask>> {
        self.flasks_where("f.day = ?1", &[&day.to_string()])
    }

    /// The flask a person means by a label, or by an identity, on a day. Without a day it is the
    /// last one that was poured; labels are used again every day, and a card of tomorrow has no
    /// pieces to look at. Where no pour is known, an only card that is not of a day after
    /// `today` will do.
    ///
    /// # Errors
    /// [`RecordError::NotFound`], saying the nearest label or the days it is on;
    /// [`RecordError::Ambiguous`] with what it may mean; [`RecordError::Clash`] when none of
    /// them is poured and a day is needed.
    pub fn find_flask(&self, label: &str, day: Option<Date>, today: Date) -> Result<Uuid> {
        if let Ok(id) = label.parse::<Uuid>() {
            return Ok(self.flask(id)?.id);
        }
        let mut found = self.flasks_where("f.label = ?1", &[label])?;
        if found.is_empty() {
            return Err(self.no_such_label(label)?);
        }
        let poured = |f: &StoredFlask| f.imported || f.pour.is_some();
        let last = found.iter().filter(|f| poured(f)).map(|f| f.card.day).max();
        let days = last_days(&found);
        let only = match found.as_slice() {
            [one] if one.card.day <= today => Some(one.card.day),
            _ => None,
        };
        let wanted = day.or(last).or(only);
        if wanted.is_none() {
            return Err(RecordError::Clash(format!(
                "no flask \"{label}\" is known to be poured; say which is meant with --day ({days})"
            )));
        }
        if day.is_none() && last.is_some() {
            found.retain(poured);
        }
        found.retain(|f| Some(f.card.day) == wanted);
        match found.as_slice() {
            [one] => Ok(one.id),
            [] => Err(RecordError::NotFound {
                what: "flask",
                name: label.to_owned(),
                hint: format!(
                    " on {}; it is on {days}",
                    wanted.map(|d| d.to_string()).unwrap_or_default()
                ),
            }),
            several => Err(RecordError::Ambiguous {
                label: label.to_owned(),
                choices: several
                    .iter()
                    .map(|f| {
                        let machine = f.card.machine.as_deref().unwrap_or("no machine");
                        format!("{} {machine} {}", f.card.day, f.id)
                    })
                    .collect(),
            }),
        }
    }

    fn no_such_label(&self, label: &str) -> Result<RecordError> {
        let mut statement = self.db.prepare_cached(
            "SELECT label FROM flasks GROUP BY label ORDER BY max(day) DESC LIMIT 500",
        )?;
        let labels = statement
            .query_map([], |row| row.get::<_, String>(0))?
            .collect::<rusqlite::Result<Vec<_>>>()?;
        let nearest = labels
            .iter()
            .map(|l| (strsim::osa_distance(l, label), l))
            .min()
            .filter(|(distance, _)| *distance <= 2);
        Ok(RecordError::NotFound {
            what: "flask",
            name: label.to_owned(),
            hint: nearest.map_or(String::new(), |(_, l)| format!("; did you mean \"{l}\"?")),
        })
    }

    /// Flasks that were poured and not yet inspected, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn waiting_for_inspection(
        &self,
        since: Option<Micros>,
        until: Option<Micros>,
    ) -> Result<Vec<Waiting>> {
        let mut statement = self.db.prepare_cached(
            "SELECT f.id, f.label, f.day, s.name, coalesce(p.poured_at, g.cast_at) AS at,
                    (SELECT sum(pieces) FROM flask_lines WHERE flask = f.id),
                    (SELECT count(*) FROM flask_lines WHERE flask = f.id)
             FROM flasks f
             LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
             LEFT JOIN pours p ON p.id = m.pour
             LEFT JOIN imported_settings g ON g.flask = f.id
             JOIN sessions s ON s.id = coalesce(p.session, f.session)
             WHERE at IS NOT NULL AND at >= ?1 AND at < ?2
             AND NOT EXISTS (SELECT 1 FROM inspections i JOIN flask_lines l ON l.id = i.line
                             WHERE l.flask = f.id)
             ORDER BY at, f.casting_order, f.label",
        )?;
        let rows = statement.query_map(range(since, until), |row| {
            Ok((
                row.get::<_, String>(0)?,
                row.get::<_, String>(2)?,
                Waiting {
                    flask: Uuid::nil(),
                    label: row.get(1)?,
                    day: Date::ZERO,
                    session: row.get(3)?,
                    poured_at: Micros(row.get(4)?),
                    pieces: row.get(5)?,
                    lines: row.get(6)?,
                },
            ))
        })?;
        rows.map(|row| {
            let (id, day, waiting) = row?;
            Ok(Waiting {
                flask: read_id("flasks.id", &id)?,
                day: read_day("flasks.day", &day)?,
                ..waiting
            })
        })
        .collect()
    }

    fn flasks_where(&self, scope: &str, args: &[&str]) -> Result<Vec<StoredFlask>> {
        let columns: Vec<String> = COLUMNS.iter().map(|c| format!("f.{c}")).collect();
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {}, f.id, f.source = 'import', f.added_at, m.pour, m.confirmed_at
             FROM flasks f LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
             WHERE {scope}
             ORDER BY f.day, f.casting_order IS NULL, f.casting_order, f.added_at, f.rowid",
            columns.join(", ")
        ))?;
        let rows = statement.query_map(rusqlite::params_from_iter(args), raw)?;
        let mut lines = self.db.prepare_cached(
            "SELECT pattern, sprue_version, section, pieces, made_of FROM flask_lines
             WHERE flask = ?1 ORDER BY number",
        )?;
        rows.map(|row| {
            let Raw {
                id,
                day,
                session,
                pour,
                mut flask,
            } = row?;
            flask.id = read_id("flasks.id", &id)?;
            flask.card.day = read_day("flasks.day", &day)?;
            flask.card.session = session.map(|s| read_id("flasks.session", &s)).transpose()?;
            flask.pour = pour.map(|p| read_id("matches.pour", &p)).transpose()?;
            flask.card.lines = lines
                .query_map([&id], |row| {
                    Ok(FlaskLine {
                        pattern: row.get(0)?,
                        sprue_version: row.get(1)?,
                        section: row.get(2)?,
                        pieces: row.get(3)?,
                        made_of: row.get(4)?,
                    })
                })?
                .collect::<rusqlite::Result<_>>()?;
            Ok(flask)
        })
        .collect()
    }
}

/// The days of flasks that are sorted by day, the last few of them.
fn last_days(flasks: &[StoredFlask]) -> String {
    const SHOWN: usize = 5;
    let mut days: Vec<String> = flasks.iter().map(|f| f.card.day.to_string()).collect();
    days.dedup();
    let earlier = days.len().saturating_sub(SHOWN);
    let shown = days.split_off(earlier).join(", ");
    if earlier == 0 {
        shown
    } else {
        format!("{shown} and {earlier} earlier")
    }
}

fn known_places(tx: &Transaction<'_>, card: &FlaskCard) -> Result<()> {
    let session = card.session.map(|s| s.to_string());
    let places = [
        ("machine", "machines", "name", card.machine.as_deref()),
        ("kiln", "kilns", "name", card.kiln.as_deref()),
        ("session", "sessions", "id", session.as_deref()),
    ];
    for (what, table, column, name) in places {
        let Some(name) = name else { continue };
        let there = tx
            .prepare_cached(&format!("SELECT 1 FROM {table} WHERE {column} = ?1"))?
            .exists([name])?;
        if !there {
            return Err(RecordError::not_found(what, name));
        }
    }
    Ok(())
}

fn label_is_free(tx: &Transaction<'_>, card: &FlaskCard, own: Option<Uuid>) -> Result<()> {
    let taken = tx
        .prepare_cached(
            "SELECT 1 FROM flasks WHERE label = ?1 AND day = ?2 AND machine IS ?3 AND id IS NOT ?4",
        )?
        .exists(params![
            card.label,
            card.day.to_string(),
            card.machine,
            own.map(|id| id.to_string())
        ])?;
    if taken {
        return Err(RecordError::Clash(format!(
            "there is a flask \"{}\" on {} already; label this one differently",
            card.label, card.day
        )));
    }
    Ok(())
}

fn card_values(card: &FlaskCard) -> Vec<Box<dyn rusqlite::ToSql>> {
    vec![
        Box::new(card.label.clone()),
        Box::new(card.day.to_string()),
        Box::new(card.session.map(|s| s.to_string())),
        Box::new(card.machine.clone()),
        Box::new(card.casting_order),
        Box::new(card.alloy.clone()),
        Box::new(card.metal_g),
        Box::new(card.remelt_percent),
        Box::new(card.diameter_mm),
        Box::new(card.height_mm),
        Box::new(card.investment_batch.clone()),
        Box::new(card.water_ratio),
        Box::new(card.invested_at.map(|t| t.0)),
        Box::new(card.kiln.clone()),
        Box::new(card.load.clone()),
        Box::new(card.shelf.clone()),
        Box::new(card.kiln_in_at.map(|t| t.0)),
        Box::new(card.kiln_out_at.map(|t| t.0)),
        Box::new(card.kiln_set_c),
        Box::new(card.soak_min),
        Box::new(card.trial_arm.clone()),
        Box::new(card.note.clone()),
        Box::new(card.programme.clone()),
        Box::new(if card.kiln_out_tapped { TAP } else { "card" }),
    ]
}

/// Writes a new flask and its lines.
pub(crate) fn insert_flask(
    tx: &Transaction<'_>,
    id: Uuid,
    card: &FlaskCard,
    imported: bool,
    now: Micros,
) -> Result<()> {
    let marks: Vec<String> = (1..=COLUMNS.len()).map(|i| format!("?{i}")).collect();
    let n = COLUMNS.len();
    let mut values = card_values(card);
    values.push(Box::new(id.to_string()));
    values.push(Box::new(if imported { "import" } else { "card" }));
    values.push(Box::new(now.0));
    tx.prepare_cached(&format!(
        "INSERT INTO flasks ({}, id, source, added_at) VALUES ({}, ?{}, ?{}, ?{})",
        COLUMNS.join(", "),
        marks.join(", "),
        n + 1,
        n + 2,
        n + 3
    ))?
    .execute(rusqlite::params_from_iter(values))?;
    write_lines(tx, id, &card.lines)
}

fn write_lines(tx: &Transaction<'_>, flask: Uuid, lines: &[FlaskLine]) -> Result<()> {
    let mut statement = tx.prepare_cached(
        "INSERT INTO flask_lines (id, flask, number, pattern, sprue_version, section, pieces, made_of)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT (flask, number) DO UPDATE SET pattern = excluded.pattern,
           sprue_version = excluded.sprue_version, section = excluded.section,
           pieces = excluded.pieces, made_of = excluded.made_of",
    )?;
    for (line, number) in lines.iter().zip(1_i64..) {
        statement.execute(params![
            Uuid::new_v4().to_string(),
            flask.to_string(),
            number,
            line.pattern,
            line.sprue_version,
            line.section,
            line.pieces,
            line.made_of
        ])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
