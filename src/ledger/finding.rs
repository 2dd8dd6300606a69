//! What was found by measuring: baths analysed, Hull panels read, parts measured or weighed.

use super::writer::{Message, now_utc};
use super::{Ledger, LedgerError, Reader, seal};
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;
use serde_json::{Value, json};

/// What was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FindingKind {
    /// A bath's components.
    Analysis,
    /// A Hull panel.
    Panel,
    /// Parts of a run.
    Part,
}

impl FindingKind {
    /// As in the ledger.
    pub fn name(self) -> &'static str {
        match self {
            FindingKind::Analysis => "analysis",
            FindingKind::Panel => "panel",
            FindingKind::Part => "part",
        }
    }

    /// The upkeep rule that it begins anew.
    pub fn rule(self) -> Option<&'static str> {
        match self {
            FindingKind::Analysis => Some("analysis"),
            FindingKind::Panel => Some("hull-panel"),
            FindingKind::Part => None,
        }
    }
}

/// Something that was found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FindingRow {
    /// Counted from 1 in the order of writing.
    pub id: i64,
    /// RFC 3339 UTC; stamped by the ledger.
    pub at: String,
    /// What was measured.
    pub kind: FindingKind,
    /// Tank.
    pub tank: String,
    /// The bath that was in it.
    pub bath: String,
    /// The run that the parts came out of.
    pub run: Option<String>,
    /// The tank's account then; of a part the ledger's at the time of entering.
    pub tank_microcoulombs: i64,
    /// As a person wrote it.
    pub entered: String,
    /// What follows from it.
    pub figures_json: String,
    /// Who.
    pub by: String,
    /// Their note.
    pub note: Option<String>,
    /// When it was taken back, if it was.
    pub undone: Option<String>,
}

pub(super) enum Deed {
    /// With what goes on the run's record.
    Add(Box<FindingRow>, Vec<Value>),
    Undo {
        id: i64,
        by: String,
        said: String,
    },
}

impl Ledger {
    /// Writes what was found, and returns when the disk has it. Id, time, account and `undone` of the row are not
    /// looked at. An analysis or a panel begins its upkeep rule anew, by an entry that takes it back with itself.
    /// What was found on a run's parts goes on that run's record in the same transaction: `on_record`, an entry of
    /// kind `measurement` each, an object that gets the finding's id under `finding`.
    ///
    /// # Errors
    /// Whatever keeps it from being written; then nothing of it is.
    pub async fn found(&self, row: &FindingRow, on_record: Vec<Value>) -> Result<(), LedgerError> {
        let account = self.account(&row.tank).charge_microcoulombs;
        let deed = Deed::Add(Box::new(FindingRow { tank_microcoulombs: account, ..row.clone() }), on_record);
        self.ask(|reply| Message::Finding(Box::new(deed), reply)).await
    }

    /// Marks it as taken back; it stays on record. One that is already taken back is left as it is. Of a run's parts
    /// that goes on the run's record in the same transaction, with `said` as its text and the finding's id under
    /// `undoes`.
    ///
    /// # Errors
    /// Whatever keeps it from being written; then nothing of it is.
    pub async fn undo_finding(&self, id: i64, by: &str, said: &str) -> Result<(), LedgerError> {
        let deed = Deed::Undo { id, by: by.into(), said: said.into() };
        self.ask(|reply| Message::Finding(Box::new(deed), reply)).await
    }
}

const FINDING: &str =
    "SELECT id, at_utc, kind, tank, bath, run_id, tank_microcoulombs, entered, figures_json, by, note,
                              undone_utc FROM finding";

impl Reader {
    /// The newest `limit` findings of that kind in that tank, newest first, those taken back left out.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn findings(
        &self,
        tank: &str,
        kind: FindingKind,
        limit: u32,
    ) -> Result<Vec<FindingRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!(
                "{FINDING} WHERE tank = ?1 AND kind = ?2 AND undone_utc IS NULL ORDER BY id DESC LIMIT ?3"
            ))?
            .query_map(params![tank, kind.name(), limit], finding)?
            .collect()
        })
    }

    /// What was found on the parts of a run, oldest first, what was taken back too.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn findings_of_run(&self, run: &str) -> Result<Vec<FindingRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{FINDING} WHERE run_id = ?1 ORDER BY id"))?
                .query_map([run], finding)?
                .collect()
        })
    }
}

impl Reader {
    /// What a tank had worked before that run began, in microcoulombs: runs' ids sort by their start.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn account_before(&self, tank: &str, run: &str) -> Result<i64, LedgerError> {
        self.with(|db| {
            db.prepare_cached(
                "SELECT COALESCE(SUM(charge_microcoulombs), 0) FROM tank_charge WHERE tank = ?1 AND run_id < ?2",
            )?
            .query_row(params![tank, run], |row| row.get(0))
        })
    }
}

fn finding(row: &Row<'_>) -> rusqlite::Result<FindingRow> {
    let kind: String = row.get(2)?;
    Ok(FindingRow {
        id: row.get(0)?,
        at: row.get(1)?,
        kind: match kind.as_str() {
            "analysis" => FindingKind::Analysis,
            "panel" => FindingKind::Panel,
            _ => FindingKind::Part,
        },
        tank: row.get(3)?,
        bath: row.get(4)?,
        run: row.get(5)?,
        tank_microcoulombs: row.get(6)?,
        entered: row.get(7)?,
        figures_json: row.get(8)?,
        by: row.get(9)?,
        note: row.get(10)?,
        undone: row.get(11)?,
    })
}

/// On the ledger's thread.
pub(super) fn write(db: &mut Connection, deed: &Deed) -> Result<(), LedgerError> {
    let failed = |e: rusqlite::Error| LedgerError::Write(e.to_string());
    let tx = db.transaction().map_err(failed)?;
    carried_out(&tx, deed).and_then(|()| tx.commit()).map_err(failed)
}

fn carried_out(db: &Connection, deed: &Deed) -> rusqlite::Result<()> {
    let now = now_utc();
    let (row, on_record) = match deed {
        Deed::Undo { id, by, said } => {
            let undone = db.execute(
                "UPDATE finding SET undone_utc = ?2, undone_by = ?3 WHERE id = ?1 AND undone_utc IS NULL",
                params![id, now, by],
            )?;
            db.execute(
                "UPDATE addition SET undone_utc = ?2, undone_by = ?3
                 WHERE id = (SELECT addition_id FROM finding WHERE id = ?1) AND undone_utc IS NULL",
                params![id, now, by],
            )?;
            let run: Option<String> = db
                .query_row("SELECT run_id FROM finding WHERE id = ?1", [id], |row| row.get(0))
                .optional()?
                .flatten();
            if let Some(run) = run.filter(|_| undone > 0) {
                let content =
                    json!({ "method": "taken back", "thickness_meters": null, "text": said, "undoes": id });
                seal::append(db, &run, "measurement", Some(by), false, content.to_string())?;
            }
            return Ok(());
        }
        Deed::Add(row, on_record) => (row, on_record),
    };
    let addition = match row.kind.rule() {
        Some(rule) => {
            db.execute(
                "INSERT INTO addition (at_utc, tank, what, amount, tank_microcoulombs, by, note)
                 VALUES (?1, ?2, ?3, '', ?4, ?5, ?6)",
                params![now, row.tank, rule, row.tank_microcoulombs, row.by, row.note],
            )?;
            Some(db.last_insert_rowid())
        }
        None => None,
    };
    db.execute(
        "INSERT INTO finding (at_utc, kind, tank, bath, run_id, addition_id, tank_microcoulombs, entered, figures_json,
                              by, note)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        params![
            now,
            row.kind.name(),
            row.tank,
            row.bath,
            row.run,
            addition,
            row.tank_microcoulombs,
            row.entered,
            row.figures_json,
            row.by,
            row.note
        ],
    )?;
    let id = db.last_insert_rowid();
    for content in row.run.iter().flat_map(|_| on_record) {
        let mut content = content.clone();
        content["finding"] = id.into();
        let run = row.run.as_deref().unwrap_or_default();
        seal::append(db, run, "measurement", Some(&row.by), false, content.to_string())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(kind: FindingKind, entered: &str) -> FindingRow {
        FindingRow {
            id: 0,
            at: String::new(),
            kind,
            tank: "nickel".into(),
            bath: "watts-nickel".into(),
            run: None,
            tank_microcoulombs: 0,
            entered: entered.into(),
            figures_json: r#"[{"what":"nickel","value":68.0,"unit":"grams-per-liter"}]"#.into(),
            by: "mila".into(),
            note: None,
            undone: None,
        }
    }

    #[tokio::test]
    async fn analysis_begins_its_rule_anew_and_is_taken_back_with_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("l.sqlite");
        let (ledger, _) = Ledger::open(&path).unwrap();
        ledger.found(&row(FindingKind::Analysis, "nickel=68 g/L"), vec![]).await.unwrap();
        ledger.found(&row(FindingKind::Panel, "267 mL 2 A 5 min, burnt to 12 mm"), vec![]).await.unwrap();
        let reader = ledger.reader();
        let done: Vec<_> = reader.last_done().unwrap().into_iter().map(|d| d.what).collect();
        assert_eq!(done, ["analysis", "hull-panel"]);
        let count = |kind| reader.findings("nickel", kind, 9).unwrap().len();
        assert_eq!((count(FindingKind::Analysis), count(FindingKind::Panel)), (1, 1));

        let last = reader.last_addition("nickel").unwrap().unwrap();
        assert_eq!(last.what, "hull-panel");
        ledger.undo_addition(last.id, "jonas").await.unwrap();
        assert_eq!(
            (count(FindingKind::Analysis), count(FindingKind::Panel)),
            (1, 0),
            "the panel went with it"
        );
        let id = reader.findings("nickel", FindingKind::Analysis, 9).unwrap()[0].id;
        ledger.undo_finding(id, "jonas", "").await.unwrap();
        assert_eq!(count(FindingKind::Analysis), 0);
        assert!(reader.last_done().unwrap().is_empty(), "and its entry went with it");

        // Both are still there for whoever looks, and the view for people shows neither.
        let db = Connection::open(&path).unwrap();
        let rows = |sql: &str| -> i64 { db.query_row(sql, [], |row| row.get(0)).unwrap() };
        assert_eq!(rows("SELECT COUNT(*) FROM finding"), 2);
        assert_eq!(rows("SELECT COUNT(*) FROM analysis"), 0);
    }

    #[tokio::test]
    async fn measurement_and_its_entry_are_written_together_or_not_at_all_and_an_undo_names_what_it_undoes() {
        let (_folder, path) = super::super::tests::fresh();
        let (ledger, _) = Ledger::open(&path).unwrap();
        ledger.begin(super::super::tests::start("a", "nickel")).await.unwrap();
        ledger.finish(super::super::tests::end("a", 1_000_000)).await.unwrap();
        let of = |run: &str| FindingRow { run: Some(run.into()), ..row(FindingKind::Part, "8 um at edge") };
        let lines = || vec![json!({ "text": "edge" }), json!({ "text": "worked out" })];
        ledger.found(&of("a"), lines()).await.unwrap();
        let reader = ledger.reader();
        let entered = || -> Vec<Value> {
            let all = reader.entries("a").unwrap().into_iter().filter(|e| e.kind == "measurement");
            all.map(|e| serde_json::from_str(&e.content).unwrap()).collect()
        };
        let id = reader.findings_of_run("a").unwrap()[0].id;
        assert_eq!(entered().iter().map(|e| e["finding"].as_i64()).collect::<Vec<_>>(), [Some(id); 2]);
        // An entry that cannot be written takes the measurement with it.
        let broken = Connection::open(&path).unwrap();
        broken
            .execute_batch(
                "CREATE TRIGGER no BEFORE INSERT ON record BEGIN SELECT RAISE(ABORT, 'no entries today'); END;",
            )
            .unwrap();
        assert!(ledger.found(&of("a"), lines()).await.is_err());
        assert!(ledger.undo_finding(id, "jonas", "taken back").await.is_err());
        let all = reader.findings_of_run("a").unwrap();
        assert_eq!((all.len(), all[0].undone.as_ref()), (1, None), "half of it was written");
        broken.execute_batch("DROP TRIGGER no").unwrap();
        for _ in 0..2 {
            ledger.undo_finding(id, "jonas", "taken back").await.unwrap();
        }
        let last = entered();
        assert_eq!(
            (last.len(), last[2]["undoes"].as_i64()),
            (3, Some(id)),
            "once, and it names the measurement"
        );
        assert_eq!(reader.verify(None, None).unwrap().faults, []);
    }
}
