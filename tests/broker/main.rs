//! Messages to a real broker: through its death and the daemon's, over an encrypted line, with a will.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod mosquitto;
#[path = "../shipped/mod.rs"]
mod shipped;

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use mosquitto::{Broker, PATIENCE, Subscriber};
use rustix::process::{Pid, Signal, kill_process};
use tallywell::face::broker::BrokerFace;
use tallywell::site;
use tallywell::store::{Options, Outgoing, StoreReader, Weight, Writer};
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;
use tallywell_witness::units::WallMillis;

fn config() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

/// The shipped site in a folder of its own, with a broker.
fn write_site(folder: &Path, broker: &str) {
    shipped::site_in(folder, |site| format!("{site}\n[broker]\n{broker}\n"));
}

/// The numbers of what was heard on a topic, each where it came first.
fn first_numbers(subscriber: &Subscriber, topic: &str) -> Vec<i64> {
    let mut numbers = Vec::new();
    for message in subscriber.of(topic) {
        let number = message["number"].as_i64().unwrap();
        if numbers.last().is_none_or(|last| number > *last) {
            numbers.push(number);
        }
    }
    numbers
}

/// Three days' messages wait; the broker is killed while they flow, the daemon's part ends and begins again, and more come
/// all the time.
#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_lost_and_nothing_overtakes() {
    const EACH: i64 = 1_500;
    let folder = tempfile::tempdir().unwrap();
    let mut broker = Broker::start(folder.path(), "allow_anonymous true\n");
    write_site(folder.path(), &format!("url = \"mqtt://127.0.0.1:{}\"\ntopic = \"t\"", broker.port));
    let loaded = site::load(&folder.path().join("site.toml")).unwrap();
    let declared = loaded.site.broker.clone().unwrap();
    let mut subscriber = Subscriber::start(&broker, &[]);
    let store = &loaded.site.store.path;
    let message = |number: i64| Outgoing {
        weight: Weight::Event,
        topic: "t/meters/a/events".to_owned(),
        body: format!("{{\"it\":{number}}}"),
    };
    let options = Options { commit_every: Duration::from_millis(100), ..Options::default() };

    let writer = Writer::open(store, options.clone()).unwrap();
    (0..EACH).for_each(|number| writer.outgoing(message(number)));
    assert!(writer.flush(PATIENCE));
    let start =
        |writer: &Writer| BrokerFace::start(&declared, &loaded.site, &[], writer.taken(), WallMillis(0)).unwrap();
    let face = start(&writer);
    subscriber.hears("the first messages", |heard| heard.len() > 200);
    broker.kill();
    (EACH..2 * EACH).for_each(|number| writer.outgoing(message(number)));
    std::thread::sleep(Duration::from_millis(300));
    broker.again();
    subscriber.hears("messages after the broker's death", |heard| heard.len() > 600);

    // Without a goodbye, in the middle of the stream, as if the power had gone.
    drop(face);
    assert_eq!(writer.close().trouble, None);
    let writer = Writer::open(store, options).unwrap();
    let face = start(&writer);
    (2 * EACH..3 * EACH).for_each(|number| writer.outgoing(message(number)));
    let last = format!("{{\"number\":{},", 3 * EACH);
    subscriber.hears("the last message", |heard| heard.iter().any(|line| line.contains(&last)));
    face.end(PATIENCE).await;
    assert_eq!(writer.close().trouble, None);

    assert_eq!(first_numbers(&subscriber, "t/meters/a/events"), (1..=3 * EACH).collect::<Vec<_>>());
    assert_eq!(StoreReader::open(store).unwrap().outbox_count().unwrap(), 0);
    let twice = subscriber.of("t/meters/a/events").len() as i64 - 3 * EACH;
    assert!(twice < EACH, "{twice} of {} came twice", 3 * EACH);
}

/// A daemon on the shed's line.
struct Daemon {
    child: Child,
    log: PathBuf,
}

impl Daemon {
    fn start(folder: &Path) -> Self {
        let log = folder.join("log");
        let file = std::fs::OpenOptions::new().create(true).append(true).open(&log).unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_tallywell"))
            .args(["run", "--config", "site.toml"])
            .current_dir(folder)
            .stdout(Stdio::null())
            .stderr(file)
            .spawn()
            .unwrap();
        Self { child, log }
    }

    fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap()
    }

    fn says(&self, words: &str) {
        let until = Instant::now() + PATIENCE;
        while !self.log().contains(words) {
            assert!(Instant::now() < until, "the daemon never said {words:?}, but:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn openssl(folder: &Path, arguments: &[&str]) {
    let output = Command::new("openssl").args(arguments).current_dir(folder).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// An authority of one's own, and a broker whose certificate it signed.
fn certificates(folder: &Path) {
    let subject = |name: &'static str| ["-subj", name];
    let key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    let authority = ["req", "-x509", "-days", "2", "-keyout", "ca.key", "-out", "ca.pem"];
    openssl(folder, &[&authority[..], &key, &subject("/CN=own authority")].concat());
    let request = ["req", "-keyout", "broker.key", "-out", "broker.csr"];
    openssl(folder, &[&request[..], &key, &subject("/CN=localhost")].concat());
    std::fs::write(folder.join("names"), "subjectAltName = DNS:localhost\nbasicConstraints = CA:FALSE\n").unwrap();
    openssl(
        folder,
        &["x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2"]
            .into_iter()
            .chain(["-extfile", "names", "-out", "broker.pem"])
            .collect::<Vec<_>>(),
    );
}

#[test]
fn a_daemon_reports_over_an_encrypted_line_and_leaves_a_will() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    certificates(folder.path());
    let password = "correct horse battery";
    let mut made = Command::new("mosquitto_passwd");
    made.args(["-b", "-c"]).arg(path("users")).args(["kestrel", password]);
    assert!(made.status().unwrap().success());
    let place = folder.path().display();
    let broker = Broker::start(
        folder.path(),
        &format!(
            "allow_anonymous false\npassword_file {place}/users\ncertfile {place}/broker.pem\nkeyfile {place}/broker.key\n"
        ),
    );
    let (port, ca) = (broker.port, path("ca.pem").display().to_string());
    let mut subscriber =
        Subscriber::start(&broker, &["--cafile", &ca, "-h", "localhost", "-u", "kestrel", "-P", password]);
    write_site(
        folder.path(),
        &format!(
            "url = \"mqtts://localhost:{port}\"\nuser = \"kestrel\"\npassword_file = \"password\"\nca_file = \"ca.pem\"\n\
             readings_every = \"2s\""
        ),
    );
    let mode = |mode| std::fs::set_permissions(path("password"), std::fs::Permissions::from_mode(mode)).unwrap();
    std::fs::write(path("password"), format!("{password}\n")).unwrap();
    mode(0o644);
    let _line =
        Rig::start(Scenario::load(&config().join("scenarios/kestrel-creek.toml")).unwrap(), &path("line")).unwrap();

    // A password that everybody may read is not used; polling does not mind.
    let mut daemon = Daemon::start(folder.path());
    daemon.says("so it is not used: chmod 600");
    mode(0o600);
    daemon.says("connected");

    let root = "tallywell/kestrel-creek-pump-shed";
    let state = format!("{root}/state");
    subscriber.hears("the state", |heard| heard.iter().any(|line| line.starts_with(&state)));
    let running = &subscriber.of(&state)[0];
    assert_eq!((&running["state"], &running["site"]), (&"running".into(), &"Kestrel Creek pump shed".into()));
    assert_eq!(running["meters"].as_array().unwrap().len(), 3);
    let readings = format!("{root}/meters/bore-1/readings");
    subscriber.hears("readings", |heard| heard.iter().filter(|line| line.starts_with(&readings)).count() >= 4);
    let heard = subscriber.of(&readings);
    assert!(heard[0]["flow"]["value"].is_f64() && heard[0]["flow"]["unit"] == "L/s", "{}", heard[0]);
    let times: Vec<i64> =
        heard.iter().map(|it| tallywell::record::parse_instant(it["time"].as_str().unwrap()).unwrap().0).collect();
    assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= 2_000), "{times:?}");

    // Killed, it is missed; it comes again, and says goodbye at its end.
    daemon.child.kill().unwrap();
    daemon.child.wait().unwrap();
    let says = |heard: &[String], word: &str| {
        heard.iter().any(|line| line.starts_with(&state) && line.contains(&format!("\"state\":\"{word}\"")))
    };
    subscriber.hears("the will", |heard| says(heard, "lost"));
    let mut daemon = Daemon::start(folder.path());
    let before = subscriber.of(&readings).len();
    subscriber
        .hears("readings again", |heard| heard.iter().filter(|line| line.starts_with(&readings)).count() > before + 1);
    kill_process(Pid::from_child(&daemon.child), Signal::TERM).unwrap();
    subscriber.hears("the goodbye", |heard| says(heard, "stopped"));
    assert_eq!(daemon.child.wait().unwrap().code(), Some(0), "{}", daemon.log());
    assert!(!daemon.log().contains(password), "the log holds the password");
    let words: Vec<String> = subscriber.of(&state).iter().map(|it| it["state"].as_str().unwrap().to_owned()).collect();
    assert_eq!(words, ["running", "lost", "running", "stopped"]);
}
