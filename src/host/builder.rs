//! What an embedding program says before the start.

use super::setup::{self, Setup};
use super::{Failure, MinderProgram, Tankside};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// What Tankside is made from. The config is a text or a file, the very format of `config/tankside.toml`; baths,
/// dialects and sheets are taken from the folders beside it.
///
/// ```no_run
/// # async fn embedded() -> Result<(), Box<dyn std::error::Error>> {
/// use tankside::Tankside;
/// let tankside = Tankside::builder().config_file("shop/tankside.toml").start().await?;
/// let bench = tankside.station("bench").ok_or("no bench")?;
/// println!("{:?}", bench.snapshot().run.state);
/// tankside.stop().await?;
/// # Ok(())
/// # }
/// ```
#[derive(Clone, Debug, Default)]
pub struct Builder {
    path: PathBuf,
    text: Option<String>,
    http: Option<SocketAddr>,
    behind: Option<SocketAddr>,
    minder: MinderProgram,
}

impl Builder {
    /// The config's file.
    pub fn config_file(mut self, path: impl Into<PathBuf>) -> Builder {
        self.path = path.into();
        self
    }

    /// The config as text; what it names is looked for beside `path`, which need not exist and is what errors name.
    pub fn config_text(mut self, text: impl Into<String>, path: impl Into<PathBuf>) -> Builder {
        self.text = Some(text.into());
        self.path = path.into();
        self
    }

    /// Answers HTTP at that address too, as the daemon does; port 0 takes any, see [`Tankside::address`]. Without it
    /// nothing listens, and [`Tankside::router`] is there for the caller's own server.
    ///
    /// Away from loopback there must be a token in the state folder, as for the daemon.
    pub fn http(mut self, address: SocketAddr) -> Builder {
        self.http = Some(address);
        self
    }

    /// The address of the caller's own server that answers with [`Tankside::router`]: what the Host check of the routes
    /// goes by. Without it, the config's `daemon.listen`. At an address off loopback every request needs a token
    /// (`tankside token add`), unless the caller's server puts a [`crate::serve::Peer`] into its extensions.
    pub fn behind(mut self, address: SocketAddr) -> Builder {
        self.behind = Some(address);
        self
    }

    /// Which program is the minder. The usual one is the running program itself.
    pub fn minder(mut self, program: MinderProgram) -> Builder {
        self.minder = program;
        self
    }

    /// Reads the config and judges it as `tankside check` does; touches no port.
    ///
    /// # Errors
    /// Every problem, a line each.
    pub fn check(&self) -> Result<(), Failure> {
        self.read().map(|_| ())
    }

    fn read(&self) -> Result<Setup, Failure> {
        let path: &Path = &self.path;
        let text = match &self.text {
            Some(text) => text.clone(),
            None => setup::text(path)?,
        };
        let mut setup = setup::good(setup::load(path.to_owned(), &text)?)?;
        if let Some(address) = self.http.or(self.behind) {
            setup.config.daemon.listen = address;
        }
        Ok(setup)
    }

    /// Starts the stations inside the running tokio runtime. Control has a thread of its own: nothing that the
    /// caller's tasks do keeps it waiting. All outputs are switched off and looked at first, as at every start.
    ///
    /// When the whole program dies or is killed, the minder switches off. When control stands still for 20 s while an
    /// output may be on, the minder ends the program (SIGKILL) and switches off: so it does under a debugger that holds
    /// all threads.
    ///
    /// # Errors
    /// The config's problems; an address, a ledger or a port that somebody else holds; no minder. Then nothing runs.
    pub async fn start(self) -> Result<Tankside, Failure> {
        let setup = self.read()?;
        Tankside::start(&setup, self.http, &self.minder).await
    }
}
