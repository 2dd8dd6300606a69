//! The guard of a line that is not to be trusted by itself: Modbus, and every
//! line that several supplies share.
//!
//! - One exchange at a time; who asks first is served first (tokio's mutex is
//!   fair), and no supply has more than one question waiting, so none starves.
//! - Whoever waits for an exchange may be dropped; the exchange is not: it goes
//!   on in a task of its own, so it never ends half-way. One that has not begun
//!   when its asker is gone does not begin. Whoever has asked must either go on
//!   waiting or be dropped: kept and not polled, it would hold the line.
//! - After any exchange that did not end as it should, the line is dirty and
//!   every seat's trust is void. Dirty ends with silence for as long as the
//!   slowest answer may take, and a drain; trust comes back to each seat by
//!   one read whose answer it knows, in the same turn as its next question, so
//!   that a neighbour in trouble cannot come between. Without that answer the
//!   question is not sent.

use super::line::{Line, Wire};
use super::registers::{Master, Registers};
use super::trouble::Trouble;
use std::collections::BTreeMap;
use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex as StdMutex, PoisonError, Weak};
use std::task::{Context, Poll};
use tokio::runtime::Handle;
use tokio::sync::Mutex;
use tokio::time::Instant;

/// A question in the words of the line's framing.
#[derive(Clone, Debug)]
pub(super) enum Question {
    /// To that unit.
    Registers(u8, Registers),
    /// A line that has an answer.
    Ask(String),
    /// A line that has none.
    Tell(String),
}

impl fmt::Display for Question {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Question::Registers(unit, what) => write!(f, "unit {unit}: {what}"),
            Question::Ask(text) | Question::Tell(text) => f.write_str(text),
        }
    }
}

/// An answer.
#[derive(Debug)]
pub(super) struct Answer {
    pub words: Vec<u16>,
    pub text: Vec<u8>,
    /// When the supply looked, as near as can be told.
    pub at: Instant,
    /// The epoch in which it came.
    pub epoch: u64,
}

/// Under what condition a question may go out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Standing {
    /// Only if nothing has gone wrong since this seat proved the line.
    Trusted,
    /// After the line has been made quiet: its answer is known beforehand.
    Known,
    /// At once, whatever the line is in: off.
    Anyway,
}

enum Talker {
    Modbus(Master),
    Text(Line<Box<dyn Wire>>),
    /// Gone; the stream is closed already.
    Closed,
}

type Guarded = tokio::sync::OwnedMutexGuard<Talker>;

/// One line.
pub(super) struct Bus {
    talker: Arc<Mutex<Talker>>,
    dirty: AtomicBool,
    /// Goes up by one with every trouble.
    epoch: AtomicU64,
    unsolicited: AtomicU64,
    closed: AtomicBool,
}

impl Bus {
    pub fn modbus(master: Master) -> Arc<Bus> {
        Bus::over(Talker::Modbus(master))
    }

    pub fn text(line: Line<Box<dyn Wire>>) -> Arc<Bus> {
        Bus::over(Talker::Text(line))
    }

    fn over(talker: Talker) -> Arc<Bus> {
        Arc::new(Bus {
            talker: Arc::new(Mutex::new(talker)),
            dirty: AtomicBool::new(true),
            epoch: AtomicU64::new(0),
            unsolicited: AtomicU64::new(0),
            closed: AtomicBool::new(false),
        })
    }

    fn is_closed(&self) -> bool {
        self.closed.load(Ordering::Acquire)
    }
}

/// The line at one port, open as long as somebody sits on it.
type Port = Arc<Mutex<Weak<Bus>>>;

/// The line at that port: the one that is open, or the one that `open` makes. The port is held while it
/// opens, so that two stations that start together share one line; other ports do not wait for it: an off may.
pub(super) async fn join(
    port: &str,
    open: impl Future<Output = Result<Arc<Bus>, Trouble>>,
) -> Result<Arc<Bus>, Trouble> {
    static PORTS: StdMutex<BTreeMap<String, Port>> = StdMutex::new(BTreeMap::new());
    let port = {
        let mut ports = PORTS.lock().unwrap_or_else(PoisonError::into_inner);
        // What nobody opens or sits on is forgotten.
        ports.retain(|_, port| {
            Arc::strong_count(port) > 1 || port.try_lock().is_ok_and(|bus| bus.strong_count() > 0)
        });
        Arc::clone(ports.entry(port.into()).or_default())
    };
    let mut line = port.lock().await;
    if let Some(bus) = line.upgrade()
        && !bus.is_closed()
    {
        return Ok(bus);
    }
    let bus = open.await?;
    *line = Arc::downgrade(&bus);
    Ok(bus)
}

/// One supply's place on a line.
pub(super) struct Seat {
    bus: Arc<Bus>,
    /// The epoch in which the line was proved.
    trusted: u64,
    /// The known question and its answer.
    proof: Option<Arc<Proof>>,
}

struct Proof {
    question: Question,
    words: Vec<u16>,
    text: Vec<u8>,
}

impl Seat {
    pub fn new(bus: Arc<Bus>) -> Self {
        Seat { bus, trusted: 0, proof: None }
    }

    /// Whether nothing is known by which the line could be proved.
    pub fn is_suspect(&self) -> bool {
        self.proof.is_none()
    }

    /// That question was answered right by that, and always will be.
    pub fn trust(&mut self, question: Question, answer: Answer) {
        self.trusted = answer.epoch;
        self.proof = Some(Arc::new(Proof { question, words: answer.words, text: answer.text }));
    }

    /// Somebody else answered the known question.
    pub fn forget(&mut self) {
        self.proof = None;
        self.distrust();
    }

    /// The caller could not make sense of an answer: everybody proves the line again.
    pub fn distrust(&mut self) {
        self.bus.dirty.store(true, Ordering::Release);
        self.bus.epoch.fetch_add(1, Ordering::AcqRel);
    }

    /// Bytes that came on this line without a question.
    pub fn unsolicited(&self) -> u64 {
        self.bus.unsolicited.load(Ordering::Acquire)
    }

    /// Makes the line quiet if it is dirty.
    pub async fn quiet(&self) -> Result<(), Trouble> {
        self.run("nothing", |bus, mut talker| async move { bus.clean(&mut talker).await }).await
    }

    /// One exchange.
    pub async fn exchange(&mut self, question: Question, standing: Standing) -> Result<Answer, Trouble> {
        let (trusted, proof) = (self.trusted, self.proof.clone());
        let asked = question.clone();
        let work = move |bus: Arc<Bus>, mut talker: Guarded| async move {
            match standing {
                Standing::Anyway => {}
                Standing::Known => bus.clean(&mut talker).await?,
                Standing::Trusted => {
                    let settled = trusted == bus.epoch.load(Ordering::Acquire);
                    if (!settled || bus.dirty.load(Ordering::Acquire))
                        && !bus.prove(&mut talker, proof).await?
                    {
                        return Err(Trouble::Unsettled { asked: question.to_string() });
                    }
                }
            }
            bus.exchange(&mut talker, &question, standing == Standing::Anyway).await
        };
        let answer = self.run(asked, work).await;
        match &answer {
            Ok(answer) if standing == Standing::Trusted => self.trusted = answer.epoch,
            Err(Trouble::Unsettled { .. }) => self.forget(),
            _ => {}
        }
        answer
    }

    /// Runs it once the line is free, to its end.
    async fn run<T, F, Work>(&self, asked: impl fmt::Display, work: F) -> Result<T, Trouble>
    where
        T: 'static,
        F: FnOnce(Arc<Bus>, Guarded) -> Work,
        Work: Future<Output = Result<T, Trouble>> + Send + 'static,
    {
        // Whoever is dropped in here has not begun.
        let talker = self.bus.talker.clone().lock_owned().await;
        if self.bus.is_closed() {
            return Err(Trouble::Gone("another supply on this line found it gone".into()));
        }
        // A panic in there leaves the line dirty: it is marked before, not after.
        Whole(Some(Box::pin(work(self.bus.clone(), talker)))).await.unwrap_or_else(|Panicked| {
            self.bus.epoch.fetch_add(1, Ordering::AcqRel);
            Err(Trouble::Garbled {
                asked: asked.to_string(),
                why: "reading it failed on our side: report it".into(),
                came: super::Bytes::default(),
            })
        })
    }
}

/// Work that goes on to its end: dropped half-way, it goes on in a task of its own.
///
/// It is not begun in one: to start a task, and to be woken by it, would take a good part of the processor time of an
/// exchange that nobody drops.
struct Whole<T: 'static>(Option<Pin<Box<dyn Future<Output = T> + Send>>>);

struct Panicked;

impl<T> Future for Whole<T> {
    type Output = Result<T, Panicked>;

    fn poll(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Self::Output> {
        let Some(work) = &mut self.0 else { return Poll::Ready(Err(Panicked)) };
        let polled = catch_unwind(AssertUnwindSafe(|| work.as_mut().poll(cx)));
        if matches!(polled, Ok(Poll::Pending)) {
            return Poll::Pending;
        }
        self.0 = None;
        polled.map_or(Poll::Ready(Err(Panicked)), |done| done.map(Ok))
    }
}

impl<T> Drop for Whole<T> {
    fn drop(&mut self) {
        // Without a runtime nothing goes on anywhere.
        if let Some(work) = self.0.take()
            && let Ok(runtime) = Handle::try_current()
        {
            runtime.spawn(async move { drop(work.await) });
        }
    }
}

impl Bus {
    async fn clean(&self, talker: &mut Talker) -> Result<(), Trouble> {
        if !self.dirty.load(Ordering::Acquire) {
            return Ok(());
        }
        let quiet = match talker {
            Talker::Modbus(master) => master.quiet().await,
            Talker::Text(line) => {
                if !line.is_suspect() {
                    line.distrust();
                }
                line.quiet().await.inspect(|()| line.trust())
            }
            Talker::Closed => Err(Trouble::Gone("the line is closed".into())),
        };
        self.note(talker, quiet.as_ref().err());
        quiet?;
        self.dirty.store(false, Ordering::Release);
        Ok(())
    }

    /// Silence, and the known question: whether it was answered as always.
    async fn prove(&self, talker: &mut Talker, proof: Option<Arc<Proof>>) -> Result<bool, Trouble> {
        let Some(proof) = proof else { return Ok(false) };
        self.clean(talker).await?;
        let answer = self.exchange(talker, &proof.question, false).await?;
        Ok(answer.words == proof.words && answer.text == proof.text)
    }

    async fn exchange(
        &self,
        talker: &mut Talker,
        question: &Question,
        anyway: bool,
    ) -> Result<Answer, Trouble> {
        let was_dirty = self.dirty.swap(true, Ordering::AcqRel);
        let answer = match (&mut *talker, question) {
            (Talker::Modbus(master), Question::Registers(unit, what)) => {
                let answer = master.exchange(*unit, what, anyway).await;
                answer.map(|(words, at)| (words, Vec::new(), at))
            }
            (Talker::Text(line), Question::Ask(text)) => {
                let answer = line.ask(text).await;
                answer.map(|answer| (Vec::new(), answer.bytes, answer.at))
            }
            (Talker::Text(line), Question::Tell(text)) => {
                let told = line.tell(text).await;
                told.map(|()| (Vec::new(), Vec::new(), Instant::now()))
            }
            (Talker::Closed, _) => Err(Trouble::Gone("the line is closed".into())),
            // Two kinds of dialect on one port; config refuses it.
            (_, question) => {
                Err(Trouble::Gone(format!("\"{question}\" is not in the framing that this line is open for")))
            }
        };
        self.note(talker, answer.as_ref().err());
        // A refusal is a whole answer: the line is as good as it was.
        if !was_dirty && answer.as_ref().err().is_none_or(is_whole) {
            self.dirty.store(false, Ordering::Release);
        }
        let (words, text, at) = answer?;
        Ok(Answer { words, text, at, epoch: self.epoch.load(Ordering::Acquire) })
    }

    fn note(&self, talker: &mut Talker, trouble: Option<&Trouble>) {
        let count = match talker {
            Talker::Modbus(master) => master.unsolicited(),
            Talker::Text(line) => line.unsolicited(),
            Talker::Closed => return,
        };
        self.unsolicited.store(count, Ordering::Release);
        if let Some(trouble) = trouble.filter(|t| !is_whole(t)) {
            self.epoch.fetch_add(1, Ordering::AcqRel);
            if trouble.is_gone() {
                // Closed now, not when the last seat is left: the port must be free to be opened again.
                self.closed.store(true, Ordering::Release);
                *talker = Talker::Closed;
            }
        }
    }
}

/// Whether it is an answer that fits its question, only not a wanted one.
fn is_whole(trouble: &Trouble) -> bool {
    matches!(trouble, Trouble::Refused { .. } | Trouble::DeviceBusy { .. })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn an_exchange_that_fails_on_our_side_takes_nobody_with_it() {
        let failing: Whole<()> = Whole(Some(Box::pin(async { panic!("for this test") })));
        assert!(failing.await.is_err());
    }

    #[tokio::test]
    async fn a_port_that_is_slow_to_open_keeps_no_other_port_waiting() {
        let line = || Bus::over(Talker::Closed);
        let (go, gone) = tokio::sync::oneshot::channel::<()>();
        let slow = async {
            gone.await.unwrap();
            Ok(line())
        };
        let mut slow = Box::pin(join("bus-test-slow", slow));
        assert!(slow.as_mut().poll(&mut Context::from_waker(std::task::Waker::noop())).is_pending());
        let other = join("bus-test-other", async { Ok(line()) });
        assert!(tokio::time::timeout(std::time::Duration::from_secs(5), other).await.is_ok());
        // The port itself is held, and who comes second sits on the same line.
        let mut second = Box::pin(join("bus-test-slow", async { Ok(line()) }));
        assert!(second.as_mut().poll(&mut Context::from_waker(std::task::Waker::noop())).is_pending());
        go.send(()).unwrap();
        let first = slow.await.unwrap();
        assert!(Arc::ptr_eq(&first, &second.await.unwrap()));
    }

    #[tokio::test]
    async fn an_exchange_that_was_begun_ends_though_nobody_waits() {
        let (end, ended) = tokio::sync::oneshot::channel();
        let (go, gone) = tokio::sync::oneshot::channel::<()>();
        let mut work = Whole(Some(Box::pin(async move {
            gone.await.unwrap();
            end.send(7).unwrap();
        })));
        assert!(Pin::new(&mut work).poll(&mut Context::from_waker(std::task::Waker::noop())).is_pending());
        drop(work);
        go.send(()).unwrap();
        assert_eq!(ended.await, Ok(7));
    }
}
