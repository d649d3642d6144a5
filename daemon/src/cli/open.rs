//! What most commands begin with: the book's configuration and records, and the times that
//! people type.

use analysis::time::Micros;
use anyhow::Context;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::WrongUse;
use crate::book::Book;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::records::words::AddedBy;
use crate::records::{BookSetup, RecordError, Records};

/// An open book.
#[derive(Debug)]
pub struct Opened {
    /// Where it lies.
    pub book: Book,
    /// Its configuration.
    pub config: Config,
    /// Its records.
    pub records: Records,
    /// What time it is.
    pub now: Micros,
}

impl Opened {
    /// Opens a book that is there.
    ///
    /// # Errors
    /// When there is none, its configuration is wrong, or its records cannot be used.
    pub fn open(book: &Book) -> anyhow::Result<Opened> {
        if !book.config().is_file() {
            return Err(anyhow::anyhow!(
                "there is no book in {}; start one with \"pourbook run --book {0}\", or say \
                 which with --book",
                book.root().display()
            ));
        }
        let config = load(book)?;
        let now = SystemClock::new().now();
        let records = records_of(book, &config, false, now)?;
        Ok(Opened {
            book: book.clone(),
            config,
            records,
            now,
        })
    }
}

/// Loads a book's configuration and says on standard error what is worth mending in it.
pub fn load(book: &Book) -> anyhow::Result<Config> {
    let config = Config::load(&book.config())?;
    for warning in &config.warnings {
        eprintln!("pourbook: {warning}");
    }
    Ok(config)
}

/// Opens or makes a book's records and tells them the machines, kilns and targets that the
/// configuration names.
pub fn records_of(
    book: &Book,
    config: &Config,
    demo: bool,
    now: Micros,
) -> anyhow::Result<Records> {
    let setup = BookSetup {
        shop: config.shop.name.clone(),
        time_zone: config.shop.time_zone_name.clone(),
        demo,
        now,
    };
    let mut records = Records::open_or_create(&book.records(), &setup)?;
    for kiln in &config.kilns {
        records.add_kiln(&kiln.name, Some(kiln.spread_k), AddedBy::Configuration, now)?;
    }
    for machine in &config.machines {
        records.add_machine(&machine.name, AddedBy::Configuration, now)?;
    }
    for target in &config.targets {
        let told = records.set_target(&crate::session::settle::target_of(target), now);
        match told {
            Ok(_) | Err(RecordError::Clash(_)) => {}
            Err(e) => return Err(e).context("[[target]]"),
        }
    }
    Ok(records)
}

/// A time as people type it: a day in the shop's time zone, or RFC 3339.
pub fn day_or_time(text: &str, zone: &TimeZone) -> anyhow::Result<Micros> {
    if let Ok(at) = Micros::parse_rfc3339(text) {
        return Ok(at);
    }
    let wrong = || {
        WrongUse(format!(
            "\"{text}\" is no day or time; write 2026-11-18, 2026-11-18T09:12 or \
             2026-11-18T09:12:00Z"
        ))
    };
    let local = match text.parse::<jiff::civil::DateTime>() {
        Ok(local) => local,
        Err(_) => text.parse::<Date>().map_err(|_| wrong())?.at(0, 0, 0, 0),
    };
    let at = local.to_zoned_datetime(zone.clone()).map_err(|_| wrong())?;
    Ok(Micros(at.timestamp().as_microsecond()))
}

/// A day as an option takes it; the answer to a wrong one says what a right one looks like.
pub fn day(text: &str) -> Result<Date, String> {
    text.parse()
        .map_err(|_| "no such day; write it like 2026-11-18".to_owned())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_the_shops_own() {
        let dublin = TimeZone::get("Europe/Dublin").unwrap();
        let at = |text: &str| day_or_time(text, &dublin).unwrap().rfc3339_ms();
        assert_eq!(at("2026-07-01"), "2026-06-30T23:00:00.000Z");
        assert_eq!(at("2026-07-01T09:12"), "2026-07-01T08:12:00.000Z");
        assert_eq!(at("2026-07-01T09:12:00Z"), "2026-07-01T09:12:00.000Z");
        assert!(day_or_time("last week", &dublin).is_err());
    }

    #[test]
    fn a_day_written_another_way_is_told_how() {
        assert_eq!(day("2026-11-24").unwrap().to_string(), "2026-11-24");
        for wrong in ["24/11/2026", "2026-02-30", "tomorrow", ""] {
            assert_eq!(
                day(wrong).unwrap_err(),
                "no such day; write it like 2026-11-18"
            );
        }
    }
}
