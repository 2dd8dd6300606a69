//! Supply, cell and fault script together, in whatever time the caller says.

use super::cell::{Cell, CellSetup, Flaws};
use super::chemistry::{Chemistry, Kind};
use super::life::{Life, Slow};
use super::prng::Prng;
use super::script::{Entry, Fault, Script, begins};
use super::supply::{Holding, OutOfRange, Rating, SupplyModel};
use crate::bath::Agitation;
use crate::quantity::{
    Amps, Area, Charge, Density, Faults, Length, Mass, Mono, Reading, Regulation, Temperature, Volts,
};
use std::time::Duration;

/// Everything a bench is made from.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// Same seed, same calls: same answers.
    pub seed: u64,
    /// The supply.
    pub rating: Rating,
    /// The bath.
    pub chemistry: Chemistry,
    /// Wetted area of the work: every side that takes current.
    pub area: Area,
    /// Density at the edge over the mean.
    pub edge_factor: f64,
    /// How the solution is moved.
    pub agitation: Agitation,
    /// Its temperature, which the heater holds.
    pub temperature: Temperature,
    /// A plain resistor of so many ohms on the leads instead of the cell, as for commissioning.
    pub resistor: Option<f64>,
    /// What goes wrong.
    pub script: Script,
}

impl Setup {
    /// A usual part in that chemistry: 6 in2 a side, so 12 in2 wetted; still, at the bath's usual temperature.
    pub fn new(chemistry: Chemistry) -> Self {
        Setup {
            seed: 1,
            rating: Rating::default(),
            chemistry,
            area: Area::new(12.0 * 0.0254 * 0.0254),
            edge_factor: 1.9,
            agitation: Agitation::Still,
            temperature: Temperature::new(chemistry.temperature),
            resistor: None,
            script: Script::default(),
        }
    }
}

impl Default for Setup {
    /// The usual part in a warm bright nickel bath.
    fn default() -> Self {
        Setup::new(Chemistry::new(Kind::Nickel))
    }
}

/// How the link between supply and station is just now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Link {
    /// Sound.
    Up,
    /// The supply neither hears nor says anything.
    Silent,
    /// The port is gone.
    Gone,
    /// Answers come so much later.
    Late(Duration),
    /// Bytes of answers are changed.
    Garbled,
    /// Answers stop half way.
    Truncated,
    /// An answer never ends.
    Endless,
    /// A word where a number should be.
    WrongType,
}

/// What is really so, whatever the meters say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// When.
    pub at: Mono,
    /// Volts at the terminals.
    pub volts: Volts,
    /// Amperes.
    pub amps: Amps,
    /// Whether the output is on.
    pub output: bool,
    /// Current over wetted area.
    pub mean_density: Density,
    /// Density at the edge.
    pub edge_density: Density,
    /// What the film can feed for ever; infinite in a cleaner.
    pub edge_limit: Density,
    /// Metal at the edge's surface over metal in the bulk: 1 full, 0 empty.
    pub edge_film: f64,
    /// Charge since the start.
    pub charge: Charge,
    /// Metal deposited since the start.
    pub mass: Mass,
    /// Mean thickness since the start.
    pub thickness: Length,
    /// Thickness at the edge since the start.
    pub edge_thickness: Length,
    /// Whether the edge has darkened, now or before.
    pub burnt: bool,
    /// When it did.
    pub burnt_at: Option<Mono>,
    /// Solution temperature.
    pub temperature: Temperature,
    /// How far the anode has gone passive, 0 to 1.
    pub anode_passive: f64,
}

#[derive(Clone, Copy, Debug)]
struct Active {
    fault: Fault,
    since: Mono,
    until: Option<Mono>,
}

/// A supply, the cell on it, and what goes wrong. Time is an argument; it never runs backward.
#[derive(Clone, Debug)]
pub struct Bench {
    supply: SupplyModel,
    cell: Cell,
    noise: Prng,
    contact: Prng,
    pending: Vec<Entry>,
    active: Vec<Active>,
    link: Link,
    mains: bool,
    hung: bool,
    start: Mono,
    now: Mono,
    first_on: Option<Mono>,
    coulombs: f64,
    on_seconds: f64,
    last_on: Option<Mono>,
    last_off: Option<Mono>,
    burnt_at: Option<Mono>,
    contact_until: Mono,
    contact_ohms: f64,
    /// Until then steps are short: something has just changed.
    settle_until: Mono,
    life: Life,
}

impl Bench {
    /// A bench at rest, its clock at `start`.
    pub fn new(setup: Setup, start: Mono) -> Self {
        let cell = CellSetup {
            area: setup.area.get(),
            edge_factor: setup.edge_factor,
            agitation: setup.agitation,
            temperature: setup.temperature.get(),
        };
        let mut cell = Cell::new(setup.chemistry, cell);
        cell.resistor = setup.resistor.map(|ohms| ohms.max(1e-3));
        Bench {
            supply: SupplyModel::new(setup.rating),
            cell,
            noise: Prng::new(setup.seed),
            contact: Prng::new(setup.seed ^ 0x5bd1_e995),
            pending: setup.script.entries,
            active: Vec::new(),
            link: Link::Up,
            mains: true,
            hung: true,
            start,
            now: start,
            first_on: None,
            coulombs: 0.0,
            on_seconds: 0.0,
            last_on: None,
            last_off: None,
            burnt_at: None,
            contact_until: start,
            contact_ohms: 0.0,
            settle_until: start,
            life: Life::default(),
        }
    }

    /// The same bench in other circumstances; for one at rest.
    pub fn living(mut self, life: Life) -> Self {
        self.cell = self.cell.living(&life);
        self.life = life;
        self
    }

    /// Lets time pass up to `now`; nothing if it is not later.
    pub fn advance(&mut self, now: Mono) {
        self.faults_at(self.now);
        while self.now < now {
            let longest = if self.supply.slewing() || self.now < self.settle_until {
                Duration::from_millis(5)
            } else if self.cell.flaws.contact_ohms > 0.0 || self.has(|f| matches!(f, Fault::BadContact)) {
                Duration::from_millis(20)
            } else {
                Duration::from_millis(100)
            };
            let mut next = now.min(self.now + longest);
            if let Some(edge) = self.next_edge() {
                next = next.min(edge);
            }
            self.step(next);
            self.faults_at(next);
        }
    }

    fn step(&mut self, next: Mono) {
        let seconds = next.since(self.now).as_secs_f64();
        let before = self.supply.amps();
        let was_on = self.supply.output();
        self.live(next);
        let (amps, volts) = self.supply.advance(seconds, &self.cell);
        self.coulombs += 0.5 * (before + amps) * seconds;
        self.cell.advance(seconds, amps, volts);
        self.now = next;
        if was_on {
            self.on_seconds += seconds;
        }
        self.note_switch(was_on);
        if self.cell.burnt() && self.burnt_at.is_none() {
            self.burnt_at = Some(next);
        }
    }

    /// What changes slowly: circumstances, and faults that grow.
    fn live(&mut self, now: Mono) {
        let t = self.first_on.map_or(0.0, |on| now.since(on).as_secs_f64());
        let mut slow = Slow { path: self.life.path(t), grown: self.life.grown(t), ..Slow::default() };
        for active in &self.active {
            let since = now.since(active.since).as_secs_f64();
            match active.fault {
                Fault::MetalLow(tau) => slow.metal = (-since / tau.get()).exp().max(0.02),
                Fault::HotContact(share) | Fault::BagClogs(share) => {
                    slow.ohms += share.get() * self.cell.sound_ohms() * self.life.grown_fault(since);
                }
                _ => {}
            }
        }
        self.cell.slow = slow;
    }

    /// The next instant after now at which a fault begins or ends.
    fn next_edge(&self) -> Option<Mono> {
        let begin = self.pending.iter().filter_map(|e| begins(e, self.start, self.first_on));
        let end = self.active.iter().filter_map(|a| a.until);
        begin.chain(end).filter(|t| *t > self.now).min()
    }

    fn faults_at(&mut self, now: Mono) {
        let mut due = Vec::new();
        let (start, first_on) = (self.start, self.first_on);
        self.pending.retain(|e| {
            let is_due = begins(e, start, first_on).is_some_and(|t| t <= now);
            if is_due {
                due.push(*e);
            }
            !is_due
        });
        let changed = !due.is_empty();
        for entry in due {
            self.begin(entry.fault, entry.lasts, now);
        }
        let count = self.active.len();
        self.active.retain(|a| a.until.is_none_or(|t| t > now));
        let bad_contact = self.has(|f| matches!(f, Fault::BadContact));
        if bad_contact && now >= self.contact_until {
            self.rattle(now);
        }
        if changed || count != self.active.len() || bad_contact {
            self.apply(now, bad_contact);
        }
    }

    /// Begins a fault by hand, now, for so long (`None`: until [`Bench::clear_faults`]).
    pub fn fault(&mut self, now: Mono, fault: Fault, lasts: Option<Duration>) {
        self.advance(now);
        self.begin(fault, lasts, self.now);
        self.apply(self.now, self.has(|f| matches!(f, Fault::BadContact)));
    }

    /// Ends every fault that lasts, and drops what the script still holds.
    pub fn clear_faults(&mut self, now: Mono) {
        self.advance(now);
        self.pending.clear();
        self.active.clear();
        self.apply(self.now, false);
    }

    /// Keeps when the output last changed.
    fn note_switch(&mut self, was_on: bool) {
        match (was_on, self.supply.output()) {
            (false, true) => self.last_on = Some(self.now),
            (true, false) => self.last_off = Some(self.now),
            _ => {}
        }
    }

    fn begin(&mut self, fault: Fault, lasts: Option<Duration>, now: Mono) {
        let was_on = self.supply.output();
        self.begin_unnoted(fault, lasts, now);
        self.note_switch(was_on);
    }

    fn begin_unnoted(&mut self, fault: Fault, lasts: Option<Duration>, now: Mono) {
        match fault {
            Fault::SupplyTrips => {
                self.supply.otp = true;
                self.supply.switch(false);
            }
            // A knob stops at its end.
            Fault::FrontPanelCurrent(amps) => {
                let most = self.supply.rating().max_amps;
                let _ = self.supply.set_amps(amps.get().clamp(0.0, most));
            }
            Fault::FrontPanelVoltage(volts) => {
                let most = self.supply.rating().max_volts;
                let _ = self.supply.set_volts(volts.get().clamp(0.0, most));
            }
            Fault::FrontPanelOutputOff => {
                self.supply.switch(false);
            }
            Fault::PowerCycle => {
                self.supply.power_up();
                let lasts = lasts.unwrap_or(Duration::from_secs(2));
                self.active.push(Active { fault, since: now, until: Some(now + lasts) });
            }
            lasting => self.active.push(Active { fault: lasting, since: now, until: lasts.map(|d| now + d) }),
        }
    }

    fn has(&self, which: impl Fn(&Fault) -> bool) -> bool {
        self.active.iter().any(|a| which(&a.fault))
    }

    /// A bad contact: sound for 1 to 6 s, then poor or open for 0.05 to 1 s.
    fn rattle(&mut self, now: Mono) {
        let sound = self.contact_ohms == 0.0;
        let seconds = if sound {
            self.contact_ohms = if self.contact.unit() < 0.3 { 1e4 } else { 0.3 + 2.0 * self.contact.unit() };
            0.05 + 0.95 * self.contact.unit()
        } else {
            self.contact_ohms = 0.0;
            1.0 + 5.0 * self.contact.unit()
        };
        self.contact_until = now + Duration::from_secs_f64(seconds);
    }

    /// Makes cell and link what the active faults say.
    fn apply(&mut self, now: Mono, bad_contact: bool) {
        let mut flaws = Flaws {
            open: !self.hung,
            contact_ohms: if bad_contact { self.contact_ohms } else { 0.0 },
            ..Flaws::default()
        };
        let mut link = Link::Up;
        let mut mains = true;
        for active in &self.active {
            match active.fault {
                Fault::OpenCircuit => flaws.open = true,
                Fault::Short => flaws.short = true,
                Fault::PartOff(share) => flaws.part_left *= 1.0 - share.get(),
                Fault::Touch(share) => flaws.part_left *= 1.0 + share.get(),
                Fault::AgitationStops => flaws.agitation_stopped = true,
                Fault::HeaterFails(tau) => flaws.cooling = Some(tau.get()),
                Fault::AnodePassivates => flaws.anode_passivates = true,
                Fault::AnodeLeadOff => flaws.anode_lead_off = true,
                Fault::LinkDrops => link = worse(link, Link::Silent),
                Fault::LateReply(by) => link = worse(link, Link::Late(by.duration())),
                Fault::Garbled => link = worse(link, Link::Garbled),
                Fault::Truncated => link = worse(link, Link::Truncated),
                Fault::Endless => link = worse(link, Link::Endless),
                Fault::WrongType => link = worse(link, Link::WrongType),
                Fault::Unplug => link = Link::Gone,
                Fault::PowerCycle => {
                    mains = false;
                    link = worse(link, Link::Silent);
                }
                _ => {}
            }
        }
        if flaws != self.cell.flaws {
            self.settle_until = now + Duration::from_millis(10);
        }
        self.cell.flaws = flaws;
        self.link = link;
        self.mains = mains;
    }

    /// Sets the current.
    ///
    /// # Errors
    /// Out of the supply's range: nothing changes.
    pub fn set_amps(&mut self, now: Mono, amps: Amps) -> Result<(), OutOfRange> {
        self.advance(now);
        self.supply.set_amps(amps.get())
    }

    /// Sets the voltage.
    ///
    /// # Errors
    /// Out of the supply's range: nothing changes.
    pub fn set_volts(&mut self, now: Mono, volts: Volts) -> Result<(), OutOfRange> {
        self.advance(now);
        self.supply.set_volts(volts.get())
    }

    /// Sets where the over-voltage protection trips, and arms it.
    ///
    /// # Errors
    /// Out of the supply's range: nothing changes.
    pub fn set_ovp(&mut self, now: Mono, volts: Volts) -> Result<(), OutOfRange> {
        self.advance(now);
        self.supply.set_ovp(volts.get())?;
        self.supply.ovp.armed = true;
        Ok(())
    }

    /// Sets where the over-current protection trips, and arms it.
    ///
    /// # Errors
    /// Out of the supply's range: nothing changes.
    pub fn set_ocp(&mut self, now: Mono, amps: Amps) -> Result<(), OutOfRange> {
        self.advance(now);
        self.supply.set_ocp(amps.get())?;
        self.supply.ocp.armed = true;
        Ok(())
    }

    /// Switches the output. Returns `false` if on was refused: tripped, or without mains.
    pub fn output(&mut self, now: Mono, on: bool) -> bool {
        self.advance(now);
        if on && !self.mains {
            return false;
        }
        let was_on = self.supply.output();
        let done = self.supply.switch(on);
        self.note_switch(was_on);
        if done && on && self.first_on.is_none() {
            self.first_on = Some(self.now);
            self.faults_at(self.now);
        }
        done
    }

    /// Takes back every trip; the output stays off.
    pub fn clear_trips(&mut self, now: Mono) {
        self.advance(now);
        self.supply.clear_trips();
    }

    /// Hangs the part (`true`) or lifts it out: the operator's hand, for entry and turns.
    pub fn hang(&mut self, now: Mono, hung: bool) {
        self.advance(now);
        self.hung = hung;
        self.apply(self.now, self.has(|f| matches!(f, Fault::BadContact)));
    }

    /// Changes how the solution is moved.
    pub fn stir(&mut self, now: Mono, agitation: Agitation) {
        self.advance(now);
        self.cell.stir(agitation);
    }

    /// What the supply says, whatever the state of the link: see [`Bench::link`].
    pub fn read(&mut self, now: Mono) -> Reading {
        self.advance(now);
        let (volts, amps) = self.supply.meters(&mut self.noise);
        Reading {
            at: self.now,
            volts: Volts::new(volts),
            amps: Amps::new(amps),
            regulation: Some(match self.supply.holding() {
                Holding::Nothing => Regulation::Neither,
                Holding::Current => Regulation::ConstantCurrent,
                Holding::Voltage => Regulation::ConstantVoltage,
            }),
            output: Some(self.supply.output()),
            set_amps: Some(Amps::new(self.supply.amps_setpoint())),
            set_volts: Some(Volts::new(self.supply.volts_setpoint())),
            faults: Faults {
                over_voltage: self.supply.ovp.tripped,
                over_current: self.supply.ocp.tripped,
                over_temperature: self.supply.otp,
                ..Faults::default()
            },
        }
    }

    /// How the link is just now. Anything but [`Link::Up`] means that a station
    /// on a real wire would have no good reading.
    pub fn link(&self) -> Link {
        self.link
    }

    /// What is really so.
    pub fn truth(&self) -> Truth {
        let amps = self.supply.amps();
        let cell = &self.cell;
        Truth {
            at: self.now,
            volts: Volts::new(self.supply.volts()),
            amps: Amps::new(amps),
            output: self.supply.output(),
            mean_density: Density::new(amps / cell.area()),
            edge_density: Density::new(cell.edge_density(amps)),
            edge_limit: Density::new(cell.edge_limit()),
            edge_film: cell.edge_film(),
            charge: Charge::new(self.coulombs),
            mass: Mass::new(cell.grams()),
            thickness: Length::new(cell.thickness()),
            edge_thickness: Length::new(cell.edge_thickness()),
            burnt: cell.burnt(),
            burnt_at: self.burnt_at,
            temperature: Temperature::new(cell.temperature()),
            anode_passive: cell.passive(),
        }
    }

    /// Names of the faults that last just now, and since when.
    pub fn active_faults(&self) -> Vec<(&'static str, Mono)> {
        self.active.iter().map(|a| (a.fault.name(), a.since)).collect()
    }

    /// Where the bench's clock stands.
    pub fn now(&self) -> Mono {
        self.now
    }

    /// Seconds with the output on since the start.
    pub fn output_seconds(&self) -> f64 {
        self.on_seconds
    }

    /// When the output last went on, by whatever hand.
    pub fn last_on(&self) -> Option<Mono> {
        self.last_on
    }

    /// When the output last went off, by whatever hand.
    pub fn last_off(&self) -> Option<Mono> {
        self.last_off
    }

    /// Settings back to how they are at power-up: output off, both setpoints at zero.
    pub fn reset(&mut self, now: Mono) {
        self.output(now, false);
        self.supply.reset();
    }

    /// The supply, for those who speak its language.
    pub(super) fn supply_mut(&mut self) -> &mut SupplyModel {
        &mut self.supply
    }

    /// The supply.
    pub fn supply(&self) -> &SupplyModel {
        &self.supply
    }

    /// The cell.
    pub fn cell(&self) -> &Cell {
        &self.cell
    }
}

fn worse(a: Link, b: Link) -> Link {
    let rank = |l: Link| match l {
        Link::Up => 0,
        Link::WrongType => 1,
        Link::Late(_) => 2,
        Link::Garbled => 3,
        Link::Truncated => 4,
        Link::Endless => 5,
        Link::Silent => 6,
        Link::Gone => 7,
    };
    if rank(b) > rank(a) { b } else { a }
}
