//! The working.

use super::check::{Obstacles, check_request, check_shop, metal_of, window_of};
use super::loads::{Batch, fit, room, split};
use super::worksheet::{AtOnce, Bound, Efficiencies, LoadRow, Thickness, Value, Worksheet};
use super::{
    BurnEstimate, Control, DepositForecast, Goal, Hung, Obstacle, Order, Plan, Request, SupplyLimits,
    TankFacts, Turning, own, seek, shop, target, warn,
};
use crate::bath::{Bath, Window};
use crate::deposit::{self, Efficiency, Metal, OwnFigure};
use crate::part::{Allowance, Load, Part};
use crate::process::{End, Hold, Ramp};
use crate::quantity::{
    Amps, Area, Charge, CurrentSlope, Density, Length, Microcoulombs, Span, Units, VoltageSlope, Volts,
};

/// The share of the density at which edges would burn that is called safe. A
/// fifth is kept in hand: area, edge factor and burn density are each known to
/// 10 to 30 % only (own figures from a model of the cell; the choice of a fifth
/// is from memory).
pub(super) const SAFE_SHARE: f64 = 0.8;
/// Ramp when nothing is said: short against any run, long enough to watch.
const RAMP: Span = Span::new(20.0);
/// Backstop when nothing is said: this many times the expected time, …
const LIMIT_TIMES: f64 = 1.5;
/// … and this much more, for turns of short runs.
const LIMIT_MORE: Span = Span::new(120.0);

/// Works out a request against bath, tank and supply. Sentences are in `units`.
///
/// # Errors
/// Everything that cannot be done as asked, at once, each with a way out.
pub fn plan(
    request: &Request,
    bath: &Bath,
    tank: &TankFacts,
    supply: &SupplyLimits,
    units: Units,
) -> Result<Plan, Vec<Obstacle>> {
    let mut no = Obstacles(Vec::new());
    check_request(request, bath, supply, units, &mut no);
    let load = match Load::new(request.parts.clone(), request.rack) {
        Ok(load) => Some(load),
        Err(e) => {
            let said = e.to_string();
            let (wrong, remedy) = said.split_once("; ").unwrap_or((&said, "write another"));
            let key = if request.parts.is_empty() { "part" } else { "rack" };
            no.add(key, wrong, remedy);
            None
        }
    };
    let metal =
        metal_of(request, bath, &mut no).map(|m| m.map(|(metal, file)| (metal, own::efficiency(file, tank))));
    let window = window_of(request, bath, &mut no);
    check_shop(request, units, &mut no);
    let (Some(load), Some(metal), Some(window)) = (load, metal, window) else {
        return Err(no.0);
    };
    if !no.0.is_empty() && bath.is_dip() {
        return Err(no.0);
    }
    let work = Work { request, bath, tank, supply, metal, window, units };
    work.plan(&load, no)
}

pub(super) struct Work<'a> {
    pub request: &'a Request,
    pub bath: &'a Bath,
    pub tank: &'a TankFacts,
    pub supply: &'a SupplyLimits,
    pub metal: Option<(&'static Metal, Window<Efficiency>)>,
    pub window: Window<Density>,
    pub units: Units,
}

impl Work<'_> {
    fn plan(&self, all: &Load, mut no: Obstacles) -> Result<Plan, Vec<Obstacle>> {
        let u = self.units;
        let request = self.request;
        let edge = all.edge_factor();
        let burn = self.burn_at(self.tank.agitation);
        let (fastest, fastest_why) = self.fastest(edge, burn);
        let usual = self.window.typical.min(fastest);
        let (density, density_why) = match request.hold {
            Some(Hold::Density(d)) => (d, "as asked".to_owned()),
            Some(Hold::Current(i)) => {
                (i / all.area(), "from the current asked for, over everything that hangs".into())
            }
            hold => {
                let said = if hold.is_some() { "guessed for the time and the ceiling: " } else { "" };
                let why = if usual < self.window.typical {
                    format!("{said}the bath's typical {} lowered: {fastest_why}", self.window.typical.show(u))
                } else {
                    format!("{said}the bath's typical density")
                };
                (usual, why)
            }
        };
        let at_once = self.at_once(all, density, &mut no);
        let batches = self.batches(all, density, &at_once, &mut no);
        if !no.0.is_empty() {
            return Err(no.0);
        }
        let first = self.hung(all, &batches[0]);
        let area = first.area();

        let current = density * area;
        let control = self.control(current, fastest * area, &mut no);
        let volts = control.max_volts();
        let ramp = self.ramp(&control);
        let faces = request.turn.map_or(1, |t| t.faces);
        let own_ratio = self.tank.own.distribution(edge).filter(OwnFigure::holds);
        let target = target::target(request, all, own_ratio);
        let mean = match request.end {
            End::Thickness(mean) => Some(mean),
            _ => target.as_ref().map(|t| t.mean),
        };
        let (charge, time) = self.charge_and_time(mean, area, current, ramp, faces);
        // Seeking may also go down, and then takes longer.
        let times = if request.seek.is_some() { 2.0 * LIMIT_TIMES } else { LIMIT_TIMES };
        let usual_limit = Span::new((time * times + LIMIT_MORE).get().ceil());
        let time_limit = request.time_limit.unwrap_or(usual_limit);
        if time_limit < time {
            no.add(
                "time-limit",
                format!(
                    "{} is shorter than the {} that the run is expected to take",
                    time_limit.show(u),
                    time.show(u)
                ),
                format!("write at least {}, or leave it out", usual_limit.show(u)),
            );
        }
        let limit_of_reason = Span::new(14.0 * 86_400.0);
        if time > limit_of_reason {
            no.add(
                "end",
                format!("it would take {}", time.show(u)),
                "ask for less, or hold a higher density",
            );
        }
        let goal = match request.end {
            End::Time(t) => Goal::Time(t.duration()),
            _ => Goal::Charge(Microcoulombs::from_charge(charge)),
        };
        if goal == Goal::Charge(Microcoulombs::ZERO) {
            no.add("end", format!("{} is too little to count", charge.show(u)), "ask for more");
        }
        let entry_volts = self.entry_volts(volts, &mut no);
        let mut seek_warnings = Vec::new();
        let seek = self.seek(&control, area, edge, &mut no, &mut seek_warnings);
        if !no.0.is_empty() {
            return Err(no.0);
        }

        let thickness = self.metal.map(|(metal, window)| Thickness {
            mean: metal.thickness(charge, area, window.typical),
            low: metal.thickness(charge, area, window.low),
            high: metal.thickness(charge, area, window.high),
            edge: metal.thickness(charge, area, window.typical) * edge,
        });
        let mass = self.metal.map(|(metal, window)| metal.mass(charge, window.typical));
        let title = request.title.clone().unwrap_or_else(|| self.title(all));
        let load_count: u32 = batches.iter().map(|b| b.loads).sum();
        let order = Order {
            title: if load_count == 1 {
                title.clone()
            } else {
                format!("{title} ({} of {})", first.count(), all.count())
            },
            tank: request.tank.clone(),
            bath: self.bath.name.clone(),
            parts: first.count(),
            area,
            hung: Hung::all(&first),
            deposit: self.metal.map(|(metal, window)| DepositForecast {
                metal: metal.id.into(),
                efficiency: window.typical.get(),
            }),
            burn: burn.map(|density| BurnEstimate {
                density,
                edge_factor: edge,
                agitation: self.tank.agitation,
                by_agitation: self.bath.burn,
                // A bath file's burn densities hold at its typical temperature.
                temperature: Some(self.bath.temperature.typical),
                own_panel: self.own_burn().is_some(),
            }),
            entry: request.entry,
            entry_volts,
            // Half the setpoint: plenty to see a contact by, and gentle on the first tip that dips in.
            entry_amps: control.max_amps().min(current) * 0.5,
            control,
            goal,
            time_limit: time_limit.duration(),
            turn: request.turn,
            seek,
            like_slopes: Vec::new(),
        };
        let mut worksheet = Worksheet {
            title,
            units: u,
            tank: request.tank.clone(),
            bath: self.bath.title.clone(),
            temperature: (self.bath.temperature.low, self.bath.temperature.high),
            agitation: self.tank.agitation,
            parts: all
                .parts()
                .iter()
                .map(|part| target::part_row(part, thickness.map(|t| t.mean), own_ratio))
                .collect(),
            rack: first.rack_area(),
            rack_why: match request.rack {
                Allowance::Share(share) => format!("{share} of the parts"),
                Allowance::Area(_) => "as given".into(),
            },
            parts_area: first.parts_area(),
            area,
            loads: batches.iter().map(|b| self.load_row(all, b, density)).collect(),
            load_count,
            density,
            density_why,
            window: (self.window.low, self.window.high),
            edge_density: density * edge,
            own_panel: self.own_burn().is_some(),
            panel: self.tank.own.panel.clone(),
            burn_density: burn,
            edges_burn: order.edges_burn(u).is_some(),
            fastest,
            fastest_why,
            current,
            volts,
            held: seek::held(&order),
            ramp,
            faces,
            turn: Turning::of(&order, time, u),
            charge,
            time,
            time_limit,
            energy_usual: self.bath.volts.map(|usual| deposit::energy(charge, usual.typical.min(volts))),
            energy_at_most: deposit::energy(charge, volts),
            mass,
            metal: self.metal.map(|(metal, _)| metal.name),
            efficiency: self.metal.map(|(_, window)| Efficiencies {
                low: window.low.ratio(),
                used: window.typical.ratio(),
                high: window.high.ratio(),
            }),
            thickness,
            target,
            own_efficiency: self.metal.and_then(|_| self.tank.own.efficiency()),
            own_distribution: self.tank.own.distribution(edge),
            value: request.metal_price.as_ref().or(self.tank.price.as_ref()).zip(mass).map(
                |(price, mass)| {
                    let all = mass * (self.all_area(all, &batches) / area);
                    Value { price: price.clone(), first_load: price.of(mass), all: price.of(all) }
                },
            ),
            throughput: shop::throughput(&shop::Line {
                work: self,
                all,
                batches: &batches,
                at_once: &at_once,
                density,
                fastest,
                time,
                charge,
                mass,
                ramp,
                faces,
            }),
            at_once,
            warnings: Vec::new(),
            cautions: warn::cautions(self.bath),
        };
        worksheet.warnings = warn::warnings(self, &worksheet, &first);
        worksheet.warnings.append(&mut seek_warnings);
        Ok(Plan { worksheet, order })
    }

    /// The highest mean density that is safe for these parts, and why no higher.
    pub(super) fn fastest(&self, edge: f64, burn: Option<Density>) -> (Density, String) {
        let u = self.units;
        let most = self.window.high;
        let Some(burn) = burn else {
            return (most, "the end of the bath's window; where it burns is not known".into());
        };
        let safe = burn / edge * SAFE_SHARE;
        if safe >= most {
            return (
                most,
                format!(
                    "the end of the bath's window; edges would burn at a mean of {}",
                    (burn / edge).show(u)
                ),
            );
        }
        let moved = warn::agitation(self.tank.agitation);
        (
            safe,
            format!(
                "edges carry {} times the mean and burn at {} {moved}; a fifth kept in hand",
                (edge * 100.0).round() / 100.0,
                burn.show(u)
            ),
        )
    }

    /// How much hangs at once, by each bound. With a fixed current the bounds
    /// are obstacles instead, for then all that hangs shares it.
    fn at_once(&self, all: &Load, density: Density, no: &mut Obstacles) -> Vec<AtOnce> {
        let u = self.units;
        let fixed = matches!(self.request.hold, Some(Hold::Current(_)));
        let largest = all.parts().iter().map(Part::area_each).fold(Area::ZERO, Area::max);
        let supply = self.supply.max_amps;
        let mut rows = vec![(
            Bound::Supply,
            Some(supply / density),
            format!("{} at {}", supply.show(u), density.show(u)),
        )];

        let per_volume = self.tank.max_load.or(self.bath.max_load);
        rows.push(match (per_volume, self.tank.volume) {
            (Some(most), Some(volume)) => {
                let amps = most * volume;
                if fixed && density * all.area() > amps {
                    let wrong = format!(
                        "{} is more than {}, which is {} in {}",
                        (density * all.area()).show(u),
                        amps.show(u),
                        most.show(u),
                        volume.show(u)
                    );
                    no.add("hold.current", wrong, format!("hold at most {}", amps.show(u)));
                }
                (
                    Bound::Solution,
                    Some(amps / density),
                    format!("{} in {} is {}", most.show(u), volume.show(u), amps.show(u)),
                )
            }
            (None, _) => (Bound::Solution, None, "cannot judge: no most amperes per litre given".into()),
            (_, None) => (Bound::Solution, None, "cannot judge: the tank's volume is not given".into()),
        });
        rows.push(match (self.bath.anode_ratio, self.tank.anode_area) {
            (Some(ratio), Some(anodes)) => {
                let most = anodes / ratio;
                if fixed && all.area() > most * (1.0 + 1e-9) {
                    let wrong = format!(
                        "{} of work is more than anodes of {} can feed",
                        all.area().show(u),
                        anodes.show(u)
                    );
                    no.add("part", wrong, format!("hang at most {} at once, or add anodes", most.show(u)));
                }
                (Bound::Anodes, Some(most), format!("{} of anode, {ratio} to 1 of work", anodes.show(u)))
            }
            (None, _) => (Bound::Anodes, None, "cannot judge: the bath gives no anode ratio".into()),
            (_, None) => (Bound::Anodes, None, "cannot judge: the tank's anode area is not given".into()),
        });
        if let Some(places) = self.request.places {
            if fixed && all.count() > places {
                let wrong = format!("{} parts do not hang in {places} places", all.count());
                no.add("part", wrong, "hang fewer with a fixed current, or hold a density");
            }
            let area = largest * f64::from(places);
            rows.push((Bound::Bar, Some(area + all.allowance().area(area)), format!("{places} places")));
        }
        let least = rows.iter().filter_map(|(_, area, _)| *area).fold(Area::new(f64::INFINITY), Area::min);
        rows.into_iter()
            .map(|(bound, area, why)| AtOnce {
                bound,
                area,
                parts: area.map(|area| fit(room(area, all.allowance()).max(Area::ZERO), largest)),
                why,
                limits: area == Some(least),
            })
            .collect()
    }

    fn batches(&self, all: &Load, density: Density, at_once: &[AtOnce], no: &mut Obstacles) -> Vec<Batch> {
        let whole =
            Batch { loads: 1, parts: all.parts().iter().enumerate().map(|(i, p)| (i, p.count())).collect() };
        if matches!(self.request.hold, Some(Hold::Current(_))) {
            return vec![whole];
        }
        let most = at_once.iter().filter(|row| row.bound != Bound::Bar).filter_map(|row| row.area);
        let most = most.fold(Area::new(f64::INFINITY), Area::min);
        let places = self.request.places.unwrap_or(u32::MAX);
        if let Some(batches) = split(all.parts(), room(most, all.allowance()), places) {
            return batches;
        }
        for row in at_once {
            let most = row.area.unwrap_or(Area::new(f64::INFINITY));
            for part in all.parts().iter().filter(|p| fit(room(most, all.allowance()), p.area_each()) == 0) {
                self.too_large(
                    part,
                    part.area_each() + all.allowance().area(part.area_each()),
                    density,
                    row,
                    no,
                );
            }
        }
        vec![whole]
    }

    /// Not even one of this part can hang, by this bound.
    fn too_large(&self, part: &Part, alone: Area, density: Density, row: &AtOnce, no: &mut Obstacles) {
        let u = self.units;
        let slower = density * (row.area.unwrap_or(Area::ZERO) / alone);
        let slower = if slower < self.window.low {
            format!(" (the {} that it can feed is below the bath's window)", slower.show(u))
        } else {
            format!(", or hold at most {}", slower.show(u))
        };
        let (what, remedy) = match row.bound {
            Bound::Supply => ("the supply", format!("use a larger supply{slower}")),
            Bound::Solution => ("the solution", format!("use a larger tank{slower}")),
            // A place takes any part.
            Bound::Bar => return,
            Bound::Anodes => {
                let need = alone * self.bath.anode_ratio.unwrap_or(1.0);
                ("the anodes", format!("use at least {} of anodes", need.show(u)))
            }
        };
        let wrong = format!(
            "one {} with its rack is {} and takes {}, more than {what} can feed ({})",
            label(part, u),
            alone.show(u),
            (density * alone).show(u),
            row.why
        );
        no.add("part", wrong, remedy);
    }

    /// All loads together: parts, racks and tips.
    fn all_area(&self, all: &Load, batches: &[Batch]) -> Area {
        batches.iter().map(|b| self.hung(all, b).area() * f64::from(b.loads)).sum()
    }

    /// One load of a batch.
    fn hung(&self, all: &Load, batch: &Batch) -> Load {
        let parts = batch.parts.iter().map(|(i, n)| all.parts()[*i].counted(*n)).collect();
        // A batch is never empty and the allowance was taken once already.
        Load::new(parts, all.allowance()).unwrap_or_else(|_| all.clone())
    }

    fn load_row(&self, all: &Load, batch: &Batch, density: Density) -> LoadRow {
        let load = self.hung(all, batch);
        LoadRow {
            loads: batch.loads,
            parts: load.parts().iter().map(|p| (label(p, self.units), p.count())).collect(),
            counts: (0..all.parts().len())
                .map(|i| batch.parts.iter().filter(|(at, _)| *at == i).map(|(_, n)| n).sum())
                .collect(),
            area: load.area(),
            current: density * load.area(),
        }
    }

    fn control(&self, current: Amps, fastest: Amps, no: &mut Obstacles) -> Control {
        let u = self.units;
        let supply = self.supply;
        let ramp = self.request.ramp.unwrap_or(Ramp::Time(RAMP));
        if let Some(Hold::Voltage(setpoint)) = self.request.hold {
            let most = self.most_amps();
            let ceiling = self.request.ceiling_amps.unwrap_or(fastest.min(most));
            if ceiling > most {
                no.add(
                    "ceiling-amps",
                    format!("{} is more than the solution's {}", ceiling.show(u), most.show(u)),
                    format!("write at most {}", most.show(u)),
                );
            }
            let slope = match ramp {
                Ramp::Voltage(slope) => slope,
                Ramp::Time(time) => setpoint / time,
                Ramp::Current(_) => VoltageSlope::ZERO,
            };
            return Control::Voltage { setpoint, ceiling, slope };
        }
        let ceiling = self.request.ceiling.unwrap_or_else(|| {
            self.bath.volts.map_or(supply.max_volts, |usual| usual.high.min(supply.max_volts))
        });
        let slope = match ramp {
            Ramp::Current(slope) => slope,
            Ramp::Time(time) => current / time,
            Ramp::Voltage(_) => CurrentSlope::ZERO,
        };
        Control::Current { setpoint: current, ceiling, slope }
    }

    /// What supply and solution allow together.
    pub(super) fn most_amps(&self) -> Amps {
        let solution = self.tank.max_load.or(self.bath.max_load).zip(self.tank.volume).map(|(a, v)| a * v);
        solution.map_or(self.supply.max_amps, |most| most.min(self.supply.max_amps))
    }

    fn ramp(&self, control: &Control) -> Span {
        match control {
            Control::Current { setpoint, slope, .. } => *setpoint / *slope,
            Control::Voltage { setpoint, slope, .. } => *setpoint / *slope,
        }
    }

    /// Charge of the load and time with the output on. Each face ramps anew,
    /// and a ramp passes half the charge of the same time at the setpoint.
    fn charge_and_time(
        &self,
        mean: Option<Length>,
        area: Area,
        current: Amps,
        ramp: Span,
        faces: u8,
    ) -> (Charge, Span) {
        let faces = f64::from(faces.max(1));
        let in_ramp = current * ramp * 0.5;
        let time_of = |charge: Charge| {
            let each = charge / faces;
            let one = if each >= in_ramp {
                each / current + ramp * 0.5
            } else {
                Span::new((2.0 * each.get() * ramp.get() / current.get()).sqrt())
            };
            one * faces
        };
        let charge = match self.request.end {
            End::Charge(charge) => charge,
            End::Time(time) => {
                let each = time / faces;
                let one = if each >= ramp {
                    current * (each - ramp * 0.5)
                } else {
                    current * each * (0.5 * (each / ramp))
                };
                return (one * faces, time);
            }
            End::Thickness(_) | End::Minimum(_) | End::Standard(_) => match (mean, self.metal) {
                (Some(mean), Some((metal, window))) => metal.charge_for_thickness(mean, area, window.typical),
                // Told as an obstacle before.
                _ => Charge::ZERO,
            },
        };
        (charge, time_of(charge))
    }

    /// The voltage of a live entry: as asked, or half the least that the tank
    /// usually takes (from memory), one volt where that is not known.
    fn entry_volts(&self, most: Volts, no: &mut Obstacles) -> Volts {
        let u = self.units;
        match self.request.entry_volts {
            Some(asked) if asked > most || !asked.is_positive() => {
                no.add(
                    "entry-volts",
                    format!("{} is not between nothing and the run's {}", asked.show(u), most.show(u)),
                    format!("write more than 0 V and at most {}", most.show(u)),
                );
                asked
            }
            Some(asked) => asked,
            None => self.bath.volts.map_or(Volts::new(1.0), |usual| usual.low * 0.5).min(most),
        }
    }

    fn title(&self, all: &Load) -> String {
        let u = self.units;
        let parts: Vec<_> =
            all.parts().iter().map(|p| format!("{} {}", p.count(), label(p, self.units))).collect();
        let what = self.metal.map_or(self.bath.title.as_str(), |(metal, _)| metal.name);
        let end = match self.request.end {
            End::Thickness(q) => q.show(u),
            End::Minimum(q) => format!("at least {}", q.show(u)),
            End::Standard(standard) => standard.to_string(),
            End::Charge(q) => q.show(u),
            End::Time(q) => q.show(u),
        };
        format!("{}, {what} {end}", parts.join(" + "))
    }
}

/// What to call a part: its name, else its shape.
pub(super) fn label(part: &Part, units: Units) -> String {
    part.name().map_or_else(|| part.shape().describe(units), str::to_owned)
}
