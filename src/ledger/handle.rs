//! Opening the ledger, and the handle everybody holds.

use super::account::Accounts;
use super::reader::{self, Reader, damaged};
use super::rows::{
    AlarmRow, CommissioningRow, EventRow, News, ReadingRow, Row, RunEnd, RunRow, RunStart, TankRow,
};
use super::writer::{Feed, Health, Message, Reply, Writer, now_utc};
use super::{LedgerError, check, schema, seal, seal_job};
use nix::fcntl::{Flock, FlockArg};
use rusqlite::{Connection, params};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;
use tokio::sync::{broadcast, oneshot, watch};

/// Rows that may wait for the thread: minutes of one station at 5 Hz.
const QUEUE: usize = 8_192;
/// Alarms and events that a slow listener may lag behind before it misses some.
const NEWS: usize = 1_024;
/// The write-ahead log is cut back to this after it was folded in.
const LOG_BYTES: i64 = 16 << 20;

/// What was found when the ledger was opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recovery {
    /// A sentence for the log and the operator.
    pub sentence: String,
    /// Runs that were open and are now closed as `aborted`, cause `interrupted`.
    pub interrupted: Vec<String>,
    /// The schema it had, if that was an older one.
    pub migrated_from: Option<i64>,
}

/// The ledger. Cheap to clone; when the last one is dropped, what is queued is
/// still written before the thread ends ([`Ledger::close`] waits for that).
#[derive(Clone)]
pub struct Ledger {
    queue: SyncSender<Message>,
    feed: Arc<Feed>,
    accounts: Arc<Mutex<Accounts>>,
    news: broadcast::Sender<News>,
    reader: Reader,
}

impl std::fmt::Debug for Ledger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Ledger").field("reader", &self.reader).finish_non_exhaustive()
    }
}

impl Ledger {
    /// Opens the ledger in that file, making it if it is not there; its folder must exist.
    /// Brings an older schema up to date, checks the accounts (the rest of the file is checked while it
    /// is used: damage then shows in [`Ledger::health`], and no run begins), and closes runs that were
    /// left open as `aborted`, cause `interrupted`, with the charge that is on disk.
    ///
    /// # Errors
    /// See [`LedgerError`]; another daemon that has it open is one of them.
    pub fn open(path: &Path) -> Result<(Ledger, Recovery), LedgerError> {
        let lock = lock(path)?;
        let (db, recovery) = open_database(path)?;
        let rows = reader::tanks(&db).map_err(|e| LedgerError::Read(e.to_string()))?;
        // Whole milliseconds come back whole: f64 holds them exactly for 285,000 years.
        let accounts = Accounts::opened(&rows, |row| (row.unobserved_seconds * 1e3).round() as i64);
        let feed = Arc::new(Feed {
            health: watch::Sender::new(Health::Good),
            commits: Mutex::default(),
            refused: AtomicU64::new(0),
            damage: OnceLock::new(),
            check: Mutex::default(),
        });
        check::begin(path, feed.clone());
        let (queue, inbox) = sync_channel(QUEUE);
        let read = |e: rusqlite::Error| LedgerError::Read(e.to_string());
        let mut unsealed = seal::waiting(&db).map_err(read)?;
        unsealed.extend(seal_job::waiting(&db).map_err(read)?);
        let unsealed = unsealed.into();
        let writer = Writer { db, inbox, feed: feed.clone(), unsealed, lock };
        std::thread::Builder::new()
            .name("ledger".into())
            .spawn(move || writer.work())
            .map_err(|e| LedgerError::Folder { path: path.into(), why: e.to_string() })?;
        let accounts = Arc::new(Mutex::new(accounts));
        let news = broadcast::Sender::new(NEWS);
        Ok((Ledger { queue, feed, accounts, news, reader: Reader::new(path) }, recovery))
    }

    /// Writes that a run begins, and returns when the disk has it. After an
    /// error there is no such run.
    ///
    /// # Errors
    /// Whatever keeps it from being written: then the output must stay off.
    pub async fn begin(&self, start: RunStart) -> Result<(), LedgerError> {
        let (id, tank) = (start.id.clone(), start.tank.clone());
        self.ask(|reply| Message::Begin(Box::new(start), reply)).await?;
        self.accounts().begin(&id, &tank);
        Ok(())
    }

    /// Takes a row and returns at once. It is on disk within
    /// [`super::COMMIT_EVERY`] and one commit; trouble shows in [`Ledger::health`].
    pub fn record(&self, row: Row) {
        if let Row::Charge { run, charge, unobserved, .. } = &row {
            self.accounts().charge(run, *charge, *unobserved);
        }
        // Told whether or not the disk takes it. Nobody may be listening; then it is told to nobody.
        match &row {
            Row::Alarm(row) => drop(self.news.send(News::Alarm(Arc::new(row.clone())))),
            Row::Event(row) => drop(self.news.send(News::Event(Arc::new(row.clone())))),
            Row::JobEvent { job, event } => {
                let told = News::Job { job: job.as_str().into(), event: Arc::new(event.clone()) };
                drop(self.news.send(told));
            }
            _ => {}
        }
        let error = match self.queue.try_send(Message::Row(Box::new(row))) {
            Ok(()) => return,
            Err(TrySendError::Full(_)) => LedgerError::Full,
            // Closed, or its thread is dead: never to be passed over in silence.
            Err(TrySendError::Disconnected(_)) => LedgerError::Closed,
        };
        self.feed.refused.fetch_add(1, Ordering::Relaxed);
        self.feed.health.send_if_modified(|health| {
            let first = *health == Health::Good;
            if first {
                *health = Health::Failing(error.to_string());
            }
            first
        });
    }

    /// Tells whoever listens of something that is on record already, and writes nothing.
    pub fn tell(&self, event: EventRow) {
        // Nobody may be listening.
        let _ = self.news.send(News::Event(Arc::new(event)));
    }

    /// Returns when everything recorded so far is on disk.
    ///
    /// # Errors
    /// Whatever keeps it from being written; it is kept and tried again.
    pub async fn sync(&self) -> Result<(), LedgerError> {
        self.ask(Message::Sync).await
    }

    /// Writes how a run ended, and returns when the disk has it.
    ///
    /// # Errors
    /// Whatever keeps it from being written; it is kept and tried again.
    pub async fn finish(&self, end: RunEnd) -> Result<(), LedgerError> {
        {
            let mut accounts = self.accounts();
            accounts.charge(&end.id, end.charge, end.unobserved);
            accounts.end(&end.id);
        }
        self.ask(|reply| Message::Finish(Box::new(end), reply)).await
    }

    /// Puts more unobserved time on the account of a run that has ended, and of its tank, and returns when the disk has
    /// it. The run is sealed, so that it is an entry of its own on its record, with `text` for people.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub async fn unobserved(
        &self,
        run: &str,
        tank: &str,
        more: Duration,
        text: &str,
    ) -> Result<(), LedgerError> {
        self.accounts().unobserved(tank, more);
        let milliseconds = super::account::millis(more);
        self.enter(super::Entry {
            run: run.into(),
            kind: "unobserved".into(),
            by: "the daemon".into(),
            content: serde_json::json!({ "text": text, "milliseconds": milliseconds }),
        })
        .await
    }

    /// Writes what came of a commissioning, and returns when the disk has it. The row's `at` is not looked at: the
    /// ledger stamps it.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub async fn commissioned(&self, row: CommissioningRow) -> Result<(), LedgerError> {
        self.ask(|reply| Message::Commissioned(Box::new(row), reply)).await
    }

    /// Writes what is queued, closes the file and lets go of it. Other handles
    /// then answer [`LedgerError::Closed`].
    ///
    /// # Errors
    /// Whatever kept the last rows from being written.
    pub async fn close(self) -> Result<(), LedgerError> {
        self.reader.close();
        self.ask(Message::Close).await
    }

    /// Whether it takes what it is given; changes wake the receiver.
    pub fn health(&self) -> watch::Receiver<Health> {
        self.feed.health.subscribe()
    }

    /// Every alarm's change and every event from now on, as they are recorded. Whoever lags far behind misses some
    /// and is told how many; nobody waits for a listener.
    pub fn news(&self) -> broadcast::Receiver<News> {
        self.news.subscribe()
    }

    /// Seconds that each commit took since the last call.
    pub fn take_commit_seconds(&self) -> Vec<f64> {
        std::mem::take(&mut *self.feed.commits.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// A tank's account as it stands, runs that are being worked included.
    pub fn account(&self, tank: &str) -> TankRow {
        self.accounts().tank(tank)
    }

    /// The accounts of all tanks that have ever worked, runs that are being worked included.
    pub fn all_accounts(&self) -> Vec<TankRow> {
        self.accounts().all()
    }

    /// For those who may block.
    pub fn reader(&self) -> &Reader {
        &self.reader
    }

    /// See [`Reader::runs`].
    ///
    /// # Errors
    /// As there.
    pub async fn runs(&self, limit: u32, before: Option<String>) -> Result<Vec<RunRow>, LedgerError> {
        self.read(move |r| r.runs(limit, before.as_deref())).await
    }

    /// See [`Reader::run`].
    ///
    /// # Errors
    /// As there.
    pub async fn run(&self, id: &str) -> Result<Option<RunRow>, LedgerError> {
        let id = id.to_owned();
        self.read(move |r| r.run(&id)).await
    }

    /// See [`Reader::readings`].
    ///
    /// # Errors
    /// As there.
    pub async fn readings(&self, id: &str) -> Result<Vec<ReadingRow>, LedgerError> {
        let id = id.to_owned();
        self.read(move |r| r.readings(&id)).await
    }

    /// See [`Reader::tanks`].
    ///
    /// # Errors
    /// As there.
    pub async fn tanks(&self) -> Result<Vec<TankRow>, LedgerError> {
        self.read(Reader::tanks).await
    }

    /// See [`Reader::alarms`].
    ///
    /// # Errors
    /// As there.
    pub async fn alarms(&self, limit: u32) -> Result<Vec<AlarmRow>, LedgerError> {
        self.read(move |r| r.alarms(limit)).await
    }

    /// See [`Reader::alarms_left`].
    ///
    /// # Errors
    /// As there.
    pub async fn alarms_left(&self, station: &str) -> Result<Vec<AlarmRow>, LedgerError> {
        let station = station.to_owned();
        self.read(move |r| r.alarms_left(&station)).await
    }

    /// See [`Reader::slopes`].
    ///
    /// # Errors
    /// As there.
    pub async fn slopes(&self, tank: &str, limit: u32) -> Result<Vec<(String, f64)>, LedgerError> {
        let tank = tank.to_owned();
        self.read(move |r| r.slopes(&tank, limit)).await
    }

    /// See [`Reader::events`].
    ///
    /// # Errors
    /// As there.
    pub async fn events(&self, run: Option<String>, limit: u32) -> Result<Vec<EventRow>, LedgerError> {
        self.read(move |r| r.events(run.as_deref(), limit)).await
    }

    /// See [`Reader::backup`].
    ///
    /// # Errors
    /// As there.
    pub async fn backup(&self, to: PathBuf) -> Result<(), LedgerError> {
        self.read(move |r| r.backup(&to)).await
    }

    pub(super) async fn ask(&self, message: impl FnOnce(Reply) -> Message) -> Result<(), LedgerError> {
        let (reply, answer) = oneshot::channel();
        self.queue.try_send(message(reply)).map_err(|e| match e {
            TrySendError::Full(_) => LedgerError::Full,
            TrySendError::Disconnected(_) => LedgerError::Closed,
        })?;
        answer.await.unwrap_or(Err(LedgerError::Closed))
    }

    async fn read<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&Reader) -> Result<T, LedgerError> + Send + 'static,
    ) -> Result<T, LedgerError> {
        let reader = self.reader.clone();
        tokio::task::spawn_blocking(move || ask(&reader))
            .await
            .unwrap_or_else(|e| Err(LedgerError::Read(e.to_string())))
    }

    fn accounts(&self) -> MutexGuard<'_, Accounts> {
        self.accounts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One daemon per ledger: a second one would take the first one's open run for an interrupted one.
fn lock(path: &Path) -> Result<Flock<File>, LedgerError> {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    let file = File::create(PathBuf::from(name))
        .map_err(|e| LedgerError::Folder { path: path.into(), why: e.to_string() })?;
    Flock::lock(file, FlockArg::LockExclusiveNonblock).map_err(|_| LedgerError::Busy { path: path.into() })
}

fn open_database(path: &Path) -> Result<(Connection, Recovery), LedgerError> {
    let failed = |e: rusqlite::Error| match damaged(&e) {
        Some(why) => LedgerError::Damaged { path: path.into(), why },
        None => LedgerError::Folder { path: path.into(), why: e.to_string() },
    };
    let mut db = Connection::open(path).map_err(failed)?;
    prepare(&db).map_err(failed)?;
    let found = schema::version(&db).map_err(failed)?;
    let known = i64::try_from(schema::STEPS.len()).unwrap_or(i64::MAX);
    if found > known {
        return Err(LedgerError::Newer { path: path.into(), found, known });
    }
    if let Some(why) = check::small(&db).map_err(failed)? {
        return Err(LedgerError::Damaged { path: path.into(), why });
    }
    schema::migrate(&mut db, schema::STEPS)?;
    sync_folder(path).map_err(|e| LedgerError::Folder { path: path.into(), why: e.to_string() })?;
    let recovery = recover(&mut db, (0 < found && found < known).then_some(found)).map_err(failed)?;
    Ok((db, recovery))
}

pub(super) fn prepare(db: &Connection) -> rusqlite::Result<()> {
    db.busy_timeout(Duration::from_secs(1))?;
    db.pragma_update_and_check(None, "journal_mode", "wal", |_| Ok(()))?;
    db.pragma_update(None, "synchronous", "full")?;
    db.pragma_update(None, "foreign_keys", true)?;
    db.pragma_update_and_check(None, "journal_size_limit", LOG_BYTES, |_| Ok(()))
}

/// A new file is only there for good when its folder has been flushed too.
pub(super) fn sync_folder(file: &Path) -> std::io::Result<()> {
    let folder = match file.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    File::open(folder)?.sync_all()
}

/// Closes what was open, and says so.
fn recover(db: &mut Connection, migrated_from: Option<i64>) -> rusqlite::Result<Recovery> {
    let tx = db.transaction()?;
    let open: Vec<(String, String, String, i64, String)> = tx
        .prepare(
            "SELECT r.id, r.station, r.title, c.charge_microcoulombs, c.updated_utc
             FROM run AS r JOIN tank_charge AS c ON c.run_id = r.id AND c.tank = r.tank
             WHERE r.state = 'running' ORDER BY r.id",
        )?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)))?
        .collect::<Result<_, _>>()?;
    let mut sentences = Vec::new();
    for (id, station, title, charge, last) in &open {
        let charge = crate::quantity::Microcoulombs(*charge).charge();
        let sentence = format!(
            "run {id} ({title}) was found open and is closed as interrupted, with {charge} on its account"
        );
        tx.execute(
            "UPDATE run SET state = 'aborted', cause = 'interrupted', ended_utc = ?2 WHERE id = ?1",
            params![id, last],
        )?;
        tx.execute(
            "INSERT INTO event (at_utc, monotonic_milliseconds, station, run_id, kind, text)
             VALUES (?1, 0, ?2, ?3, 'note', ?4)",
            params![now_utc(), station, id, sentence],
        )?;
        if let Err(e) = seal::seal(&tx, id, false) {
            tracing::warn!("ledger: run {id} could not be sealed: {e}");
        }
        sentences.push(sentence);
    }
    sentences.extend(super::job::close_left(&tx, &now_utc())?);
    let runs: i64 = tx.query_row("SELECT COUNT(*) FROM run", [], |row| row.get(0))?;
    tx.commit()?;
    let mut sentence = format!("ledger: {runs} run{} on record", if runs == 1 { "" } else { "s" });
    if let Some(from) = migrated_from {
        sentence += &format!("; brought up from schema {from}");
    }
    for more in sentences {
        sentence += "; ";
        sentence += &more;
    }
    Ok(Recovery { sentence, interrupted: open.into_iter().map(|r| r.0).collect(), migrated_from })
}
