//! Tables as customers send them: each is read with a note, or refused with its line and the reason.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use serde_json::Value;

use super::explain;

const SITE: &str = r#"
site = "Shed"
[line.shed]
port = "/dev/ttyUSB0"
[device.meter]
line = "shed"
address = 1
map = "map.toml"
every = "10s"
[meter.bore]
flow = "meter.flow"
total = "meter.total"
refresh = "1s"
[meter.bore.loop]
current = "meter.current"
full_scale = "20 L/s"
[meter.bore.pulse]
count = "meter.count"
volume = "10 L"
on_time = "50ms"
"#;

const MAP: &str = r#"
[entry.flow]
table = "holding"
address = 0
type = "f32"
unit = "L/s"
[entry.total]
table = "holding"
address = 2
type = "u32"
unit = "L"
scale = 0.1
[entry.current]
table = "input"
address = 0
type = "u16"
unit = "mA"
scale = 0.001
[entry.count]
table = "input"
address = 2
type = "u32"
"#;

/// One reading of a sound meter.
struct Row {
    second: u32,
    flow: f64,
    total: f64,
    current: f64,
    pulses: u32,
}

/// An hour and a half of a sound meter: some minutes of each of four flows in turn.
fn rows() -> Vec<Row> {
    let flow_at = |second: u32| [4.0, 9.5, 15.0, 12.0][second as usize / 400 % 4];
    let mut litres = 3.0;
    (0..540)
        .map(|place| {
            let second = place * 10;
            let flow: f64 = flow_at(second);
            let row = Row {
                second,
                flow,
                total: 1000.0 + litres,
                current: 4.0 + 16.0 * flow / 20.0,
                pulses: (litres / 10.0) as u32,
            };
            litres += 10.0 * flow;
            row
        })
        .collect()
}

fn clock(second: u32) -> String {
    format!("{:02}:{:02}:{:02}", 6 + second / 3600, second / 60 % 60, second % 60)
}

fn plain_line(row: &Row) -> String {
    let Row { second, flow, total, current, pulses } = row;
    format!("2026-03-01T{}.000Z,{flow},{total:.1},{current:.3},{pulses},ok", clock(*second))
}

fn plain() -> Vec<String> {
    let header = "time,flow,total,loop_ma,pulses,status".to_owned();
    std::iter::once(header).chain(rows().iter().map(plain_line)).collect()
}

fn joined(lines: &[String], end: &str) -> String {
    lines.iter().fold(String::new(), |mut text, line| {
        write!(text, "{line}{end}").unwrap();
        text
    })
}

/// What the program makes of a table: exit status, answer, what it says beside it.
struct Made {
    status: Option<i32>,
    answer: Option<Value>,
    said: String,
}

fn made_of(table: &[u8]) -> Made {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &[u8]| fs::write(Path::new(folder.path()).join(name), text).unwrap();
    write("site.toml", SITE.as_bytes());
    write("map.toml", MAP.as_bytes());
    write("bore.csv", table);
    let output = explain(folder.path(), "bore", &["bore.csv".to_owned()]);
    Made {
        status: output.status.code(),
        answer: serde_json::from_slice(&output.stdout).ok(),
        said: String::from_utf8(output.stderr).unwrap(),
    }
}

/// The figures that must not depend on how a table is written.
fn figures(answer: &Value) -> Vec<Value> {
    let of_tally =
        |tally: &Value| [&tally["between"], &tally["verdict"], &tally["ratio"], &tally["difference"]].map(Value::clone);
    let mut figures = vec![answer["verdict"].clone(), answer["from"].clone(), answer["to"].clone()];
    figures.extend(answer["tallies"].as_array().unwrap().iter().flat_map(of_tally));
    figures
}

/// The table says the same as the plain one, and what is unusual about it is said.
fn reads_the_same(table: &str, note: &str) {
    let plain = made_of(joined(&plain(), "\n").as_bytes());
    let made = made_of(table.as_bytes());
    assert_eq!((plain.status, made.status), (Some(0), Some(0)), "{}", made.said);
    assert_eq!(figures(&made.answer.unwrap()), figures(&plain.answer.unwrap()), "{}", made.said);
    assert!(made.said.contains(note), "`{note}` is not said:\n{}", made.said);
}

/// The table agrees all the same, and what was left out or passed over is said.
fn agrees_with_a_note(table: &str, note: &str) {
    let made = made_of(table.as_bytes());
    assert_eq!(made.status, Some(0), "{}", made.said);
    assert_eq!(made.answer.unwrap()["verdict"], "agree", "{}", made.said);
    assert!(made.said.contains(note), "`{note}` is not said:\n{}", made.said);
}

/// The table is refused with one error and no answer.
fn is_refused(table: &[u8], reason: &str) {
    let made = made_of(table);
    assert_eq!((made.status, made.answer), (Some(2), None), "{}", made.said);
    assert!(made.said.contains(reason), "`{reason}` is not said:\n{}", made.said);
    assert_eq!(made.said.matches("error").count(), 1, "{}", made.said);
}

#[test]
fn a_plain_table_agrees_and_nothing_is_said_of_it() {
    let made = made_of(joined(&plain(), "\n").as_bytes());
    assert_eq!((made.status, made.said.as_str()), (Some(0), ""));
    assert_eq!(made.answer.unwrap()["verdict"], "agree");
}

#[test]
fn columns_stand_in_another_order_with_others_between() {
    let lines: Vec<String> = std::iter::once("operator,pulses,loop_ma,time,total,remark,flow".to_owned())
        .chain(rows().iter().map(|row| {
            let Row { second, flow, total, current, pulses } = row;
            format!("K,{pulses},{current:.3},2026-03-01T{}Z,{total:.1},,{flow}", clock(*second))
        }))
        .collect();
    reads_the_same(&joined(&lines, "\n"), "`operator` is not known");
}

#[test]
fn decimal_commas_between_semicolons() {
    let lines: Vec<String> = plain().iter().map(|line| line.replace(',', ";").replace('.', ",")).collect();
    let times: Vec<String> = lines.iter().map(|line| line.replacen(",000Z", ".000Z", 1)).collect();
    reads_the_same(&joined(&times, "\n"), "separated by semicolons");
}

#[test]
fn local_times_with_their_offset() {
    let lines: Vec<String> = plain()
        .iter()
        .map(|line| {
            let hour = |of: u32| (format!("T{of:02}:"), format!("T{:02}:", of + 9));
            [6, 7]
                .into_iter()
                .map(hour)
                .fold(line.clone(), |line, (utc, local)| line.replace(&utc, &local))
                .replace(".000Z", ".000+09:00")
        })
        .collect();
    reads_the_same(&joined(&lines, "\n"), "offset from UTC");
}

#[test]
fn a_byte_order_mark_line_ends_of_two_bytes_and_blank_lines() {
    let mut lines = plain();
    lines.insert(100, String::new());
    lines.insert(300, "   ".to_owned());
    reads_the_same(&format!("\u{feff}{}", joined(&lines, "\r\n")), "blank line");
}

#[test]
fn cells_in_quotes() {
    let lines: Vec<String> = plain()
        .iter()
        .map(|line| line.split(',').map(|cell| format!("\"{cell}\"")).collect::<Vec<_>>().join(","))
        .collect();
    reads_the_same(&joined(&lines, "\n"), "");
}

#[test]
fn a_row_that_stands_twice_is_counted_once() {
    let mut lines = plain();
    lines.insert(101, lines[100].clone());
    reads_the_same(&joined(&lines, "\n"), "line 102: the same as the row before it; counted once");
}

#[test]
fn a_time_with_two_stories_keeps_the_first() {
    let mut lines = plain();
    lines.insert(101, lines[100].replacen(",", ",7", 1));
    reads_the_same(&joined(&lines, "\n"), "left out: line 102: has the same time as the row before it");
}

#[test]
fn a_row_out_of_its_order_is_left_out() {
    let mut lines = plain();
    let late = lines.remove(100);
    lines.insert(102, late);
    agrees_with_a_note(&joined(&lines, "\n"), "left out: line 103: its time");
}

#[test]
fn missing_cells_are_missed_readings() {
    let lines: Vec<String> = plain()
        .iter()
        .enumerate()
        .map(|(place, line)| {
            let mut cells: Vec<&str> = line.split(',').collect();
            if place > 0 && place % 7 == 0 {
                cells[1 + place / 7 % 4] = "";
            }
            cells.join(",")
        })
        .collect();
    agrees_with_a_note(&joined(&lines, "\n"), "");
}

#[test]
fn a_spoilt_cell_costs_its_row_and_is_told_with_its_place() {
    let mut lines = plain();
    lines[200] = lines[200].replacen(",", ",about ", 1);
    agrees_with_a_note(&joined(&lines, "\n"), "left out: line 201, column flow:");
    let mut short = plain();
    short[200] = "2026-03-01T06:33:10.000Z,4".to_owned();
    agrees_with_a_note(&joined(&short, "\n"), "left out: line 201: has 2 cells where the header has 6");
}

#[test]
fn what_is_no_table_of_readings_is_refused() {
    is_refused(b"", "the file is empty");
    is_refused(b"a,b,c\n1,2,3\n", "no column is named `time`");
    is_refused(b"time,flow,flow\n", "two columns are named `flow`");
    is_refused(b"time,status\n2026-03-01T00:00:00Z,ok\n", "no column holds a value");
    is_refused(b"\xFF\xFEt\0i\0m\0e\0", "UTF-16");
    is_refused(b"time,flow,total,loop_ma,pulses,status\n", "no reading could be used");
    is_refused(b"time,flow,total,loop_ma,pulses,status\nnoon,1,2,3,4,ok\n", "no reading could be used");
    let table = |row: &str| format!("time,flow,total,loop_ma,pulses,status\n{}", row.repeat(7));
    let spoilt = made_of(table("2026-03-01T00:00:00Z,fast,2,3,4,ok\n").as_bytes()).said;
    let lines: Vec<&str> = spoilt.lines().collect();
    assert!(lines[0].ends_with("no reading could be used") && lines.len() == 7, "{spoilt}");
    assert!(
        lines[1].starts_with("  bore.csv: left out: line 2, column flow: ") && lines[1].contains("fast"),
        "{spoilt}"
    );
    assert_eq!(lines[6], "  bore.csv: 7 rows were left out in all");
}

/// `24h` counts back from now, and a file's readings are of whatever time they are.
#[test]
fn the_time_asked_for_of_a_table_is_written_as_times() {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in [("site.toml", SITE), ("map.toml", MAP), ("bore.csv", &joined(&plain(), "\n"))] {
        fs::write(folder.path().join(name), text).unwrap();
    }
    let explained = |from: &str| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_tallywell"));
        command.args(["explain", "--config", "site.toml", "--meter", "bore", "--csv", "bore.csv", "--from", from]);
        let output = command.current_dir(folder.path()).output().unwrap();
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    assert_eq!(explained("2026-03-01"), (Some(0), String::new()));
    let (status, said) = explained("24h");
    assert!(status == Some(2) && said.contains("from which nobody counts back"), "{said}");
    let (status, said) = explained("2027-03-01");
    assert!(status == Some(2) && said.contains("no reading in the time asked for could be used"), "{said}");
}
