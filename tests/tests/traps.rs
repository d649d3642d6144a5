//! Traps known in the trade, each set in a number of drawn shops: the evidence must not fall into
//! them, or must say that it cannot tell. What a careless reading makes of the same shops is
//! tested beside the shops themselves (`sample_data::ledger::traps`).
#![allow(clippy::unwrap_used)]

use analysis::evidence::{Evidence, Grade, Outcome, Question, Stratum, evidence};
use pourbook_tests::calibration::score::asked;
use pourbook_tests::calibration::trapped::true_change;
use pourbook_tests::detection::in_parallel;
use sample_data::ledger::Ledger;
use sample_data::ledger::traps::{self, FLASKS};

/// Shops that a trap is set in.
const SHOPS: u64 = 16;

/// The trap's shops with what is said of each, as the weekly report asks.
fn sprung(trap: traps::Trap) -> Vec<(Ledger, Evidence)> {
    let seeds: Vec<u64> = (1..=SHOPS).collect();
    in_parallel(&seeds, |seed| {
        let shop = trap(*seed, FLASKS);
        let said = asked(&shop);
        (shop, said)
    })
}

fn claims(stratum: &Stratum) -> bool {
    stratum.advice.grade >= Grade::Fair
}

/// Whether the advice is to pour hotter than it is told against.
fn hotter(stratum: &Stratum) -> Option<bool> {
    let advice = &stratum.advice;
    Some(advice.pour_temperature_c? > advice.against_c?)
}

/// The strata of all shops that claim something.
fn claimed(shops: &[(Ledger, Evidence)]) -> Vec<(u64, &Stratum)> {
    shops
        .iter()
        .flat_map(|(shop, said)| said.strata.iter().map(|s| (shop.seed, s)))
        .filter(|(_, s)| claims(s))
        .collect()
}

fn sayings<'a>(found: impl IntoIterator<Item = (u64, &'a Stratum)>) -> Vec<(u64, &'a str)> {
    found
        .into_iter()
        .map(|(seed, s)| (seed, s.advice.sentence.as_str()))
        .collect()
}

/// Whether any cap has this code, or one that begins with it.
fn capped(stratum: &Stratum, code: &str) -> bool {
    stratum.advice.caps.iter().any(|c| c.code.starts_with(code))
}

/// Sections are never pooled: thin work is poured hot because it misruns, and in neither section
/// is anybody told to pour cooler.
#[test]
fn thin_work_poured_hot_is_not_told_to_pour_cooler() {
    let shops = sprung(traps::thin_work_poured_hot);
    for (_, said) in &shops {
        assert_eq!(said.strata.len(), 2, "a curve for each section");
    }
    let wrong: Vec<_> = claimed(&shops)
        .into_iter()
        .filter(|(_, s)| hotter(s) == Some(false))
        .collect();
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
    // Within a section the curve falls with heat, as the truth does.
    let falls = |s: &Stratum| {
        let (first, last) = (s.curve.first()?, s.curve.last()?);
        Some(last.rate < first.rate)
    };
    let seen: Vec<bool> = shops
        .iter()
        .flat_map(|(_, said)| said.strata.iter().filter_map(falls))
        .collect();
    let right = seen.iter().filter(|f| **f).count();
    assert!(
        seen.len() as u64 >= SHOPS * 3 / 2 && right * 10 >= seen.len() * 9,
        "{right} of {}",
        seen.len()
    );
}

/// Nobody wrote the sections down. The table cannot tell that hot pours were thin work; it must
/// not claim that cooler is better, and says why.
#[test]
fn thin_work_without_its_name_claims_nothing() {
    let shops = sprung(traps::thin_work_unnamed);
    let wrong = claimed(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
    for (shop, said) in &shops {
        let stratum = &said.strata[0];
        assert!(
            stratum.advice.grade == Grade::None || capped(stratum, "section-not-recorded"),
            "shop {}: {:?}",
            shop.seed,
            stratum.advice.caps
        );
    }
}

/// The melt gets no credit that the flask may deserve, and both are named.
#[test]
fn melt_and_flask_turned_up_together_share_no_credit() {
    let shops = sprung(traps::melt_and_flask_together);
    let wrong = claimed(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
    for (shop, said) in &shops {
        let stratum = &said.strata[0];
        let named = stratum.moves_together.iter().any(|t| {
            t.settings.contains(&"pour_temperature".to_owned())
                && t.settings.contains(&"flask_temperature".to_owned())
                && t.correlation > 0.8
        });
        assert!(named, "shop {}: {:?}", shop.seed, stratum.moves_together);
        assert!(
            stratum.advice.grade == Grade::None || capped(stratum, "moves-with-flask-temperature"),
            "shop {}: {:?}",
            shop.seed,
            stratum.advice.caps
        );
    }
}

/// The claims that would make things no better on the probe as it reads today.
fn harmful(shops: &[(Ledger, Evidence)]) -> Vec<(u64, &Stratum)> {
    shops
        .iter()
        .flat_map(|(shop, said)| said.strata.iter().map(move |s| (shop, s)))
        .filter(|(shop, s)| claims(s) && true_change(shop, s).is_none_or(|c| c >= 0.0))
        .map(|(shop, s)| (shop.seed, s))
        .collect()
}

/// A probe that drifts low has nothing that tells in the table of flasks. What is claimed must at
/// least not make things worse.
#[test]
fn a_drifting_probe_sends_nobody_the_wrong_way() {
    let shops = sprung(traps::probe_drifts_low);
    let wrong = harmful(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
}

/// The same after a change of probe that nobody wrote down.
#[test]
fn a_changed_probe_sends_nobody_the_wrong_way() {
    let shops = sprung(traps::probe_changed);
    let wrong = harmful(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
}

/// Hotter did not cause the misruns: the gasket aged while the target crept up.
#[test]
fn an_ageing_gasket_is_not_blamed_on_the_heat() {
    let shops = sprung(traps::gasket_ages_while_target_creeps);
    let wrong = claimed(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
}

/// Flasks that nobody looked at are not good ones, and not like the ones looked at either.
#[test]
fn mostly_uninspected_flasks_claim_nothing_and_say_why() {
    let shops = sprung(traps::good_flasks_not_inspected);
    let wrong = claimed(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
    for (shop, said) in &shops {
        let stratum = &said.strata[0];
        assert!(stratum.flasks_uninspected * 5 > FLASKS);
        assert!(
            stratum.advice.grade == Grade::None || capped(stratum, "under-80-percent-inspected"),
            "shop {}: {:?}",
            shop.seed,
            stratum.advice.caps
        );
    }
}

/// One session with every piece lost is one session.
#[test]
fn one_bad_session_decides_nothing() {
    let shops = sprung(|seed, _| traps::one_bad_session(seed, 100));
    let wrong = claimed(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
}

/// Nodules come from the investing. They steer nothing, whoever asks.
#[test]
fn rising_nodules_steer_nothing() {
    let shops = sprung(traps::nodules_rise);
    let wrong = claimed(&shops);
    assert!(wrong.is_empty(), "{:?}", sayings(wrong));
    for (shop, said) in &shops {
        let nodules = said.kinds.iter().find(|k| k.kind == "nodule").unwrap();
        assert!(!nodules.may_steer);
        assert!(
            nodules.terms.is_empty(),
            "no setting of the pour is held against nodules"
        );
        // Asked for outright, or for any defect, which is mostly nodules here.
        for outcome in [Outcome::Kind("nodule".to_owned()), Outcome::Any] {
            let ask = Question {
                outcome,
                ..Question::default()
            };
            let said = evidence(&shop.flasks, &ask);
            let wrong: Vec<_> = said.strata.iter().filter(|s| claims(s)).collect();
            assert!(
                wrong.is_empty(),
                "shop {}, {}: {}",
                shop.seed,
                said.outcome,
                wrong[0].advice.sentence
            );
        }
    }
}
