//! Invented shops whose truth is known, with the traps of the trade: the answer must not be fooled,
//! or must say that it cannot tell. And a published table, asked for as any statistics package
//! would be.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

use super::*;
use crate::flask::Flask;
use crate::stats::logistic::expit;

/// 2026-01-05T08:00:00Z.
const START: i64 = 1_767_600_000_000_000;
const DAY: i64 = 86_400_000_000;

/// A shop with chance in it.
pub(super) struct Bench {
    rng: Pcg64,
    pub flasks: Vec<Flask>,
}

/// One flask as it is poured.
pub(super) struct Pour {
    pub session: usize,
    pub section: &'static str,
    pub pour_c: f64,
    /// Log odds of a bad piece.
    pub logit: f64,
}

impl Bench {
    pub fn new(seed: u64) -> Bench {
        Bench {
            rng: Pcg64::seed_from_u64(seed),
            flasks: Vec::new(),
        }
    }

    pub fn normal(&mut self, sd: f64) -> f64 {
        let z: f64 = StandardNormal.sample(&mut self.rng);
        sd * z
    }

    /// Pours a flask of 20 pieces and counts it.
    pub fn pour(&mut self, pour: &Pour) -> &mut Flask {
        let odds = pour.logit + self.normal(0.3);
        let p = expit(odds);
        let bad = (0..20).filter(|_| self.rng.random::<f64>() < p).count() as u32;
        let number = self.flasks.len();
        self.flasks.push(Flask {
            id: format!("{number:05}"),
            label: format!("{number}"),
            session: format!("session-{:04}", pour.session),
            machine: "bench-1".to_owned(),
            cast_at: Micros(
                START + pour.session as i64 * DAY + (number % 8) as i64 * 3_600_000_000,
            ),
            alloy: Some("sterling-925".to_owned()),
            section: Some(pour.section.to_owned()),
            pieces: Some(20),
            defective: Some(bad),
            defective_steering: Some(bad),
            kinds: std::collections::BTreeMap::new(),
            pour_temperature_c: Some(pour.pour_c),
            ..Flask::default()
        });
        self.flasks.last_mut().unwrap()
    }

    /// Sessions of three flasks about `usual`, the risk a function of the temperature.
    pub fn sessions(
        &mut self,
        from: usize,
        sessions: usize,
        usual: f64,
        sd: f64,
        risk: &dyn Fn(f64) -> f64,
    ) {
        for session in from..from + sessions {
            let day = self.normal(0.4);
            for _ in 0..3 {
                let pour_c = usual + self.normal(sd);
                let logit = risk(pour_c) + day;
                self.pour(&Pour {
                    session,
                    section: "medium",
                    pour_c,
                    logit,
                });
            }
        }
    }
}

/// Best at 975 °C, worse on either side.
pub(super) fn valley(t: f64) -> f64 {
    -2.6 + ((t - 975.0) / 14.0).powi(2)
}

pub(super) fn asked(flasks: &[Flask]) -> Evidence {
    evidence(flasks, &Question::default())
}

pub(super) fn codes(s: &Stratum) -> Vec<&str> {
    s.advice.caps.iter().map(|c| c.code.as_str()).collect()
}

#[test]
fn a_valley_is_found_and_claimed_at_a_look() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    let e = asked(&bench.flasks);
    let s = &e.strata[0];
    assert_eq!(s.advice.grade, Grade::Fair, "{:?}", s.advice);
    let t = s.advice.pour_temperature_c.unwrap();
    assert!((964.0..986.0).contains(&t), "{t}");
    assert!(s.advice.change_high.unwrap() < 0.0);
    assert!(
        s.advice.sentence.contains("Pour at "),
        "{}",
        s.advice.sentence
    );
    assert!(s.second_opinion.as_ref().unwrap().agrees);
    // What a look said depends on the flasks that were there then and on nothing later.
    let look = s.look.as_ref().unwrap();
    assert_eq!((look.number, look.next_at_sessions), (4, Some(102)));
    let first: Vec<Flask> = bench.flasks[..45 * 3].to_vec();
    let then = asked(&first);
    assert_eq!(
        then.strata[0].look.as_ref().unwrap().history[..],
        look.history[..3]
    );
}

#[test]
fn a_flask_that_is_counted_late_changes_nothing_that_a_look_said() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    let mut flasks = bench.flasks;
    let last = flasks.last().unwrap().cast_at;
    // A flask of every session until the third look, and all of three sessions, were left lying.
    let late: Vec<usize> = (0..45 * 3)
        .filter(|i| i % 3 == 1 || (30..39).contains(i))
        .collect();
    let without: Vec<Flask> = flasks
        .iter()
        .enumerate()
        .map(|(i, f)| {
            let mut f = f.clone();
            if late.contains(&i) {
                (f.pieces, f.defective, f.defective_steering) = (None, None, None);
            }
            f
        })
        .collect();
    for i in late {
        flasks[i].inspected_at = Some(last.plus_seconds(86_400.0));
    }
    let history = |flasks: &[Flask]| asked(flasks).strata[0].look.clone().unwrap().history;
    let (then, now) = (history(&without), history(&flasks));
    assert_eq!(then.len(), 3, "67 sessions counted");
    assert_eq!(now[..3], then[..]);
    // Counted on the day they make a difference, so that the above says something.
    for f in &mut flasks {
        f.inspected_at = None;
    }
    assert_ne!(history(&flasks)[..3], then[..]);
}

#[test]
fn a_shop_that_follows_the_advice_is_told_to_keep_to_it() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    bench.sessions(70, 100, 974.0, 5.0, &valley);
    let s = &asked(&bench.flasks).strata[0];
    assert_eq!(s.advice.grade, Grade::Fair, "{:?}", s.advice);
    assert!(
        s.advice.sentence.contains("Keep pouring at "),
        "{}",
        s.advice.sentence
    );
    assert!(s.advice.against_c.unwrap() < 965.0);
}

#[test]
fn where_heat_does_nothing_nothing_is_claimed() {
    for seed in 0..6 {
        let mut bench = Bench::new(100 + seed);
        bench.sessions(0, 110, 965.0, 9.0, &|_| -2.2);
        let s = &asked(&bench.flasks).strata[0];
        assert_eq!(s.advice.grade, Grade::Weak, "{seed}: {:?}", s.advice);
        assert!(s.look.as_ref().unwrap().history.iter().all(|l| !l.claimed));
    }
}

#[test]
fn a_trial_that_passed_makes_a_claim_strong() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    let trial = |better_c: f64, other_c: f64, passed| Question {
        trials: vec![TrialSaid {
            alloy: "sterling-925".to_owned(),
            section: Some("medium".to_owned()),
            completed_at: Micros(START),
            better_c,
            other_c,
            passed,
            alpha: 0.02,
            change: -0.1,
            change_low: -0.15,
            change_high: -0.05,
            scale: None,
        }],
        ..Question::default()
    };
    let grade = |ask: &Question| evidence(&bench.flasks, ask).strata[0].advice.grade;
    assert_eq!(grade(&trial(972.0, 958.0, true)), Grade::Strong);
    assert_eq!(grade(&trial(972.0, 958.0, false)), Grade::Fair);
    // One that says the opposite takes its place.
    assert_eq!(grade(&trial(950.0, 958.0, true)), Grade::Fair);
}

/// Thin work is poured hot because it is thin and still fails more: all flasks together, heat looks
/// bad; within either section it helps.
#[test]
fn thin_work_poured_hot_does_not_make_heat_look_bad() {
    let mut bench = Bench::new(7);
    for session in 0..90 {
        let day = bench.normal(0.3);
        for (section, usual, level) in [("thin", 985.0, -0.9), ("medium", 955.0, -3.2)] {
            for _ in 0..2 {
                let pour_c = usual + bench.normal(8.0);
                bench.pour(&Pour {
                    session,
                    section,
                    pour_c,
                    logit: level - 0.05 * (pour_c - usual) + day,
                });
            }
        }
    }
    let pooled = evidence(
        &bench.flasks,
        &Question {
            factors: vec![Factor::PourTemperature],
            ..Question::default()
        },
    );
    let slope = |e: &Evidence| {
        let model = e.model.as_ref().unwrap();
        let term = model
            .terms
            .iter()
            .find(|t| t.name == "pour_temperature")
            .unwrap();
        (term.estimate, term.p.unwrap())
    };
    // The trap is set: without the section, heat looks bad beyond doubt.
    let (naive, p) = slope(&pooled);
    assert!(naive > 0.0 && p < 0.01, "{naive} {p}");
    let e = asked(&bench.flasks);
    let (held, p) = slope(&e);
    assert!(held < 0.0 && p < 0.01, "{held} {p}");
    for s in &e.strata {
        assert!(
            s.advice.pour_temperature_c.unwrap() > s.advice.usual_c.unwrap(),
            "{:?}",
            s.advice
        );
        assert!(s.advice.held_equal.contains(&"the section".to_owned()));
    }
}

#[test]
fn melt_and_flask_moved_together_get_no_credit_apart() {
    let mut bench = Bench::new(3);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    for f in &mut bench.flasks {
        f.flask_temperature_c = f.pour_temperature_c.map(|t| 540.0 + 2.0 * (t - 958.0));
    }
    let wobble: Vec<f64> = (0..bench.flasks.len()).map(|_| bench.normal(6.0)).collect();
    for (f, w) in bench.flasks.iter_mut().zip(wobble) {
        f.flask_temperature_c = f.flask_temperature_c.map(|t| t + w);
    }
    let s = &asked(&bench.flasks).strata[0];
    assert_eq!(s.advice.grade, Grade::Weak);
    assert!(
        codes(s).contains(&"moves-with-flask-temperature"),
        "{:?}",
        codes(s)
    );
    let pair = &s.moves_together[0];
    assert_eq!(pair.settings, ["pour_temperature", "flask_temperature"]);
    assert!(pair.correlation > 0.9);
    assert!(pair.sentence.contains("moved together"));
}

#[test]
fn a_target_that_crept_up_with_the_gaskets_age_is_not_credited() {
    let mut bench = Bench::new(5);
    for session in 0..60 {
        let age = session as f64;
        for _ in 0..3 {
            let pour_c = 950.0 + 0.5 * age + bench.normal(2.0);
            let f = bench.pour(&Pour {
                session,
                section: "medium",
                pour_c,
                logit: -3.0 + 0.03 * age,
            });
            f.seal_age_pours = Some(3 * session as u32);
        }
    }
    let s = &asked(&bench.flasks).strata[0];
    assert_eq!(s.advice.grade, Grade::Weak);
    assert!(codes(s).contains(&"moves-with-seal-age"), "{:?}", codes(s));
}

/// The good flasks near the usual temperature were never counted.
#[test]
fn good_flasks_that_nobody_counted_hold_the_grade_down() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    for f in &mut bench.flasks {
        if f.pour_temperature_c.unwrap() < 962.0 && f.defective < Some(9) {
            (f.pieces, f.defective, f.defective_steering) = (None, None, None);
        }
    }
    let s = &asked(&bench.flasks).strata[0];
    assert_eq!(s.advice.grade, Grade::Weak);
    assert!(
        codes(s).contains(&"under-80-percent-inspected"),
        "{:?}",
        codes(s)
    );
}

/// Everything was lost on one day, and that day was cool.
#[test]
fn one_day_with_every_piece_lost_makes_no_claim() {
    let mut bench = Bench::new(21);
    bench.sessions(0, 30, 962.0, 9.0, &|_| -2.2);
    for f in bench
        .flasks
        .iter_mut()
        .filter(|f| f.session == "session-0012")
    {
        f.pour_temperature_c = Some(946.0);
        (f.defective, f.defective_steering) = (Some(20), Some(20));
    }
    let s = &asked(&bench.flasks).strata[0];
    assert_eq!(s.advice.grade, Grade::Weak, "{:?}", s.advice);
    assert!(s.look.as_ref().unwrap().history.iter().all(|l| !l.claimed));
}

/// Nodules multiply while the target creeps up, for their own reason.
#[test]
fn nodules_never_steer_the_pour() {
    let mut bench = Bench::new(31);
    bench.sessions(0, 60, 962.0, 8.0, &|_| -2.4);
    for (i, f) in bench.flasks.iter_mut().enumerate() {
        let nodules = (i / 20) as u32;
        f.kinds.insert("nodule".to_owned(), nodules);
        f.kinds
            .insert("no-fill".to_owned(), f.defective_steering.unwrap());
        f.defective = f.defective.map(|d| (d + nodules).min(20));
    }
    let e = asked(&bench.flasks);
    assert!(
        e.strata[0]
            .look
            .as_ref()
            .unwrap()
            .history
            .iter()
            .all(|l| !l.claimed)
    );
    let nodule = e.kinds.iter().find(|k| k.kind == "nodule").unwrap();
    assert!(nodule.terms.is_empty());
    let no_fill = e.kinds.iter().find(|k| k.kind == "no-fill").unwrap();
    let heat = no_fill
        .terms
        .iter()
        .find(|t| t.name == "pour_temperature")
        .unwrap();
    assert!(heat.p_holm.unwrap() >= heat.p.unwrap());
}

/// Dalal, Fowlkes & Hoadley 1989, JASA 84:945–957: 23 flights of six rings each as flasks of six
/// pieces. Estimates, standard errors and log-likelihood by R 4.2.2, `glm(cbind(y, 6 − y) ~
/// Temperature, binomial)`; the printed ones are 5.085 and −0.1156.
#[test]
fn the_line_of_a_published_table_is_that_of_any_package() {
    let rings = [
        (66, 0),
        (70, 1),
        (69, 0),
        (68, 0),
        (67, 0),
        (72, 0),
        (73, 0),
        (70, 0),
        (57, 1),
        (63, 1),
        (70, 1),
        (78, 0),
        (67, 0),
        (53, 2),
        (67, 0),
        (75, 0),
        (70, 0),
        (81, 0),
        (76, 0),
        (79, 0),
        (75, 2),
        (58, 1),
        (76, 0),
    ];
    let mut bench = Bench::new(1);
    for (session, (t, failed)) in rings.into_iter().enumerate() {
        let f = bench.pour(&Pour {
            session,
            section: "medium",
            pour_c: f64::from(t),
            logit: 0.0,
        });
        f.pieces = Some(6);
        (f.defective, f.defective_steering) = (Some(failed), Some(failed));
    }
    let ask = Question {
        shape: Some(Shape::Line),
        spread: Some(Spread::Plain),
        ..Question::default()
    };
    let e = evidence(&bench.flasks, &ask);
    let model = e.model.unwrap();
    let near =
        |ours: f64, theirs: f64| assert!((ours / theirs - 1.0).abs() < 1e-6, "{ours} {theirs}");
    assert_eq!(model.method, Method::Glm);
    assert_eq!(model.terms[0].name, "intercept");
    near(model.terms[0].estimate, 5.084_977_23);
    near(model.terms[0].std_error, 3.052_485_56);
    assert_eq!(model.terms[1].name, "pour_temperature");
    near(model.terms[1].estimate, -0.115_601_167);
    near(model.terms[1].std_error, 0.047_023_845_9);
    near(model.log_likelihood.unwrap(), -15.823_271_91);
    // Asked for by name it is the same.
    let named = Question {
        factors: vec![Factor::PourTemperature],
        spread: Some(Spread::Plain),
        ..Question::default()
    };
    assert_eq!(
        evidence(&bench.flasks, &named).model.unwrap().terms,
        model.terms
    );
    // Nine rings of twenty-three flights carry no advice.
    assert_eq!(e.strata[0].advice.grade, Grade::None);
}

#[test]
fn a_setting_that_separates_is_fitted_with_a_penalty_and_said_so() {
    let mut bench = Bench::new(2);
    for session in 0..24 {
        let pour_c = 950.0 + f64::from(session);
        let f = bench.pour(&Pour {
            session: session as usize,
            section: "medium",
            pour_c,
            logit: 0.0,
        });
        let bad = if pour_c < 958.0 { 20 } else { 0 };
        (f.defective, f.defective_steering) = (Some(bad), Some(bad));
    }
    let ask = Question {
        shape: Some(Shape::Line),
        ..Question::default()
    };
    let model = evidence(&bench.flasks, &ask).model.unwrap();
    assert_eq!(model.method, Method::Firth);
    assert!(model.terms[1].estimate < 0.0 && model.terms[1].estimate.is_finite());
    assert!(
        model.notes.iter().any(|n| n.contains("penalised")),
        "{:?}",
        model.notes
    );
}

#[test]
fn tables_that_say_nothing_get_a_sentence() {
    let line = Question {
        shape: Some(Shape::Line),
        ..Question::default()
    };
    let why = |flasks: &[Flask]| {
        let e = evidence(flasks, &line);
        assert!(e.model.is_none(), "{:?}", e.model);
        e.notes[0].clone()
    };
    let with = |sessions: usize, change: &dyn Fn(&mut Flask)| {
        let mut bench = Bench::new(4);
        bench.sessions(0, sessions, 960.0, 8.0, &|_| -1.0);
        for f in &mut bench.flasks {
            change(f);
        }
        bench.flasks
    };
    let none = with(20, &|f| {
        (f.defective, f.defective_steering) = (Some(0), Some(0))
    });
    assert!(
        why(&none).contains("none of the pieces is defective"),
        "{}",
        why(&none)
    );
    let all = with(20, &|f| {
        (f.defective, f.defective_steering) = (Some(20), Some(20))
    });
    assert!(
        why(&all).contains("every one of the pieces"),
        "{}",
        why(&all)
    );
    let one = with(1, &|_| {});
    assert!(why(&one).contains("1 session"), "{}", why(&one));
    let blank = with(20, &|f| f.pour_temperature_c = Some(f64::NAN));
    assert!(
        why(&blank).contains("no counted flask has a pour temperature"),
        "{}",
        why(&blank)
    );
    let alike = evidence(&with(20, &|f| f.pour_temperature_c = Some(960.0)), &line);
    let model = alike.model.unwrap();
    assert!(model.terms.iter().all(|t| t.name != "pour_temperature"));
    assert!(
        model.notes.iter().any(|n| n.contains("pour_temperature")),
        "{:?}",
        model.notes
    );
}
