//! The page as people see it, in Debian's Chromium.
//!
//! `TALLYWELL_SCREENSHOTS=FOLDER` keeps a picture of every page, on a phone and on a desk, light and dark.

use serde_json::{Value, json};

use crate::browser::Browser;
use crate::shed::{Shed, wait_for};

const PAGES: [(&str, &str); 4] = [("meters", "/"), ("meter", "/meter/bore-1"), ("log", "/log"), ("lines", "/lines")];
/// A file that stands alone has no ways to go elsewhere.
const LANDMARKS_OF_THE_PAGE: [&str; 3] = ["not one body > header", "not one nav[aria-label]", "not one body > footer"];
const AUDIT: &str = include_str!("audit.js");

#[test]
fn people_can_read_the_page_on_any_screen_with_keyboard_and_without_script() {
    let shed = Shed::new();
    let daemon = shed.start();
    let mut browser = Browser::start();
    let at = |path: &str| format!("http://{}{path}", shed.page);

    // It renews itself without being loaded again, and a person can make it stand still.
    browser.screen(1280, "light");
    browser.go(&at("/"));
    browser.value("window.marker = 1");
    let taken = "document.querySelector('#taken time').textContent";
    let before = browser.value(taken);
    wait_for("a newer state on the page", || browser.value(taken) != before);
    assert_eq!(browser.value("window.marker"), 1, "without a reload");
    browser.value("document.querySelector('#liveness button').click()");
    assert_eq!(browser.value("document.querySelector('#liveness button').textContent"), "Go on renewing");

    // By keyboard alone: the first stop leads to the content; from there on the first link is a meter.
    browser.value("document.activeElement.blur()");
    browser.go(&at("/"));
    browser.press("Tab", 9);
    assert_eq!(browser.value("document.activeElement.textContent"), "To the content");
    browser.press("Enter", 13);
    assert_eq!(browser.value("document.activeElement.id"), "content");
    browser.press("Tab", 9);
    assert_eq!(browser.value("document.activeElement.textContent"), "booster");
    browser.press("Enter", 13);
    browser.loaded();
    assert_eq!(browser.value("location.pathname"), "/meter/booster");

    // A disagreement comes, 20 s after the shed's beginning, and is told to a screen reader.
    wait_for("the disagreement", || {
        browser.value("document.querySelector('[role=status]').textContent").to_string().contains("bore-1")
    });
    browser.go(&at("/meter/bore-1"));
    assert_eq!(browser.value("document.querySelector('#now .badge').textContent"), "\u{2260} disagree");

    for (name, path) in PAGES {
        for width in [360, 1280] {
            for scheme in ["light", "dark"] {
                browser.screen(width, scheme);
                browser.go(&at(path));
                let found = browser.value(AUDIT);
                keep_picture(&mut browser, &format!("{name}-{width}-{scheme}.png"));
                assert_eq!(found, json!([]), "{path} on {width} pixels, {scheme}");
            }
        }
    }

    // The audit sees what it is there to see.
    browser.value("document.querySelector('h1').style.color = 'rgb(120, 120, 120)'");
    let found = browser.value(AUDIT).to_string();
    assert!(found.contains("contrast") && found.contains("Lines"), "{found}");

    let errors: Vec<&Value> = browser.told.iter().filter(|told| is_complaint(told)).collect();
    assert!(errors.is_empty(), "{errors:#?}");
    let own = at("");
    let foreign: Vec<&Value> = browser
        .told
        .iter()
        .filter(|told| told["method"] == "Network.requestWillBeSent")
        .map(|told| &told["params"]["request"]["url"])
        .filter(|address| !address.as_str().unwrap().starts_with(&own))
        .collect();
    assert!(foreign.is_empty(), "from elsewhere: {foreign:?}");

    // What is handed over can be read on any screen, too; it has no ways to go elsewhere.
    for (name, more) in [("report", &[][..]), ("sheet", &["--commissioning"])] {
        let file = format!("{name}.html");
        let arguments = ["report", "--meter", "bore-1", "--out", &file];
        let output = shed.command(&[&arguments[..], more].concat()).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        for width in [390, 1280] {
            for scheme in ["light", "dark"] {
                browser.screen(width, scheme);
                browser.go(&format!("file://{}", shed.path(&file).display()));
                let mut found: Vec<String> = serde_json::from_value(browser.value(AUDIT)).unwrap();
                found.retain(|it| !LANDMARKS_OF_THE_PAGE.contains(&it.as_str()));
                keep_picture(&mut browser, &format!("{name}-{width}-{scheme}.png"));
                assert!(found.is_empty(), "{name} on {width} pixels, {scheme}: {found:#?}");
            }
        }
    }

    // Without script everything is there, and a link to read it again.
    browser.ask("Emulation.setScriptExecutionDisabled", json!({ "value": true }));
    browser.go(&at("/"));
    let document = browser.ask("DOM.getDocument", json!({}));
    let html = browser.ask("DOM.getOuterHTML", json!({ "nodeId": document["root"]["nodeId"] }));
    let html = html["outerHTML"].as_str().unwrap();
    for words in ["bore-1", "booster", "<a href=\"\">read it again</a>"] {
        assert!(html.contains(words), "{words:?} is not in {html}");
    }
    daemon.end();
}

fn is_complaint(told: &Value) -> bool {
    match told["method"].as_str() {
        Some("Log.entryAdded") => told["params"]["entry"]["level"] == "error",
        Some("Runtime.exceptionThrown") => true,
        Some("Runtime.consoleAPICalled") => told["params"]["type"] == "error",
        _ => false,
    }
}

fn keep_picture(browser: &mut Browser, name: &str) {
    let Some(folder) = std::env::var_os("TALLYWELL_SCREENSHOTS") else { return };
    let picture = browser.ask("Page.captureScreenshot", json!({ "captureBeyondViewport": true }));
    std::fs::write(std::path::Path::new(&folder).join(name), base64(picture["data"].as_str().unwrap())).unwrap();
}

/// RFC 4648 §4, without a check: what the browser sends is sound.
fn base64(text: &str) -> Vec<u8> {
    const LETTERS: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut bytes = Vec::new();
    let (mut held, mut bits) = (0_u32, 0);
    for letter in text.bytes().filter_map(|letter| LETTERS.iter().position(|known| *known == letter)) {
        held = held << 6 | u32::try_from(letter).unwrap();
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push(u8::try_from(held >> bits & 0xFF).unwrap());
        }
    }
    bytes
}
