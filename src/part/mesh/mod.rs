//! A part as a mesh of triangles (STL): its area, volume and size, or why it cannot be trusted.
//!
//! What it is for: area that nobody has to work out by hand. What it may not
//! know: files; it reads bytes. STL carries no unit, so the unit is asked for.
//!
//! A mesh that leaks or whose triangles face both ways is refused with the
//! count and the place, and with the area of what is there, so that a person
//! who knows better can write that area by hand.
//!
//! How edges are matched: in a sound mesh each edge is run through once in each
//! direction. Every edge gets a 64-bit hash that does not depend on direction,
//! and is added to or taken from a sum by direction; the sums are kept in
//! buckets. Where all buckets are zero nothing is left over. Only the edges of
//! buckets that are not are then looked at one by one. That needs 2 MiB beside
//! the file for a sound mesh of any size. Corners are the same if their numbers
//! are the same; that any two of ten million edges
//! share a hash by chance is as likely as three in a million.

mod edges;
mod error;
mod source;

pub use error::{Defect, DefectKind, MeshError};

use crate::quantity::{Area, Length, Volume};
use edges::Edges;
use serde::{Deserialize, Serialize};
use source::{Source, Triangle};

/// What the numbers in the file measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum MeshUnit {
    /// Micrometres.
    #[serde(rename = "um")]
    Micrometre,
    /// Millimetres, as most drawing programs write.
    #[serde(rename = "mm")]
    Millimetre,
    /// Centimetres.
    #[serde(rename = "cm")]
    Centimetre,
    /// Metres.
    #[serde(rename = "m")]
    Metre,
    /// Inches.
    #[serde(rename = "in")]
    Inch,
}

impl MeshUnit {
    /// Each as files write it.
    pub const WORDS: [(&'static str, MeshUnit); 5] = [
        ("um", MeshUnit::Micrometre),
        ("mm", MeshUnit::Millimetre),
        ("cm", MeshUnit::Centimetre),
        ("m", MeshUnit::Metre),
        ("in", MeshUnit::Inch),
    ];

    /// Metres in one.
    pub fn metres(self) -> f64 {
        match self {
            MeshUnit::Micrometre => 1e-6,
            MeshUnit::Millimetre => 1e-3,
            MeshUnit::Centimetre => 1e-2,
            MeshUnit::Metre => 1.0,
            MeshUnit::Inch => 0.0254,
        }
    }
}

/// What was measured of a mesh; the triangles themselves are not kept.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Mesh {
    /// Of all its triangles together.
    pub area: Area,
    /// What it encloses.
    pub volume: Volume,
    /// Size along x.
    pub x: Length,
    /// Size along y.
    pub y: Length,
    /// Size along z.
    pub z: Length,
    /// How many triangles.
    pub triangles: u32,
    /// How many oddities it has that leave the area sound: see [`Measured::notes`].
    #[serde(default)]
    pub odd: u64,
}

/// A mesh, and what is odd about it though the area is sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// The figures.
    pub mesh: Mesh,
    /// Triangles without area, a mesh inside out, normals that disagree.
    pub notes: Vec<Defect>,
}

impl Mesh {
    /// Measures an STL file, binary or text.
    ///
    /// # Errors
    /// If it is no STL, is cut off, has numbers that are none, leaks, or faces both ways.
    ///
    /// ```
    /// use tankside::part::{Mesh, MeshUnit};
    /// let corners = ["0 0 0", "1 0 0", "0 1 0", "0 0 1"];
    /// let mut text = String::from("solid tetrahedron\n");
    /// for [a, b, c] in [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]] {
    ///     text += "facet normal 0 0 0\nouter loop\n";
    ///     for corner in [a, b, c] {
    ///         text += &format!("vertex {}\n", corners[corner]);
    ///     }
    ///     text += "endloop\nendfacet\n";
    /// }
    /// text += "endsolid\n";
    /// let measured = Mesh::read(text.as_bytes(), MeshUnit::Centimetre).unwrap();
    /// assert_eq!(measured.mesh.area.to_string(), "2.366 cm²");
    /// assert!(measured.notes.is_empty());
    /// ```
    pub fn read(bytes: &[u8], unit: MeshUnit) -> Result<Measured, MeshError> {
        let source = Source::of(bytes)?;
        let mut sums = Sums::new(source.first());
        let mut edges = Edges::new();
        source.each(|index, triangle| {
            sums.add(index, triangle);
            edges.add(triangle);
        });
        if let Some((count, first)) = sums.not_finite {
            return Err(MeshError::NotFinite { count, first: first + 1 });
        }
        let scale = unit.metres();
        let area = Area::new(sums.area * scale * scale);
        let broken = edges.left_over(&source);
        if !broken.is_empty() {
            return Err(MeshError::Broken { defects: broken, area });
        }
        let [x, y, z] = [0, 1, 2].map(|i| Length::new(f64::from(sums.high[i] - sums.low[i]) * scale));
        // 1 m3 is 1000 L.
        let volume = Volume::new(sums.volume.abs() * scale.powi(3) * 1000.0);
        let triangles = source.len();
        let notes = sums.notes();
        let odd = notes.iter().map(|note| note.count).sum();
        Ok(Measured { mesh: Mesh { area, volume, x, y, z, triangles, odd }, notes })
    }
}

/// What is added up over the triangles.
struct Sums {
    /// Volumes are taken from here, so that a part far from the origin loses no figures.
    origin: [f64; 3],
    area: f64,
    volume: f64,
    low: [f32; 3],
    high: [f32; 3],
    not_finite: Option<(u64, u32)>,
    flat: Option<Defect>,
    normals: Option<Defect>,
}

impl Sums {
    fn new(first: [f32; 3]) -> Sums {
        Sums {
            origin: first.map(f64::from),
            area: 0.0,
            volume: 0.0,
            low: [f32::INFINITY; 3],
            high: [f32::NEG_INFINITY; 3],
            not_finite: None,
            flat: None,
            normals: None,
        }
    }

    fn add(&mut self, index: u32, triangle: &Triangle) {
        let corners = triangle.corners();
        if !corners.as_flattened().iter().all(|v| v.is_finite()) {
            let (count, _) = self.not_finite.get_or_insert((0, index));
            *count += 1;
            return;
        }
        for corner in corners {
            for (i, v) in corner.iter().enumerate() {
                self.low[i] = self.low[i].min(*v);
                self.high[i] = self.high[i].max(*v);
            }
        }
        let [a, b, c] = corners.map(|corner| [0, 1, 2].map(|i| f64::from(corner[i]) - self.origin[i]));
        let (ab, ac) = (minus(b, a), minus(c, a));
        let normal = cross(ab, ac);
        let twice = dot(normal, normal).sqrt();
        self.area += 0.5 * twice;
        self.volume += dot(a, cross(b, c)) / 6.0;
        // Thinner than a millionth of its length: single precision cannot tell it from a line.
        let longest = dot(ab, ab).max(dot(ac, ac)).max(dot(minus(c, b), minus(c, b)));
        if twice <= longest * 1e-6 {
            Defect::count(&mut self.flat, DefectKind::Degenerate, index, corners[0]);
        } else if dot(triangle.normal.map(f64::from), normal) < 0.0 {
            Defect::count(&mut self.normals, DefectKind::Normal, index, corners[0]);
        }
    }

    fn notes(self) -> Vec<Defect> {
        let inside_out = (self.volume < 0.0).then_some(Defect {
            kind: DefectKind::InsideOut,
            count: 1,
            triangle: 1,
            at: self.origin.map(|v| v as f32),
            holes: None,
        });
        [self.flat, self.normals, inside_out].into_iter().flatten().collect()
    }
}

fn minus(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}
fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}
fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

#[cfg(test)]
mod tests;
