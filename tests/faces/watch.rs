//! `watch`, with a daemon and without.

use std::io::{BufRead, BufReader};
use std::process::Stdio;

use serde_json::Value;

use crate::shed::Shed;

#[test]
fn watch_shows_the_state_of_a_running_daemon_only() {
    let shed = Shed::new();
    let nobody = shed.command(&["watch", "--once"]).output().unwrap();
    assert_eq!((nobody.status.code(), nobody.stdout.len()), (Some(2), 0), "{nobody:?}");
    let said = String::from_utf8(nobody.stderr).unwrap();
    assert!(said.contains("no daemon runs") && said.contains("tallywell run --config site.toml"), "{said}");

    let daemon = shed.start();
    let once = shed.command(&["watch", "--once"]).output().unwrap();
    assert_eq!(once.status.code(), Some(0), "{once:?}");
    let text = String::from_utf8(once.stdout).unwrap();
    assert!(text.is_ascii() && text.lines().all(|line| line.len() <= 80), "{text}");
    for words in
        ["Kestrel Creek pump shed", "bore-1 ", "bore-2 ", "booster ", "line shed: every device answers", "store: "]
    {
        assert!(text.contains(words), "{words:?} is not in\n{text}");
    }
    let json = shed.command(&["watch", "--once", "--format", "json"]).output().unwrap();
    let json: Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(json["meters"].as_array().unwrap().len(), 3, "{json}");

    // As a stream: a document a line, each later than the one before.
    let mut stream =
        shed.command(&["watch", "--format", "json", "--every", "500ms"]).stdout(Stdio::piped()).spawn().unwrap();
    let lines = BufReader::new(stream.stdout.take().unwrap()).lines();
    let times: Vec<String> = lines
        .take(3)
        .map(|line| serde_json::from_str::<Value>(&line.unwrap()).unwrap()["at"].as_str().unwrap().to_owned())
        .collect();
    stream.kill().unwrap();
    stream.wait().unwrap();
    assert!(times.len() == 3 && times.is_sorted_by(|before, after| before < after), "{times:?}");
    daemon.end();
}
