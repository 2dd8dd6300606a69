//! The arithmetic.
//!
//! One law, rearranged: `m = η·Q·M / (n·F)` (Faraday 1834), with the mass spread
//! evenly over the area, `m = ρ·A·d`. So every thickness here is the mean over
//! the area; edges get more, recesses less.

use super::Metal;
use crate::quantity::{Area, Charge, Density, Energy, Length, Mass, Ratio, Span, Volts};
use std::fmt;

/// Coulombs; exact since 2019 (26th CGPM, Resolution 1).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;
/// Per mole; exact since 2019 (26th CGPM, Resolution 1).
pub const AVOGADRO: f64 = 6.022_140_76e23;
/// Coulombs per mole of electrons, 96 485.332…
pub const FARADAY: f64 = ELEMENTARY_CHARGE * AVOGADRO;

/// The share of the charge that deposits metal: above 0, at most 1.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Efficiency(f64);

/// Not a share of the charge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EfficiencyError(f64);

impl fmt::Display for EfficiencyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = (self.0 * 1e4).round() / 1e2;
        write!(f, "an efficiency of {percent} % cannot be; write one above 0 % and at most 100 %")
    }
}
impl std::error::Error for EfficiencyError {}

impl Efficiency {
    /// All of the charge deposits metal.
    pub const WHOLE: Efficiency = Efficiency(1.0);

    /// # Errors
    /// If it is not above 0 and at most 1.
    pub fn new(ratio: Ratio) -> Result<Self, EfficiencyError> {
        let share = ratio.get();
        if share > 0.0 && share <= 1.0 { Ok(Efficiency(share)) } else { Err(EfficiencyError(share)) }
    }

    /// 0 to 1.
    pub fn get(self) -> f64 {
        self.0
    }

    /// As a quantity.
    pub fn ratio(self) -> Ratio {
        Ratio::new(self.0)
    }
}

impl Metal {
    /// Grams that one coulomb deposits at 100 %: `M / (n·F)`.
    pub fn grams_per_coulomb(&self) -> f64 {
        self.molar_mass / (f64::from(self.valence) * FARADAY)
    }

    /// Grams that one ampere deposits in an hour at 100 %: the usual
    /// "electrochemical equivalent" of tables.
    pub fn grams_per_amp_hour(&self) -> f64 {
        self.grams_per_coulomb() * 3600.0
    }

    /// Metres of deposit that one coulomb per square metre makes at 100 %: `M / (n·F·ρ)`.
    fn metres_per_coulomb_per_m2(&self) -> f64 {
        // 1 g/cm3 is 1e6 g/m3.
        self.grams_per_coulomb() / (self.density * 1e6)
    }

    /// Mass that this charge deposits: `m = η·Q·M / (n·F)`.
    pub fn mass(&self, charge: Charge, at: Efficiency) -> Mass {
        Mass::new(charge.get() * at.0 * self.grams_per_coulomb())
    }

    /// Charge that deposits this mass: `Q = m·n·F / (η·M)`.
    pub fn charge_for_mass(&self, mass: Mass, at: Efficiency) -> Charge {
        Charge::new(mass.get() / (at.0 * self.grams_per_coulomb()))
    }

    /// Mass of a deposit: `m = ρ·A·d`.
    pub fn mass_of(&self, thickness: Length, area: Area) -> Mass {
        Mass::new(self.density * 1e6 * area.get() * thickness.get())
    }

    /// Mean thickness of a weighed deposit: `d = m / (ρ·A)`. The area must be positive.
    pub fn thickness_of(&self, mass: Mass, area: Area) -> Length {
        Length::new(mass.get() / (self.density * 1e6 * area.get()))
    }

    /// Mean thickness that this charge makes: `d = η·Q·M / (n·F·ρ·A)`. The area must be positive.
    pub fn thickness(&self, charge: Charge, area: Area, at: Efficiency) -> Length {
        Length::new(charge.get() / area.get() * at.0 * self.metres_per_coulomb_per_m2())
    }

    /// Charge for this mean thickness: `Q = d·n·F·ρ·A / (η·M)`.
    pub fn charge_for_thickness(&self, thickness: Length, area: Area, at: Efficiency) -> Charge {
        Charge::new(thickness.get() * area.get() / (at.0 * self.metres_per_coulomb_per_m2()))
    }

    /// Mean thickness after this time at this mean density: `d = η·j·t·M / (n·F·ρ)`.
    pub fn thickness_after(&self, time: Span, density: Density, at: Efficiency) -> Length {
        Length::new(density.get() * time.get() * at.0 * self.metres_per_coulomb_per_m2())
    }

    /// Time for this mean thickness at this mean density: `t = d·n·F·ρ / (η·j·M)`.
    /// The density must be positive.
    pub fn time_for_thickness(&self, thickness: Length, density: Density, at: Efficiency) -> Span {
        Span::new(thickness.get() / (density.get() * at.0 * self.metres_per_coulomb_per_m2()))
    }

    /// Mean density for this mean thickness in this time: `j = d·n·F·ρ / (η·t·M)`.
    /// The time must be positive.
    pub fn density_for_thickness(&self, thickness: Length, time: Span, at: Efficiency) -> Density {
        Density::new(thickness.get() / (time.get() * at.0 * self.metres_per_coulomb_per_m2()))
    }

    /// Efficiency as weighed: metal gained over the metal that the charge could
    /// have deposited.
    ///
    /// # Errors
    /// If the result is not above 0 and at most 1: the weighing or the charge is wrong.
    pub fn efficiency(&self, gained: Mass, charge: Charge) -> Result<Efficiency, EfficiencyError> {
        Efficiency::new(Ratio::new(gained / self.mass(charge, Efficiency::WHOLE)))
    }
}

/// Energy that this charge takes at this voltage: `E = U·Q`.
pub fn energy(charge: Charge, volts: Volts) -> Energy {
    volts * charge
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deposit::{METALS, metal};
    use proptest::prelude::*;

    #[test]
    fn the_constant_is_the_one_of_2019() {
        // CODATA 2018 and 2022: 96 485.332 12… C/mol.
        assert!((FARADAY - 96_485.332_12).abs() < 1e-5, "{FARADAY}");
    }

    #[test]
    fn an_efficiency_of_nothing_or_more_than_all_is_refused() {
        for bad in [0.0, -0.1, 1.000_001, f64::NAN, f64::INFINITY] {
            assert!(Efficiency::new(Ratio::new(bad)).is_err(), "{bad}");
        }
        assert_eq!(
            Efficiency::new("103 %".parse().unwrap()).unwrap_err().to_string(),
            "an efficiency of 103 % cannot be; write one above 0 % and at most 100 %"
        );
        let nickel = metal("Ni").unwrap();
        assert!(nickel.efficiency(Mass::new(2.0), "1 A.h".parse().unwrap()).is_err());
    }

    #[test]
    fn ids_are_exact_and_unique() {
        for (i, m) in METALS.iter().enumerate() {
            assert_eq!(metal(m.id), Some(m));
            assert!(METALS[i + 1..].iter().all(|other| other.id != m.id));
        }
        assert!(metal("Cu").is_none(), "copper without its valence is not enough to count by");
        assert!(metal("ni").is_none());
    }

    proptest! {
        #[test]
        fn every_way_back_returns_to_where_it_began(
            which in 0..METALS.len(),
            share in 0.01f64..=1.0,
            coulombs in 1e-3f64..1e7,
            m2 in 1e-6f64..10.0,
            amps_per_m2 in 1.0f64..1e4,
            volts in 0.1f64..50.0,
        ) {
            let m = &METALS[which];
            let at = Efficiency::new(Ratio::new(share)).unwrap();
            let (charge, area) = (Charge::new(coulombs), Area::new(m2));
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * b.abs();

            let mass = m.mass(charge, at);
            prop_assert!(near(m.charge_for_mass(mass, at).get(), coulombs));
            let thickness = m.thickness(charge, area, at);
            prop_assert!(near(m.charge_for_thickness(thickness, area, at).get(), coulombs));
            prop_assert!(near(m.mass_of(thickness, area).get(), mass.get()));
            prop_assert!(near(m.thickness_of(mass, area).get(), thickness.get()));
            prop_assert!(near(m.efficiency(mass, charge).unwrap().get(), share) || share > 1.0 - 1e-12);

            let density = Density::new(amps_per_m2);
            let time = m.time_for_thickness(thickness, density, at);
            prop_assert!(near(m.thickness_after(time, density, at).get(), thickness.get()));
            prop_assert!(near(m.density_for_thickness(thickness, time, at).get(), amps_per_m2));
            // Current and time, or charge: the same deposit.
            prop_assert!(near((density * area * time).get(), coulombs));
            prop_assert!(near((energy(charge, Volts::new(volts)) / charge).get(), volts));
        }
    }
}
