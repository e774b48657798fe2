//! The settings audit: a meter's own settings against what its receivers take them to be, at every change.
//!
//! It is the quickest proof that somebody turned one.

use crate::declared::{Meter, Setting};
use crate::tally::EventKind;

/// Registers round: a 32-bit float holds seven digits, a whole number of hundredths fewer.
const ROUNDING: f64 = 1e-4;

/// What the receivers take a setting of the meter to be, in the setting's base unit; `None` where nothing declares it.
#[must_use]
pub fn declared(meter: &Meter, setting: Setting) -> Option<f64> {
    let current_loop = meter.current_loop.as_ref();
    let pulse = meter.pulse.as_ref();
    match setting {
        Setting::FullScale => current_loop.map(|declared| declared.full_scale.0),
        Setting::PulseVolume => pulse.map(|declared| declared.volume.0),
        Setting::PulseOnTime => pulse.map(|declared| declared.on_time.as_secs_f64()),
        Setting::Damping => current_loop.and_then(|declared| declared.damping).map(|damping| damping.as_secs_f64()),
        Setting::Bore | Setting::SensorFactor | Setting::Zero | Setting::LowFlowCutoff => None,
    }
}

/// True where two readings of a setting mean the same value.
#[must_use]
pub fn is_same(one: f64, other: f64) -> bool {
    (one - other).abs() <= ROUNDING * one.abs().max(other.abs())
}

/// What a setting that was just read says, where it was read before as `before`: that it changed.
#[must_use]
pub fn change(setting: Setting, before: Option<f64>, now: f64) -> Option<EventKind> {
    let old = before.filter(|old| !is_same(*old, now))?;
    Some(EventKind::SettingChanged { setting, old, new: now })
}

/// What a setting that was just read says of the receiver: that it takes it for another value.
#[must_use]
pub fn difference(meter: &Meter, setting: Setting, now: f64) -> Option<EventKind> {
    let declared = declared(meter, setting).filter(|declared| !is_same(*declared, now))?;
    Some(EventKind::SettingDiffers { setting, declared, read: now })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turned_setting_is_told_and_rounding_is_not() {
        assert_eq!(change(Setting::PulseVolume, None, 25.0), None, "nothing to compare with yet");
        assert_eq!(change(Setting::PulseVolume, Some(25.0), f64::from(25.000_001_f32)), None);
        assert_eq!(
            change(Setting::PulseVolume, Some(25.0), 50.0),
            Some(EventKind::SettingChanged { setting: Setting::PulseVolume, old: 25.0, new: 50.0 })
        );
        // A zero trim that moves from nothing is a change, however small.
        assert!(change(Setting::Zero, Some(0.0), 0.001).is_some());
        assert!(is_same(0.0, 0.0));
    }
}
