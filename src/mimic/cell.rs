//! The plating cell: volts against amperes, the film at the cathode, the truth behind it.

use super::chemistry::Chemistry;
use super::life::{Life, Slow};
use crate::bath::Agitation;

/// Ohms across the cell while something bridges it.
const BRIDGE: f64 = 0.02;
/// Share of the wetted area: edge, shoulder, field.
const SHARES: [f64; 3] = [0.05, 0.20, 0.75];
/// The edge darkens once its film has less metal than this share of the bulk: 0.9 of the limit, held.
const DARK_FILM: f64 = 0.1;
/// For so many seconds.
const DARK_SECONDS: f64 = 1.0;

/// What hangs in the tank and how the tank is worked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CellSetup {
    /// Wetted cathode area, m2: every side that takes current.
    pub area: f64,
    /// Density at the edge over the mean, 1 to 4.5.
    pub edge_factor: f64,
    /// How the solution is moved.
    pub agitation: Agitation,
    /// Solution temperature at the start and the heater's setpoint, degC.
    pub temperature: f64,
}

/// A cell with its slow states. Everything in SI units; currents are in A.
#[derive(Clone, Debug)]
pub struct Cell {
    chemistry: Chemistry,
    setup: CellSetup,
    multipliers: [f64; 3],
    /// Metal at the surface over metal in the bulk.
    film: [f64; 3],
    agitation: Agitation,
    temperature: f64,
    heating: bool,
    passive: f64,
    dark_seconds: f64,
    metal_coulombs: f64,
    edge_metal_coulombs: f64,
    /// What is wrong with it just now.
    pub flaws: Flaws,
    /// What has slowly changed.
    pub slow: Slow,
    /// A plain resistor of so many ohms hangs on the leads instead of a cell.
    pub resistor: Option<f64>,
    life: Life,
}

/// What is wrong with a cell just now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flaws {
    /// No path for current.
    pub open: bool,
    /// The work touches the anode.
    pub short: bool,
    /// Ohms more than sound contacts have.
    pub contact_ohms: f64,
    /// Share of the work that is still there; above 1, more hangs in or touches than was meant.
    pub part_left: f64,
    /// Half of the anode has lost its lead.
    pub anode_lead_off: bool,
    /// The anode is going passive.
    pub anode_passivates: bool,
    /// Nothing moves the solution.
    pub agitation_stopped: bool,
    /// The heater is dead; the solution cools with this time constant, s.
    pub cooling: Option<f64>,
}

impl Default for Flaws {
    fn default() -> Self {
        Flaws {
            open: false,
            short: false,
            contact_ohms: 0.0,
            part_left: 1.0,
            anode_lead_off: false,
            anode_passivates: false,
            agitation_stopped: false,
            cooling: None,
        }
    }
}

impl Cell {
    /// A fresh cell: full film, sound contacts, clean anode.
    pub fn new(chemistry: Chemistry, setup: CellSetup) -> Self {
        let edge = setup.edge_factor.clamp(1.0, 4.5);
        let shoulder = (1.0 + edge) / 2.0;
        let field = (1.0 - SHARES[0] * edge - SHARES[1] * shoulder) / SHARES[2];
        Cell {
            chemistry,
            setup: CellSetup { area: setup.area.max(1e-9), ..setup },
            multipliers: [edge, shoulder, field],
            film: [1.0; 3],
            agitation: setup.agitation,
            temperature: setup.temperature,
            heating: false,
            passive: 0.0,
            dark_seconds: 0.0,
            metal_coulombs: 0.0,
            edge_metal_coulombs: 0.0,
            flaws: Flaws::default(),
            slow: Slow::default(),
            resistor: None,
            life: Life::default(),
        }
    }

    /// The same cell in other circumstances.
    pub fn living(mut self, life: &Life) -> Self {
        self.temperature = self.setup.temperature - life.below;
        self.life = life.clone();
        self
    }

    /// Volts at the terminals when the supply pushes `amps`; infinite if there is no path.
    /// Rises strictly with `amps`.
    pub fn volts_at(&self, amps: f64) -> f64 {
        if self.flaws.short {
            // The bridge takes what the bath does not; bisection on the terminals.
            let (mut low, mut high) = (0.0, amps.max(0.0) * (BRIDGE + self.life.leads));
            for _ in 0..60 {
                let mid = 0.5 * (low + high);
                if self.current_at(mid) < amps { low = mid } else { high = mid }
            }
            return 0.5 * (low + high);
        }
        if self.flaws.open {
            return if amps > 0.0 { f64::INFINITY } else { 0.0 };
        }
        self.bath_volts(amps.max(0.0)).0
    }

    /// Amperes that flow when the supply stands at `volts`; none below the open-circuit voltage
    /// (a supply does not sink). Rises with `volts`.
    pub fn current_at(&self, volts: f64) -> f64 {
        if self.flaws.short {
            return volts.max(0.0) / (BRIDGE + self.life.leads)
                + if self.flaws.open { 0.0 } else { self.bath_current(volts) };
        }
        if self.flaws.open { 0.0 } else { self.bath_current(volts) }
    }

    fn bath_current(&self, volts: f64) -> f64 {
        if let Some(ohms) = self.resistor {
            return volts.max(0.0) / (ohms + self.life.leads + self.flaws.contact_ohms);
        }
        let over = volts - self.chemistry.open_volts;
        if over <= 0.0 {
            return 0.0;
        }
        // The ohmic part alone bounds it from above; Newton inside the bracket, bisection where it strays.
        let (mut low, mut high) = (0.0, over / self.ohms());
        let mut amps = 0.5 * high;
        for _ in 0..60 {
            let (v, slope) = self.bath_volts(amps);
            let error = v - volts;
            if error.abs() < 1e-9 {
                break;
            }
            if error > 0.0 {
                high = amps
            } else {
                low = amps
            }
            let next = amps - error / slope;
            amps = if next > low && next < high { next } else { 0.5 * (low + high) };
        }
        amps
    }

    /// Volts and their slope at a current through the bath.
    fn bath_volts(&self, amps: f64) -> (f64, f64) {
        if let Some(ohms) = self.resistor {
            let ohms = ohms + self.life.leads + self.flaws.contact_ohms;
            return (amps * ohms, ohms);
        }
        let c = &self.chemistry;
        let area = self.area();
        let mean = amps / area;
        let ohms = self.ohms();
        let mut volts = c.open_volts + amps * ohms;
        let mut slope = ohms;
        let mut add = |weight: f64, b: f64, x: f64, scale: f64| {
            volts += weight * b * x.asinh();
            slope += weight * b * scale / (1.0 + x * x).sqrt();
        };
        let crowding = if self.flaws.anode_lead_off { 2.0 } else { 1.0 };
        // Exchange densities go with the root of the metal's concentration (Butler and Volmer, transfer 1/2).
        let metal = self.slow.metal.sqrt();
        let scale = crowding / (2.0 * c.anode.1 * metal * area);
        add(1.0, c.anode.0, amps * scale, scale);
        for (j, film) in self.film.iter().enumerate() {
            let scale = self.multipliers[j] / (2.0 * c.cathode.1 * metal * (film + c.hydrogen) * area);
            add(SHARES[j] * self.multipliers[j], c.cathode.0, amps * scale, scale);
        }
        // A passive anode evolves gas instead of dissolving: up to 1.8 V more, with density (from memory).
        let x = mean / 100.0;
        add(1.0, 1.8 * self.passive, x, 1.0 / (100.0 * area));
        (volts, slope)
    }

    fn ohms(&self) -> f64 {
        let anode = if self.flaws.anode_lead_off { 1.45 } else { 1.0 };
        self.solution_ohms() * anode + self.life.leads + self.flaws.contact_ohms + self.slow.ohms
    }

    /// Ohms of the cell as it was hung: solution and leads, nothing wrong.
    pub fn sound_ohms(&self) -> f64 {
        self.chemistry.resistance / self.setup.area + self.life.leads
    }

    /// Ohms of the solution alone.
    pub fn solution_ohms(&self) -> f64 {
        let thinned = self.slow.metal.powf(-self.life.salt) * self.slow.path;
        self.chemistry.resistance_at(self.temperature) * thinned / self.area()
    }

    /// Lets `seconds` pass at `amps` through the terminals.
    pub fn advance(&mut self, seconds: f64, amps: f64, volts: f64) {
        let bath_amps = if self.flaws.open || self.resistor.is_some() {
            0.0
        } else if self.flaws.short {
            (amps - volts / (BRIDGE + self.life.leads)).max(0.0)
        } else {
            amps
        };
        self.advance_heat(seconds);
        let mean = bath_amps / self.area();
        self.advance_film(seconds, mean);
        self.advance_anode(seconds, mean);
    }

    fn advance_heat(&mut self, seconds: f64) {
        let set = self.setup.temperature;
        let Life { room, band, .. } = self.life;
        let loss = (self.temperature - room) / self.flaws.cooling.unwrap_or(self.life.loss);
        if self.flaws.cooling.is_some() {
            self.heating = false;
        } else if self.temperature < set - band {
            self.heating = true;
        } else if self.temperature > set + band {
            self.heating = false;
        }
        // A bath kept at room temperature has no heater.
        let heat = if self.heating && set > room + 5.0 { self.life.heat } else { 0.0 };
        let loss = if set > room + 5.0 { loss } else { 0.0 };
        self.temperature += (heat - loss) * seconds;
    }

    /// First order toward `1 - i/i_lim`, taken implicitly, so that any step is stable.
    /// Metal's share of the local current is `s / (s + k)`: with an empty film, hydrogen takes it all.
    fn advance_film(&mut self, seconds: f64, mean: f64) {
        let c = self.chemistry;
        let agitation = self.agitation();
        let thickness = c.film_thickness(agitation);
        let limit = self.edge_limit();
        // The slowest diffusion mode of a film fades with 4/pi^2 of thickness^2/D.
        let tau =
            4.0 / std::f64::consts::PI.powi(2) * thickness * thickness / c.diffusivity_at(self.temperature);
        let h = seconds / tau;
        for (j, film) in self.film.iter_mut().enumerate() {
            let ratio = mean * self.multipliers[j] / limit;
            let k = c.hydrogen;
            // (s(1+h) - s0 - h)(s + k) + h r s = 0, the root in 0..=1.
            let (a, full) = (1.0 + h, *film + h);
            let b = a * k - full + h * ratio;
            let disc = (b * b + 4.0 * a * full * k).max(0.0).sqrt();
            // The form without cancellation for either sign of b.
            let root = if b > 0.0 { 2.0 * full * k / (b + disc) } else { (disc - b) / (2.0 * a) };
            *film = root.clamp(0.0, 1.0);
            let metal = c.efficiency * *film / (*film + k);
            let coulombs = mean * self.multipliers[j] * metal * seconds;
            self.metal_coulombs += coulombs * SHARES[j];
            if j == 0 {
                self.edge_metal_coulombs += coulombs;
            }
        }
        if self.film[0] < DARK_FILM && c.efficiency > 0.0 {
            self.dark_seconds += seconds;
        } else if !self.burnt() {
            self.dark_seconds = 0.0;
        }
    }

    fn advance_anode(&mut self, seconds: f64, mean: f64) {
        if self.flaws.anode_passivates && mean > 0.0 {
            // Feeds on itself: a small patch crowds the rest.
            self.passive = (self.passive + seconds * (self.passive + 0.01) / 45.0).min(1.0);
        } else if !self.flaws.anode_passivates {
            self.passive *= (-seconds / 60.0).exp();
        }
    }

    /// Wetted area now, m2.
    pub fn area(&self) -> f64 {
        self.setup.area * self.slow.grown * self.flaws.part_left.clamp(0.001, 3.0)
    }
    /// Open-circuit volts seen at the terminals while nothing flows.
    pub fn rest_volts(&self) -> f64 {
        if self.flaws.open || self.flaws.short || self.resistor.is_some() {
            0.0
        } else {
            self.chemistry.open_volts
        }
    }
    /// Edge density, A/m2, at a current through the terminals.
    pub fn edge_density(&self, amps: f64) -> f64 {
        amps / self.area() * self.multipliers[0]
    }
    /// The density, A/m2, that the film can feed here and now for ever.
    pub fn edge_limit(&self) -> f64 {
        self.chemistry.limit(self.agitation(), self.temperature) * self.slow.metal
    }
    /// Metal at the edge's surface over metal in the bulk.
    pub fn edge_film(&self) -> f64 {
        self.film[0]
    }
    /// Whether the edge has darkened. Never heals.
    pub fn burnt(&self) -> bool {
        self.dark_seconds >= DARK_SECONDS
    }
    /// Solution temperature, degC.
    pub fn temperature(&self) -> f64 {
        self.temperature
    }
    /// How far the anode has gone passive, 0 to 1.
    pub fn passive(&self) -> f64 {
        self.passive
    }
    /// Agitation as it is now.
    pub fn agitation(&self) -> Agitation {
        if self.flaws.agitation_stopped { Agitation::Still } else { self.agitation }
    }
    /// Changes how the solution is moved.
    pub fn stir(&mut self, agitation: Agitation) {
        self.agitation = agitation;
    }
    /// Grams of metal deposited so far.
    pub fn grams(&self) -> f64 {
        self.chemistry.grams(self.metal_coulombs) * self.setup.area
    }
    /// Mean thickness of the deposit so far, m.
    pub fn thickness(&self) -> f64 {
        self.chemistry.grams(self.metal_coulombs) / self.chemistry.metal_density
    }
    /// Thickness at the edge so far, m.
    pub fn edge_thickness(&self) -> f64 {
        self.chemistry.grams(self.edge_metal_coulombs) / self.chemistry.metal_density
    }
}
