//! Faraday's law: charge into mass, thickness and time, and back.
//!
//! What the room is for: metals as data, and the arithmetic of deposits with
//! efficiency. What it may not know: baths, parts, supplies.
