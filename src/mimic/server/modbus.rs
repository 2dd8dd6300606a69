//! One line of Modbus to the supply: RTU and TCP, at the speed of the wire, with the link's faults.

use super::line::{Wire, answer, say};
use super::{Rig, Shared};
use crate::mimic::bench::Link;
use crate::mimic::modbus::{Exception, RtuInput, TcpInput, UNIT, rtu, tcp};
use crate::supply::Rest;
use std::future::pending;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite};
use tokio::time::{Instant, sleep_until};

/// A frame that is not yet whole may pause for so long beyond the specified
/// silence: no general-purpose system holds gaps of 2 ms. Common practice, no source.
const SLACK: Duration = Duration::from_millis(10);
/// Addresses that a device answers to over TCP beside its own (MODBUS Messaging
/// on TCP/IP V1.0b, section 4.4.1.2).
const DIRECT: [u8; 2] = [0, 255];

/// Serves until the far end closes or the line is unplugged.
pub(super) async fn serve_rtu<S>(shared: Arc<Shared>, mut stream: S, wire: Wire)
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    let mut gone = shared.gone.subscribe();
    let mut noise = shared.noise.subscribe();
    let work = async {
        let mut input = RtuInput::default();
        let mut buffer = [0u8; 512];
        let mut rest = Rest::default();
        // When the wire is free again, by its own account.
        let mut free = Instant::now();
        loop {
            let cut = free + wire.frame_gap + SLACK;
            let silent = async { if input.is_empty() { pending().await } else { sleep_until(cut).await } };
            tokio::select! {
                // What has come is looked at before the clock is.
                biased;
                got = stream.read(&mut buffer) => {
                    let Ok(n @ 1..) = got else { return };
                    free = free.max(Instant::now()) + wire.time(n);
                    input.push(&buffer[..n]);
                    if !input.is_whole() {
                        continue;
                    }
                }
                Ok(bytes) = noise.recv() => {
                    free = say(&mut stream, wire, &mut rest, free.max(Instant::now()), &bytes).await;
                    continue;
                }
                () = silent => {}
            }
            let Some((unit, request)) = input.silence() else { continue };
            free += wire.frame_gap;
            rest.until(free).await;
            // Address 0 is everybody: obeyed, never answered (Serial Line V1.02, section 2.2).
            if unit != UNIT && unit != 0 {
                continue;
            }
            if let Some((reply, link)) = shared.ask(&request).filter(|_| unit == UNIT) {
                free += wire.delay;
                free = answer(&shared, &mut stream, wire, &mut rest, free, rtu(unit, &reply), link).await;
            }
        }
    };
    tokio::select! {
        () = work => {}
        // An error means that the mimic is ending.
        _ = gone.wait_for(|gone| *gone) => {}
    }
}

/// Serves one connection until it closes, sends nonsense, or the line is unplugged.
pub(super) async fn serve_tcp<S>(shared: Arc<Shared>, mut stream: S, wire: Wire)
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    let mut gone = shared.gone.subscribe();
    let mut noise = shared.noise.subscribe();
    let work = async {
        let mut input = TcpInput::default();
        let mut buffer = [0u8; 512];
        let mut rest = Rest::default();
        loop {
            tokio::select! {
                got = stream.read(&mut buffer) => {
                    let Ok(n @ 1..) = got else { return };
                    input.push(&buffer[..n]);
                }
                Ok(bytes) = noise.recv() => {
                    say(&mut stream, wire, &mut rest, Instant::now(), &bytes).await;
                }
            }
            loop {
                let Ok(next) = input.take() else { return };
                let Some(request) = next else { break };
                let ours = request.unit == UNIT || DIRECT.contains(&request.unit);
                let said = if ours {
                    shared.ask(&request.pdu)
                } else {
                    Some((Exception::NobodyThere.reply(request.pdu[0]), Link::Up))
                };
                if let Some((reply, link)) = said {
                    let when = Instant::now() + wire.delay;
                    rest.until(when).await;
                    let frame = tcp(request.transaction, request.unit, &reply);
                    answer(&shared, &mut stream, wire, &mut rest, when, frame, link).await;
                }
            }
        }
    };
    tokio::select! {
        () = work => {}
        _ = gone.wait_for(|gone| *gone) => {}
    }
}

impl Shared {
    /// A request to the device: its reply, and how the link is now. Nothing from one that is deaf.
    fn ask(&self, request: &[u8]) -> Option<(Vec<u8>, Link)> {
        self.with(|rig, now| {
            if rig.bench.link() == Link::Silent {
                return None;
            }
            rig.messages += 1;
            let Rig { bench, registers, .. } = rig;
            let reply = registers.answer(bench, now, request);
            match bench.link() {
                // The nearest that Modbus has to a word where a number should be.
                Link::WrongType => Some((Exception::Busy.reply(request[0]), Link::Up)),
                link => Some((reply, link)),
            }
        })
    }
}
