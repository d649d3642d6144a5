//! The header of a castings file: which column holds what, in which unit. Names are read as
//! people write them (capitals, spaces and hyphens aside); a name that is not known is answered
//! with the nearest that is.

use analysis::channel::Quantity;
use analysis::defect::DefectKinds;
use analysis::units::{Unit, UnitError};

use super::error::ImportError;
use super::sheet::Sheet;

/// What a column holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Field {
    /// The flask's label.
    Flask,
    /// When it was cast.
    CastAt,
    /// The machine.
    Machine,
    /// The session.
    Session,
    /// The alloy.
    Alloy,
    /// The section.
    Section,
    /// The pattern.
    Pattern,
    /// Pieces looked at.
    Pieces,
    /// Pieces with any defect.
    Defective,
    /// Pieces with a defect that may steer the pour temperature.
    DefectiveSteering,
    /// Metal; the factor makes it g.
    Metal(f64),
    /// Old metal; the factor makes it %.
    Remelt(f64),
    /// Pour temperature.
    PourTemperature(Unit),
    /// Flask temperature.
    FlaskTemperature(Unit),
    /// Vacuum below ambient.
    Vacuum(Unit),
    /// Cover gas.
    GasFlow(Unit),
    /// Soak; the factor makes it min.
    Soak(f64),
    /// Pours since the gasket was changed.
    SealAge,
    /// A note.
    Note,
    /// Pieces with this kind of defect.
    Kind(String),
    /// The reason column of a file of bad rows; not read.
    Reason,
}

/// The columns as documented, kinds of defect apart.
const NAMES: [(&str, &str); 20] = [
    ("flask", ""),
    ("cast_at", ""),
    ("machine", ""),
    ("session", ""),
    ("alloy", ""),
    ("section", ""),
    ("pattern", ""),
    ("pieces", ""),
    ("defective", ""),
    ("defective_steering", ""),
    ("metal", "g"),
    ("remelt", "%"),
    ("pour_temperature", "Cel"),
    ("flask_temperature", "Cel"),
    ("vacuum", "mbar"),
    ("gas_flow", "L/min"),
    ("soak", "min"),
    ("seal_age", ""),
    ("note", ""),
    ("reason", ""),
];

/// Masses: factor to g. NIST SP 811 (2008) B.8 prints the troy ounce as 3.110 348 E-02 kg and
/// the pennyweight as 1.555 174 E-03 kg (from memory); both follow exactly from the grain of
/// 64.798 91 mg. A plain ounce is not read: at a bench it may be either.
const MASSES: [(&str, f64); 6] = [
    ("g", 1.0),
    ("kg", 1000.0),
    ("oz t", 31.103_476_8),
    ("ozt", 31.103_476_8),
    ("[oz_tr]", 31.103_476_8),
    ("dwt", 1.555_173_84),
];
const SHARES: [(&str, f64); 3] = [("%", 1.0), ("1", 100.0), ("fraction", 100.0)];
const DURATIONS: [(&str, f64); 3] = [("min", 1.0), ("h", 60.0), ("s", 1.0 / 60.0)];

/// Reads the header of a castings file.
///
/// # Errors
/// [`ImportError::File`] for a column that is not known, lacks its unit or has a wrong one, and
/// for a required column that is missing.
pub fn castings_columns(sheet: &Sheet, kinds: &DefectKinds) -> Result<Vec<Field>, ImportError> {
    let refuse = |problem: String| ImportError::File {
        file: sheet.name.clone(),
        problem,
    };
    let mut fields = Vec::with_capacity(sheet.header.len());
    for column in &sheet.header {
        fields.push(field(column, kinds).map_err(&refuse)?);
    }
    for (i, field) in fields.iter().enumerate() {
        if let Some(twin) = fields[..i].iter().position(|f| {
            std::mem::discriminant(f) == std::mem::discriminant(field) && same(f, field)
        }) {
            return Err(refuse(format!(
                "the columns \"{}\" and \"{}\" say the same",
                sheet.header[twin], sheet.header[i]
            )));
        }
    }
    for (required, name) in [(Field::CastAt, "cast_at"), (Field::Pieces, "pieces")] {
        if !fields.contains(&required) {
            return Err(refuse(format!("the column \"{name}\" is missing")));
        }
    }
    let counts = |f: &Field| matches!(f, Field::Defective | Field::Kind(_));
    if !fields.iter().any(counts) {
        return Err(refuse(
            "the column \"defective\", or one for a kind of defect, is missing".into(),
        ));
    }
    Ok(fields)
}

fn same(a: &Field, b: &Field) -> bool {
    match (a, b) {
        (Field::Kind(a), Field::Kind(b)) => a == b,
        _ => true,
    }
}

/// A name with capitals, spaces and hyphens aside.
fn plain(name: &str) -> String {
    name.trim()
        .to_lowercase()
        .chars()
        .map(|c| if c == ' ' || c == '-' { '_' } else { c })
        .collect()
}

fn field(column: &str, kinds: &DefectKinds) -> Result<Field, String> {
    let (name, unit) = match column.split_once('[') {
        Some((name, rest)) => {
            let unit = rest
                .trim_end()
                .strip_suffix(']')
                .ok_or_else(|| format!("the column \"{column}\" has a \"[\" without its \"]\""))?;
            (plain(name), Some(unit.trim()))
        }
        None => (plain(column), None),
    };
    let Some((known, example)) = NAMES.iter().find(|(known, _)| *known == name) else {
        return kind(column, &name, unit, kinds);
    };
    if example.is_empty() {
        if let Some(unit) = unit {
            return Err(format!(
                "the column \"{column}\" has no unit; leave out [{unit}]"
            ));
        }
    } else if unit.is_none() {
        return Err(format!(
            "the column \"{column}\" needs its unit, like \"{known} [{example}]\""
        ));
    }
    let unit = unit.unwrap_or("");
    let of = |quantity: Quantity| {
        Unit::parse_for(quantity, unit)
            .map_err(|e: UnitError| format!("the column \"{column}\": {e}"))
    };
    let from = |table: &[(&str, f64)]| factor(column, unit, table);
    Ok(match *known {
        "flask" => Field::Flask,
        "cast_at" => Field::CastAt,
        "machine" => Field::Machine,
        "session" => Field::Session,
        "alloy" => Field::Alloy,
        "section" => Field::Section,
        "pattern" => Field::Pattern,
        "pieces" => Field::Pieces,
        "defective" => Field::Defective,
        "defective_steering" => Field::DefectiveSteering,
        "metal" => Field::Metal(from(&MASSES)?),
        "remelt" => Field::Remelt(from(&SHARES)?),
        "pour_temperature" => Field::PourTemperature(of(Quantity::Temperature)?),
        "flask_temperature" => Field::FlaskTemperature(of(Quantity::Temperature)?),
        "vacuum" => Field::Vacuum(of(Quantity::Vacuum)?),
        "gas_flow" => Field::GasFlow(of(Quantity::Flow)?),
        "soak" => Field::Soak(from(&DURATIONS)?),
        "seal_age" => Field::SealAge,
        "note" => Field::Note,
        _ => Field::Reason,
    })
}

fn kind(
    column: &str,
    name: &str,
    unit: Option<&str>,
    kinds: &DefectKinds,
) -> Result<Field, String> {
    if let Some(kind) = kinds.iter().find(|k| plain(&k.name) == name) {
        return match unit {
            Some(unit) => Err(format!(
                "the column \"{column}\" counts pieces; leave out [{unit}]"
            )),
            None => Ok(Field::Kind(kind.name.clone())),
        };
    }
    let nearest = NAMES
        .iter()
        .map(|(n, _)| (*n).to_owned())
        .chain(kinds.iter().map(|k| k.name.clone()))
        .map(|n| (strsim::osa_distance(&plain(&n), name), n))
        .min()
        .map_or(String::new(), |(_, n)| format!("; the nearest is \"{n}\""));
    Err(format!("the column \"{column}\" is not known{nearest}"))
}

fn factor(column: &str, unit: &str, table: &[(&str, f64)]) -> Result<f64, String> {
    table
        .iter()
        .find(|(word, _)| word.eq_ignore_ascii_case(unit))
        .map(|(_, factor)| *factor)
        .ok_or_else(|| {
            let words: Vec<&str> = table.iter().map(|(w, _)| *w).collect();
            format!(
                "the column \"{column}\": \"{unit}\" is not a unit for it; use {}",
                words.join(", ")
            )
        })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn read(header: &str) -> Result<Vec<Field>, String> {
        let sheet = Sheet::read("castings.csv", header.as_bytes().to_vec()).unwrap();
        castings_columns(&sheet, &DefectKinds::standard()).map_err(|e| e.to_string())
    }

    #[test]
    fn headers_are_read_as_people_write_them() {
        let fields =
            read("Cast at;PIECES;No fill;gas_porosity;Vacuum [inHg];metal [oz t]").unwrap();
        assert_eq!(
            fields,
            [
                Field::CastAt,
                Field::Pieces,
                Field::Kind("no-fill".into()),
                Field::Kind("gas-porosity".into()),
                Field::Vacuum(Unit::InchOfMercury),
                Field::Metal(31.103_476_8),
            ]
        );
    }

    #[test]
    fn each_wrong_header_has_its_own_complaint() {
        let cases = [
            ("pieces,defective", "the column \"cast_at\" is missing"),
            ("cast_at,defective", "the column \"pieces\" is missing"),
            (
                "cast_at,pieces",
                "the column \"defective\", or one for a kind of defect, is missing",
            ),
            (
                "cast_at,pieces,defective,vaccum [inHg]",
                "the column \"vaccum [inHg]\" is not known; the nearest is \"vacuum\"",
            ),
            (
                "cast_at,pieces,nofill",
                "the column \"nofill\" is not known; the nearest is \"no-fill\"",
            ),
            (
                "cast_at,pieces,defective,pour_temperature",
                "the column \"pour_temperature\" needs its unit, like \"pour_temperature [Cel]\"",
            ),
            (
                "cast_at,pieces [1],defective",
                "the column \"pieces [1]\" has no unit; leave out [1]",
            ),
            (
                "cast_at,pieces,defective,metal [oz]",
                "the column \"metal [oz]\": \"oz\" is not a unit for it; use g, kg, oz t, ozt, [oz_tr], dwt",
            ),
            (
                "cast_at,pieces,no-fill,No Fill",
                "the columns \"no-fill\" and \"No Fill\" say the same",
            ),
            (
                "cast_at,pieces,no-fill,soak [min",
                "the column \"soak [min\" has a \"[\" without its \"]\"",
            ),
        ];
        for (header, complaint) in cases {
            assert_eq!(
                read(header).unwrap_err(),
                format!("castings.csv: {complaint}")
            );
        }
        let wrong_unit = read("cast_at,pieces,defective,vacuum [Cel]").unwrap_err();
        assert!(
            wrong_unit.contains("is not a unit of vacuum"),
            "{wrong_unit}"
        );
    }

    /// NIST SP 811 (2008) B.8 (from memory): pound avoirdupois 0.453 592 37 kg is 7000 grains,
    /// a troy ounce 480, a pennyweight 24.
    #[test]
    fn troy_weights_follow_from_the_grain() {
        let grain_g = 453.592_37 / 7000.0;
        for (word, grains) in [("oz t", 480.0), ("dwt", 24.0)] {
            let factor = factor("metal", word, &MASSES).unwrap();
            assert!((factor - grains * grain_g).abs() < 1e-9);
        }
    }
}
