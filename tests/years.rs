//! Years of work in a small ledger: what a reading takes on disk, and that no question which is asked every day
//! goes through a table that grows with the years. The full size is `cargo bench --bench years`.
#![cfg(feature = "daemon")]
#![expect(clippy::disallowed_methods, reason = "a test at the edge: it looks at the ledger's file")]

#[path = "bench/decade.rs"]
mod decade;
#[path = "bench/trials.rs"]
#[expect(dead_code, reason = "only its orders are used here")]
mod trials;

use rusqlite::Connection;
use tankside::ledger::{Ledger, TallyBy};

/// Minutes of a run here; the benchmark's are 40.
const MINUTES: f64 = 4.0;

#[tokio::test]
async fn years_of_readings_take_more_than_four_bytes_each_or_a_question_reads_a_whole_table() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.sqlite");
    let written = decade::work(&path, 8, MINUTES).await;
    let (readings, _, blocks) = decade::weight(&path);
    assert_eq!(readings, written, "every reading is packed when its run has ended");
    // Rows of a run and of its events weigh ten times more beside runs so short: the blocks alone are held here,
    // the whole file by the benchmark.
    assert!(blocks <= 4.0, "{blocks} bytes a reading");

    decade::copy(&path, 100, 5);
    let (copied, _, _) = decade::weight(&path);
    assert!(copied > 10 * written);
    let (ledger, _) = Ledger::open(&path).unwrap();
    let account = ledger.account("nickel");
    for by in [TallyBy::Day, TallyBy::Month, TallyBy::Part] {
        let rows = ledger.reader().tally("nickel", by, None).unwrap();
        let sum: f64 = rows.iter().map(|row| row.charge_coulombs).sum();
        assert!((sum / account.charge_coulombs - 1.0).abs() < 1e-9, "{by:?}: {sum} of {}", account.charge_coulombs);
    }
    ledger.close().await.unwrap();

    let db = Connection::open(&path).unwrap();
    for question in Ledger::questions() {
        let plan: Vec<String> = db
            .prepare(&format!("EXPLAIN QUERY PLAN {question}"))
            .and_then(|mut q| {
                let blanks = q.parameter_count();
                q.query_map(rusqlite::params_from_iter(vec!["x"; blanks]), |row| row.get(3))?.collect()
            })
            .unwrap();
        for step in plan {
            // An index that covers the question may be walked; a table may not.
            let whole = step.starts_with("SCAN") && !step.contains("USING COVERING INDEX");
            let small = ["SCAN addition", "SCAN a", "SCAN CONSTANT ROW"].iter().any(|s| step == *s);
            let newest = question.contains("LIMIT") && step.contains("USING INDEX");
            assert!(!whole || small || newest, "{question}\n{step}");
        }
    }
}
