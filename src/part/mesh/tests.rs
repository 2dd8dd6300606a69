use super::*;
use proptest::prelude::*;
use std::f64::consts::PI;

type Corners = [[f32; 3]; 3];

/// A binary file of these triangles; normals as the corners say.
fn binary(triangles: &[Corners]) -> Vec<u8> {
    let mut bytes = vec![0; 80];
    bytes.extend((triangles.len() as u32).to_le_bytes());
    for corners in triangles {
        let [a, b, c] = corners.map(|p| p.map(f64::from));
        let normal = cross(minus(b, a), minus(c, a)).map(|v| v as f32);
        for point in [normal].iter().chain(corners) {
            point.iter().for_each(|v| bytes.extend(v.to_le_bytes()));
        }
        bytes.extend([0, 0]);
    }
    bytes
}

fn text(triangles: &[Corners]) -> String {
    let mut text = String::from("solid a part\n");
    for corners in triangles {
        text += " facet normal 0 0 0\n  outer loop\n";
        corners.iter().for_each(|[x, y, z]| text += &format!("   vertex {x:e} {y} {z}\n"));
        text += "  endloop\n endfacet\n";
    }
    text + "endsolid a part\n"
}

/// A box with a corner at the origin; 12 triangles facing outward.
fn cuboid(x: f32, y: f32, z: f32) -> Vec<Corners> {
    let p = |i: usize| {
        [if i & 1 > 0 { x } else { 0.0 }, if i & 2 > 0 { y } else { 0.0 }, if i & 4 > 0 { z } else { 0.0 }]
    };
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    quads.iter().flat_map(|[a, b, c, d]| [[p(*a), p(*b), p(*c)], [p(*a), p(*c), p(*d)]]).collect()
}

/// A surface of revolution: `profile` gives (radius, height); closed where it begins and ends on the axis.
fn turned(profile: &[(f64, f64)], around: usize) -> Vec<Corners> {
    let point = |(r, z): (f64, f64), k: usize| {
        let turn = 2.0 * PI * (k % around) as f64 / around as f64;
        let (s, c) = if r == 0.0 { (0.0, 0.0) } else { turn.sin_cos() };
        [(r * c) as f32, (r * s) as f32, z as f32]
    };
    let mut all = Vec::new();
    for ring in profile.windows(2) {
        for k in 0..around {
            let (a, b) = (point(ring[0], k), point(ring[0], k + 1));
            let (c, d) = (point(ring[1], k), point(ring[1], k + 1));
            if ring[0].0 > 0.0 {
                all.push([a, b, d]);
            }
            if ring[1].0 > 0.0 {
                all.push([a, d, c]);
            }
        }
    }
    all
}

fn read(triangles: &[Corners]) -> Measured {
    let measured = Mesh::read(&binary(triangles), MeshUnit::Millimetre).unwrap_or_else(|e| panic!("{e}"));
    let again = Mesh::read(text(triangles).as_bytes(), MeshUnit::Millimetre).unwrap();
    assert_eq!(measured.mesh, again.mesh, "binary and text are one mesh");
    measured
}

fn refused(triangles: &[Corners]) -> String {
    let said = Mesh::read(&binary(triangles), MeshUnit::Millimetre).unwrap_err().to_string();
    assert!(!said.contains('\n'));
    said
}

#[track_caller]
fn near(got: f64, want: f64, share: f64) {
    assert!((got - want).abs() <= want.abs() * share, "{got} is not {want}");
}

#[test]
fn analytic_solids_have_their_area_volume_and_size() {
    let mesh = read(&cuboid(10.0, 20.0, 30.0)).mesh;
    near(mesh.area.get(), 2200e-6, 1e-12);
    near(mesh.volume.get(), 6e-3, 1e-12);
    assert_eq!([mesh.x, mesh.y, mesh.z].map(|l| l.to_string()), ["10 mm", "20 mm", "30 mm"]);
    assert_eq!(mesh.triangles, 12);
    // Ball, cylinder, cone of radius 10: 720 sides come within 1e-4 of the round ones.
    let ball: Vec<_> = (0..=360)
        .map(|i| {
            let a = PI * f64::from(i) / 360.0;
            (if i == 0 || i == 360 { 0.0 } else { 10.0 * a.sin() }, -10.0 * a.cos())
        })
        .collect();
    let mesh = read(&turned(&ball, 720)).mesh;
    near(mesh.area.get(), 4.0 * PI * 1e-4, 1e-4);
    near(mesh.volume.get(), 4.0 / 3.0 * PI * 1e-3, 1e-4);
    let mesh = read(&turned(&[(0.0, 0.0), (10.0, 0.0), (10.0, 30.0), (0.0, 30.0)], 720)).mesh;
    near(mesh.area.get(), (2.0 * PI * 100.0 + 2.0 * PI * 10.0 * 30.0) * 1e-6, 1e-4);
    near(mesh.volume.get(), PI * 100.0 * 30.0 * 1e-6, 1e-4);
    let mesh = read(&turned(&[(0.0, 0.0), (3.0, 0.0), (0.0, 4.0)], 720)).mesh;
    near(mesh.area.get(), PI * (9.0 + 15.0) * 1e-6, 1e-4); // the 3-4-5 triangle
}

#[test]
fn the_unit_is_what_the_caller_says() {
    let bytes = binary(&cuboid(1.0, 1.0, 1.0));
    for (unit, area) in [
        (MeshUnit::Micrometre, 6e-12),
        (MeshUnit::Millimetre, 6e-6),
        (MeshUnit::Centimetre, 6e-4),
        (MeshUnit::Metre, 6.0),
        (MeshUnit::Inch, 6.0 * 0.0254 * 0.0254),
    ] {
        near(Mesh::read(&bytes, unit).unwrap().mesh.area.get(), area, 1e-12);
    }
    assert!(
        crate::part::Part::new(
            crate::part::Shape::Mesh(Mesh::read(&bytes, MeshUnit::Micrometre).unwrap().mesh),
            1
        )
        .is_err()
            || Mesh::read(&bytes, MeshUnit::Micrometre).unwrap().mesh.x.get() >= 1e-6
    );
}

#[test]
fn a_part_far_from_the_origin_keeps_its_volume() {
    let far: Vec<Corners> = cuboid(10.0, 20.0, 30.0)
        .iter()
        .map(|t| t.map(|[x, y, z]| [x + 1024.0, y - 2048.0, z + 512.0]))
        .collect();
    near(read(&far).mesh.volume.get(), 6e-3, 1e-9);
}

#[test]
fn a_hole_is_refused_with_its_count_and_place() {
    let mut leaky = cuboid(10.0, 20.0, 30.0);
    leaky.remove(3);
    let said = refused(&leaky);
    assert!(
        said.starts_with("the mesh is not closed and whole: 1 hole of 3 open edges, the first at triangle "),
        "{said}"
    );
    assert!(said.contains("if the 0.21 dm² of its triangles is what takes current"), "{said}");
    // Two corners of the box, apart: two holes.
    let mut leaky = cuboid(10.0, 20.0, 30.0);
    leaky.remove(11);
    leaky.remove(8);
    assert!(refused(&leaky).contains("2 holes of 6 open edges together"), "{}", refused(&leaky));
}

#[test]
fn a_flipped_triangle_is_refused_with_its_count_and_place() {
    let mut turned = cuboid(10.0, 20.0, 30.0);
    turned[5].swap(0, 1);
    let said = refused(&turned);
    assert!(
        said.contains("3 edges between triangles that face opposite ways, the first at triangle "),
        "{said}"
    );
    let mut twice = cuboid(10.0, 20.0, 30.0);
    twice.push(twice[0]);
    assert!(refused(&twice).contains("3 edges of more than two triangles"), "{}", refused(&twice));
}

#[test]
fn triangles_without_area_are_counted_and_change_nothing() {
    let mut slivers = cuboid(10.0, 20.0, 30.0);
    slivers.insert(2, [[1.0, 2.0, 3.0]; 3]);
    slivers.push([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0], [1.0, 2.0, 3.0]]);
    let measured = read(&slivers);
    near(measured.mesh.area.get(), 2200e-6, 1e-12);
    let [note] = measured.notes[..] else { panic!("{:?}", measured.notes) };
    assert_eq!((note.kind, note.count, note.triangle), (DefectKind::Degenerate, 2, 3));
    assert_eq!(note.to_string(), "2 triangles without area, the first at triangle 3 near (1, 2, 3)");
}

#[test]
fn inside_out_and_wrong_normals_are_noted() {
    let inside: Vec<Corners> = cuboid(1.0, 2.0, 3.0).iter().map(|[a, b, c]| [*a, *c, *b]).collect();
    let measured = read(&inside);
    near(measured.mesh.volume.get(), 6e-6, 1e-9);
    assert_eq!(measured.notes.iter().map(|n| n.kind).collect::<Vec<_>>(), [DefectKind::InsideOut]);
    let mut bytes = binary(&cuboid(1.0, 2.0, 3.0));
    for i in [84, 84 + 50] {
        // The sign bit of the normal's z.
        bytes[i + 11] ^= 0x80;
    }
    let notes = Mesh::read(&bytes, MeshUnit::Millimetre).unwrap().notes;
    assert_eq!((notes[0].kind, notes[0].count, notes[0].triangle), (DefectKind::Normal, 2, 1));
}

#[test]
fn a_cut_off_file_and_one_that_is_none_are_refused() {
    let whole = binary(&cuboid(1.0, 2.0, 3.0));
    let says = |bytes: &[u8]| Mesh::read(bytes, MeshUnit::Millimetre).unwrap_err().to_string();
    assert_eq!(
        says(&whole[..whole.len() - 10]),
        "the file says 12 triangles, which take 684 bytes, and has 674: it is cut off or damaged; export it again"
    );
    assert!(says(&[&whole[..], b"more"].concat()).contains("and has 688"));
    assert!(says(b"").contains("no STL file"));
    assert!(says(b"{\"json\": true}").contains("no STL file"));
    assert!(says(&binary(&[])).contains("no triangles"));
    assert!(says(b"solid x\nendsolid x\n").contains("no triangles"));
    assert_eq!(
        says(b"solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 zero\n"),
        "line 4: \"zero\" where a number ought to be; export it again"
    );
    assert!(says(b"solid x\nfacet normal 0 0 1\n").contains("the end of the file"));
    // A binary header may begin with "solid".
    let mut solid = whole.clone();
    solid[..5].copy_from_slice(b"solid");
    assert!(Mesh::read(&solid, MeshUnit::Millimetre).is_ok());
}

#[test]
fn corners_that_are_no_numbers_are_refused() {
    let mut bad = cuboid(1.0, 2.0, 3.0);
    bad[4][1][2] = f32::NAN;
    bad[7][0][0] = f32::INFINITY;
    assert_eq!(
        refused(&bad),
        "2 triangles with corners that are no numbers, the first triangle 5; export it again"
    );
}

#[test]
fn a_mesh_of_loose_triangles_is_counted_to_the_last_edge() {
    // Every triangle apart: more open edges than are looked at in one pass or followed.
    let loose: Vec<Corners> = (0..20_000u32)
        .map(|i| {
            let at = i as f32;
            [[at, 0.0, 0.0], [at, 1.0, 0.0], [at, 0.0, 1.0]]
        })
        .collect();
    let said = Mesh::read(&binary(&loose), MeshUnit::Millimetre).unwrap_err();
    let MeshError::Broken { defects, .. } = said else { panic!("{said}") };
    assert_eq!((defects[0].count, defects[0].triangle, defects[0].holes), (60_000, 1, None));
}

#[test]
fn minus_zero_is_zero() {
    let mut solid = cuboid(1.0, 1.0, 1.0);
    solid.iter_mut().take(5).for_each(|t| {
        t.iter_mut().flatten().for_each(|v| {
            if *v == 0.0 {
                *v = -0.0
            }
        })
    });
    assert!(Mesh::read(&binary(&solid), MeshUnit::Millimetre).is_ok());
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(
        bytes in prop::collection::vec(any::<u8>(), 0..400),
        word in "(solid|facet|normal|outer|loop|vertex|endloop|endfacet|endsolid|[0-9.e-]{1,6}|\\s|\n){0,60}",
        count in 0u32..6,
    ) {
        let _ = Mesh::read(&bytes, MeshUnit::Millimetre);
        let _ = Mesh::read(format!("solid {word}").as_bytes(), MeshUnit::Inch);
        let mut binary = vec![0; 80];
        binary.extend(count.to_le_bytes());
        binary.extend(bytes.iter().cycle().take(if bytes.is_empty() { 0 } else { count as usize * 50 }));
        let _ = Mesh::read(&binary, MeshUnit::Metre).map_err(|e| e.to_string());
    }

    #[test]
    fn any_order_and_turn_of_triangles_measures_the_same(seed in any::<u64>(), drop in prop::option::of(0usize..12)) {
        let mut solid = cuboid(3.0, 4.0, 5.0);
        if let Some(drop) = drop {
            solid.remove(drop);
        }
        let mut state = seed | 1;
        for i in (1..solid.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            solid.swap(i, (state >> 33) as usize % (i + 1));
            solid[i].rotate_left((state >> 20) as usize % 3);
        }
        match Mesh::read(&binary(&solid), MeshUnit::Millimetre) {
            Ok(m) => {
                prop_assert!(drop.is_none());
                prop_assert!((m.mesh.area.get() - 94e-6).abs() < 1e-15);
            }
            Err(MeshError::Broken { defects, .. }) => {
                prop_assert!(drop.is_some());
                prop_assert_eq!((defects.len(), defects[0].count, defects[0].holes), (1, 3, Some(1)));
            }
            Err(e) => panic!("{e}"),
        }
    }
}
