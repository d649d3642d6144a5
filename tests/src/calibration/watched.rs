//! Shops looked at week after week: whether a grade above weak was ever given. Claims are made
//! at formal looks only, so the answer for the whole record says what every look said; that the
//! weekly answers agree with it is checked on some shops ([`by_the_week`]).

use analysis::evidence::{Grade, Question, evidence, formal_looks};
use analysis::time::Micros;
use sample_data::ledger::Ledger;

const WEEK_S: f64 = 7.0 * 86_400.0;

/// The numbers of the looks at this shop that claimed anything, of any alloy and section.
pub fn claims(shop: &Ledger) -> Vec<usize> {
    let mut looks: Vec<usize> = formal_looks(&shop.flasks, &Question::default())
        .into_iter()
        .flat_map(|(.., look)| look.history)
        .filter(|said| said.claimed)
        .map(|said| said.number)
        .collect();
    looks.sort_unstable();
    looks.dedup();
    looks
}

/// Whether any look at this shop ever claimed anything.
pub fn ever_claimed(shop: &Ledger) -> bool {
    !claims(shop).is_empty()
}

/// The best grade of each week's report, over the whole record.
pub fn by_the_week(shop: &Ledger) -> Vec<Grade> {
    let Some((first, last)) = shop
        .flasks
        .first()
        .zip(shop.flasks.last())
        .map(|(f, l)| (f.cast_at, l.cast_at))
    else {
        return Vec::new();
    };
    // A report is written on the Monday after its week; records begin on a Monday.
    let mut monday = Micros(first.0 - first.0.rem_euclid(86_400_000_000)).plus_seconds(WEEK_S);
    let mut grades = Vec::new();
    while monday <= last.plus_seconds(WEEK_S) {
        let so_far: Vec<_> = shop
            .flasks
            .iter()
            .filter(|f| f.cast_at < monday)
            .cloned()
            .collect();
        let said = evidence(&so_far, &Question::default());
        grades.push(
            said.strata
                .iter()
                .map(|s| s.advice.grade)
                .max()
                .unwrap_or(Grade::None),
        );
        monday = monday.plus_seconds(WEEK_S);
    }
    grades
}
