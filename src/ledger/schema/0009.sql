-- Schema 9: readings packed to some three bytes each, in a way that SQL alone unpacks.

-- Up to 256 readings of a run. Reading k (from 0) of a block is base + step * its digits: hex() of the
-- BLOB is decimal digits, as many for each reading as 2 * length / readings says; none where the column
-- stands still. Time goes along a line: base + k * pitch / 1000 + its digits.
-- The last readings of a run that is being worked are still in reading_chunk.
CREATE TABLE reading_block (
    id                            INTEGER PRIMARY KEY,     -- the run's number * 2^32 + how many readings come before
    readings                      INTEGER NOT NULL,        -- how many are in here
    milliseconds_base             INTEGER NOT NULL,        -- since the run's start
    microseconds_pitch            INTEGER NOT NULL,
    milliseconds_digits           BLOB NOT NULL,
    millivolts_base               INTEGER NOT NULL,
    millivolts_step               INTEGER NOT NULL,
    millivolts_digits             BLOB NOT NULL,
    tenth_milliamperes_base       INTEGER NOT NULL,
    tenth_milliamperes_step       INTEGER NOT NULL,
    tenth_milliamperes_digits     BLOB NOT NULL,
    setpoint_base                 INTEGER NOT NULL,
    setpoint_step                 INTEGER NOT NULL,
    setpoint_digits               BLOB NOT NULL,
    ceiling_millivolts_base       INTEGER,                 -- NULL in records of before schema 3
    ceiling_millivolts_step       INTEGER,
    ceiling_millivolts_digits     BLOB,
    bath_hundredth_celsius_base   INTEGER,                 -- NULL where it was not known
    bath_hundredth_celsius_step   INTEGER,
    bath_hundredth_celsius_digits BLOB
) STRICT;

-- A short number for each run that has blocks.
CREATE TABLE reading_run (
    number                        INTEGER PRIMARY KEY,
    run_id                        TEXT NOT NULL UNIQUE REFERENCES run (id)
) STRICT;

DROP VIEW reading;
CREATE VIEW reading AS
WITH RECURSIVE counter (k) AS (VALUES (0) UNION ALL SELECT k + 1 FROM counter WHERE k < 255)
SELECT run_id,
       (milliseconds_base + k * microseconds_pitch / 1000
        + CAST(substr(hex(milliseconds_digits), 1 + k * (2 * length(milliseconds_digits) / readings),
                      2 * length(milliseconds_digits) / readings) AS INTEGER)) / 1000.0 AS seconds,
       (millivolts_base + millivolts_step
        * CAST(substr(hex(millivolts_digits), 1 + k * (2 * length(millivolts_digits) / readings),
                      2 * length(millivolts_digits) / readings) AS INTEGER)) / 1000.0 AS volts,
       (tenth_milliamperes_base + tenth_milliamperes_step
        * CAST(substr(hex(tenth_milliamperes_digits), 1 + k * (2 * length(tenth_milliamperes_digits) / readings),
                      2 * length(tenth_milliamperes_digits) / readings) AS INTEGER)) / 10000.0 AS amperes,
       (setpoint_base + setpoint_step
        * CAST(substr(hex(setpoint_digits), 1 + k * (2 * length(setpoint_digits) / readings),
                      2 * length(setpoint_digits) / readings) AS INTEGER)) / 10000.0 AS setpoint_amperes,
       (ceiling_millivolts_base + ceiling_millivolts_step
        * CAST(substr(hex(ceiling_millivolts_digits), 1 + k * (2 * length(ceiling_millivolts_digits) / readings),
                      2 * length(ceiling_millivolts_digits) / readings) AS INTEGER)) / 1000.0 AS ceiling_volts,
       (bath_hundredth_celsius_base + bath_hundredth_celsius_step
        * CAST(substr(hex(bath_hundredth_celsius_digits), 1 + k * (2 * length(bath_hundredth_celsius_digits) / readings),
                      2 * length(bath_hundredth_celsius_digits) / readings) AS INTEGER)) / 100.0 AS bath_celsius
FROM reading_run AS r
JOIN reading_block AS b ON b.id BETWEEN r.number << 32 AND (r.number << 32) + 4294967295
JOIN counter ON k < readings
UNION ALL
SELECT c.run_id, t.value / 1000.0,
       json_extract(c.millivolts, '$[' || t.key || ']') / 1000.0,
       json_extract(c.tenth_milliamperes, '$[' || t.key || ']') / 10000.0,
       json_extract(c.setpoint_tenth_milliamperes, '$[' || t.key || ']') / 10000.0,
       json_extract(c.ceiling_millivolts, '$[' || t.key || ']') / 1000.0,
       json_extract(c.bath_hundredth_celsius, '$[' || t.key || ']') / 100.0
FROM reading_chunk AS c, json_each(c.milliseconds) AS t
WHERE c.format = 1
ORDER BY run_id, seconds;
