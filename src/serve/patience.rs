//! A connection whose other end takes nothing for too long is given up: a reader
//! that went away without a word, or one that holds a stream open and never reads.

use std::io::{self, IoSlice};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// The same connection, whose writes wait no longer than that.
pub(super) struct Patient<S> {
    inner: S,
    patience: Duration,
    /// Running since a write first had to wait.
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Patient<S> {
    pub fn new(inner: S, patience: Duration) -> Patient<S> {
        Patient { inner, patience, waiting: None }
    }

    fn judge<T>(&mut self, cx: &mut Context<'_>, poll: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if poll.is_ready() {
            self.waiting = None;
            return poll;
        }
        let patience = self.patience;
        let waiting = self.waiting.get_or_insert_with(|| Box::pin(sleep(patience)));
        match waiting.as_mut().poll(cx) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let poll = Pin::new(&mut self.inner).poll_write(cx, buf);
        self.judge(cx, poll)
    }
    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let poll = Pin::new(&mut self.inner).poll_write_vectored(cx, bufs);
        self.judge(cx, poll)
    }
    /// Then a body that many are sent is not copied for each.
    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.inner).poll_flush(cx);
        self.judge(cx, poll)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.inner).poll_shutdown(cx);
        self.judge(cx, poll)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    #[tokio::test(start_paused = true)]
    async fn reader_that_never_reads_is_given_up_and_a_slow_one_is_not() {
        let (ours, _theirs) = tokio::io::duplex(4);
        let mut ours = Patient::new(ours, Duration::from_secs(30));
        ours.write_all(b"full").await.unwrap();
        let began = tokio::time::Instant::now();
        assert_eq!(ours.write_all(b"more").await.unwrap_err().kind(), io::ErrorKind::TimedOut);
        assert_eq!(began.elapsed(), Duration::from_secs(30));

        let (ours, mut theirs) = tokio::io::duplex(1);
        let mut patient = Patient::new(ours, Duration::from_secs(30));
        let reader = tokio::spawn(async move {
            for _ in 0..8 {
                tokio::time::sleep(Duration::from_secs(20)).await;
                theirs.read_u8().await.unwrap();
            }
        });
        patient.write_all(b"12345678").await.unwrap();
        reader.await.unwrap();
    }
}
