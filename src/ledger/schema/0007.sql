-- Schema 7: what is on record of a run, sealed. Rows are only ever appended; each carries the hash
-- of the one before, so that a later change shows. How a hash is taken stands in src/ledger/seal.rs.

CREATE TABLE record (
    seq        INTEGER PRIMARY KEY,                        -- 1, 2, 3 … without a gap
    run_id     TEXT NOT NULL REFERENCES run (id),
    kind       TEXT NOT NULL,                              -- run (the seal), plan, sign, amend, note …
    at_utc     TEXT NOT NULL,
    by         TEXT,                                       -- who, where a person did
    later      INTEGER NOT NULL DEFAULT 0 CHECK (later IN (0, 1)), -- 1: sealed later than at the run's end
    content    TEXT NOT NULL,                              -- JSON; of a seal: the hashes of the run's parts
    previous   TEXT NOT NULL,                              -- hash of the row before; of the first: empty
    hash       TEXT NOT NULL
) STRICT;
CREATE INDEX record_by_run ON record (run_id, kind);
CREATE INDEX record_by_time ON record (at_utc);
CREATE INDEX alarm_by_run ON alarm (run_id) WHERE run_id IS NOT NULL;

-- Runs up to this one were made before there were seals; the daemon seals them when it has nothing else to do.
INSERT INTO meta (key, value) SELECT 'runs_before_seals', MAX(id) FROM run HAVING MAX(id) IS NOT NULL;
