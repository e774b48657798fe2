use std::collections::BTreeMap;
use std::time::Duration;

use proptest::prelude::*;

use super::budget::{Budget, Contribution, Spread};
use super::differences::differences;
use super::fit::Fit;
use super::meter_error::{Class, Indicated, Rating, Reference, ReferenceCheck, Zone};
use super::points::{LoopCheck, OffCheck, PulseCheck, current_at, loop_point, tolerated_ma};
use super::volumes::{Look, Seen, volumes};
use super::*;
use crate::declared::{
    ByteOrder, CurrentLoop, Dimension, Entry, FlowTolerance, Limits, Meter, Pulse, PulseCounts, Source, Table,
    Tolerance, TotalCounts, Unit, ValueType, WordOrder,
};
use crate::reading::{MeterFacts, WitnessFacts};
use crate::tally::{Between, Witness};
use crate::units::{Litres, LitresPerSecond, Milliamperes, Seconds};

fn close(value: f64, expected: f64, digits: i32) {
    let off = (value / expected - 1.0).abs();
    assert!(off < 10_f64.powi(-digits), "{value} for {expected}");
}

const GUM_H3: [(f64, f64); 11] = [
    (21.521, -0.171),
    (22.012, -0.169),
    (22.512, -0.166),
    (23.003, -0.159),
    (23.507, -0.164),
    (23.999, -0.165),
    (24.513, -0.156),
    (25.002, -0.157),
    (25.503, -0.159),
    (26.010, -0.161),
    (26.511, -0.160),
];

/// JCGM 100:2008 annex H.3, the calibration of a thermometer: y1 = -0.1712 (29), y2 = 0.00218 (67), r = -0.930, and at 30
/// degrees -0.1494 (41). The further digits were computed from its table H.6 at 40 digits.
#[test]
fn a_line_through_points_is_known_as_in_the_gum() {
    let line = Fit::through(&GUM_H3, 20.0).unwrap();
    close(line.intercept, -0.171_203_790_131_350, 10);
    close(line.intercept_standard, 0.002_877_597_835_159_95, 10);
    close(line.slope, 0.002_182_697_739_887_28, 9);
    close(line.slope_standard, 0.000_667_938_773_227_832, 10);
    close(line.correlation, -0.930_429_603_093_446, 10);
    close(line.residual, 0.003_497_563_963_505_28, 10);
    let (value, standard) = line.at(30.0);
    close(value, -0.149_376_812_732_477, 10);
    close(standard, 0.004_138_595_752_854_95, 9);
    // An error of 0.005 that all points share: from the documentation of the GUM tree calculator.
    let shared = line.with_shared(0.005);
    close(shared.intercept_standard, 0.005_768_931_382_926_76, 10);
    assert_eq!(shared.slope_standard, line.slope_standard, "it is no matter of the slope");
    close(shared.at(30.0).1, 0.004_138_595_752_854_95_f64.hypot(0.005), 9);
    assert_eq!(Fit::through(&GUM_H3[..2], 20.0), None);
    assert_eq!(Fit::through(&[(1.0, 1.0); 4], 20.0), None);
}

/// Points without scatter: nothing is divided by it.
#[test]
fn a_perfect_line_has_no_uncertainty() {
    let line = Fit::through(&[(4.0, 0.01), (12.0, 0.01), (20.0, 0.01)], 4.0).unwrap();
    assert_eq!((line.slope, line.intercept_standard, line.correlation), (0.0, 0.0, 0.0));
    assert_eq!(line.at(20.0), (0.01, 0.0));
}

/// JCGM 106:2012 §8.3: the guard band is the expanded uncertainty.
#[test]
fn a_verdict_keeps_away_from_the_limit() {
    for (deviation, expected) in [
        (0.7, Verdict::Pass),
        (-0.7, Verdict::Pass),
        (0.9, Verdict::Undecided),
        (-1.05, Verdict::Undecided),
        (1.11, Verdict::Fail),
        (f64::NAN, Verdict::Undecided),
    ] {
        assert_eq!(Verdict::of(deviation, 0.2, 0.9), expected, "{deviation}");
    }
    assert_eq!(Verdict::together([Verdict::Pass, Verdict::Undecided, Verdict::Pass]), Verdict::Undecided);
    assert_eq!(Verdict::together([Verdict::Fail, Verdict::Undecided]), Verdict::Fail);
    assert_eq!(Verdict::together([]), Verdict::Undecided);
}

#[test]
fn contributions_add_up_as_squares() {
    let budget = Budget::of(vec![
        Contribution::new("a", 0.3, "mA", Spread::Normal, 1.0),
        Contribution::new("b", 0.4 * 3_f64.sqrt(), "s", Spread::Rectangular, -1.0),
        Contribution::new("c", 2.4, "L", Spread::Expanded, 1.0),
    ]);
    close(budget.standard, 1.3, 12);
    close(budget.expanded, 2.6, 12);
}

/// ISO 4064-1:2014 §4.1, §4.2. The example of Q3 = 2.5 m3/h and R100 (Q1 = 25 L/h, Q4 = 3.125 m3/h) is a published one.
#[test]
fn zones_and_their_limits_are_those_of_iso_4064() {
    let per_hour = |litres: f64| LitresPerSecond(litres / 3600.0);
    let rating = Rating { permanent: per_hour(2500.0), ratio: 100.0, class: Class::Two, warm: false };
    close(rating.minimum().0 * 3600.0, 25.0, 12);
    close(rating.transitional().0 * 3600.0, 40.0, 12);
    close(rating.overload().0 * 3600.0, 3125.0, 12);
    let zone = |litres| rating.zone(per_hour(litres));
    assert_eq!(zone(24.9), Zone::BelowMinimum);
    assert_eq!((zone(25.1), zone(39.9)), (Zone::Lower, Zone::Lower));
    assert_eq!(rating.zone(rating.transitional()), Zone::Upper, "Q2 belongs to the upper zone");
    assert_eq!(rating.zone(rating.overload()), Zone::Upper, "and so does Q4");
    assert_eq!(zone(3126.0), Zone::BeyondOverload);
    for (class, warm, upper, lower) in [
        (Class::One, false, 0.01, 0.03),
        (Class::One, true, 0.02, 0.03),
        (Class::Two, false, 0.02, 0.05),
        (Class::Two, true, 0.03, 0.05),
    ] {
        let rating = Rating { class, warm, ..rating };
        assert_eq!(rating.permissible(Zone::Upper), Some(upper));
        assert_eq!(rating.permissible(Zone::Lower), Some(lower));
        assert_eq!(rating.permissible(Zone::BelowMinimum), None);
    }
}

#[test]
fn an_error_is_indicated_less_true_over_true() {
    let rating = Rating { permanent: LitresPerSecond(27.0), ratio: 100.0, class: Class::Two, warm: false };
    let reference = Reference { what: "tank".to_owned(), volume_l: 1000.0, expanded_l: 2.0, rating: Some(rating) };
    let indicated = [Indicated { witness: Witness::Total, volume_l: 1015.0, standard_l: 1.0 }];
    let standing = ReferenceCheck::of(reference.clone(), &indicated, 100.0, [0.0, 0.0]);
    assert_eq!((standing.zone, standing.limit), (Some(Zone::Upper), Some(0.02)));
    close(standing.errors[0].error, 0.015, 12);
    // u = sqrt(1 + (1 x 1.015)^2) L of 1000 L.
    close(standing.errors[0].budget.standard, 1.0_f64.hypot(1.015) / 1000.0, 12);
    assert_eq!(standing.verdict, Verdict::Pass);
    // Started and stopped by hand at 10 L/s, 0.3 s either way at each end spoil it.
    let flying = ReferenceCheck::of(reference, &indicated, 100.0, [10.0, 10.0]);
    assert!(flying.errors[0].budget.standard > 2.0e-3, "{:?}", flying.errors[0].budget);
}

fn entry(name: &str, value_type: ValueType, symbol: &str, dimension: Dimension, scale: f64) -> Entry {
    Entry {
        name: name.to_owned(),
        table: Table::Holding,
        address: 0,
        value_type,
        word_order: WordOrder::HighFirst,
        byte_order: ByteOrder::Big,
        unit: Unit { symbol: symbol.to_owned(), dimension, to_base: 1.0 },
        scale,
        offset: 0.0,
        wraps_at: None,
        bits: BTreeMap::new(),
    }
}

fn current_loop() -> CurrentLoop {
    CurrentLoop {
        current: Source::File("current".into()),
        full_scale: LitresPerSecond(36.0),
        at_4_ma: LitresPerSecond(0.0),
        damping: None,
        accuracy: 0.001,
        saturates: (Milliamperes(3.8), Milliamperes(20.5)),
        fault: (Milliamperes(3.6), Milliamperes(21.0)),
        receiver_flow: None,
    }
}

fn current_entry() -> Entry {
    entry("current", ValueType::U16, "mA", Dimension::Current, 0.001)
}

fn facts(pulse_volume: f64) -> MeterFacts {
    let witness = |entry| Some(WitnessFacts { entry, every: Duration::from_secs(1) });
    let pulse = Pulse {
        count: Source::File("count".into()),
        volume: Litres(pulse_volume),
        on_time: Duration::from_millis(60),
        off_time: Duration::from_millis(60),
        counts: PulseCounts::Forward,
        wraps_at: None,
        receiver_total: None,
    };
    MeterFacts {
        meter: Meter {
            name: "bore".to_owned(),
            flow: Some(Source::File("flow".into())),
            total: Some(Source::File("total".into())),
            total_counts: TotalCounts::Forward,
            reverse_total: None,
            refresh: Duration::from_secs(1),
            running: None,
            status: Vec::new(),
            current_loop: Some(current_loop()),
            pulse: Some(pulse),
            settings: BTreeMap::new(),
            tolerance: Tolerance::default(),
            limits: Limits::default(),
        },
        flow: witness(entry("flow", ValueType::F32, "L/s", Dimension::Flow, 1.0)),
        total: witness(entry("total", ValueType::U32, "L", Dimension::Volume, 1.0)),
        reverse_total: None,
        loop_ma: witness(current_entry()),
        pulses: witness(entry("count", ValueType::U32, "", Dimension::Number, 1.0)),
        receiver_flow: None,
        receiver_total: None,
        status_names: Vec::new(),
    }
}

/// 4, 8, 12, 16 and 20 mA are 0 to 100 %: the table of the 4-20 mA signal.
#[test]
fn simulated_currents_are_held_against_their_points() {
    let declared = current_loop();
    let currents: Vec<f64> = points::PERCENTS.into_iter().map(|percent| current_at(percent).0).collect();
    assert_eq!(currents, [4.0, 8.0, 12.0, 16.0, 20.0]);
    let tolerance = FlowTolerance::OfSpan(0.0025);
    assert_eq!(tolerated_ma(&declared, tolerance, 50), 0.04);
    // Of the reading, at rest, nothing would be let pass: what the input cannot tell is.
    assert_eq!(tolerated_ma(&declared, FlowTolerance::OfReading(0.01), 0), 0.032);
    assert_eq!(tolerated_ma(&declared, FlowTolerance::OfReading(0.01), 100), 0.16);

    let measured = |offset: f64, gain: f64| {
        let points = points::PERCENTS.into_iter().filter_map(|percent| {
            let current = 4.0 + offset + (current_at(percent).0 - 4.0) * gain;
            loop_point(&declared, &current_entry(), percent, &[current - 0.001, current + 0.001], 0.04)
        });
        LoopCheck::of(points.collect(), &declared).unwrap()
    };
    let sound = measured(0.01, 1.0);
    assert_eq!(sound.verdict, Verdict::Pass);
    // 0.016 / sqrt 3 of accuracy, 0.0005 / sqrt 3 of resolution, 0.001 of scatter.
    close(sound.budget.standard, (0.016_f64.powi(2) / 3.0 + 0.0005_f64.powi(2) / 3.0 + 0.001_f64.powi(2)).sqrt(), 9);
    let line = sound.line.unwrap();
    close(line.intercept, 0.01, 9);
    assert!(line.slope.abs() < 1e-9 && line.intercept_standard > 0.009, "{line:?}");
    let shifted = measured(0.08, 1.0);
    assert_eq!(shifted.verdict, Verdict::Fail);
    let spread = measured(0.0, 1.01);
    assert_eq!((spread.points[0].verdict, spread.points[4].verdict), (Verdict::Pass, Verdict::Fail));
    close(spread.line.unwrap().slope, 0.01, 6);

    let (mut point, _) = loop_point(&declared, &current_entry(), 50, &[12.0], 0.04).unwrap();
    point.receiver_showed(LitresPerSecond(18.0), 1.0, &declared);
    assert_eq!(point.receiver.as_ref().unwrap().verdict, Verdict::Undecided, "one digit is too few to tell 0.25 %");
    point.receiver_showed(LitresPerSecond(18.02), 0.01, &declared);
    assert_eq!(point.receiver.as_ref().unwrap().verdict, Verdict::Pass);
    point.receiver_showed(LitresPerSecond(50.0), 1.0, &declared);
    assert_eq!(point.receiver.unwrap().verdict, Verdict::Fail, "a receiver with another full scale");
}

#[test]
fn every_simulated_pulse_is_to_be_counted() {
    assert_eq!(PulseCheck::of(100, 100.0, 25.0, None).verdict, Verdict::Pass);
    assert_eq!(PulseCheck::of(100, 99.0, 25.0, None).verdict, Verdict::Fail);
    assert_eq!(PulseCheck::of(100, 200.0, 25.0, None).verdict, Verdict::Fail);
    assert_eq!(PulseCheck::of(100, 100.0, 25.0, Some((2500.0, 1.0))).verdict, Verdict::Pass);
    assert_eq!(PulseCheck::of(100, 100.0, 25.0, Some((5000.0, 1.0))).verdict, Verdict::Fail);
}

#[test]
fn a_current_that_stands_where_it_was_simulated_is_told() {
    let check = |flow: Option<f64>, current: f64, simulated| {
        let pairs = [(flow.map(LitresPerSecond), Milliamperes(current)); 3];
        OffCheck::of(&current_loop(), &pairs, simulated, 0.04).unwrap().verdict
    };
    assert_eq!(check(Some(18.0), 12.01, Some(20.0)), Verdict::Pass);
    assert_eq!(check(Some(18.0), 20.0, Some(20.0)), Verdict::Fail);
    assert_eq!(check(Some(36.0), 20.0, Some(20.0)), Verdict::Undecided, "the flow happens to be full scale");
    assert_eq!(check(None, 20.0, Some(20.0)), Verdict::Fail);
    assert_eq!(check(None, 11.0, Some(20.0)), Verdict::Pass);
    assert_eq!(check(Some(18.0), 4.0, None), Verdict::Fail, "held, open or simulated by somebody else");
}

/// What the witnesses of a sound meter show of a flow that rises evenly from `from` to `to`.
fn sound_looks(from: f64, to: f64, seconds: u32, phase: f64, pulse_volume: f64) -> Vec<Look> {
    let length = f64::from(seconds);
    let flow = |at: f64| from + (to - from) * at / length;
    let volume = |at: f64| from * at + (to - from) * at * at / length / 2.0;
    let at_second = |second| {
        let at = f64::from(second);
        let seen = |value: f64, later: f64| Some(Seen { value, at: Seconds(at + later), within: Seconds(0.005) });
        Look {
            flow: seen(flow(at), 0.0),
            total: seen((volume(at + 0.02) + phase * pulse_volume + 4e9).floor(), 0.02),
            current: seen(((4.0 + 16.0 * flow(at + 0.04) / 36.0) * 1000.0).round() / 1000.0, 0.04),
            count: seen((volume(at + 0.06) / pulse_volume + phase).floor(), 0.06),
            ..Look::default()
        }
    };
    (0..=seconds).map(at_second).collect()
}

proptest! {
    /// The true volume lies within the budget's bounds, all at their worst together, of what each witness says.
    #[test]
    fn a_sound_witness_is_never_beyond_its_budget(
        from in 0.0..30.0_f64,
        to in 0.0..30.0_f64,
        seconds in 4..900_u32,
        phase in 0.0..1.0_f64,
        pulse_volume in prop::sample::select(vec![1.0, 10.0, 25.0, 100.0]),
    ) {
        let facts = facts(pulse_volume);
        let run = volumes(&facts, &sound_looks(from, to, seconds, phase, pulse_volume)).unwrap();
        prop_assert_eq!(run.witnesses.len(), 4);
        // Looks are spread over 60 ms, so that the run is that much later than its first reading.
        let late = 0.03;
        let length = f64::from(seconds);
        let truth = (from + to) / 2.0 * length + late * (to - from);
        for it in &run.witnesses {
            let worst: f64 = it.budget.lines.iter().map(|line| line.bound * line.sensitivity.abs()).sum();
            prop_assert!((it.volume_l - truth).abs() <= worst + 0.05, "{:?} {} {} {}", it.witness, it.volume_l, truth, worst);
            prop_assert!(it.budget.expanded <= worst * 2.0);
        }
        let differences = differences(&facts.meter, &run.witnesses, run.seconds, None);
        prop_assert_eq!(differences.len(), 4);
        for it in differences {
            prop_assert!(it.verdict != Verdict::Fail, "{:?}", it);
        }
    }
}

#[test]
fn a_wrong_pulse_weight_fails_and_too_short_a_run_says_how_long_would_do() {
    let facts = facts(25.0);
    let mut looks = sound_looks(20.0, 20.0, 600, 0.3, 25.0);
    let run = volumes(&facts, &looks).unwrap();
    let judged = |looks: &[Look], between| {
        let run = volumes(&facts, looks).unwrap();
        let all = differences(&facts.meter, &run.witnesses, run.seconds, None);
        all.into_iter().find(|it| it.between == between).unwrap()
    };
    assert!(Between::ALL[..4].iter().all(|between| judged(&looks, *between).verdict == Verdict::Pass), "{run:#?}");
    let short = judged(&looks[..20], Between::TotalFlow);
    assert_eq!(short.verdict, Verdict::Undecided);
    let longer = short.decided_after_s.unwrap();
    assert!(longer > 20.0 && longer < 600.0, "{longer}");
    for look in &mut looks {
        look.count = look.count.map(|seen| Seen { value: (seen.value / 2.0).floor(), ..seen });
    }
    let wrong = judged(&looks, Between::TotalPulse);
    assert_eq!(wrong.verdict, Verdict::Fail);
    assert!((wrong.share + 0.5).abs() < 0.01, "{wrong:?}");
    // A stated limit takes the place of the tolerances.
    let run = volumes(&facts, &looks).unwrap();
    let stated = differences(&facts.meter, &run.witnesses, run.seconds, Some(0.6));
    assert!(stated.iter().all(|it| it.verdict != Verdict::Fail));
}
