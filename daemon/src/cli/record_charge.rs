//! How much metal to weigh out for a tree, said as its card is written down.

use analysis::alloy::Alloys;
use analysis::charge::{ALLOWANCE, RESIN_G_CM3, Tree, WAX_G_CM3};
use analysis::units::ShownIn;

use super::WrongUse;
use crate::records::flasks::FlaskCard;
use crate::records::words::MadeOf;

/// The sentence for a card whose tree weighs `pattern_g` with its sprue.
pub fn charge_said(card: &FlaskCard, pattern_g: f64, shown: &ShownIn) -> anyhow::Result<String> {
    let wrong = |say: String| anyhow::Error::from(WrongUse(say));
    let alloy = card
        .alloy
        .as_deref()
        .ok_or_else(|| wrong("--pattern-g: which metal? Name it with --alloy".to_owned()))?;
    let alloys = Alloys::standard();
    let metal = alloys.get(alloy).ok_or_else(|| {
        wrong(format!(
            "--pattern-g: the density of \"{alloy}\" is not known; use an alloy of the table"
        ))
    })?;
    let resin = card.lines.iter().any(|l| l.made_of == Some(MadeOf::Resin));
    let pattern_g_cm3 = if resin { RESIN_G_CM3 } else { WAX_G_CM3 };
    let tree = Tree {
        pattern_g,
        pattern_g_cm3,
        metal_g_cm3: metal.density_g_cm3,
        allowance: ALLOWANCE,
        heel_g: 0.0,
    };
    let charge = tree
        .charge(card.remelt_percent.unwrap_or(0.0))
        .ok_or_else(|| wrong(format!("--pattern-g: {pattern_g} must be more than 0 g")))?;
    let split = match card.remelt_percent {
        Some(_) => format!(
            " ({} new, {} old)",
            shown.mass(charge.new_g),
            shown.mass(charge.remelt_g)
        ),
        None => String::new(),
    };
    Ok(format!(
        "weigh out about {} of {alloy}{split}: {} fill the tree, a tenth more is for button and \
         loss; add what stays in the crucible",
        shown.mass(charge.total_g),
        shown.mass(charge.tree_g),
    ))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use jiff::civil::Date;

    fn card() -> FlaskCard {
        let mut card = FlaskCard::new("A", Date::constant(2026, 11, 18));
        card.alloy = Some("sterling-925".to_owned());
        card.remelt_percent = Some(40.0);
        card
    }

    /// 20.0 g of wax at 0.95 g/cm³ are 239.9 g of sterling with a tenth more.
    #[test]
    fn a_wax_says_how_much_metal_it_needs() {
        let shown = ShownIn::default();
        let said = charge_said(&card(), 20.0, &shown).unwrap();
        assert_eq!(
            said,
            "weigh out about 240 g of sterling-925 (144 g new, 96.0 g old): 218 g fill the tree, a \
             tenth more is for button and loss; add what stays in the crucible"
        );
        let mut resin = card();
        resin.lines[0].made_of = Some(MadeOf::Resin);
        let lighter = charge_said(&resin, 20.0, &shown).unwrap();
        assert!(lighter.starts_with("weigh out about 209 g"), "{lighter}");
    }

    #[test]
    fn without_a_metal_there_is_no_weight() {
        let mut unknown = card();
        unknown.alloy = None;
        let shown = ShownIn::default();
        let error = charge_said(&unknown, 20.0, &shown).unwrap_err();
        assert!(error.downcast_ref::<WrongUse>().is_some());
        assert!(error.to_string().contains("--alloy"), "{error}");
        unknown.alloy = Some("unobtainium".to_owned());
        assert!(charge_said(&unknown, 20.0, &shown).is_err());
        assert!(charge_said(&card(), -1.0, &shown).is_err());
    }
}
