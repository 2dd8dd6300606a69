//! Meshes made and measured by a library that we did not write (trimesh, from
//! PyPI), against our own figures: area, volume and size of sound ones, the
//! count of what is wrong with broken ones.
#![expect(clippy::disallowed_methods, reason = "a test that reads the files it had made")]

#[path = "tools/mod.rs"]
mod tools;

use tankside::part::{DefectKind, Mesh, MeshError, MeshUnit};

/// Makes each mesh in both kinds of file and prints what trimesh measures.
const MAKE: &str = r#"
import sys, numpy, trimesh
folder = sys.argv[1]
made = {
    "box": trimesh.creation.box((10, 20, 30)),
    "ball": trimesh.creation.icosphere(subdivisions=4, radius=7.5),
    "cylinder": trimesh.creation.cylinder(radius=5, height=40, sections=96),
    "tube": trimesh.creation.annulus(r_min=6.5, r_max=7.5, height=30, sections=96),
    "cone": trimesh.creation.cone(radius=3, height=4, sections=96),
    "ring": trimesh.creation.torus(major_radius=13, minor_radius=2, major_sections=64, minor_sections=32),
    "capsule": trimesh.creation.capsule(height=20, radius=4, count=[32, 32]),
}
# Turned and moved, so that no face lies along an axis.
for name in ["box", "tube"]:
    moved = made[name].copy()
    moved.apply_transform(trimesh.transformations.rotation_matrix(0.7, [1, 2, 3], [5, 5, 5]))
    moved.apply_translation([120, -80, 33])
    made["moved-" + name] = moved
made["two-bodies"] = trimesh.util.concatenate([made["ball"], made["moved-box"]])
leaky = made["ball"].copy()
leaky.update_faces(numpy.arange(len(leaky.faces)) >= 1)
made["leaky"] = leaky
flipped = made["ball"].copy()
flipped.faces[17] = flipped.faces[17][::-1]
made["flipped"] = trimesh.Trimesh(flipped.vertices, flipped.faces, process=False)
for name, mesh in made.items():
    for kind in ["stl", "stl_ascii"]:
        path = f"{folder}/{name}.{kind}"
        mesh.export(path, file_type=kind)
        # Measured from the file, in single precision as we get it.
        back = trimesh.load_mesh(path, file_type=kind, process=True)
        size = back.bounds[1] - back.bounds[0]
        open_edges = len(trimesh.grouping.group_rows(back.edges_sorted, require_count=1))
        print(path, back.area, back.volume, *size, len(back.faces), int(back.is_watertight),
              int(back.is_winding_consistent), open_edges)
"#;

#[test]
fn area_volume_and_size_agree_with_a_library_of_others() {
    let folder = tempfile::tempdir().unwrap();
    let mut python = tools::python_with_trimesh();
    python.arg("-c").arg(MAKE).arg(folder.path());
    let (fine, said) = tools::run(python, "");
    assert!(fine, "{said}");
    let mut sound = 0;
    let mut broken = 0;
    for line in said.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let [path, figures @ ..] = &words[..] else { panic!("{line}") };
        let f: Vec<f64> = figures.iter().map(|w| w.parse().unwrap_or_else(|_| panic!("{line}"))).collect();
        let [area, volume, x, y, z, triangles, closed, consistent, open] = f[..] else { panic!("{line}") };
        let bytes = std::fs::read(path).unwrap();
        match Mesh::read(&bytes, MeshUnit::Millimetre) {
            Ok(measured) => {
                sound += 1;
                assert_eq!((closed, consistent), (1.0, 1.0), "we took what trimesh calls broken: {line}");
                let mesh = measured.mesh;
                for (what, ours, theirs) in [
                    ("area", mesh.area.get() * 1e6, area),
                    ("volume", mesh.volume.get() * 1e6, volume.abs()),
                    ("x", mesh.x.get() * 1e3, x),
                    ("y", mesh.y.get() * 1e3, y),
                    ("z", mesh.z.get() * 1e3, z),
                ] {
                    assert!((ours / theirs - 1.0).abs() < 1e-6, "{what} {ours} is not {theirs}: {line}");
                }
                assert_eq!(f64::from(mesh.triangles), triangles, "{line}");
            }
            Err(MeshError::Broken { defects, area: left }) => {
                broken += 1;
                assert!(closed == 0.0 || consistent == 0.0, "we refused what trimesh calls sound: {line}");
                assert!((left.get() * 1e6 / area - 1.0).abs() < 1e-6, "{left} is not {area}: {line}");
                let count = |kind| defects.iter().filter(|d| d.kind == kind).map(|d| d.count).sum::<u64>();
                assert_eq!(count(DefectKind::Open) as f64, open, "{line}");
                assert_eq!(count(DefectKind::Flipped) > 0, consistent == 0.0, "{line}");
            }
            Err(e) => panic!("{path}: {e}"),
        }
    }
    assert_eq!((sound, broken), (20, 4), "{said}");
}
