//! Each trouble does what it says, and nothing else: held against the same plant without it, by plain arithmetic.

use super::*;
use crate::direct::{Direct, Reading, Row, Sampling};
use crate::plant::{PointPlan, Shed};
use crate::profile::{Profile, Pump};
use crate::receiver::{Controller, CurrentInput};
use crate::register::{Encoding, Format, LITRES, LITRES_PER_SECOND};

const FULL_SCALE: f64 = 36.0;
const PULSE_VOLUME: f64 = 25.0;
const HOURS: f64 = 4.0;
const ONSET: f64 = 2.0 * 3600.0;

/// Rest, ramps and two levels of flow; 0.16 pulses a second at the lower, 1.2 at the higher.
fn plan() -> PointPlan {
    let points =
        vec![(0.0, 0.0), (300.0, 0.0), (320.0, 4.0), (900.0, 4.0), (930.0, 30.0), (1780.0, 30.0), (1800.0, 0.0)];
    let mut plan = PointPlan::usual(
        Profile::Table { points, linear: true, repeats_after: Some(1800.0) },
        FULL_SCALE,
        PULSE_VOLUME,
    );
    plan.sound.controller = Some(Controller {
        full_scale: FULL_SCALE,
        at_4_ma: 0.0,
        pulse_volume: PULSE_VOLUME,
        input: CurrentInput { offset: 0.0, gain: 0.0, noise: 0.0, quantum: 0.0, connected_to: None },
        flow: Encoding::float(LITRES_PER_SECOND),
        total: Encoding { format: Format::F64, ..Encoding::float(LITRES) },
    });
    plan
}

/// A pump with strong reverse flow after each stop.
fn swinging() -> PointPlan {
    let pump = Pump {
        flow: 30.0,
        droop: 0.0,
        demand: 15.0,
        tank: 9000.0,
        level: 0.2,
        ramp: 10.0,
        backflow: 9.0,
        backflow_time: 120.0,
    };
    PointPlan::usual(Profile::Pump(pump), FULL_SCALE, PULSE_VOLUME)
}

fn rows(plans: Vec<PointPlan>) -> Vec<Row> {
    Direct::new(Shed::new(plans, 17), 0, Sampling::default(), HOURS * 3600.0, 17).collect()
}

fn sound() -> Vec<Row> {
    rows(vec![plan()])
}

fn with(trouble: Trouble, begins: f64) -> Vec<Row> {
    rows(vec![plan().with(Spell::from(trouble, begins))])
}

fn values(rows: &[Row], of: impl Fn(&Row) -> Option<Reading>) -> Vec<f64> {
    rows.iter().map(|row| of(row).expect("nothing is missed").value).collect()
}

fn flows(rows: &[Row]) -> Vec<f64> {
    values(rows, |row| row.flow)
}

fn totals(rows: &[Row]) -> Vec<f64> {
    values(rows, |row| row.total)
}

fn currents(rows: &[Row]) -> Vec<f64> {
    values(rows, |row| row.loop_ma)
}

fn pulses(rows: &[Row]) -> Vec<f64> {
    values(rows, |row| row.pulses)
}

fn gained(values: &[f64]) -> f64 {
    values[values.len() - 1] - values[0]
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (count, sum) = values.fold((0.0, 0.0), |(count, sum), value| (count + 1.0, sum + value));
    sum / count
}

/// The two halves, before and after the onset.
fn halves(values: &[f64]) -> (&[f64], &[f64]) {
    values.split_at(values.len() / 2)
}

fn near(value: f64, wanted: f64, within: f64) {
    assert!((value - wanted).abs() <= within, "{value} is not within {within} of {wanted}");
}

/// All but the named witness are as they were.
fn only(rows: &[Row], changed: &str) {
    let sound = sound();
    for (name, of) in [
        ("flow", flows as fn(&[Row]) -> Vec<f64>),
        ("total", totals as fn(&[Row]) -> Vec<f64>),
        ("loop", currents as fn(&[Row]) -> Vec<f64>),
        ("pulse", pulses as fn(&[Row]) -> Vec<f64>),
    ] {
        assert_eq!(of(rows) == of(&sound), !changed.contains(name), "{name}");
    }
}

#[test]
fn pulse_weight_and_full_doubling_scale_the_counts() {
    let expected = gained(&pulses(&sound()));
    let weight = with(Trouble::PulseWeight { ratio: 1.25 }, 0.0);
    near(gained(&pulses(&weight)), 1.25 * expected, 2.0);
    only(&weight, "pulse");
    let doubled = pulses(&with(Trouble::PulseDouble { share: 1.0 }, 0.0));
    near(gained(&doubled), 2.0 * expected, 0.0);
    assert!(doubled.windows(2).all(|pair| (pair[1] - pair[0]) % 2.0 == 0.0), "doubling keeps the parity");
    let weight = pulses(&with(Trouble::PulseWeight { ratio: 2.0 }, 0.0));
    assert!(weight.windows(2).any(|pair| (pair[1] - pair[0]) % 2.0 == 1.0), "a weight does not");
}

#[test]
fn pulses_are_lost_and_doubled_by_chance() {
    let expected = gained(&pulses(&sound()));
    let deviation = |share: f64| 4.0 * (expected * share * (1.0 - share)).sqrt();
    let partly = gained(&pulses(&with(Trouble::PulseDouble { share: 0.1 }, 0.0)));
    near(partly, 1.1 * expected, deviation(0.1));
    let narrow = with(Trouble::PulseNarrow { seen: 0.9 }, 0.0);
    near(gained(&pulses(&narrow)), 0.9 * expected, deviation(0.1));
    only(&narrow, "pulse");
    // 50 ms pulses looked at every 80 ms: five of eight are seen.
    let scanned = gained(&pulses(&with(Trouble::PulseScan { scan: 0.08, jitter: 0.04 }, 0.0)));
    near(scanned, 0.625 * expected, deviation(0.625));
}

#[test]
fn a_rate_limit_loses_what_is_above_it_alone() {
    let sound = pulses(&sound());
    let limited = pulses(&with(Trouble::PulseRateLimit { hertz: 0.8, waiting: 0 }, 0.0));
    let fastest = limited.windows(61).map(gained).fold(0.0, f64::max);
    assert!(fastest <= 0.8 * 60.0 + 1.0, "{fastest} in a minute");
    // 0.16 a second at 4 L/s is below the limit: nothing is lost there.
    near(gained(&limited[330..890]), gained(&sound[330..890]), 1.0);
    // A queue long enough gives all of them, later.
    let queued = pulses(&with(Trouble::PulseRateLimit { hertz: 0.8, waiting: 1_000_000 }, 0.0));
    near(gained(&queued[..1799]), gained(&sound[..1799]) - (1.2 - 0.8) * 865.0, 12.0);
    near(gained(&queued[..2700]), gained(&sound[..2700]), 2.0);
    let deaf = pulses(&with(Trouble::PulseDeaf { dead_time: 1.0 }, 0.0));
    near(gained(&deaf[960..1760]), 0.5 * gained(&sound[960..1760]), 2.0);
    near(gained(&deaf[330..890]), gained(&sound[330..890]), 1.0);
}

#[test]
fn extra_counts_come_at_rest_too() {
    let extra = with(Trouble::PulseExtra { hertz: 0.1, together: 3.0 }, ONSET);
    only(&extra, "pulse");
    let difference: Vec<f64> =
        pulses(&extra).iter().zip(pulses(&sound())).map(|(with, without)| with - without).collect();
    let (before, after) = halves(&difference);
    near(gained(before), 0.0, 0.0);
    // Counts come in threes on average: the variance is 5 times a Poisson variable's.
    near(gained(after), 720.0, 4.0 * (5.0_f64 * 720.0).sqrt());
    let resting: f64 = (0..4).map(|round| gained(&difference[7201 + 1800 * round..7500 + 1800 * round])).sum();
    near(resting, 120.0, 4.0 * (5.0_f64 * 120.0).sqrt());
}

#[test]
fn gaps_lose_everything_inside_and_nothing_outside() {
    let sound = pulses(&sound());
    let gaps = pulses(&with(Trouble::PulseGaps { whole: 600.0, broken: 120.0 }, 0.0));
    // In windows of half a minute at the high flow, 36 pulses: all, none, or an edge.
    let (mut whole, mut broken, mut edges) = (0, 0, 0);
    for begin in (0..8).flat_map(|round| (960..1740).step_by(30).map(move |second| round * 1800 + second)) {
        let expected = gained(&sound[begin..=begin + 30]);
        match gained(&gaps[begin..=begin + 30]) {
            0.0 => broken += 1,
            counted if (counted - expected).abs() < 0.5 => whole += 1,
            _ => edges += 1,
        }
    }
    assert!(whole > 100 && broken > 8 && edges < whole / 2, "{whole} whole, {broken} broken, {edges} edges");
    let all = with(Trouble::PulseSilent, ONSET);
    let (before, after) = (&pulses(&all)[..7200], &pulses(&all)[7200..]);
    assert_eq!(before, &sound[..7200]);
    near(gained(after), 0.0, 0.0);
}

#[test]
fn a_counter_goes_back() {
    let sound = pulses(&sound());
    let again = pulses(&with(Trouble::PulseRestart, ONSET));
    near(again[7200], 0.0, 1.0);
    near(gained(&again[7200..]), gained(&sound[7200..]), 1.0);
    let wrapped = pulses(&with(Trouble::PulseWrap { at: 1000 }, 0.0));
    assert!(wrapped.iter().zip(&sound).all(|(wrapped, sound)| *wrapped == sound % 1000.0));
    assert!(gained(&sound) > 1000.0);
}

#[test]
fn reverse_flow_counts_and_shows_as_forward() {
    let sound = rows(vec![swinging()]);
    let troubled = rows(vec![swinging().with(Spell::always(Trouble::PulseDirection))]);
    let reverse = gained(&values(&troubled, |row| row.reverse_total));
    assert!(reverse > 1000.0);
    near(gained(&pulses(&troubled)) - gained(&pulses(&sound)), reverse / PULSE_VOLUME, 2.0);
    let troubled = rows(vec![swinging().with(Spell::always(Trouble::LoopDirection))]);
    let backwards = |rows: &[Row]| -> Vec<(f64, f64)> {
        flows(rows).into_iter().zip(currents(rows)).filter(|(flow, _)| *flow < -2.0).collect()
    };
    assert!(backwards(&sound).iter().all(|(_, current)| (current - 3.8).abs() < 0.01), "the lower end of NE 43");
    let shown = backwards(&troubled);
    assert!(shown.len() > 300);
    for (flow, current) in shown {
        near(current, 4.0 - 16.0 * flow / FULL_SCALE, 0.3);
    }
}

#[test]
fn span_and_zero_move_the_current() {
    let onset = with(Trouble::LoopSpan { ratio: 0.8 }, ONSET);
    only(&onset, "loop");
    let above = |rows: &[Row]| mean(currents(rows).into_iter().map(|current| current - 4.0));
    let sound = sound();
    near(above(&onset[..7200]) / above(&sound[..7200]), 1.0, 1e-9);
    near(above(&onset[7200..]) / above(&sound[7200..]), 0.8, 1e-3);
    let shifted = with(Trouble::LoopZero { offset: 0.25 }, 0.0);
    near(above(&shifted) - above(&sound), 0.25, 1e-3);
    let clipped = currents(&with(Trouble::LoopClipped { highest: 14.0 }, 0.0));
    near(clipped.iter().copied().fold(0.0, f64::max), 14.0, 0.01);
    assert!(clipped.iter().filter(|current| **current > 13.9).count() > 4000);
    let full = currents(&rows(vec![PointPlan::usual(Profile::Constant(50.0), FULL_SCALE, PULSE_VOLUME)]));
    near(mean(full.into_iter()), 20.5, 1e-3);
}

#[test]
fn states_of_the_current_do_not_follow_the_flow() {
    let fault = with(Trouble::LoopFault { current: 21.5, status: 2 }, ONSET);
    only(&fault, "loop");
    near(mean(currents(&fault)[7201..].iter().copied()), 21.5, 1e-3);
    assert_eq!(fault[7300].status_names().collect::<Vec<_>>(), ["coil drive fault"]);
    assert_eq!(fault[7000].status_names().count(), 0);
    let open = currents(&with(Trouble::LoopOpen, ONSET));
    assert!(open[7201..].iter().all(|current| *current < 0.02));
    let held = currents(&with(Trouble::LoopHeld, ONSET + 1200.0));
    near(gained(&[held[8401], held[14_000]]), 0.0, 0.02);
    assert!(held[8401] > 15.0, "it stands where it was");
}

#[test]
fn a_lag_is_a_time_constant() {
    let calm = |trouble: Option<Trouble>| {
        let mut plan = PointPlan::usual(Profile::steps(&[(0.0, 9.0), (600.0, 27.0)]), FULL_SCALE, PULSE_VOLUME);
        plan.turbulence.relative = 0.0;
        plan.sound.settings.damping = 0.0;
        plan.troubles = trouble.map(Spell::always).into_iter().collect();
        currents(&rows(vec![plan]))
    };
    let lagging = calm(Some(Trouble::LoopLag { damping: 20.0 }));
    // 8 to 16 mA; after one time constant 1 - 1/e of the way.
    near(lagging[620], 16.0 - 8.0 / std::f64::consts::E, 0.1);
    near(calm(None)[602], 16.0, 0.01);
    near(lagging[900], 16.0, 0.01);
}

#[test]
fn wrong_units_scale_a_register() {
    let flow = with(Trouble::BusUnit { ratio: 3.6 }, 0.0);
    only(&flow, "flow");
    near(flows(&flow).iter().sum::<f64>() / flows(&sound()).iter().sum::<f64>(), 3.6, 1e-4);
    let total = with(Trouble::BusTotalUnit { ratio: 1000.0 }, 0.0);
    only(&total, "total");
    near(gained(&totals(&total)) / gained(&totals(&sound())), 1000.0, 0.1);
}

#[test]
fn halves_are_swapped_as_the_published_example_says() {
    // 123456.0 is 47F1 2000; with the low word first it is read as 1.0865825e-19.
    let stored = Encoding { high_first: false, ..Encoding::float(LITRES) };
    near(Encoding::float(LITRES).decode(&stored.encode(123_456.0)) / 1.086_582_5e-19, 1.0, 1e-6);
    assert_eq!(stored.encode(123_456.0).as_slice(), [0x2000, 0x47F1]);
    let words = with(Trouble::BusWords { flow: false, total: true }, 0.0);
    only(&words, "total");
    for (wrong, right) in totals(&words).iter().zip(totals(&sound())) {
        let (wrong, right) = (*wrong as u32, right as u32);
        assert_eq!(wrong, right.rotate_left(16));
    }
}

#[test]
fn registers_stand_still_or_begin_again() {
    let frozen = with(Trouble::BusFrozen, ONSET);
    only(&frozen, "flow and total");
    near(gained(&totals(&frozen)[7201..]), 0.0, 0.0);
    let sound = totals(&sound());
    let again = totals(&with(Trouble::BusTotalRestart { to: 0.0 }, ONSET));
    assert_eq!(again[..7200], sound[..7200]);
    near(gained(&again[7201..]), gained(&sound[7201..]), 1.0);
    assert!(again[7201] <= 10.0);
    let wrapped = totals(&with(Trouble::BusTotalWrap { at: 100_000 }, 0.0));
    assert!(wrapped.iter().zip(&sound).all(|(wrapped, sound)| *wrapped == sound % 100_000.0));
}

#[test]
fn a_coarse_total_loses_small_volumes() {
    // Each measurement adds 0.8 L at 4 L/s and 6 L at 30 L/s. At 3e7 L a float's last place is 2 L: 0.8 L is lost and
    // 6 L is whole. At 1.2e8 L it is 8 L: 6 L becomes 8 L.
    let run = |first_total| {
        let mut plan = plan();
        plan.turbulence.relative = 0.0;
        plan.build.first_total = first_total;
        plan.sound.bus.total = Encoding::float(LITRES);
        let coarse = totals(&rows(vec![plan.clone().with(Spell::always(Trouble::BusTotalCoarse))]));
        (gained(&coarse[335..895]), gained(&coarse[935..1775]), gained(&totals(&rows(vec![plan]))[935..1775]))
    };
    let (low, high, kept) = run(3.0e7);
    near(low, 0.0, 0.0);
    near(high, 839.0 * 30.0, 12.0);
    near(kept, high, 12.0);
    let (_, high, kept) = run(1.2e8);
    near(high, 839.0 * 40.0, 16.0);
    near(kept, 839.0 * 30.0, 16.0);
}

#[test]
fn torn_totals_jump_by_their_low_half() {
    let run = |share| {
        let mut plan = plan();
        plan.sound.bus.total.scale = 0.001;
        plan.troubles = vec![Spell::always(Trouble::BusTorn { share })];
        totals(&rows(vec![plan]))
    };
    let torn = run(0.2);
    let whole = run(0.0);
    let jumps: Vec<f64> = torn
        .iter()
        .zip(&whole)
        .map(|(torn, whole)| ((torn - whole) * 1000.0).abs())
        .filter(|jump| *jump > 1e-3)
        .collect();
    // Two to six thousand counts in a renewal: the low half goes round in three to nine of a hundred, a fifth of which
    // is read torn.
    assert!(jumps.len() > 20, "{} jumps", jumps.len());
    for jump in jumps {
        near(jump, 65_536.0, 1e-3);
    }
}

#[test]
fn a_controller_has_its_own_opinion() {
    let span = with(Trouble::ReceiverSpan { ratio: 1.2 }, 0.0);
    only(&span, "");
    let opinion = mean(values(&span, |row| row.receiver_flow).into_iter());
    near(opinion / mean(flows(&span).into_iter()), 1.2, 2e-3);
    let weight = with(Trouble::ReceiverWeight { ratio: 0.5 }, 0.0);
    only(&weight, "");
    near(gained(&values(&weight, |row| row.receiver_total)), 0.5 * PULSE_VOLUME * gained(&pulses(&weight)), 0.1);
}

#[test]
fn below_a_cutoff_flow_is_shown_and_not_totalled() {
    let cut = with(Trouble::LowFlowCutoff { cutoff: 5.0 }, 0.0);
    only(&cut, "total and pulse");
    near(gained(&totals(&cut)[340..890]), 0.0, 0.0);
    near(mean(flows(&cut)[340..890].iter().copied()), 4.0, 0.05);
    near(gained(&totals(&cut)[960..1760]), gained(&totals(&sound())[960..1760]), 1.0);
}

#[test]
fn witnesses_crossed_follow_the_other_meter() {
    let mut other = PointPlan::usual(Profile::trapezoid(10.0, 20.0, 400.0, 40.0), 25.0, 10.0);
    other.turbulence.relative = 0.0;
    let crossed = plan()
        .with(Spell::from(Trouble::PulseCrossed { with: 1 }, ONSET))
        .with(Spell::from(Trouble::LoopCrossed { with: 1 }, ONSET));
    let shed = vec![crossed, other];
    let seen = rows(shed.clone());
    let theirs: Vec<Row> = Direct::new(Shed::new(shed, 17), 1, Sampling::default(), HOURS * 3600.0, 17).collect();
    near(gained(&pulses(&seen)[7201..]), gained(&pulses(&theirs)[7201..]), 0.0);
    let difference =
        currents(&seen)[7201..].iter().zip(&currents(&theirs)[7201..]).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(difference < 0.02, "{difference} mA: the noise of two readings");
    assert_eq!(pulses(&seen)[..7200], pulses(&sound())[..7200]);
}

#[test]
fn a_spell_ends() {
    let spell = Spell { trouble: Trouble::LoopOpen, begins: ONSET, ends: Some(ONSET + 600.0) };
    let seen = currents(&rows(vec![plan().with(spell)]));
    assert!(seen[7201..7800].iter().all(|current| *current < 0.02));
    assert!(seen[7801..].iter().all(|current| *current > 3.9));
}
