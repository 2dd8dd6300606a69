//! Which config is meant, and what verbs read from it.

use super::args::Common;
use crate::host::Failure;
pub(crate) use crate::host::setup::{Setup, bytes, controller, read};
use crate::supply::Dialect;
use std::path::{Path, PathBuf};
use std::sync::Arc;

const DEFAULT: &str = "/etc/tankside/tankside.toml";

/// Which file is meant.
fn path(common: &Common) -> PathBuf {
    common.config.clone().unwrap_or_else(|| DEFAULT.into())
}

/// Whether there is a config to read at all: the one that was named, or the default if it exists.
pub(crate) fn is_there(common: &Common) -> bool {
    common.config.is_some() || Path::new(DEFAULT).exists()
}

/// The config's text, or why it cannot be read.
pub(crate) fn text(common: &Common) -> Result<(PathBuf, String), Failure> {
    let path = path(common);
    let text = crate::host::setup::text(&path).map_err(|mut failure| {
        // Never used silently: a daemon that works another tank than the one that is meant is dangerous.
        if common.config.is_none() && failure.code == Failure::config("").code {
            failure.text.push_str("; it was tried because --config was not given");
            if Path::new("config/tankside.toml").exists() {
                failure.text.push_str(
                    "; ./config/tankside.toml is there: if it is meant, say --config config/tankside.toml",
                );
            }
        }
        failure
    })?;
    Ok((path, text))
}

/// Reads the config, the baths and the dialects beside it.
///
/// The outer error is a file that cannot be read; the inner one is every problem in them.
pub(crate) fn load(common: &Common) -> Result<Result<Setup, Vec<String>>, Failure> {
    let (path, text) = text(common)?;
    crate::host::setup::load(path, &text)
}

/// As [`load`], for verbs that can do nothing with a bad config.
pub(crate) fn good(common: &Common) -> Result<Setup, Failure> {
    crate::host::setup::good(load(common)?)
}

/// The dialects beside the config if there is one, else the shipped ones. Examples come last: they are invented maps.
///
/// # Errors
/// A dialect file with mistakes.
pub(crate) fn known_dialects(common: &Common) -> Result<Vec<Arc<Dialect>>, Failure> {
    let mut problems = Vec::new();
    let all = dialects_by(common, &mut problems);
    if !problems.is_empty() {
        return Err(Failure::config(problems.join("\n")));
    }
    Ok(all)
}

/// As [`known_dialects`], without those that have mistakes: off goes on with what there is.
pub(crate) fn readable_dialects(common: &Common) -> Vec<Arc<Dialect>> {
    dialects_by(common, &mut Vec::new())
}

fn dialects_by(common: &Common, problems: &mut Vec<String>) -> Vec<Arc<Dialect>> {
    // Also beside a config that is not there: a folder of dialects is enough.
    let path = path(common);
    let mut all = crate::host::setup::dialects(path.parent().unwrap_or(Path::new(".")), problems);
    all.sort_by_key(|d| d.name.ends_with("-example"));
    all
}
