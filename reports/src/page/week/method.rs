//! How it was worked out, in the words of the trade, and which flasks had no say.

use analysis::flask::Flask;

use super::sorted::Sorted;
use crate::page::sheet::{Block, Section};
use crate::wording;

/// Most reasons named.
const REASONS: usize = 10;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let mut blocks = vec![Block::List {
        items: METHOD.iter().map(|m| (*m).to_owned()).collect(),
    }];
    blocks.extend(set_aside(sorted));
    Section {
        id: "method",
        title: "How this was worked out".to_owned(),
        blocks,
    }
}

const METHOD: [&str; 9] = [
    "A flask counts once: its pieces share one melt, one mould and one pour. Flasks of one session share a kiln load and a day, so they are not taken as independent either; every interval is widened by as much as sessions differ.",
    "A rate has its 95 % interval (Wilson's, on counts reduced by that widening): of a hundred such intervals about 95 hold the true rate.",
    "Alloys and sections are never mixed: thin work is often poured hotter because it is thin, and mixing would blame the heat.",
    "The curve over pour temperature is that of a model (logistic regression) which holds the other settings equal as far as the flasks can carry them; its band holds over the whole curve at once. Where too few flasks were poured nothing is drawn.",
    "Only defects that heat can move count towards the pour temperature; broken patterns, nodules and the like are counted in the figures but do not steer.",
    "A usual temperature is the median (the middle one) of the last eight weeks, if five flasks or more were poured in them.",
    "Looking every week would sooner or later find something by chance. So a better temperature is claimed only at formal looks, agreed beforehand: at 20 sessions and each time the book has grown by half, ten in all. Between them a claim can only fall.",
    "What was not decided by lot can stand in for something else: hot pours may have been the thin pieces, or the new gasket. Only a trial drawn by lot shows that the heat itself makes the difference.",
    "Eyes that know the temperature find what they expect. Count blind if you can (--blind).",
];

/// How many flasks may not steer, and why.
fn set_aside(sorted: &Sorted<'_>) -> Option<Block> {
    let aside: Vec<&&Flask> = sorted
        .all
        .iter()
        .filter(|f| f.set_aside.is_some())
        .collect();
    if aside.is_empty() {
        return None;
    }
    let mut reasons = std::collections::BTreeMap::<&str, u64>::new();
    for f in &aside {
        *reasons
            .entry(f.set_aside.as_ref().map_or("", |a| &a.reason))
            .or_default() += 1;
    }
    let mut reasons: Vec<(&str, u64)> = reasons.into_iter().collect();
    reasons.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let reasons: Vec<String> = reasons
        .iter()
        .map(|(r, n)| format!("{} ({n})", wording::isolated(r)))
        .collect();
    Some(Block::text(format!(
        "{} of {} may not steer the pour temperature and {} left out of the curves: {}.",
        aside.len(),
        wording::count(sorted.all.len() as u64, "flask"),
        if aside.len() == 1 { "is" } else { "are" },
        wording::list_most(&reasons, REASONS),
    )))
}
