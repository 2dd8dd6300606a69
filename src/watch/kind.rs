//! The watches by name, and what each means to the operator.

use serde::{Deserialize, Serialize};

/// How urgent an alarm is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Within the hour.
    Low,
    /// Within minutes.
    Medium,
    /// At once.
    High,
}

impl Priority {
    /// As in metrics and the API.
    pub fn name(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
        }
    }
}

/// What is done beside raising the alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Response {
    /// The alarm alone.
    Tell,
    /// Ramp down, output off, wait for the operator.
    Hold,
    /// Output off at once, run aborted.
    Cut,
}

/// Every watch there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Terminal voltage above what is allowed.
    OverVoltage,
    /// Current above what was commanded.
    OverCurrent,
    /// A commanded current does not flow while the voltage stands at its ceiling.
    OpenCircuit,
    /// Next to no voltage at the commanded current.
    ShortCircuit,
    /// The current does not follow its setpoint.
    NotArriving,
    /// The output has gone although nobody here switched it off.
    OutputGone,
    /// The voltage stands at its ceiling and holds the current back.
    VoltageLimit,
    /// The contact comes and goes.
    BadContact,
    /// The volts have stepped up at the same current.
    PartOff,
    /// The volts have stepped down at the same current.
    Touch,
    /// The volts have crept up far enough to act.
    Drift,
    /// The volts creep up.
    DriftNotice,
    /// The edge is near the density at which deposits burn.
    BurnMargin,
    /// What the supply reports of itself is not what it was told.
    ReadBack,
    /// No good reading for too long, or the link is lost.
    StaleLink,
}

impl Kind {
    /// All of them, in the order in which the first cause is chosen when several
    /// come true at the same reading.
    pub const ALL: [Kind; 15] = [
        Kind::OverVoltage,
        Kind::OverCurrent,
        Kind::ShortCircuit,
        Kind::OpenCircuit,
        Kind::OutputGone,
        Kind::VoltageLimit,
        Kind::BadContact,
        Kind::PartOff,
        Kind::Touch,
        Kind::BurnMargin,
        Kind::Drift,
        Kind::DriftNotice,
        Kind::NotArriving,
        Kind::ReadBack,
        Kind::StaleLink,
    ];

    /// As in config, metrics and the API.
    pub fn name(self) -> &'static str {
        match self {
            Kind::OverVoltage => "over-voltage",
            Kind::OverCurrent => "over-current",
            Kind::OpenCircuit => "open-circuit",
            Kind::ShortCircuit => "short-circuit",
            Kind::OutputGone => "output-gone",
            Kind::VoltageLimit => "voltage-limit",
            Kind::BadContact => "bad-contact",
            Kind::PartOff => "part-off",
            Kind::Touch => "touch",
            Kind::Drift => "drift",
            Kind::DriftNotice => "drift-notice",
            Kind::BurnMargin => "burn-margin",
            Kind::NotArriving => "not-arriving",
            Kind::ReadBack => "read-back",
            Kind::StaleLink => "stale-link",
        }
    }

    /// The watch of that name.
    pub fn named(name: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|k| k.name() == name)
    }

    /// What it means to the operator: cause, consequence, what to do, time to respond.
    pub fn help(self) -> Help {
        match self {
            Kind::OverVoltage => Help {
                cause: "The voltage at the terminals is above what is allowed here.",
                consequence: "Edges burn, or the supply's own protection trips.",
                remedy: "Look for a loose or dirty clip, a part that fell off, a passive or bagged-up anode, a cold bath. Mend it before starting again.",
                minutes: 1,
                unseen: "Whether the whole rise is at the contact or in the bath: volts are one sum. A second look with a meter at the clip tells.",
            },
            Kind::OverCurrent => Help {
                cause: "The supply gives more current than it was told.",
                consequence: "The deposit burns within seconds; leads and clips get hot.",
                remedy: "Check the supply's front panel and limits; do not start again until it agrees.",
                minutes: 1,
                unseen: "Whether the supply or its meter is wrong: a clamp meter on the lead tells.",
            },
            Kind::ShortCircuit => Help {
                cause: "Next to no voltage at the commanded current: part and anode touch, or the leads do.",
                consequence: "An arc marks the part and the bag; nothing is deposited.",
                remedy: "Separate them; look at the part for an arc mark. If nothing touches (a bath that works at some 0.2 V or less), set this watch to \"hold\": then a resume says so.",
                minutes: 1,
                unseen: "Where it touches. Only eyes tell. Not seen at all: a bridge of more than 0.2 ohm, and a touch that was there from the start and makes volts of its own (an arc, dirt between).",
            },
            Kind::OpenCircuit => Help {
                cause: "No current flows although the voltage stands at its ceiling.",
                consequence: "Nothing is deposited; nickel left without current goes passive and the next layer peels.",
                remedy: "Check the clip on the part, both leads, and that part and anode are under the surface.",
                minutes: 2,
                unseen: "Whether a clip, a lead or the part has come off: all are the same open circuit.",
            },
            Kind::OutputGone => Help {
                cause: "The supply's output has gone although nobody here switched it off.",
                consequence: "Nothing is deposited; nickel left without current goes passive and the next layer peels.",
                remedy: "Read the supply's display: has it tripped, or did somebody press its button?",
                minutes: 2,
                unseen: "Why: a supply that does not report its trips looks the same when its button was pressed.",
            },
            Kind::VoltageLimit => Help {
                cause: "The voltage stands at its ceiling and holds the current back.",
                consequence: "The run takes longer than planned and plates at a lower density.",
                remedy: "Check contacts, anode area and temperature; or plan it again with a higher ceiling or less current.",
                minutes: 10,
                unseen: "What costs the volts: contact, anode and a cold bath add up in one figure. A thermometer tells the last apart.",
            },
            Kind::BadContact => Help {
                cause: "The contact comes and goes.",
                consequence: "Layers that do not hold to each other, arc marks at the clip.",
                remedy: "Clean and tighten the clip and both clamps, with the output off.",
                minutes: 2,
                unseen: "Which joint it is; and a contact that is always bad by the same amount looks like a load of less area.",
            },
            Kind::PartOff => Help {
                cause: "The volts stepped up at the same current: a part fell off, or an anode lead came off. Volts alone cannot tell which.",
                consequence: "What still hangs gets more current than planned and may burn at its edges.",
                remedy: "Count the parts on the bar, then follow each anode lead.",
                minutes: 1,
                unseen: "A part lost from many, if it is less than about a twentieth of the area (a tenth in the first 25 s at a current, while the volts settle); one that was off before the first ramp ended; and a part from a lead. Count them.",
            },
            Kind::Touch => Help {
                cause: "The volts stepped down at the same current: something touches, or more area hangs in.",
                consequence: "The parts get less than their share.",
                remedy: "Look for a part, wire or tool that touches the bar or an anode.",
                minutes: 2,
                unseen: "A touch that began before the first ramp ended: it was learned as part of this load.",
            },
            Kind::Drift => Help {
                cause: "The volts have crept up by a twentieth at the same current.",
                consequence: "The bath allows less than it did: edges darken if it goes on.",
                remedy: "Read the thermometer, look at the anodes and their bags, feel the contacts.",
                minutes: 3,
                unseen: "A stirrer that stops: until the edge already burns, the volts hardly change. A sensor on the pump or its relay sees it (agitation-sensor).",
            },
            Kind::DriftNotice => Help {
                cause: "The volts creep up at the same current.",
                consequence: "None yet; it is how a cooling bath, a passive anode or low metal begins.",
                remedy: "Read the thermometer when you next pass.",
                minutes: 15,
                unseen: "Which of its causes it is: a thermometer tells a cooling bath from the rest.",
            },
            Kind::BurnMargin => Help {
                cause: "The edge is near the density at which this bath burns, as far as area, temperature and agitation are known. A stirrer that stops is not seen in volts: only a sensor on it, or you, can tell.",
                consequence: "Edges and rack tips darken; burnt nickel is hard and cannot be rubbed off.",
                remedy: "Look at agitation and temperature first; then lower the current or hold the run.",
                minutes: 1,
                unseen: "Area, agitation and metal content. The margin believes the order, the config and the bath file; its band says how far they may be wrong. A thermometer and a sensor on the pump's relay narrow it.",
            },
            Kind::NotArriving => Help {
                cause: "The current does not come up as asked.",
                consequence: "The run takes longer than planned.",
                remedy: "Check contacts, anode area, bath level and temperature, or ask for less.",
                minutes: 10,
                unseen: "Whether the load cannot take the current or the supply will not give it, where the supply does not report how it regulates.",
            },
            Kind::ReadBack => Help {
                cause: "The supply shows something other than what was set.",
                consequence: "The charge is still counted, but the current is not the planned one.",
                remedy: "Somebody may have turned a knob, or a command was lost. Set it right before going on.",
                minutes: 2,
                unseen: "Who turned the knob; and with supplies that cannot be asked for their setpoints, that it was turned at all before the current shows it.",
            },
            Kind::StaleLink => Help {
                cause: "The supply does not answer.",
                consequence: "Its output may still be on and nobody counts the charge.",
                remedy: "Go to the supply, switch its output off by hand, then check the cable.",
                minutes: 1,
                unseen: "Everything: with no reading neither current nor output is known. Only somebody at the supply sees it.",
            },
        }
    }

    /// What the operator should do, in one or two sentences.
    pub fn remedy(self) -> &'static str {
        self.help().remedy
    }
}

/// An alarm in the operator's words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Help {
    /// What is so.
    pub cause: &'static str,
    /// What comes of it if nobody acts.
    pub consequence: &'static str,
    /// What to do.
    pub remedy: &'static str,
    /// Minutes there are to respond, about.
    pub minutes: u32,
    /// What volts and amperes cannot tell here, and what would.
    pub unseen: &'static str,
}
