//! Polls a second at 9600 baud against what the wire allows.
//! `cargo bench --bench poll`
//!
//! Line, dialect and instrument over the mimic's pty, which keeps back every
//! byte for the ten bits it takes at 9600 baud (8-N-1), both ways. The limit:
//! bytes of questions and answers, times ten bits, plus the dialect's rest
//! between exchanges. The mimic answers without thinking, so that all the rest
//! of the time is ours.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll, ready};
use std::time::{Duration, Instant};
use tankside::mimic;
use tankside::supply::dialect::shipped;
use tankside::supply::{Clock, Device, Parity, Port, Spec};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::{SerialPortBuilderExt, SerialStream};

const BAUD: u32 = 9600;
/// Start bit, eight data bits, stop bit.
const BITS: u32 = 10;
const POLLS: u32 = 200;
/// The share of the limit that must be reached.
const LEAST: f64 = 0.90;

#[tokio::main(worker_threads = 2)]
async fn main() {
    let options = mimic::Options { baud: Some(BAUD), reply_delay: Duration::ZERO, ..Default::default() };
    let supply = mimic::start(options).await.expect("the mimic starts");
    let path = supply.pty().expect("a pty was asked for");
    let dialect = shipped().into_iter().find(|d| d.name == "scpi").expect("shipped");
    let rest = dialect.timing.min_gap;
    let spec = Spec {
        dialect: "scpi".into(),
        port: Port::Serial(path.clone()),
        baud: BAUD,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: tankside::supply::Wiring::default(),
    };
    let counts = Arc::new(Counts::default());
    let port = tokio_serial::new(path.to_string_lossy(), BAUD).open_native_async().expect("the pty opens");
    let port = Counted { port, counts: Arc::clone(&counts) };

    let mut device = Device::new(spec, Arc::new(dialect), Clock::new());
    device.connect_over(port).await.expect("the simulated supply answers");
    device.read().await.expect("a first reading, which asks for everything");
    let before = counts.now();
    let begun = Instant::now();
    for _ in 0..POLLS {
        device.read().await.expect("a reading");
    }
    let spent = begun.elapsed();
    let bytes = counts.now().0 - before.0;
    let questions = counts.now().1 - before.1;

    let wire = bytes as f64 * f64::from(BITS) / f64::from(BAUD) + questions as f64 * rest.as_secs_f64();
    let share = wire / spent.as_secs_f64();
    println!(
        "{POLLS} polls in {:.2} s: {:.2} a second; {:.1} bytes and {:.1} exchanges a poll",
        spent.as_secs_f64(),
        f64::from(POLLS) / spent.as_secs_f64(),
        bytes as f64 / f64::from(POLLS),
        questions as f64 / f64::from(POLLS)
    );
    println!(
        "the wire at {BAUD} baud with {} ms of rest allows {:.2} a second; reached {:.1} % (at least {:.0} %)",
        rest.as_millis(),
        f64::from(POLLS) / wire,
        share * 100.0,
        LEAST * 100.0
    );
    assert!(share >= LEAST, "slower than the README says");
}

#[derive(Default)]
struct Counts {
    bytes: AtomicU64,
    questions: AtomicU64,
}

impl Counts {
    fn now(&self) -> (u64, u64) {
        (self.bytes.load(Ordering::SeqCst), self.questions.load(Ordering::SeqCst))
    }
}

/// A port that counts what goes through it; every message out is a question here.
struct Counted {
    port: SerialStream,
    counts: Arc<Counts>,
}

impl AsyncRead for Counted {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = into.filled().len();
        ready!(Pin::new(&mut self.port).poll_read(cx, into))?;
        self.counts.bytes.fetch_add((into.filled().len() - before) as u64, Ordering::SeqCst);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Counted {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        let n = ready!(Pin::new(&mut self.port).poll_write(cx, from))?;
        self.counts.bytes.fetch_add(n as u64, Ordering::SeqCst);
        let ends = from[..n].iter().filter(|b| **b == b'\n').count();
        self.counts.questions.fetch_add(ends as u64, Ordering::SeqCst);
        Poll::Ready(Ok(n))
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_flush(cx)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_shutdown(cx)
    }
}
