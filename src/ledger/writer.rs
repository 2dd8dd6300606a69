//! The one thread that writes.

use super::LedgerError;
use super::backlog::Backlog;
use super::check;
use super::error::words;
use super::finding;
use super::job::{self, JobEnd, JobStart};
use super::packed;
use super::rows::{CommissioningRow, Row, RunEnd, RunStart};
use super::seal::{self, Entry};
use super::seal_job;
use super::upkeep::{self, Deed};
use rusqlite::{Connection, InterruptHandle, params};
use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{oneshot, watch};

/// Rows wait at most this long for their commit, so that a kill loses less than
/// one second of charge with readings and a slow disk on top.
pub const COMMIT_EVERY: Duration = Duration::from_millis(500);
/// First wait after a refused write; doubles up to [`RETRY_MOST`].
const RETRY_FIRST: Duration = Duration::from_millis(500);
const RETRY_MOST: Duration = Duration::from_secs(10);
/// With nothing to do for this long, readings of an earlier format are packed: not while a run polls at 5 Hz.
const IDLE: Duration = Duration::from_millis(250);
/// Commit times kept for the histogram between two scrapes.
const MOST_TIMES: usize = 10_000;

/// Whether the ledger takes what it is given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Health {
    /// It does.
    Good,
    /// It does not, and why, in the operator's words. It goes on trying.
    Failing(String),
}

pub(super) type Reply = oneshot::Sender<Result<(), LedgerError>>;

/// What the handle sends the thread.
pub(super) enum Message {
    Row(Box<Row>),
    Begin(Box<RunStart>, Reply),
    Finish(Box<RunEnd>, Reply),
    BeginJob(Box<JobStart>, Reply),
    FinishJob(JobEnd, Reply),
    Commissioned(Box<CommissioningRow>, Reply),
    Addition(Box<Deed>, Reply),
    Once(Box<super::gate::Once>, Reply),
    Entry(Box<Entry>, Reply),
    Finding(Box<finding::Deed>, Reply),
    Sync(Reply),
    Close(Reply),
    /// Lets a test fill the disk: no more than this many pages.
    #[cfg(test)]
    MostPages(i64, Reply),
}

/// What the thread and the handles both see.
pub(super) struct Feed {
    pub health: watch::Sender<Health>,
    pub commits: Mutex<Vec<f64>>,
    /// Rows that found the queue full.
    pub refused: AtomicU64,
    /// What is wrong with the file, once that is found.
    pub damage: OnceLock<String>,
    /// Ends the check of the file, while one goes on.
    pub check: Mutex<Option<InterruptHandle>>,
}

pub(super) struct Writer<L> {
    pub db: Connection,
    pub inbox: Receiver<Message>,
    pub feed: Arc<Feed>,
    /// Runs that ended without a seal, oldest first; then jobs.
    pub unsealed: VecDeque<String>,
    /// Held as long as the thread lives.
    pub lock: L,
}

struct State {
    db: Connection,
    feed: Arc<Feed>,
    backlog: Backlog,
    next: Option<Instant>,
    last_commit: Option<Instant>,
    retry: Option<Duration>,
    unsealed: VecDeque<String>,
    /// Chunks of an earlier format are packed up to here; `None` when all are.
    packed_to: Option<(String, i64)>,
}

impl<L> Writer<L> {
    /// Works until told to close, or until the last handle is gone; then writes what is left.
    pub fn work(self) {
        let Writer { db, inbox, feed, unsealed, lock } = self;
        let mut state = State {
            db,
            feed,
            backlog: Backlog::default(),
            next: None,
            last_commit: None,
            retry: None,
            unsealed,
            packed_to: Some(Default::default()),
        };
        let farewell = state.attend(&inbox);
        let result = state.commit();
        check::end(&state.feed);
        // The file and its lock are let go before the answer, so that whoever waits can open it again.
        let closed = state.db.close().map_err(|(_, e)| LedgerError::Write(words(&e)));
        drop(lock);
        if let Some(reply) = farewell {
            // Nobody may be waiting any more; then nobody needs the answer.
            let _ = reply.send(result.and(closed));
        }
    }
}

impl State {
    fn attend(&mut self, inbox: &Receiver<Message>) -> Option<Reply> {
        loop {
            if !self.unsealed.is_empty() && self.next.is_none_or(|at| at > Instant::now()) {
                match inbox.try_recv() {
                    Ok(message) => {
                        if let ControlFlow::Break(reply) = self.take(message) {
                            return Some(reply);
                        }
                    }
                    Err(TryRecvError::Empty) => self.seal_one(),
                    Err(TryRecvError::Disconnected) => return None,
                }
                continue;
            }
            let idle = self.packed_to.is_some().then(|| Instant::now() + IDLE);
            let message = match self.next.or(idle) {
                Some(at) => match inbox.recv_timeout(at.saturating_duration_since(Instant::now())) {
                    Ok(message) => Some(message),
                    Err(RecvTimeoutError::Timeout) => {
                        if self.next.is_none() {
                            self.pack_old();
                        }
                        None
                    }
                    Err(RecvTimeoutError::Disconnected) => return None,
                },
                None => match inbox.recv() {
                    Ok(message) => Some(message),
                    Err(_) => return None,
                },
            };
            if let Some(message) = message
                && let ControlFlow::Break(reply) = self.take(message)
            {
                return Some(reply);
            }
            if self.next.is_some_and(|at| at <= Instant::now()) {
                // The failure is in `health`; the backlog is kept and tried again.
                let _ = self.commit();
            }
        }
    }

    /// Some more readings of an earlier format, or of a run that was cut short.
    fn pack_old(&mut self) {
        let Some(after) = self.packed_to.take() else { return };
        match transact(&mut self.db, |tx| packed::pack_old(tx, &after)) {
            Ok(last) => self.packed_to = last,
            // They stay readable as they are, and the next start tries again.
            Err(e) => tracing::warn!("ledger: older readings are not packed: {}", words(&e)),
        }
    }

    fn commissioned(&mut self, row: &CommissioningRow) -> Result<(), LedgerError> {
        let written = self.db.execute(
            "INSERT INTO commissioning (station, at_utc, done_by, identity, dialect, passed, off_milliseconds, \
             result_json) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            rusqlite::params![
                row.station,
                now_utc(),
                row.by,
                row.identity,
                row.dialect,
                row.passed,
                row.off_milliseconds,
                row.result_json
            ],
        );
        written.map(|_| ()).map_err(|e| LedgerError::Write(e.to_string()))
    }

    fn take(&mut self, message: Message) -> ControlFlow<Reply> {
        // A waiter that has gone away needs no answer: hence the `let _`.
        match message {
            Message::Row(row) => {
                self.backlog.take(*row);
                let due = self.last_commit.map_or_else(Instant::now, |at| at + COMMIT_EVERY);
                self.next.get_or_insert(due);
            }
            Message::Begin(start, reply) => {
                let result = self.commit().and_then(|()| self.begin(&start));
                let _ = reply.send(result);
            }
            Message::Finish(end, reply) => {
                self.backlog.end(*end);
                let _ = reply.send(self.commit());
            }
            Message::BeginJob(start, reply) => {
                let _ = reply.send(self.commit().and_then(|()| self.begin_job(&start)));
            }
            Message::FinishJob(end, reply) => {
                self.backlog.end_job(end);
                let _ = reply.send(self.commit());
            }
            Message::Commissioned(row, reply) => {
                let _ = reply.send(self.commit().and_then(|()| self.commissioned(&row)));
            }
            Message::Addition(deed, reply) => {
                let _ = reply.send(self.commit().and_then(|()| upkeep::write(&mut self.db, &deed)));
            }
            Message::Finding(deed, reply) => {
                let _ = reply.send(self.commit().and_then(|()| finding::write(&mut self.db, &deed)));
            }
            Message::Once(deed, reply) => {
                let _ = reply.send(self.commit().and_then(|()| super::gate::write_once(&mut self.db, &deed)));
            }
            Message::Entry(entry, reply) => {
                let _ = reply.send(self.commit().and_then(|()| self.enter(&entry)));
            }
            Message::Sync(reply) => {
                let _ = reply.send(self.commit());
            }
            Message::Close(reply) => return ControlFlow::Break(reply),
            #[cfg(test)]
            Message::MostPages(pages, reply) => {
                let done = self.db.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()));
                let _ = reply.send(done.map_err(|e| LedgerError::Write(e.to_string())));
            }
        }
        ControlFlow::Continue(())
    }

    fn enter(&mut self, entry: &Entry) -> Result<(), LedgerError> {
        transact(&mut self.db, |tx| {
            seal::append(tx, &entry.run, &entry.kind, Some(&entry.by), false, entry.content.to_string())
        })
        .map_err(|e| LedgerError::Write(words(&e)))
    }

    /// Seals one run or job that should have been sealed before; one at a time, so that nobody waits long.
    fn seal_one(&mut self) {
        let Some(id) = self.unsealed.pop_front() else { return };
        // Each passes over what is not its own.
        let sealed = transact(&mut self.db, |tx| {
            seal::seal(tx, &id, true)?;
            seal_job::seal(tx, &id, true)
        });
        if let Err(e) = sealed {
            // It is asked for again at the next start; until then `runs verify` says so.
            tracing::warn!("ledger: {id} could not be sealed: {e}");
        }
    }

    /// The intent, on disk when this returns. A run that could not be begun leaves nothing behind.
    fn begin(&mut self, start: &RunStart) -> Result<(), LedgerError> {
        if let Some(why) = self.feed.damage.get() {
            return Err(LedgerError::Write(why.clone()));
        }
        let began = Instant::now();
        let result = insert_run(&mut self.db, start, &now_utc());
        if result.is_ok() {
            self.backlog.begin(&start.id);
        }
        self.settle(began, result)
    }

    /// As [`State::begin`], for a job.
    fn begin_job(&mut self, start: &JobStart) -> Result<(), LedgerError> {
        let began = Instant::now();
        let result = transact(&mut self.db, |tx| job::insert(tx, start));
        self.settle(began, result)
    }

    /// Writes the backlog; with an empty one and a failure standing, tries a write of no consequence.
    fn commit(&mut self) -> Result<(), LedgerError> {
        let refused = self.feed.refused.swap(0, Ordering::Relaxed);
        self.backlog.lost += refused;
        if self.backlog.is_empty() && self.retry.is_none() && self.backlog.lost == 0 {
            self.next = None;
            return Ok(());
        }
        let began = Instant::now();
        let now = now_utc();
        let lost = self.backlog.lost;
        let result = transact(&mut self.db, |tx| {
            self.backlog.write(tx, &now)?;
            if self.retry.is_some() || lost > 0 {
                note(tx, "last_written_utc", &now)?;
            }
            if lost > 0 {
                tx.execute(
                    "INSERT INTO event (at_utc, monotonic_milliseconds, station, kind, text)
                     VALUES (?1, 0, '', 'ledger', ?2)",
                    params![now, format!("{lost} rows were lost while the ledger could not be written")],
                )?;
            }
            Ok(())
        });
        if result.is_ok() {
            self.backlog.written();
        } else if transact(&mut self.db, |tx| self.backlog.write_accounts(tx, &now)).is_ok() {
            // No room for readings, but the charge and the end of the run are safe.
            self.backlog.accounts_written();
        }
        self.settle(began, result)
    }

    /// Health, pace and the histogram after a write.
    fn settle(&mut self, began: Instant, result: rusqlite::Result<()>) -> Result<(), LedgerError> {
        let now = Instant::now();
        self.last_commit = Some(now);
        match result {
            Ok(()) => {
                let mut times = self.feed.commits.lock().unwrap_or_else(PoisonError::into_inner);
                if times.len() < MOST_TIMES {
                    times.push(now.duration_since(began).as_secs_f64());
                }
                drop(times);
                self.retry = None;
                self.next = None;
                self.say(match self.feed.damage.get() {
                    None => Health::Good,
                    Some(why) => Health::Failing(why.clone()),
                });
                Ok(())
            }
            Err(e) => {
                let wait = self.retry.map_or(RETRY_FIRST, |w| (w * 2).min(RETRY_MOST));
                self.retry = Some(wait);
                self.next = Some(now + wait);
                let why = words(&e);
                self.say(Health::Failing(why.clone()));
                Err(LedgerError::Write(why))
            }
        }
    }

    fn say(&self, health: Health) {
        self.feed.health.send_if_modified(|old| {
            let changed = *old != health;
            if changed {
                match &health {
                    Health::Good => tracing::info!("ledger: is written again; nothing on disk was lost"),
                    Health::Failing(why) => tracing::error!("ledger: {why}"),
                }
                *old = health;
            }
            changed
        });
    }
}

fn transact<T>(
    db: &mut Connection,
    write: impl FnOnce(&rusqlite::Transaction<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<T> {
    let tx = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let done = write(&tx)?;
    tx.commit()?;
    Ok(done)
}

fn insert_run(db: &mut Connection, start: &RunStart, now: &str) -> rusqlite::Result<()> {
    transact(db, |tx| {
        tx.execute(
            "INSERT INTO run (id, station, tank, title, started_by, started_utc, state, target_microcoulombs,
                              area_square_meters, parts, metal, thickness_meters_per_coulomb, continues,
                              order_json, job_id, lot, customer)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, 'running', ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)",
            params![
                start.id,
                start.station,
                start.tank,
                start.title,
                start.started_by,
                start.started,
                start.target.map(|t| t.0),
                start.area_square_meters,
                start.parts,
                start.metal,
                start.thickness_meters_per_coulomb,
                start.continues,
                start.order_json,
                start.job,
                start.lot,
                start.customer,
            ],
        )?;
        tx.execute(
            "INSERT INTO tank_charge (run_id, tank, updated_utc) VALUES (?1, ?2, ?3)",
            params![start.id, start.tank, now],
        )?;
        for (number, hung) in (1i64..).zip(&start.hung) {
            // The area of everything is more than that of any part in it; NaN makes no share.
            let share = (hung.area_square_meters / start.area_square_meters).clamp(0.0, 1.0);
            tx.execute(
                "INSERT INTO run_part (run_id, number, part, kind, count, area_square_meters, share)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![
                    start.id,
                    number,
                    hung.number,
                    hung.kind,
                    hung.count,
                    hung.area_square_meters,
                    if share.is_finite() { share } else { 0.0 },
                ],
            )?;
        }
        Ok(())
    })
}

fn note(tx: &rusqlite::Transaction<'_>, key: &str, value: &str) -> rusqlite::Result<()> {
    tx.execute(
        "INSERT INTO meta (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2",
        params![key, value],
    )
    .map(|_| ())
}

/// Wall time as the ledger writes it: RFC 3339 UTC to the millisecond.
pub(super) fn now_utc() -> String {
    format!("{:.3}", jiff::Timestamp::now())
}
