//! The meters' own settings as they were read last, and those that are not what their receivers take them to be.

use std::collections::BTreeMap;

use tallywell_witness::audit;
use tallywell_witness::declared::{Meter, Setting, Site};
use tallywell_witness::tally::{Change, Event, EventKind, Moment};

use crate::store::{Span, StoreError, StoreReader};
use crate::wall;

type Key = (String, Setting);

/// What is known of all settings of all meters.
#[derive(Debug, Default)]
pub(super) struct Settings {
    known: BTreeMap<Key, f64>,
    /// As long as it lasts.
    differing: BTreeMap<Key, Event>,
}

impl Settings {
    /// Takes up what the store holds.
    pub(super) fn recall(store: &StoreReader, site: &Site) -> Self {
        Self::recalled(store, site).unwrap_or_else(|error| {
            tracing::warn!("settings that were read before are not known: {error}");
            Self::default()
        })
    }

    fn recalled(store: &StoreReader, site: &Site) -> Result<Self, StoreError> {
        let mut settings = Self::default();
        for name in site.meters.keys() {
            let known = store.settings(name)?;
            settings.known.extend(known.into_iter().map(|(setting, value)| ((name.clone(), setting), value)));
        }
        for event in store.events(None, Span { from: Some(wall::now()), to: None })? {
            if let (EventKind::SettingDiffers { setting, .. }, None) = (&event.what, event.ended) {
                settings.differing.insert((event.meter.clone(), *setting), event);
            }
        }
        Ok(settings)
    }

    /// Follows what is declared from now on: a setting that is not read any more differs from nothing. Returns what ends.
    pub(super) fn follow(&mut self, site: &Site, now: Moment) -> Vec<Change> {
        let is_read =
            |(meter, setting): &Key| site.meters.get(meter).is_some_and(|meter| meter.settings.contains_key(setting));
        let mut over = Vec::new();
        self.differing.retain(|key, event| {
            let stays = is_read(key);
            if !stays {
                let ended = Moment { wall: now.wall.max(event.began.wall), ..now };
                over.push(Change::EventEnded(Event { ended: Some(ended), ..event.clone() }));
            }
            stays
        });
        over
    }

    /// Takes a setting that was just read, in its base unit; says whether it is to be kept, and what it changes.
    pub(super) fn read(&mut self, meter: &Meter, setting: Setting, value: f64, now: Moment) -> (bool, Vec<Change>) {
        let key = (meter.name.clone(), setting);
        let before = self.known.insert(key.clone(), value);
        let event = |what, ended| Event { meter: meter.name.clone(), what, began: now, ended };
        let mut changes = Vec::new();
        if let Some(changed) = audit::change(setting, before, value) {
            changes.push(Change::EventEnded(event(changed, Some(now))));
        }
        let differs = audit::difference(meter, setting, value);
        if self.differing.get(&key).map(|event| &event.what) != differs.as_ref() {
            if let Some(over) = self.differing.remove(&key) {
                changes.push(Change::EventEnded(Event { ended: Some(now), ..over }));
            }
            if let Some(what) = differs {
                let begun = event(what, None);
                self.differing.insert(key, begun.clone());
                changes.push(Change::EventBegan(begun));
            }
        }
        (before.is_none_or(|before| before.to_bits() != value.to_bits()), changes)
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use tallywell_witness::units::{SteadyMillis, WallMillis};

    use super::*;

    #[test]
    fn a_turned_setting_is_an_event_and_its_difference_lasts_until_it_is_turned_back() {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
        let site = crate::site::load(&shipped).unwrap().site;
        let meter = &site.meters["bore-1"];
        let mut settings = Settings::default();
        let mut read = |value, ms| {
            let now = Moment { steady: SteadyMillis(ms), wall: WallMillis(ms) };
            settings.read(meter, Setting::PulseVolume, value, now)
        };
        assert_eq!(read(5.0, 0), (true, vec![]), "as declared, and kept as the first");
        assert_eq!(read(5.0, 1), (false, vec![]));

        let (is_new, changes) = read(10.0, 2);
        let [Change::EventEnded(turned), Change::EventBegan(differs)] = changes.as_slice() else {
            panic!("{changes:?}")
        };
        assert!(is_new);
        assert_eq!(turned.what, EventKind::SettingChanged { setting: Setting::PulseVolume, old: 5.0, new: 10.0 });
        assert_eq!(
            differs.what,
            EventKind::SettingDiffers { setting: Setting::PulseVolume, declared: 5.0, read: 10.0 }
        );
        assert_eq!(read(10.0, 3), (false, vec![]), "said once");

        let (_, changes) = read(5.0, 4);
        let [Change::EventEnded(_), Change::EventEnded(over)] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!((over.began.wall, over.ended.map(|ended| ended.wall)), (WallMillis(2), Some(WallMillis(4))));

        assert_eq!(read(10.0, 5).1.len(), 2);
        let mut site = site.clone();
        let now = Moment { steady: SteadyMillis(6), wall: WallMillis(6) };
        assert_eq!(settings.follow(&site, now), [], "still read");
        site.meters.get_mut("bore-1").unwrap().settings.clear();
        let [Change::EventEnded(over)] = &settings.follow(&site, now)[..] else { panic!("not over") };
        assert_eq!((over.began.wall, over.ended), (WallMillis(5), Some(now)), "nobody reads it any more");
    }
}
