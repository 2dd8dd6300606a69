//! The metals, one row each.

/// A metal as a bath deposits it: the same element at another valence is another row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metal {
    /// As bath files name it: `Ni`, `Cu(II)`.
    pub id: &'static str,
    /// For people: `nickel`, `copper`.
    pub name: &'static str,
    /// The element's symbol.
    pub symbol: &'static str,
    /// Electrons that one atom takes to deposit.
    pub valence: u8,
    /// g/mol.
    pub molar_mass: f64,
    /// g/cm³ of the bulk metal.
    pub density: f64,
}

const fn row(
    id: &'static str,
    name: &'static str,
    symbol: &'static str,
    valence: u8,
    molar_mass: f64,
    density: f64,
) -> Metal {
    Metal { id, name, symbol, valence, molar_mass, density }
}

/// Every metal known.
///
/// Molar masses: IUPAC standard atomic weights, abridged, written from memory
/// and checked in `tests/trade.rs` against a general reference (the
/// `mendeleev` crate). Densities: bulk metal near 20 °C, from memory; checked
/// there, with the valences, through g/A·h and µm per A·min/dm² against
/// "Surface Finishing Tutorial #166, theoretical deposit per Ah".
///
/// A deposit may be lighter than the bulk metal: ASTM B488-01 says so of gold
/// hardened with cobalt or nickel, which then measures thicker under the
/// microscope than by weight or charge.
pub static METALS: &[Metal] = &[
    row("Ni", "nickel", "Ni", 2, 58.6934, 8.908),
    row("Cu(I)", "copper", "Cu", 1, 63.546, 8.96),
    row("Cu(II)", "copper", "Cu", 2, 63.546, 8.96),
    row("Ag", "silver", "Ag", 1, 107.8682, 10.49),
    row("Au(I)", "gold", "Au", 1, 196.966_57, 19.30),
    row("Au(III)", "gold", "Au", 3, 196.966_57, 19.30),
    row("Zn", "zinc", "Zn", 2, 65.38, 7.14),
    row("Sn(II)", "tin", "Sn", 2, 118.710, 7.265),
    row("Sn(IV)", "tin", "Sn", 4, 118.710, 7.265),
    row("Cr(VI)", "chromium", "Cr", 6, 51.9961, 7.19),
    row("Cr(III)", "chromium", "Cr", 3, 51.9961, 7.19),
    row("Pd", "palladium", "Pd", 2, 106.42, 12.02),
    row("Rh", "rhodium", "Rh", 3, 102.905_49, 12.41),
    row("Pt(II)", "platinum", "Pt", 2, 195.084, 21.45),
    row("Pt(IV)", "platinum", "Pt", 4, 195.084, 21.45),
    row("Co", "cobalt", "Co", 2, 58.933, 8.90),
    row("Fe", "iron", "Fe", 2, 55.845, 7.874),
];

/// The metal of that id, exactly as written in [`METALS`].
pub fn metal(id: &str) -> Option<&'static Metal> {
    METALS.iter().find(|m| m.id == id)
}
