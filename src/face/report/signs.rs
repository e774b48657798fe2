//! Signs and names for verdicts and witnesses, the same wherever they are shown.

use tallywell_witness::tally::{Verdict, Witness};

/// A sign that needs no colour, and the word for it.
pub(in crate::face) const fn sign(verdict: Verdict) -> (&'static str, &'static str) {
    match verdict {
        Verdict::Agree => ("=", "agree"),
        Verdict::Disagree => ("\u{2260}", "disagree"),
        Verdict::Undecided => ("?", "undecided"),
    }
}

/// A witness's name for people.
pub(in crate::face) const fn witness_name(witness: Witness) -> &'static str {
    match witness {
        Witness::Flow => "flow register",
        Witness::Total => "total register",
        Witness::ReverseTotal => "reverse total",
        Witness::Loop => "loop current",
        Witness::Pulse => "pulses",
        Witness::ReceiverFlow => "receiver\u{2019}s flow",
        Witness::ReceiverTotal => "receiver\u{2019}s total",
    }
}
