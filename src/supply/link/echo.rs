//! A stream on which our own bytes come back first, as on a half-duplex
//! RS-485 adapter whose receiver stays on: they are compared and removed.

use super::line::Wire;
use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// Removes the echo. Where a byte comes back changed (two talked at once), the
/// rest is passed on as it came: whoever waits for an answer sees that it is none.
pub(super) struct Echo<S> {
    io: S,
    /// Sent and not come back yet.
    owed: VecDeque<u8>,
}

impl<S: Wire> Echo<S> {
    pub fn new(io: S) -> Self {
        Echo { io, owed: VecDeque::new() }
    }
}

/// What is owed and this much older than the newest bytes will not come back any more.
const OWED: usize = 1024;

impl<S: Wire> AsyncRead for Echo<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        loop {
            let mut chunk = [0; 256];
            let room = buf.remaining().min(chunk.len());
            if room == 0 {
                return Poll::Ready(Ok(()));
            }
            let mut taken = ReadBuf::new(&mut chunk[..room]);
            ready!(Pin::new(&mut self.io).poll_read(cx, &mut taken))?;
            let taken = taken.filled();
            if taken.is_empty() {
                return Poll::Ready(Ok(()));
            }
            let same = taken.iter().zip(&self.owed).take_while(|(a, b)| a == b).count();
            self.owed.drain(..same);
            if same < taken.len() {
                // Either the echo is complete and this is the answer, or it was spoilt on the way.
                self.owed.clear();
                buf.put_slice(&taken[same..]);
                return Poll::Ready(Ok(()));
            }
        }
    }
}

impl<S: Wire> AsyncWrite for Echo<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let count = ready!(Pin::new(&mut self.io).poll_write(cx, bytes))?;
        self.owed.extend(&bytes[..count]);
        let old = self.owed.len().saturating_sub(OWED);
        self.owed.drain(..old);
        Poll::Ready(Ok(count))
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_flush(cx)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    #[tokio::test(start_paused = true)]
    async fn our_own_bytes_are_removed_however_they_are_cut() {
        for cut in 1..8 {
            let (ours, mut theirs) = duplex(256);
            let mut line = Echo::new(ours);
            line.write_all(b"*IDN?\n").await.unwrap();
            let all = b"*IDN?\nTHE ANSWER\n";
            for part in all.chunks(cut) {
                theirs.write_all(part).await.unwrap();
            }
            let mut got = [0; 11];
            line.read_exact(&mut got).await.unwrap();
            assert_eq!(&got, b"THE ANSWER\n", "cut into {cut}");
        }
    }

    #[tokio::test(start_paused = true)]
    async fn an_echo_that_comes_back_changed_is_not_hidden() {
        let (ours, mut theirs) = duplex(256);
        let mut line = Echo::new(ours);
        line.write_all(b"OUT OFF\n").await.unwrap();
        theirs.write_all(b"OUT 0FF\nOK\n").await.unwrap();
        let mut got = [0; 7];
        line.read_exact(&mut got).await.unwrap();
        assert_eq!(&got, b"0FF\nOK\n");
    }
}
