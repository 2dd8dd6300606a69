//! The controller (being written).
