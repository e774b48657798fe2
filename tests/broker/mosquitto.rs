//! A broker that no one here wrote, and a subscriber to it. `tests/setup.sh` installs both.

use std::io::{BufRead, BufReader};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// Longer than anything here takes; a test that waits so long has failed.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// A broker that forgets nothing when it is killed.
pub struct Broker {
    config: PathBuf,
    pub port: u16,
    child: Option<Child>,
}

impl Broker {
    /// `more` are lines of its configuration.
    pub fn start(folder: &Path, more: &str) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let config = folder.join("mosquitto.conf");
        let place = folder.display();
        let text = format!(
            "user root\npersistence true\npersistence_location {place}/\nautosave_on_changes true\n\
             autosave_interval 1\nmax_queued_messages 0\nlistener {port} 127.0.0.1\n{more}"
        );
        std::fs::write(&config, text).unwrap();
        let mut broker = Self { config, port, child: None };
        broker.again();
        broker
    }

    pub fn again(&mut self) {
        let program = ["/usr/sbin/mosquitto", "/usr/bin/mosquitto"].into_iter().find(|path| Path::new(path).exists());
        let program = program.expect("mosquitto is missing: run tests/setup.sh");
        let child =
            Command::new(program).arg("-c").arg(&self.config).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        self.child = Some(child.unwrap());
        let until = Instant::now() + PATIENCE;
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(Instant::now() < until, "the broker never listened");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A subscriber whose session outlives its connections.
pub struct Subscriber {
    child: Child,
    lines: Receiver<String>,
    pub heard: Vec<String>,
}

impl Subscriber {
    /// Each message is heard as `TOPIC BODY`.
    pub fn start(broker: &Broker, more: &[&str]) -> Self {
        let mut child = Command::new("mosquitto_sub")
            .args(["-V", "mqttv5", "-h", "127.0.0.1", "-p", &broker.port.to_string(), "-t", "#", "-q", "1"])
            .args(["-c", "-x", "3600", "-i", "office", "-F", "%t %p"])
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto-clients is missing: run tests/setup.sh");
        let stdout = BufReader::new(child.stdout.take().unwrap());
        let (sender, lines) = channel();
        std::thread::spawn(move || stdout.lines().map_while(Result::ok).try_for_each(|line| sender.send(line)));
        Self { child, lines, heard: Vec::new() }
    }

    /// Listens until `enough`.
    pub fn hears(&mut self, what: &str, mut enough: impl FnMut(&[String]) -> bool) {
        let until = Instant::now() + PATIENCE;
        while !enough(&self.heard) {
            match self.lines.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => self.heard.push(line),
                Err(_) => panic!("{what} never came; heard:\n{}", self.heard.join("\n")),
            }
        }
    }

    /// The messages of one topic, in the order in which they came.
    pub fn of(&self, topic: &str) -> Vec<serde_json::Value> {
        let of_topic = self.heard.iter().filter_map(|line| line.strip_prefix(topic)?.strip_prefix(' '));
        of_topic.map(|body| serde_json::from_str(body).unwrap()).collect()
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
