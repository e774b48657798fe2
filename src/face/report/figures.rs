//! Numbers and times as a printed page shows them.

use std::time::Duration;

use tallywell_witness::units::WallMillis;

use crate::record::format_instant;

/// A number to four significant figures, more where its whole part has more; thousands stand apart.
pub(in crate::face) fn number(value: f64) -> String {
    let magnitude = value.abs();
    let decimals = match magnitude {
        _ if !value.is_finite() => return value.to_string(),
        0.0 => 0,
        m if m >= 1000.0 => 0,
        m if m >= 100.0 => 1,
        m if m >= 10.0 => 2,
        m if m >= 1.0 => 3,
        m if m >= 0.001 => 4,
        _ => return format!("{value:.2e}").replace('-', "\u{2212}"),
    };
    let text = format!("{magnitude:.decimals$}");
    let (whole, part) = text.split_once('.').map_or((text.as_str(), ""), |(whole, part)| (whole, part));
    let part = part.trim_end_matches('0');
    let point = if part.is_empty() { "" } else { "." };
    let minus = if value < 0.0 { "\u{2212}" } else { "" };
    format!("{minus}{}{point}{part}", grouped(whole))
}

/// A number with its sign, also where it is more.
pub(in crate::face) fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", number(value)) } else { number(value) }
}

/// A whole number with its thousands apart.
pub(in crate::face) fn count(value: u64) -> String {
    grouped(&value.to_string())
}

/// A declared or measured share in per cent.
pub(in crate::face) fn percent(share: f64) -> String {
    format!("{} %", number((share * 1e6).round() / 1e4))
}

/// A probability in per cent, no finer than it can be meant.
pub(in crate::face) fn probability(share: f64) -> String {
    let percent = share * 100.0;
    match percent {
        p if p > 0.0 && p < 0.1 => "under 0.1 %".to_owned(),
        p if p < 100.0 && p > 99.9 => "over 99.9 %".to_owned(),
        p if (10.0..99.0).contains(&p) => format!("{p:.0} %"),
        p => format!("{} %", number((p * 10.0).round() / 10.0)),
    }
}

/// Narrow blanks between groups of three, from five digits on.
fn grouped(digits: &str) -> String {
    if digits.len() < 5 {
        return digits.to_owned();
    }
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// An instant: UTC, to the second.
pub(in crate::face) fn instant(instant: WallMillis) -> String {
    let text = format_instant(instant);
    format!("{} {}Z", &text[..10], &text[11..19])
}

/// So many seconds in their two largest units.
pub(in crate::face) fn lasting(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 60.0 {
        return format!("{} s", number((seconds * 10.0).round() / 10.0));
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and a cast saturates")]
    let seconds = seconds.round() as u64;
    let (days, hours, minutes) = (seconds / 86_400, seconds / 3_600 % 24, seconds / 60 % 60);
    match (days, hours) {
        (0, 0) => joined(minutes, "min", seconds % 60, "s"),
        (0, _) => joined(hours, "h", minutes, "min"),
        _ => joined(days, "d", hours, "h"),
    }
}

fn joined(large: u64, of_large: &str, small: u64, of_small: &str) -> String {
    if small == 0 { format!("{large} {of_large}") } else { format!("{large} {of_large} {small} {of_small}") }
}

/// A declared time: `60 ms`, `1 s`.
pub(in crate::face) fn time(duration: Duration) -> String {
    if duration.is_zero() {
        return "as fast as the line allows".to_owned();
    }
    let seconds = duration.as_secs_f64();
    if seconds < 1.0 { format!("{} ms", number(seconds * 1000.0)) } else { lasting(seconds) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_well() {
        let all = [0.0, 36.0, 0.7407, 12.345_678, 123_456.7, -1234.0, 1e-5].map(number);
        assert_eq!(all, ["0", "36", "0.7407", "12.35", "123\u{202f}457", "\u{2212}1234", "1.00e\u{2212}5"]);
        assert_eq!([signed(2.5), signed(-2.5)], ["+2.5", "\u{2212}2.5"]);
        assert_eq!([0.0025, 0.001, 0.0005, 0.4567].map(percent), ["0.25 %", "0.1 %", "0.05 %", "45.67 %"]);
        let shares = [0.0, 0.0004, 0.034, 0.974, 0.995, 0.9999, 1.0].map(probability);
        assert_eq!(shares, ["0 %", "under 0.1 %", "3.4 %", "97 %", "99.5 %", "over 99.9 %", "100 %"]);
        assert_eq!([12.34, 3_600.0, 90_061.0].map(lasting), ["12.3 s", "1 h", "1 d 1 h"]);
    }
}
