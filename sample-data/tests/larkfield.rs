//! The invented shop behaves as a bench does, and its truth can be found again in its records.

#![allow(clippy::unwrap_used)]

use std::io::Cursor;
use std::sync::OnceLock;

use analysis::channel::Channel;
use analysis::time::Micros;
use analysis::trace::{TraceWriter, read_trace};
use jiff::civil::date;
use sample_data::chamber::Seating;
use sample_data::plan::Fittings;
use sample_data::{PlaceKind, SensedReading, Shop, SimulatedSession, Troubles, simulate};

fn shop() -> Shop {
    Shop::new(7, 26, date(2026, 11, 22))
}

/// Half a year, simulated once.
fn half_a_year() -> &'static [SimulatedSession] {
    static SESSIONS: OnceLock<Vec<SimulatedSession>> = OnceLock::new();
    SESSIONS.get_or_init(|| {
        shop()
            .sessions()
            .map(|plan| simulate(plan, 1.0, &Troubles::default()))
            .collect()
    })
}

fn of(session: &SimulatedSession, channel: Channel) -> Vec<SensedReading> {
    session
        .samples
        .iter()
        .filter(|r| r.channel == channel)
        .copied()
        .collect()
}

fn between(readings: &[SensedReading], from: Micros, until: Micros) -> Vec<(f64, f64)> {
    readings
        .iter()
        .filter(|r| r.time >= from && r.time <= until)
        .map(|r| (r.time.seconds_since(from), r.value))
        .collect()
}

fn mean(values: impl IntoIterator<Item = f64>) -> f64 {
    let (n, sum) = values
        .into_iter()
        .fold((0.0, 0.0), |(n, sum), v| (n + 1.0, sum + v));
    sum / n
}

#[test]
fn the_same_seed_gives_the_same_session_and_another_seed_another() {
    let session = |seed| {
        let shop = Shop::new(seed, 2, date(2026, 11, 22));
        let plan = shop.sessions().next_back().unwrap();
        simulate(plan, 2.0, &Troubles::default())
    };
    assert_eq!(session(3), session(3));
    assert_ne!(session(3).samples, session(4).samples);
}

#[test]
fn half_a_year_has_about_four_sessions_a_week_of_three_to_six_flasks() {
    let sessions = half_a_year();
    assert!((90..=118).contains(&sessions.len()), "{}", sessions.len());
    for (session, plan) in sessions.iter().zip(shop().sessions()) {
        assert!((3..=6).contains(&session.truth.pours.len()));
        assert_eq!(session.truth.pours.len(), plan.flasks.len());
        assert_eq!(session.cards.len(), plan.flasks.len());
    }
    let last = shop().sessions().next_back().unwrap().starts;
    assert!(last > Micros::parse_rfc3339("2026-11-20T08:00:00Z").unwrap());
}

/// About half an hour from cold to nearly 950 °C (common practice).
#[test]
fn warming_up_takes_about_half_an_hour() {
    for session in half_a_year() {
        let minutes = session.truth.warm_up_min;
        assert!((18.0..34.0).contains(&minutes), "{minutes:.1}");
    }
}

/// 8–12 min from pour to pour (common practice); a repeated pull or bronze, which takes nearly
/// twice the heat, may take longer.
#[test]
fn flasks_follow_each_other_in_eight_to_twelve_minutes() {
    let gaps: Vec<f64> = half_a_year()
        .iter()
        .flat_map(|s| s.truth.pours.windows(2))
        .map(|p| p[1].at.seconds_since(p[0].at) / 60.0)
        .collect();
    let usual = gaps.iter().filter(|g| (7.5..=12.5).contains(*g)).count();
    assert!(usual as f64 > 0.9 * gaps.len() as f64, "{gaps:?}");
    assert!(gaps.iter().all(|g| (6.0..20.0).contains(g)), "{gaps:?}");
}

/// 40–120 K down when cold metal goes in, 5–40 K down after a pour (common practice).
#[test]
fn the_probe_falls_at_the_charge_and_at_the_pour() {
    let mut dips = Vec::new();
    for session in half_a_year() {
        let melt = of(session, Channel::MeltTemperature);
        for pours in session.truth.pours.windows(2) {
            let after = between(&melt, pours[0].at, pours[1].at);
            let lowest = after.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
            dips.push(pours[0].pour_temperature_c - lowest);
        }
        for pour in &session.truth.pours {
            let after = between(&melt, pour.at, pour.at.plus_seconds(30.0));
            let lowest = after.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
            let fall = after[0].1 - lowest;
            assert!((4.0..45.0).contains(&fall), "{fall:.1}");
        }
    }
    let inside = dips.iter().filter(|d| (40.0..140.0).contains(*d)).count();
    assert!(inside as f64 > 0.9 * dips.len() as f64, "{dips:?}");
}

/// The least-squares time constant and end depth of the sensed pump-down are those it was made
/// with: p(t) = p_end·(1 − e^(−t/τ)).
#[test]
fn a_good_pump_down_fits_its_time_constant() {
    let mut checked = 0;
    let shop = shop();
    for plan in shop.sessions().take(12) {
        let session = simulate(plan, 5.0, &Troubles::default());
        let vacuum = of(&session, Channel::Vacuum);
        let poured = session.truth.pulls.iter().filter(|p| p.poured);
        for (pull, pour) in poured.zip(&session.truth.pours) {
            // From the pour on the metal seals the sprue and the end depth is another.
            let points = between(&vacuum, pull.opened_at, pour.at);
            let fit = |tau: f64| {
                let rise = |t: f64| 1.0 - (-t / tau).exp();
                let end = points.iter().map(|(t, v)| rise(*t) * v).sum::<f64>()
                    / points.iter().map(|(t, _)| rise(*t).powi(2)).sum::<f64>();
                let left = points
                    .iter()
                    .map(|(t, v)| (v - end * rise(*t)).powi(2))
                    .sum::<f64>();
                (left, end)
            };
            let (tau, (_, end)) = (20..120)
                .map(|tenths| f64::from(tenths) / 10.0)
                .map(|tau| (tau, fit(tau)))
                .min_by(|a, b| a.1.0.total_cmp(&b.1.0))
                .unwrap();
            assert!((tau - pull.tau_s).abs() < 0.3, "{tau} for {}", pull.tau_s);
            assert!(
                (end - pull.end_kpa).abs() < 1.0,
                "{end} for {}",
                pull.end_kpa
            );
            assert!((3.0..8.0).contains(&pull.tau_s));
            checked += 1;
        }
    }
    assert!(checked > 30, "{checked}");
}

#[test]
fn an_unseated_flask_is_called_off_and_repeated_before_the_pour() {
    let mut called_off = 0;
    for session in half_a_year() {
        let truth = &session.truth;
        let poured: Vec<_> = truth.pulls.iter().filter(|p| p.poured).collect();
        assert_eq!(poured.len(), truth.pours.len());
        for (pull, pour) in poured.iter().zip(&truth.pours) {
            assert!(pull.opened_at < pour.at && pour.at < pull.closed_at);
            assert!((10.0..40.0).contains(&pour.vacuum_lead_s));
            assert_ne!(pull.seating, Seating::Unseated);
        }
        for pull in truth.pulls.iter().filter(|p| !p.poured) {
            called_off += 1;
            assert_eq!(pull.seating, Seating::Unseated);
            let vacuum = of(session, Channel::Vacuum);
            let deepest = between(&vacuum, pull.opened_at, pull.closed_at)
                .iter()
                .map(|r| r.1)
                .fold(0.0, f64::max);
            assert!(deepest < 65.0, "{deepest}");
        }
    }
    assert!((5..60).contains(&called_off), "{called_off}");
}

/// Sound pulls reach 78–97 % of what the air allows (common practice: 25–28 inHg, a porous
/// flask holding it 1–5 inHg short of blank-off).
#[test]
fn vacuum_at_the_pour_is_what_a_porous_flask_leaves() {
    let shares: Vec<f64> = half_a_year()
        .iter()
        .flat_map(|s| s.truth.pours.iter().map(|p| p.vacuum_share))
        .collect();
    assert!(shares.iter().all(|s| (0.70..0.97).contains(s)));
    let usual = mean(shares);
    assert!((0.86..0.93).contains(&usual), "{usual}");
}

#[test]
fn defect_rates_and_uninspected_flasks_are_those_of_a_working_shop() {
    let sessions = half_a_year();
    let counts = sessions.iter().flat_map(|s| &s.inspections);
    let (pieces, defective) = counts
        .clone()
        .fold((0, 0), |(p, d), i| (p + i.pieces, d + i.defective));
    let rate = f64::from(defective) / f64::from(pieces);
    assert!((0.03..0.12).contains(&rate), "{rate}");
    let flasks: usize = sessions.iter().map(|s| s.cards.len()).sum();
    let uninspected = 1.0 - counts.clone().count() as f64 / flasks as f64;
    assert!((0.04..0.13).contains(&uninspected), "{uninspected}");
    for i in counts {
        assert!(i.defective_steering <= i.defective && i.defective <= i.pieces);
        assert!(i.kinds.values().sum::<u32>() >= i.defective);
    }
}

/// What was drawn agrees with the probabilities it was drawn from: the whole count lies within
/// four standard deviations (pieces are independent given their flask's odds).
#[test]
fn the_truth_can_be_found_again_in_the_counts() {
    let (mut expected, mut variance, mut seen) = (0.0, 0.0, 0.0);
    for session in half_a_year() {
        for inspection in &session.inspections {
            let pour = &session.truth.pours[inspection.order as usize - 1];
            let p = pour.odds.steering();
            expected += p * f64::from(inspection.pieces);
            variance += p * (1.0 - p) * f64::from(inspection.pieces);
            seen += f64::from(inspection.defective_steering);
        }
    }
    let z = (seen - expected) / variance.sqrt();
    assert!(z.abs() < 4.0, "{seen} seen, {expected:.0} expected");
}

/// Confounding by indication, as in life: thin work is poured hotter.
#[test]
fn thin_work_is_poured_hotter_and_pours_scatter_enough_to_learn_from() {
    let temperatures = |section: &str| -> Vec<f64> {
        half_a_year()
            .iter()
            .zip(shop().sessions())
            .filter(|(_, plan)| plan.alloy == "sterling-925")
            .flat_map(|(s, _)| &s.truth.pours)
            .filter(|p| p.section == section)
            .map(|p| p.pour_temperature_c)
            .collect()
    };
    let (thin, medium, heavy) = (
        temperatures("thin"),
        temperatures("medium"),
        temperatures("heavy"),
    );
    let middle = |t: &[f64]| mean(t.iter().copied());
    assert!(middle(&thin) > middle(&medium) + 20.0);
    assert!(middle(&medium) > middle(&heavy));
    let centre = middle(&medium);
    let sd = mean(medium.iter().map(|t| (t - centre).powi(2))).sqrt();
    assert!((6.0..14.0).contains(&sd), "{sd}");
    assert!(medium.len() > 100, "{}", medium.len());
}

/// The probe tells the metal within its noise and offset as the stopper lifts.
#[test]
fn the_reading_at_the_pour_is_the_metals_temperature() {
    for session in half_a_year() {
        let melt = of(session, Channel::MeltTemperature);
        for pour in &session.truth.pours {
            let before = between(&melt, pour.at.plus_seconds(-4.0), pour.at);
            let read = mean(before.iter().map(|r| r.1)) - session.truth.probe_offset_k;
            let off = read - pour.pour_temperature_c;
            assert!(off.abs() < 4.0, "{off:.1} K at {:?}", pour.at);
        }
    }
}

#[test]
fn the_kiln_is_heard_on_until_it_is_cold() {
    for session in half_a_year().iter().take(20) {
        let last = session.samples.last().unwrap().time;
        let after = &session.kiln_after;
        assert!(
            after
                .iter()
                .all(|r| r.place == PlaceKind::Kiln && r.time > last)
        );
        assert!(after.is_sorted_by_key(|r| r.time));
        // Below 100 °C for half an hour.
        let end = after.last().unwrap().time;
        let cold = after.iter().filter(|r| end.seconds_since(r.time) <= 1800.0);
        assert!(cold.map(|r| r.value).all(|c| c < 100.0));
    }
}

#[test]
fn the_furnace_is_cold_at_the_end_and_the_kiln_was_read_all_night() {
    for session in half_a_year() {
        let melt = of(session, Channel::MeltTemperature);
        assert!(melt.last().unwrap().value < 100.0);
        let kiln = of(session, Channel::KilnTemperature(0));
        assert!(kiln.windows(2).all(|k| {
            let step = k[1].time.seconds_since(k[0].time);
            (0.0..31.0).contains(&step)
        }));
        let hottest = kiln.iter().map(|k| k.value).fold(0.0, f64::max);
        assert!((725.0..738.0).contains(&hottest), "{hottest}");
        let night = session.truth.starts.seconds_since(kiln[0].time) / 3600.0;
        assert!((12.5..15.0).contains(&night), "{night}");
    }
}

#[test]
fn values_are_finite_and_times_go_on() {
    for session in half_a_year() {
        assert!(session.samples.iter().all(|r| r.value.is_finite()));
        assert!(session.samples.is_sorted_by_key(|r| r.time));
    }
}

#[test]
fn parts_are_changed_now_and_then_and_pours_count_their_gasket() {
    let shop = shop();
    let changed = |part: &str| {
        shop.part_changes()
            .iter()
            .filter(|c| c.part == part)
            .count()
    };
    assert!(
        (4..=9).contains(&changed("gasket")),
        "{}",
        changed("gasket")
    );
    assert!((5..=14).contains(&changed("gas-cylinder")));
    assert!(changed("thermocouple") >= 2 && changed("crucible") >= 2);
    assert!(shop.part_changes().is_sorted_by_key(|c| c.at));
    let mut age = 0;
    let mut gaskets = shop.part_changes().iter().filter(|c| c.part == "gasket");
    let mut next = gaskets.next();
    for session in half_a_year() {
        if next.is_some_and(|c| c.at < session.truth.starts) {
            age = 0;
            next = gaskets.next();
        }
        for pour in &session.truth.pours {
            assert_eq!(pour.seal_age_pours, age);
            age += 1;
        }
    }
}

#[test]
fn switches_speak_at_the_valve_and_at_the_stopper() {
    let fitted = shop().with_fittings(Fittings {
        stopper: true,
        kiln_door: true,
        gas_pressure: true,
        ..Fittings::default()
    });
    let session = simulate(fitted.sessions().next().unwrap(), 1.0, &Troubles::default());
    let rises = |channel| {
        of(&session, channel)
            .windows(2)
            .filter(|r| r[0].value == 0.0 && r[1].value == 1.0)
            .map(|r| r[1].time)
            .collect::<Vec<Micros>>()
    };
    let at: Vec<Micros> = session.truth.pours.iter().map(|p| p.at).collect();
    let lifted = rises(Channel::Stopper);
    assert_eq!(lifted.len(), at.len());
    assert!(
        lifted
            .iter()
            .zip(&at)
            .all(|(a, b)| a.seconds_since(*b).abs() < 0.3)
    );
    assert_eq!(rises(Channel::VacuumValve).len(), session.truth.pulls.len());
    assert_eq!(rises(Channel::KilnDoor(0)).len(), at.len());
    assert!(!of(&session, Channel::GasPressure).is_empty());
}

#[test]
fn troubles_change_what_is_sensed_and_not_what_is_true() {
    let shop = shop();
    let plan = shop.sessions().next_back().unwrap();
    let sound = simulate(plan, 1.0, &Troubles::default());
    let with = |troubles| simulate(plan, 1.0, &troubles);

    let fahrenheit = with(Troubles {
        whole_fahrenheit: true,
        ..Troubles::default()
    });
    assert!(
        of(&fahrenheit, Channel::MeltTemperature)
            .iter()
            .all(|r| ((r.value * 1.8 + 32.0) % 1.0 + 0.5) % 1.0 - 0.5 < 1e-6)
    );
    assert_eq!(fahrenheit.truth, sound.truth);

    let bare = with(Troubles {
        no_valve_switch: true,
        ..Troubles::default()
    });
    assert!(of(&bare, Channel::VacuumValve).is_empty());

    let silent = with(Troubles {
        silences: 5,
        ..Troubles::default()
    });
    let longest = |s: &SimulatedSession| {
        of(s, Channel::MeltTemperature)
            .windows(2)
            .map(|r| r[1].time.seconds_since(r[0].time))
            .fold(0.0, f64::max)
    };
    assert!(longest(&sound) < 1.2 && longest(&silent) > 5.0);
    assert_eq!(silent.truth, sound.truth);

    let repeated = with(Troubles {
        twice: 0.1,
        out_of_order: 0.1,
        ..Troubles::default()
    });
    let more = repeated.samples.len() as f64 / sound.samples.len() as f64;
    assert!((1.08..1.12).contains(&more), "{more}");
    assert!(!repeated.samples.is_sorted_by_key(|r| r.time));
    let mut again = repeated.samples.clone();
    again.sort_by_key(|r| (r.time, r.channel));
    again.dedup();
    assert_eq!(again, sound.samples);

    let offset = with(Troubles {
        probe_offset_k: -25.0,
        stuck_gas_float: true,
        ..Troubles::default()
    });
    let melt = |s: &SimulatedSession| mean(of(s, Channel::MeltTemperature).iter().map(|r| r.value));
    assert!((melt(&offset) - melt(&sound) + 25.0).abs() < 0.01);
    let mut floats: Vec<f64> = of(&offset, Channel::GasFlow)
        .iter()
        .map(|r| r.value)
        .filter(|v| *v > 1.0)
        .collect();
    floats.dedup();
    assert_eq!(floats.len(), 1);

    let doubtful = with(Troubles {
        called_off: 1.0,
        ..Troubles::default()
    });
    assert_eq!(doubtful.truth.pulls.len(), 2 * plan.flasks.len());
    assert_eq!(doubtful.truth.pours.len(), plan.flasks.len());
}

#[test]
fn a_session_makes_a_trace_that_reads_back() {
    let shop = shop();
    let plan = shop.sessions().next().unwrap();
    // A shop's rate; at 1 Hz the dictionaries weigh more and it is a little over 3.
    let samples = simulate(plan, 5.0, &Troubles::default()).trace();
    let mut file = Vec::new();
    let mut writer = TraceWriter::new(&mut file, &[]).unwrap();
    for run in samples.chunk_by(|a, b| a.channel == b.channel) {
        writer.write_channel(run[0].channel, run).unwrap();
    }
    writer.finish().unwrap();
    let bytes = file.len() as f64 / samples.len() as f64;
    println!("{bytes:.2} bytes a sample, {} samples", samples.len());
    assert!(bytes < 3.0, "{bytes:.2} bytes a sample");
    assert_eq!(read_trace(Cursor::new(file)).unwrap().samples, samples);
}

#[test]
fn the_kiln_belongs_to_the_kiln_and_the_barometer_to_the_shop() {
    for reading in &half_a_year()[0].samples {
        let expected = match reading.channel {
            Channel::KilnTemperature(_) => PlaceKind::Kiln,
            Channel::Barometer => PlaceKind::Shop,
            _ => PlaceKind::Machine,
        };
        assert_eq!(reading.place, expected);
    }
}
