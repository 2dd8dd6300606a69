//! What can go wrong, in the operator's words.

use rusqlite::ErrorCode;
use std::fmt;
use std::path::PathBuf;

/// Why the ledger could not be opened, written or read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LedgerError {
    /// Its folder or file cannot be made, opened or flushed.
    Folder {
        /// Which.
        path: PathBuf,
        /// What the system said.
        why: String,
    },
    /// Another daemon holds it.
    Busy {
        /// The ledger.
        path: PathBuf,
    },
    /// It is not a ledger, or it is damaged. Nothing was changed.
    Damaged {
        /// The ledger.
        path: PathBuf,
        /// What was found.
        why: String,
    },
    /// It was written by a newer version of this program.
    Newer {
        /// The ledger.
        path: PathBuf,
        /// Its schema.
        found: i64,
        /// The newest schema we know.
        known: i64,
    },
    /// It could not be brought to the present schema. It is as it was before.
    Migration {
        /// From which schema.
        from: i64,
        /// To which.
        to: i64,
        /// What the database said.
        why: String,
    },
    /// It cannot be written now.
    Write(String),
    /// It cannot be read now.
    Read(String),
    /// Rows come faster than they can be written.
    Full,
    /// It was closed.
    Closed,
}

impl fmt::Display for LedgerError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LedgerError::Folder { path, why } => {
                write!(
                    f,
                    "ledger: {}: {why}; check that the folder exists and that this user may write in it",
                    path.display()
                )
            }
            LedgerError::Busy { path } => write!(
                f,
                "ledger: {}: another tankside has it open, most likely the daemon; stop that one first (only a second daemon, for other supplies, has a `state` folder of its own)",
                path.display()
            ),
            LedgerError::Damaged { path, why } => write!(
                f,
                "ledger: {}: {why}; nothing was changed. Move the file aside, keep it, and start again or put a backup in its place",
                path.display()
            ),
            LedgerError::Newer { path, found, known } => write!(
                f,
                "ledger: {}: was written by a newer tankside (schema {found}, this one knows {known}); run that version or newer",
                path.display()
            ),
            LedgerError::Migration { from, to, why } => {
                write!(
                    f,
                    "ledger: cannot be brought from schema {from} to {to}: {why}; it is as it was before"
                )
            }
            LedgerError::Write(why) => write!(f, "ledger: {why}"),
            LedgerError::Read(why) => write!(f, "ledger: cannot be read: {why}"),
            LedgerError::Full => {
                f.write_str("ledger: the disk is too slow for what is to be written; rows are being lost")
            }
            LedgerError::Closed => f.write_str("ledger: is closed; restart the daemon"),
        }
    }
}

impl std::error::Error for LedgerError {}

/// A write error in the operator's words.
pub(super) fn words(error: &rusqlite::Error) -> String {
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => "the disk it is on is full; free some space".into(),
        Some(ErrorCode::ReadOnly) => {
            "may not be written; check the owner of the file and how the disk is mounted".into()
        }
        Some(ErrorCode::SystemIoFailure) => {
            format!("the disk it is on reports an error ({error}); look at the system's log and at the disk")
        }
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "some other program keeps the file locked; close it".into()
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            format!("the file is damaged ({error}); stop, copy it aside, and start with a backup")
        }
        _ => format!("cannot be written ({error})"),
    }
}

/// Whether this row can never be written, whatever the disk does: our own slip.
pub(super) fn is_bad_row(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::ConstraintViolation | ErrorCode::TypeMismatch | ErrorCode::TooBig)
    )
}
