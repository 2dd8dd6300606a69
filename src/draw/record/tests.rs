//! What must hold of a record.
