//! What passes on a stream, seen from outside the library that talks over it.

use super::line::Wire;
use super::trouble::{Bytes, Trouble};
use super::tty::looker;
use std::fmt;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::Instant;

/// No Modbus frame is longer: 260 bytes over TCP (Messaging on TCP/IP V1.0b), 256 over a serial line.
const LONGEST: usize = 260;

/// A stream whose bytes are counted, timed and kept for the length of one exchange.
#[derive(Clone)]
pub(super) struct Tap(Arc<Mutex<State>>);

struct State {
    io: Box<dyn Wire>,
    byte_time: Duration,
    sent: Vec<u8>,
    written: Option<Instant>,
    came: Vec<u8>,
    first: Option<Instant>,
    last: Option<Instant>,
    gone: Option<String>,
    endless: bool,
    unsolicited: u64,
    /// Nothing is read; whoever asked is asked to come again.
    held: bool,
    awaited: bool,
    looks: u32,
}

impl fmt::Debug for Tap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Tap")
    }
}

impl Tap {
    pub fn new(io: Box<dyn Wire>) -> Self {
        Tap(Arc::new(Mutex::new(State {
            io,
            byte_time: Duration::ZERO,
            sent: Vec::new(),
            written: None,
            came: Vec::new(),
            first: None,
            last: None,
            gone: None,
            endless: false,
            unsolicited: 0,
            held: false,
            awaited: false,
            looks: 0,
        })))
    }

    /// Never held over an await, and nothing in here panics half-way.
    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Another exchange begins.
    pub fn begin(&self, byte_time: Duration) {
        let mut state = self.state();
        state.byte_time = byte_time;
        state.sent.clear();
        state.came.clear();
        (state.written, state.first, state.last) = (None, None, None);
        state.endless = false;
        (state.held, state.awaited, state.looks) = (false, false, 0);
    }

    /// Until further notice a read finds nothing and looks for nothing. Whoever
    /// releases it has to poll the reader again by himself.
    pub fn hold(&self, held: bool) {
        self.state().held = held;
    }

    /// Whether somebody came to read while it was held: whatever he had to say is said.
    pub fn awaited(&self) -> bool {
        self.state().awaited
    }

    /// How often bytes were found in this exchange.
    pub fn looks(&self) -> u32 {
        self.state().looks
    }

    /// When the last byte of the question is out, as far as the baud rate tells.
    pub fn written(&self) -> Option<Instant> {
        self.state().written
    }

    /// When the last byte came.
    pub fn last(&self) -> Option<Instant> {
        self.state().last
    }

    /// Everything that came in this exchange.
    pub fn came(&self) -> Vec<u8> {
        self.state().came.clone()
    }

    /// Whether what came begins with our own question, whole.
    pub fn echoed(&self) -> bool {
        let state = self.state();
        // The answers to function codes 05 and 06 repeat the question by design; only more than that is an echo.
        let function = state.sent.get(1).copied();
        let repeats = state.came.starts_with(&state.sent) && !state.sent.is_empty();
        repeats && (!matches!(function, Some(5 | 6)) || state.came.len() > state.sent.len())
    }

    /// Whether bytes came without end.
    pub fn endless(&self) -> bool {
        self.state().endless
    }

    /// Why the stream is gone, if it is.
    pub fn gone(&self) -> Option<String> {
        self.state().gone.clone()
    }

    /// Bytes that came without a question.
    pub fn unsolicited(&self) -> u64 {
        self.state().unsolicited
    }

    /// Half-way between the end of the question and the first byte of the answer.
    pub fn middle(&self) -> Instant {
        let state = self.state();
        let now = Instant::now();
        let first = state.first.unwrap_or(now);
        let sent = state.written.unwrap_or(first).min(first);
        sent + first.saturating_duration_since(sent) / 2
    }

    /// Whether something passed that moves the deadline which has just run out.
    pub fn moved_since(&self, deadline: Instant, gap: Duration, reply: Duration) -> bool {
        let state = self.state();
        match (state.last, state.written) {
            (Some(last), _) => last + gap > deadline,
            (None, Some(written)) => written + reply > deadline,
            (None, None) => false,
        }
    }

    /// What already lies there, without waiting. With `alone` nobody is woken any more by what comes.
    pub fn lying(&self, alone: bool) -> Result<Option<Bytes>, Trouble> {
        self.begin(Duration::ZERO);
        loop {
            let mut tap = self.clone();
            let mut chunk = [0; 256];
            let mut room = ReadBuf::new(&mut chunk);
            let look = Pin::new(&mut tap).poll_read(&mut Context::from_waker(looker(alone)), &mut room);
            match look {
                Poll::Pending => break,
                Poll::Ready(Err(_)) if self.endless() => break,
                Poll::Ready(Err(error)) => {
                    return Err(Trouble::Gone(self.gone().unwrap_or(error.to_string())));
                }
                Poll::Ready(Ok(())) if room.filled().is_empty() => {
                    return Err(Trouble::Gone(self.gone().unwrap_or_default()));
                }
                Poll::Ready(Ok(())) => {}
            }
        }
        let mut state = self.state();
        if state.came.is_empty() {
            return Ok(None);
        }
        state.unsolicited += state.came.len() as u64;
        Ok(Some(Bytes(state.came.clone())))
    }

    /// Waits for bytes and throws them away.
    pub async fn drain(&self) -> Result<(), Trouble> {
        self.begin(Duration::ZERO);
        let mut chunk = [0; 256];
        let mut tap = self.clone();
        let read = tokio::io::AsyncReadExt::read(&mut tap, &mut chunk).await;
        match read {
            Ok(count) if count > 0 => {
                self.state().unsolicited += count as u64;
                Ok(())
            }
            Err(_) if self.endless() => Ok(()),
            Ok(_) | Err(_) => Err(Trouble::Gone(self.gone().unwrap_or("the port hung up".into()))),
        }
    }
}

impl AsyncRead for Tap {
    fn poll_read(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let mut state = self.state();
        if state.held {
            state.awaited = true;
            return Poll::Pending;
        }
        let before = buf.filled().len();
        let read = ready!(Pin::new(&mut state.io).poll_read(cx, buf));
        if let Err(error) = read {
            state.gone = Some(error.to_string());
            return Poll::Ready(Err(error));
        }
        let came = &buf.filled()[before..];
        if came.is_empty() {
            state.gone = Some("the port hung up".into());
            return Poll::Ready(Ok(()));
        }
        let now = Instant::now();
        state.came.extend_from_slice(came);
        state.looks += 1;
        // What came in one piece took its time on the wire.
        let took = state.byte_time * u32::try_from(came.len()).unwrap_or(u32::MAX);
        let sent = state.written.unwrap_or(now).min(now);
        state.first = state.first.or(Some(now.checked_sub(took).map_or(sent, |first| first.max(sent))));
        state.last = Some(now);
        if state.came.len() > LONGEST {
            state.endless = true;
            return Poll::Ready(Err(io::Error::new(
                io::ErrorKind::InvalidData,
                "more bytes than a frame has",
            )));
        }
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Tap {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let mut state = self.state();
        match ready!(Pin::new(&mut state.io).poll_write(cx, bytes)) {
            Ok(count) => {
                state.sent.extend_from_slice(&bytes[..count]);
                let on_wire = state.byte_time * u32::try_from(state.sent.len()).unwrap_or(u32::MAX);
                state.written = Some(Instant::now() + on_wire);
                Poll::Ready(Ok(count))
            }
            Err(error) => {
                state.gone = Some(error.to_string());
                Poll::Ready(Err(error))
            }
        }
    }
    /// Not passed on: on a serial port a flush blocks the thread until the last bit is out.
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.state().io).poll_shutdown(cx)
    }
}
