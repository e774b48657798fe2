//! The page to programs, and to those who mean it ill.

use std::io::Write;
use std::net::TcpStream;

use serde_json::Value;

use crate::shed::{Shed, wait_for};
use crate::web::{Answer, get, send};

const PAGES: [&str; 4] = ["/", "/meter/bore-1", "/log", "/lines"];

#[test]
fn the_page_shows_what_is_known_and_changes_nothing() {
    let shed = Shed::new();
    let daemon = shed.start();
    let ask = |path: &str, headers: &[&str]| get(shed.page, path, headers).unwrap();

    for path in PAGES {
        let page = ask(path, &["Accept: text/html"]);
        assert_eq!((page.status, page.header("content-type")), (200, "text/html; charset=utf-8"), "{path}");
        assert!(page.body.starts_with("<!DOCTYPE html>") && page.body.contains("Kestrel Creek pump shed"), "{path}");
        has_its_guards(&page);
        let json = ask(path, &["Accept: application/json"]);
        assert_eq!((json.status, json.header("content-type")), (200, "application/json"), "{path}");
        serde_json::from_str::<Value>(&json.body).unwrap();
        has_its_guards(&json);
        assert_eq!(json.header("vary"), "accept");
    }
    let all = ask("/", &[]);
    for meter in ["bore-1", "bore-2", "booster"] {
        assert!(all.body.contains(&format!("href=\"/meter/{meter}\"")), "{meter}");
    }
    let meter: Value = serde_json::from_str(&ask("/meter/bore-1", &["Accept: application/json"]).body).unwrap();
    let tallies: Vec<&Value> = meter["now"]["tallies"].as_array().unwrap().iter().map(|it| &it["between"]).collect();
    assert!(tallies.contains(&&serde_json::json!(["total", "pulse"])), "{tallies:?}");
    // The line's figures are under the names that `timing` uses.
    wait_for("the line's timing", || {
        let lines: Value = serde_json::from_str(&ask("/lines", &["Accept: application/json"]).body).unwrap();
        let devices = lines["lines"][0]["devices"].as_array().unwrap();
        devices.len() == 5 && devices.iter().all(|it| it["replies"].as_u64() > Some(0) && it["crc_errors"].is_number())
    });

    refuses_what_it_should(&shed);

    // Many idle connections, more than it takes at once: the polling goes on.
    let idle: Vec<TcpStream> = (0..60)
        .map(|_| {
            let mut stream = TcpStream::connect(shed.page).unwrap();
            stream.write_all(b"GET / HT").unwrap();
            stream
        })
        .collect();
    let before = shed.stored("bore-1");
    wait_for("readings while the page is besieged", || shed.stored("bore-1") >= before + 3);
    // Those who send nothing are let go, and others are served again.
    assert_eq!(ask("/", &[]).status, 200);
    drop(idle);
    daemon.end();
    assert!(TcpStream::connect(shed.page).is_err(), "the page ends with the daemon");
}

fn refuses_what_it_should(shed: &Shed) {
    let page = shed.page;
    for method in ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"] {
        for path in ["/", "/meter/bore-1", "/nowhere", "/metrics"] {
            let answer = send(page, &format!("{method} {path} HTTP/1.1\r\nHost: {page}\r\nConnection: close\r\n\r\n"));
            let answer = answer.unwrap();
            assert_eq!((answer.status, answer.header("allow")), (405, "GET, HEAD"), "{method} {path}");
            has_its_guards(&answer);
        }
    }
    let with_body = format!("GET / HTTP/1.1\r\nHost: {page}\r\nContent-Length: 5\r\nConnection: close\r\n\r\nhello");
    assert_eq!(send(page, &with_body).unwrap().status, 413);
    for foreign in ["evil.example", "localhost.evil.example", &format!("evil.example:{}", page.port())] {
        let answer = send(page, &format!("GET / HTTP/1.1\r\nHost: {foreign}\r\nConnection: close\r\n\r\n")).unwrap();
        assert_eq!(answer.status, 421, "{foreign}");
        assert!(!answer.body.contains("bore-1"), "a foreign name is told nothing");
    }
    assert_eq!(send(page, "GET / HTTP/1.1\r\nConnection: close\r\n\r\n").unwrap().status, 400);
    let long = format!("GET / HTTP/1.1\r\nHost: {page}\r\nCookie: {}\r\n\r\n", "x".repeat(40_000));
    assert_eq!(send(page, &long).map_or(431, |answer| answer.status), 431, "a head without end");
    for unknown in ["/nowhere", "/meter/nobody", "/meter/%2e%2e%2fetc%2fpasswd"] {
        let answer = get(page, unknown, &["Accept: application/json"]).unwrap();
        assert_eq!(answer.status, 404, "{unknown}");
        assert!(serde_json::from_str::<Value>(&answer.body).unwrap()["error"].is_string());
    }
    let head = send(page, &format!("HEAD / HTTP/1.1\r\nHost: {page}\r\nConnection: close\r\n\r\n")).unwrap();
    assert_eq!((head.status, head.body.as_str()), (200, ""));
}

#[test]
fn a_page_comes_and_goes_with_the_site_file_and_waits_for_its_address() {
    let shed = Shed::new();
    let with_page = std::fs::read_to_string(shed.path("site.toml")).unwrap();
    let (without_page, _) = with_page.split_once("[page]").unwrap();
    // Somebody else has the address: polling begins all the same, and the page comes when the address is free.
    let occupied = std::net::TcpListener::bind(shed.page).unwrap();
    let daemon = shed.start_unseen();
    wait_for("a reading", || shed.stored("bore-1") >= 1);
    drop(occupied);
    wait_for("the page", || shed.state().is_some());

    std::fs::write(shed.path("site.toml"), without_page).unwrap();
    daemon.reload();
    wait_for("the page's end", || TcpStream::connect(shed.page).is_err());
    let before = shed.stored("bore-1");
    wait_for("readings without the page", || shed.stored("bore-1") > before + 1);
    std::fs::write(shed.path("site.toml"), &with_page).unwrap();
    daemon.reload();
    wait_for("the page again", || shed.state().is_some());
    daemon.end();
}

/// What every answer carries.
fn has_its_guards(answer: &Answer) {
    let policy = answer.header("content-security-policy");
    for part in
        ["default-src 'none'", "script-src 'self'", "base-uri 'none'", "form-action 'none'", "frame-ancestors 'none'"]
    {
        assert!(policy.contains(part), "{part} in {policy:?}");
    }
    assert!(!policy.contains("unsafe"), "{policy}");
    assert_eq!(answer.header("x-content-type-options"), "nosniff");
    assert_eq!(answer.header("referrer-policy"), "no-referrer");
    assert_eq!(answer.header("x-frame-options"), "DENY");
    assert_eq!(answer.header("cross-origin-opener-policy"), "same-origin");
    assert_eq!(answer.header("cross-origin-resource-policy"), "same-origin");
    assert_eq!(answer.header("cache-control"), "no-store");
}
