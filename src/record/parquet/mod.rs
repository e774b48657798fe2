//! Readings as Parquet: a folder of one file a day and meter, for whatever column engine an office has.
//!
//! ```text
//! DIR/site=Kestrel%20Creek/meter=bore-1/date=2025-03-01/readings.parquet
//! ```
//!
//! Names are percent-encoded as in a URL; the date is that of the clock on the wall, in UTC. Days are written whole, each
//! beside its file first, so that a file that bears its name is whole. Writing a day again replaces its file, unless that
//! holds more readings: a store forgets its oldest ones, a folder must not forget them with it.
//!
//! | column | type | holds |
//! | --- | --- | --- |
//! | `time` | timestamp, ms, UTC | the reading's moment |
//! | `flow`, `total` | double | in the units that the meter's entries declare; NaN and infinities as they came |
//! | `loop_ma` | double | milliamperes |
//! | `pulses` | double | the counter as read |
//! | `status` | text | the names of the set bits, separated by `;`; `ok` if none is set |
//! | `*_time` | timestamp, ms, UTC | when each value was sampled |
//! | `*_raw` | bytes | the registers behind flow and total, lowest address first, high byte first |
//! | `reverse_total`, `receiver_flow`, `receiver_total` | double | with `_time` and `_raw` likewise, where declared |
//! | `running` | boolean | whether the pump runs, where declared |
//! | `total_gain_l`, `pulse_gain_l` | double | litres since the reading before by total and by pulses, wraps undone |
//! | `l_s_per_flow`, `l_per_total`, `l_per_pulse` | double | what one of the meter's units is worth in L/s and L |
//! | `loop_l_s_at_4_ma`, `loop_l_s_at_20_ma` | double | what the receiver takes the current to mean |
//!
//! The last five are the same in every row of a file and take no room; with them meters of different units can be asked in
//! one question. The file's own metadata say the unit and the declaration of every column. A missing value is null.

mod cells;
mod columns;
mod file;
mod folder;

pub use folder::{ParquetError, ParquetFolder, Written};
