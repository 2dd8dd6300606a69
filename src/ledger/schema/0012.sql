-- Schema 12: time that was not observed and came to light after its run was sealed: entries of kind 'unobserved' on
-- its record, few, found and summed from this index alone.
CREATE INDEX record_unobserved ON record (kind, run_id, content) WHERE kind = 'unobserved';
