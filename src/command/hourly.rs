//! The hours of a meter as CSV: what each witness says went by in each.

use std::io::Write;

use tallywell_witness::tally::{HourlySummary, WitnessedVolume};

use crate::record::format_instant;

/// The names of the witnesses in the header, in the order of [`volumes`].
const WITNESSES: [&str; 4] = ["total", "flow", "loop", "pulse"];

/// Writes a header and a line for each hour; volumes in litres, flows in litres per second. An empty cell is a witness
/// that is not declared, or a flow that was never heard.
///
/// # Errors
/// `out` cannot be written.
pub(super) fn write(hours: &[HourlySummary], out: &mut impl Write) -> std::io::Result<()> {
    write!(out, "hour,from,to,readings")?;
    for witness in WITNESSES {
        write!(out, ",{witness}_l,{witness}_uncertainty_l,{witness}_unheard_l,{witness}_share")?;
    }
    writeln!(out, ",smallest_flow_l_s,largest_flow_l_s,maintenance")?;
    for hour in hours {
        let [start, from, to] = [hour.hour, hour.from.wall, hour.to.wall].map(format_instant);
        write!(out, "{start},{from},{to},{}", hour.readings)?;
        for volume in volumes(hour) {
            match volume {
                Some(WitnessedVolume { volume_l, unheard_l, uncertainty_l, share }) => {
                    write!(out, ",{:.3},{:.3},{:.3},{share:.4}", volume_l.0, uncertainty_l.0, unheard_l.0)?;
                }
                None => write!(out, ",,,,")?,
            }
        }
        for flow in [hour.smallest_flow, hour.largest_flow] {
            match flow {
                Some(flow) => write!(out, ",{:.4}", flow.0)?,
                None => write!(out, ",")?,
            }
        }
        writeln!(out, ",{}", if hour.maintenance { "yes" } else { "" })?;
    }
    Ok(())
}

const fn volumes(hour: &HourlySummary) -> [Option<WitnessedVolume>; 4] {
    [hour.total, hour.flow, hour.current, hour.pulse]
}
