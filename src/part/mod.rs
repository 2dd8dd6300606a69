//! What hangs on the bar.
//!
//! What the room is for: the area of shapes and meshes, which surfaces count, how many
//! parts, what rack and tips take. What it may not know: baths, current, files
//! (a mesh is read from bytes).
//!
//! ```
//! use tankside::part::Part;
//! let cups: Part = "6 key cups: disc 34 mm x 1 mm".parse().unwrap();
//! assert_eq!(cups.count(), 6);
//! assert_eq!(cups.area_each().to_string(), "0.1923 dm²");
//! ```

mod error;
mod load;
mod mesh;
mod shape;
mod short;

pub use error::PartError;
pub use load::{Allowance, Load, Part};
pub use mesh::{Defect, DefectKind, Measured, Mesh, MeshError, MeshUnit};
pub use shape::{
    Box, Cone, Cylinder, Disc, Faces, HexBar, Plate, Ring, Shape, Significant, Sphere, Tube, Walls, Washer,
    Wire,
};
