//! What is wrong with a request before any load is counted.

use super::{Obstacle, Request, SupplyLimits};
use crate::bath::{Bath, Window};
use crate::deposit::{self, Efficiency, Metal};
use crate::part::Part;
use crate::process::{Between, Confirm, End, Hold, Ramp, Standard};
use crate::quantity::{Density, Units};

/// Everything in the way, so far.
pub(super) struct Obstacles(pub(super) Vec<Obstacle>);

impl Obstacles {
    pub(super) fn add(&mut self, key: &'static str, wrong: impl Into<String>, remedy: impl Into<String>) {
        self.0.push(Obstacle { key, wrong: wrong.into(), remedy: remedy.into() });
    }
}

/// What people may write as a title or a part's name or number: it stands in logs, in a terminal and on records.
const LONGEST: usize = 200;

/// Texts of people that are no line, as key and what is wrong.
pub(super) fn unwritable(title: Option<&str>, parts: &[Part]) -> Vec<(&'static str, String)> {
    let of_parts =
        parts.iter().flat_map(|p| p.number().into_iter().chain(p.name()).map(|text| ("part", text)));
    let all = title.into_iter().map(|text| ("title", text)).chain(of_parts);
    let bad = all.filter(|(_, text)| text.chars().count() > LONGEST || text.contains(char::is_control));
    bad.map(|(key, text)| {
        (key, format!("{:?} is no line of text", text.chars().take(40).collect::<String>()))
    })
    .collect()
}

/// How to mend those.
pub(super) const WRITABLE: &str = "write one line of at most 200 characters, without tabs and the like";

/// What is wrong with the request whatever the load.
pub(super) fn check_request(
    request: &Request,
    bath: &Bath,
    supply: &SupplyLimits,
    u: Units,
    no: &mut Obstacles,
) {
    for (key, wrong) in unwritable(request.title.as_deref(), &request.parts) {
        no.add(key, wrong, WRITABLE);
    }
    if bath.is_dip() {
        no.add(
            "tank",
            format!("{} is a dip without current", bath.title),
            "there is nothing to run; time it by the clock",
        );
    }
    let positive = |ok: bool, key, value: String, no: &mut Obstacles| {
        if !ok {
            no.add(key, format!("{value} is not more than nothing"), "write a value above zero");
        }
    };
    match request.end {
        End::Thickness(q) => positive(q.is_positive(), "end.thickness", q.show(u), no),
        End::Minimum(q) => positive(q.is_positive(), "end.minimum", q.show(u), no),
        End::Standard(standard) => check_standard(standard, bath, no),
        End::Charge(q) => positive(q.is_positive(), "end.charge", q.show(u), no),
        End::Time(q) => positive(q.is_positive(), "end.time", q.show(u), no),
    }
    let voltage_held = matches!(request.hold, Some(Hold::Voltage(_)));
    match request.hold {
        Some(Hold::Density(q)) => positive(q.is_positive(), "hold.density", q.show(u), no),
        Some(Hold::Current(q)) => {
            positive(q.is_positive(), "hold.current", q.show(u), no);
            if q > supply.max_amps {
                no.add(
                    "hold.current",
                    format!("{} is more than the supply's {}", q.show(u), supply.max_amps.show(u)),
                    format!("hold at most {}", supply.max_amps.show(u)),
                );
            }
        }
        Some(Hold::Voltage(q)) => {
            positive(q.is_positive(), "hold.voltage", q.show(u), no);
            if q > supply.max_volts {
                no.add(
                    "hold.voltage",
                    format!("{} is more than the supply's {}", q.show(u), supply.max_volts.show(u)),
                    format!("hold at most {}", supply.max_volts.show(u)),
                );
            }
        }
        None => {}
    }
    match request.ramp {
        Some(Ramp::Time(t)) if !(t.is_positive() && t.get() <= 3600.0) => {
            no.add(
                "ramp.time",
                format!("{} is no ramp", t.show(u)),
                "write more than 0 s and at most 1 h; 20 s is usual",
            );
        }
        Some(Ramp::Current(s)) if voltage_held || !s.is_positive() => no.add(
            "ramp.current",
            format!("{} cannot be followed", s.show(u)),
            if voltage_held {
                "with a voltage held write ramp.voltage or ramp.time"
            } else {
                "write a slope above zero"
            },
        ),
        Some(Ramp::Voltage(s)) if !voltage_held || !s.is_positive() => no.add(
            "ramp.voltage",
            format!("{} cannot be followed", s.show(u)),
            if voltage_held {
                "write a slope above zero"
            } else {
                "with a current or density held write ramp.current or ramp.time"
            },
        ),
        _ => {}
    }
    if let Some(v) = request.ceiling {
        positive(v.is_positive(), "ceiling", v.show(u), no);
        if voltage_held {
            no.add(
                "ceiling",
                "a held voltage is its own ceiling",
                "leave it out, or give the most current instead",
            );
        } else if v > supply.max_volts {
            no.add(
                "ceiling",
                format!("{} is more than the supply's {}", v.show(u), supply.max_volts.show(u)),
                format!("write at most {}", supply.max_volts.show(u)),
            );
        }
    }
    if let Some(a) = request.ceiling_amps {
        positive(a.is_positive(), "ceiling-amps", a.show(u), no);
        if !voltage_held {
            no.add(
                "ceiling-amps",
                "a held current is its own ceiling",
                "leave it out, or give the most voltage instead",
            );
        } else if a > supply.max_amps {
            no.add(
                "ceiling-amps",
                format!("{} is more than the supply's {}", a.show(u), supply.max_amps.show(u)),
                format!("write at most {}", supply.max_amps.show(u)),
            );
        }
    }
    if let Some(turn) = request.turn {
        if !(2..=12).contains(&turn.faces) {
            no.add("turn.faces", format!("{} faces cannot be turned through", turn.faces), "write 2 to 12");
        }
        if turn.confirm == Confirm::Contact && turn.between == Between::Off {
            no.add(
                "turn.confirm",
                "with the output off no contact can be seen to break",
                "write between = \"entry-voltage\", or confirm = \"operator\"",
            );
        }
    }
}

/// A standard is about one metal.
fn check_standard(standard: Standard, bath: &Bath, no: &mut Obstacles) {
    let symbol = bath.metal.as_deref().and_then(deposit::metal).map(|m| m.symbol);
    if symbol.is_some_and(|symbol| symbol != standard.metal()) {
        no.add(
            "end.standard",
            format!("{standard} is about {}, and {} deposits another metal", standard.metal(), bath.title),
            "name a standard for this metal, or write a thickness",
        );
    }
}

/// What the shop says of itself, where it says anything.
pub(super) fn check_shop(request: &Request, u: Units, no: &mut Obstacles) {
    if request.places == Some(0) {
        no.add(
            "places",
            "a bar without a place",
            "write how many parts the bar or rack holds, or leave it out",
        );
    }
    if let Some(day) = request.day {
        if !(day.hours.is_positive() && day.hours.get() <= 86_400.0) {
            no.add(
                "day.hours",
                format!("{} cannot be worked in a day", day.hours.show(u)),
                "write more than 0 h and at most 24 h",
            );
        }
        if !(0.0..=86_400.0).contains(&day.between_loads.get()) {
            no.add(
                "day.between-loads",
                format!("{} cannot be the time between two loads", day.between_loads.show(u)),
                "write 0 s to 24 h",
            );
        }
    }
}

/// The metal and its efficiency window; the inner `None` is a bath that deposits nothing.
#[expect(clippy::option_option, reason = "no deposit and no plan are two things")]
pub(super) fn metal_of(
    request: &Request,
    bath: &Bath,
    no: &mut Obstacles,
) -> Option<Option<(&'static Metal, Window<Efficiency>)>> {
    let Some(id) = &bath.metal else {
        let key = match request.end {
            End::Thickness(_) => Some("end.thickness"),
            End::Minimum(_) => Some("end.minimum"),
            End::Standard(_) => Some("end.standard"),
            End::Charge(_) | End::Time(_) => None,
        };
        if let Some(key) = key {
            let wrong = format!("{} deposits nothing, so no thickness can be reached", bath.title);
            no.add(key, wrong, "end by time or charge");
        }
        return Some(None);
    };
    let Some(metal) = deposit::metal(id) else {
        no.add(
            "tank",
            format!("the bath's metal {id:?} is not known"),
            "mend the bath file: metal = \"Ni\", \"Cu(II)\", …",
        );
        return None;
    };
    let window = bath.efficiency.and_then(|w| {
        Some(Window {
            low: Efficiency::new(w.low).ok()?,
            typical: Efficiency::new(w.typical).ok()?,
            high: Efficiency::new(w.high).ok()?,
        })
    });
    match window {
        Some(window) => Some(Some((metal, window))),
        None => {
            let wrong =
                format!("the bath file gives no efficiency above 0 % and at most 100 % for {}", metal.name);
            no.add("tank", wrong, "mend the bath file: [efficiency] low, typical, high");
            None
        }
    }
}

/// The density window, by the parts' own metal where the bath tells metals apart.
pub(super) fn window_of(request: &Request, bath: &Bath, no: &mut Obstacles) -> Option<Window<Density>> {
    match &request.base {
        Some(base) if !bath.density_by_base.is_empty() => {
            let found = bath.density_by_base.iter().find(|(name, _)| name == base);
            if found.is_none() {
                let known: Vec<_> = bath.density_by_base.iter().map(|(name, _)| name.as_str()).collect();
                no.add(
                    "base",
                    format!("{} has no density for {base:?}", bath.title),
                    format!("write one of {}", known.join(", ")),
                );
            }
            found.map(|(_, window)| *window)
        }
        _ => Some(bath.density),
    }
}
