//! Shapes, their areas, and how uneven their current is.

use super::{Mesh, PartError};
use crate::quantity::{Area, Length};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Which faces of something flat take current.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Faces {
    /// Both, and the edge all round.
    #[default]
    Both,
    /// One; the other and the edge are masked or not counted.
    One,
}

/// Which walls of a tube take current.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Walls {
    /// Outside and inside.
    #[default]
    Both,
    /// Outside only.
    Outside,
    /// Inside only.
    Inside,
}

/// On which surfaces a minimum thickness counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Significant {
    /// Everywhere that takes current.
    #[default]
    All,
    /// Where a ball of 20 mm can touch it (the usual words of ASTM B456 and
    /// ISO 1456, from memory): not in narrow bores.
    Touchable,
}

/// The ball of [`Significant::Touchable`], m.
const BALL: f64 = 0.020;

fn yes() -> bool {
    true
}

macro_rules! shapes {
    ($($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident: $type:ty),+ $(,)? })+) => {
        $(
            $(#[$doc])*
            #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
            #[serde(rename_all = "kebab-case", deny_unknown_fields)]
            pub struct $name { $($(#[$fdoc])* pub $field: $type),+ }
        )+
    };
}

shapes! {
    /// A flat rectangle.
    Plate {
        /// Length.
        length: Length,
        /// Width.
        width: Length,
        /// Thickness.
        thickness: Length,
        /// Which faces count.
        #[serde(default)]
        faces: Faces,
    }
    /// A flat round.
    Disc {
        /// Diameter.
        diameter: Length,
        /// Thickness.
        thickness: Length,
        /// Which faces count.
        #[serde(default)]
        faces: Faces,
    }
    /// A disc with a hole.
    Washer {
        /// Outer diameter.
        outside: Length,
        /// Diameter of the hole.
        inside: Length,
        /// Thickness.
        thickness: Length,
        /// Which faces count.
        #[serde(default)]
        faces: Faces,
    }
    /// A solid round bar.
    Cylinder {
        /// Diameter.
        diameter: Length,
        /// Length.
        length: Length,
        /// Whether both ends count.
        #[serde(default = "yes")]
        ends: bool,
    }
    /// A tube.
    Tube {
        /// Outer diameter.
        outside: Length,
        /// Thickness of the wall.
        wall: Length,
        /// Length.
        length: Length,
        /// Which walls count.
        #[serde(default)]
        walls: Walls,
        /// Whether both end faces of the wall count.
        #[serde(default = "yes")]
        ends: bool,
    }
    /// A ring of round wire (a torus).
    Ring {
        /// Outer diameter.
        outside: Length,
        /// Diameter of the wire.
        wire: Length,
    }
    /// A ball.
    Sphere {
        /// Diameter.
        diameter: Length,
    }
    /// A cone.
    Cone {
        /// Diameter of the base.
        diameter: Length,
        /// Height over the base.
        height: Length,
        /// Whether the base counts.
        #[serde(default = "yes")]
        base: bool,
    }
    /// A length of round wire; its cut ends are not counted.
    Wire {
        /// Diameter.
        diameter: Length,
        /// Length.
        length: Length,
    }
    /// A closed box; its outside counts, all six faces.
    Box {
        /// Length.
        length: Length,
        /// Width.
        width: Length,
        /// Height.
        height: Length,
    }
    /// A hexagonal bar.
    HexBar {
        /// Across the flats.
        flats: Length,
        /// Length.
        length: Length,
        /// Whether both ends count.
        #[serde(default = "yes")]
        ends: bool,
    }
}

/// A shape, or an area that somebody measured.
#[derive(Clone, Copy, Debug, PartialEq)]
#[expect(missing_docs, reason = "each is documented at its type")]
pub enum Shape {
    Plate(Plate),
    Disc(Disc),
    Washer(Washer),
    Cylinder(Cylinder),
    Tube(Tube),
    Ring(Ring),
    Sphere(Sphere),
    Cone(Cone),
    Wire(Wire),
    Box(Box),
    HexBar(HexBar),
    Mesh(Mesh),
    /// All the metal of one part that the solution wets.
    Area(Area),
}

fn circle(diameter: f64) -> f64 {
    PI / 4.0 * diameter * diameter
}

impl Shape {
    /// What takes current on one of them, by the textbook formula of its surface.
    pub fn area(&self) -> Area {
        let m2 = match *self {
            Shape::Plate(Plate { length, width, thickness, faces }) => {
                let (l, w, t) = (length.get(), width.get(), thickness.get());
                match faces {
                    Faces::Both => 2.0 * (l * w + l * t + w * t),
                    Faces::One => l * w,
                }
            }
            Shape::Disc(Disc { diameter, thickness, faces }) => {
                let (d, t) = (diameter.get(), thickness.get());
                match faces {
                    Faces::Both => 2.0 * circle(d) + PI * d * t,
                    Faces::One => circle(d),
                }
            }
            Shape::Washer(Washer { outside, inside, thickness, faces }) => {
                let (o, i, t) = (outside.get(), inside.get(), thickness.get());
                match faces {
                    Faces::Both => 2.0 * (circle(o) - circle(i)) + PI * (o + i) * t,
                    Faces::One => circle(o) - circle(i),
                }
            }
            Shape::Cylinder(Cylinder { diameter, length, ends }) => {
                let d = diameter.get();
                PI * d * length.get() + if ends { 2.0 * circle(d) } else { 0.0 }
            }
            Shape::Tube(Tube { outside, wall, length, walls, ends }) => {
                let (o, l) = (outside.get(), length.get());
                let i = o - 2.0 * wall.get();
                let side = match walls {
                    Walls::Both => PI * (o + i) * l,
                    Walls::Outside => PI * o * l,
                    Walls::Inside => PI * i * l,
                };
                side + if ends { 2.0 * (circle(o) - circle(i)) } else { 0.0 }
            }
            Shape::Ring(Ring { outside, wire }) => PI * PI * (outside.get() - wire.get()) * wire.get(),
            Shape::Sphere(Sphere { diameter }) => 4.0 * circle(diameter.get()),
            Shape::Cone(Cone { diameter, height, base }) => {
                let r = diameter.get() / 2.0;
                PI * r * r.hypot(height.get()) + if base { PI * r * r } else { 0.0 }
            }
            Shape::Wire(Wire { diameter, length }) => PI * diameter.get() * length.get(),
            Shape::Box(Box { length, width, height }) => {
                let (l, w, h) = (length.get(), width.get(), height.get());
                2.0 * (l * w + l * h + w * h)
            }
            Shape::HexBar(HexBar { flats, length, ends }) => {
                // A regular hexagon of width a across the flats: perimeter 2·√3·a, face √3/2·a².
                let a = flats.get();
                2.0 * 3f64.sqrt() * a * length.get() + if ends { 3f64.sqrt() * a * a } else { 0.0 }
            }
            Shape::Mesh(mesh) => mesh.area.get(),
            Shape::Area(area) => area.get(),
        };
        Area::new(m2)
    }

    /// Edge density over mean density when nothing better is known.
    ///
    /// Plate, disc and washer: own calculation of the current over the section
    /// of a flat plate 50.8 mm wide and 1 mm thick between two anodes, nickel
    /// 0.08 S/cm, 40 A/ft²: the outer millimetre carries 3.9 times the field,
    /// the field 0.69 of the mean, so 2.7 times the mean. Corners are higher
    /// still. All others are from memory, in proportion to how sharp the shape
    /// is; measured parts lie between 1.5 and 4.
    pub fn edge_factor(&self) -> f64 {
        match self {
            Shape::Plate(_) | Shape::Disc(_) | Shape::Washer(_) => 2.7,
            Shape::Cone(_) => 2.5,
            Shape::Box(_) => 2.2,
            Shape::Tube(_) | Shape::Mesh(_) | Shape::Area(_) => 2.0,
            Shape::Cylinder(_) | Shape::HexBar(_) => 1.8,
            Shape::Wire(_) => 1.3,
            Shape::Ring(_) => 1.2,
            Shape::Sphere(_) => 1.1,
        }
    }

    /// Mean thickness over the thinnest on the significant surfaces, when nothing
    /// better is known.
    ///
    /// Plate, disc and washer: the same calculation as the edge factor, where the
    /// field has 0.69 of the mean (1 / 0.69 = 1.45). Unknown shapes: 1.67, from
    /// the published example of a car part (0.002 in mean to guarantee 0.0012 in;
    /// reprint of a textbook chapter on nickel, secondary). All others from
    /// memory; in the bore of a tube hardly anything deposits.
    pub fn mean_over_minimum(&self, significant: Significant) -> f64 {
        match self {
            Shape::Tube(_) | Shape::Washer(_) if self.has_bore(significant) => match self {
                Shape::Tube(_) => 4.0,
                _ => 2.0,
            },
            Shape::Plate(_) | Shape::Disc(_) | Shape::Washer(_) => 1.45,
            Shape::Tube(_) => 1.5,
            Shape::Mesh(_) | Shape::Area(_) => 1.67,
            Shape::Box(_) | Shape::Cone(_) => 1.6,
            Shape::Cylinder(_) | Shape::HexBar(_) => 1.4,
            Shape::Ring(_) | Shape::Wire(_) => 1.2,
            Shape::Sphere(_) => 1.1,
        }
    }

    /// Whether a bore is among the significant surfaces.
    fn has_bore(&self, significant: Significant) -> bool {
        let bore = match self {
            Shape::Tube(t) if t.walls != Walls::Outside => t.outside.get() - 2.0 * t.wall.get(),
            Shape::Washer(w) if w.faces == Faces::Both => w.inside.get(),
            _ => return false,
        };
        significant == Significant::All || bore >= BALL
    }

    /// The part of the area on which a minimum counts.
    pub fn significant_area(&self, significant: Significant) -> Area {
        let bore = match self {
            Shape::Tube(t) if !self.has_bore(significant) && t.walls != Walls::Outside => {
                PI * (t.outside.get() - 2.0 * t.wall.get()) * t.length.get()
            }
            Shape::Washer(w) if !self.has_bore(significant) && w.faces == Faces::Both => {
                PI * w.inside.get() * w.thickness.get()
            }
            _ => 0.0,
        };
        self.area() - Area::new(bore)
    }

    /// Which surface was counted, in words.
    pub fn counted(&self) -> &'static str {
        match self {
            Shape::Plate(Plate { faces, .. })
            | Shape::Disc(Disc { faces, .. })
            | Shape::Washer(Washer { faces, .. }) => match faces {
                Faces::Both => "both faces and the edges",
                Faces::One => "one face only, no edges",
            },
            Shape::Cylinder(Cylinder { ends, .. }) | Shape::HexBar(HexBar { ends, .. }) => match ends {
                true => "side and both ends",
                false => "side only, no ends",
            },
            Shape::Tube(Tube { walls, ends, .. }) => match (walls, ends) {
                (Walls::Both, true) => "outside, inside and ends",
                (Walls::Both, false) => "outside and inside, no ends",
                (Walls::Outside, true) => "outside and ends, not the inside",
                (Walls::Outside, false) => "outside only",
                (Walls::Inside, true) => "inside and ends, not the outside",
                (Walls::Inside, false) => "inside only",
            },
            Shape::Cone(Cone { base, .. }) => match base {
                true => "side and base",
                false => "side only, no base",
            },
            Shape::Wire(_) => "side, without the cut ends",
            Shape::Box(_) => "outside, all six faces",
            Shape::Ring(_) | Shape::Sphere(_) => "all of it",
            Shape::Mesh(_) => "every triangle of the mesh, insides too",
            Shape::Area(_) => "as given: taken as ALL wetted metal, both faces",
        }
    }

    /// Whether current has to reach the inside of a tube.
    pub fn has_inside(&self) -> bool {
        matches!(self, Shape::Tube(Tube { walls: Walls::Both | Walls::Inside, .. }))
    }

    /// Its name in files and in the short form.
    pub fn name(&self) -> &'static str {
        match self {
            Shape::Plate(_) => "plate",
            Shape::Disc(_) => "disc",
            Shape::Washer(_) => "washer",
            Shape::Cylinder(_) => "cylinder",
            Shape::Tube(_) => "tube",
            Shape::Ring(_) => "ring",
            Shape::Sphere(_) => "sphere",
            Shape::Cone(_) => "cone",
            Shape::Wire(_) => "wire",
            Shape::Box(_) => "box",
            Shape::HexBar(_) => "hex-bar",
            Shape::Mesh(_) => "mesh",
            Shape::Area(_) => "area",
        }
    }

    /// Its measures, named as in the files, in the order of the short form.
    pub fn measures(&self) -> Vec<(&'static str, Length)> {
        match *self {
            Shape::Plate(s) => vec![("length", s.length), ("width", s.width), ("thickness", s.thickness)],
            Shape::Disc(s) => vec![("diameter", s.diameter), ("thickness", s.thickness)],
            Shape::Washer(s) => {
                vec![("outside", s.outside), ("inside", s.inside), ("thickness", s.thickness)]
            }
            Shape::Cylinder(s) => vec![("diameter", s.diameter), ("length", s.length)],
            Shape::Tube(s) => vec![("outside", s.outside), ("wall", s.wall), ("length", s.length)],
            Shape::Ring(s) => vec![("outside", s.outside), ("wire", s.wire)],
            Shape::Sphere(s) => vec![("diameter", s.diameter)],
            Shape::Cone(s) => vec![("diameter", s.diameter), ("height", s.height)],
            Shape::Wire(s) => vec![("diameter", s.diameter), ("length", s.length)],
            Shape::Box(s) => vec![("length", s.length), ("width", s.width), ("height", s.height)],
            Shape::HexBar(s) => vec![("flats", s.flats), ("length", s.length)],
            Shape::Mesh(m) => vec![("x", m.x), ("y", m.y), ("z", m.z)],
            Shape::Area(_) => vec![],
        }
    }

    /// Refuses what cannot hang in a bench tank.
    pub(super) fn check(&self) -> Result<(), PartError> {
        for (what, value) in self.measures() {
            // Wider than any bench and narrower than any wire, so that a slip of unit is caught.
            if !(value.get() >= 1e-6 && value.get() <= 10.0) {
                return Err(PartError::Measure {
                    what,
                    value: value.exact(),
                    range: "between 1 um and 10 m",
                });
            }
        }
        let hole = match *self {
            Shape::Washer(s) => Some(("inside", s.inside, s.outside, 1.0)),
            Shape::Tube(s) => Some(("wall", s.wall, s.outside, 0.5)),
            Shape::Ring(s) => Some(("wire", s.wire, s.outside, 0.5)),
            _ => None,
        };
        if let Some((what, value, outside, share)) = hole
            && value.get() >= outside.get() * share
        {
            let most = (outside * share).to_string();
            return Err(PartError::Hole {
                what,
                value: value.to_string(),
                outside: outside.to_string(),
                most,
            });
        }
        let area = self.area();
        if !(area.get() >= 1e-9 && area.get() <= 100.0) {
            return Err(PartError::Measure {
                what: "area",
                value: area.exact(),
                range: "between 0.001 mm2 and 100 m2",
            });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mm(v: f64) -> Length {
        Length::new(v * 1e-3)
    }
    #[track_caller]
    fn is(shape: Shape, mm2: f64) {
        shape.check().unwrap();
        let got = shape.area().get() * 1e6;
        assert!((got - mm2).abs() < mm2 * 1e-4, "{shape:?}: {got} mm2 is not {mm2} mm2");
    }

    // Expected values worked by hand from the usual formulas, to five figures.
    #[test]
    fn areas_are_those_worked_by_hand() {
        let plate =
            |faces| Shape::Plate(Plate { length: mm(50.0), width: mm(20.0), thickness: mm(1.0), faces });
        is(plate(Faces::Both), 2140.0);
        is(plate(Faces::One), 1000.0);
        let disc = |faces| Shape::Disc(Disc { diameter: mm(34.0), thickness: mm(1.0), faces });
        is(disc(Faces::Both), 1922.7); // 2 × 907.92 + 106.81
        is(disc(Faces::One), 907.92);
        let washer =
            |faces| Shape::Washer(Washer { outside: mm(20.0), inside: mm(10.0), thickness: mm(2.0), faces });
        is(washer(Faces::Both), 659.73); // 2 × 235.62 + 188.50
        is(washer(Faces::One), 235.62);
        let cylinder = |ends| Shape::Cylinder(Cylinder { diameter: mm(10.0), length: mm(30.0), ends });
        is(cylinder(true), 1099.6); // 942.48 + 157.08
        is(cylinder(false), 942.48);
        let tube = |walls, ends| {
            Shape::Tube(Tube { outside: mm(15.0), wall: mm(1.0), length: mm(30.0), walls, ends })
        };
        is(tube(Walls::Outside, false), 1413.7);
        is(tube(Walls::Inside, false), 1225.2);
        is(tube(Walls::Both, true), 2726.9); // 1413.7 + 1225.2 + 2 × 43.982
        is(Shape::Ring(Ring { outside: mm(30.0), wire: mm(4.0) }), 1026.4); // π² × 26 × 4
        is(Shape::Sphere(Sphere { diameter: mm(10.0) }), 314.16);
        let cone = |base| Shape::Cone(Cone { diameter: mm(6.0), height: mm(4.0), base });
        is(cone(false), 47.124); // the 3-4-5 triangle: π × 3 × 5
        is(cone(true), 75.398);
        is(Shape::Wire(Wire { diameter: mm(1.0), length: mm(100.0) }), 314.16);
        is(Shape::Box(Box { length: mm(10.0), width: mm(20.0), height: mm(30.0) }), 2200.0);
        let hex = |ends| Shape::HexBar(HexBar { flats: mm(10.0), length: mm(20.0), ends });
        is(hex(false), 692.82); // 6 × 5.7735 × 20
        is(hex(true), 866.03); // + 2 × 86.603
        is(Shape::Area("6 in2".parse().unwrap()), 3870.96);
    }

    #[test]
    fn a_hole_larger_than_the_part_is_refused_in_one_line() {
        let washer = Washer { outside: mm(10.0), inside: mm(12.0), thickness: mm(1.0), faces: Faces::Both };
        let said = Shape::Washer(washer).check().unwrap_err().to_string();
        assert_eq!(
            said,
            "inside 12 mm leaves no metal inside an outer diameter of 10 mm; write less than 10 mm"
        );
        let tube = Tube { outside: mm(10.0), wall: mm(5.0), length: mm(9.0), walls: Walls::Both, ends: true };
        assert!(Shape::Tube(tube).check().is_err());
        assert!(Shape::Ring(Ring { outside: mm(10.0), wire: mm(6.0) }).check().is_err());
    }

    #[test]
    fn nothing_negative_and_absurd_measures_are_refused() {
        for bad in [0.0, -1.0, 1e-4, 10_001.0, f64::NAN, f64::INFINITY] {
            assert!(Shape::Sphere(Sphere { diameter: mm(bad) }).check().is_err(), "{bad}");
        }
        assert!(Shape::Area(Area::ZERO).check().is_err());
        assert!(Shape::Area(Area::new(-1.0)).check().is_err());
        assert_eq!(
            Shape::Sphere(Sphere { diameter: mm(0.0) }).check().unwrap_err().to_string(),
            "diameter = 0 mm cannot be; write one between 1 um and 10 m"
        );
    }
}
