//! What is known of a line beside its readings: changed by what the line tells, and said in the log.

use tallywell_witness::declared::{Line, LineMode};

use crate::line::event::LineEvent;
use crate::line::fault::Fault;

/// What is known of a line.
#[derive(Debug, Default)]
pub(super) struct KnownLine {
    /// Why its port is not open.
    pub(super) lost: Option<String>,
    /// The devices that do not answer.
    pub(super) silent: Vec<String>,
    listens: bool,
}

impl KnownLine {
    /// Takes in what is declared of it now.
    pub(super) fn declare(&mut self, declared: &Line) {
        self.listens = declared.mode == LineMode::Listen;
    }

    /// Takes in what the line of this name told; readings and figures are for others.
    pub(super) fn take(&mut self, line: &str, event: &LineEvent) {
        match event {
            LineEvent::DeviceSilent { device, fault } => {
                let why = match fault {
                    Fault::Timeout => "does not answer".to_owned(),
                    fault => format!("gives no good reply ({fault})"),
                };
                let what_now = if self.listens { "" } else { "; it is tried less and less often" };
                tracing::warn!("line {line}: {device} {why}{what_now}");
                self.silent.push(device.clone());
            }
            LineEvent::DeviceBack { device } => {
                tracing::info!("line {line}: {device} answers again");
                self.silent.retain(|silent| silent != device);
            }
            LineEvent::PeriodsMissed { device, periods } => {
                let plural = if *periods == 1 { "" } else { "s" };
                tracing::debug!("line {line}: {device}: {periods} period{plural} went by before its turn");
            }
            LineEvent::RequestSplit { device, request, pieces } => tracing::info!(
                "line {line}: {device} refuses {} registers from {} in one; they are asked for in {pieces} requests",
                request.count,
                request.start
            ),
            LineEvent::PortOpened { notes } => {
                tracing::info!("line {line}: the port is open");
                for note in notes {
                    tracing::info!("line {line}: {note}");
                }
                self.lost = None;
            }
            LineEvent::PortLost { reason } => {
                tracing::error!("line {line}: the port is lost and tried again by its name: {reason}");
                self.lost = Some(reason.clone());
            }
            LineEvent::AnotherMaster { requests } => tracing::error!(
                "line {line}: another master asks here too, {requests} requests were not of this program; RTU allows one: \
                 stop the other, or set `mode = \"listen\"` and let it poll"
            ),
            LineEvent::EchoUndeclared => tracing::warn!(
                "line {line}: the adapter returns what it sends, which counts as noise: write `echo = true` for this line"
            ),
            LineEvent::NeverQuiet { reason } => tracing::error!("line {line}: {reason}"),
            LineEvent::Dropped { readings, faults } => tracing::error!(
                "line {line}: the daemon did not keep up; {readings} answers and the news of {faults} faults are lost"
            ),
            LineEvent::NobodyPolls { since } => tracing::warn!(
                "line {line}: nobody has polled for {} s; it is only listened to, so nothing is read",
                since.as_secs()
            ),
            LineEvent::SomebodyPolls => tracing::info!("line {line}: another master polls"),
            LineEvent::NotUnderstood { bytes } => tracing::error!(
                "line {line}: {bytes} bytes came and no frame among them: look at baud rate, parity and the pair's polarity"
            ),
            LineEvent::Read(_) | LineEvent::Fault { .. } | LineEvent::Doubtful { .. } | LineEvent::Timing { .. } => {}
        }
    }
}
