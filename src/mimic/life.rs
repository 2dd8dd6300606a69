//! What goes on at a tank where nothing is wrong: the thermostat, the rod, hands,
//! deposits that grow, and how one bench differs from the next.

/// One touch of the work by hand: turning it in place, moving a clip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hand {
    /// Seconds after the output first goes on.
    pub at: f64,
    /// Seconds it lasts.
    pub lasts: f64,
    /// By what share the path through the solution changes meanwhile.
    pub share: f64,
    /// What share of change is left afterwards.
    pub leaves: f64,
}

/// The work bar or rod moves to and fro.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sway {
    /// Seconds there and back.
    pub period: f64,
    /// By what share the path through the solution changes with it.
    pub share: f64,
}

/// The circumstances of one tank, none of which is a fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Life {
    /// Ohms of the leads and of sound contacts.
    pub leads: f64,
    /// Room temperature, degC.
    pub room: f64,
    /// Time constant of cooling toward the room, s.
    pub loss: f64,
    /// What the heater adds while it is on, degC/s.
    pub heat: f64,
    /// The thermostat switches so far above and below its setpoint, degC.
    pub band: f64,
    /// The bath begins so far below its setpoint, degC.
    pub below: f64,
    /// Conductivity goes with the metal's concentration to this power.
    pub salt: f64,
    /// A moving rod.
    pub sway: Option<Sway>,
    /// The deposit makes the area grow by this share an hour.
    pub growth: f64,
    /// Electrodes settle: by this share of the solution's resistance, with this time constant, s.
    pub settling: (f64, f64),
    /// The path wanders (level, gas, anodes): by what share, with what period in s, from what phase.
    pub wander: (f64, f64, f64),
    /// Hands at the work.
    pub hands: Vec<Hand>,
    /// How fast a hot contact, or a bag that clogs, comes to its full size, s.
    pub slow_fault: f64,
}

impl Default for Life {
    /// A small warm tank with a good thermostat that nobody touches.
    fn default() -> Self {
        Life {
            leads: 0.03,
            room: 22.0,
            loss: 2400.0,
            heat: 0.03,
            band: 0.15,
            below: 0.0,
            salt: 0.5,
            sway: None,
            growth: 0.0,
            settling: (0.0, 60.0),
            wander: (0.0, 1200.0, 0.0),
            hands: Vec::new(),
            slow_fault: 300.0,
        }
    }
}

impl Life {
    /// By what factor the path through the solution differs `t` seconds after the output first went on.
    pub(super) fn path(&self, t: f64) -> f64 {
        let (share, tau) = self.settling;
        let mut path = 1.0 + share * (1.0 - (-t / tau).exp());
        let (share, period, phase) = self.wander;
        path *= 1.0 + share * ((std::f64::consts::TAU * t / period + phase).sin() - phase.sin());
        if let Some(sway) = self.sway {
            path *= 1.0 + sway.share * (std::f64::consts::TAU * t / sway.period).sin();
        }
        for hand in &self.hands {
            if t >= hand.at + hand.lasts {
                path *= 1.0 + hand.leaves;
            } else if t >= hand.at {
                // A hand is not steady: it wavers about once a second.
                path *= 1.0 + hand.share * (0.6 + 0.4 * (6.5 * (t - hand.at)).sin());
            }
        }
        path.max(0.2)
    }

    /// By what factor the area has grown.
    pub(super) fn grown(&self, t: f64) -> f64 {
        1.0 + self.growth * t / 3600.0
    }

    /// How far a slow fault has come `t` seconds after it began, 0 to 1: slow, fast, slow.
    pub(super) fn grown_fault(&self, t: f64) -> f64 {
        let x = t / self.slow_fault.max(1.0);
        1.0 - (-x * x).exp()
    }
}

/// What changes slowly in a cell, as the bench tells it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slow {
    /// Factor on the path through the solution.
    pub path: f64,
    /// Factor on the area.
    pub grown: f64,
    /// Metal in the bulk over what there was.
    pub metal: f64,
    /// Ohms more than at the start: a hot contact, a clogged bag.
    pub ohms: f64,
}

impl Default for Slow {
    fn default() -> Self {
        Slow { path: 1.0, grown: 1.0, metal: 1.0, ohms: 0.0 }
    }
}
