//! The mimic as a process: a pty, a TCP port, a control port, a truth file.
//!
//! Real time only. The bench's clock starts with the process; the fault script
//! counts from there or from the first output on.

mod control;
mod line;
mod modbus;
mod pty;

use super::bench::{Bench, Link, Setup};
use super::modbus::{Registers, WordOrder};
use super::prng::Prng;
use super::scpi::{Input, Instrument};
use crate::quantity::Mono;
use line::Wire;
use serde_json::json;
use std::fmt;
use std::fs::File;
use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{broadcast, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, interval};

/// The bench moves at least so often, whoever asks.
const TICK: Duration = Duration::from_millis(20);
/// Ticks between two lines of the truth file.
const TRUTH_TICKS: u32 = 5;

/// What it speaks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Protocol {
    /// Lines of text after SCPI-1999.
    #[default]
    Scpi,
    /// Modbus: RTU on the pty, Modbus TCP on TCP; registers as in [`super::modbus`],
    /// the known value in this word order.
    Modbus(WordOrder),
    /// Plain lines after no standard, as in [`super::plain`].
    Line,
}

/// What to serve, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Options {
    /// The bench.
    pub setup: Setup,
    /// What it speaks.
    pub protocol: Protocol,
    /// Serial number in the identity.
    pub serial: String,
    /// Whether to open a pty.
    pub pty: bool,
    /// A path that always points at the pty, also after an unplug and replug.
    pub link: Option<PathBuf>,
    /// Where to listen for TCP; port 0: any that is free.
    pub tcp: Option<SocketAddr>,
    /// Where to listen for control lines; port 0: any that is free.
    pub control: Option<SocketAddr>,
    /// Speed of the pty, ten bits a byte; `None`: as fast as it goes. TCP is never slowed.
    pub baud: Option<u32>,
    /// Between a message and its reply.
    pub reply_delay: Duration,
    /// A file that gets one line of JSON ten times a second: what is really so.
    pub truth: Option<PathBuf>,
}

impl Default for Options {
    /// A pty at 9600 baud with the usual part in a nickel bath, nothing else.
    fn default() -> Self {
        Options {
            setup: Setup::default(),
            protocol: Protocol::Scpi,
            serial: "0001".into(),
            pty: true,
            link: None,
            tcp: None,
            control: None,
            baud: Some(9600),
            reply_delay: Duration::from_millis(2),
            truth: None,
        }
    }
}

/// Why the mimic cannot start, or had to end.
#[derive(Debug)]
pub enum MimicError {
    /// No pty.
    Pty(io::Error),
    /// The stable link cannot be made.
    Link {
        /// Where.
        path: PathBuf,
        /// Why.
        why: io::Error,
    },
    /// A port cannot be listened on.
    Listen {
        /// Where.
        address: SocketAddr,
        /// Why.
        why: io::Error,
    },
    /// The truth file cannot be made.
    Truth {
        /// Where.
        path: PathBuf,
        /// Why.
        why: io::Error,
    },
    /// The process cannot hear signals.
    Signal(io::Error),
}

impl fmt::Display for MimicError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            MimicError::Pty(why) => {
                write!(f, "cannot open a pty: {why}; serve TCP instead (--tcp 127.0.0.1:0)")
            }
            MimicError::Link { path, why } => write!(f, "cannot make the link {}: {why}", path.display()),
            MimicError::Listen { address, why } => {
                write!(f, "cannot listen on {address}: {why}; port 0 takes any that is free")
            }
            MimicError::Truth { path, why } => {
                write!(f, "cannot write the truth file {}: {why}", path.display())
            }
            MimicError::Signal(why) => write!(f, "cannot listen for signals: {why}"),
        }
    }
}

impl std::error::Error for MimicError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            MimicError::Pty(why) | MimicError::Signal(why) => Some(why),
            MimicError::Link { why, .. } | MimicError::Listen { why, .. } | MimicError::Truth { why, .. } => {
                Some(why)
            }
        }
    }
}

/// Bench and instrument, always together.
struct Rig {
    bench: Bench,
    instrument: Instrument,
    registers: Registers,
    garble: Prng,
    messages: u64,
}

/// What every task of one mimic shares.
struct Shared {
    protocol: Protocol,
    rig: Mutex<Rig>,
    origin: Instant,
    gone: watch::Sender<bool>,
    noise: broadcast::Sender<Vec<u8>>,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Rig> {
        // A task that panicked left the bench as it was between two steps; the others go on.
        self.rig.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does something to the rig at this instant, and tells the tasks if the line has come or gone.
    fn with<T>(&self, f: impl FnOnce(&mut Rig, Mono) -> T) -> T {
        let mut rig = self.lock();
        let nanos = u64::try_from(self.origin.elapsed().as_nanos()).unwrap_or(u64::MAX);
        let now = Mono::from_nanos(nanos);
        rig.bench.advance(now);
        let out = f(&mut rig, now);
        let is_gone = rig.bench.link() == Link::Gone;
        self.gone.send_if_modified(|gone| std::mem::replace(gone, is_gone) != is_gone);
        out
    }

    /// Bytes off a line to the instrument: its reply, and how the link is now.
    fn take(&self, input: &mut Input, bytes: &[u8]) -> (Vec<u8>, Link) {
        self.with(|rig, now| {
            if rig.bench.link() == Link::Silent {
                input.clear();
                return (Vec::new(), Link::Silent);
            }
            let Rig { bench, instrument, messages, .. } = rig;
            if self.protocol == Protocol::Line {
                let mut replies = Vec::new();
                for line in bytes.iter().filter_map(|byte| input.line(*byte)).filter(|line| !line.is_empty())
                {
                    *messages += 1;
                    let line = String::from_utf8_lossy(&line);
                    if let Some(reply) = super::plain::answer(bench, now, instrument.identity(), &line) {
                        replies.extend_from_slice(reply.as_bytes());
                        replies.push(b'\r');
                    }
                }
                return (replies, rig.bench.link());
            }
            *messages += bytes.iter().filter(|b| **b == b'\n').count() as u64;
            let reply = instrument.take(input, bench, now, bytes);
            (reply, rig.bench.link())
        })
    }

    fn link(&self) -> Link {
        self.with(|rig, _| rig.bench.link())
    }

    /// Changes about a third of the bytes, and always the first; the line end stays.
    fn garble(&self, reply: &mut [u8]) {
        let mut rig = self.lock();
        let last = reply.len().saturating_sub(1);
        for (i, b) in reply[..last].iter_mut().enumerate() {
            if i == 0 || rig.garble.unit() < 0.3 {
                *b ^= 0x80 | (rig.garble.bits() as u8 & 0x3f);
            }
        }
    }
}

/// A mimic at work. Dropping it ends it.
pub struct Running {
    shared: Arc<Shared>,
    pty: watch::Receiver<Option<PathBuf>>,
    link: Option<PathBuf>,
    tcp: Option<SocketAddr>,
    control: Option<SocketAddr>,
    /// Aborted when dropped.
    _tasks: JoinSet<()>,
}

impl Running {
    /// Where the pty is now; `None` without one or while it is unplugged.
    pub fn pty(&self) -> Option<PathBuf> {
        self.pty.borrow().clone()
    }
    /// Where TCP listens.
    pub fn tcp(&self) -> Option<SocketAddr> {
        self.tcp
    }
    /// Where the control port listens.
    pub fn control(&self) -> Option<SocketAddr> {
        self.control
    }
    /// The bench, brought up to this instant: for tests in the same process.
    pub fn with_bench<T>(&self, f: impl FnOnce(&mut Bench, Mono) -> T) -> T {
        self.shared.with(|rig, now| f(&mut rig.bench, now))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            // Best effort: the pty is going anyway.
            let _ = pty::unpoint(link);
        }
    }
}

/// Starts a mimic inside this tokio runtime.
///
/// # Errors
/// Something that was asked for cannot be opened.
pub async fn start(options: Options) -> Result<Running, MimicError> {
    let Options { setup, protocol, serial, pty: wants_pty, link, tcp, control, baud, reply_delay, truth } =
        options;
    let order = if let Protocol::Modbus(order) = protocol { order } else { WordOrder::default() };
    let shared = Arc::new(Shared {
        protocol,
        rig: Mutex::new(Rig {
            garble: Prng::new(setup.seed ^ 0x6a09_e667),
            instrument: Instrument::new(&setup.rating, &serial),
            registers: Registers::new(&serial, order),
            bench: Bench::new(setup, Mono::ZERO),
            messages: 0,
        }),
        origin: Instant::now(),
        gone: watch::Sender::new(false),
        noise: broadcast::Sender::new(16),
    });
    let mut tasks = JoinSet::new();
    let truth = match truth {
        None => None,
        Some(path) => Some(File::create(&path).map_err(|why| MimicError::Truth { path, why })?),
    };
    let (pty_tx, pty_rx) = watch::channel(None);
    if wants_pty {
        let opened = pty::open().map_err(MimicError::Pty)?;
        if let Some(path) = &link {
            pty::point(path, &opened.2).map_err(|why| MimicError::Link { path: path.clone(), why })?;
        }
        pty_tx.send_replace(Some(opened.2.clone()));
        tasks.spawn(hold_pty(shared.clone(), opened, link.clone(), Wire::new(baud, reply_delay), pty_tx));
    }
    let tcp = match tcp {
        None => None,
        Some(address) => {
            let (listener, bound) = bind(address).await?;
            tasks.spawn(hold_tcp(shared.clone(), listener, bound, Wire::new(None, reply_delay)));
            Some(bound)
        }
    };
    let control = match control {
        None => None,
        Some(address) => {
            let (listener, bound) = bind(address).await?;
            tasks.spawn(control::listen(shared.clone(), listener));
            Some(bound)
        }
    };
    tasks.spawn(tick(shared.clone(), truth));
    let link = link.filter(|_| wants_pty);
    Ok(Running { shared, pty: pty_rx, link, tcp, control, _tasks: tasks })
}

/// Starts a mimic, prints where it is, one fact a line (`pty /dev/pts/5`,
/// `tcp 127.0.0.1:40123`, `control 127.0.0.1:40124`, `ready`), and serves until SIGINT or SIGTERM.
/// After an unplug and replug the new pty is printed too.
///
/// # Errors
/// As [`start`], or signals cannot be heard.
pub async fn run(options: Options) -> Result<(), MimicError> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut interrupt = signal(SignalKind::interrupt()).map_err(MimicError::Signal)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(MimicError::Signal)?;
    let running = start(options).await?;
    let mut pty = running.pty.clone();
    if let Some(path) = pty.borrow_and_update().as_ref() {
        fact(format_args!("pty {}", path.display()));
    }
    if let Some(address) = running.tcp {
        fact(format_args!("tcp {address}"));
    }
    if let Some(address) = running.control {
        fact(format_args!("control {address}"));
    }
    fact(format_args!("ready"));
    loop {
        tokio::select! {
            _ = interrupt.recv() => return Ok(()),
            _ = terminate.recv() => return Ok(()),
            Ok(()) = pty.changed() => match pty.borrow_and_update().as_ref() {
                Some(path) => fact(format_args!("pty {}", path.display())),
                None => fact(format_args!("unplugged")),
            },
        }
    }
}

fn fact(line: fmt::Arguments<'_>) {
    let mut out = io::stdout().lock();
    // Whoever started us may have stopped reading; we serve on.
    let _ = writeln!(out, "{line}").and_then(|()| out.flush());
}

async fn bind(address: SocketAddr) -> Result<(TcpListener, SocketAddr), MimicError> {
    let listen = |why| MimicError::Listen { address, why };
    let listener = TcpListener::bind(address).await.map_err(listen)?;
    let bound = listener.local_addr().map_err(listen)?;
    Ok((listener, bound))
}

/// Moves the bench and writes the truth file.
async fn tick(shared: Arc<Shared>, mut truth: Option<File>) {
    let mut timer = interval(TICK);
    timer.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    for n in 0u32.. {
        timer.tick().await;
        shared.with(|_, _| ());
        if n.is_multiple_of(TRUTH_TICKS)
            && let Some(file) = &mut truth
        {
            let line = shared.with(|rig, now| state_json(rig, now));
            if writeln!(file, "{line}").is_err() {
                // A full disk ends the file, not the mimic.
                truth = None;
            }
        }
    }
}

async fn serve_serial(shared: Arc<Shared>, stream: pty::Master, wire: Wire) {
    match shared.protocol {
        Protocol::Scpi | Protocol::Line => line::serve(shared, stream, wire).await,
        Protocol::Modbus(_) => modbus::serve_rtu(shared, stream, wire).await,
    }
}

async fn serve_socket(shared: Arc<Shared>, stream: TcpStream, wire: Wire) {
    match shared.protocol {
        Protocol::Scpi | Protocol::Line => line::serve(shared, stream, wire).await,
        Protocol::Modbus(_) => modbus::serve_tcp(shared, stream, wire).await,
    }
}

/// The pty while it is plugged in; a new one after each unplug.
async fn hold_pty(
    shared: Arc<Shared>,
    first: (pty::Master, pty::Keeper, PathBuf),
    link: Option<PathBuf>,
    wire: Wire,
    path: watch::Sender<Option<PathBuf>>,
) {
    let mut gone = shared.gone.subscribe();
    let mut opened = Some(first);
    loop {
        if let Some((master, keeper, _)) = opened.take() {
            let mut release = interval(Duration::from_millis(100));
            let line = serve_serial(shared.clone(), master, wire);
            tokio::pin!(line);
            loop {
                tokio::select! {
                    () = &mut line => break,
                    _ = release.tick() => keeper.release_exclusive(),
                }
            }
        }
        path.send_replace(None);
        if let Some(link) = &link {
            let _ = pty::unpoint(link);
        }
        if gone.wait_for(|gone| !*gone).await.is_err() {
            return;
        }
        if let Ok(fresh) = pty::open() {
            if let Some(link) = &link {
                let _ = pty::point(link, &fresh.2);
            }
            path.send_replace(Some(fresh.2.clone()));
            opened = Some(fresh);
        } else {
            // Out of ptys: try again, but not in a hot loop.
            tokio::time::sleep(Duration::from_millis(250)).await;
        }
    }
}

/// The TCP port while it is plugged in; the same port after each unplug.
async fn hold_tcp(shared: Arc<Shared>, first: TcpListener, address: SocketAddr, wire: Wire) {
    let mut gone = shared.gone.subscribe();
    let mut listener = Some(first);
    loop {
        if let Some(listener) = listener.take() {
            let mut lines = JoinSet::new();
            loop {
                tokio::select! {
                    _ = gone.wait_for(|gone| *gone) => break,
                    accepted = listener.accept() => {
                        if let Ok((stream, _)) = accepted {
                            // Small messages; without this the kernel holds them back.
                            let _ = stream.set_nodelay(true);
                            lines.spawn(serve_socket(shared.clone(), stream, wire));
                        }
                    }
                    Some(_) = lines.join_next() => {}
                }
            }
        }
        if gone.wait_for(|gone| !*gone).await.is_err() {
            return;
        }
        match TcpListener::bind(address).await {
            Ok(again) => listener = Some(again),
            Err(_) => tokio::time::sleep(Duration::from_millis(250)).await,
        }
    }
}

/// One line: what is really so. Seconds since the mimic's start, SI units, degC.
fn state_json(rig: &Rig, now: Mono) -> String {
    let t = rig.bench.truth();
    let supply = rig.bench.supply();
    let finite = |x: f64| if x.is_finite() { json!(x) } else { json!(null) };
    let link = match rig.bench.link() {
        Link::Up => "up",
        Link::Silent => "silent",
        Link::Gone => "gone",
        Link::Late(_) => "late",
        Link::Garbled => "garbled",
        Link::Truncated => "truncated",
        Link::Endless => "endless",
        Link::WrongType => "wrong-type",
    };
    json!({
        "seconds": now.seconds(),
        "output": t.output,
        "output_on_seconds": rig.bench.output_seconds(),
        "last_on": rig.bench.last_on().map(Mono::seconds),
        "last_off": rig.bench.last_off().map(Mono::seconds),
        "volts": t.volts.get(),
        "amperes": t.amps.get(),
        "set_volts": supply.volts_setpoint(),
        "set_amperes": supply.amps_setpoint(),
        "over_voltage_level": supply.ovp.level,
        "over_current_level": supply.ocp.level,
        "tripped": supply.tripped(),
        "charge_coulombs": t.charge.get(),
        "thickness_meters": t.thickness.get(),
        "edge_thickness_meters": t.edge_thickness.get(),
        "mean_density": t.mean_density.get(),
        "edge_density": t.edge_density.get(),
        "edge_limit": finite(t.edge_limit.get()),
        "edge_film": t.edge_film,
        "burnt": t.burnt,
        "temperature": t.temperature.get(),
        "anode_passive": t.anode_passive,
        "link": link,
        "faults": rig.bench.active_faults().iter().map(|(name, _)| *name).collect::<Vec<_>>(),
        "messages": rig.messages,
        "identity": rig.instrument.identity(),
    })
    .to_string()
}
