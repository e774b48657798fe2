//! The connection: one thread that takes messages from the outbox to the broker, and tells the store what the broker took.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::thread::JoinHandle;
use std::time::Duration;

use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode, LastWill, LastWillProperties, Packet, PubAckReason, PublishProperties,
};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, MqttOptions};
use serde_json::{Value, json};
use tallywell_witness::declared::Broker;
use tokio::sync::{mpsc, watch};
use tokio::time::MissedTickBehavior;

use super::message::{gone, numbered, state_topic};
use super::secret::{self, SecretError};
use crate::store::evidence::sha256;
use crate::store::{StoreError, StoreReader, Taken, Waiting};

/// Messages that may be on their way at once, unless the broker wants fewer.
const WINDOW: u16 = 32;
/// Messages read from the store at once.
const READ_AT_ONCE: u32 = 128;
/// How often the outbox is looked into.
const LOOKED_EVERY: Duration = Duration::from_millis(500);
/// The pause before the next attempt, which doubles up to the longest.
const FIRST_PAUSE: Duration = Duration::from_millis(500);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);
const KEEP_ALIVE: Duration = Duration::from_secs(30);
/// Seconds that a connection may take.
const CONNECTION_PATIENCE_S: u64 = 10;
const GOODBYE_PATIENCE: Duration = Duration::from_secs(2);

/// Who is linked to what.
#[derive(Debug)]
pub(super) struct Linked {
    pub(super) declared: Broker,
    pub(super) site: String,
    pub(super) store: PathBuf,
    pub(super) taken: Taken,
    pub(super) birth: Value,
}

/// A running connection. Dropped, it ends by itself.
#[derive(Debug)]
pub(super) struct Link {
    stop: watch::Sender<bool>,
    thread: JoinHandle<()>,
}

#[derive(Debug, thiserror::Error)]
enum LinkError {
    #[error(transparent)]
    Secret(#[from] SecretError),
    #[error("{}", in_words(.0))]
    Connection(#[from] ConnectionError),
    #[error("it refuses messages ({0:?}); look at what this user may publish")]
    Refused(PubAckReason),
    #[error("it closed the connection")]
    Closed,
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn in_words(error: &ConnectionError) -> String {
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => "it refuses this user and password; look at `user` and `password_file`".to_owned(),
        ConnectionError::ConnectionRefused(code) => format!("it refuses the connection ({code:?})"),
        ConnectionError::Timeout(_) => "it does not answer".to_owned(),
        ConnectionError::Tls(error) => format!("encryption fails: {error}"),
        other => other.to_string(),
    }
}

impl Link {
    pub(super) fn start(linked: Linked) -> std::io::Result<Self> {
        let (stop, stopped) = watch::channel(false);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let thread = std::thread::Builder::new()
            .name("broker".to_owned())
            .spawn(move || runtime.block_on(linked.keep_connected(stopped)))?;
        Ok(Self { stop, thread })
    }

    pub(super) async fn end(self, patience: Duration) {
        let _ = self.stop.send(true);
        let joined = tokio::task::spawn_blocking(move || self.thread.join());
        if tokio::time::timeout(patience, joined).await.is_err() {
            tracing::warn!("the broker did not hear the goodbye in time");
        }
    }
}

impl Linked {
    async fn keep_connected(self, mut stop: watch::Receiver<bool>) {
        let mut trouble: Option<String> = None;
        let mut pause = FIRST_PAUSE;
        // Acknowledged, whether the store has already taken it out or not.
        let mut through = 0;
        loop {
            let mut connected = false;
            match self.session(&mut stop, &mut through, &mut connected, &mut trouble).await {
                Ok(()) => return,
                Err(error) => {
                    if connected {
                        pause = FIRST_PAUSE;
                    }
                    let now = error.to_string();
                    if trouble.as_ref() != Some(&now) {
                        tracing::warn!("broker {}: {now}; messages wait in the store", self.declared.url);
                        trouble = Some(now);
                    }
                }
            }
            tokio::select! {
                _ = stop.changed() => return,
                () = tokio::time::sleep(pause) => pause = (pause * 2).min(LONGEST_PAUSE),
            }
        }
    }

    /// One connection from its beginning to its end. `Ok` where the end was asked for.
    async fn session(
        &self,
        stop: &mut watch::Receiver<bool>,
        through: &mut i64,
        connected: &mut bool,
        trouble: &mut Option<String>,
    ) -> Result<(), LinkError> {
        let (client, mut events) = AsyncClient::new(self.options()?, usize::from(WINDOW) * 2);
        let (tell, heard) = mpsc::unbounded_channel();
        let polled = async move {
            loop {
                match events.poll().await {
                    Ok(event) => drop(tell.send(event)),
                    Err(error) => return error,
                }
            }
        };
        let mut talk = Talk {
            linked: self,
            client,
            heard,
            sent: VecDeque::new(),
            waiting: VecDeque::new(),
            last: *through,
            more: false,
        };
        tokio::select! {
            error = polled => Err(error.into()),
            ended = talk.run(stop, through, connected, trouble) => ended,
        }
    }

    fn options(&self) -> Result<MqttOptions, LinkError> {
        let Broker { url, user, password_file, ca_file, topic, .. } = &self.declared;
        let (scheme, address) = url.split_once("://").unwrap_or(("mqtt", url));
        let (host, port) = address.trim_end_matches('/').rsplit_once(':').unwrap_or((address, "1883"));
        // 23 letters and digits are what every broker has to take.
        let client = format!("tallywell{}", &sha256(topic.as_bytes())[..12]);
        let mut options = MqttOptions::new(client, host, port.parse().unwrap_or(1883));
        options.set_keep_alive(KEEP_ALIVE);
        options.set_clean_start(true);
        options.set_connection_timeout(CONNECTION_PATIENCE_S);
        options.set_outgoing_inflight_upper_limit(WINDOW);
        if scheme == "mqtts" {
            options.set_transport(secret::encrypted(ca_file.as_deref())?);
        }
        if let Some(user) = user {
            let password = password_file.as_deref().map(secret::password).transpose()?;
            options.set_credentials(user, password.unwrap_or_default());
        }
        let of_will = LastWillProperties {
            delay_interval: None,
            payload_format_indicator: Some(1),
            message_expiry_interval: None,
            content_type: Some("application/json".to_owned()),
            response_topic: None,
            correlation_data: None,
            user_properties: Vec::new(),
        };
        let lost = gone(&self.site, "lost");
        options.set_last_will(LastWill::new(state_topic(topic), lost, QoS::AtLeastOnce, true, Some(of_will)));
        Ok(options)
    }
}

/// A message that was handed over.
#[derive(Debug)]
struct Sent {
    /// Its number; none for the state.
    number: Option<i64>,
    /// The packet that it went out in.
    packet: Option<u16>,
    taken: bool,
}

/// What is said over one connection.
struct Talk<'a> {
    linked: &'a Linked,
    client: AsyncClient,
    heard: mpsc::UnboundedReceiver<Event>,
    /// In the order in which they were handed over.
    sent: VecDeque<Sent>,
    waiting: VecDeque<Waiting>,
    /// The last message read from the outbox.
    last: i64,
    /// The outbox held more than was read at once.
    more: bool,
}

impl Talk<'_> {
    async fn run(
        &mut self,
        stop: &mut watch::Receiver<bool>,
        through: &mut i64,
        connected: &mut bool,
        trouble: &mut Option<String>,
    ) -> Result<(), LinkError> {
        while !*connected {
            tokio::select! {
                event = self.heard.recv() => match event {
                    Some(Event::Incoming(Packet::ConnAck(_))) => *connected = true,
                    Some(_) => {}
                    None => return Err(LinkError::Closed),
                },
                _ = stop.changed() => return Ok(()),
            }
        }
        let mut birth = self.linked.birth.clone();
        birth["waiting"] = json!(self.reader()?.outbox_count()?);
        tracing::info!("broker {}: connected; {} messages wait", self.linked.declared.url, birth["waiting"]);
        *trouble = None;
        self.state(birth.to_string()).await;
        let mut look = tokio::time::interval(LOOKED_EVERY);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                event = self.heard.recv() => self.hear(event.ok_or(LinkError::Closed)?, through)?,
                _ = look.tick() => self.look()?,
                changed = stop.changed() => {
                    // Who let go of this end without a word goes on with another connection.
                    if changed.is_ok() {
                        self.say_goodbye(through).await;
                    }
                    return Ok(());
                }
            }
            self.hand_over().await?;
        }
    }

    /// Opened anew each time: the store may have been put aside and begun again.
    fn reader(&self) -> Result<StoreReader, StoreError> {
        StoreReader::open(&self.linked.store)
    }

    fn look(&mut self) -> Result<(), LinkError> {
        if self.waiting.is_empty() {
            self.waiting.extend(self.reader()?.outbox(self.last, READ_AT_ONCE)?);
            self.more = self.waiting.len() == READ_AT_ONCE as usize;
            if let Some(newest) = self.waiting.back() {
                self.last = newest.number;
            }
        }
        Ok(())
    }

    async fn hand_over(&mut self) -> Result<(), LinkError> {
        while self.sent.len() < usize::from(WINDOW) {
            if self.waiting.is_empty() && self.more {
                self.look()?;
            }
            let Some(Waiting { number, topic, body }) = self.waiting.pop_front() else { return Ok(()) };
            self.publish(Some(number), topic, numbered(number, &body), false).await;
        }
        Ok(())
    }

    async fn state(&mut self, body: String) {
        let topic = state_topic(&self.linked.declared.topic);
        self.publish(None, topic, body, true).await;
    }

    /// The queue behind this holds more than can be on its way, so that this never waits long.
    async fn publish(&mut self, number: Option<i64>, topic: String, body: String, retain: bool) {
        let properties = PublishProperties {
            payload_format_indicator: Some(1),
            content_type: Some("application/json".to_owned()),
            ..PublishProperties::default()
        };
        // It fails only when the connection is over, which is told elsewhere.
        let handed = self.client.publish_with_properties(topic, QoS::AtLeastOnce, retain, body, properties).await;
        if handed.is_ok() {
            self.sent.push_back(Sent { number, packet: None, taken: false });
        }
    }

    fn hear(&mut self, event: Event, through: &mut i64) -> Result<(), LinkError> {
        match event {
            Event::Outgoing(Outgoing::Publish(packet)) => {
                if let Some(sent) = self.sent.iter_mut().find(|sent| sent.packet.is_none()) {
                    sent.packet = Some(packet);
                }
            }
            Event::Incoming(Packet::PubAck(answer)) => {
                if !matches!(answer.reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) {
                    return Err(LinkError::Refused(answer.reason));
                }
                let of_packet = |sent: &&mut Sent| sent.packet == Some(answer.pkid) && !sent.taken;
                if let Some(sent) = self.sent.iter_mut().find(of_packet) {
                    sent.taken = true;
                }
                while let Some(Sent { number, .. }) = self.sent.pop_front_if(|sent| sent.taken) {
                    if let Some(number) = number {
                        *through = number;
                        self.linked.taken.through(number);
                    }
                }
            }
            Event::Incoming(Packet::Disconnect(_)) => return Err(LinkError::Closed),
            _ => {}
        }
        Ok(())
    }

    /// Says that this is the end, so that the broker does not take the daemon for lost.
    async fn say_goodbye(&mut self, through: &mut i64) {
        let farewell = async {
            self.state(gone(&self.linked.site, "stopped")).await;
            while !self.sent.is_empty() {
                let Some(event) = self.heard.recv().await else { return };
                if self.hear(event, through).is_err() {
                    return;
                }
            }
            let _ = self.client.disconnect().await;
            while let Some(event) = self.heard.recv().await {
                if matches!(event, Event::Outgoing(Outgoing::Disconnect)) {
                    return;
                }
            }
        };
        let _ = tokio::time::timeout(GOODBYE_PATIENCE, farewell).await;
    }
}
