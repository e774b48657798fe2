//! The pictures: three flows over time, the running difference in pulses, the current against the flow, the bus.

use maud::{Markup, PreEscaped, html};
use tallywell_witness::cause::Explanation;
use tallywell_witness::units::{LitresPerSecond, WallMillis};

use super::columns::seconds;
use super::figures::{instant, number};
use super::{LineFigures, Report};
use crate::face::plot::{Axis, Band, Mark, Plot, Series, Stretch};

/// The pictures of a meter's readings.
pub(in crate::face) fn of_readings(report: &Report<'_>) -> Markup {
    let plots = [flows(report), difference(report), current(report)];
    html! { @for plot in plots.into_iter().flatten() { (PreEscaped(plot.to_figure())) } }
}

fn series(label: impl Into<String>, mark: Mark, points: Vec<(f64, f64)>) -> Series {
    Series { label: label.into(), mark, points }
}

fn time_axis(report: &Report<'_>) -> Axis {
    let (from, to) = report.seen.range;
    #[expect(clippy::cast_possible_truncation, reason = "seconds of civil time; a cast saturates")]
    let begin = WallMillis((from * 1000.0) as i64);
    let axis = Axis::time().from_to(from, to);
    Axis { label: format!("time (UTC), from {}", instant(begin)), ..axis }
}

/// Disagreements and maintenance, shaded.
fn stretches(report: &Report<'_>) -> Vec<Stretch> {
    let end = report.span.1;
    let shade = |from: WallMillis, to: Option<WallMillis>, class, label| Stretch {
        x: (seconds(from), seconds(to.unwrap_or(end))),
        class,
        label,
    };
    let disagreements = report.disagreements.iter().map(|logged| {
        let it = &logged.disagreement;
        let label = format!("disagreement {}", it.between.words().join("/"));
        shade(it.began.wall, it.closed.map(|closed| closed.wall), "disagreement", label)
    });
    let maintenance =
        report.maintenance.iter().map(|(from, to)| shade(*from, *to, "maintenance", "maintenance".to_owned()));
    disagreements.chain(maintenance).collect()
}

fn flows(report: &Report<'_>) -> Option<Plot> {
    let seen = &report.seen;
    let all = [
        series("flow register", Mark::Line, seen.bus_flow.clone()),
        series("loop current as the receiver takes it", Mark::Line, seen.loop_flow.clone()),
        series("pulses \u{d7} volume, averaged", Mark::Line, seen.pulse_flow.clone()),
    ];
    let drawn: Vec<&str> =
        all.iter().filter(|series| !series.points.is_empty()).map(|series| series.label.as_str()).collect();
    (!drawn.is_empty()).then(|| Plot {
        title: "Flow, as each witness tells it".to_owned(),
        description: format!("Over time, in litres per second: {}", drawn.join(", ")),
        x: time_axis(report),
        y: Axis::number("L/s"),
        series: all.to_vec(),
        stretches: stretches(report),
        bands: Vec::new(),
    })
}

fn difference(report: &Report<'_>) -> Option<Plot> {
    let seen = &report.seen;
    let (_, last) = seen.difference.last()?;
    let mirrored = seen.let_pass.iter().map(|(x, y)| (*x, -y)).collect();
    Some(Plot {
        title: "Pulses counted, less pulses that the total asks for".to_owned(),
        description: format!("Over time, in pulses since the first reading; {} at the end", number(*last)),
        x: time_axis(report),
        y: Axis::number("pulses"),
        series: vec![
            series("running difference", Mark::Line, seen.difference.clone()),
            series("let pass, more", Mark::Line, seen.let_pass.clone()),
            series("let pass, less", Mark::Line, mirrored),
        ],
        stretches: stretches(report),
        bands: Vec::new(),
    })
}

fn current(report: &Report<'_>) -> Option<Plot> {
    let declared = report.facts.meter.current_loop.as_ref()?;
    if report.seen.cloud.is_empty() {
        return None;
    }
    let flows = report.seen.cloud.iter().map(|(flow, _)| *flow);
    let (low, high) =
        flows.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), flow| (low.min(flow), high.max(flow)));
    // The line is drawn a little beyond what was seen, and at least from nought.
    let (low, high) = (low.min(0.0), (high + 0.06 * (high - low)).max(0.1 * declared.full_scale.0));
    let (least, most) = (declared.saturates.0.0, declared.saturates.1.0);
    let line = |full_scale: f64| -> Vec<(f64, f64)> {
        let span = full_scale - declared.at_4_ma.0;
        let current = |flow: f64| (4.0 + 16.0 * (flow - declared.at_4_ma.0) / span).clamp(least, most);
        let flow = |current: f64| declared.at_4_ma.0 + (current - 4.0) / 16.0 * span;
        let bends = [flow(least), flow(most)].into_iter().filter(|bend| low < *bend && *bend < high);
        let mut flows: Vec<f64> = [low, high].into_iter().chain(bends).collect();
        flows.sort_by(f64::total_cmp);
        flows.into_iter().map(|flow| (flow, current(flow))).collect()
    };
    let mut all = vec![
        series("readings", Mark::Dots, report.seen.cloud.clone()),
        series(
            format!("as declared: 20 mA is {} L/s", number(declared.full_scale.0)),
            Mark::Line,
            line(declared.full_scale.0),
        ),
    ];
    if let Some(implied) = report.explanation.and_then(implied_full_scale) {
        all.push(series(
            format!("as the meter seems to be set: 20 mA is {} L/s", number(implied.0)),
            Mark::Line,
            line(implied.0),
        ));
    }
    let (fault_low, fault_high) = declared.fault;
    let seen_fault = report.seen.cloud.iter().any(|(_, current)| *current <= fault_low.0 || *current >= fault_high.0);
    let bands = if seen_fault {
        vec![
            Band { y: (0.0, fault_low.0), label: "no flow: fault signal or open loop".to_owned() },
            Band { y: (fault_high.0, 22.5), label: String::new() },
        ]
    } else {
        Vec::new()
    };
    Some(Plot {
        title: "Loop current against bus flow".to_owned(),
        description: "Each dot is what was read at one moment; while the flow changes, dots stray from the line"
            .to_owned(),
        x: Axis::number("flow register, L/s").from_to(low, high),
        y: Axis::number("mA"),
        series: all,
        stretches: Vec::new(),
        bands,
    })
}

fn implied_full_scale(explanation: &Explanation) -> Option<LitresPerSecond> {
    Some(LitresPerSecond(explanation.main()?.parameters.implied_full_scale_l_s?))
}

/// How soon the devices of a line answer.
pub(super) fn of_line(line: &LineFigures) -> Option<Markup> {
    let curves: Vec<_> = line.devices.iter().filter(|device| !device.reply_curve.is_empty()).take(5).collect();
    let slowest = curves.iter().filter_map(|device| device.reply_ms[2]).fold(0.0, f64::max);
    if curves.is_empty() || slowest <= 0.0 {
        return None;
    }
    let plot = Plot {
        title: format!("Line {}: how soon replies begin", line.name),
        description: "The share of replies that had begun so many milliseconds after the end of the request".to_owned(),
        x: Axis::number("ms after the end of the request").from_to(0.0, slowest * 1.15),
        y: Axis::number("% of replies").from_to(0.0, 100.0),
        series: curves
            .into_iter()
            .map(|device| {
                let within = device.reply_curve.iter().copied().filter(|(ms, _)| *ms <= slowest * 1.15).collect();
                series(device.name.clone(), Mark::Line, within)
            })
            .collect(),
        stretches: Vec::new(),
        bands: Vec::new(),
    };
    Some(PreEscaped(plot.to_figure()))
}
