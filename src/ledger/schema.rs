//! The schema's history: numbered steps, never edited once shipped.

use super::LedgerError;
use rusqlite::Connection;

/// Step `n` (counted from 1) brings schema `n - 1` to `n`.
pub(super) const STEPS: &[&str] = &[
    include_str!("schema/0001.sql"),
    include_str!("schema/0002.sql"),
    include_str!("schema/0003.sql"),
    include_str!("schema/0004.sql"),
    include_str!("schema/0005.sql"),
    include_str!("schema/0006.sql"),
    include_str!("schema/0007.sql"),
    include_str!("schema/0008.sql"),
    include_str!("schema/0009.sql"),
    include_str!("schema/0010.sql"),
    include_str!("schema/0011.sql"),
    include_str!("schema/0012.sql"),
    include_str!("schema/0013.sql"),
];

/// The schema number of a database: 0 is an empty file.
pub(super) fn version(db: &Connection) -> rusqlite::Result<i64> {
    db.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Brings the database up to the last of `steps`, each in a transaction of its
/// own, and returns from where it came.
///
/// # Errors
/// [`LedgerError::Migration`]; the database is then at the last step that worked.
pub(super) fn migrate(db: &mut Connection, steps: &[&str]) -> Result<i64, LedgerError> {
    let from = version(db).map_err(|e| LedgerError::Read(e.to_string()))?;
    for (to, step) in (1i64..).zip(steps).skip(usize::try_from(from).unwrap_or(0)) {
        one(db, to, step).map_err(|e| LedgerError::Migration { from: to - 1, to, why: e.to_string() })?;
    }
    Ok(from)
}

fn one(db: &mut Connection, to: i64, step: &str) -> rusqlite::Result<()> {
    let tx = db.transaction()?;
    tx.execute_batch(step)?;
    tx.pragma_update(None, "user_version", to)?;
    tx.execute(
        "INSERT INTO meta (key, value) VALUES ('schema', ?1) ON CONFLICT (key) DO UPDATE SET value = ?1",
        [to.to_string()],
    )?;
    tx.commit()
}
