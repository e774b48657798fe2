//! The metrics to readers that no one here wrote: promtool for the older text format, the strict OpenMetrics parser of
//! prometheus-client (PyPI), and a scraper that stores them (promtool and the scraper are Debian's prometheus).

use std::io::Write;
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};

use crate::shed::{Shed, peer, wait_for};
use crate::web::get;

/// Prints each sample of an OpenMetrics text as `name{label=value,...}`; fails where the text breaks the format.
const PARSE: &str = "
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families
for family in text_string_to_metric_families(sys.stdin.read()):
    assert family.documentation and family.type != 'unknown', family.name
    assert not family.unit or family.name.endswith('_' + family.unit), family.name
    for sample in family.samples:
        print(sample.name + '{' + ','.join(f'{key}={value}' for key, value in sorted(sample.labels.items())) + '}')
";

#[test]
fn independent_readers_take_the_metrics() {
    let shed = Shed::new();
    let _daemon = shed.start();
    wait_for("counts of every device", || {
        get(shed.page, "/metrics", &[])
            .is_some_and(|answer| answer.body.matches("tallywell_device_replies_total{").count() == 5)
    });

    let plain = get(shed.page, "/metrics", &[]).unwrap();
    assert_eq!(plain.header("content-type"), "text/plain; version=0.0.4; charset=utf-8");
    let (took, said) = fed(Command::new("promtool").args(["check", "metrics"]), &plain.body);
    assert!(took && said.is_empty(), "promtool says: {said}\n{}", plain.body);

    let open = get(shed.page, "/metrics", &["Accept: application/openmetrics-text; version=1.0.0"]).unwrap();
    assert_eq!(open.header("content-type"), "application/openmetrics-text; version=1.0.0; charset=utf-8");
    assert!(open.body.ends_with("\n# EOF\n"));
    let (took, said) = fed(Command::new(peer("python3")).args(["-c", PARSE]), &open.body);
    assert!(took, "the parser says: {said}\n{}", open.body);
    for sample in [
        "tallywell_build_info{site=Kestrel Creek pump shed,version=",
        "tallywell_meter_readings_total{meter=bore-1}",
        "tallywell_meter_flow_cubic_meters_per_second{meter=booster,witness=loop}",
        "tallywell_meter_loop_current_amperes{meter=bore-2}",
        "tallywell_tally_verdict{between=total/pulse,meter=bore-1,tallywell_tally_verdict=disagree}",
        "tallywell_disagreements_total{between=flow/loop,meter=bore-1}",
        "tallywell_disagreements_open{between=total/pulse,meter=bore-1}",
        "tallywell_line_busy_seconds_total{line=shed}",
        "tallywell_device_faults_total{device=counter,kind=crc_errors,line=shed}",
        "tallywell_device_reply_latency_seconds{device=bore-1,line=shed,quantile=0.99}",
        "tallywell_store_up{}",
    ] {
        assert!(said.contains(sample), "{sample} is not among\n{said}");
    }
}

#[test]
fn a_scraper_stores_what_the_daemon_tells() {
    let shed = Shed::new();
    let _daemon = shed.start();
    let scraper = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let targets = format!("[{{targets: ['{}']}}]", shed.page);
    let config =
        format!("global: {{scrape_interval: 1s}}\nscrape_configs: [{{job_name: shed, static_configs: {targets}}}]\n");
    std::fs::write(shed.path("scraper.yml"), config).unwrap();
    let running = Command::new("prometheus")
        .args(["--config.file=scraper.yml", "--storage.tsdb.path=scraped", "--log.level=error"])
        .arg(format!("--web.listen-address={scraper}"))
        .current_dir(shed.path("."))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let _running = Ended(running.unwrap_or_else(|error| panic!("no prometheus ({error}): run tests/setup.sh")));

    let value = |query: &str| -> Option<f64> {
        let answer = get(scraper, &format!("/api/v1/query?query={query}"), &[])?;
        let answer: serde_json::Value = serde_json::from_str(&answer.body).ok()?;
        answer["data"]["result"][0]["value"][1].as_str()?.parse().ok()
    };
    wait_for("a scrape", || value("up") == Some(1.0));
    let flow = "tallywell_meter_flow_cubic_meters_per_second%7Bmeter=%22booster%22,witness=%22loop%22%7D";
    wait_for("the flow, which is 38 to 44 L/s in this shed", || {
        value(flow).is_some_and(|flow| (0.03..0.05).contains(&flow))
    });
    wait_for("a rate of readings, which are taken once a second", || {
        let rate = value("rate(tallywell_meter_readings_total%7Bmeter=%22bore-1%22%7D%5B10s%5D)");
        rate.is_some_and(|rate| (0.7..1.3).contains(&rate))
    });
}

/// A program that ends with the test.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Gives a program its input; whether it was content, and what it said.
fn fed(command: &mut Command, input: &str) -> (bool, String) {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{command:?} cannot be started ({error}): run tests/setup.sh"));
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8(said).unwrap())
}
