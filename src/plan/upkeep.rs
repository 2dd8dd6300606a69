//! What falls due in a tank by charge or by time, how far along it is, and when it will be due.
//!
//! A rule without a word in the ledger counts its charge from the start of the
//! account; one that goes by time is then due, as nothing says that it was ever done.

use crate::deposit::{Efficiency, Metal};
use crate::quantity::{Amps, Charge, Dosage, Mass, Span, Volume};
use serde::Serialize;

/// One thing to do in a tank again and again. At least one of `every`,
/// `or_every` and `anode_metal` is there; `every` and `anode_metal` are not both.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct UpkeepRule {
    /// What: `brightener`, `anodes`, `filter`. Also a metric label.
    pub name: String,
    /// Due after this charge.
    pub every: Option<Charge>,
    /// Due after this time, whatever was worked.
    pub or_every: Option<Span>,
    /// How much of it the worked charge asks for.
    pub dose: Option<Dosage>,
    /// Anodes that dissolve: how much of their metal may go before they are changed.
    pub anode_metal: Option<Mass>,
}

/// What has passed since it was last done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Since {
    /// Charge of the tank; since its account began if it was never done.
    pub charge: Charge,
    /// Time; `None` if it was never done.
    pub time: Option<Span>,
}

/// How far along a rule is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Upkeep {
    /// 1 and more: due. The larger of the shares by charge and by time.
    pub due: f64,
    /// Until it is due, at the rate given; `None` when nothing brings it nearer. Zero if it is due.
    pub until: Option<Span>,
    /// The charge after which it is due, if it goes by charge.
    pub every: Option<Charge>,
    /// What the charge since asks for.
    pub dose: Option<Volume>,
    /// Anode metal that has gone into solution.
    pub dissolved: Option<Mass>,
    /// Of what may go, what is left; none if it is overdue.
    pub left: Option<Mass>,
}

impl UpkeepRule {
    /// How far along it is. `metal` is the bath's; `rate` is the tank's charge
    /// over the clock's time, work and rest together.
    ///
    /// Metal dissolved is charge times the electrochemical equivalent
    /// (Faraday's law, see [`Metal::mass`]); that anodes dissolve with all of
    /// the current is common practice, no source. Pieces that fall into the
    /// bag come on top.
    ///
    /// ```
    /// use tankside::plan::{Since, UpkeepRule};
    /// use tankside::quantity::Span;
    /// let rule = UpkeepRule {
    ///     name: "brightener".into(),
    ///     every: Some("300 A.h".parse().unwrap()),
    ///     or_every: Some("30 d".parse().unwrap()),
    ///     dose: Some("100 mL/kA.h".parse().unwrap()),
    ///     anode_metal: None,
    /// };
    /// let since = Since { charge: "150 A.h".parse().unwrap(), time: Some("6 d".parse().unwrap()) };
    /// let now = rule.state(None, since, "2.5 A".parse().unwrap());
    /// assert_eq!(now.due, 0.5);
    /// assert_eq!(now.dose.unwrap().to_string(), "15 mL");
    /// assert_eq!(now.until, Some(Span::new(60.0 * 3600.0)));
    /// ```
    pub fn state(&self, metal: Option<&Metal>, since: Since, rate: Amps) -> Upkeep {
        let every = self.every.or_else(|| {
            let (mass, metal) = self.anode_metal.zip(metal)?;
            Some(metal.charge_for_mass(mass, Efficiency::WHOLE))
        });
        let by_charge = every.map(|every| since.charge.get() / every.get());
        let by_time = self.or_every.map(|every| since.time.map_or(1.0, |time| time.get() / every.get()));
        let due = by_charge.unwrap_or(0.0).max(by_time.unwrap_or(0.0));
        let charge_left = every
            .filter(|_| rate.is_positive())
            .map(|every| Span::new((every.get() - since.charge.get()) / rate.get()));
        let time_left = self.or_every.map(|every| every - since.time.unwrap_or(every));
        let until = match (charge_left, time_left) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        let until = if due >= 1.0 { Some(Span::ZERO) } else { until.map(|left| left.max(Span::ZERO)) };
        let dissolved = self.anode_metal.and(metal).map(|m| m.mass(since.charge, Efficiency::WHOLE));
        Upkeep {
            due,
            until,
            every,
            dose: self.dose.map(|dose| dose * since.charge),
            dissolved,
            left: self.anode_metal.zip(dissolved).map(|(all, gone)| (all - gone).max(Mass::ZERO)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deposit::metal;

    fn rule(every: Option<&str>, or_every: Option<&str>) -> UpkeepRule {
        UpkeepRule {
            name: "brightener".into(),
            every: every.map(|q| q.parse().unwrap()),
            or_every: or_every.map(|q| q.parse().unwrap()),
            dose: None,
            anode_metal: None,
        }
    }

    fn since(charge: &str, time: Option<&str>) -> Since {
        Since { charge: charge.parse().unwrap(), time: time.map(|q| q.parse().unwrap()) }
    }

    const RATE: Amps = Amps::new(1.0);

    #[test]
    fn what_comes_first_decides_charge_or_time() {
        let rule = rule(Some("300 A.h"), Some("30 d"));
        assert_eq!(rule.state(None, since("240 A.h", Some("3 d")), RATE).due, 0.8);
        assert_eq!(rule.state(None, since("30 A.h", Some("27 d")), RATE).due, 0.9);
        let over = rule.state(None, since("450 A.h", Some("3 d")), RATE);
        assert_eq!((over.due, over.until), (1.5, Some(Span::ZERO)));
    }

    #[test]
    fn forecast_is_the_earlier_of_the_two_and_idle_tanks_have_only_the_clock() {
        let rule_ = rule(Some("300 A.h"), Some("30 d"));
        // 60 A.h are left: 60 h at 1 A, before the 27 days are over.
        let now = rule_.state(None, since("240 A.h", Some("3 d")), RATE);
        assert_eq!(now.until, Some(Span::new(60.0 * 3600.0)));
        let idle = rule_.state(None, since("240 A.h", Some("3 d")), Amps::ZERO);
        assert_eq!(idle.until, Some(Span::new(27.0 * 86_400.0)));
        let never = rule(Some("300 A.h"), None).state(None, since("240 A.h", None), Amps::ZERO);
        assert_eq!(never.until, None, "nothing brings it nearer");
    }

    #[test]
    fn what_was_never_done_is_due_by_time_and_counts_all_charge() {
        assert_eq!(rule(None, Some("30 d")).state(None, since("0 C", None), RATE).due, 1.0);
        assert_eq!(rule(Some("300 A.h"), None).state(None, since("30 A.h", None), RATE).due, 0.1);
    }

    // 1.095 g/A.h for nickel: "Surface Finishing Tutorial #166, theoretical deposit per Ah".
    #[test]
    fn anodes_lose_what_faraday_says() {
        let anodes = UpkeepRule { anode_metal: Some("2 kg".parse().unwrap()), ..rule(None, None) };
        let now = anodes.state(metal("Ni"), since("1 kA.h", None), RATE);
        let gone = now.dissolved.unwrap().get();
        assert!((gone - 1095.0).abs() < 1.0, "{gone} g");
        assert!((now.left.unwrap().get() - (2000.0 - gone)).abs() < 1e-9);
        assert!((now.due - gone / 2000.0).abs() < 1e-12);
        let over = anodes.state(metal("Ni"), since("3 kA.h", None), RATE);
        assert_eq!(over.left, Some(Mass::ZERO));
        assert!(over.due > 1.0);
    }
}
