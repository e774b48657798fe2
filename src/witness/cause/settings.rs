//! What the meter says of its own settings, where its registers tell them: a cause that needs a turned setting is likelier
//! where that very value was read. A setting that is as declared speaks against nothing: settings are read now and then, and
//! it may have been turned since.

use crate::audit;
use crate::declared::{Meter, Setting};

use super::candidate::Candidate;
use super::code::Code;

/// What a setting that was read weighs, in nats, for a cause that it makes.
const SPEAKS_FOR: f64 = 9.0;
/// An implied value is that of the setting if it differs by no more than this share; limits and cut-offs by more.
const IS_THE_SETTING: f64 = 0.01;
const IS_ABOUT_THE_SETTING: f64 = 0.25;

/// Settings as they were read last, in their base units.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct KnownSettings(pub Vec<(Setting, f64)>);

impl KnownSettings {
    fn get(&self, wanted: Setting) -> Option<f64> {
        self.0.iter().find(|(setting, _)| *setting == wanted).map(|(_, value)| *value)
    }

    /// What the settings add to the weight of a cause, in nats, and in words.
    pub fn weigh(&self, meter: &Meter, cause: &Candidate) -> (f64, Option<String>) {
        let implied = &cause.parameters;
        let (setting, value, within, name, unit) = match cause.code {
            Code::PulseWeight => {
                (Setting::PulseVolume, implied.implied_pulse_volume_l, IS_THE_SETTING, "one pulse", "L")
            }
            Code::LoopSpan => (Setting::FullScale, implied.implied_full_scale_l_s, IS_THE_SETTING, "20 mA", "L/s"),
            Code::LowFlowCutoff => {
                (Setting::LowFlowCutoff, implied.cutoff_l_s, IS_ABOUT_THE_SETTING, "the low-flow cut-off", "L/s")
            }
            Code::PulseRateLimit => {
                // Half of each period is pause, if the pause is as long as the pulse.
                let width_s = implied.rate_limit_hz.map(|hertz| 0.5 / hertz);
                (Setting::PulseOnTime, width_s, IS_ABOUT_THE_SETTING, "the pulse's width", "s")
            }
            _ => return (0.0, None),
        };
        let (Some(read), Some(value)) = (self.get(setting), value) else { return (0.0, None) };
        let declared = audit::declared(meter, setting);
        let is_declared = declared.is_some_and(|declared| audit::is_same(declared, read));
        if is_declared || (value / read - 1.0).abs() > within {
            return (0.0, None);
        }
        let declared = declared.map_or_else(String::new, |declared| format!("; {declared} {unit} is declared"));
        (SPEAKS_FOR, Some(format!("the meter's own setting is {read} {unit} for {name}{declared}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cause::Explainer;
    use crate::tally::specimen;

    /// How likely a wrong weight is said to be for pulses of half the volume that is declared, with a setting read or not;
    /// and what is said for it.
    fn weight_after(setting: Option<f64>) -> (f64, String) {
        let facts = specimen::meter();
        let known = setting.map(|litres| (Setting::PulseVolume, litres)).into_iter().collect();
        let mut explainer = Explainer::new(&facts).with_settings(known);
        let mut litres = 0.0;
        for second in 0..5400_i64 {
            #[expect(clippy::cast_precision_loss, reason = "an hour and a half")]
            let flow = 18.0 + 9.0 * (second as f64 / 200.0).sin();
            litres += flow;
            let current = 4.0 + 16.0 * flow / 36.0;
            explainer.push(&specimen::reading(second * 1000, flow, litres.floor(), current, (litres / 12.5).floor()));
        }
        let explanation = explainer.finish();
        let cause = explanation.causes.iter().find(|cause| cause.code == Code::PulseWeight && cause.with.is_empty());
        cause.map_or((0.0, String::new()), |cause| (cause.probability, cause.evidence.join("; ")))
    }

    #[test]
    fn a_setting_that_was_read_speaks_for_what_it_makes() {
        let (unknown, _) = weight_after(None);
        let (turned, said) = weight_after(Some(12.5));
        assert!(turned > unknown, "{turned}, {unknown} without");
        assert!(said.contains("own setting is 12.5 L for one pulse; 25 L is declared"), "{said}");
        assert_eq!(weight_after(Some(25.0)), weight_after(None), "it may have been turned since");
        assert_eq!(weight_after(Some(50.0)), weight_after(None), "a setting of another volume says nothing");
    }
}
