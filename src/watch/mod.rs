//! Rules over readings, and the alarms they raise.
//!
//! What the room is for: a [`Panel`] holds one watch per [`Kind`]; each is
//! shown every reading and decides whether its condition holds, and its alarm
//! goes through the states of ISA-18.2 / IEC 62682 with on-delay, off-delay and
//! deadband. What it may not know: the run, the supply, the clock (time comes
//! in), the disk. It decides nothing about the output: it names a
//! [`Response`], and `run` carries it out.

mod alarm;
pub mod area;
mod causes;
mod contact;
mod drift;
mod evidence;
mod figures;
mod kind;
mod known;
mod life;
mod line;
mod margin;
mod meter;
mod panel;
mod rules;
mod short;
#[cfg(test)]
mod short_tests;
mod told;
mod warmth;

pub use alarm::{Alarm, AlarmChange, AlarmState};
pub use causes::Candidate;
pub use figures::{Figures, Flood, JournalEntry, figures};
pub use kind::{Help, Kind, Priority, Response};
pub use life::LONGEST_SHELF;
pub use line::FittedLine;
pub use margin::{BathNow, BurnBasis, Margin, Strand, agitation_factor, burn_density};
pub use panel::{Handling, Panel};
pub use rules::{Context, Phase, Settings, Tuning};
pub use told::{ToldAlarm, ToldChange};
