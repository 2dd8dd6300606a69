-- Schema 3: what a replay needs, and what later like loads are compared with.

-- The voltage setpoint in force (0: output off by our command) and the bath's temperature,
-- of the same length as the other columns; NULL in chunks of earlier schemas.
ALTER TABLE reading_chunk ADD COLUMN ceiling_millivolts TEXT;
ALTER TABLE reading_chunk ADD COLUMN bath_hundredth_celsius TEXT;

-- Slope of the load's own line times the area entered, where the ramp gave one.
ALTER TABLE run ADD COLUMN load_slope_ohm_square_meters REAL;

CREATE INDEX alarm_by_watch ON alarm (station, watch);

DROP VIEW reading;
CREATE VIEW reading AS
SELECT c.run_id,
       t.value / 1000.0 AS seconds,
       json_extract(c.millivolts, '$[' || t.key || ']') / 1000.0 AS volts,
       json_extract(c.tenth_milliamperes, '$[' || t.key || ']') / 10000.0 AS amperes,
       json_extract(c.setpoint_tenth_milliamperes, '$[' || t.key || ']') / 10000.0 AS setpoint_amperes,
       json_extract(c.ceiling_millivolts, '$[' || t.key || ']') / 1000.0 AS ceiling_volts,
       json_extract(c.bath_hundredth_celsius, '$[' || t.key || ']') / 100.0 AS bath_celsius
FROM reading_chunk AS c, json_each(c.milliseconds) AS t
WHERE c.format = 1
ORDER BY c.run_id, c.number, t.key;
