//! A simulated supply with a plating cell behind it.
//!
//! What the room is for: trying a process without a bath, and being the other
//! end of every end-to-end test. The models (supply, cell, faults) are pure and
//! run in virtual time; the servers (pty, TCP) need the `daemon` feature.
//! What it may not know: `run`, `watch`, or any other control code.
