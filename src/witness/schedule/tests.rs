use std::collections::BTreeMap;
use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::declared::{ByteOrder, Dimension, Entry, Framing, Parity, RegisterMap, Table, Unit, ValueType, WordOrder};
use crate::plan::{LineLoad, Plan, WireTiming, cheapest_plan};

const WORST_LATENCY: Duration = Duration::from_secs(1);

fn timing() -> WireTiming {
    WireTiming::new(Framing { baud: 19_200, parity: Parity::Even, stop_bits: 1 })
}

fn plan(registers: impl IntoIterator<Item = u16>, gaps_readable: bool) -> Plan {
    let entries: BTreeMap<String, Entry> = registers
        .into_iter()
        .map(|address| {
            let name = format!("register-{address:03}");
            let entry = Entry {
                name: name.clone(),
                table: Table::Holding,
                address,
                value_type: ValueType::U16,
                word_order: WordOrder::HighFirst,
                byte_order: ByteOrder::Big,
                unit: Unit { symbol: String::new(), dimension: Dimension::Number, to_base: 1.0 },
                scale: 1.0,
                offset: 0.0,
                wraps_at: None,
                bits: BTreeMap::new(),
            };
            (name, entry)
        })
        .collect();
    let map = RegisterMap { about: None, max_registers: 125, gaps_readable, entries };
    cheapest_plan(&map, map.entries.keys(), timing(), timing().t3_5() + Duration::from_millis(2)).unwrap()
}

fn task(unit: u8, every: Duration, plan: &Plan) -> Task {
    Task {
        device: format!("device-{unit}"),
        unit,
        every,
        group: None,
        requests: plan.requests.clone(),
        silence: timing().request() + Duration::from_millis(300) + timing().t3_5(),
    }
}

const fn seconds(count: i64) -> Moment {
    Moment(count * 1_000_000)
}

const fn milliseconds(count: u64) -> Duration {
    Duration::from_millis(count)
}

/// One transaction as it went.
#[derive(Clone, Debug)]
struct Done {
    begun: Moment,
    ended: Moment,
    ask: Ask,
    reaction: Option<Reaction>,
}

/// A line on which every answer takes the time planned and every silence the time-out; `reply` says what comes.
fn run(
    schedule: &mut Schedule,
    from: Moment,
    until: Moment,
    mut reply: impl FnMut(&Ask, Moment) -> Result<(), Failure>,
) -> Vec<Done> {
    let mut now = from;
    let mut done = Vec::new();
    while now < until {
        match schedule.next(now) {
            Next::Nothing => break,
            Next::WaitUntil(moment) => {
                assert!(moment > now, "a wait must pass time");
                now = moment;
            }
            Next::Ask(ask) => {
                let begun = now;
                let answer = reply(&ask, now);
                let silence = schedule.task(ask.task).map(|task| task.silence).unwrap_or_default();
                now =
                    now.after(if answer == Err(Failure::AnswerMayFollow) { silence } else { ask.request.wire_time() });
                let reaction = match answer {
                    Ok(()) => {
                        schedule.answered(&ask, now);
                        None
                    }
                    Err(failure) => Some(schedule.failed(&ask, failure, now, WORST_LATENCY)),
                };
                done.push(Done { begun, ended: now, ask, reaction });
            }
        }
    }
    done
}

fn of_unit(done: &[Done], unit: u8) -> Vec<&Done> {
    done.iter().filter(|it| it.ask.unit == unit).collect()
}

#[test]
fn one_dead_unit_of_ten_leaves_the_others_their_periods() {
    let ten_registers = plan(0..10, false);
    let tasks = (1..=10).map(|unit| task(unit, milliseconds(1000), &ten_registers)).collect();
    let mut schedule = Schedule::new(tasks, seconds(0));
    let dead = |ask: &Ask, _| if ask.unit == 4 { Err(Failure::AnswerMayFollow) } else { Ok(()) };
    let done = run(&mut schedule, seconds(0), seconds(600), dead);
    for unit in (1..=10).filter(|unit| *unit != 4) {
        let asks = of_unit(&done, unit);
        assert_eq!(asks.len(), 600, "unit {unit} is read once a second");
        let late = |done: &Done| done.ask.lateness.unwrap_or_default();
        assert!(asks.iter().all(|it| it.ask.skipped == 0 && late(it) < milliseconds(310)));
        let noticed = asks.iter().filter(|it| late(it) > milliseconds(1)).count();
        assert!(noticed <= 4, "unit {unit} was late {noticed} times");
    }
    let tries = of_unit(&done, 4);
    assert!((12..=22).contains(&tries.len()), "{} tries", tries.len());
    assert!(tries[1].begun <= seconds(3), "the first retry comes soon");
    let longest = tries.windows(2).map(|pair| pair[1].begun.since(pair[0].ended)).max().unwrap();
    assert!(longest > milliseconds(30_000) && longest < milliseconds(63_000), "{longest:?}");

    let done = run(&mut schedule, seconds(600), seconds(700), |_, _| Ok(()));
    let back = of_unit(&done, 4);
    assert!(back.len() >= 36, "it is noticed within a minute that it is back, and then read as before");
    assert_eq!(back.iter().filter(|it| it.ask.on_trial).count(), 1);
}

/// All devices as fast as the line allows: a dead one costs a time-out now and then, and nothing else.
#[test]
fn a_dead_unit_costs_little_where_all_are_read_without_a_period() {
    let ten_registers = plan(0..10, false);
    let tasks: Vec<Task> = (1..=10).map(|unit| task(unit, Duration::ZERO, &ten_registers)).collect();
    let turns = |dead_unit: u8| {
        let mut schedule = Schedule::new(tasks.clone(), seconds(0));
        let dead = |ask: &Ask, _| if ask.unit == dead_unit { Err(Failure::AnswerMayFollow) } else { Ok(()) };
        let done = run(&mut schedule, seconds(0), seconds(300), dead);
        (done.len(), (1..=9).map(|unit| of_unit(&done, unit).len()).min().unwrap())
    };
    let (all, healthy) = turns(200);
    assert!(all as f64 * ten_registers.wire_time().as_secs_f64() > 299.9, "no time is wasted");
    let (_, beside_a_dead_unit) = turns(10);
    assert!(beside_a_dead_unit > healthy, "{beside_a_dead_unit} turns beside a dead unit, {healthy} without");
}

#[test]
fn a_refused_gap_is_cut_and_remembered() {
    let bridged = plan([0, 1, 4, 5], true);
    assert_eq!(bridged.requests.len(), 1);
    let refuses = |ask: &Ask, _: Moment| {
        let request = ask.request.request;
        if request.start <= 2 && request.end() > 2 { Err(Failure::Refused(0x02)) } else { Ok(()) }
    };
    let mut schedule = Schedule::new(vec![task(1, milliseconds(1000), &bridged)], seconds(0));
    let done = run(&mut schedule, seconds(0), seconds(60), refuses);
    assert_eq!(done.iter().filter(|it| it.reaction.is_some()).count(), 1);
    assert_eq!(done[0].reaction, Some(Reaction::Split { pieces: 2 }));
    assert!(done[2].ended < seconds(1), "the pieces are read in the same period");
    assert_eq!(done.len(), 1 + 2 * 60);
    assert_eq!(schedule.unreadable(1).map(Gaps::len), Some(1));

    schedule.replace(vec![task(1, milliseconds(1000), &bridged)], seconds(60));
    let done = run(&mut schedule, seconds(60), seconds(90), refuses);
    assert!(done.iter().all(|it| it.reaction.is_none()), "what was learned outlives other tasks");
}

/// One wrong address in a map must not take the rest of the map with it, nor be asked every second.
#[test]
fn what_is_refused_for_good_is_put_off_and_the_rest_is_read() {
    let eight = plan(0..8, false);
    let mut schedule = Schedule::new(vec![task(1, milliseconds(1000), &eight)], seconds(0));
    let refuses = |ask: &Ask, _: Moment| {
        let request = ask.request.request;
        if request.start <= 5 && request.end() > 5 { Err(Failure::Refused(0x02)) } else { Ok(()) }
    };
    let done = run(&mut schedule, seconds(0), seconds(7200), refuses);
    let refused = done.iter().filter(|it| it.reaction.is_some()).count();
    assert!((5..=14).contains(&refused), "{refused} refusals in two hours");
    for address in (0..8).filter(|address| *address != 5) {
        let times = |it: &&Done| {
            it.reaction.is_none()
                && (it.ask.request.request.start..).contains(&address)
                && it.ask.request.request.end() > u32::from(address)
        };
        assert_eq!(done.iter().filter(times).count(), 7200, "register {address}");
    }
}

#[test]
fn a_busy_device_is_asked_again_later_and_then_as_before() {
    let one = plan(0..2, false);
    let tasks = vec![task(1, milliseconds(200), &one), task(2, milliseconds(200), &one)];
    let mut schedule = Schedule::new(tasks, seconds(0));
    let busy = |ask: &Ask, now: Moment| {
        if ask.unit == 1 && now < seconds(10) { Err(Failure::Refused(0x06)) } else { Ok(()) }
    };
    let done = run(&mut schedule, seconds(0), seconds(30), busy);
    let tries = of_unit(&done, 1).iter().filter(|it| it.reaction.is_some()).count();
    assert!((4..=6).contains(&tries), "{tries} tries in ten seconds");
    assert!(of_unit(&done, 1).len() - tries > 60);
    assert_eq!(of_unit(&done, 2).len(), 150);
}

/// A unit that answers one request and never the other is not on trial, yet the other is asked less and less.
#[test]
fn a_request_that_is_never_answered_does_not_hold_up_its_unit_for_ever() {
    let two = plan([0, 100], false);
    assert_eq!(two.requests.len(), 2);
    let mut schedule = Schedule::new(vec![task(1, milliseconds(1000), &two)], seconds(0));
    let half = |ask: &Ask, _: Moment| {
        if ask.request.request.start == 100 { Err(Failure::AnswerMayFollow) } else { Ok(()) }
    };
    let done = run(&mut schedule, seconds(0), seconds(600), half);
    let (answered, silent): (Vec<&Done>, Vec<&Done>) = done.iter().partition(|it| it.reaction.is_none());
    assert!((10..=25).contains(&silent.len()), "{} time-outs", silent.len());
    assert!(answered.len() > 560, "{} answers", answered.len());
}

#[test]
fn a_group_is_asked_in_one_piece() {
    let (small, large) = (plan(0..2, false), plan(0..20, false));
    let grouped = |unit, group| Task { group: Some(group), ..task(unit, milliseconds(500), &small) };
    let tasks = vec![
        grouped(11, 0),
        grouped(40, 0),
        grouped(41, 0),
        grouped(12, 1),
        grouped(42, 1),
        task(50, Duration::ZERO, &large),
    ];
    let mut schedule = Schedule::new(tasks, seconds(0));
    let done = run(&mut schedule, seconds(0), seconds(60), |_, _| Ok(()));
    for (begins, others) in [(11, [40, 41].as_slice()), (12, &[42])] {
        let mut turns = 0;
        for (at, _) in done.iter().enumerate().filter(|(_, it)| it.ask.unit == begins) {
            let following: Vec<u8> = done[at + 1..].iter().take(others.len()).map(|it| it.ask.unit).collect();
            if following.len() == others.len() {
                assert_eq!(following, others);
                turns += 1;
            }
        }
        assert!(turns >= 119);
    }
    let late = done.iter().filter_map(|it| it.ask.lateness).max().unwrap();
    assert!(late < milliseconds(1), "what has no period makes nobody late: {late:?}");
    let busy: Duration = done.iter().map(|it| it.ended.since(it.begun)).sum();
    assert!(busy.as_secs_f64() / 60.0 > 0.9, "what has no period takes the time that is left");
}

#[test]
fn an_overloaded_line_serves_everybody_and_skips_periods() {
    let large = plan(0..100, false);
    let tasks: Vec<Task> = (1..=5).map(|unit| task(unit, milliseconds(400), &large)).collect();
    let mut schedule = Schedule::new(tasks, seconds(0));
    let done = run(&mut schedule, seconds(0), seconds(120), |_, _| Ok(()));
    let turns: Vec<usize> = (1..=5).map(|unit| of_unit(&done, unit).len()).collect();
    assert!(turns.iter().max().unwrap() - turns.iter().min().unwrap() <= 2, "{turns:?}");
    assert!(done.iter().map(|it| it.ask.skipped).sum::<u64>() > 100);
    assert!(done.iter().filter_map(|it| it.ask.lateness).max().unwrap() <= milliseconds(400));
}

/// After a stop of ten minutes every plan is read once, not six hundred times.
#[test]
fn periods_that_passed_unseen_are_not_made_up() {
    let small = plan(0..2, false);
    let mut schedule = Schedule::new(vec![task(1, milliseconds(1000), &small)], seconds(0));
    run(&mut schedule, seconds(0), seconds(5), |_, _| Ok(()));
    let done = run(&mut schedule, seconds(605), seconds(610), |_, _| Ok(()));
    assert_eq!((done[0].ask.skipped, done.len()), (600, 5));
}

#[test]
fn nothing_to_ask_is_said() {
    assert_eq!(Schedule::new(Vec::new(), seconds(0)).next(seconds(1)), Next::Nothing);
}

fn any_tasks() -> impl Strategy<Value = Vec<(u64, u16, u16)>> {
    prop::collection::vec((prop::sample::select(vec![60, 100, 150, 250, 400, 1000, 1700]), 1_u16..60, 1_u16..3), 1..6)
}

fn tasks_of(shapes: &[(u64, u16, u16)]) -> Vec<Task> {
    shapes
        .iter()
        .zip(1..)
        .map(|(&(every, registers, requests), unit)| {
            let spread = (0..requests).flat_map(|block| (0..registers).map(move |at| 200 * block + at));
            task(unit, milliseconds(every), &plan(spread, false))
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Where the load is said to fit, no period is missed, whatever else takes the time that is left.
    #[test]
    fn no_deadline_is_missed_where_the_load_fits(shapes in any_tasks(), with_rest in any::<bool>()) {
        let mut tasks = tasks_of(&shapes);
        let plans: Vec<(Plan, Duration)> =
            tasks.iter().map(|task| (Plan { requests: task.requests.clone() }, task.every)).collect();
        prop_assume!(LineLoad::of(plans.iter().map(|(plan, every)| (plan, *every))).fits());
        if with_rest {
            tasks.push(task(99, Duration::ZERO, &plan(0..30, false)));
        }
        let mut schedule = Schedule::new(tasks.clone(), seconds(0));
        let done = run(&mut schedule, seconds(0), seconds(20), |_, _| Ok(()));
        for (index, task) in tasks.iter().enumerate().filter(|(_, task)| !task.every.is_zero()) {
            let turns: Vec<&Done> = done.iter().filter(|it| it.ask.task == index).collect();
            prop_assert!(turns.iter().all(|it| it.ask.skipped == 0));
            let expected = 20_000_000 / task.every.as_micros() as usize * task.requests.len();
            prop_assert!(turns.len() + 2 * task.requests.len() >= expected, "{} of {expected}", turns.len());
            for turn in turns.chunks_exact(task.requests.len()).skip(1) {
                // The plan of the first request is its due time here: no groups.
                let due = turn[0].begun.before(turn[0].ask.lateness.unwrap_or_default());
                let ended = turn[turn.len() - 1].ended;
                // Moments are whole microseconds, and a busy stretch is made of some tens of transactions.
                let rounding = Duration::from_micros(50);
                prop_assert!(ended.since(due) <= task.every + rounding, "{:?} after {:?}", ended.since(due), task.every);
            }
        }
    }

    /// Whatever goes wrong, a unit is left alone while its answer may still come, and everybody gets a turn.
    #[test]
    fn a_resting_unit_is_never_asked_and_nobody_starves(
        shapes in any_tasks(),
        fates in prop::collection::vec(0_u8..12, 1..40),
    ) {
        let mut tasks = tasks_of(&shapes);
        tasks.push(task(99, Duration::ZERO, &plan(0..3, false)));
        let count = tasks.len();
        let mut schedule = Schedule::new(tasks, seconds(0));
        let mut turn = 0;
        let done = run(&mut schedule, seconds(0), seconds(300), |_, _| {
            turn += 1;
            match fates[turn % fates.len()] {
                0 => Err(Failure::AnswerMayFollow),
                1 => Err(Failure::Spoiled),
                2 => Err(Failure::Refused(0x06)),
                3 => Err(Failure::Refused(0x0B)),
                _ => Ok(()),
            }
        });
        let mut feared: BTreeMap<u8, Moment> = BTreeMap::new();
        for it in &done {
            if let Some(until) = feared.get(&it.ask.unit) {
                prop_assert!(it.begun >= *until, "unit {} asked at {:?}, rests until {until:?}", it.ask.unit, it.begun);
            }
            if matches!(it.reaction, Some(Reaction::UnitRests { .. })) {
                let rest = if it.ended.since(it.begun) > milliseconds(300) { WORST_LATENCY } else { Duration::ZERO };
                feared.insert(it.ask.unit, it.ended.after(rest));
            }
        }
        let plans: Vec<(Plan, Duration)> = tasks_of(&shapes)
            .into_iter()
            .map(|task| (Plan { requests: task.requests }, task.every))
            .collect();
        let has_time_left = LineLoad::of(plans.iter().map(|(plan, every)| (plan, *every))).fraction < 0.5;
        for index in 0..count {
            let last = done.iter().rev().find(|it| it.ask.task == index).map(|it| it.begun);
            if index + 1 < count || has_time_left {
                prop_assert!(last.is_some_and(|last| last >= seconds(150)), "task {index} was last asked at {last:?}");
            }
        }
    }
}

/// A port that was just opened is listened to before anything is asked on it.
#[test]
fn a_schedule_begun_anew_finds_nobody_late_for_what_could_not_be_asked() {
    let plan = plan([0], false);
    let mut schedule = Schedule::new((1..=3).map(|unit| task(unit, milliseconds(500), &plan)).collect(), seconds(0));
    schedule.begin_at(seconds(1));
    assert_eq!(schedule.next(seconds(0)), Next::WaitUntil(seconds(1)));
    let mut now = seconds(1);
    for unit in 1..=3 {
        let ask = loop {
            match schedule.next(now) {
                Next::Ask(ask) => break ask,
                Next::WaitUntil(until) => now = until,
                Next::Nothing => panic!("three units are to be asked"),
            }
        };
        assert_eq!((ask.unit, ask.lateness, ask.skipped), (unit, Some(Duration::ZERO), 0));
        now = now.after(ask.request.wire_time());
        schedule.answered(&ask, now);
    }
}
