//! Where this tank burns.

use super::work::Work;
use crate::bath::Agitation;
use crate::quantity::Density;

impl Work<'_> {
    /// Where it burns with that agitation: by the tank's own panel, carried over by the bath's
    /// ratios, else by the bath file.
    pub(super) fn burn_at(&self, agitation: Agitation) -> Option<Density> {
        let by_file = self.bath.burn_density(agitation);
        let Some(panel) = self.tank.panel else { return by_file };
        if agitation == self.tank.agitation {
            return Some(panel);
        }
        by_file.zip(self.bath.burn_density(self.tank.agitation)).map(|(there, here)| panel * (there / here))
    }
}
