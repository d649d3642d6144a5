//! Sessions open, close, claim and remember as a casting day asks of them.

use analysis::sample::Quality;

use super::*;
use crate::journal::Origin;

const MINUTE: f64 = 60.0;
const ALWAYS: Option<Micros> = Some(Micros(i64::MIN));

fn setup() -> KeeperSetup {
    KeeperSetup {
        machine: "bench-1".into(),
        kilns: vec!["kiln-1".into()],
        rules: Rules::default(),
    }
}

fn keeper() -> Keeper {
    Keeper::new(setup(), Vec::new(), Vec::new())
}

fn reading(place: Place, channel: Channel, minute: f64, value: f64) -> Reading {
    let time = Micros((minute * MINUTE * 1e6) as i64);
    Reading {
        origin: Origin {
            source: "door".into(),
            client: "probe".into(),
            connection: 1,
            packet: 0,
            dup: false,
            payload_hash: 0,
        },
        place,
        channel,
        value,
        quality: Quality::Good,
        time,
        device_time: Some(time),
        arrival: time,
        monotonic_us: time.0,
    }
}

fn melt(minute: f64, value: f64) -> Reading {
    reading(
        Place::Machine("bench-1".into()),
        Channel::MeltTemperature,
        minute,
        value,
    )
}

/// Feeds melt readings one a minute and returns the keeper and the steps.
fn feed(keeper: &mut Keeper, seq: &mut u64, readings: &[Reading]) -> Vec<Step> {
    readings
        .iter()
        .map(|r| {
            *seq += 1;
            keeper.take(*seq, r, || Uuid::from_u128(u128::from(*seq)))
        })
        .collect()
}

fn hot_day() -> Vec<Reading> {
    let warm = (0..60).map(|m| melt(f64::from(m), 25.0));
    let hot = (60..180).map(|m| melt(f64::from(m), 960.0));
    let cold = (180..230).map(|m| melt(f64::from(m), 60.0));
    warm.chain(hot).chain(cold).collect()
}

#[test]
fn a_session_opens_hot_closes_cold_and_claims_the_half_hour_before() {
    let mut k = keeper();
    let mut seq = 0;
    let steps = feed(&mut k, &mut seq, &hot_day());
    let opened = steps
        .iter()
        .filter(|s| matches!(s, Step::Opened(_)))
        .count();
    assert_eq!(opened, 1);
    let plans = k.due(Micros(230 * 60_000_000), ALWAYS, |_| false);
    assert_eq!(plans.len(), 1);
    let melt = plans[0]
        .claims
        .iter()
        .find(|c| c.channel == Channel::MeltTemperature)
        .unwrap();
    assert_eq!(melt.from, Micros(30 * 60_000_000));
    assert_eq!(melt.to, Micros((179 + 45) * 60_000_000));
    assert!(k.open().is_empty());
}

#[test]
fn forty_four_cold_minutes_between_two_melts_are_one_session() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &[melt(0.0, 900.0)]);
    let cold: Vec<Reading> = (1..44).map(|m| melt(f64::from(m), 50.0)).collect();
    feed(&mut k, &mut seq, &cold);
    assert!(k.due(Micros(44 * 60_000_000), ALWAYS, |_| false).is_empty());
    let steps = feed(&mut k, &mut seq, &[melt(44.0, 900.0)]);
    assert!(matches!(steps[0], Step::Within(_)));
}

#[test]
fn silence_closes_a_session_only_while_the_way_in_is_up() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &[melt(0.0, 900.0), melt(1.0, 905.0)]);
    let later = Micros(60 * 60_000_000);
    assert!(k.due(later, None, |_| false).is_empty());
    let plans = k.due(later, ALWAYS, |_| false);
    assert_eq!(plans.len(), 1);
    assert_eq!(plans[0].to, Micros(60_000_000));
}

#[test]
fn what_comes_late_makes_the_next_generation_and_nothing_is_claimed_twice() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &hot_day());
    let first = k.due(Micros(230 * 60_000_000), ALWAYS, |_| false).remove(0);
    let steps = feed(&mut k, &mut seq, &[melt(100.5, 961.0)]);
    assert_eq!(steps, [Step::Late(first.id)]);
    let again = k.close_again(first.id).unwrap();
    let last_of_first = first.claims[0].last_seq;
    for claim in &again.claims {
        assert_eq!(claim.first_seq, last_of_first + 1);
        assert_eq!(claim.last_seq, seq);
    }
    // The same reading read back from the journal is no longer late.
    let mut again_keeper = Keeper::new(setup(), k.closed().to_vec(), Vec::new());
    assert_eq!(
        again_keeper.take(seq, &melt(100.5, 961.0), Uuid::new_v4),
        Step::None
    );
}

#[test]
fn reading_the_journal_again_does_not_reopen_a_closed_session() {
    let mut k = keeper();
    let mut seq = 0;
    let day = hot_day();
    feed(&mut k, &mut seq, &day);
    k.due(Micros(230 * 60_000_000), ALWAYS, |_| false);
    let mut again = Keeper::new(setup(), k.closed().to_vec(), Vec::new());
    let mut seq = 0;
    let steps = feed(&mut again, &mut seq, &day);
    assert!(steps.iter().all(|s| *s == Step::None), "{steps:?}");
    assert!(again.open().is_empty());
}

#[test]
fn last_weeks_backlog_does_not_disturb_todays_session() {
    let mut k = keeper();
    let mut seq = 0;
    let week = 7.0 * 24.0 * 60.0;
    let mut steps = Vec::new();
    for m in 0..30 {
        let m = f64::from(m);
        let mut old = melt(m, 950.0);
        old.arrival = Micros(((week + m) * MINUTE * 1e6) as i64);
        steps.extend(feed(&mut k, &mut seq, &[melt(week + m, 940.0), old]));
    }
    assert_eq!(
        steps
            .iter()
            .filter(|s| matches!(s, Step::Opened(_)))
            .count(),
        2
    );
    assert_eq!(k.open().len(), 2);
}

#[test]
fn the_next_session_leaves_the_last_ones_claim_alone() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &hot_day());
    let first = k.due(Micros(230 * 60_000_000), ALWAYS, |_| false).remove(0);
    feed(&mut k, &mut seq, &[melt(235.0, 150.0)]);
    assert_eq!(k.open()[0].from, Micros(first.to.0 + 1));
}

#[test]
fn a_session_claims_the_burnout_that_fed_it() {
    let mut k = keeper();
    let mut seq = 0;
    let kiln = |m: f64, v: f64| {
        reading(
            Place::Kiln("kiln-1".into()),
            Channel::KilnTemperature(0),
            m,
            v,
        )
    };
    feed(
        &mut k,
        &mut seq,
        &[kiln(0.0, 20.0), kiln(10.0, 150.0), kiln(500.0, 730.0)],
    );
    feed(&mut k, &mut seq, &[melt(600.0, 500.0)]);
    let id = k.open()[0].id;
    let plan = k.close(id).unwrap();
    let claim = plan
        .claims
        .iter()
        .find(|c| c.channel == Channel::KilnTemperature(0))
        .unwrap();
    assert_eq!(claim.from, Micros(10 * 60_000_000));
}

#[test]
fn two_days_hot_are_split_when_nothing_is_going_on() {
    let mut k = keeper();
    let mut seq = 0;
    let long: Vec<Reading> = (0..49).map(|h| melt(f64::from(h) * 40.0, 900.0)).collect();
    feed(&mut k, &mut seq, &long);
    let long: Vec<Reading> = (49..80).map(|h| melt(f64::from(h) * 40.0, 900.0)).collect();
    feed(&mut k, &mut seq, &long);
    let now = Micros(79 * 40 * 60_000_000);
    assert!(k.due(now, ALWAYS, |_| true).is_empty());
    assert_eq!(k.due(now, ALWAYS, |_| false).len(), 1);
}

#[test]
fn silence_counts_from_when_the_bench_could_be_heard_again() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &[melt(0.0, 900.0), melt(1.0, 905.0)]);
    let minute = |m: i64| Micros(m * 60_000_000);
    // Down for an hour, up again for ten minutes: the sensors have not sent their backlog.
    assert!(k.due(minute(70), Some(minute(60)), |_| false).is_empty());
    assert_eq!(k.due(minute(106), Some(minute(60)), |_| false).len(), 1);
}

#[test]
fn sessions_side_by_side_share_readings_the_same_way_after_a_restart() {
    let mut k = keeper();
    let mut seq = 0;
    // A sensor that was cut off from 8:00 to 9:00 sends both at once.
    let mut readings = vec![melt(540.0, 950.0)];
    for m in 0..60 {
        readings.push(melt(480.0 + f64::from(m), 950.0));
        readings.push(melt(540.5 + f64::from(m), 950.0));
    }
    feed(&mut k, &mut seq, &readings);
    let sessions = |k: &Keeper| {
        let mut all: Vec<_> = k.open().to_vec();
        all.sort_by_key(|s| s.from);
        all
    };
    let before = sessions(&k);
    assert_eq!(before.len(), 2);
    assert!(before[0].horizon < before[1].from, "{before:?}");
    let remembered = before.iter().map(|s| OpenSession {
        horizon: s.opened,
        last_active: s.opened,
        last_arrival: s.opened,
        ..s.clone()
    });
    let mut again = Keeper::new(setup(), Vec::new(), remembered.collect());
    feed(&mut again, &mut 0, &readings);
    assert_eq!(sessions(&again), before);
}

#[test]
fn a_kiln_lit_for_tomorrow_does_not_hide_the_burnout_of_today() {
    let mut k = keeper();
    let mut seq = 0;
    let kiln = |m: f64, v: f64| {
        reading(
            Place::Kiln("kiln-1".into()),
            Channel::KilnTemperature(0),
            m,
            v,
        )
    };
    // A loose plug reads cold once in the night.
    let burnout: Vec<Reading> = (10..500)
        .map(|m| kiln(f64::from(m), if m == 201 { 0.0 } else { 700.0 }))
        .collect();
    feed(&mut k, &mut seq, &burnout);
    feed(&mut k, &mut seq, &[melt(600.0, 500.0), kiln(600.0, 60.0)]);
    feed(&mut k, &mut seq, &[kiln(640.0, 150.0), melt(641.0, 900.0)]);
    let id = k.open()[0].id;
    let plan = k.close(id).unwrap();
    let claim = plan
        .claims
        .iter()
        .find(|c| c.channel == Channel::KilnTemperature(0))
        .unwrap();
    assert_eq!(claim.from, Micros(10 * 60_000_000));
}

#[test]
fn sessions_of_long_ago_are_forgotten() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &hot_day());
    k.due(Micros(230 * 60_000_000), ALWAYS, |_| false);
    assert_eq!(k.closed().len(), 1);
    k.due(Micros(18 * 86_400 * 1_000_000), ALWAYS, |_| false);
    assert!(k.closed().is_empty());
}

fn kiln(minute: f64, value: f64) -> Reading {
    reading(
        Place::Kiln("kiln-1".into()),
        Channel::KilnTemperature(0),
        minute,
        value,
    )
}

/// The kiln's sensor was cut off all night, spoke again in the morning, and sends its night after
/// the session was closed.
#[test]
fn a_kilns_night_that_arrives_after_the_close_joins_the_trace_of_its_session() {
    let mut k = keeper();
    let mut seq = 0;
    feed(&mut k, &mut seq, &[kiln(590.0, 555.0)]);
    let day: Vec<Reading> = (600..660).map(|m| melt(f64::from(m), 900.0)).collect();
    feed(&mut k, &mut seq, &day);
    let id = k.open()[0].id;
    let first = k.close(id).unwrap();
    assert!(first.claims.iter().all(|c| c.from >= kiln(569.0, 0.0).time));
    let night: Vec<Reading> = (0..20)
        .map(|i| {
            let m = 20.0 + 30.0 * f64::from(i);
            kiln(
                m,
                if i == 0 {
                    60.0
                } else {
                    100.0 + 30.0 * f64::from(i)
                },
            )
        })
        .filter(|r| r.time < kiln(590.0, 0.0).time)
        .collect();
    let mut late = Vec::new();
    for reading in &night {
        seq += 1;
        k.take(seq, reading, || panic!("a kiln opens no session"));
        late.push(k.late_burnout(seq, reading));
    }
    // Lukewarm, it was not a burnout yet.
    assert!(late[0].is_empty());
    assert!(late[1..].iter().all(|ids| *ids == [id]), "{late:?}");
    let wanted = k.wanted().into_iter().any(|c| {
        c.channel == Channel::KilnTemperature(0)
            && c.from <= night[1].time
            && night[1].time <= c.to
            && c.first_seq <= seq
    });
    assert!(wanted, "the journal must keep it until it is published");
    let again = k.close_again(id).unwrap();
    let claim = again
        .claims
        .iter()
        .find(|c| c.channel == Channel::KilnTemperature(0))
        .unwrap();
    assert_eq!(claim.from, night[1].time);
    // Claimed once, it is late no more.
    assert!(k.late_burnout(seq, &night[5]).is_empty());
}

#[test]
fn a_kiln_lit_again_after_the_session_is_not_late_for_it() {
    let mut k = keeper();
    let mut seq = 0;
    let day: Vec<Reading> = (600..660).map(|m| melt(f64::from(m), 900.0)).collect();
    feed(&mut k, &mut seq, &day);
    let id = k.open()[0].id;
    k.close(id).unwrap();
    for m in [700.0, 800.0, 900.0] {
        seq += 1;
        let reading = kiln(m, 300.0);
        k.take(seq, &reading, || panic!("a kiln opens no session"));
        assert!(k.late_burnout(seq, &reading).is_empty());
    }
}
