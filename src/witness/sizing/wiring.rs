//! Whether a circuit can carry its signal.

use std::time::Duration;

use serde::Serialize;

use super::caution::{Caution, Concern};
use super::plain::figure;

/// A pair of copper wires.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cable {
    /// From end to end, in metres; the current goes there and back.
    pub length_m: f64,
    /// The section of one wire in square millimetres.
    pub section_mm2: f64,
}

/// Copper at 50 degrees: 0.017241 ohm mm2/m at 20 degrees (the international annealed copper standard), 0.393 % more a
/// kelvin.
const COPPER_OHM_MM2_PER_M: f64 = 0.017_241 * (1.0 + 0.003_93 * 30.0);

impl Cable {
    /// The resistance there and back, in ohms.
    #[must_use]
    pub fn ohm(self) -> f64 {
        2.0 * self.length_m * COPPER_OHM_MM2_PER_M / self.section_mm2
    }
}

/// A 4-20 mA circuit: one supply, one output that lets the current through, one or more receivers in series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopCircuit {
    /// The supply's lowest voltage.
    pub supply_v: f64,
    /// What the output needs across itself to work, in volts.
    pub drop_v: f64,
    /// All receivers in series, in ohms.
    pub burden_ohm: f64,
    /// The cable.
    pub cable: Option<Cable>,
}

/// What a 4-20 mA circuit can do.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LoopWire {
    /// Receivers and cable, in ohms.
    pub loop_ohm: f64,
    /// Of that the cable.
    pub cable_ohm: f64,
    /// The most that the circuit may have and still drive the fault current.
    pub allowed_ohm: f64,
    /// The most current that it can drive, in milliamperes.
    pub largest_ma: f64,
    /// The voltage over the receivers at 20 mA.
    pub burden_v_at_20_ma: f64,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// From this current on a fault is signalled (NAMUR NE 43); a circuit must be able to drive it.
const FAULT_MA: f64 = 21.0;

/// Weighs a 4-20 mA circuit: supply - drop = current x resistance.
#[must_use]
pub fn current_loop(circuit: &LoopCircuit) -> LoopWire {
    let cable_ohm = circuit.cable.map_or(0.0, Cable::ohm);
    let loop_ohm = circuit.burden_ohm + cable_ohm;
    let available_v = circuit.supply_v - circuit.drop_v;
    let largest_ma = if loop_ohm > 0.0 { (1000.0 * available_v / loop_ohm).max(0.0) } else { f64::INFINITY };
    let allowed_ohm = (1000.0 * available_v / FAULT_MA).max(0.0);
    let mut cautions = Vec::new();
    if largest_ma < FAULT_MA {
        let consequence = if largest_ma < 20.0 {
            format!("the current stops at {} mA, short of full scale", figure(largest_ma))
        } else {
            "it reaches full scale but cannot signal a fault by 21 mA".to_owned()
        };
        cautions.push(Caution::new(
            Concern::LoopBurden,
            format!(
                "{} V - {} V leave {} V; at 21 mA that is {} ohm, and the loop has {} ohm: {consequence}",
                figure(circuit.supply_v),
                figure(circuit.drop_v),
                figure(available_v),
                figure(allowed_ohm),
                figure(loop_ohm)
            ),
            "a smaller receiver resistor, a thicker cable, or a higher supply within what the output allows",
        ));
    }
    LoopWire { loop_ohm, cable_ohm, allowed_ohm, largest_ma, burden_v_at_20_ma: 0.020 * circuit.burden_ohm, cautions }
}

/// A passive pulse output: a switch to ground, and a resistor to the supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PullUp {
    /// The supply's voltage.
    pub supply_v: f64,
    /// The resistor, in ohms; the receiver's own input counts as part of it.
    pub ohm: f64,
    /// The cable's length in metres.
    pub cable_m: f64,
    /// The pulse's width.
    pub on_time: Duration,
}

/// What a pulse circuit can do.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PulseWire {
    /// The current while the switch is closed, in milliamperes.
    pub closed_ma: f64,
    /// The power in the resistor while the switch is closed, in watts.
    pub resistor_w: f64,
    /// The time from 10 % to 90 % when the switch opens, in milliseconds: 2.2 R C.
    pub rise_ms: f64,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// Between the wires of a usual signal pair, in farads a metre.
const CABLE_F_PER_M: f64 = 100e-12;

/// Edges, contact bounce included, should be shorter (IEC 62053-31:1998 §4.1.3.4).
const LONGEST_EDGE: Duration = Duration::from_millis(5);

/// Less current than this does not keep a mechanical contact clean.
const LEAST_WETTING_MA: f64 = 1.0;

/// A usual limit of a transistor output; the data sheet decides.
const USUAL_LARGEST_MA: f64 = 25.0;

/// Weighs the circuit of a passive pulse output.
#[must_use]
pub fn pulse_wire(circuit: &PullUp) -> PulseWire {
    let closed_ma = 1000.0 * circuit.supply_v / circuit.ohm;
    let rise = 2.2 * circuit.ohm * CABLE_F_PER_M * circuit.cable_m;
    let mut cautions = Vec::new();
    let longest = LONGEST_EDGE.min(circuit.on_time / 4).as_secs_f64();
    if rise > longest {
        cautions.push(Caution::new(
            Concern::PullUp,
            format!(
                "2.2 x {} ohm x {} nF of cable: the edge takes {} ms of a pulse of {} ms",
                figure(circuit.ohm),
                figure(1e9 * CABLE_F_PER_M * circuit.cable_m),
                figure(1000.0 * rise),
                figure(1000.0 * circuit.on_time.as_secs_f64())
            ),
            format!("take {} ohm or less", figure(circuit.ohm * longest / rise)),
        ));
    }
    let current = figure(closed_ma);
    let drives = format!("{} V over {} ohm drive {current} mA", figure(circuit.supply_v), figure(circuit.ohm));
    if closed_ma > USUAL_LARGEST_MA {
        let least = figure(1000.0 * circuit.supply_v / USUAL_LARGEST_MA);
        let advice = format!("compare with the output's limit; {least} ohm would make it {USUAL_LARGEST_MA} mA");
        cautions.push(Caution::new(Concern::PullUp, drives, advice));
    } else if closed_ma < LEAST_WETTING_MA {
        let most = figure(1000.0 * circuit.supply_v / LEAST_WETTING_MA);
        let advice = format!("noise couples in, and a reed contact does not stay clean; take {most} ohm or less");
        cautions.push(Caution::new(Concern::PullUp, drives, advice));
    }
    PulseWire {
        closed_ma,
        resistor_w: circuit.supply_v * circuit.supply_v / circuit.ohm,
        rise_ms: 1000.0 * rise,
        cautions,
    }
}
