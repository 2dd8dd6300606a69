//! A broker: states, readings and alarms as they are now.
//!
//! | topic | |
//! |---|---|
//! | `PREFIX/status` | `online` or `offline`; retained, and the last will |
//! | `PREFIX/STATION/state` | link, run, phase, question; retained, when it changes |
//! | `PREFIX/STATION/readings` | volts, amperes, charge and what follows from them; not retained |
//! | `PREFIX/STATION/alarm/WATCH` | the alarm's last change; retained, so whoever comes later sees it |
//!
//! While the broker is away nothing is kept for it: states and alarms are told
//! anew when it is back, and old readings are of no use to anybody.

use crate::config::{Mqtt, MqttVersion};
use crate::ledger::News;
use crate::station::{Handle, Snapshot};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::sync::broadcast::{Receiver, error::RecvError};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};
use tokio_util::sync::CancellationToken;

/// How often it is looked whether a station's state has changed.
const LOOK: Duration = Duration::from_millis(200);
/// Handing a message to the client waits this long at most.
const HAND_OVER: Duration = Duration::from_secs(2);
/// Between two tries to reach the broker; doubled up to [`WAIT_MOST`].
const WAIT_FIRST: Duration = Duration::from_millis(500);
const WAIT_MOST: Duration = Duration::from_secs(30);
/// Messages that the client may hold.
const CAPACITY: usize = 64;
/// Seconds after which a silent link is given up.
const KEEP_ALIVE: u16 = 10;
/// What the goodbye may take.
const GOODBYE: Duration = Duration::from_secs(1);

/// What differs between the editions of the protocol is only the crate.
macro_rules! edition {
    ($module:ident, $client:ident, $will:expr) => {
        mod $module {
            use super::*;
            use $client::{
                AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, PublishOptions, QoS, Transport,
            };

            #[derive(Clone)]
            pub(super) struct Client(AsyncClient);

            impl Client {
                /// Waits while the client is full; false when it has ended.
                pub(super) async fn publish(&self, topic: String, payload: String, retain: bool) -> bool {
                    let qos = if retain { QoS::AtLeastOnce } else { QoS::AtMostOnce };
                    self.0.publish(topic, payload, PublishOptions::new(qos).retain(retain)).await.is_ok()
                }
                pub(super) async fn goodbye(&self) {
                    let _ = self.0.disconnect().await;
                }
            }

            pub(super) fn open(
                config: &Mqtt,
                password: Option<String>,
                ca: Option<Vec<u8>>,
            ) -> Result<(Client, EventLoop), String> {
                let id = format!("tankside-{}", uuid::Uuid::now_v7().simple());
                let mut options = MqttOptions::new(id, (config.host.clone(), config.port));
                options.set_keep_alive(KEEP_ALIVE);
                let will: fn(String) -> LastWill = $will;
                options.set_last_will(will(format!("{}/status", config.topic)));
                if let Some(user) = &config.user {
                    options.set_credentials(user.clone(), password.unwrap_or_default());
                }
                if config.tls {
                    options.set_transport(match ca {
                        Some(ca) => Transport::tls(ca, None, None),
                        None => Transport::try_tls_with_default_config()
                            .map_err(|e| format!("the system's certificates cannot be read: {e}"))?,
                    });
                }
                let (client, events) = AsyncClient::builder(options).capacity(CAPACITY).build();
                Ok((Client(client), events))
            }

            /// Keeps the link; counts each time that it comes up, and says 0 while it is down.
            pub(super) async fn keep(mut events: EventLoop, up: watch::Sender<u64>, shown: String) {
                let (mut ups, mut wait) = (0, WAIT_FIRST);
                loop {
                    match events.poll().await {
                        Ok(Event::Incoming(Packet::ConnAck(_))) => {
                            ups += 1;
                            wait = WAIT_FIRST;
                            tracing::info!("broker {shown}: connected");
                            up.send_replace(ups);
                        }
                        Ok(_) => {}
                        Err(e) => {
                            if up.send_replace(0) != 0 || (ups == 0 && wait == WAIT_FIRST) {
                                tracing::warn!("broker {shown}: {e}; it is tried again");
                            }
                            sleep(wait).await;
                            wait = (wait * 2).min(WAIT_MOST);
                        }
                    }
                }
            }
        }
    };
}

edition!(v3, rumqttc_v4, |topic| LastWill::new(topic, "offline", QoS::AtLeastOnce, true));
edition!(v5, rumqttc_v5, |topic| LastWill::new(topic, "offline", QoS::AtLeastOnce, true, None));

#[derive(Clone)]
enum Client {
    V3(v3::Client),
    V5(v5::Client),
}

impl Client {
    async fn publish(&self, topic: String, payload: String, retain: bool) -> bool {
        let handed = async {
            match self {
                Client::V3(client) => client.publish(topic, payload, retain).await,
                Client::V5(client) => client.publish(topic, payload, retain).await,
            }
        };
        timeout(HAND_OVER, handed).await.unwrap_or(false)
    }
    async fn goodbye(&self) {
        match self {
            Client::V3(client) => client.goodbye().await,
            Client::V5(client) => client.goodbye().await,
        }
    }
}

/// Begins to publish.
pub(super) fn publish(
    config: &Mqtt,
    password: Option<String>,
    ca: Option<Vec<u8>>,
    stations: &[Handle],
    news: Receiver<News>,
    shutdown: &CancellationToken,
) -> Result<Vec<JoinHandle<()>>, String> {
    let (tell, up) = watch::channel(0);
    let shown = format!("{}:{}", config.host, config.port);
    let (client, link) = match config.version {
        MqttVersion::V3 => {
            let (client, events) = v3::open(config, password, ca)?;
            (Client::V3(client), tokio::spawn(v3::keep(events, tell, shown)))
        }
        MqttVersion::V5 => {
            let (client, events) = v5::open(config, password, ca)?;
            (Client::V5(client), tokio::spawn(v5::keep(events, tell, shown)))
        }
    };
    let teller = Teller {
        client,
        topic: config.topic.clone(),
        every: config.readings_every,
        stations: stations.to_vec(),
        states: BTreeMap::new(),
        alarms: BTreeMap::new(),
    };
    Ok(vec![tokio::spawn(teller.tell(up, news, link, shutdown.clone()))])
}

struct Teller {
    client: Client,
    topic: String,
    every: Duration,
    stations: Vec<Handle>,
    /// As last told, by station.
    states: BTreeMap<String, Value>,
    /// The last change of each alarm since the start, by topic.
    alarms: BTreeMap<String, String>,
}

impl Teller {
    async fn tell(
        mut self,
        mut up: watch::Receiver<u64>,
        mut news: Receiver<News>,
        link: JoinHandle<()>,
        shutdown: CancellationToken,
    ) {
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut due = Instant::now();
        loop {
            tokio::select! {
                () = shutdown.cancelled() => break,
                // Told anew each time: a broker that was started again has forgotten, and has sent the last will.
                Ok(()) = up.changed() => {
                    if *up.borrow_and_update() > 0 {
                        self.all().await;
                    }
                }
                told = news.recv() => match told {
                    Ok(News::Alarm(alarm)) => {
                        let topic = format!("{}/{}/alarm/{}", self.topic, level(&alarm.station), alarm.watch);
                        // A row is plain data: it can be written.
                        let text = serde_json::to_string(&*alarm).unwrap_or_default();
                        if *up.borrow() > 0 {
                            self.client.publish(topic.clone(), text.clone(), true).await;
                        }
                        self.alarms.insert(topic, text);
                    }
                    Ok(News::Event(_)) => {}
                    Err(RecvError::Lagged(missed)) => tracing::warn!("broker: {missed} changes were missed"),
                    Err(RecvError::Closed) => break,
                },
                _ = look.tick() => {
                    if *up.borrow() > 0 {
                        let now = Instant::now();
                        let readings = now >= due;
                        if readings {
                            due = now + self.every;
                        }
                        self.stations_now(readings).await;
                    }
                }
            }
        }
        // `disconnect` withdraws the last will, so it is said by hand.
        let farewell = async {
            self.client.publish(format!("{}/status", self.topic), "offline".into(), true).await;
            self.client.goodbye().await;
            let _ = link.await;
        };
        let _ = timeout(GOODBYE, farewell).await;
    }

    async fn all(&mut self) {
        self.client.publish(format!("{}/status", self.topic), "online".into(), true).await;
        self.states.clear();
        self.stations_now(false).await;
        for (topic, text) in &self.alarms {
            self.client.publish(topic.clone(), text.clone(), true).await;
        }
    }

    async fn stations_now(&mut self, readings: bool) {
        for handle in &self.stations {
            let snapshot = handle.snapshot();
            let name = level(handle.name());
            let state = state(&snapshot);
            if self.states.get(handle.name()) != Some(&state) {
                let mut told = state.clone();
                told["at"] = json!(snapshot.taken);
                if self.client.publish(format!("{}/{name}/state", self.topic), told.to_string(), true).await {
                    self.states.insert(handle.name().into(), state);
                }
            }
            if readings && let Some(reading) = reading(&snapshot) {
                self.client
                    .publish(format!("{}/{name}/readings", self.topic), reading.to_string(), false)
                    .await;
            }
        }
    }
}

/// What a change of is worth a message.
fn state(snapshot: &Snapshot) -> Value {
    let run = &snapshot.run;
    json!({
        "station": snapshot.station,
        "link_up": snapshot.link.up,
        "output_on": snapshot.output_on,
        "output_known": snapshot.output_known,
        "state": run.state,
        "phase": run.phase,
        "run": run.run,
        "title": run.title,
        "tank": run.tank,
        "question": run.question,
        "cause": run.cause,
    })
}

/// `None` while there is nothing fresh.
fn reading(snapshot: &Snapshot) -> Option<Value> {
    let measured = snapshot.measured.as_ref()?;
    let run = &snapshot.run;
    Some(json!({
        "at": snapshot.taken,
        "volts": measured.volts,
        "amperes": measured.amperes,
        "regulation": measured.regulation,
        "setpoint_amperes": run.setpoint_amperes,
        "density_amperes_per_square_meter": run.density_amperes_per_square_meter,
        "charge_coulombs": run.charge_coulombs,
        "charge_target_coulombs": run.charge_target_coulombs,
        "thickness_meters": run.thickness_meters,
        "burn_margin_ratio": run.burn_margin_ratio,
        "bath_celsius": snapshot.bath.as_ref().and_then(crate::station::BathView::fresh_celsius),
    }))
}

/// A name as one level of a topic: what would split it or be taken for a pattern becomes a dash.
fn level(name: &str) -> String {
    name.chars().map(|c| if "/+#".contains(c) || c.is_control() { '-' } else { c }).collect()
}
