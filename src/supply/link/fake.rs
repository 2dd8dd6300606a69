//! A supply that misbehaves on cue, for tests of this folder only. The mimic is
//! the better supply; this one can be told to lie byte by byte.

use super::*;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, DuplexStream, duplex};
use tokio::time::sleep;

/// What happens to the next reply.
#[derive(Clone, Debug)]
pub(super) enum Slip {
    Fine,
    Silent,
    Late(Duration),
    /// These bytes instead, terminator and all.
    Raw(Vec<u8>),
    /// One byte at a time, this far apart.
    Slow(Duration),
    /// Bytes for ever.
    Endless,
    HangUp,
}

#[derive(Default)]
pub(super) struct Bench {
    /// Bytes both ways, when the wire has a speed.
    pub(super) carried: u64,
    pub(super) heard: Vec<String>,
    pub(super) slips: VecDeque<Slip>,
    pub(super) queue: VecDeque<String>,
    /// Refuses lines that begin so, with this entry.
    pub(super) refuses: Option<(String, String)>,
    pub(super) on: bool,
    /// Never switches off.
    pub(super) stuck: bool,
    pub(super) volts: String,
    pub(super) amps: String,
    pub(super) ovp: String,
    pub(super) ocp: String,
    pub(super) tripped: bool,
    pub(super) measured: (String, String),
    /// The output that somebody has selected.
    pub(super) channel: String,
}

pub(super) type Shared = Arc<Mutex<Bench>>;

impl Bench {
    pub(super) fn answer(&mut self, unit: &str) -> Option<String> {
        if let Some((header, entry)) = &self.refuses
            && unit.starts_with(header.as_str())
        {
            self.queue.push_back(entry.clone());
            return None;
        }
        let (header, value) = unit.split_once(' ').unwrap_or((unit, ""));
        let flag = |yes: bool| Some(if yes { "1" } else { "0" }.to_owned());
        match header.trim_start_matches(':') {
            "" => return None,
            "*IDN?" => return Some("WORKSHOP,BENCH 12-10,0042,1.0".into()),
            "SYST:ERR?" => return Some(self.queue.pop_front().unwrap_or("0,\"No error\"".into())),
            "MEAS:VOLT?" => return Some(self.measured.0.clone()),
            "MEAS:CURR?" => return Some(self.measured.1.clone()),
            "OUTP?" => return flag(self.on),
            "VOLT?" => return Some(self.volts.clone()),
            "CURR?" => return Some(self.amps.clone()),
            "VOLT:PROT?" => return Some(self.ovp.clone()),
            "CURR:PROT?" => return Some(self.ocp.clone()),
            "VOLT:PROT:STAT?" | "CURR:PROT:STAT?" => return flag(true),
            "VOLT:PROT:TRIP?" => return flag(self.tripped),
            "CURR:PROT:TRIP?" => return flag(false),
            "STAT:QUES:COND?" => return Some("1".into()),
            "INST:NSEL?" => return Some(self.channel.clone()),
            "INST:NSEL" => self.channel = value.into(),
            "SYST:WDOG" => {}
            "VOLT" => self.volts = value.into(),
            "CURR" => self.amps = value.into(),
            "VOLT:PROT" => self.ovp = value.into(),
            "CURR:PROT" => self.ocp = value.into(),
            "VOLT:PROT:CLE" => self.tripped = false,
            "OUTP" => self.on = value == "ON" || self.stuck,
            "VOLT:PROT:STAT" | "CURR:PROT:STAT" | "CURR:PROT:CLE" | "*CLS" => {}
            _ => self.queue.push_back("-113,\"Undefined header\"".into()),
        }
        None
    }
}

pub(super) fn bench() -> Shared {
    let zero = || "0.000".to_owned();
    Arc::new(Mutex::new(Bench {
        volts: zero(),
        amps: zero(),
        ovp: zero(),
        ocp: zero(),
        channel: "1".into(),
        measured: ("7.020".into(), "2.500".into()),
        ..Bench::default()
    }))
}

/// Serves one connection, one line at a time, as instruments do.
pub(super) fn serve(bench: &Shared) -> DuplexStream {
    let (ours, theirs) = duplex(4096);
    serve_on(bench, theirs, Duration::ZERO);
    ours
}

/// The same over any stream, as slow as a wire of that time per byte.
pub(super) fn serve_on(
    bench: &Shared,
    theirs: impl tokio::io::AsyncRead + tokio::io::AsyncWrite + Send + 'static,
    byte_time: Duration,
) -> tokio::task::JoinHandle<()> {
    let bench = bench.clone();
    tokio::spawn(async move {
        let (read, mut write) = tokio::io::split(theirs);
        let mut lines = BufReader::new(read).lines();
        while let Ok(Some(line)) = lines.next_line().await {
            let (reply, slip) = {
                let mut b = bench.lock().unwrap();
                b.heard.push(line.clone());
                let replies: Vec<String> = line.split(';').filter_map(|unit| b.answer(unit)).collect();
                if replies.is_empty() {
                    continue;
                }
                (replies.join(";") + "\n", b.slips.pop_front().unwrap_or(Slip::Fine))
            };
            if !byte_time.is_zero() {
                let bytes = u32::try_from(line.len() + 1 + reply.len()).unwrap();
                bench.lock().unwrap().carried += u64::from(bytes);
                sleep(byte_time * bytes).await;
            }
            match slip {
                Slip::Fine => write.write_all(reply.as_bytes()).await.unwrap(),
                Slip::Silent => {}
                Slip::Late(by) => {
                    sleep(by).await;
                    let _ = write.write_all(reply.as_bytes()).await;
                }
                Slip::Raw(bytes) => write.write_all(&bytes).await.unwrap(),
                Slip::Slow(apart) => {
                    for byte in reply.bytes() {
                        sleep(apart).await;
                        let _ = write.write_all(&[byte]).await;
                    }
                }
                Slip::Endless => {
                    while write.write_all(b"7.0").await.is_ok() {
                        sleep(Duration::from_millis(1)).await;
                    }
                    return;
                }
                Slip::HangUp => return,
            }
        }
    })
}

pub(super) fn spec(identity: Option<&str>) -> Spec {
    Spec {
        dialect: "scpi".into(),
        port: Port::Tcp("nowhere:5025".into()),
        baud: 9600,
        parity: Parity::None,
        two_stop_bits: false,
        identity: identity.map(Into::into),
        wiring: crate::supply::Wiring::default(),
    }
}

pub(super) fn dialect() -> Arc<Dialect> {
    Arc::new(dialect::shipped().remove(0))
}
