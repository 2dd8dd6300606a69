//! An order file into a [`Request`], or everything wrong with it.

use super::{Day, Request, SeekAsked, SeekTop};
use crate::deposit::Price;
use crate::part::{
    Allowance, Box, Cone, Cylinder, Disc, Faces, HexBar, Mesh, MeshUnit, Part, Plate, Ring, Shape,
    Significant, Sphere, Tube, Walls, Washer, Wire,
};
use crate::process::words::{self, one_of, optional};
use crate::quantity::{Document, Length, Problem, Ratio, Span, Table};

/// Gives the bytes of a mesh file by its name.
pub type MeshFiles<'f> = &'f dyn Fn(&str) -> Result<Vec<u8>, String>;

const SHAPES: [&str; 13] = [
    "plate", "disc", "washer", "cylinder", "tube", "ring", "sphere", "cone", "wire", "box", "hex-bar",
    "mesh", "area",
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
        Request::from_toml_with(text, file, &|name| Err(format!("{name:?} cannot be read here")))
    }

    /// As [`Request::from_toml`]; `mesh` gives the bytes of a mesh file by the
    /// name that the order gives it, or one line why not.
    ///
    /// # Errors
    /// As [`Request::from_toml`], and everything wrong with a mesh.
    pub fn from_toml_with(text: &str, file: &str, mesh: MeshFiles<'_>) -> Result<Request, Vec<Problem>> {
        let doc = Document::parse(text, file)?;
        let request = read(&doc.root(), mesh);
        doc.finish(request)
    }
}

fn read(root: &Table<'_>, mesh: MeshFiles<'_>) -> Option<Request> {
    let tank = root.need("tank").text();
    let title = optional(root, "title", |t| t.may("title").text());
    let parts = parts(root, mesh);
    let rack = rack(root);
    let base = optional(root, "base", |t| t.may("base").text());
    let hold = words::hold(root);
    let end = words::end(&root.need("end"));
    let entry = words::entry(root);
    let entry_volts = optional(root, "entry-volts", |t| t.may("entry-volts").positive());
    let ramp = words::ramp(root);
    let turn = words::turn(root);
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
    let places = optional(root, "places", |t| t.may("places").integer(1..=100_000));
    let metal_price = optional(root, "metal-price", |t| {
        let field = t.may("metal-price");
        match field.text()?.parse::<Price>() {
            Ok(price) => Some(price),
            Err(e) => field.bad(e.wrong(), e.remedy()),
        }
    });
    let day = day(root);

    Some(Request {
        tank: tank?,
        title: title?,
        parts: parts?,
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
        places: places?.and_then(|n| u32::try_from(n).ok()),
        metal_price: metal_price?,
        day: day?,
    })
}

/// Every `[[part]]`.
pub(super) fn parts(root: &Table<'_>, mesh: MeshFiles<'_>) -> Option<Vec<Part>> {
    let all: Vec<Option<Part>> = root.need("part").tables().iter().map(|t| part(t, mesh)).collect();
    all.into_iter().collect()
}

/// What `[rack]` says, if it is there.
pub(super) fn rack(root: &Table<'_>) -> Option<Option<Allowance>> {
    optional(root, "rack", |t| {
        let table = t.may("rack").table()?;
        match one_of(&table, &["share", "area"])? {
            "share" => table.need("share").within(Ratio::ZERO, Ratio::new(20.0)).map(Allowance::Share),
            _ => table.need("area").not_negative().map(Allowance::Area),
        }
    })
}

fn part(table: &Table<'_>, mesh: MeshFiles<'_>) -> Option<Part> {
    let number = optional(table, "number", |t| t.may("number").text());
    let name = optional(table, "name", |t| t.may("name").text());
    let count = optional(table, "count", |t| t.may("count").integer(1..=100_000));
    let edge_factor = optional(table, "edge-factor", |t| t.may("edge-factor").number(1.0..=20.0));
    let significant = optional(table, "significant", |t| {
        t.may("significant").choice(&[("all", Significant::All), ("touchable", Significant::Touchable)])
    });
    let ratio = optional(table, "mean-over-minimum", |t| t.may("mean-over-minimum").number(1.0..=20.0));
    let shape = one_of(table, &SHAPES).and_then(|key| shape(table, key, mesh));
    let (number, name, count, edge_factor) = (number?, name?, count?, edge_factor?);
    let (significant, ratio) = (significant?.unwrap_or_default(), ratio?);
    let made = Part::new(shape?, u32::try_from(count.unwrap_or(1)).ok()?).and_then(|part| {
        let part = match edge_factor {
            Some(factor) => part.with_edge_factor(factor)?,
            None => part,
        };
        let part = match ratio {
            Some(ratio) => part.with_mean_over_minimum(ratio)?,
            None => part,
        };
        let part = part.with_significant(significant);
        let part = match &number {
            Some(number) => part.numbered(number),
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

/// The mesh in that file, measured. What is odd but sound about it is left to the reader of the file.
fn mesh_of(table: &Table<'_>, files: MeshFiles<'_>) -> Option<Shape> {
    let t = table.need("mesh").table()?;
    let field = t.need("file");
    let (file, unit) = (field.text(), t.need("unit").choice(&MeshUnit::WORDS));
    let (file, unit) = (file?, unit?);
    let bytes = match files(&file) {
        Ok(bytes) => bytes,
        Err(why) => return field.bad(why, "give a file that is there, or the area instead of it"),
    };
    match Mesh::read(&bytes, unit) {
        Ok(measured) => Some(Shape::Mesh(measured.mesh)),
        Err(e) => field.bad(format!("{file:?}: {}", e.wrong()), e.remedy()),
    }
}

fn shape(table: &Table<'_>, key: &'static str, mesh: MeshFiles<'_>) -> Option<Shape> {
    if key == "mesh" {
        return mesh_of(table, mesh);
    }
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

/// `[day]`: how a day is worked.
pub(super) fn day(root: &Table<'_>) -> Option<Option<Day>> {
    optional(root, "day", |t| {
        let table = t.may("day").table()?;
        let hours =
            optional(&table, "hours", |t| t.may("hours").within(Span::new(60.0), Span::new(86_400.0)));
        let between = optional(&table, "between-loads", |t| {
            t.may("between-loads").within(Span::ZERO, Span::new(86_400.0))
        });
        let usual = Day::default();
        Some(Day {
            hours: hours?.unwrap_or(usual.hours),
            between_loads: between?.unwrap_or(usual.between_loads),
        })
    })
}
