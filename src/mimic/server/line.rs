//! One line to the supply: bytes in and out at the speed of the wire, with the link's faults.

use super::Shared;
use crate::mimic::bench::Link;
use crate::mimic::modbus::t3_5;
use crate::mimic::scpi::Input;
use crate::supply::Rest;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::time::{Instant, sleep_until, timeout};

/// Bits of one character on the wire: start, eight data, stop.
const BITS: u32 = 10;
/// A reply goes out in pieces that take about so long on the wire: an adapter at full-speed USB is asked for what
/// has come once in a frame of 1 ms (USB 2.0, from memory).
const PIECE: Duration = Duration::from_millis(1);
/// Bytes that nobody takes are dropped after this.
const DEAF: Duration = Duration::from_millis(500);

/// Time on the wire.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wire {
    /// Of one character; zero: no pacing.
    byte: Duration,
    /// Between a message and its reply.
    pub(super) delay: Duration,
    /// Silence between two frames of Modbus RTU.
    pub(super) frame_gap: Duration,
}

impl Wire {
    pub(super) fn new(baud: Option<u32>, delay: Duration) -> Self {
        let byte = baud.map_or(Duration::ZERO, |b| Duration::from_secs(u64::from(BITS)) / b.max(1));
        // As at the highest speeds where the wire has none.
        let frame_gap = t3_5(baud.unwrap_or(u32::MAX));
        Wire { byte, delay, frame_gap }
    }
    pub(super) fn time(self, bytes: usize) -> Duration {
        self.byte * u32::try_from(bytes).unwrap_or(u32::MAX)
    }
    /// Bytes of one piece of a reply.
    fn piece(self) -> usize {
        if self.byte.is_zero() {
            usize::MAX
        } else {
            (PIECE.as_nanos() / self.byte.as_nanos().max(1)).max(1) as usize
        }
    }
}

/// Serves until the far end closes or the line is unplugged.
pub(super) async fn serve<S>(shared: Arc<Shared>, mut stream: S, wire: Wire)
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    let mut gone = shared.gone.subscribe();
    let mut noise = shared.noise.subscribe();
    let work = async {
        let mut input = Input::default();
        let mut buffer = [0u8; 512];
        let mut rest = Rest::default();
        // When the wire is free again, by its own account: rounding of timers does not add up.
        let mut free = Instant::now();
        loop {
            tokio::select! {
                got = stream.read(&mut buffer) => {
                    let Ok(n @ 1..) = got else { return };
                    let arrived = Instant::now();
                    for message in buffer[..n].split_inclusive(|b| matches!(b, b'\n' | b'\r')) {
                        free = free.max(arrived) + wire.time(message.len());
                        if !matches!(message.last(), Some(b'\n' | b'\r')) {
                            shared.take(&mut input, message);
                            continue;
                        }
                        rest.until(free).await;
                        let (reply, link) = shared.take(&mut input, message);
                        if !reply.is_empty() {
                            free += wire.delay;
                            free = answer(&shared, &mut stream, wire, &mut rest, free, reply, link).await;
                        }
                    }
                }
                Ok(bytes) = noise.recv() => {
                    free = say(&mut stream, wire, &mut rest, free.max(Instant::now()), &bytes).await;
                }
            }
        }
    };
    tokio::select! {
        () = work => {}
        // An error means that the mimic is ending.
        _ = gone.wait_for(|gone| *gone) => {}
    }
}

/// Sends a reply, or what the link's fault makes of it. Returns when the wire is free again.
pub(super) async fn answer<S: AsyncWrite + Unpin>(
    shared: &Shared,
    stream: &mut S,
    wire: Wire,
    rest: &mut Rest,
    mut free: Instant,
    mut reply: Vec<u8>,
    link: Link,
) -> Instant {
    match link {
        Link::Up | Link::Silent | Link::Gone => {}
        Link::Late(by) => free = free.max(Instant::now()) + by,
        Link::Garbled => shared.garble(&mut reply),
        Link::Truncated => reply.truncate(reply.len() / 2),
        Link::WrongType => reply = b"BUSY\n".to_vec(),
        Link::Endless => {
            reply.pop();
            free = say(stream, wire, rest, free, &reply).await;
            let pace = Duration::from_millis(10);
            while shared.link() == Link::Endless {
                let burst = if wire.byte.is_zero() { 256 } else { wire.piece() };
                free = say(stream, wire, rest, free.max(Instant::now()), &vec![b'7'; burst]).await;
                if wire.byte.is_zero() {
                    free += pace;
                    sleep_until(free).await;
                }
            }
            return free;
        }
    }
    say(stream, wire, rest, free, &reply).await
}

/// Sends bytes at the wire's speed, each piece when its last bit would have arrived.
pub(super) async fn say<S: AsyncWrite + Unpin>(
    stream: &mut S,
    wire: Wire,
    rest: &mut Rest,
    mut free: Instant,
    bytes: &[u8],
) -> Instant {
    for piece in bytes.chunks(wire.piece()) {
        free += wire.time(piece.len());
        rest.until(free).await;
        // A full buffer or a closed line: what is not taken is lost, as on a wire.
        let _ = timeout(DEAF, stream.write_all(piece)).await;
    }
    free
}
