//! `tallywell check`, run as people run it: what it prints, and with which status it ends.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use std::path::Path;
use std::process::{Command, Output};

const MAP: &str = r#"
[entry.flow_rate]
table = "holding"
address = 0
type = "f32"
unit = "L/s"

[entry.total]
table = "holding"
address = 8
type = "u32"
unit = "L"
"#;

/// A site of five devices on one line, each read so often.
fn site(baud: u32, every: &str) -> String {
    let mut text = format!("site = \"Shed\"\n[line.shed]\nport = \"/dev/ttyUSB0\"\nbaud = {baud}\n");
    for address in 1..=5 {
        text.push_str(&format!(
            "[device.meter-{address}]\nline = \"shed\"\naddress = {address}\nmap = \"map.toml\"\nevery = \"{every}\"\n\
             [meter.meter-{address}]\nflow = \"meter-{address}.flow_rate\"\ntotal = \"meter-{address}.total\"\n"
        ));
    }
    text
}

fn check(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallywell")).arg("check").args(arguments).current_dir(folder).output().unwrap()
}

fn written(site: &str, map: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("shed.toml"), site).unwrap();
    std::fs::write(folder.path().join("map.toml"), map).unwrap();
    folder
}

fn text(bytes: Vec<u8>) -> String {
    String::from_utf8(bytes).unwrap()
}

#[test]
fn the_shipped_site_gets_a_plan_that_fits_a_terminal() {
    let output = check(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config"), &["--config", "kestrel-creek.toml"]);
    assert_eq!(output.status.code(), Some(0));
    let plan = text(output.stdout);
    assert!(plan.lines().all(|line| line.chars().count() <= 80), "{plan}");
    insta::assert_snapshot!(plan);
}

#[test]
fn a_line_that_cannot_carry_its_load_is_a_bad_answer_with_a_way_out() {
    let folder = written(&site(9600, "250ms"), MAP);
    let output = check(folder.path(), &["--config", "shed.toml"]);
    assert_eq!(output.status.code(), Some(1));
    let plan = text(output.stdout);
    let load = plan.split_once("  In use").map(|(_, load)| load).unwrap();
    insta::assert_snapshot!(format!("  In use{load}"));

    let output = check(folder.path(), &["--config", "shed.toml", "--format", "json"]);
    assert_eq!(output.status.code(), Some(1));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["lines"][0]["fits"], false);
    let offered = json["lines"][0]["would_fit"].as_array().unwrap();
    assert!(!offered.is_empty());

    // What is offered has to hold when it is taken.
    let baud = offered.iter().find_map(|remedy| remedy["baud"].as_u64()).unwrap();
    let folder = written(&site(baud.try_into().unwrap(), "250ms"), MAP);
    assert_eq!(check(folder.path(), &["--config", "shed.toml"]).status.code(), Some(0));
}

/// A full scale far above the high limit, pulses shorter than receivers are held to see, a counter that is soon full.
#[test]
fn outputs_that_will_not_do_well_are_cautions() {
    let map = "[entry.current]\ntable = \"input\"\naddress = 0\ntype = \"u16\"\nunit = \"mA\"\nscale = 0.001\n\
               [entry.count]\ntable = \"input\"\naddress = 1\ntype = \"u16\"\n";
    let site = "site = \"Shed\"\n[line.shed]\nport = \"/dev/ttyUSB0\"\n\
                [device.inputs]\nline = \"shed\"\naddress = 1\nmap = \"map.toml\"\nevery = \"1s\"\n\
                [meter.bore.loop]\ncurrent = \"inputs.current\"\nfull_scale = \"100 L/s\"\naccuracy = \"0.5 %\"\n\
                [meter.bore.pulse]\ncount = \"inputs.count\"\nvolume = \"5 L\"\non_time = \"20ms\"\n\
                [meter.bore.limits]\nhigh = \"25 L/s\"\n";
    let folder = written(site, map);
    let output = check(folder.path(), &["--config", "shed.toml"]);
    let plan = text(output.stdout);
    let meter = plan.split("\n\n").find(|paragraph| paragraph.starts_with("Meter bore")).unwrap();
    insta::assert_snapshot!(meter, @r"
    Meter bore
      loop   inputs.current: 4 mA is 0 L/s, 20 mA is 100 L/s
      pulse  inputs.count: 5 L each, up to 125 L/s
      caution: 20 mA at 100 L/s is 4 times the high limit: it never passes 8 mA; 40
      L/s, set in meter and receiver, would make every error of the loop smaller
      caution: the input's accuracy, 0.5 % of span, is coarser than tolerance.flow,
      0.25 %; what accuracy explains is let pass: the tolerance decides nothing;
      state the better of the two
      caution: the pulse counter begins again every 0.91 h at full scale; an
      interruption of more than half of that loses a whole turn; count with 32 bits
      if the module can
      caution: pulses of 20 ms; receivers are only held to see 30 ms; make sure
      that the receiver's filter lets them through, or lengthen them
    ");

    let output = check(folder.path(), &["--config", "shed.toml", "--format", "json"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["outputs"][0]["meter"], "bore");
    assert_eq!(json["outputs"][0]["cautions"].as_array().unwrap().len(), 4);
}

#[test]
fn bad_files_end_with_status_2_and_say_it_on_standard_error_alone() {
    let folder = written(&site(9600, "1"), MAP);
    let output = check(folder.path(), &["--config", "shed.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    let report = text(output.stderr);
    assert!(report.starts_with("error: `1` has no unit\n --> shed.toml:9:9\n"), "{report}");
    assert!(report.ends_with("5 errors\n"), "{report}");

    let output = check(folder.path(), &["--config", "shed.toml", "--format", "json"]);
    assert_eq!(output.status.code(), Some(2));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["errors"].as_array().unwrap().len(), 5);
    assert_eq!((&json["errors"][0]["line"], &json["errors"][0]["column"]), (&9.into(), &9.into()));

    let output = check(folder.path(), &["--config", "sched.toml"]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(text(output.stderr), @r"
    error: cannot read the site file sched.toml: there is no such file
    help: name a site file with `--config SITE.toml`
    ");

    // What never ends is not read for ever.
    let output = check(folder.path(), &["--config", "/dev/zero"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        text(output.stderr).starts_with("error: cannot read the site file /dev/zero: it does not end within 16 MiB")
    );
    let endless = site(9600, "1s").replace("map.toml", "/dev/zero") + "[store]\nlargest = \"1 B\"\n";
    std::fs::write(folder.path().join("endless.toml"), endless).unwrap();
    let report = text(check(folder.path(), &["--config", "endless.toml"]).stderr);
    assert!(report.contains("error: cannot read the register map: it does not end within 16 MiB"), "{report}");
    assert!(report.contains("write `largest = \"4 MiB\"` or more"), "{report}");
}

#[test]
fn what_the_disk_shows_is_a_caution_at_its_place() {
    use std::os::unix::fs::PermissionsExt;
    let site = site(19_200, "1s")
        + "[store]\npath = \"gone/readings.db\"\n[notice]\nrun = [\"/no/such/program\"]\n\
           [broker]\nurl = \"mqtt://broker:1883\"\npassword_file = \"secret\"\nca_file = \"ca.pem\"\n";
    let folder = written(&site.replace("/dev/ttyUSB0", "ttyUSB0"), MAP);
    // As the device manager names an adapter: by a number, and by what it is.
    std::fs::create_dir_all(folder.path().join("serial/by-id")).unwrap();
    std::fs::write(folder.path().join("ttyUSB0"), "").unwrap();
    std::os::unix::fs::symlink("../../ttyUSB0", folder.path().join("serial/by-id/usb-rs485")).unwrap();
    let mode = |name: &str, mode| {
        let path = folder.path().join(name);
        std::fs::write(&path, std::fs::read(&path).unwrap_or_default()).unwrap();
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    mode("secret", 0o644);
    mode("map.toml", 0o666);
    let output = check(folder.path(), &["--config", "shed.toml", "--format", "json"]);
    assert_eq!(output.status.code(), Some(0));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let cautions = json["cautions"].as_array().unwrap().iter();
    let said: Vec<String> = cautions
        .map(|caution| format!("{} {} ({})", caution["line"], caution["message"], caution["instead"]))
        .collect();
    insta::assert_snapshot!(said.join("\n"));
}

#[test]
fn the_shipped_schemas_are_those_of_this_program() {
    for kind in ["site", "map"] {
        let output = Command::new(env!("CARGO_BIN_EXE_tallywell")).args(["schema", kind]).output().unwrap();
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/schema/{kind}.schema.json"));
        let shipped = std::fs::read_to_string(&path).unwrap_or_default();
        assert_eq!(text(output.stdout), shipped, "write it anew: tallywell schema {kind} > {}", path.display());
    }
}
