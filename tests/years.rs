//! Years of work in a small ledger: what a reading takes on disk, and that the parts of an account add up
//! to it. The full size is `cargo bench --bench years`.
#![cfg(feature = "daemon")]

#[path = "bench/decade.rs"]
mod decade;
#[path = "bench/trials.rs"]
#[expect(dead_code, reason = "only its orders are used here")]
mod trials;

use tankside::ledger::{Ledger, TallyBy};

/// A run is as long as in the benchmark: ramps and ends weigh more in short ones.
const MINUTES: f64 = 40.0;

#[tokio::test]
async fn years_of_readings_take_more_than_four_bytes_each_or_the_parts_of_an_account_do_not_add_up() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.sqlite");
    let written = decade::work(&path, 16, MINUTES).await;
    let (readings, _, blocks) = decade::weight(&path);
    assert_eq!(readings, written, "every reading is packed when its run has ended");
    assert!(blocks <= 4.0, "{blocks} bytes a reading");

    decade::copy(&path, 300, 5);
    let (copied, file, _) = decade::weight(&path);
    assert!(file <= 4.0, "{file} bytes a reading with all that goes with it");
    assert!(copied > 10 * written);
    let (ledger, _) = Ledger::open(&path).unwrap();
    let account = ledger.account("nickel");
    for by in [TallyBy::Day, TallyBy::Month, TallyBy::Part] {
        let rows = ledger.reader().tally("nickel", by, None).unwrap();
        let sum: f64 = rows.iter().map(|row| row.charge_coulombs).sum();
        assert!(
            (sum / account.charge_coulombs - 1.0).abs() < 1e-9,
            "{by:?}: {sum} of {}",
            account.charge_coulombs
        );
    }
    ledger.close().await.unwrap();
}
