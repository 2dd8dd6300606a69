//! A broker: states, readings and alarms as they are now.
//!
//! | topic | |
//! |---|---|
//! | `PREFIX/status` | `online` or `offline`; retained, and the last will |
//! | `PREFIX/STATION/state` | link, run, phase, question, job; retained, when it changes |
//! | `PREFIX/STATION/readings` | volts, amperes, charge and what follows from them; not retained |
//! | `PREFIX/STATION/alarm/WATCH` | the alarm's last change; retained, so whoever comes later sees it |
//!
//! While the broker is away nothing is kept for it: states and alarms are told
//! anew when it is back, and old readings are of no use to anybody.

use crate::config::{Mqtt, MqttVersion};
use crate::ledger::{AlarmRow, News};
use crate::run::guide::JobView;
use crate::station::{Handle, Snapshot};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::sync::broadcast::{Receiver, error::RecvError};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout, timeout_at};
use tokio_util::sync::CancellationToken;
use tokio_util::task::AbortOnDropHandle;

/// How often it is looked whether a station's state has changed.
const LOOK: Duration = Duration::from_millis(200);
/// Handing a message to the client waits this long at most.
const HAND_OVER: Duration = Duration::from_secs(2);
/// Between two tries to reach the broker; doubled up to [`WAIT_MOST`].
const WAIT_FIRST: Duration = Duration::from_millis(500);
const WAIT_MOST: Duration = Duration::from_secs(30);
/// Messages that the client may hold.
const CAPACITY: usize = 64;
/// Seconds after which a broker that is told nothing is asked for a sign of life.
const KEEP_ALIVE: u16 = 10;
/// One that is told readings all the time is not asked by the protocol: so often one of them has to be acknowledged.
const SIGN: Duration = Duration::from_secs(10);
/// A broker that has said nothing for so long is given up.
const SILENCE: Duration = Duration::from_secs(25);
/// What the goodbye may take.
const GOODBYE: Duration = Duration::from_secs(1);

/// What differs between the editions of the protocol is only the crate.
macro_rules! edition {
    ($module:ident, $client:ident, $will:expr) => {
        mod $module {
            use super::*;
            use $client::{
                AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Packet,
                PublishOptions, QoS, Transport,
            };

            #[derive(Clone)]
            pub(super) struct Client(AsyncClient);

            impl Client {
                /// Waits while the client is full; false when it has ended.
                pub(super) async fn publish(
                    &self,
                    topic: String,
                    payload: String,
                    retain: bool,
                    sure: bool,
                ) -> bool {
                    let qos = if sure { QoS::AtLeastOnce } else { QoS::AtMostOnce };
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

            /// Keeps the link until the goodbye; counts each time that it comes up, and says 0 while it is down.
            pub(super) async fn keep(mut events: EventLoop, up: watch::Sender<u64>, shown: String) {
                let (mut ups, mut wait) = (0, WAIT_FIRST);
                // What the log has been told last: a password that is wrong is not hidden by a broker that was away.
                let mut said = String::new();
                let mut heard = Instant::now();
                loop {
                    match timeout_at(heard + SILENCE, events.poll()).await {
                        Ok(Ok(Event::Incoming(packet))) => {
                            heard = Instant::now();
                            if matches!(packet, Packet::ConnAck(_)) {
                                ups += 1;
                                wait = WAIT_FIRST;
                                said.clear();
                                tracing::info!("broker {shown}: connected");
                                up.send_replace(ups);
                            }
                        }
                        Ok(Ok(_)) => {}
                        // The goodbye has been sent.
                        Ok(Err(ConnectionError::RequestsDone)) => return,
                        lost => {
                            up.send_replace(0);
                            let why = match lost {
                                Ok(Err(e)) => e.to_string(),
                                _ => {
                                    events.clean();
                                    format!("has said nothing for {} s", SILENCE.as_secs())
                                }
                            };
                            if why != said {
                                tracing::warn!("broker {shown}: {why}; it is tried again");
                                said = why;
                            }
                            sleep(wait).await;
                            wait = (wait * 2).min(WAIT_MOST);
                            heard = Instant::now();
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
    /// What is retained; a broker that does not take it is told anew.
    async fn publish(&self, topic: String, payload: String) -> bool {
        self.hand_over(topic, payload, true, true).await
    }
    /// What is of no use a moment later; acknowledged if it must be.
    async fn mention(&self, topic: String, payload: String, sure: bool) -> bool {
        self.hand_over(topic, payload, false, sure).await
    }
    async fn hand_over(&self, topic: String, payload: String, retain: bool, sure: bool) -> bool {
        let handed = async {
            match self {
                Client::V3(client) => client.publish(topic, payload, retain, sure).await,
                Client::V5(client) => client.publish(topic, payload, retain, sure).await,
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
    // Ended with the teller at the latest: whoever embeds the stations has the runtime for longer.
    let (client, link) = match config.version {
        MqttVersion::V3 => {
            let (client, events) = v3::open(config, password, ca)?;
            (Client::V3(client), AbortOnDropHandle::new(tokio::spawn(v3::keep(events, tell, shown))))
        }
        MqttVersion::V5 => {
            let (client, events) = v5::open(config, password, ca)?;
            (Client::V5(client), AbortOnDropHandle::new(tokio::spawn(v5::keep(events, tell, shown))))
        }
    };
    let teller = Teller {
        client,
        topic: config.topic.clone(),
        every: config.readings_every,
        stations: stations.to_vec(),
        states: BTreeMap::new(),
        alarms: BTreeMap::new(),
        asked: Instant::now(),
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
    /// When a sign of life was asked for last.
    asked: Instant,
}

impl Teller {
    async fn tell(
        mut self,
        mut up: watch::Receiver<u64>,
        mut news: Receiver<News>,
        link: AbortOnDropHandle<()>,
        shutdown: CancellationToken,
    ) {
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut due = interval(self.every);
        due.set_missed_tick_behavior(MissedTickBehavior::Skip);
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
                    Ok(News::Alarm(alarm)) => self.alarm(&alarm, is_up(&up)).await,
                    Ok(News::Event(_) | News::Job { .. }) => {}
                    Err(RecvError::Lagged(missed)) => tracing::warn!("broker: {missed} changes were missed"),
                    Err(RecvError::Closed) => break,
                },
                _ = look.tick() => {
                    if is_up(&up) {
                        self.states_now().await;
                    }
                }
                _ = due.tick() => {
                    if is_up(&up) {
                        self.readings_now().await;
                    }
                }
            }
        }
        let farewell = async {
            // What stays with the broker is how the stations were left, not the run that was under way.
            if is_up(&up) {
                self.states_now().await;
            }
            while let Ok(told) = news.try_recv() {
                if let News::Alarm(alarm) = told {
                    self.alarm(&alarm, is_up(&up)).await;
                }
            }
            // `disconnect` withdraws the last will, so it is said by hand.
            self.client.publish(format!("{}/status", self.topic), "offline".into()).await;
            self.client.goodbye().await;
            let _ = link.await;
        };
        let _ = timeout(GOODBYE, farewell).await;
    }

    async fn all(&mut self) {
        self.client.publish(format!("{}/status", self.topic), "online".into()).await;
        self.states.clear();
        self.states_now().await;
        for (topic, text) in &self.alarms {
            self.client.publish(topic.clone(), text.clone()).await;
        }
    }

    async fn alarm(&mut self, alarm: &AlarmRow, up: bool) {
        let topic = format!("{}/{}/alarm/{}", self.topic, level(&alarm.station), alarm.watch);
        // A row is plain data: it can be written.
        let text = serde_json::to_string(alarm).unwrap_or_default();
        if up {
            self.client.publish(topic.clone(), text.clone()).await;
        }
        self.alarms.insert(topic, text);
    }

    async fn states_now(&mut self) {
        for handle in &self.stations {
            let snapshot = handle.snapshot();
            let state = state(&snapshot);
            if self.states.get(handle.name()) != Some(&state) {
                let mut told = state.clone();
                told["at"] = json!(snapshot.taken);
                let topic = format!("{}/{}/state", self.topic, level(handle.name()));
                if self.client.publish(topic, told.to_string()).await {
                    self.states.insert(handle.name().into(), state);
                }
            }
        }
    }

    async fn readings_now(&mut self) {
        for handle in &self.stations {
            if let Some(reading) = reading(&handle.snapshot()) {
                let topic = format!("{}/{}/readings", self.topic, level(handle.name()));
                let sure = self.asked.elapsed() >= SIGN;
                if sure {
                    self.asked = Instant::now();
                }
                self.client.mention(topic, reading.to_string(), sure).await;
            }
        }
    }
}

fn is_up(up: &watch::Receiver<u64>) -> bool {
    *up.borrow() > 0
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
        "job": snapshot.job.as_ref().map(job),
    })
}

/// Of a guided job: what changes as it goes on, and nothing that changes with every second.
fn job(job: &JobView) -> Value {
    json!({
        "id": job.id,
        "title": job.title,
        "state": job.state,
        "step": job.step,
        "step_count": job.step_count,
        "question": job.question.as_ref().map(|q| json!({ "seq": q.seq, "text": q.text })),
        "cause": job.cause,
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
