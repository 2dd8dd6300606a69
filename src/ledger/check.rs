//! Whether the file is sound.
//!
//! The tables that decide are checked before anything is done; they are small.
//! Readings of ten years are a gigabyte: those are checked by a thread of their
//! own while the daemon works, and what it finds keeps further runs from beginning.

use super::error::words;
use super::writer::{Feed, Health};
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension};
use std::path::Path;
use std::sync::{Arc, PoisonError};

/// What accounts, due lists and open runs are read from.
const FIRST: [&str; 4] = ["meta", "run", "tank_charge", "addition"];

/// What is wrong with the tables that decide; `None`: nothing.
pub(super) fn small(db: &Connection) -> rusqlite::Result<Option<String>> {
    for table in FIRST {
        let there = db
            .query_row("SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?1", [table], |_| Ok(()))
            .optional()?;
        if there.is_none() {
            continue;
        }
        let said: String = db.query_row(&format!("PRAGMA quick_check({table})"), [], |row| row.get(0))?;
        if said != "ok" {
            return Ok(Some(said));
        }
    }
    Ok(None)
}

/// Checks all of the file, on a thread and a connection of its own.
pub(super) fn begin(path: &Path, feed: Arc<Feed>) {
    let path = path.to_owned();
    let checked = std::thread::Builder::new().name("ledger-check".into()).spawn(move || {
        let found = whole(&path, &feed);
        *feed.check.lock().unwrap_or_else(PoisonError::into_inner) = None;
        let why = match found {
            Ok(None) => return,
            Ok(Some(why)) => {
                format!("the file is damaged ({why}); stop, copy it aside, and start with a backup")
            }
            // Told to end, or it cannot be read just now: nothing was found.
            Err(e)
                if !matches!(
                    e.sqlite_error_code(),
                    Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
                ) =>
            {
                return tracing::debug!("ledger: the check did not come to an end: {e}");
            }
            Err(e) => words(&e),
        };
        tracing::error!("ledger: {why}");
        let why = feed.damage.get_or_init(|| why).clone();
        feed.health.send_replace(Health::Failing(why));
    });
    if let Err(e) = checked {
        tracing::warn!("ledger: the file is not checked: {e}");
    }
}

/// Ends the check, if one goes on.
pub(super) fn end(feed: &Feed) {
    if let Some(check) = feed.check.lock().unwrap_or_else(PoisonError::into_inner).take() {
        check.interrupt();
    }
}

fn whole(path: &Path, feed: &Feed) -> rusqlite::Result<Option<String>> {
    let db = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
    *feed.check.lock().unwrap_or_else(PoisonError::into_inner) = Some(db.get_interrupt_handle());
    let tables: Vec<String> = db
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND sql IS NOT NULL")?
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    // Table by table: between two, the write-ahead log can be folded in.
    for table in tables {
        let said: String = db.query_row(&format!("PRAGMA quick_check(\"{table}\")"), [], |row| row.get(0))?;
        if said != "ok" {
            return Ok(Some(said));
        }
    }
    Ok(None)
}
