//! Which program switches off when this one dies without a word.

use super::Failure;
use crate::supply::{Dialect, Minder, Spec};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

/// The argument by which a program that embeds Tankside is asked to be the minder. Nobody types it.
const ASKED: &str = "tankside-minder";

/// Which program is started as the minder: the child that sends off to every port when this process is killed.
/// There is no way to run without one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum MinderProgram {
    /// The running program once more. Its `main` must begin with [`minder_if_asked`].
    #[default]
    ThisProgram,
    /// The running program is `tankside` itself.
    Tankside,
    /// An installed `tankside`.
    At(PathBuf),
}

impl MinderProgram {
    pub(super) async fn spawn(&self, ports: &[(Spec, Arc<Dialect>)]) -> Result<Minder, Failure> {
        if asked() {
            return Err(Failure::bug(
                "this process was started to be the minder; call tankside::host::minder_if_asked() first in main",
            ));
        }
        let spawned = match self.clone() {
            MinderProgram::Tankside => Minder::spawn(ports).await,
            // Resolved by the child itself: still right after the file was replaced by an upgrade.
            MinderProgram::ThisProgram => {
                Minder::spawn_with(command("/proc/self/exe".into(), ASKED), ports).await
            }
            MinderProgram::At(program) => Minder::spawn_with(command(program, "minder"), ports).await,
        };
        spawned.map_err(|e| {
            Failure::bug(format!("the minder does not start ({e}); without it nothing may be switched on"))
        })
    }
}

fn command(
    program: PathBuf,
    argument: &'static str,
) -> impl Fn() -> tokio::process::Command + Send + 'static {
    move || {
        let mut command = tokio::process::Command::new(&program);
        command.arg(argument);
        command
    }
}

fn asked() -> bool {
    std::env::args_os().nth(1).is_some_and(|argument| argument == ASKED)
}

/// To be called first in the `main` of a program that embeds Tankside with [`MinderProgram::ThisProgram`], before any
/// thread or runtime is made. If this process was started as the minder, it is one until the end, and the exit code
/// comes back; else `None`, at once.
///
/// ```no_run
/// use std::process::ExitCode;
/// fn main() -> ExitCode {
///     if let Some(done) = tankside::host::minder_if_asked() {
///         return done;
///     }
///     // the program itself
///     ExitCode::SUCCESS
/// }
/// ```
pub fn minder_if_asked() -> Option<ExitCode> {
    asked().then(crate::supply::minder::child_main)
}
