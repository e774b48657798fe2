use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::declared::{Framing, Parity};

fn question(bore_mm: f64, smallest: f64, usual: f64, largest: f64) -> Question {
    Question {
        flows: Flows {
            bore_mm,
            smallest: LitresPerSecond(smallest),
            usual: LitresPerSecond(usual),
            largest: LitresPerSecond(largest),
        },
        pulse_receiver: PulseReceiver { shortest_pulse: Duration::from_millis(20), highest_rate_hz: None },
        analogue_input: AnalogueInput { bits: 16, accuracy: 0.001 },
        wanted_resolution: None,
        present: Present::default(),
    }
}

fn concerns(advice: &Advice) -> Vec<Concern> {
    advice.cautions.iter().map(|caution| caution.concern).collect()
}

fn recommended(advice: &Advice) -> (FullScale, PulseSetting) {
    let full_scale = advice.full_scales.iter().find(|choice| choice.role == Role::Recommended).unwrap();
    let pulse = advice.pulses.iter().find(|choice| choice.role == Role::Recommended).unwrap();
    (*full_scale, *pulse)
}

/// Q = v pi d^2 / 4 for round bores, to seven digits.
#[test]
fn flow_velocity_and_bore_belong_together() {
    for (bore_mm, velocity, litres_per_second) in [
        (100.0, 10.0, 78.539_816),
        (100.0, 0.3, 2.356_194),
        (25.0, 1.0, 0.490_874),
        (80.0, 2.0, 10.053_096),
        (150.0, 1.0, 17.671_459),
        (400.0, 0.5, 62.831_853),
    ] {
        let flows = question(bore_mm, 1.0, 1.0, 1.0).flows;
        assert!((flows.at_velocity(velocity).0 - litres_per_second).abs() < 1e-6);
        assert!((flows.velocity(LitresPerSecond(litres_per_second)) - velocity).abs() < 1e-6);
    }
}

/// A meter-maker's published example: 4.3 ft/s in a bore of 3.068 in is 99.1 US gallons a minute.
#[test]
fn a_published_pipe_agrees() {
    let flows = question(3.068 * 25.4, 1.0, 1.0, 1.0).flows;
    let gallons_per_minute = flows.at_velocity(4.3 * 0.3048).0 / 0.063_090_196_4;
    assert!((gallons_per_minute - 99.080_814).abs() < 1e-5, "{gallons_per_minute}");
}

/// IEC 62053-31:1998 §4.1.3.3: 30 ms on and 30 ms off, so at most 16.667 pulses a second; with 1 L a pulse 60 m3/h.
#[test]
fn pulses_carry_what_their_times_allow() {
    let set = |volume: f64, flow: f64| Question {
        present: Present {
            full_scale: None,
            pulse_volume: Some(Litres(volume)),
            on_time: Some(Duration::from_millis(30)),
        },
        ..question(100.0, flow / 10.0, flow / 2.0, flow)
    };
    let present = |question: &Question| {
        let advice = advise(question);
        let pulse = *advice.pulses.iter().find(|choice| choice.role == Role::Present).unwrap();
        (pulse, concerns(&advice))
    };
    for (volume, cubic_metres_per_hour) in [(0.1, 6.0), (1.0, 60.0), (10.0, 600.0), (100.0, 6000.0)] {
        let (pulse, _) = present(&set(volume, 1.0));
        assert!((pulse.carries_l_s.unwrap() * 3.6 / cubic_metres_per_hour - 1.0).abs() < 1e-9);
    }
    // One litre a pulse in a bore of 100 mm at 10 m/s: 78.54 pulses a second, which 30 ms cannot carry.
    let (pulse, found) = present(&set(1.0, 78.539_816));
    assert!((pulse.largest_flow_hz - 78.539_816).abs() < 1e-9 && !pulse.suits);
    assert!(found.contains(&Concern::PulsesCannotCarry));
    // 10 L a pulse at 1 m/s: 0.785398 pulses a second, which is nothing to mind.
    let (pulse, found) = present(&set(10.0, 7.853_982));
    assert!((1000.0 * pulse.largest_flow_hz - 785.398).abs() < 1e-3 && pulse.suits);
    assert_eq!(found, [Concern::Velocity], "but that a tenth of it is slow");
}

/// 250 ohm turn 20 mA into 5 V, as every table of 4-20 mA says; a circuit must also drive 21 mA (NAMUR NE 43).
#[test]
fn a_loop_needs_voltage_for_its_resistance() {
    let circuit = LoopCircuit { supply_v: 24.0, drop_v: 12.0, burden_ohm: 250.0, cable: None };
    let wire = current_loop(&circuit);
    assert!((wire.burden_v_at_20_ma - 5.0).abs() < 1e-12);
    assert!((wire.allowed_ohm - 571.428_571).abs() < 1e-5);
    assert!(wire.cautions.is_empty());
    let weak = current_loop(&LoopCircuit { supply_v: 17.1, ..circuit });
    insta::assert_snapshot!(weak.cautions[0].found, @"17.1 V - 12 V leave 5.1 V; at 21 mA that is 243 ohm, and the loop has 250 ohm: it reaches full scale but cannot signal a fault by 21 mA");
    let far = LoopCircuit { cable: Some(Cable { length_m: 1000.0, section_mm2: 0.14 }), ..circuit };
    let far = current_loop(&LoopCircuit { burden_ohm: 500.0, ..far });
    assert!((far.cable_ohm / 275.3 - 1.0).abs() < 0.01, "{}", far.cable_ohm);
    insta::assert_snapshot!(far.cautions[0].found, @"24 V - 12 V leave 12 V; at 21 mA that is 571 ohm, and the loop has 775 ohm: the current stops at 15.5 mA, short of full scale");
}

#[test]
fn a_pull_up_is_neither_too_weak_nor_too_strong() {
    let circuit = PullUp { supply_v: 24.0, ohm: 4700.0, cable_m: 100.0, on_time: Duration::from_millis(60) };
    assert!(pulse_wire(&circuit).cautions.is_empty());
    let weak = pulse_wire(&PullUp { ohm: 100_000.0, cable_m: 1000.0, ..circuit });
    let said: Vec<&str> = weak.cautions.iter().map(|caution| caution.found.as_str()).collect();
    insta::assert_snapshot!(said.join("\n"), @r"
    2.2 x 100000 ohm x 100 nF of cable: the edge takes 22 ms of a pulse of 60 ms
    24 V over 100000 ohm drive 0.24 mA
    ");
    assert_eq!(pulse_wire(&PullUp { ohm: 470.0, ..circuit }).cautions.len(), 1);
}

/// MODBUS over Serial Line V1.02 §2.5.1: a cycle of ten registers takes 22.9167 ms at 19200 and 6.6510 ms at 115200, to
/// which the device's own latency is added.
#[test]
fn a_turn_of_the_bus_is_the_sum_of_its_cycles() {
    let cycles = bus_cycles(4, 10, Framing { baud: 19_200, parity: Parity::Even, stop_bits: 1 });
    for (baud, milliseconds) in [(19_200, 22.9167), (115_200, 6.6510)] {
        let cycle = cycles.iter().find(|cycle| cycle.baud == baud).unwrap();
        assert!((cycle.cycle_ms - 4.0 * (milliseconds + 5.0)).abs() < 0.001, "{}", cycle.cycle_ms);
    }
    assert_eq!(cycles.iter().map(|cycle| cycle.shortest_period_ms).collect::<Vec<_>>(), [500, 200, 100, 100, 100]);
}

#[test]
fn what_is_far_off_is_said() {
    let calm = question(100.0, 3.0, 12.0, 28.0);
    assert_eq!(concerns(&advise(&calm)), []);
    let slow = question(300.0, 1.0, 12.0, 28.0);
    assert_eq!(concerns(&advise(&slow)), [Concern::Velocity]);
    let unset = Present {
        full_scale: Some(LitresPerSecond(500.0)),
        pulse_volume: Some(Litres(1.0)),
        on_time: Some(Duration::from_millis(10)),
    };
    let set = Question { present: unset, wanted_resolution: Some(0.01), ..calm };
    let advice = advise(&set);
    let said: Vec<String> =
        advice.cautions.iter().map(|it| format!("{:?}: {}; {}", it.concern, it.found, it.advice)).collect();
    insta::assert_snapshot!(said.join("\n"), @r"
    FullScaleTooLarge: 20 mA at 500 L/s is 17.9 times the largest flow: it never passes 4.9 mA; 40 L/s, set in meter and receiver, would make every error of the loop smaller
    CurrentResolution: with 20 mA at 500 L/s the input tells the usual flow to 4.17 %; 1 % is wanted; take a lower full scale or a better input, or judge by the pulses and the bus
    PulseTooShort: pulses of 10 ms; the receiver is sure to see 20 ms; set the width to 30 ms or more
    CounterWraps: a 16-bit counter begins again every 1.52 h at the usual flow; read it at least twice in that time, without a longer interruption, or count with 32 bits
    ");
}

#[test]
fn figures_have_three_digits() {
    let said: Vec<String> = [0.0, 0.012_34, 1.0, 2.5, 9.995, 99.96, 123.4, 12_345.0, 0.000_123_45, 0.000_001_2]
        .into_iter()
        .map(figure)
        .collect();
    assert_eq!(said, ["0", "0.0123", "1", "2.5", "9.99", "100", "123", "12345", "0.000123", "1.2e-6"]);
}

fn any_question() -> impl Strategy<Value = Question> {
    let flow = (-2.0_f64..4.0).prop_map(|exponent| 10_f64.powf(exponent));
    (flow, 0.01_f64..0.9, 0.1_f64..1.0, 1_u64..200, prop::option::of(1.0_f64..100.0)).prop_map(
        |(largest, smallest, usual, shortest, highest_rate_hz)| {
            let usual = largest * (smallest + usual * (1.0 - smallest));
            Question {
                pulse_receiver: PulseReceiver { shortest_pulse: Duration::from_millis(shortest), highest_rate_hz },
                ..question(100.0, smallest * largest, usual, largest)
            }
        },
    )
}

proptest! {
    /// What is recommended carries the largest flow with a quarter to spare, and does not waste the signal.
    #[test]
    fn recommendations_carry_the_flow_and_waste_little(question in any_question()) {
        let advice = advise(&question);
        let (full_scale, pulse) = recommended(&advice);
        prop_assert!(full_scale.largest_flow_ma <= 16.8 + 1e-6 && full_scale.largest_flow_ma > 13.5);
        prop_assert!(pulse.suits);
        prop_assert!(pulse.largest_flow_duty.unwrap() <= 0.4 + 1e-6);
        prop_assert!(pulse.on_time_ms.unwrap() >= 1000.0 * question.pulse_receiver.shortest_pulse.as_secs_f64());
        for smaller in advice.pulses.iter().filter(|choice| choice.volume_l < pulse.volume_l) {
            prop_assert!(!smaller.suits, "{smaller:?} would tell sooner");
        }
        for larger in advice.pulses.iter().filter(|choice| choice.volume_l > pulse.volume_l) {
            prop_assert!(larger.suits && larger.one_percent_l > pulse.one_percent_l);
        }
    }
}
