//! Where this tank burns.

use super::work::Work;
use crate::bath::Agitation;
use crate::quantity::Density;

impl Work<'_> {
    /// By a panel of this tank: the ledger's latest that is in date, else the config's, which has no
    /// date and holds until it is taken out.
    pub(super) fn own_burn(&self) -> Option<Density> {
        self.tank.own.panel.as_ref().map(|panel| panel.burn).or(self.tank.panel)
    }

    /// Where it burns with that agitation: by the tank's own panel, carried over by the bath's
    /// ratios, else by the bath file.
    pub(super) fn burn_at(&self, agitation: Agitation) -> Option<Density> {
        let by_file = self.bath.burn_density(agitation);
        let Some(panel) = self.own_burn() else { return by_file };
        if agitation == self.tank.agitation {
            return Some(panel);
        }
        by_file.zip(self.bath.burn_density(self.tank.agitation)).map(|(there, here)| panel * (there / here))
    }
}
