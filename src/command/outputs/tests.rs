use clap::Parser;
use proptest::prelude::*;

use super::*;

#[derive(Parser)]
struct OnlyThis {
    #[command(flatten)]
    arguments: Arguments,
}

fn parsed(words: &str) -> Result<Arguments, clap::Error> {
    let words = words.split('|').map(str::trim).filter(|word| !word.is_empty());
    OnlyThis::try_parse_from(std::iter::once("outputs").chain(words)).map(|parsed| parsed.arguments)
}

fn shown(words: &str) -> String {
    text::of(&answer(&parsed(words).unwrap()).unwrap())
}

#[test]
fn choices_are_shown_with_what_they_cost() {
    let text = shown("--bore|100 mm|--smallest|3 L/s|--usual|12 L/s|--largest|28 L/s");
    insta::assert_snapshot!(text);
}

#[test]
fn what_is_set_now_is_judged() {
    let text = shown(
        "--bore|100 mm|--smallest|10 m3/h|--usual|43 m3/h|--largest|100 m3/h|--resolution|1 %\
         |--full-scale|500 L/s|--pulse-volume|1 L|--on-time|60ms\
         |--supply|24|--burden|500|--cable|600 m|--pull-up|4700|--devices|30",
    );
    insta::assert_snapshot!(text);
}

#[test]
fn a_site_file_says_what_is_set_now() {
    let site = concat!(env!("CARGO_MANIFEST_DIR"), "/config/kestrel-creek.toml");
    let words =
        format!("--bore|150 mm|--smallest|3 L/s|--usual|12 L/s|--largest|28 L/s|--config|{site}|--meter|bore-1");
    let answer = answer(&parsed(&words).unwrap()).unwrap();
    assert!(answer.question.present.full_scale.is_some() && answer.question.present.pulse_volume.is_some());
}

#[test]
fn programs_get_the_same_figures() {
    let words = "--bore|100 mm|--smallest|3 L/s|--usual|12 L/s|--largest|28 L/s|--pulse-volume|1 L|--on-time|60ms";
    let json = as_json(&answer(&parsed(words).unwrap()).unwrap());
    assert_eq!(json["full_scales"][1]["role"], "recommended");
    assert_eq!(json["full_scales"][1]["full_scale_l_s"], 40.0);
    assert_eq!(json["cautions"][0]["concern"], "pulses-cannot-carry");
    assert!(json["safety"].as_array().is_some_and(|safety| !safety.is_empty()));
}

#[test]
fn senseless_questions_are_refused_with_what_to_write() {
    let refused = |words: &str| match parsed(words) {
        Err(error) => error.to_string().lines().next().unwrap_or_default().to_owned(),
        Ok(arguments) => answer(&arguments).err().unwrap().to_string(),
    };
    let said = [
        refused("--bore|100 mm|--smallest|3|--usual|12 L/s|--largest|28 L/s"),
        refused("--bore|0 mm|--smallest|3 L/s|--usual|12 L/s|--largest|28 L/s"),
        refused("--bore|100 L|--smallest|3 L/s|--usual|12 L/s|--largest|28 L/s"),
        refused("--bore|100 mm|--smallest|30 L/s|--usual|12 L/s|--largest|28 L/s"),
        refused("--bore|1e-300 mm|--smallest|3 L/s|--usual|12 L/s|--largest|28 L/s"),
        refused("--bore|100 mm|--smallest|3 L/s|--usual|12 L/s|--largest|1e300 L/s"),
        refused("--bore|100 mm|--smallest|3 L/s|--usual|12 L/s|--largest|28 m3/s"),
    ];
    insta::assert_snapshot!(said.join("\n"), @r"
    error: invalid value '3' for '--smallest <FLOW>': `3` has no unit: write it as in `3 L/s`
    error: invalid value '0 mm' for '--bore <LENGTH>': `0 mm` must be above zero
    error: invalid value '100 L' for '--bore <LENGTH>': 100 L is a volume; a length is wanted: write it as in `100 mm`
    the flows are out of order: smallest 30 L/s, usual 12 L/s, largest 28 L/s; give --smallest, --usual and --largest so that each is at least the one before
    error: invalid value '1e-300 mm' for '--bore <LENGTH>': `1e-300 mm` is no pipe's inner diameter: write 1 mm to 20 m
    error: invalid value '1e300 L/s' for '--largest <FLOW>': `1e300 L/s` is no flow of any pipe
    28000 L/s through 100 mm would be 3565 m/s: one of the two is in another unit than it was meant in
    ");
}

proptest! {
    /// Whatever the pipe, the report fits a terminal of 80 columns.
    #[test]
    fn everything_fits_80_columns(
        bore in 10.0_f64..2000.0,
        fastest_m_s in -4.0_f64..2.0,
        shares in (0.001_f64..1.0, 0.001_f64..1.0),
        volume in -2.0_f64..4.0,
    ) {
        let largest = 10_f64.powf(fastest_m_s) * std::f64::consts::PI * (bore / 1000.0).powi(2) / 4.0 * 1000.0;
        // No less than what is taken for a flow at all.
        let [largest, usual, smallest] =
            [largest, largest * shares.0, largest * shares.0 * shares.1].map(|flow| flow.max(2.0 * FLOWS_L_S.start()));
        let volume = 10_f64.powf(volume);
        let text = shown(&format!(
            "--bore|{bore} mm|--smallest|{smallest} L/s|--usual|{usual} L/s|--largest|{largest} L/s\
             |--pulse-volume|{volume} L|--on-time|50ms|--full-scale|{} L/s|--devices|200",
            4.0 * largest
        ));
        for line in text.lines() {
            prop_assert!(line.chars().count() <= 80, "{line}");
        }
    }
}
