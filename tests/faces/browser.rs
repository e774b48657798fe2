//! Debian's Chromium, driven over a pair of pipes by its own protocol: a zero byte ends each JSON message.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use serde_json::{Value, json};

/// A browser with one tab; it ends with this.
pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    session: Option<String>,
    sent: u64,
    /// What it told unasked: requests that it made, words in its console.
    pub told: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    pub fn start() -> Self {
        let profile = tempfile::tempdir().unwrap();
        // The browser takes its orders on descriptor 3 and answers on 4.
        let mut child = Command::new("sh")
            .args(["-c", "exec chromium \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>&1", "chromium"])
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"])
            .args(["--disable-background-networking", "--disable-component-update", "--remote-debugging-pipe"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (to, from) = (child.stdin.take().unwrap(), BufReader::new(child.stdout.take().unwrap()));
        let mut browser = Self { child, to, from, session: None, sent: 0, told: Vec::new(), _profile: profile };
        let tab = browser.ask("Target.createTarget", json!({ "url": "about:blank" }));
        let session = browser.ask("Target.attachToTarget", json!({ "targetId": tab["targetId"], "flatten": true }));
        browser.session = Some(session["sessionId"].as_str().unwrap().to_owned());
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.ask(&format!("{domain}.enable"), json!({}));
        }
        browser
    }

    /// Gives an order and waits for its answer.
    pub fn ask(&mut self, method: &str, parameters: Value) -> Value {
        self.sent += 1;
        let mut order = json!({ "id": self.sent, "method": method, "params": parameters });
        if let Some(session) = &self.session {
            order["sessionId"] = json!(session);
        }
        let mut bytes = order.to_string().into_bytes();
        bytes.push(0);
        self.to.write_all(&bytes).unwrap();
        loop {
            let message = self.hear();
            if message["id"] == self.sent {
                assert!(message["error"].is_null(), "{method}: {}", message["error"]);
                return message["result"].clone();
            }
        }
    }

    fn hear(&mut self) -> Value {
        let mut bytes = Vec::new();
        self.from.read_until(0, &mut bytes).unwrap();
        assert_eq!(bytes.pop(), Some(0), "the browser has gone; is chromium there? tests/setup.sh installs it");
        let message: Value = serde_json::from_slice(&bytes).unwrap();
        if message["id"].is_null() {
            self.told.push(message.clone());
        }
        message
    }

    /// Goes to an address and waits until it is loaded.
    pub fn go(&mut self, address: &str) {
        self.told.retain(|told| told["method"] != "Page.loadEventFired");
        self.ask("Page.navigate", json!({ "url": address }));
        self.loaded();
    }

    /// Waits until a page is loaded.
    pub fn loaded(&mut self) {
        while !self.told.iter().any(|told| told["method"] == "Page.loadEventFired") {
            self.hear();
        }
        self.told.retain(|told| told["method"] != "Page.loadEventFired");
    }

    /// The value of an expression in the page, which may be a promise.
    pub fn value(&mut self, expression: &str) -> Value {
        let parameters = json!({ "expression": expression, "awaitPromise": true, "returnByValue": true });
        let answer = self.ask("Runtime.evaluate", parameters);
        assert!(answer["exceptionDetails"].is_null(), "{expression}: {answer:#}");
        answer["result"]["value"].clone()
    }

    /// Presses and lets go a key.
    pub fn press(&mut self, key: &str, code: u32) {
        for kind in ["keyDown", "keyUp"] {
            let text = if key == "Enter" { "\r" } else { "" };
            let parameters =
                json!({ "type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code, "text": text });
            self.ask("Input.dispatchKeyEvent", parameters);
        }
    }

    /// A screen of a width, light or dark.
    pub fn screen(&mut self, width: u32, scheme: &str) {
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": 740, "deviceScaleFactor": 1, "mobile": width < 600 }),
        );
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        self.ask("Emulation.setEmulatedMedia", json!({ "features": features }));
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
