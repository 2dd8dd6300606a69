//! An order file into a [`Request`], or everything wrong with it.

use super::{Request, SeekAsked, SeekTop};
use crate::part::{
    Allowance, Box, Cone, Cylinder, Disc, Faces, HexBar, Part, Plate, Ring, Shape, Sphere, Tube, Walls,
    Washer, Wire,
};
use crate::process::{Between, Confirm, End, Entry, Hold, Ramp, Turn};
use crate::quantity::{Document, Length, Problem, Ratio, Table};

const SHAPES: [&str; 12] = [
    "plate", "disc", "washer", "cylinder", "tube", "ring", "sphere", "cone", "wire", "box", "hex-bar", "area",
];
const FACES: [(&str, Faces); 2] = [("both", Faces::Both), ("one", Faces::One)];
const WALLS: [(&str, Walls); 3] =
    [("both", Walls::Both), ("outside", Walls::Outside), ("inside", Walls::Inside)];

impl Request {
    /// Reads an order file. `file` is its path as the reader should see it.
    ///
    /// # Errors
    /// Every problem in the file, each with its place and remedy.
    pub fn from_toml(text: &str, file: &str) -> Result<Request, Vec<Problem>> {
        let doc = Document::parse(text, file)?;
        let request = read(&doc.root());
        doc.finish(request)
    }
}

fn read(root: &Table<'_>) -> Option<Request> {
    let tank = root.need("tank").text();
    let title = optional(root, "title", |t| t.may("title").text());
    let parts: Vec<Option<Part>> = root.need("part").tables().iter().map(part).collect();
    let rack = optional(root, "rack", |t| {
        let table = t.may("rack").table()?;
        match one_of(&table, &["share", "area"])? {
            "share" => table.need("share").within(Ratio::ZERO, Ratio::new(20.0)).map(Allowance::Share),
            _ => table.need("area").not_negative().map(Allowance::Area),
        }
    });
    let base = optional(root, "base", |t| t.may("base").text());
    let hold = optional(root, "hold", |t| {
        let table = t.may("hold").table()?;
        match one_of(&table, &["density", "current", "voltage"])? {
            "density" => table.need("density").positive().map(Hold::Density),
            "current" => table.need("current").positive().map(Hold::Current),
            _ => table.need("voltage").positive().map(Hold::Voltage),
        }
    });
    let end =
        root.need("end").table().and_then(|table| match one_of(&table, &["thickness", "charge", "time"])? {
            "thickness" => table.need("thickness").positive().map(End::Thickness),
            "charge" => table.need("charge").positive().map(End::Charge),
            _ => table.need("time").positive().map(End::Time),
        });
    let entry = optional(root, "entry", |t| {
        t.may("entry").choice(&[
            ("dead", Entry::Dead),
            ("live", Entry::Live),
            ("on-contact", Entry::OnContact),
        ])
    });
    let entry_volts = optional(root, "entry-volts", |t| t.may("entry-volts").positive());
    let ramp = optional(root, "ramp", |t| {
        let table = t.may("ramp").table()?;
        match one_of(&table, &["time", "current", "voltage"])? {
            "time" => table.need("time").positive().map(Ramp::Time),
            "current" => table.need("current").positive().map(Ramp::Current),
            _ => table.need("voltage").positive().map(Ramp::Voltage),
        }
    });
    let turn = optional(root, "turn", |t| {
        let table = t.may("turn").table()?;
        let faces = table.need("faces").integer(2..=12);
        let between = optional(&table, "between", |t| {
            t.may("between").choice(&[("off", Between::Off), ("entry-voltage", Between::EntryVoltage)])
        });
        let confirm = optional(&table, "confirm", |t| {
            t.may("confirm").choice(&[("operator", Confirm::Operator), ("contact", Confirm::Contact)])
        });
        Some(Turn {
            faces: u8::try_from(faces?).ok()?,
            between: between?.unwrap_or_default(),
            confirm: confirm?.unwrap_or_default(),
        })
    });
    let ceiling = optional(root, "ceiling", |t| t.may("ceiling").positive());
    let ceiling_amps = optional(root, "ceiling-amps", |t| t.may("ceiling-amps").positive());
    let seek = optional(root, "seek", |t| {
        let table = t.may("seek").table()?;
        let margin = table.need("margin").within(Ratio::new(0.05), Ratio::new(0.9));
        let top = table.need("top");
        let top = match top.text()?.parse::<SeekTop>() {
            Ok(top) => Some(top),
            Err(wrong) => {
                let (wrong, remedy) = wrong.split_once("; ").unwrap_or((&wrong, "write \"6 A/dm2\""));
                top.bad(wrong, remedy)
            }
        };
        Some(SeekAsked { margin: margin?, top: top? })
    });
    let time_limit = optional(root, "time-limit", |t| t.may("time-limit").positive());

    Some(Request {
        tank: tank?,
        title: title?,
        parts: parts.into_iter().collect::<Option<_>>()?,
        rack: rack?.unwrap_or_default(),
        base: base?,
        hold: hold?,
        end: end?,
        entry: entry?.unwrap_or_default(),
        entry_volts: entry_volts?,
        ramp: ramp?,
        turn: turn?,
        ceiling: ceiling?,
        ceiling_amps: ceiling_amps?,
        seek: seek?,
        time_limit: time_limit?,
    })
}

/// Absent is `Some(None)`; present and bad is `None`, with its problem noted by `get`.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
fn optional<'d, T>(
    table: &Table<'d>,
    key: &'static str,
    get: impl FnOnce(&Table<'d>) -> Option<T>,
) -> Option<Option<T>> {
    let present = table.has(key);
    match get(table) {
        Some(value) => Some(Some(value)),
        None if present => None,
        None => Some(None),
    }
}

/// The one of these keys that is there; none or several is a problem.
fn one_of(table: &Table<'_>, keys: &[&'static str]) -> Option<&'static str> {
    let present: Vec<_> = keys.iter().copied().filter(|key| table.has(key)).collect();
    let list = keys.join(", ");
    if let [only] = present[..] {
        return Some(only);
    }
    for key in keys {
        // Asked for, so that a second one is not called unknown as well.
        let _ = table.may(key);
    }
    match present.get(1) {
        Some(second) => table.problem(second, format!("more than one of {list}"), "keep one of them"),
        None => table.report(format!("has none of {list}"), "write one of them"),
    }
    None
}

fn part(table: &Table<'_>) -> Option<Part> {
    let name = optional(table, "name", |t| t.may("name").text());
    let count = optional(table, "count", |t| t.may("count").integer(1..=100_000));
    let edge_factor = optional(table, "edge-factor", |t| t.may("edge-factor").number(1.0..=20.0));
    let shape = one_of(table, &SHAPES).and_then(|key| shape(table, key));
    let (name, count, edge_factor) = (name?, count?, edge_factor?);
    let made = Part::new(shape?, u32::try_from(count.unwrap_or(1)).ok()?).and_then(|part| {
        let part = match edge_factor {
            Some(factor) => part.with_edge_factor(factor)?,
            None => part,
        };
        Ok(match &name {
            Some(name) => part.named(name),
            None => part,
        })
    });
    match made {
        Ok(part) => Some(part),
        Err(e) => {
            let said = e.to_string();
            let (wrong, remedy) = said.split_once("; ").unwrap_or((&said, "write another"));
            table.report(wrong, remedy);
            None
        }
    }
}

fn shape(table: &Table<'_>, key: &'static str) -> Option<Shape> {
    if key == "area" {
        return table.need("area").positive().map(Shape::Area);
    }
    let t = table.need(key).table()?;
    let length = |key: &'static str| t.need(key).positive::<Length>();
    let faces = || optional(&t, "faces", |t| t.may("faces").choice(&FACES)).map(Option::unwrap_or_default);
    let flag = |key: &'static str| optional(&t, key, |t| t.may(key).flag()).map(|f| f.unwrap_or(true));
    // Every key is asked for before any is given up on, so that all problems are told.
    Some(match key {
        "plate" => {
            let all = (length("length"), length("width"), length("thickness"), faces());
            Shape::Plate(Plate { length: all.0?, width: all.1?, thickness: all.2?, faces: all.3? })
        }
        "disc" => {
            let all = (length("diameter"), length("thickness"), faces());
            Shape::Disc(Disc { diameter: all.0?, thickness: all.1?, faces: all.2? })
        }
        "washer" => {
            let all = (length("outside"), length("inside"), length("thickness"), faces());
            Shape::Washer(Washer { outside: all.0?, inside: all.1?, thickness: all.2?, faces: all.3? })
        }
        "cylinder" => {
            let all = (length("diameter"), length("length"), flag("ends"));
            Shape::Cylinder(Cylinder { diameter: all.0?, length: all.1?, ends: all.2? })
        }
        "tube" => {
            let walls = optional(&t, "walls", |t| t.may("walls").choice(&WALLS));
            let all = (length("outside"), length("wall"), length("length"), flag("ends"));
            Shape::Tube(Tube {
                outside: all.0?,
                wall: all.1?,
                length: all.2?,
                ends: all.3?,
                walls: walls?.unwrap_or_default(),
            })
        }
        "ring" => {
            let all = (length("outside"), length("wire"));
            Shape::Ring(Ring { outside: all.0?, wire: all.1? })
        }
        "sphere" => Shape::Sphere(Sphere { diameter: length("diameter")? }),
        "cone" => {
            let all = (length("diameter"), length("height"), flag("base"));
            Shape::Cone(Cone { diameter: all.0?, height: all.1?, base: all.2? })
        }
        "wire" => {
            let all = (length("diameter"), length("length"));
            Shape::Wire(Wire { diameter: all.0?, length: all.1? })
        }
        "box" => {
            let all = (length("length"), length("width"), length("height"));
            Shape::Box(Box { length: all.0?, width: all.1?, height: all.2? })
        }
        _ => {
            let all = (length("flats"), length("length"), flag("ends"));
            Shape::HexBar(HexBar { flats: all.0?, length: all.1?, ends: all.2? })
        }
    })
}
