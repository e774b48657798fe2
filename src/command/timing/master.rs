//! What was heard of another master, in words: how it polls a line that is listened to, and that it asks where it must not.

use tallywell_witness::declared::Table;

use super::{millis, shortened, wrapped};
use crate::line::listen::master::{MasterReport, PollReport};
use crate::line::statistics::LineReport;

/// What is asked most seldom is left out of the table beyond so many rows.
const MOST_ROWS: usize = 40;

/// Adds what was heard; `held_back` where the adapter blurs the silences.
pub(super) fn add(text: &mut String, heard: &MasterReport, held_back: bool) {
    text.push_str("\nAnother master polls this line; nothing is sent.\n\n");
    text.push_str("asks for                             requests answered    every  jitter     max\n");
    let mut polls: Vec<&PollReport> = heard.polls.iter().collect();
    polls.sort_by_key(|poll| std::cmp::Reverse(poll.requests));
    let left_out = polls.len().saturating_sub(MOST_ROWS);
    polls.truncate(MOST_ROWS);
    polls.sort_by_key(|poll| (poll.address, poll.table, poll.start, poll.count));
    for poll in polls {
        text.push_str(&row(poll));
    }
    if left_out > 0 {
        text.push_str(&format!("... and {left_out} requests that come more seldom; `--format json` has them.\n"));
    }
    text.push_str("Times are in milliseconds; nine of ten periods lie within the jitter.\n");
    for sentence in sentences(heard, held_back) {
        text.push_str(&wrapped(&sentence));
    }
}

/// What somebody else asked on a line that this program polls.
pub(super) fn foreign(report: &LineReport) -> String {
    let heard = requests(report.foreign_requests);
    if report.two_masters {
        format!(
            "TWO MASTERS: {heard} of somebody else were heard on this line. RTU allows one: stop the other, or set \
             `mode = \"listen\"` and let it poll."
        )
    } else {
        format!("Heard: {heard} of somebody else, too few to tell from chance.")
    }
}

fn row(poll: &PollReport) -> String {
    let device = poll.device.clone().unwrap_or_else(|| format!("address {}", poll.address));
    let table = match poll.table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Input => "input",
        Table::Holding => "holding",
    };
    let last = u32::from(poll.start) + u32::from(poll.count) - 1;
    let stretch = if poll.count == 1 { poll.start.to_string() } else { format!("{}-{last}", poll.start) };
    #[expect(clippy::cast_precision_loss, reason = "a share of a count")]
    let answered = 100.0 * poll.answered as f64 / poll.requests.max(1) as f64;
    format!(
        "{:<14} {table:<8} {stretch:<12}{:>9} {answered:>6.1} % {} {} {}\n",
        shortened(&device, 14),
        poll.requests,
        millis(poll.every_ms.p50, 8),
        millis(poll.jitter_ms, 7),
        millis(poll.every_ms.max, 7),
    )
}

fn sentences(heard: &MasterReport, held_back: bool) -> Vec<String> {
    let count = |name: &str| heard.counts.get(name).copied().unwrap_or(0);
    let mut sentences = Vec::new();
    if let Some(waits) = heard.gives_up_after_ms.p50 {
        sentences.push(format!(
            "It waits {waits:.0} ms for a reply that does not come, and asked the same again {}.",
            times(count("retries"))
        ));
    } else if count("retries") > 0 {
        sentences.push(format!("It asked the same again after a bad reply {}.", times(count("retries"))));
    }
    if held_back {
        sentences.push("The silences before its requests cannot be told: this adapter holds bytes back.".to_owned());
    } else if let Some(shortest) = heard.shortest_silence_ms {
        let short = count("short_silences");
        let manners = if short == 0 {
            "none was certainly too short".to_owned()
        } else {
            format!(
                "{short} were certainly shorter than 3.5 characters, and devices may take request and reply for one frame"
            )
        };
        sentences.push(format!("Silence before its requests: the shortest at most {shortest:.2} ms; {manners}."));
    }
    if heard.two_masters {
        sentences.push(format!(
            "TWO MASTERS: {} came before the reply to the one before could have ended. RTU allows one: find the other, \
             and stop it.",
            requests(count("interruptions"))
        ));
    }
    let others: Vec<String> = [
        ("writes", "writing requests"),
        ("broadcasts", "requests to everybody"),
        ("other_requests", "requests of other functions"),
        ("unknown_frames", "frames of unknown functions"),
        ("orphan_replies", "replies to nothing that was heard"),
        ("doubtful_replies", "replies that may belong to an older request, and were not used"),
    ]
    .into_iter()
    .filter(|(name, _)| count(name) > 0)
    .map(|(name, words)| format!("{} {words}", count(name)))
    .collect();
    if !others.is_empty() {
        sentences.push(format!("Passed over: {}.", others.join(", ")));
    }
    sentences
}

fn times(count: u64) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

fn requests(count: u64) -> String {
    if count == 1 { "1 request".to_owned() } else { format!("{count} requests") }
}
