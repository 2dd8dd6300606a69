-- Schema 11: a job has a record as a run has: sealed step by step and at its end, signed off, amended.

-- The same rows; run_id is that of a run or of a job now, so it can refer to neither table. What was
-- hashed stays what it was.
CREATE TABLE record_of_both (
    seq        INTEGER PRIMARY KEY,                        -- 1, 2, 3 … without a gap
    run_id     TEXT NOT NULL,                              -- of a run, or of a job: UUIDv7, never the same
    kind       TEXT NOT NULL,                              -- run, job, step (the seals), plan, sign, amend, note …
    at_utc     TEXT NOT NULL,
    by         TEXT,                                       -- who, where a person did
    later      INTEGER NOT NULL DEFAULT 0 CHECK (later IN (0, 1)), -- 1: sealed later than at the end
    content    TEXT NOT NULL,                              -- JSON; of a seal: the hashes of the parts
    previous   TEXT NOT NULL,                              -- hash of the row before; of the first: empty
    hash       TEXT NOT NULL
) STRICT;
INSERT INTO record_of_both SELECT seq, run_id, kind, at_utc, by, later, content, previous, hash FROM record;
DROP TABLE record;
ALTER TABLE record_of_both RENAME TO record;
CREATE INDEX record_by_run ON record (run_id, kind);
CREATE INDEX record_by_time ON record (at_utc);

-- What is put on the record of something must be there.
CREATE TRIGGER record_of_what BEFORE INSERT ON record
WHEN NOT EXISTS (SELECT 1 FROM run WHERE id = NEW.run_id) AND NOT EXISTS (SELECT 1 FROM job WHERE id = NEW.run_id)
BEGIN SELECT RAISE(ABORT, 'there is no such run or job'); END;

-- Jobs up to this one were made before jobs were sealed; the daemon seals them when it has nothing else to do.
INSERT INTO meta (key, value) SELECT 'jobs_before_seals', MAX(id) FROM job HAVING MAX(id) IS NOT NULL;
