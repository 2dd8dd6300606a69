//! A part, and everything that hangs at once.

use super::{
    Box, Cone, Cylinder, Disc, HexBar, Mesh, PartError, Plate, Ring, Shape, Significant, Sphere, Tube,
    Washer, Wire,
};
use crate::quantity::{Area, Ratio};
use serde::{Deserialize, Serialize};

/// One kind of part and how many of it, checked: every measure is possible.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct Part {
    number: Option<String>,
    name: Option<String>,
    count: u32,
    shape: Shape,
    edge_factor: Option<f64>,
    significant: Significant,
    mean_over_minimum: Option<f64>,
}

impl Part {
    /// # Errors
    /// If a measure of the shape or the count is impossible.
    pub fn new(shape: Shape, count: u32) -> Result<Part, PartError> {
        shape.check()?;
        if !(1..=100_000).contains(&count) {
            return Err(PartError::Count(count.to_string()));
        }
        Ok(Part {
            number: None,
            name: None,
            count,
            shape,
            edge_factor: None,
            significant: Significant::All,
            mean_over_minimum: None,
        })
    }

    /// With a name for people.
    pub fn named(mut self, name: &str) -> Part {
        self.name = Some(name.into());
        self
    }

    /// With the number under which its drawing or its customer knows it.
    pub fn numbered(mut self, number: &str) -> Part {
        self.number = Some(number.into());
        self
    }

    /// With an edge factor that somebody measured or computed for this part.
    ///
    /// # Errors
    /// If it is below 1 or above 20.
    pub fn with_edge_factor(mut self, factor: f64) -> Result<Part, PartError> {
        if !(1.0..=20.0).contains(&factor) {
            return Err(PartError::EdgeFactor(factor));
        }
        self.edge_factor = Some(factor);
        Ok(self)
    }

    /// With the surfaces on which a minimum counts.
    pub fn with_significant(mut self, significant: Significant) -> Part {
        self.significant = significant;
        self
    }

    /// With the mean over the thinnest that somebody measured or computed for this part.
    ///
    /// # Errors
    /// If it is below 1 or above 20.
    pub fn with_mean_over_minimum(mut self, ratio: f64) -> Result<Part, PartError> {
        if !(1.0..=20.0).contains(&ratio) {
            return Err(PartError::MeanOverMinimum(ratio));
        }
        self.mean_over_minimum = Some(ratio);
        Ok(self)
    }

    /// The same, another number of it (at least one).
    pub fn counted(&self, count: u32) -> Part {
        Part { count: count.max(1), ..self.clone() }
    }

    /// Its part number.
    pub fn number(&self) -> Option<&str> {
        self.number.as_deref()
    }

    /// What the operator calls it.
    pub fn name(&self) -> Option<&str> {
        self.name.as_deref()
    }

    /// How many.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// Its shape.
    pub fn shape(&self) -> &Shape {
        &self.shape
    }

    /// What takes current on one.
    pub fn area_each(&self) -> Area {
        self.shape.area()
    }

    /// What takes current on all of this kind.
    pub fn area(&self) -> Area {
        self.area_each() * f64::from(self.count)
    }

    /// Edge density over mean density: as given, or that of the shape.
    pub fn edge_factor(&self) -> f64 {
        self.edge_factor.unwrap_or_else(|| self.shape.edge_factor())
    }

    /// On which surfaces a minimum counts.
    pub fn significant(&self) -> Significant {
        self.significant
    }

    /// Mean thickness over the thinnest on significant surfaces: as given, or that of the shape.
    pub fn mean_over_minimum(&self) -> f64 {
        self.mean_over_minimum.unwrap_or_else(|| self.shape.mean_over_minimum(self.significant))
    }

    /// Whether somebody gave that ratio.
    pub fn mean_over_minimum_given(&self) -> bool {
        self.mean_over_minimum.is_some()
    }

    /// Whether somebody gave the edge factor.
    pub fn edge_factor_given(&self) -> bool {
        self.edge_factor.is_some()
    }
}

/// What rack, hooks and tips take besides the parts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Allowance {
    /// A share of the parts' area.
    Share(Ratio),
    /// An area, however many parts hang.
    Area(Area),
}

impl Default for Allowance {
    /// 5 % of the parts, from memory: coated rack, bare tips.
    fn default() -> Self {
        Allowance::Share(Ratio::new(0.05))
    }
}

impl Allowance {
    /// What it comes to with parts of that area.
    pub fn area(&self, parts: Area) -> Area {
        match self {
            Allowance::Share(share) => parts * share.get(),
            Allowance::Area(area) => *area,
        }
    }
}

/// Everything that hangs on the bar at once.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    parts: Vec<Part>,
    allowance: Allowance,
}

impl Load {
    /// # Errors
    /// If there are no parts, or the allowance is negative or absurd.
    pub fn new(parts: Vec<Part>, allowance: Allowance) -> Result<Load, PartError> {
        if parts.is_empty() {
            return Err(PartError::NoParts);
        }
        let sound = match allowance {
            Allowance::Share(share) => (0.0..=20.0).contains(&share.get()),
            Allowance::Area(area) => (0.0..=100.0).contains(&area.get()),
        };
        if !sound {
            return Err(PartError::Rack(match allowance {
                Allowance::Share(share) => share.exact(),
                Allowance::Area(area) => area.exact(),
            }));
        }
        Ok(Load { parts, allowance })
    }

    /// Each kind.
    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// What rack and tips take.
    pub fn allowance(&self) -> Allowance {
        self.allowance
    }

    /// How many hang.
    pub fn count(&self) -> u32 {
        self.parts.iter().map(Part::count).fold(0, u32::saturating_add)
    }

    /// The parts alone.
    pub fn parts_area(&self) -> Area {
        self.parts.iter().map(Part::area).sum()
    }

    /// Rack and tips alone.
    pub fn rack_area(&self) -> Area {
        self.allowance.area(self.parts_area())
    }

    /// Everything that takes current.
    pub fn area(&self) -> Area {
        self.parts_area() + self.rack_area()
    }

    /// The largest ratio of mean to thinnest: the part that decides how thick the mean must be.
    pub fn mean_over_minimum(&self) -> f64 {
        self.parts.iter().map(Part::mean_over_minimum).fold(1.0, f64::max)
    }

    /// The largest edge factor of its parts: the one that burns first.
    pub fn edge_factor(&self) -> f64 {
        self.parts.iter().map(Part::edge_factor).fold(1.0, f64::max)
    }
}

fn is_all(significant: &Significant) -> bool {
    *significant == Significant::All
}

/// A part as files write it: one key names the shape.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct Written {
    #[serde(skip_serializing_if = "Option::is_none")]
    number: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    edge_factor: Option<f64>,
    #[serde(default, skip_serializing_if = "is_all")]
    significant: Significant,
    #[serde(skip_serializing_if = "Option::is_none")]
    mean_over_minimum: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    plate: Option<Plate>,
    #[serde(skip_serializing_if = "Option::is_none")]
    disc: Option<Disc>,
    #[serde(skip_serializing_if = "Option::is_none")]
    washer: Option<Washer>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cylinder: Option<Cylinder>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tube: Option<Tube>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ring: Option<Ring>,
    #[serde(skip_serializing_if = "Option::is_none")]
    sphere: Option<Sphere>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cone: Option<Cone>,
    #[serde(skip_serializing_if = "Option::is_none")]
    wire: Option<Wire>,
    #[serde(rename = "box", skip_serializing_if = "Option::is_none")]
    box_: Option<Box>,
    #[serde(skip_serializing_if = "Option::is_none")]
    hex_bar: Option<HexBar>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mesh: Option<Mesh>,
    #[serde(skip_serializing_if = "Option::is_none")]
    area: Option<Area>,
}

impl TryFrom<Written> for Part {
    type Error = PartError;

    fn try_from(w: Written) -> Result<Part, PartError> {
        let mut shapes: Vec<Shape> = [
            w.plate.map(Shape::Plate),
            w.disc.map(Shape::Disc),
            w.washer.map(Shape::Washer),
            w.cylinder.map(Shape::Cylinder),
            w.tube.map(Shape::Tube),
            w.ring.map(Shape::Ring),
            w.sphere.map(Shape::Sphere),
            w.cone.map(Shape::Cone),
            w.wire.map(Shape::Wire),
            w.box_.map(Shape::Box),
            w.hex_bar.map(Shape::HexBar),
            w.mesh.map(Shape::Mesh),
            w.area.map(Shape::Area),
        ]
        .into_iter()
        .flatten()
        .collect();
        if shapes.len() > 1 {
            return Err(PartError::TwoShapes(shapes.iter().map(Shape::name).collect()));
        }
        let part = Part::new(shapes.pop().ok_or(PartError::NoShape)?, w.count.unwrap_or(1))?;
        let part = match w.edge_factor {
            Some(factor) => part.with_edge_factor(factor)?,
            None => part,
        };
        let part = match w.mean_over_minimum {
            Some(ratio) => part.with_mean_over_minimum(ratio)?,
            None => part,
        };
        Ok(Part { number: w.number, name: w.name, significant: w.significant, ..part })
    }
}

impl From<Part> for Written {
    fn from(part: Part) -> Written {
        let mut w = Written {
            number: part.number,
            name: part.name,
            count: Some(part.count),
            edge_factor: part.edge_factor,
            significant: part.significant,
            mean_over_minimum: part.mean_over_minimum,
            ..Written::default()
        };
        match part.shape {
            Shape::Plate(s) => w.plate = Some(s),
            Shape::Disc(s) => w.disc = Some(s),
            Shape::Washer(s) => w.washer = Some(s),
            Shape::Cylinder(s) => w.cylinder = Some(s),
            Shape::Tube(s) => w.tube = Some(s),
            Shape::Ring(s) => w.ring = Some(s),
            Shape::Sphere(s) => w.sphere = Some(s),
            Shape::Cone(s) => w.cone = Some(s),
            Shape::Wire(s) => w.wire = Some(s),
            Shape::Box(s) => w.box_ = Some(s),
            Shape::HexBar(s) => w.hex_bar = Some(s),
            Shape::Mesh(s) => w.mesh = Some(s),
            Shape::Area(s) => w.area = Some(s),
        }
        w
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_is_its_parts_and_what_the_rack_takes() {
        let parts: Vec<Part> = vec!["2 area 6 in2".parse().unwrap(), "sphere 10 mm".parse().unwrap()];
        let load = Load::new(parts.clone(), Allowance::Share("10 %".parse().unwrap())).unwrap();
        assert_eq!(load.count(), 3);
        assert!((load.area() / load.parts_area() - 1.1).abs() < 1e-12);
        assert_eq!(load.edge_factor(), 2.0, "the sharpest part burns first");
        let load = Load::new(parts.clone(), Allowance::Area("20 cm2".parse().unwrap())).unwrap();
        assert_eq!(load.rack_area().to_string(), "0.2 dm²");
        assert!(Load::new(vec![], Allowance::default()).is_err());
        assert!(Load::new(parts, Allowance::Share(Ratio::new(-0.1))).is_err());
    }

    #[test]
    fn files_name_the_shape_by_its_key() {
        let part: Part = toml::from_str(
            "number = \"KC-34\"\nname = \"cup\"\ncount = 6\ndisc = { diameter = \"34 mm\", thickness = \"1 mm\" }",
        )
        .unwrap();
        assert_eq!(part, "6 cup: disc 34 mm x 1 mm".parse::<Part>().unwrap().numbered("KC-34"));
        let back: Part = toml::from_str(&toml::to_string(&part).unwrap()).unwrap();
        assert_eq!(back, part);
        for (text, says) in [
            ("count = 2", "no shape; write one of"),
            ("area = \"1 dm2\"\nsphere = { diameter = \"1 mm\" }", "more than one shape (sphere, area)"),
            ("sphere = { diametre = \"1 mm\" }", "diametre"),
            ("sphere = { diameter = 1 }", "has no unit"),
            ("area = \"1 dm2\"\nedge-factor = 0.5", "an edge factor of 0.5 cannot be"),
            ("area = \"-1 dm2\"", "area = -1 dm2 cannot be"),
        ] {
            let said = toml::from_str::<Part>(text).unwrap_err().to_string();
            assert!(said.contains(says), "{said}");
        }
    }
}
