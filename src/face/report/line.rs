//! The bus: how the devices answered.

use maud::{Markup, html};

use super::LineFigures;
use super::figures::{count, instant, number, percent};
use super::plots;

/// The timing of the lines that a meter hangs on.
pub(super) fn lines(lines: &[LineFigures]) -> Markup {
    html! {
        @if lines.is_empty() {
            p { "No timing was recorded in this time." }
        }
        @for line in lines {
            p {
                b { "Line " (line.name) } ", " (instant(line.span.0)) " to " (instant(line.span.1)) ": "
                (count(line.transactions)) " requests; " (percent(line.line_use)) " of the line\u{2019}s time in use."
                @if let Some(hint) = &line.hint { " Note: " (hint) "." }
            }
            div class="wide" role="region" aria-label={ "Timing of line " (line.name) } tabindex="0" {
                table {
                    thead {
                        tr {
                            th rowspan="2" { "Device" } th rowspan="2" class="n" { "Address" }
                            th rowspan="2" class="n" { "Replies" }
                            th colspan="4" class="n" { "Reply begins after, ms" }
                            th colspan="2" class="n" { "Asked late by, ms" }
                            th rowspan="2" { "Bad replies" }
                        }
                        tr {
                            th class="n" { "half" } th class="n" { "90 %" } th class="n" { "99 %" } th class="n" { "longest" }
                            th class="n" { "99 %" } th class="n" { "longest" }
                        }
                    }
                    tbody {
                        @for device in &line.devices {
                            tr {
                                td { (device.name) }
                                td class="n" { (device.address.map_or_else(|| "\u{2013}".to_owned(), |it| it.to_string())) }
                                td class="n" { (count(device.replies)) }
                                @for value in device.reply_ms.iter().chain(&device.lateness_ms) {
                                    td class="n" { (milliseconds(*value)) }
                                }
                                td {
                                    @if device.faults.is_empty() { "none" }
                                    @for (place, (name, times)) in device.faults.iter().enumerate() {
                                        @if place > 0 { ", " }
                                        (count(*times)) " " (name)
                                    }
                                }
                            }
                        }
                    }
                }
            }
            @if let Some(picture) = plots::of_line(line) { (picture) }
        }
    }
}

fn milliseconds(value: Option<f64>) -> String {
    value.map_or_else(|| "\u{2013}".to_owned(), |ms| number((ms * 10.0).round() / 10.0))
}
