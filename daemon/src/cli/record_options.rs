//! What the options of `pourbook record` hold, read from text, and the complaints of the records
//! in the words of those options.

use std::collections::BTreeMap;

use analysis::channel::Quantity;
use analysis::units::read_quantity;

use super::WrongUse;
use crate::records::RecordError;
use crate::records::flasks::{FlaskLine, SECTIONS};
use crate::records::words::MadeOf;

/// The options behind the records' fields.
const OPTIONS: [(&str, &str); 20] = [
    ("label", "--label"),
    ("metal_g", "--metal-g"),
    ("remelt_percent", "--remelt"),
    ("diameter_mm", "--diameter-mm"),
    ("soak_min", "--soak-min"),
    ("kiln_set_c", "--set-point"),
    ("kiln_out_at", "--kiln-out"),
    ("casting_order", "--order"),
    ("lines", "--line"),
    ("line", "--line"),
    ("pieces", "--pieces"),
    ("defective", "--defective"),
    ("defective_steering", "--defective-steering"),
    ("kind", "--kind"),
    ("machine, kiln", "--machine, --kiln"),
    ("kiln", "--kiln"),
    ("channel", "--channel"),
    ("content", "--gas"),
    ("volume_l", "--volume-l"),
    ("pressure_kpa", "--pressure"),
];

/// A refusal by the records, naming the option where it names a field: the call was wrong then.
/// Other refusals stay as they are.
pub fn as_options(error: RecordError) -> anyhow::Error {
    let RecordError::Invalid { field, problem } = error else {
        return error.into();
    };
    let known = OPTIONS.iter().find(|(name, _)| *name == field);
    let option = known.map_or_else(|| format!("--{field}"), |(_, o)| (*o).to_owned());
    WrongUse(format!("{option}: {problem}")).into()
}

/// A section, in the words that an import takes as well.
pub fn section_of(option: &str, text: &str) -> anyhow::Result<String> {
    let word = text.trim().to_lowercase();
    if let Some(known) = SECTIONS.iter().find(|s| **s == word) {
        return Ok((*known).to_owned());
    }
    Err(WrongUse(format!(
        "{option}: \"{}\" is not a section; use {}",
        text.trim(),
        SECTIONS.join(", ")
    ))
    .into())
}

/// One `--line "pattern, section, pieces"`. The pattern may hold commas; any of the first two
/// may be empty.
pub fn line_of(text: &str, made_of: Option<MadeOf>) -> anyhow::Result<FlaskLine> {
    let wrong = || {
        WrongUse(format!(
            "--line \"{text}\" is not \"pattern, section, pieces\", like \"leaf band, thin, 12\""
        ))
    };
    let parts: Vec<&str> = text.rsplitn(3, ',').map(str::trim).collect();
    let [pieces, section, pattern] = parts.as_slice() else {
        return Err(wrong().into());
    };
    let some = |t: &str| (!t.is_empty()).then(|| t.to_owned());
    Ok(FlaskLine {
        pattern: some(pattern),
        section: some(section)
            .map(|s| section_of(&format!("--line \"{text}\""), &s))
            .transpose()?,
        pieces: Some(pieces.parse().map_err(|_| wrong())?),
        made_of,
        ..FlaskLine::default()
    })
}

/// The `--kind KIND=N` of a call, each kind once.
pub fn kinds_of(texts: &[String]) -> anyhow::Result<BTreeMap<String, u32>> {
    let mut kinds = BTreeMap::new();
    for text in texts {
        let wrong = || WrongUse(format!("--kind \"{text}\" is not KIND=N, like no-fill=2"));
        let (kind, count) = text.split_once('=').ok_or_else(wrong)?;
        let kind = kind.trim();
        let count: u32 = count.trim().parse().map_err(|_| wrong())?;
        if let Some(before) = kinds.insert(kind.to_owned(), count) {
            return Err(WrongUse(format!(
                "--kind {kind} is there twice, with {before} and {count} pieces; give it once"
            ))
            .into());
        }
    }
    Ok(kinds)
}

/// A number with its unit, in the stored unit of the quantity.
pub fn quantity(option: &str, text: &str, of: Quantity) -> anyhow::Result<f64> {
    read_quantity(text, of).map_err(|e| WrongUse(format!("{option}: {e}")).into())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn quantities_are_typed_with_their_unit() {
        let c = |text| quantity("--set-point", text, Quantity::Temperature);
        assert!((c("1031 degF").unwrap() - 555.0).abs() < 1e-9);
        for wrong in ["555", "hot"] {
            let error = c(wrong).unwrap_err().to_string();
            assert!(error.starts_with("--set-point: "), "{error}");
            assert_eq!(error.matches("write it like").count(), 1, "{error}");
        }
        let kpa = quantity("--pressure", "200 bar", Quantity::GaugePressure).unwrap();
        assert!((kpa - 20_000.0).abs() < 1e-6);
    }

    #[test]
    fn a_line_names_pattern_section_and_pieces() {
        let line = line_of("leaf band, wide, Thin, 12", None).unwrap();
        assert_eq!(line.pattern.as_deref(), Some("leaf band, wide"));
        assert_eq!(line.section.as_deref(), Some("thin"));
        assert_eq!(line.pieces, Some(12));
        assert_eq!(line_of("signet, , 4", None).unwrap().section, None);
        assert!(line_of("leaf band", None).is_err());
        let error = line_of("x, thinn, 4", None).unwrap_err().to_string();
        assert_eq!(
            error,
            "--line \"x, thinn, 4\": \"thinn\" is not a section; use thin, medium, heavy, mixed"
        );
    }

    #[test]
    fn a_section_is_one_of_the_words() {
        assert_eq!(section_of("--section", "Medium").unwrap(), "medium");
        let error = section_of("--section", "medum").unwrap_err();
        assert!(error.downcast_ref::<WrongUse>().is_some());
    }

    #[test]
    fn a_kind_is_counted_once() {
        let kinds = |texts: &[&str]| {
            let texts: Vec<String> = texts.iter().map(|t| (*t).to_owned()).collect();
            kinds_of(&texts).map_err(|e| e.to_string())
        };
        let two = kinds(&["no-fill=2", "crack = 1"]).unwrap();
        assert_eq!(two.get("no-fill"), Some(&2));
        assert_eq!(two.get("crack"), Some(&1));
        assert_eq!(
            kinds(&["no-fill=2", "no-fill=3"]).unwrap_err(),
            "--kind no-fill is there twice, with 2 and 3 pieces; give it once"
        );
        assert!(kinds(&["no-fill"]).is_err());
    }

    #[test]
    fn a_refused_field_is_named_by_its_option() {
        let refused = as_options(RecordError::Invalid {
            field: "casting_order",
            problem: "counts from 1".into(),
        });
        assert_eq!(refused.to_string(), "--order: counts from 1");
        assert!(
            refused.downcast_ref::<WrongUse>().is_some(),
            "the call was wrong"
        );
        let clash = as_options(RecordError::Clash("taken".into()));
        assert!(clash.downcast_ref::<WrongUse>().is_none());
    }
}
