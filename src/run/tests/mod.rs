//! Step tables and virtual-time scenarios over a small ideal supply.

mod invariants;
mod late;
mod meters;
mod reviewed;
mod rig;
mod several;
mod shorts;
mod stories;
