#![expect(clippy::float_cmp, reason = "exact by construction")]

use super::thin::thin;
use super::*;
use proptest::prelude::*;

fn plot(points: Vec<(f64, f64)>) -> Plot {
    Plot {
        title: "Flow & <loop>".to_owned(),
        description: "Three flows over a minute".to_owned(),
        x: Axis::time(),
        y: Axis::number("flow, L/s"),
        series: vec![Series { label: "bus".to_owned(), mark: Mark::Line, points }],
        stretches: vec![],
        bands: vec![],
    }
}

#[test]
fn ticks_stand_at_round_numbers_and_clock_times() {
    let labels = |axis: Axis, range| axis.ticks(range, 5).into_iter().map(|(_, label)| label).collect::<Vec<_>>();
    assert_eq!(labels(Axis::number(""), (-0.9, 4.2)), ["0", "2", "4"]);
    assert_eq!(labels(Axis::number(""), (0.0, 0.1)), ["0.00", "0.02", "0.04", "0.06", "0.08", "0.10"]);
    assert_eq!(labels(Axis::number(""), (-20.0, 20.0)), ["\u{2212}20", "\u{2212}10", "0", "10", "20"]);
    assert_eq!(labels(Axis::time(), (0.0, 3_600.0)), ["00:00", "00:30", "01:00"]);
    assert_eq!(labels(Axis::time(), (72_000.0, 108_000.0)), ["20:00", "22:00", "01-02", "02:00", "04:00", "06:00"]);
    assert_eq!(
        labels(Axis::number("").from_to(0.0, 50.0), Axis::number("").from_to(0.0, 50.0).room(7.0, 9.0)).len(),
        6
    );
    assert_eq!(labels(Axis::time(), (0.0, 40.0)), ["00:00:00", "00:00:10", "00:00:20", "00:00:30", "00:00:40"]);
}

#[test]
fn what_people_wrote_cannot_break_the_picture() {
    let figure = plot(vec![(0.0, 1.0), (1.0, f64::NAN), (2.0, 3.0)]).to_figure();
    assert!(figure.contains("<title>Flow &amp; &lt;loop&gt;</title>"), "{figure}");
    assert!(!figure.contains("NaN") && !figure.contains("inf"), "{figure}");
    assert!(figure.contains("<b>Flow &amp; &lt;loop&gt;</b>"), "{figure}");
    assert_eq!(figure.matches("class=\"line series-0\" d=\"M").count(), 2, "the line and its legend");
}

#[test]
fn a_plot_of_nothing_says_so() {
    assert!(plot(vec![]).to_figure().contains("no readings"));
}

proptest! {
    #[test]
    fn thinning_keeps_peaks_and_ends_and_bounds_the_size(ys in prop::collection::vec(-1e6..1e6_f64, 1..3000)) {
        #[expect(clippy::cast_precision_loss, reason = "a few thousand points")]
        let points: Vec<(f64, f64)> = ys.iter().enumerate().map(|(x, y)| (x as f64, *y)).collect();
        let kept = thin(&points, (0.0, 3000.0), 100);
        let peak = |points: &[(f64, f64)]| points.iter().map(|(_, y)| *y).fold(f64::NEG_INFINITY, f64::max);
        prop_assert_eq!(peak(&kept), peak(&points));
        prop_assert_eq!((kept.first(), kept.last()), (points.first(), points.last()));
        prop_assert!(kept.len() <= 505);
        prop_assert!(kept.is_sorted_by(|before, after| before.0 <= after.0));
    }

    #[test]
    fn any_numbers_make_a_picture(points in prop::collection::vec((any::<f64>(), any::<f64>()), 0..50)) {
        prop_assert!(plot(points).to_figure().ends_with("</svg></figure>"));
    }
}
