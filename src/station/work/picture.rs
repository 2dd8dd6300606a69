//! The published snapshot, put together from what the task knows.

use super::pace::Trend;
use super::shell::{utc_before, utc_in};
use crate::ledger::Ledger;
use crate::quantity::{Mono, Reading, Regulation};
use crate::run::guide::{Guide, WarningKind};
use crate::run::{Controller, settled};
use crate::station::{AlarmView, BathView, LinkView, Measured, RaisedCount, Snapshot, TankView};
use crate::watch::{AlarmChange, AlarmState, Flood, Kind, ToldAlarm};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;

/// Sentences kept for people.
const SENTENCES: usize = 20;
/// Polls are counted over this long.
const RATE: Duration = Duration::from_secs(5);

/// What is shown beside the controller's own view.
pub(super) struct Picture {
    pub link: LinkView,
    /// The output was on when the link was last made.
    pub found_on: bool,
    /// Its output was confirmed off at the last try to connect, though the try failed.
    pub off_all_the_same: bool,
    station: String,
    stale_after: Duration,
    out: watch::Sender<Arc<Snapshot>>,
    seq: u64,
    last: Option<Reading>,
    good: VecDeque<Mono>,
    trend: Trend,
    log: VecDeque<String>,
    /// When each alarm came, and when it went.
    came: BTreeMap<Kind, (String, Option<String>)>,
    /// The tank in use or last used, and its bath.
    tank: Option<(String, String)>,
    polls: Vec<f64>,
    raised: BTreeMap<(&'static str, &'static str), u64>,
    flood: Flood,
    pub bath: Option<BathView>,
    /// The alarms of the job and of those before it, until they are acknowledged.
    pub told: BTreeMap<WarningKind, ToldAlarm>,
}

impl Picture {
    pub fn new(
        station: &str,
        port: String,
        stale_after: Duration,
        out: watch::Sender<Arc<Snapshot>>,
    ) -> Self {
        Picture {
            link: LinkView { port, trouble: Some("not connected yet".into()), ..LinkView::default() },
            found_on: false,
            off_all_the_same: false,
            station: station.into(),
            stale_after,
            seq: 0,
            out,
            last: None,
            good: VecDeque::new(),
            trend: Trend::default(),
            log: VecDeque::new(),
            came: BTreeMap::new(),
            tank: None,
            polls: Vec::new(),
            raised: BTreeMap::new(),
            flood: Flood::default(),
            bath: None,
            told: WarningKind::ALL.map(|k| (k, ToldAlarm::new(k.name(), k.priority()))).into(),
        }
    }

    pub fn reading(&mut self, reading: Reading, took: Duration) {
        self.last = Some(reading);
        self.good.push_back(reading.at);
        self.trend.add(reading.at, reading.volts.get(), reading.amps.get());
        self.polls.push(took.as_secs_f64());
    }

    /// A sentence worth reading, as of `at` (RFC 3339 UTC).
    pub fn say(&mut self, at: &str, text: &str) {
        if self.log.len() == SENTENCES {
            self.log.pop_front();
        }
        self.log.push_back(format!("{at} {text}"));
    }

    pub fn alarm_changed(&mut self, change: &AlarmChange, at: &str) {
        let alarm = &change.alarm;
        if alarm.since == Some(change.at) {
            self.came.insert(alarm.kind, (at.into(), None));
        } else if alarm.gone == Some(change.at)
            && let Some((_, gone)) = self.came.get_mut(&alarm.kind)
        {
            *gone = Some(at.into());
        }
        if alarm.state.raises(change.from, change.by.is_some()) {
            *self.raised.entry((alarm.kind.name(), alarm.priority.name())).or_default() += 1;
            self.flood.raised(change.at);
        }
    }

    /// A guided job warns.
    pub fn warned(&mut self, kind: WarningKind, at: Mono) {
        *self.raised.entry((kind.name(), kind.priority().name())).or_default() += 1;
        self.flood.raised(at);
    }

    /// The tank in use or last used.
    pub fn tank(&self) -> Option<&str> {
        self.tank.as_ref().map(|(name, _)| name.as_str())
    }

    pub fn uses(&mut self, tank: &str, bath: &str) {
        self.tank = Some((tank.into(), bath.into()));
    }

    /// Whether the last reading is young enough to be called the present.
    fn fresh(&self, now: Mono) -> Option<&Reading> {
        self.last.as_ref().filter(|r| self.link.up && now.since(r.at) <= self.stale_after)
    }

    /// The supply is left to itself. No reading counts any more; what it answered to the last off does.
    pub fn left(&mut self, why: &str, off: bool) {
        self.link.up = false;
        self.link.trouble = Some(why.into());
        self.last = None;
        self.off_all_the_same = off;
    }

    /// Publishes. `taken` is RFC 3339 UTC.
    pub fn publish(
        &mut self,
        now: Mono,
        taken: String,
        controller: &Controller,
        guide: Option<&Guide>,
        ledger: &Ledger,
        writes: u64,
    ) {
        self.seq += 1;
        while self.good.front().is_some_and(|at| now.since(*at) > RATE) {
            self.good.pop_front();
        }
        self.link.polls_per_second = match (self.good.front(), self.good.back()) {
            (Some(first), Some(last)) if last > first => {
                (self.good.len() - 1) as f64 / last.since(*first).as_secs_f64()
            }
            _ => 0.0,
        };
        let run = controller.view();
        let fresh = self.fresh(now).copied();
        // Where the dialect cannot ask, what was commanded and acknowledged is the best there is.
        let output_on = fresh.map(|r| r.output.unwrap_or(run.output_commanded));
        // A supply that is not let in for what it holds as setpoints was confirmed off at the last try.
        let output_on = output_on.or(self.off_all_the_same.then_some(false));
        let no_current = controller.without_current().or_else(|| guide.and_then(|g| g.without_current(now)));
        let load = guide.and_then(Guide::began).or_else(|| controller.began());
        let mut snapshot = Snapshot {
            station: self.station.clone(),
            seq: self.seq,
            taken,
            link: self.link.clone(),
            measured: fresh.map(|r| Measured {
                volts: r.volts.get(),
                amperes: r.amps.get(),
                regulation: r.regulation.map(|r| match r {
                    Regulation::ConstantCurrent => "current",
                    Regulation::ConstantVoltage => "voltage",
                    Regulation::Neither => "neither",
                }),
            }),
            reading_age_seconds: self.last.map(|r| now.since(r.at).as_secs_f64()),
            output_known: output_on.is_some(),
            output_on,
            run,
            job: guide.map(|guide| guide.view(now)),
            no_current_seconds: no_current.filter(|_| fresh.is_some()).map(|time| time.as_secs_f64()),
            alarms: {
                let own = controller.alarms().into_iter().map(|a| {
                    let until = a.shelved_until.map(|at| utc_in(at.since(now)));
                    let (since, gone) = self.came.get(&a.kind).cloned().unwrap_or_default();
                    let earlier = before(load, a.since, a.state);
                    AlarmView {
                        earlier,
                        ..AlarmView::new(&a, since, gone.filter(|_| a.gone.is_some()), until)
                    }
                });
                let mut all: Vec<_> = own.collect();
                for (kind, alarm) in self.told.iter().filter(|(_, a)| a.state() != AlarmState::Normal) {
                    let since = alarm.since().map(|at| utc_before(now.since(at))).unwrap_or_default();
                    let gone = alarm.gone().map(|at| utc_before(now.since(at)));
                    let until = alarm.shelved_until().map(|at| utc_in(at.since(now)));
                    let mut view = AlarmView::of_job(*kind, alarm, since, gone, until);
                    view.earlier = before(load, alarm.since(), alarm.state());
                    if let Some(remedy) = guide.and_then(|guide| guide.remedy(*kind)) {
                        view.remedy = remedy;
                    }
                    // As the controller sorts its own: what holds first, then by priority.
                    let rank = |a: &AlarmView| (a.state.active(), a.priority);
                    let at = all.iter().position(|a| rank(a) < rank(&view)).unwrap_or(all.len());
                    all.insert(at, view);
                }
                all
            },
            suppressed: controller.suppressed().into_iter().map(Kind::name).collect(),
            raised: self
                .raised
                .iter()
                .map(|((watch, priority), count)| RaisedCount { watch, priority, count: *count })
                .collect(),
            alarms_in_flood: self.flood.now(now),
            bath: self.bath.clone(),
            log: self.log.iter().cloned().collect(),
            trend: self.trend.seen_from(now),
            tank: self.tank.as_ref().map(|(name, bath)| {
                let account = ledger.account(name);
                TankView {
                    name: name.clone(),
                    bath: bath.clone(),
                    charge_coulombs: account.charge_coulombs,
                    unobserved_seconds: account.unobserved_seconds,
                }
            }),
            setpoint_writes: writes,
            poll_seconds: std::mem::take(&mut self.polls),
        };
        match output_on {
            Some(false) => settle(&mut snapshot, self.found_on),
            Some(true) => answered(&mut snapshot),
            None => {}
        }
        self.out.send_replace(Arc::new(snapshot));
    }
}

/// Whether an alarm is over and came before the load at work, which began at `load`.
fn before(load: Option<Mono>, since: Option<Mono>, state: AlarmState) -> bool {
    !state.active() && load.zip(since).is_some_and(|(load, since)| since < load)
}

/// Nor to one that answers again and is on because the next run is under way: the alarm was of the one before.
fn answered(snapshot: &mut Snapshot) {
    for alarm in snapshot.alarms.iter_mut().filter(|a| a.state == AlarmState::ReturnedUnacknowledged) {
        if let Some(said) = settled(&alarm.text, "it answers again") {
            alarm.text = said;
            alarm.remedy = "Nothing is the matter with it now. Acknowledge that you know of it.".into();
        }
    }
}

/// Nobody is sent to a supply whose output is known to be off again.
fn settle(snapshot: &mut Snapshot, found_on: bool) {
    let now = if found_on {
        "the output was found ON when the link came back and is off now, confirmed"
    } else {
        "the output is off now, confirmed"
    };
    if let Some(said) = snapshot.run.cause.as_deref().and_then(|cause| settled(cause, now)) {
        snapshot.run.cause = Some(said);
    }
    for alarm in &mut snapshot.alarms {
        if let Some(said) = settled(&alarm.text, now) {
            alarm.text = said;
            alarm.remedy =
                "The output is off now, confirmed. Look at the cable and at the work, then acknowledge."
                    .into();
        }
    }
}
