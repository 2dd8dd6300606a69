//! Packed readings in their table, and those of the first format beside them.

use super::ReadingRow;
use super::backlog::CHUNK;
use super::error::is_bad_row;
use super::pack::{Block, Column, Readings, pack};
use rusqlite::types::{Type, ValueRef};
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

/// The columns of a block, as they are written and read.
const BLOCK: &str = "id, readings,
    milliseconds_base, microseconds_pitch, milliseconds_digits,
    millivolts_base, millivolts_step, millivolts_digits,
    tenth_milliamperes_base, tenth_milliamperes_step, tenth_milliamperes_digits,
    setpoint_base, setpoint_step, setpoint_digits,
    ceiling_millivolts_base, ceiling_millivolts_step, ceiling_millivolts_digits,
    bath_hundredth_celsius_base, bath_hundredth_celsius_step, bath_hundredth_celsius_digits";
/// More readings than one run can have (27 years at 5 Hz): so far apart are the places of two runs.
const MOST: i64 = 1 << 32;
/// Chunks of an earlier format that are packed in one transaction.
const AT_ONCE: u32 = 64;

/// Writes that chunk's readings as blocks, and takes the chunk away.
///
/// # Errors
/// What the disk refuses.
pub(super) fn write(
    tx: &Transaction<'_>,
    run: &str,
    chunk: i64,
    first: i64,
    readings: &Readings,
) -> rusqlite::Result<usize> {
    let mut insert = tx.prepare_cached(&format!(
        "INSERT OR REPLACE INTO reading_block ({BLOCK})
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20)"
    ))?;
    let number = number(tx, run)?;
    for block in pack(readings, first) {
        let (ceiling, bath) = (block.ceiling_millivolts.as_ref(), block.bath_hundredth_celsius.as_ref());
        insert.execute(params![
            number * MOST + block.first,
            i64::try_from(block.readings).unwrap_or(i64::MAX),
            block.milliseconds.base,
            block.milliseconds.step,
            block.milliseconds.digits,
            block.millivolts.base,
            block.millivolts.step,
            block.millivolts.digits,
            block.tenth_milliamperes.base,
            block.tenth_milliamperes.step,
            block.tenth_milliamperes.digits,
            block.setpoint_tenth_milliamperes.base,
            block.setpoint_tenth_milliamperes.step,
            block.setpoint_tenth_milliamperes.digits,
            ceiling.map(|c| c.base),
            ceiling.map(|c| c.step),
            ceiling.map(|c| &c.digits),
            bath.map(|c| c.base),
            bath.map(|c| c.step),
            bath.map(|c| &c.digits),
        ])?;
    }
    tx.prepare_cached("DELETE FROM reading_chunk WHERE run_id = ?1 AND number = ?2")?
        .execute(params![run, chunk])
}

/// All the readings of a run, oldest first. To be called in a transaction: else a chunk could become a
/// block between the two questions, and be missed.
///
/// # Errors
/// Also for readings that were packed in a way we do not know.
pub(super) fn read(db: &Connection, run: &str) -> rusqlite::Result<Vec<ReadingRow>> {
    let mut parts: Vec<(i64, Readings)> = Vec::new();
    let number: Option<i64> = db
        .prepare_cached("SELECT number FROM reading_run WHERE run_id = ?1")?
        .query_row([run], |row| row.get(0))
        .optional()?;
    if let Some(number) = number {
        let mut blocks = db.prepare_cached(&format!(
            "SELECT {BLOCK} FROM reading_block WHERE id BETWEEN ?1 AND ?1 + {MOST} - 1 ORDER BY id"
        ))?;
        let mut rows = blocks.query([number * MOST])?;
        while let Some(row) = rows.next()? {
            let block = block(row)?;
            let mut readings = Readings::default();
            block.unpack(&mut readings).ok_or_else(|| bad(5, Type::Blob, "digits that do not fit"))?;
            parts.push((block.first, readings));
        }
    }
    {
        let mut chunks = db.prepare_cached(&format!("{CHUNKS} WHERE run_id = ?1 ORDER BY number"))?;
        let mut rows = chunks.query([run])?;
        while let Some(row) = rows.next()? {
            parts.push((first(row.get(1)?), chunk(row)?));
        }
    }
    parts.sort_by_key(|part| part.0);
    Ok(parts.iter().flat_map(|part| part.1.rows()).collect())
}

/// Packs some chunks of runs that have ended, those after `after`, and says which was the last;
/// `None` when there is none left. A chunk that cannot be read is left as it is.
///
/// # Errors
/// What the disk refuses.
pub(super) fn pack_old(
    tx: &Transaction<'_>,
    after: &(String, i64),
) -> rusqlite::Result<Option<(String, i64)>> {
    let mut chunks = tx.prepare_cached(&format!(
        "{CHUNKS} WHERE (run_id, number) > (?1, ?2) ORDER BY run_id, number LIMIT {AT_ONCE}"
    ))?;
    let mut rows = chunks.query(params![after.0, after.1])?;
    let mut last = None;
    while let Some(row) = rows.next()? {
        let (run, number): (String, i64) = (row.get(0)?, row.get(1)?);
        let open = tx
            .prepare_cached("SELECT 1 FROM run WHERE id = ?1 AND state = 'running'")?
            .query_row([&run], |_| Ok(()))
            .optional()?
            .is_some();
        if !open {
            let packed = chunk(row).and_then(|readings| {
                // No chunk was ever longer; of one that is, the next one's place would be taken.
                if readings.len() > CHUNK {
                    return Err(bad(3, Type::Integer, "too long a chunk"));
                }
                write(tx, &run, number, first(number), &readings)
            });
            match packed {
                Err(e) if is_bad_row(&e) || e.sqlite_error_code().is_none() => {
                    tracing::warn!("ledger: chunk {number} of run {run} stays as it is: {e}");
                }
                other => drop(other?),
            }
        }
        last = Some((run, number));
    }
    Ok(last)
}

/// The run's number; it gets one if it has none.
fn number(tx: &Transaction<'_>, run: &str) -> rusqlite::Result<i64> {
    tx.prepare_cached("INSERT OR IGNORE INTO reading_run (run_id) VALUES (?1)")?.execute([run])?;
    tx.prepare_cached("SELECT number FROM reading_run WHERE run_id = ?1")?.query_row([run], |row| row.get(0))
}

fn first(chunk: i64) -> i64 {
    chunk.saturating_mul(CHUNK as i64)
}

fn block(row: &Row<'_>) -> rusqlite::Result<Block> {
    let column = |at: usize| -> rusqlite::Result<Column> {
        Ok(Column { base: row.get(at)?, step: row.get(at + 1)?, digits: row.get(at + 2)? })
    };
    let sparse = |at: usize| -> rusqlite::Result<Option<Column>> {
        if row.get_ref(at)? == ValueRef::Null { Ok(None) } else { column(at).map(Some) }
    };
    let id: i64 = row.get(0)?;
    Ok(Block {
        first: id % MOST,
        readings: usize::try_from(row.get::<_, i64>(1)?)
            .map_err(|_| bad(1, Type::Integer, "less than no readings"))?,
        milliseconds: column(2)?,
        millivolts: column(5)?,
        tenth_milliamperes: column(8)?,
        setpoint_tenth_milliamperes: column(11)?,
        ceiling_millivolts: sparse(14)?,
        bath_hundredth_celsius: sparse(17)?,
    })
}

const CHUNKS: &str = "SELECT run_id, number, format, milliseconds, millivolts, tenth_milliamperes,
        setpoint_tenth_milliamperes, ceiling_millivolts, bath_hundredth_celsius
 FROM reading_chunk";

/// A chunk of the first format: an array of JSON for each column.
fn chunk(row: &Row<'_>) -> rusqlite::Result<Readings> {
    fn column<T: serde::de::DeserializeOwned>(row: &Row<'_>, at: usize) -> rusqlite::Result<Vec<T>> {
        serde_json::from_str(row.get_ref(at)?.as_str()?)
            .map_err(|e| rusqlite::Error::FromSqlConversionFailure(at, Type::Text, e.into()))
    }
    let format: i64 = row.get(2)?;
    if format != 1 {
        return Err(rusqlite::Error::IntegralValueOutOfRange(2, format));
    }
    let milliseconds: Vec<i64> = column(row, 3)?;
    // Columns of schema 3; chunks written before have none.
    let sparse = |at: usize| -> rusqlite::Result<Vec<Option<i64>>> {
        if row.get_ref(at)? == ValueRef::Null { Ok(vec![None; milliseconds.len()]) } else { column(row, at) }
    };
    let readings = Readings {
        millivolts: column(row, 4)?,
        tenth_milliamperes: column(row, 5)?,
        setpoint_tenth_milliamperes: column(row, 6)?,
        ceiling_millivolts: sparse(7)?,
        bath_hundredth_celsius: sparse(8)?,
        milliseconds,
    };
    let lengths = [
        readings.millivolts.len(),
        readings.tenth_milliamperes.len(),
        readings.setpoint_tenth_milliamperes.len(),
        readings.ceiling_millivolts.len(),
        readings.bath_hundredth_celsius.len(),
    ];
    if lengths.iter().any(|l| *l != readings.len()) {
        return Err(bad(3, Type::Text, "columns of unlike length"));
    }
    Ok(readings)
}

fn bad(at: usize, kind: Type, why: &'static str) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(at, kind, why.into())
}
