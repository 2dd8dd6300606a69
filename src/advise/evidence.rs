//! What one run's record shows. A field that is `None` is not known, and is never taken for good.

use crate::bath::Agitation;
use crate::quantity::{Density, Length, Span, Temperature, Volts};

/// The burn margin over a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MarginSeen {
    /// The least: 0 is burning, 1 far from it.
    pub least: f64,
    /// At which minute.
    pub minute: f64,
    /// The least if the solution did not move, where its moving was only assumed.
    pub if_still: Option<f64>,
}

/// A quantity over a run against its window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TemperatureSeen {
    /// The lowest.
    pub least: Temperature,
    /// At which minute.
    pub least_minute: f64,
    /// The highest.
    pub most: Temperature,
    /// At which minute.
    pub most_minute: f64,
    /// Least and most of the bath's window.
    pub window: (Temperature, Temperature),
}

/// Mean density of the load over a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DensitySeen {
    /// Charge over time and area.
    pub mean: Density,
    /// Least and most of the bath's window.
    pub window: (Density, Density),
    /// Under which the tank's own panel is dull.
    pub dull: Option<Density>,
}

/// How the solution moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AgitationSeen {
    /// As assumed or set.
    pub kind: Agitation,
    /// Whether a sensor proved it throughout.
    pub proven: bool,
    /// When it stopped, if a sensor saw that.
    pub stopped_minute: Option<f64>,
}

/// Alarms of a kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AlarmsSeen {
    /// How often it was raised.
    pub count: u32,
    /// The first one's minute.
    pub minute: f64,
}

/// Times without current after plating had begun. Planned turns are none of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interrupted {
    /// How often.
    pub count: u32,
    /// The longest.
    pub longest: Span,
    /// When that began.
    pub minute: f64,
    /// The longest without current while parts were turned, by plan; zero where they were turned with it.
    pub turning: Span,
}

/// A figure of the last analysis before the run.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// `nickel`, `boric acid`, `pH`.
    pub what: String,
    /// How much: g/L, or pH.
    pub value: f64,
    /// Least and most by the bath file.
    pub window: (f64, f64),
    /// The day of the analysis.
    pub day: String,
}

/// What had passed at the run's start since a rule's work was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Since {
    /// The rule: `filter`, `carbon`, `brightener`.
    pub what: String,
    /// Ampere-hours since.
    pub ampere_hours: f64,
    /// 1 and more: it was due.
    pub due: f64,
    /// Whether it was ever logged.
    pub ever: bool,
}

/// Everything that a record may show.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// Whether any charge passed; `Some(false)`: none is on record.
    pub charged: Option<bool>,
    /// What is on record and cannot be read, a sentence each.
    pub unread: Vec<String>,
    /// The metal's symbol.
    pub metal: Option<String>,
    /// Time with current, minutes.
    pub minutes: Option<f64>,
    /// Burn margin by density, edge factor, temperature and agitation as known.
    pub margin: Option<MarginSeen>,
    /// The bath's temperature.
    pub temperature: Option<TemperatureSeen>,
    /// Density.
    pub density: Option<DensitySeen>,
    /// The highest voltage, at which minute, and the most that is usual.
    pub volts: Option<(Volts, f64, Volts)>,
    /// Agitation.
    pub agitation: Option<AgitationSeen>,
    /// Anode area over the load's, and the least that the bath asks for.
    pub anode_ratio: Option<(f64, f64)>,
    /// Alarms of a contact that came and went, or of an open circuit; a count of 0 is known, `None` is not.
    pub contact: Option<AlarmsSeen>,
    /// Alarms of a part that fell off.
    pub part_off: Option<AlarmsSeen>,
    /// Alarms of something that touched.
    pub touch: Option<AlarmsSeen>,
    /// Times without current.
    pub interrupted: Option<Interrupted>,
    /// Time under current that nobody watched.
    pub unobserved: Option<Span>,
    /// The last analysis.
    pub analysis: Option<Vec<Figure>>,
    /// What had passed since upkeep.
    pub since: Option<Vec<Since>>,
    /// How often the water-break test failed.
    pub water_break_failed: Option<u32>,
    /// Cleaning, activating or inspecting steps that were skipped.
    pub skipped: Option<Vec<String>>,
    /// Time over the most that a dip or an acid allows.
    pub over_dwell: Option<Span>,
    /// From activation to plating: what it took, and the most it may.
    pub late: Option<(Span, Span)>,
    /// Faces plated, and faces asked for.
    pub turned: Option<(u8, u8)>,
    /// Edge density over mean density.
    pub edge_factor: Option<f64>,
    /// Whether the part has an inside.
    pub inside: Option<bool>,
    /// Whether it hung tilted, so that gas gets away.
    pub tilted: Option<bool>,
    /// Mean thickness by charge.
    pub thickness: Option<Length>,
    /// The thinnest over the mean, as measured.
    pub distribution: Option<f64>,
}
