//! A ball of five million triangles, measured from a binary file in memory: how
//! long, and the most memory the process ever had, the file among it. Then the
//! same with a hole, and an order with a mesh of 200 000 triangles planned.
//! `cargo bench --bench mesh`

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock and its own memory")]

use std::f64::consts::PI;
use std::time::Instant;
use tankside::bath::{self, Agitation};
use tankside::part::{Mesh, MeshUnit};
use tankside::plan::{Request, SupplyLimits, TankFacts, plan};
use tankside::quantity::Units;

/// A ball of radius 10 in about that many triangles.
fn ball(triangles: usize) -> Vec<u8> {
    let around = (triangles as f64).sqrt() as usize;
    let down = triangles / (2 * around) + 1;
    let count = 2 * around * (down - 1);
    let mut bytes = Vec::with_capacity(84 + 50 * count);
    bytes.resize(80, 0);
    bytes.extend((count as u32).to_le_bytes());
    let point = |i: usize, k: usize| {
        let (s, c) = if i == 0 || i == down {
            (0.0, 0.0)
        } else {
            (2.0 * PI * (k % around) as f64 / around as f64).sin_cos()
        };
        let (r, z) = (PI * i as f64 / down as f64).sin_cos();
        [(10.0 * r * c) as f32, (10.0 * r * s) as f32, (10.0 * z) as f32]
    };
    let mut push = |corners: [[f32; 3]; 3]| {
        bytes.extend([0; 12]);
        corners.as_flattened().iter().for_each(|v| bytes.extend(v.to_le_bytes()));
        bytes.extend([0; 2]);
    };
    for i in 0..down {
        for k in 0..around {
            let (a, b, c, d) = (point(i, k), point(i, k + 1), point(i + 1, k), point(i + 1, k + 1));
            if i > 0 {
                push([a, d, b]);
            }
            if i + 1 < down {
                push([a, c, d]);
            }
        }
    }
    assert_eq!(bytes.len(), 84 + 50 * count);
    bytes
}

/// The most memory this process ever had, MiB (Linux).
fn peak() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap_or("0 kB");
    line.trim().trim_end_matches(" kB").trim().parse::<f64>().unwrap_or(f64::NAN) / 1024.0
}

fn main() {
    let mut bytes = ball(5_020_000);
    let begun = Instant::now();
    let mesh = Mesh::read(&bytes, MeshUnit::Millimetre).expect("a ball is closed").mesh;
    let spent = begun.elapsed();
    let most = peak();
    println!(
        "{} triangles, {:.0} MiB: {:.2} s (goal 2 s), peak {:.0} MiB with the file in memory (goal 300 MiB); area off by {:.1e}",
        mesh.triangles,
        bytes.len() as f64 / 1_048_576.0,
        spent.as_secs_f64(),
        most,
        mesh.area.get() / (4.0 * PI * 1e-4) - 1.0
    );
    // One triangle taken out.
    let last = bytes.len() - 50;
    bytes.truncate(last);
    bytes[80..84].copy_from_slice(&(mesh.triangles - 1).to_le_bytes());
    let begun = Instant::now();
    let said = Mesh::read(&bytes, MeshUnit::Millimetre).expect_err("it leaks").to_string();
    println!("with a hole: {:.2} s, peak {:.0} MiB; {said}", begun.elapsed().as_secs_f64(), peak());
    drop(bytes);

    let small = ball(200_000);
    let order =
        "tank = 'n'\n[end]\nminimum = '8 um'\n[[part]]\ncount = 40\nmesh = { file = 'b', unit = 'mm' }\n";
    let nickel = bath::shipped().into_iter().find(|b| b.name == "watts-nickel").expect("it ships");
    let tank = TankFacts {
        volume: None,
        anode_area: None,
        agitation: Agitation::Air,
        max_load: None,
        panel: None,
        own: Default::default(),
        price: None,
    };
    let supply = SupplyLimits {
        max_amps: "10 A".parse().expect("a current"),
        max_volts: "12 V".parse().expect("a voltage"),
    };
    let begun = Instant::now();
    let request = Request::from_toml_with(order, "o", &|_| Ok(small.clone())).expect("a good order");
    let made = plan(&request, &nickel, &tank, &supply, Units::Metric).expect("a plan");
    let planned = begun.elapsed();
    println!(
        "order with a mesh of 200 000 triangles, read and planned: {:.1} ms (goal 150 ms), {} loads",
        planned.as_secs_f64() * 1e3,
        made.worksheet.load_count
    );
    assert!(spent.as_secs_f64() < 2.0, "slower than 2 s");
    assert!(most < 300.0, "more than 300 MiB");
    assert!(planned.as_millis() < 150, "slower than 150 ms");
}
