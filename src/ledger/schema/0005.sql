-- Schema 5: who did what over HTTP, and what came of a start that may be asked again.

CREATE TABLE audit (
    id                      INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc                  TEXT NOT NULL,
    token                   TEXT,                          -- its name; none where none was needed
    by                      TEXT,                          -- the person named in the request
    address                 TEXT NOT NULL,                 -- where it came from
    what                    TEXT NOT NULL,                 -- method and path
    status                  INTEGER NOT NULL,              -- of the answer
    code                    TEXT                           -- of the problem, if it was one
) STRICT;

-- A start with an Idempotency-Key. Without a status: begun, and the answer is not known.
CREATE TABLE once (
    station                 TEXT NOT NULL,
    key                     TEXT NOT NULL,
    at_utc                  TEXT NOT NULL,
    request                 TEXT NOT NULL,                 -- SHA-256 of the body
    status                  INTEGER,
    answer                  TEXT,
    PRIMARY KEY (station, key)
) STRICT, WITHOUT ROWID;
CREATE INDEX once_by_time ON once (at_utc);
