//! What is wrong with a mesh.

use crate::quantity::Area;
use std::fmt;

/// A kind of defect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DefectKind {
    /// An edge with a triangle on one side only: a hole.
    Open,
    /// An edge whose two triangles face opposite ways.
    Flipped,
    /// An edge of three or more triangles that do not pair up.
    Crowded,
    /// A triangle without area.
    Degenerate,
    /// A normal in the file that points the other way than its corners say.
    Normal,
    /// All triangles face inward.
    InsideOut,
}

/// So many of one kind, and where the first is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Defect {
    /// Which.
    pub kind: DefectKind,
    /// How many edges (`Open`, `Flipped`, `Crowded`) or triangles.
    pub count: u64,
    /// The first triangle it was seen at, counted from 1.
    pub triangle: u32,
    /// A corner of it, in the numbers of the file.
    pub at: [f32; 3],
    /// For `Open`: how many holes the edges make; `None` where there are too many to follow.
    pub holes: Option<u64>,
}

impl Defect {
    /// One more of it.
    pub(super) fn count(slot: &mut Option<Defect>, kind: DefectKind, index: u32, at: [f32; 3]) {
        let first = Defect { kind, count: 0, triangle: index + 1, at, holes: None };
        slot.get_or_insert(first).count += 1;
    }
}

impl fmt::Display for Defect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let n = self.count;
        let s = if n == 1 { "" } else { "s" };
        match self.kind {
            DefectKind::Open => match self.holes {
                Some(1) => write!(f, "1 hole of {n} open edge{s}"),
                Some(holes) => write!(f, "{holes} holes of {n} open edges together"),
                None => write!(f, "{n} open edge{s}"),
            },
            DefectKind::Flipped => write!(f, "{n} edge{s} between triangles that face opposite ways"),
            DefectKind::Crowded => write!(f, "{n} edge{s} of more than two triangles"),
            DefectKind::Degenerate => write!(f, "{n} triangle{s} without area"),
            DefectKind::Normal => write!(f, "{n} normal{s} against the order of corners"),
            DefectKind::InsideOut => return write!(f, "inside out: every triangle faces inward"),
        }?;
        let [x, y, z] = self.at;
        write!(f, ", the first at triangle {} near ({x}, {y}, {z})", self.triangle)
    }
}

/// Why a mesh cannot be measured. Each is one line that says how to mend it.
#[derive(Clone, Debug, PartialEq)]
pub enum MeshError {
    /// Neither kind of STL.
    NotStl,
    /// A binary file of another length than its own count says.
    Length {
        /// Triangles that it says it has.
        says: u32,
        /// Bytes there ought to be.
        wants: u64,
        /// Bytes there are.
        has: u64,
    },
    /// A text file that is not as STL is written.
    Text {
        /// Line, from 1.
        line: usize,
        /// What was read there.
        found: String,
        /// What ought to be there.
        wanted: &'static str,
    },
    /// No triangles.
    Empty,
    /// Corners that are no numbers.
    NotFinite {
        /// Triangles that have such.
        count: u64,
        /// The first, counted from 1.
        first: u32,
    },
    /// It leaks or faces both ways.
    Broken {
        /// Each kind, with its count and place.
        defects: Vec<Defect>,
        /// Of the triangles that are there.
        area: Area,
    },
}

impl MeshError {
    /// What is wrong.
    pub fn wrong(&self) -> String {
        match self {
            MeshError::NotStl => "this is no STL file".into(),
            MeshError::Length { says, wants, has } => format!(
                "the file says {says} triangles, which take {wants} bytes, and has {has}: it is cut off or damaged"
            ),
            MeshError::Text { line, found, wanted } => {
                format!("line {line}: {found:?} where {wanted} ought to be")
            }
            MeshError::Empty => "there are no triangles in it".into(),
            MeshError::NotFinite { count, first } => format!(
                "{count} triangle{} with corners that are no numbers, the first triangle {first}",
                if *count == 1 { "" } else { "s" }
            ),
            MeshError::Broken { defects, .. } => {
                let all: Vec<_> = defects.iter().map(Defect::to_string).collect();
                format!("the mesh is not closed and whole: {}", all.join("; "))
            }
        }
    }

    /// How to mend it.
    pub fn remedy(&self) -> String {
        match self {
            MeshError::NotStl => "export the part as STL, binary or text".into(),
            MeshError::Empty => "export a solid body".into(),
            MeshError::Length { .. } | MeshError::Text { .. } | MeshError::NotFinite { .. } => {
                "export it again".into()
            }
            MeshError::Broken { area, .. } => format!(
                "repair it where it was drawn, or, if the {area} of its triangles is what takes current, write that \
                 as the area"
            ),
        }
    }
}

impl fmt::Display for MeshError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.wrong(), self.remedy())
    }
}

impl std::error::Error for MeshError {}
