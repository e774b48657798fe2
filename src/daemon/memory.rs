//! What is remembered of each meter from one daemon to the next, and the time line on which it goes on.
//!
//! The clock that never jumps begins anew with each start of the machine. The tallies must not see that: here it is led on
//! by what the clock on the wall says has passed, and by a second where that clock has gone back.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use tallywell_witness::declared::{Limits, Site};
use tallywell_witness::reading::Reading;
use tallywell_witness::station::Stations;
use tallywell_witness::tally::{Change, MeterTallies, Moment};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::catch_up::{Place, catch_up};
use super::clock;
use crate::site::meter_facts;
use crate::store::StoreReader;
use crate::store::evidence::sha256;

/// The layout of what is kept. What an older or newer program kept is not taken up: the tallies then begin anew.
const LAYOUT: u32 = 6;
/// In its place: nothing is kept of this meter.
const NOTHING_KEPT: u32 = 0;
/// After a start of the machine whose clock cannot be trusted, so much is taken to have passed.
const LEAST_PAUSE_MS: i64 = 1_000;
/// More than this is taken for a wrong clock.
const MOST_PAUSE_MS: i64 = 10 * 366 * 86_400_000;

/// What is kept of one meter.
#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    /// The start of the machine on which it was kept.
    boot: String,
    /// What was added to that start's clock.
    ahead_ms: i64,
    /// When it was kept, on the led-on time line and on the wall.
    at: SteadyMillis,
    wall: WallMillis,
    /// The hash of what the tallies rest on: after a change of it, what was remembered means nothing.
    declared: String,
    tallies: MeterTallies,
}

/// What is remembered of all meters.
#[derive(Debug)]
pub(super) struct Memory {
    boot: String,
    ahead_ms: i64,
    /// When this was taken up, if the machine had restarted since it was kept.
    restarted: Option<Moment>,
    /// How this start's clock and the one on the wall stood when it was kept, or must have stood at least.
    clocks: Option<(SteadyMillis, WallMillis)>,
    meters: BTreeMap<String, (String, MeterTallies)>,
    /// What the readings stored since then changed: the log may have it already.
    caught_up: Vec<(String, Change)>,
}

impl Memory {
    /// Takes up what the store holds.
    pub(super) fn recall(store: &StoreReader, site: &Site, now: SteadyMillis, wall: WallMillis) -> Self {
        let mut kept = BTreeMap::new();
        for name in site.meters.keys() {
            match store.tally_state(name) {
                Ok(Some((LAYOUT, body))) => match serde_json::from_slice::<Kept>(&body) {
                    Ok(found) => drop(kept.insert(name.clone(), found)),
                    Err(error) => tracing::warn!("{name}: what was remembered cannot be read, it begins anew: {error}"),
                },
                Ok(Some((NOTHING_KEPT, _)) | None) => {}
                Ok(Some((layout, _))) => {
                    tracing::warn!("{name}: what was remembered has layout {layout}, not {LAYOUT}; it begins anew");
                }
                Err(error) => tracing::warn!("{name}: what was remembered cannot be read, it begins anew: {error}"),
            }
        }
        let boot = clock::boot();
        let ahead_ms = led_on(kept.values(), &boot, now, wall);
        let clocks = clocks(kept.values(), &boot, now, wall);
        let restarted = kept.values().any(|kept| kept.boot != boot);
        let taken_up = Moment { steady: SteadyMillis(now.0 + ahead_ms), wall };
        let restarted = restarted.then_some(taken_up);
        let mut caught_up = Vec::new();
        for (name, kept) in &mut kept {
            let Ok(facts) = meter_facts(site, name) else { continue };
            if declaration(name, site).as_ref() != Some(&kept.declared) {
                continue;
            }
            let place = Place { boot: &kept.boot, ahead_ms: kept.ahead_ms, at: kept.at, wall: kept.wall };
            match catch_up(store, &facts, place, &mut kept.tallies) {
                Ok(changes) => caught_up.extend(changes.into_iter().map(|change| (name.clone(), change))),
                Err(error) => {
                    tracing::warn!("{name}: readings stored since its tallies were kept are left out: {error}")
                }
            }
        }
        let meters = kept.into_iter().map(|(name, kept)| (name, (kept.declared, kept.tallies))).collect();
        Self { boot, ahead_ms, restarted, clocks, meters, caught_up }
    }

    /// What the readings changed that were stored after the tallies were kept, with the meters' names; the log lacks it.
    pub(super) fn take_caught_up(&mut self) -> Vec<(String, Change)> {
        std::mem::take(&mut self.caught_up)
    }

    /// When the machine was found to have restarted since all this was kept, if it had. It had so once, whatever is
    /// declared otherwise later.
    pub(super) const fn take_restarted(&mut self) -> Option<Moment> {
        self.restarted.take()
    }

    /// How the clock of this start of the machine and the one on the wall stood when all this was kept. On a machine that
    /// has started since, the clock on the wall shows at least what it showed then, unless it is wrong.
    pub(super) const fn clocks(&self) -> Option<(SteadyMillis, WallMillis)> {
        self.clocks
    }

    /// An instant of this start's clock on the led-on time line.
    pub(super) const fn continued(&self, at: SteadyMillis) -> SteadyMillis {
        SteadyMillis(at.0 + self.ahead_ms)
    }

    /// A reading as the store keeps it: on this start's own clock.
    pub(super) fn as_stored(&self, reading: &Reading) -> Reading {
        let mut stored = *reading;
        stored.at.0 -= self.ahead_ms;
        let samples = [
            &mut stored.flow,
            &mut stored.total,
            &mut stored.loop_ma,
            &mut stored.pulses,
            &mut stored.reverse_total,
            &mut stored.receiver_flow,
            &mut stored.receiver_total,
        ];
        for sample in samples.into_iter().flatten() {
            sample.at.0 -= self.ahead_ms;
        }
        stored
    }

    /// What is remembered of a meter, if the site still declares it as it was.
    pub(super) fn of(&self, name: &str, site: &Site) -> Option<MeterTallies> {
        let (declared, tallies) = self.meters.get(name)?;
        if *declared == declaration(name, site)? {
            return Some(tallies.clone());
        }
        tracing::info!("{name}: it is declared otherwise than before; its tallies begin anew");
        None
    }

    /// Forgets a meter; what the store is to keep of it then.
    pub(super) fn forget(&mut self, name: &str) -> (u32, Vec<u8>) {
        self.meters.remove(name);
        (NOTHING_KEPT, Vec::new())
    }

    /// Remembers every meter as it is.
    pub(super) fn remember(&mut self, stations: &Stations, site: &Site) {
        for meter in stations.meters() {
            let name = &meter.facts.meter.name;
            if let Some(declared) = declaration(name, site) {
                self.meters.insert(name.clone(), (declared, meter.tallies.clone()));
            }
        }
    }

    /// Each meter's name, and what the store is to keep of it.
    pub(super) fn to_keep(&self, now: SteadyMillis, wall: WallMillis) -> impl Iterator<Item = (&str, u32, Vec<u8>)> {
        self.meters.iter().filter_map(move |(name, (declared, tallies))| {
            let kept = Kept {
                boot: self.boot.clone(),
                ahead_ms: self.ahead_ms,
                at: self.continued(now),
                wall,
                declared: declared.clone(),
                tallies: tallies.clone(),
            };
            let body = serde_json::to_vec(&kept)
                .inspect_err(|error| tracing::error!("{name}: what is remembered cannot be written: {error}"));
            Some((name.as_str(), LAYOUT, body.ok()?))
        })
    }
}

/// What to add to this start's clock so that it goes on where the latest left off.
fn led_on<'kept>(kept: impl Iterator<Item = &'kept Kept>, boot: &str, now: SteadyMillis, wall: WallMillis) -> i64 {
    let Some(latest) = kept.max_by_key(|kept| (kept.boot == boot, kept.at)) else { return 0 };
    if latest.boot == boot {
        return latest.ahead_ms;
    }
    let pause = (wall.0 - latest.wall.0).clamp(LEAST_PAUSE_MS, MOST_PAUSE_MS);
    latest.at.0 + pause - now.0
}

/// How both clocks stood at the latest, if they can be held against how they stand now.
fn clocks<'kept>(
    kept: impl Iterator<Item = &'kept Kept>,
    boot: &str,
    now: SteadyMillis,
    wall: WallMillis,
) -> Option<(SteadyMillis, WallMillis)> {
    let latest = kept.max_by_key(|kept| (kept.boot == boot, kept.at))?;
    if latest.boot == boot {
        return Some((SteadyMillis(latest.at.0 - latest.ahead_ms), latest.wall));
    }
    (wall < latest.wall).then_some((now, latest.wall))
}

/// The hash of what a meter's tallies rest on. Not of it: limits, status, the pump's bit and the meter's own settings. Events
/// by these are held against what is declared with each reading, and end where that has changed.
fn declaration(name: &str, site: &Site) -> Option<String> {
    let mut facts = meter_facts(site, name).ok()?;
    facts.status_names.clear();
    facts.meter.status.clear();
    facts.meter.running = None;
    facts.meter.settings.clear();
    facts.meter.limits = Limits::default();
    Some(sha256(format!("{facts:?}").as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(boot: &str, ahead_ms: i64, at: i64, wall: i64) -> Kept {
        Kept {
            boot: boot.to_owned(),
            ahead_ms,
            at: SteadyMillis(at),
            wall: WallMillis(wall),
            declared: String::new(),
            tallies: fresh(),
        }
    }

    fn fresh() -> MeterTallies {
        let loaded =
            crate::site::load(std::path::Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/config/kestrel-creek.toml")))
                .unwrap();
        let facts = meter_facts(&loaded.site, "bore-1").unwrap();
        MeterTallies::new(&facts, tallywell_witness::tally::VolumeJudged::LastDay)
    }

    #[test]
    fn the_time_line_goes_on_over_a_start_of_the_machine() {
        let ahead = |kept: &[Kept], now, wall| led_on(kept.iter(), "b", SteadyMillis(now), WallMillis(wall));
        assert_eq!(ahead(&[], 500, 9_000), 0, "nothing to go on from");
        assert_eq!(ahead(&[kept("b", 70, 10_000, 1_000)], 500, 9_000), 70, "the same start of the machine");
        // The machine was off for 60 s by the wall.
        assert_eq!(ahead(&[kept("a", 0, 10_000, 1_000)], 500, 61_000), 10_000 + 60_000 - 500);
        // The clock on the wall went back: a second.
        assert_eq!(ahead(&[kept("a", 0, 10_000, 100_000)], 500, 0), 10_000 + 1_000 - 500);
        let since = |kept: Kept, wall| clocks([kept].iter(), "b", SteadyMillis(500), WallMillis(wall));
        assert_eq!(since(kept("b", 70, 10_000, 1_000), 0), Some((SteadyMillis(9_930), WallMillis(1_000))));
        assert_eq!(since(kept("a", 0, 10_000, 1_000), 61_000), None, "nobody knows how long the machine was off");
        let behind = since(kept("a", 0, 10_000, 100_000), 0);
        assert_eq!(behind, Some((SteadyMillis(500), WallMillis(100_000))), "a machine without a clock of its own");
        // Of several meters the latest counts.
        assert_eq!(ahead(&[kept("a", 0, 10_000, 1_000), kept("a", 0, 12_000, 3_000)], 0, 4_000), 13_000);
    }
}
