//! What to check on site, in order, with the cautions that belong to each step.

use crate::cause::code::{Code, Part};

const LOOP_CAUTION: &str = "Before touching the loop: opening it drops the signal to 0 mA and moves whatever it controls. Put the \
                            controller in manual and warn whoever runs the plant; prefer a clamp meter or the voltage over the \
                            receiver's resistor, which need no opening.";
const SHED_CAUTION: &str = "There may be mains voltage in the enclosure and a pump may start by itself: isolate, lock, and prove dead \
                            before hands go in. Leave verification seals unbroken; local codes and licensed electricians go first.";

/// The checks of one cause, in order, cautions first.
pub(crate) fn checks(code: Code) -> Vec<String> {
    let own: &[&str] = match code {
        Code::Agreement => &[
            "Nothing to check for agreement. To know the meter's error, compare it with a reference volume: agreement is not accuracy.",
        ],
        Code::Unexplained => &[
            "Read display, registers, current and counter at the same moment, at rest and at a steady flow, and note all of them.",
            "Check that every signal comes from the meter that it is declared for.",
        ],
        Code::PulseWeight => &[
            "Read the meter's own setting of litres a pulse and compare it with the receiver's.",
            "Count ten pulses against the meter's displayed total.",
            "Decide which of the two is right (the order, the verification papers) before changing either.",
        ],
        Code::PulseDouble => &[
            "Look at the pulse at the counter's terminals: a clean edge, or a bounce or ringing after it?",
            "Check whether the counter counts both edges, and its input filter against the pulse's width.",
            "Try a debounce filter shorter than the pulse and its pause.",
        ],
        Code::PulseNarrow => &[
            "Compare the pulse's width set in the meter with the shortest that the counter's input takes, filter included.",
            "Check the pull-up: a slow edge on a long wire shortens the pulse that the input sees.",
            "Lengthen the pulse in the meter, as long as its highest rate still allows it.",
        ],
        Code::PulseRateLimit => &[
            "Compare the highest rate at full flow with one over pulse width plus pause, and with the counter's own limit.",
            "Choose more litres a pulse, or a shorter pulse, so that full flow stays below both.",
        ],
        Code::PulseCrossed => &[
            "Trace the pulse wires from the meter's terminals to the counter's channel.",
            "Stop one meter's flow alone, if the plant allows it, and see which counter stops.",
        ],
        Code::PulseExtra => &[
            "With the valve closed and no flow, watch the counter for ten minutes.",
            "Check the shield's single earth, the distance from motor cables, and the contact for bounce.",
            "Try the input's filter, or a stronger pull-up.",
        ],
        Code::PulseGaps => &[
            "Wiggle-test terminals and plugs of the pulse wire while somebody watches the counter.",
            "Look for what happens at the times of the bursts: vibration, wet weather, another load switching.",
        ],
        Code::PulseSilent => &[
            "Check that the meter's pulse output is switched on and not set to another function.",
            "Measure at the output: open collector needs a pull-up, a passive output a supply, and the right polarity.",
            "Check the wire through to the counter's channel.",
        ],
        Code::PulseRestart => &[
            "Look up the counter's width and declare it as `wraps_at`, if it wraps.",
            "Otherwise find what restarted the counter: its supply, a watchdog, somebody's reset.",
        ],
        Code::PulseDirection => &[
            "Check which directions the meter's pulse output counts, and what the receiver expects.",
            "Check the non-return valve: the flow did run backwards.",
        ],
        Code::LoopSpan => &[
            "Read the meter's own setting of the flow at 20 mA and compare it with the receiver's scale.",
            "Check that both use the same unit.",
            "Compare current and displayed flow at two steady flows.",
        ],
        Code::LoopZero => &[
            "At rest, measure the current with a calibrated meter at the receiver's terminals, and beside it at the meter's.",
            "If the two differ, look for leakage: wet terminals, a second earth, another device across the loop.",
            "If they do not, check the meter's 4 mA trim and the input's zero, and what flow 4 mA is set to mean.",
        ],
        Code::LoopSaturated => &[
            "Compare the highest flow with the flow at 20 mA: choose a larger full scale at both ends, together.",
            "Until then do not use the current for volumes while it is at its end.",
        ],
        Code::LoopClipped => &[
            "Add up the loop's load (receiver, barriers, indicators, wire) and compare it with what the supply can drive at 20 mA.",
            "Measure the supply at the meter's terminals while the current is high.",
        ],
        Code::LoopCrossed => &[
            "Trace the loop from the meter's terminals to the input's channel.",
            "Let the meter put out a fixed current, if that is safe, and see which channel shows it.",
        ],
        Code::LoopFault => &[
            "Read the meter's display and diagnostics: empty pipe, coil drive, electrodes.",
            "Treat the flow as unknown while the fault current stands.",
        ],
        Code::LoopOpen => &[
            "Check the loop's supply and its fuse, then the terminals from the meter to the input.",
            "Check polarity and whether the output is active or passive, if it never worked.",
        ],
        Code::LoopHeld => &[
            "Check whether the meter's output is in simulation, hold or a fixed-current mode.",
            "Check whether the input module still renews its value.",
        ],
        Code::LoopLag => &[
            "Compare the damping of the meter's current output and the input's filter with what is declared.",
            "Nothing is wrong as long as the plant can live with the delay; declare the damping to say so.",
        ],
        Code::LoopDirection => &[
            "Check how the meter's current output treats reverse flow: absolute value, or both directions about 4 or 12 mA.",
            "Check the non-return valve: the flow did run backwards.",
        ],
        Code::BusUnit => &[
            "Compare the meter's displayed flow, with its unit, with the register as decoded here.",
            "Correct unit or scale of the flow entry in the register map.",
        ],
        Code::BusTotalUnit => &[
            "Compare the meter's displayed total, with its unit, with the register as decoded here.",
            "Correct unit or scale of the total entry in the register map.",
        ],
        Code::BusWords => &[
            "Set `word_order` of the entry to the other order in the register map.",
            "Compare the value with the meter's display.",
        ],
        Code::BusFrozen => &[
            "Check whether the gateway or the meter's bus module still hears the meter: power it off and on if it may be.",
            "Compare the register with the display while the flow moves.",
        ],
        Code::BusTotalRestart => &[
            "Find out who reset the total and when: note the old value, it is needed for any bill.",
            "If it rolled over, declare the size as `wraps_at`.",
        ],
        Code::BusTotalCoarse => &[
            "Read an integer or 64-bit total instead, if the meter has one.",
            "Otherwise reset the total now and then, and bill by the pulses meanwhile.",
        ],
        Code::BusTorn => &[
            "Read both halves of the value in one request.",
            "If they are already, the gateway or the meter tears them: read twice and compare.",
        ],
        Code::ReceiverSpan => &[
            "Read the receiver's scale of this input: the flow at 4 mA and at 20 mA, and the unit.",
            "Compare with the meter's setting before changing either.",
        ],
        Code::ReceiverWeight => &[
            "Read the receiver's litres a pulse and compare with the meter's setting.",
            "Compare the receiver's total with the counter over a hundred pulses.",
        ],
        Code::LowFlowCutoff => &[
            "Read the meter's low-flow cut-off setting: is so much wanted?",
            "If the small flow is real (a leak, a night flow), lower the cut-off; if it is zero drift, adjust the zero with the pipe \
             full and still.",
        ],
    };
    let cautions: &[&str] = match code.part() {
        Part::Loop => &[LOOP_CAUTION, SHED_CAUTION],
        Part::Pulse | Part::Receiver => &[SHED_CAUTION],
        Part::Bus | Part::None => &[],
    };
    cautions.iter().chain(own).map(|text| (*text).to_owned()).collect()
}
