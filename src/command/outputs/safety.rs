//! What to mind before anybody touches a wire.

/// Cautions that hold whatever is chosen.
pub(super) const SAFETY: &[&str] = &[
    "Opening a loop, or simulating a current, moves whatever is controlled by it: the signal falls to 0 mA, which reads as \
     -25 %. Put controllers in manual, tell whoever runs the plant, and inhibit the alarms and trips that it feeds; a clamp \
     meter or the voltage over the receiver's resistor needs no opening.",
    "Pumps start without warning on level or pressure. A stop button or a command is no isolation: isolate, lock, tag, and \
     prove it dead before hands go in.",
    "A setting turned in the meter must be turned in every receiver at the same time, or the two disagree from then on. \
     Note the old and the new value, and who agreed; leave verification seals unbroken.",
    "These are figures, not approval: local codes, the makers' data sheets and licensed electricians decide.",
];

/// Devices that a line carries without a repeater: 32, and 4 fewer where it is polarised (MODBUS over Serial Line V1.02
/// §3.4.1, §3.4.6).
const MOST_DEVICES: (u32, u32) = (32, 28);

/// What to mind about the wires, with the arithmetic where there is any.
pub(super) fn wiring(devices: Option<u32>) -> Vec<String> {
    let (plain, polarised) = MOST_DEVICES;
    let count = match devices {
        Some(devices) if devices > plain => {
            format!("{devices} devices are too many for one line without a repeater: {plain}, or {polarised} with bias")
        }
        Some(devices) if devices > polarised => {
            format!("{devices} devices are within {plain}, but with bias only {polarised} are allowed")
        }
        Some(devices) => format!("{devices} devices are within the {plain} of one line ({polarised} with bias)"),
        None => format!("one line carries {plain} devices without a repeater, {polarised} with bias"),
    };
    [
        "4-20 mA: one source in a loop. An active output needs a passive input, a passive output an input with supply or a \
         supply of its own: two sources oppose each other, and none gives no current.",
        "Isolation: input, output and supply of different earths need an isolator between them; a loop is earthed at one \
         point at most.",
        "Pulses: a passive output is a switch and needs a pull-up and a supply; mind its polarity. Pulse and power cables \
         side by side add pulses that no flow made.",
        &format!("RS-485: {count}."),
        "RS-485: 120 ohm with 1 nF in series (or 150 ohm without bias) at the two ends, nowhere else; bias once for the \
         whole line, 450 to 650 ohm to each side; common wired along and earthed at one point; shield earthed at one end; \
         stubs under 20 m.",
    ]
    .map(str::to_owned)
    .to_vec()
}
