//! Opening a port, and the page of help when it cannot be opened.

use super::echo::Echo;
use super::help::{Holder, OpenHelp};
use super::line::Wire;
use super::tty::{Tty, is_pty};
use super::{Dialect, Flow, Parity, Port, Spec, Trouble};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::time::Duration;

/// A socket that does not answer by then will not.
const CONNECT: Duration = Duration::from_secs(3);

/// Opens the port for us alone.
pub(super) async fn open(spec: &Spec, dialect: &Dialect) -> Result<Box<dyn Wire>, Trouble> {
    let io = bare(spec, dialect).await?;
    Ok(if spec.wiring.echo { Box::new(Echo::new(io)) } else { io })
}

async fn bare(spec: &Spec, dialect: &Dialect) -> Result<Box<dyn Wire>, Trouble> {
    match &spec.port {
        Port::Tcp(_) | Port::Bridge(_) => socket(&spec.port).await,
        Port::Serial(path) if is_pty(path) => {
            Tty::open(path, true).map(|tty| Box::new(tty) as _).map_err(|error| explain(path, error))
        }
        Port::Serial(path) => {
            serial(spec, path, dialect).map(|tty| Box::new(tty) as _).map_err(|e| explain(path, e))
        }
    }
}

/// Opens a serial port that somebody else has locked, to write one line into it.
/// Only root gets past the lock of the system (TIOCEXCL) on a real port.
pub(super) fn open_unlocked(path: &Path) -> Result<Box<dyn Wire>, Trouble> {
    Tty::open(path, false).map(|tty| Box::new(tty) as _).map_err(|error| explain(path, error))
}

async fn socket(port: &Port) -> Result<Box<dyn Wire>, Trouble> {
    let (Port::Tcp(address) | Port::Bridge(address)) = port else {
        return Err(Trouble::Gone(format!("{port} is no socket")));
    };
    let connect = tokio::net::TcpStream::connect(address);
    let error = match tokio::time::timeout(CONNECT, connect).await {
        Ok(Ok(stream)) => {
            // Questions are short; waiting to fill a packet would cost 40 ms each.
            let _ = stream.set_nodelay(true);
            return Ok(Box::new(stream));
        }
        Ok(Err(error)) => error.to_string(),
        Err(_) => format!("nothing answered within {} s", CONNECT.as_secs()),
    };
    let advice = vec![
        format!("is the supply on, and does its network page show the address of {port}?"),
        "many supplies serve one connection at a time; close other programs that talk to it".into(),
    ];
    Err(Trouble::Missing(Box::new(OpenHelp { port: port.to_string(), error, advice, ..OpenHelp::default() })))
}

fn serial(spec: &Spec, path: &Path, dialect: &Dialect) -> io::Result<Tty> {
    let parity = match spec.parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    };
    let stop_bits =
        if spec.two_stop_bits { tokio_serial::StopBits::Two } else { tokio_serial::StopBits::One };
    let data_bits =
        if spec.wiring.seven_bits { tokio_serial::DataBits::Seven } else { tokio_serial::DataBits::Eight };
    let flow = match spec.wiring.flow {
        Flow::None => tokio_serial::FlowControl::None,
        Flow::Hardware => tokio_serial::FlowControl::Hardware,
        Flow::Software => tokio_serial::FlowControl::Software,
    };
    let mut builder = tokio_serial::new(path.to_string_lossy(), spec.baud)
        .parity(parity)
        .stop_bits(stop_bits)
        .data_bits(data_bits)
        .flow_control(flow);
    if let Some(dtr) = dialect.dtr {
        builder = builder.dtr_on_open(dtr);
    }
    Tty::serial(path, builder, dialect.rts)
}

/// Looks at everything that can be looked at; guesses nothing.
fn explain(path: &Path, error: io::Error) -> Trouble {
    let text = error.to_string();
    let mut help = OpenHelp { port: path.display().to_string(), error: text, ..OpenHelp::default() };
    let uid = nix::unistd::geteuid();
    help.user = nix::unistd::User::from_uid(uid).ok().flatten().map_or_else(|| uid.to_string(), |u| u.name);
    let groups = nix::unistd::getgroups().unwrap_or_default();
    help.groups = groups.iter().map(|gid| group_name(gid.as_raw())).collect();
    let real = path.canonicalize().ok();
    if let Some(real) = &real {
        help.real = (real != path).then(|| real.display().to_string());
    }
    if let Ok(meta) = std::fs::metadata(path) {
        let user = nix::unistd::User::from_uid(meta.uid().into()).ok().flatten();
        let owner = user.map_or_else(|| meta.uid().to_string(), |u| u.name);
        help.owner = Some((owner, group_name(meta.gid()), meta.mode()));
    }
    help.by_id = stable_names(Path::new(STABLE));
    let kind = error.kind();
    match kind {
        io::ErrorKind::ResourceBusy => {
            help.holder = real.as_deref().and_then(holder);
            help.advice.push(match &help.holder {
                Some(holder) => format!("end process {} or give one of the two another port", holder.pid),
                None => "find who holds it: `fuser -v` on the port, as root".into(),
            });
            help.advice.push(
                "to switch the output off while another program has the port: its own stop, or the supply's front panel"
                    .into(),
            );
            Trouble::Busy(Box::new(help))
        }
        io::ErrorKind::PermissionDenied => {
            if let Some((owner, group, mode)) = &help.owner {
                if mode & 0o060 == 0o060 && !help.groups.contains(group) {
                    help.advice.push(format!(
                        "join the group the port belongs to: `sudo usermod -aG {group} {}`, then log in again",
                        help.user
                    ));
                } else if mode & 0o060 != 0o060 {
                    help.advice.push(format!(
                        "only {owner} may use it; the udev rule in deploy/ gives serial ports to a group"
                    ));
                }
            }
            Trouble::Forbidden(Box::new(help))
        }
        _ => {
            help.advice.push(if help.by_id.is_empty() {
                "no serial port has a name under /dev/serial/by-id: is the cable in, and the supply on?"
                    .into()
            } else {
                "if one of the ports above is the supply, write its name in `port`".into()
            });
            Trouble::Missing(Box::new(help))
        }
    }
}

fn group_name(gid: u32) -> String {
    nix::unistd::Group::from_gid(gid.into()).ok().flatten().map_or_else(|| gid.to_string(), |g| g.name)
}

/// The folder where the system gives every serial port a name that stays.
pub const STABLE: &str = "/dev/serial/by-id";

/// The names of serial ports under that folder ([`STABLE`]), whole and in order; none if there is no such folder.
pub fn stable_names(folder: &Path) -> Vec<String> {
    let Ok(folder) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<_> = folder.flatten().map(|entry| entry.path().display().to_string()).collect();
    names.sort();
    names
}

/// The process that has locked the port, else the first other process that has
/// it open (on a pty the far end has it open too), as far as /proc shows it to us.
pub(super) fn holder(real: &Path) -> Option<Holder> {
    let own = std::process::id();
    let locked = locked_by(real).filter(|pid| *pid != own && *pid != 0);
    let pid = locked.or_else(|| opened_by(real, own))?;
    #[expect(clippy::disallowed_methods, reason = "this room is at the edge: it reads /proc")]
    let command = std::fs::read(format!("/proc/{pid}/cmdline")).unwrap_or_default();
    let command = command.split(|b| *b == 0).map(|w| w.escape_ascii().to_string());
    Some(Holder { pid, command: command.collect::<Vec<_>>().join(" ").trim().into() })
}

/// Who holds the flock, by the kernel's own list: `1: FLOCK ADVISORY WRITE 1234 00:18:9 0 EOF`
/// (proc_locks(5)); device numbers in hex, the inode in decimal.
fn locked_by(real: &Path) -> Option<u32> {
    let meta = std::fs::metadata(real).ok()?;
    let (major, minor) = (libc::major(meta.dev()), libc::minor(meta.dev()));
    let file = format!("{major:02x}:{minor:02x}:{}", meta.ino());
    #[expect(clippy::disallowed_methods, reason = "this room is at the edge: it reads /proc")]
    let locks = std::fs::read_to_string("/proc/locks").ok()?;
    locks.lines().find_map(|line| {
        let words: Vec<_> = line.split_whitespace().collect();
        let [_, "FLOCK", _, _, pid, of, ..] = words[..] else { return None };
        if of == file { pid.parse().ok() } else { None }
    })
}

fn opened_by(real: &Path, own: u32) -> Option<u32> {
    for process in std::fs::read_dir("/proc").ok()?.flatten() {
        let Some(pid) = process.file_name().to_str().and_then(|name| name.parse::<u32>().ok()) else {
            continue;
        };
        let Ok(fds) = std::fs::read_dir(process.path().join("fd")) else { continue };
        let holds = |fd: std::fs::DirEntry| std::fs::read_link(fd.path()).is_ok_and(|to| to == real);
        if pid != own && fds.flatten().any(holds) {
            return Some(pid);
        }
    }
    None
}
