//! Stories in virtual time, and what holds whatever anybody does.

mod properties;
mod rig;
mod stories;
