//! A port that counts the bytes that go through it and keeps what was asked.

use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll, ready};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::SerialStream;

#[derive(Default)]
struct Seen {
    bytes: u64,
    asked: Vec<Vec<u8>>,
}

/// What has gone through.
#[derive(Clone, Default)]
pub struct Counts(Arc<Mutex<Seen>>);

impl Counts {
    pub fn bytes(&self) -> u64 {
        self.0.lock().expect("nobody panics here").bytes
    }
    /// What was written since the last time, write by write.
    pub fn take(&self) -> Vec<Vec<u8>> {
        std::mem::take(&mut self.0.lock().expect("nobody panics here").asked)
    }
}

pub struct Counted {
    port: SerialStream,
    counts: Counts,
}

impl Counted {
    pub fn new(port: SerialStream) -> Self {
        Counted { port, counts: Counts::default() }
    }
    pub fn counts(&self) -> Counts {
        self.counts.clone()
    }
}

impl AsyncRead for Counted {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = into.filled().len();
        ready!(Pin::new(&mut self.port).poll_read(cx, into))?;
        self.counts.0.lock().expect("nobody panics here").bytes += (into.filled().len() - before) as u64;
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Counted {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        let n = ready!(Pin::new(&mut self.port).poll_write(cx, from))?;
        let mut seen = self.counts.0.lock().expect("nobody panics here");
        seen.bytes += n as u64;
        seen.asked.push(from[..n].to_vec());
        Poll::Ready(Ok(n))
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_flush(cx)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_shutdown(cx)
    }
}
