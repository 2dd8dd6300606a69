//! What is in the simulated tank: the constants of a cell, by kind of bath.

use crate::bath::{Agitation, Bath};

/// Coulombs per mole of electrons (CODATA 2018, exact).
const FARADAY: f64 = 96_485.332_12;

/// Kinds of bath that the mimic tells apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Watts-type, bright or sulfamate nickel, and nickel strikes.
    Nickel,
    /// Acid copper: little ohmic drop.
    Copper,
    /// Cyanide silver.
    Silver,
    /// Acid gold: insoluble anodes, low efficiency.
    Gold,
    /// Any other plating bath.
    Other,
    /// A cleaner or activator: gas only, no deposit, nothing burns.
    Cleaner,
}

/// The constants of a cell. SI units throughout; densities in A/m2 of wetted cathode.
///
/// Kinetic constants are fitted so that the cell behaves like the bench it
/// imitates; they are not measured values of any bath.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chemistry {
    /// Which kind.
    pub kind: Kind,
    /// Open-circuit voltage, V.
    pub open_volts: f64,
    /// Solution resistance times wetted area at `temperature`, ohm m2.
    pub resistance: f64,
    /// Cathode: V per e-fold, and exchange density.
    pub cathode: (f64, f64),
    /// Anode: V per e-fold, and exchange density (per cathode area).
    pub anode: (f64, f64),
    /// Ease of hydrogen against metal at a full film: `b ln(1/k)` is the step when the film is empty.
    pub hydrogen: f64,
    /// Share of the current that is metal while the film is full.
    pub efficiency: f64,
    /// Electrons per ion.
    pub electrons: f64,
    /// Metal in the bulk, mol/m3.
    pub bulk: f64,
    /// Diffusivity at `temperature`, m2/s.
    pub diffusivity: f64,
    /// Film thickness with a moving work bar, m.
    pub film: f64,
    /// The temperature that the constants hold at, and the heater's setpoint, degC.
    pub temperature: f64,
    /// g/mol of the metal.
    pub molar_mass: f64,
    /// g/m3 of the metal.
    pub metal_density: f64,
}

impl Chemistry {
    /// The constants of a kind.
    pub fn new(kind: Kind) -> Self {
        // D(Ni2+) about 1.2e-9 m2/s at 55 degC in the bath, film 100 to 300 um unstirred to rod: from memory.
        // Resistance, slopes and exchange densities: fitted to common practice (no source) of a bright
        // nickel bath: 4 V gives 2.8 to 2.9 A and 5 V about 4 A on a part of 6 in2 a side.
        let nickel = Chemistry {
            kind: Kind::Nickel,
            open_volts: 0.30,
            resistance: 6.25e-3,
            cathode: (0.052, 5.0e-4),
            anode: (0.040, 1.0e-4),
            hydrogen: 3.0e-3,
            efficiency: 0.955,
            electrons: 2.0,
            bulk: 1330.0,
            diffusivity: 1.2e-9,
            film: 125e-6,
            temperature: 55.0,
            molar_mass: 58.693,
            metal_density: 8.908e6,
        };
        match kind {
            Kind::Nickel => nickel,
            // 210 g/L CuSO4 5H2O; high-acid resistivity about 1.8 ohm cm (reprint of a plating textbook) over 12 cm.
            Kind::Copper => Chemistry {
                kind,
                open_volts: 0.02,
                resistance: 2.2e-3,
                cathode: (0.055, 1.0),
                anode: (0.030, 2.0),
                efficiency: 0.99,
                bulk: 841.0,
                diffusivity: 0.6e-9,
                temperature: 26.0,
                molar_mass: 63.546,
                metal_density: 8.96e6,
                ..nickel
            },
            // 30 g/L Ag: from memory.
            Kind::Silver => Chemistry {
                kind,
                open_volts: 0.05,
                resistance: 5.0e-3,
                cathode: (0.050, 0.5),
                anode: (0.030, 0.7),
                efficiency: 0.99,
                electrons: 1.0,
                bulk: 278.0,
                diffusivity: 1.0e-9,
                temperature: 25.0,
                molar_mass: 107.868,
                metal_density: 10.49e6,
                ..nickel
            },
            // 8 g/L Au, insoluble anodes: from memory.
            Kind::Gold => Chemistry {
                kind,
                open_volts: 1.5,
                resistance: 15.0e-3,
                cathode: (0.055, 0.05),
                anode: (0.060, 0.01),
                efficiency: 0.35,
                electrons: 1.0,
                bulk: 40.6,
                diffusivity: 1.2e-9,
                temperature: 45.0,
                molar_mass: 196.967,
                metal_density: 19.3e6,
                ..nickel
            },
            // Zinc's numbers stand in for whatever it is.
            Kind::Other => Chemistry {
                kind,
                open_volts: 0.2,
                resistance: 6.0e-3,
                cathode: (0.050, 0.1),
                anode: (0.030, 0.5),
                efficiency: 0.95,
                bulk: 600.0,
                diffusivity: 0.8e-9,
                temperature: 25.0,
                molar_mass: 65.38,
                metal_density: 7.14e6,
                ..nickel
            },
            Kind::Cleaner => Chemistry {
                kind,
                open_volts: 1.6,
                resistance: 4.0e-3,
                cathode: (0.052, 0.5),
                anode: (0.060, 0.5),
                efficiency: 0.0,
                temperature: 65.0,
                ..nickel
            },
        }
    }

    /// From the name of a bath: `watts-nickel`, `acid-copper`, `silver-strike`.
    pub fn named(name: &str) -> Self {
        let name = name.to_ascii_lowercase();
        let has = |words: &[&str]| words.iter().any(|w| name.contains(w));
        Chemistry::new(if has(&["nickel", "watts", "sulfamate", "woods"]) {
            Kind::Nickel
        } else if has(&["copper"]) {
            Kind::Copper
        } else if has(&["silver"]) {
            Kind::Silver
        } else if has(&["gold"]) {
            Kind::Gold
        } else if has(&["clean", "activat", "pickle", "acid-dip", "rinse"]) {
            Kind::Cleaner
        } else {
            Kind::Other
        })
    }

    /// From a bath file: its kind by name, its metal, its usual temperature and efficiency,
    /// its burn density as the limit, and for kinds that we know nothing of, its usual volts.
    pub fn of(bath: &Bath) -> Self {
        let metal = bath.metal.as_deref().and_then(crate::deposit::metal);
        let mut c = match (&bath.metal, metal) {
            (None, _) => Chemistry::new(Kind::Cleaner),
            (Some(_), None) => Chemistry::named(&bath.name),
            (Some(_), Some(metal)) => match Chemistry::named(metal.name) {
                known if known.kind != Kind::Other => known,
                // Its name may hold a word that means a cleaner; it plates, so it is none.
                _ => Chemistry::new(Kind::Other),
            },
        };
        if let Some(metal) = metal {
            c.electrons = f64::from(metal.valence);
            c.molar_mass = metal.molar_mass;
            c.metal_density = metal.density * 1e6;
        }
        if c.kind == Kind::Cleaner {
            c.efficiency = 0.0;
        } else if let Some(efficiency) = bath.efficiency {
            c.efficiency = efficiency.typical.get().clamp(0.01, 1.0);
        }
        let burn = bath.burn.map_or(0.0, |b| b.rod.get());
        if burn > 0.0 && c.kind != Kind::Cleaner {
            // Deposits darken at 0.9 of the limit; solve the limit for the film.
            c.film = c.electrons * FARADAY * c.diffusivity * c.bulk / c.efficiency / (burn / 0.9);
        }
        c.temperature = bath.temperature.typical.get();
        let usual = bath.density.typical.get();
        if let (Kind::Other, Some(volts), true) = (c.kind, bath.volts, usual > 0.0) {
            let kinetic = |(b, i0): (f64, f64)| b * (usual / (2.0 * i0)).asinh();
            let left = volts.typical.get() - c.open_volts - kinetic(c.anode) - kinetic(c.cathode);
            c.resistance = (left / usual).max(1e-4);
        }
        c
    }

    /// Film thickness, m, for that agitation. Still : rod : air : vigorous is
    /// 0.5 : 1 : 2 : 4 on its inverse (from memory).
    pub fn film_thickness(&self, agitation: Agitation) -> f64 {
        self.film
            / match agitation {
                Agitation::Still => 0.5,
                Agitation::Rod => 1.0,
                Agitation::Air => 2.0,
                Agitation::Vigorous => 4.0,
            }
    }

    /// Local density, A/m2, that the film can feed for ever at that temperature:
    /// `n F D c / film` (no migration), over the efficiency. Infinite where nothing is deposited.
    pub fn limit(&self, agitation: Agitation, temperature: f64) -> f64 {
        if self.efficiency <= 0.0 {
            return f64::INFINITY;
        }
        self.electrons * FARADAY * self.diffusivity_at(temperature) * self.bulk
            / self.film_thickness(agitation)
            / self.efficiency
    }

    /// Diffusivity rises 2 to 3 % per degC (CRC Handbook, diffusion in aqueous solution); 2.5 % here.
    pub fn diffusivity_at(&self, temperature: f64) -> f64 {
        self.diffusivity * (0.025 * (temperature - self.temperature)).exp()
    }

    /// Ohm m2 at that temperature; falls 2 % per degC (from memory).
    pub fn resistance_at(&self, temperature: f64) -> f64 {
        self.resistance * (-0.02 * (temperature - self.temperature)).exp()
    }

    /// Metal for that charge of metal current: grams.
    pub fn grams(&self, coulombs: f64) -> f64 {
        coulombs * self.molar_mass / (self.electrons * FARADAY)
    }
}
