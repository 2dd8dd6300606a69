//! Runs and jobs as they are listed: with lot and customer as last entered, and found by words.

use super::job::{JOB, JobRow, job_row};
use super::reader::{PAGE, RUN, run_row};
use super::rows::RunRow;
use super::{LedgerError, Reader};
use rusqlite::params;

impl Reader {
    /// The newest `limit` runs, newest first; with `before`, those older than that run. Lot and customer are as last
    /// entered on the run or on its job.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn runs(&self, limit: u32, before: Option<&str>) -> Result<Vec<RunRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{}{PAGE}", runs_listed()))?
                .query_map(params![before, limit], run_row)?
                .collect()
        })
    }

    /// Those of them that have each of the words somewhere: in title, parts, lot, customer, tank, station, state, who,
    /// day (of this machine's time zone, 2026-01-31) or, from 8 letters on, id.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn find_runs(
        &self,
        limit: u32,
        before: Option<&str>,
        words: &str,
    ) -> Result<Vec<RunRow>, LedgerError> {
        let sql = format!(
            "SELECT * FROM ({} WHERE r.id < COALESCE(?1, '~')) AS l WHERE {} ORDER BY l.id DESC LIMIT ?2",
            runs_listed(),
            has_each(&format!(
                "concat_ws(' ', l.title, l.lot, l.customer, l.tank, l.station, l.state, l.started_by, {ID},
                     date(l.started_utc, 'localtime'),
                     (SELECT group_concat(concat_ws(' ', p.part, p.kind), ' ') FROM run_part AS p WHERE p.run_id = l.id))"
            ))
        );
        self.with(|db| {
            db.prepare_cached(&sql)?.query_map(params![before, limit, listed(words)], run_row)?.collect()
        })
    }

    /// The newest `limit` jobs, newest first; with `before`, those older than that job. Lot and customer are as last
    /// entered.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn jobs(&self, limit: u32, before: Option<&str>) -> Result<Vec<JobRow>, LedgerError> {
        let sql = format!("{} WHERE id < COALESCE(?1, '~') ORDER BY id DESC LIMIT ?2", jobs_listed());
        self.with(|db| db.prepare_cached(&sql)?.query_map(params![before, limit], job_row)?.collect())
    }

    /// Those of them that have each of the words somewhere: as [`Reader::find_runs`], and in sheet and base metal.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn find_jobs(
        &self,
        limit: u32,
        before: Option<&str>,
        words: &str,
    ) -> Result<Vec<JobRow>, LedgerError> {
        let sql = format!(
            "SELECT * FROM ({} WHERE id < COALESCE(?1, '~')) AS l WHERE {} ORDER BY l.id DESC LIMIT ?2",
            jobs_listed(),
            has_each(&format!(
                "concat_ws(' ', l.title, l.lot, l.customer, l.sheet, l.base, l.station, l.state, l.started_by, {ID},
                     date(l.started_utc, 'localtime'),
                     (SELECT group_concat(concat_ws(' ', r.tank, p.part, p.kind), ' ')
                      FROM run AS r JOIN run_part AS p ON p.run_id = r.id WHERE r.job_id = l.id))"
            ))
        );
        self.with(|db| {
            db.prepare_cached(&sql)?.query_map(params![before, limit, listed(words)], job_row)?.collect()
        })
    }
}

/// An id is found by 8 letters of it and more: every second one has a "41" in it, as a lot may.
const ID: &str = "CASE WHEN length(w.value) >= 10 THEN l.id END";

/// What was last entered on the record of one of these.
fn entered(what: &str, of: &str) -> String {
    format!(
        "(SELECT json_extract(e.content, '$.to') FROM record AS e WHERE e.run_id IN ({of}) AND e.kind = 'amend' \
         AND json_extract(e.content, '$.what') = '{what}' ORDER BY e.seq DESC LIMIT 1)"
    )
}

/// [`RUN`], with lot and customer as last entered.
fn runs_listed() -> String {
    let last = |what: &str| format!("COALESCE({}, r.{what}) AS {what}", entered(what, "r.id, r.job_id"));
    RUN.replace("r.lot, r.customer", &format!("{}, {}", last("lot"), last("customer")))
}

/// [`JOB`], with lot and customer as last entered.
fn jobs_listed() -> String {
    let last = |what: &str| format!("COALESCE({}, {what}) AS {what}", entered(what, "job.id"));
    JOB.replace("lot, customer", &format!("{}, {}", last("lot"), last("customer")))
}

/// The words as a JSON list of patterns; `%` and `_` are letters like others.
fn listed(words: &str) -> String {
    let pattern = |word: &str| {
        let plain: String = word
            .chars()
            .flat_map(|c| [matches!(c, '%' | '_' | '\\').then_some('\\'), Some(c)].into_iter().flatten())
            .collect();
        format!("%{plain}%")
    };
    serde_json::Value::from(words.split_whitespace().map(pattern).collect::<Vec<_>>()).to_string()
}

/// That a text has each word, large or small letters alike (of A to Z).
fn has_each(text: &str) -> String {
    format!("NOT EXISTS (SELECT 1 FROM json_each(?3) AS w WHERE {text} NOT LIKE w.value ESCAPE '\\')")
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::begun;
    use super::super::tests::start;
    use super::super::{Entry, HungRow, JobStart, Ledger, RunStart};
    use serde_json::json;

    fn run(id: &str, title: &str, job: Option<&str>) -> RunStart {
        RunStart {
            title: title.into(),
            started: "2026-01-02T12:00:00.000Z".into(),
            job: job.map(Into::into),
            lot: job.map(|_| "SAX-12".into()),
            ..start(id, "nickel")
        }
    }

    #[tokio::test]
    async fn load_is_found_by_lot_customer_and_part_and_by_no_sign_that_stands_for_any() {
        let folder = tempfile::tempdir().unwrap();
        let (ledger, _) = Ledger::open(&folder.path().join("l.sqlite")).unwrap();
        let job = JobStart { title: "6 valve caps".into(), lot: Some("SAX-12".into()), ..begun("j") };
        ledger.begin_job(job).await.unwrap();
        let caps = HungRow {
            number: Some("VC-7".into()),
            kind: "valve caps".into(),
            count: 6,
            area_square_meters: 0.01,
        };
        ledger.begin(RunStart { hung: vec![caps], ..run("a", "nickel: 6 parts", Some("j")) }).await.unwrap();
        ledger.begin(run("b", "octave levers 50_50", None)).await.unwrap();
        let amend = |of: &str, what: &str, to: &str| Entry {
            run: of.into(),
            kind: "amend".into(),
            by: "mila".into(),
            content: json!({ "what": what, "to": to, "why": null }),
        };
        for (what, to) in [("lot", "K-1"), ("lot", "K-104"), ("customer", "Town band")] {
            ledger.enter(amend("b", what, to)).await.unwrap();
        }
        let reader = ledger.reader();
        let runs = |words: &str| -> Vec<String> {
            reader.find_runs(9, None, words).unwrap().into_iter().map(|r| r.id).collect()
        };
        assert_eq!(runs("sax-12"), ["a"]);
        assert_eq!(runs("town BAND k-104"), ["b"]);
        assert_eq!(runs("vc-7 2026-01-02"), ["a"]);
        assert_eq!(runs("K-1 "), ["b"], "the newest lot begins like the one before");
        assert_eq!((runs("%").len(), runs("50_50"), runs("50%50").len()), (0, vec!["b".into()], 0));
        assert_eq!(runs(""), ["b", "a"]);
        ledger.begin(run("01a21746-3b69-7417", "thumb rests", None)).await.unwrap();
        assert_eq!(
            (runs("41").len(), runs("3b69-7417")),
            (0, vec!["01a21746-3b69-7417".into()]),
            "a lot is no id"
        );
        assert_eq!(reader.find_runs(1, Some("b"), "").unwrap()[0].id, "a");
        let listed = reader.runs(9, None).unwrap();
        assert_eq!((listed[0].lot.as_deref(), listed[1].lot.as_deref()), (Some("K-104"), Some("SAX-12")));
        assert_eq!(listed[0].customer.as_deref(), Some("Town band"));

        let jobs = |words: &str| reader.find_jobs(9, None, words).unwrap().len();
        assert_eq!((jobs("SAX-12 brass"), jobs("VC-7"), jobs("K-104")), (1, 1, 0));
        ledger.enter(amend("j", "lot", "SAX-13")).await.unwrap();
        assert_eq!((jobs("SAX-12"), jobs("SAX-13")), (0, 1));
        assert_eq!(reader.jobs(9, None).unwrap()[0].lot.as_deref(), Some("SAX-13"));
        assert_eq!(runs("SAX-13"), ["a"], "what is entered on a job counts for its runs");
    }
}
