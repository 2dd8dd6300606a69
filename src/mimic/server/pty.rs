//! The serial line: a pty whose far end the station opens.

use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use tokio::io::unix::AsyncFd;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// The mimic's end.
pub(super) struct Master(AsyncFd<PtyMaster>);

/// The far end, held open so that a station that closes it, or dies, does not end the line.
pub(super) struct Keeper(File);

/// A fresh pty in raw mode: our end, the keeper of the far end, and the far end's path.
pub(super) fn open() -> io::Result<(Master, Keeper, PathBuf)> {
    // Close-on-exec, or a child of ours would keep the line alive after an unplug.
    let flags = OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_CLOEXEC | OFlag::O_NONBLOCK;
    let master = posix_openpt(flags)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let path = PathBuf::from(ptsname_r(&master)?);
    let far = File::options().read(true).write(true).custom_flags(libc::O_NOCTTY).open(&path)?;
    let mut termios = tcgetattr(&far)?;
    cfmakeraw(&mut termios);
    tcsetattr(&far, SetArg::TCSANOW, &termios)?;
    #[expect(unsafe_code, reason = "tokio asks for a promise about the descriptor, not for memory")]
    // SAFETY: `PtyMaster` owns its descriptor, always gives the same one, and closes it only when dropped.
    let master = unsafe { AsyncFd::register(master) }?;
    Ok((Master(master), Keeper(far), path))
}

impl Keeper {
    /// Takes back the exclusive mode that a killed station leaves behind.
    ///
    /// A real adapter forgets it at the last close; a pty that we hold open does
    /// not, and would refuse the next station (EBUSY) for ever. A living station
    /// is still protected by its `flock`.
    pub(super) fn release_exclusive(&self) {
        #[expect(unsafe_code, reason = "one ioctl without arguments on a descriptor that we own")]
        // SAFETY: TIOCNXCL takes no argument and touches no memory of ours; the descriptor is open while `self` lives.
        let _ = unsafe { libc::ioctl(self.0.as_raw_fd(), libc::TIOCNXCL) };
    }
}

impl AsyncRead for Master {
    fn poll_read(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        loop {
            let mut guard = ready!(self.0.poll_read_ready(cx))?;
            match guard.try_io(|fd| fd.get_ref().read(buf.initialize_unfilled())) {
                Ok(Ok(n)) => {
                    buf.advance(n);
                    return Poll::Ready(Ok(()));
                }
                Ok(Err(why)) => return Poll::Ready(Err(why)),
                Err(_would_block) => {}
            }
        }
    }
}

impl AsyncWrite for Master {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        loop {
            let mut guard = ready!(self.0.poll_write_ready(cx))?;
            if let Ok(done) = guard.try_io(|fd| fd.get_ref().write(bytes)) {
                return Poll::Ready(done);
            }
        }
    }
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

/// Points `link` at `target`. Replaces an older link; never a file of another kind.
pub(super) fn point(link: &Path, target: &Path) -> io::Result<()> {
    unpoint(link)?;
    std::os::unix::fs::symlink(target, link)
}

/// Takes the link away, if it is one.
pub(super) fn unpoint(link: &Path) -> io::Result<()> {
    match std::fs::symlink_metadata(link) {
        Ok(meta) if meta.file_type().is_symlink() => std::fs::remove_file(link),
        Ok(_) => {
            Err(io::Error::new(io::ErrorKind::AlreadyExists, "exists and is not a link; choose another path"))
        }
        Err(why) if why.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(why) => Err(why),
    }
}
