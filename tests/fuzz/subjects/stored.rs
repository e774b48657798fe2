//! What lies in a store, with a checksum that is right: a memory card that forgets is told by it, a bug is not.

use tallywell::line::statistics::DeviceTiming;
use tallywell::store::blob;
use tallywell_witness::reading::{RawWords, Reading, Sample, StatusBits};
use tallywell_witness::tally::MeterTallies;
use tallywell_witness::units::{SteadyMillis, WallMillis};

const CHECKSUM: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// Opens any bytes as each of the things that a store holds. What can be opened can be kept and opened again.
pub fn take(input: &[u8]) {
    let Some((kind, content)) = input.split_first() else { return };
    match kind % 4 {
        0 => row(content),
        1 => stretch(content),
        2 => timing(content),
        _ => drop(serde_json::from_slice::<MeterTallies>(content)),
    }
}

fn row(content: &[u8]) {
    let times = Reading { at: SteadyMillis(1_000), wall: WallMillis(1_700_000_000_000), ..Reading::default() };
    let mut digest = CHECKSUM.digest();
    digest.update(&times.at.0.to_le_bytes());
    digest.update(&times.wall.0.to_le_bytes());
    digest.update(content);
    let mut bytes = content.to_vec();
    bytes.extend_from_slice(&digest.finalize().to_le_bytes());
    if let Some(reading) = blob::reading(&bytes, times) {
        let again = blob::from_reading(&reading);
        let back = blob::reading(&again, times).expect("what was encoded can be decoded");
        assert_eq!(blob::from_reading(&back), again);
    }
}

fn stretch(content: &[u8]) {
    let Some((count, content)) = content.split_first_chunk::<2>() else { return };
    let mut bytes = content.to_vec();
    bytes.extend_from_slice(&CHECKSUM.checksum(content).to_le_bytes());
    // A few, or more than there ever are.
    let count = match u16::from_le_bytes(*count) {
        u16::MAX => usize::MAX,
        few => usize::from(few % 2_000),
    };
    if let Some(readings) = blob::stretch(&bytes, count) {
        assert_eq!(readings.len(), count);
    }
}

fn timing(content: &[u8]) {
    if let Some(timing) = DeviceTiming::decode(content) {
        let kept = timing.encode();
        let again = DeviceTiming::decode(&kept).expect("what was encoded can be decoded");
        assert_eq!(again.encode(), kept);
    }
}

/// A sound thing of each kind, to begin from.
pub fn sound() -> Vec<Vec<u8>> {
    let sample = |value: f64, words: &[u16], later: i64| {
        Some(Sample { value, at: SteadyMillis(1_000 + later), raw: RawWords::new(words) })
    };
    let reading = Reading {
        at: SteadyMillis(1_000),
        wall: WallMillis(1_700_000_000_000),
        flow: sample(18.0, &[0x4190, 0], -12),
        total: sample(1_204_311.0, &[0x12, 0x6057], -12),
        loop_ma: sample(12.0, &[12_000], 3),
        pulses: sample(48_172.0, &[0, 48_172], 9),
        status: Some(StatusBits(1)),
        running: Some(true),
        ..Reading::default()
    };
    let series: Vec<Reading> = (0..300_u16)
        .map(|second| {
            let at = SteadyMillis(1_000 + i64::from(second) * 1_000);
            let wall = WallMillis(1_700_000_000_000 + at.0);
            let total = 1_204_311 + u32::from(second) * 18;
            let words = [(total >> 16) as u16, total as u16];
            let total = Some(Sample { value: f64::from(total), at, raw: RawWords::new(&words) });
            Reading { at, wall, total, flow: reading.flow.map(|flow| Sample { at, ..flow }), ..Reading::default() }
        })
        .collect();
    let mut timing = DeviceTiming::default();
    for latency in [4, 5, 9] {
        let latency = std::time::Duration::from_millis(latency);
        timing.count_reply(latency, latency * 2, latency * 2, 29, 2);
    }
    let without_checksum = |bytes: Vec<u8>| bytes[..bytes.len() - 4].to_vec();
    let stretch = blob::from_stretch(&series).expect("readings can be sealed");
    vec![
        [vec![0], without_checksum(blob::from_reading(&reading))].concat(),
        [vec![1], 300_u16.to_le_bytes().to_vec(), without_checksum(stretch)].concat(),
        [vec![2], timing.encode()].concat(),
    ]
}
