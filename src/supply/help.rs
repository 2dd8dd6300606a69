//! The page of help that a port which cannot be opened gives.

use std::fmt;

/// Who holds a port, as far as /proc tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Process id.
    pub pid: u32,
    /// Its command, escaped.
    pub command: String,
}

/// Everything that was looked at when a port could not be opened. It says what
/// was found and guesses no cause that was not checked.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OpenHelp {
    /// The port as the config writes it.
    pub port: String,
    /// One line: what happened, as the system words it.
    pub error: String,
    /// Where the path really leads, if elsewhere.
    pub real: Option<String>,
    /// Who we are.
    pub user: String,
    /// Our groups.
    pub groups: Vec<String>,
    /// Owner, group and mode of the port: `root dialout crw-rw----`.
    pub owner: Option<(String, String, u32)>,
    /// Who holds it.
    pub holder: Option<Holder>,
    /// Stable names that do exist.
    pub by_id: Vec<String>,
    /// What to try, one line each.
    pub advice: Vec<String>,
}

impl fmt::Display for OpenHelp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cannot open {}: {}", self.port, super::trouble::plain(&self.error))?;
        if let Some(real) = &self.real {
            write!(f, "\n  leads to: {real}")?;
        }
        if let Some((owner, group, mode)) = &self.owner {
            write!(f, "\n  belongs to: user {owner}, group {group}, mode {:03o}", mode & 0o777)?;
        }
        if !self.user.is_empty() {
            write!(f, "\n  we are: user {}, groups {}", self.user, self.groups.join(" "))?;
        }
        if let Some(holder) = &self.holder {
            write!(f, "\n  held by: process {} ({})", holder.pid, holder.command)?;
        }
        if !self.by_id.is_empty() {
            write!(f, "\n  serial ports that exist: {}", self.by_id.join("\n                           "))?;
        }
        for line in &self.advice {
            write!(f, "\n  try: {line}")?;
        }
        Ok(())
    }
}
