//! Nothing that a person typed can break a page.

use super::*;

#[test]
fn whatever_a_person_types_shows_as_text() {
    let long = format!("{HOSTILE}{}", "ß𝔘n".repeat(3500));
    for typed in [HOSTILE, &long, "", "\u{5e9}\u{5dc}\u{5d5}\u{5dd} 3"] {
        let mut all = flasks(10, 8);
        for f in &mut all {
            f.label = typed.to_owned();
            f.pattern = Some(typed.to_owned());
            f.alloy = Some(typed.to_owned());
            f.section = Some(typed.to_owned());
            f.kinds.insert(typed.to_owned(), 1);
        }
        all[3].set_aside = Some(analysis::flask::Aside::new("other", typed));
        let mut w = with_everything(week(all, Scheme::Metric), typed);
        w.shop.name = typed.to_owned();
        w.sheets = vec![(typed.to_owned(), "javascript:alert(1)".to_owned())];
        w.troubles[0].mend = Some(typed.to_owned());
        for p in w.pours.iter_mut().chain(&mut w.facts.pours_before) {
            p.quality = vec![typed.to_owned()];
            p.faults = vec![typed.to_owned()];
        }
        for target in &mut w.facts.targets {
            (target.alloy, target.section) = (typed.to_owned(), typed.to_owned());
        }
        let stratum = w.evidence.strata[0].clone();
        let trial = &mut w.facts.trials[0];
        trial.alloy = stratum.alloy.unwrap_or_default();
        trial.section = stratum.section.unwrap_or_default();
        w.facts.book_option = format!("--book {}", crate::wording::argument(typed));
        let html = render_week(&w).unwrap();
        check_page(&html);
        assert!(!html.contains("javascript:"));

        let mut s = session();
        s.session = typed.to_owned();
        s.machine = typed.to_owned();
        s.labels = BTreeMap::from([("card".to_owned(), typed.to_owned())]);
        s.trace.stages[0].name = typed.to_owned();
        s.pours[0].quality = vec![typed.to_owned()];
        s.pulls[0].machine = typed.to_owned();
        check_page(&render_session(&s).unwrap());

        let entry = Entry {
            name: typed.to_owned(),
            href: typed.to_owned(),
            sentences: vec![typed.chars().take(2000).collect()],
        };
        check_page(
            &render_index(&Index {
                shop: w.shop.clone(),
                weeks: vec![entry.clone()],
                sessions: vec![entry],
            })
            .unwrap(),
        );
    }
}
