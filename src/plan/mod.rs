//! Load, process, tank and supply limits into a worksheet and an order, or the reasons why not.
//!
//! What the room is for: every number is worked out here, before any current
//! flows. What it may not know: readings, the clock, the ledger.
//!
//! ```
//! use tankside::plan::{Request, SupplyLimits, TankFacts, plan};
//! use tankside::process::End;
//! use tankside::bath::{self, Agitation};
//! use tankside::quantity::Units;
//!
//! let nickel = bath::shipped().into_iter().find(|b| b.name == "watts-nickel").unwrap();
//! let cups = "6 key cups: disc 34 mm x 1 mm".parse().unwrap();
//! let request = Request::new("nickel", vec![cups], End::Thickness("8 um".parse().unwrap()));
//! let tank = TankFacts {
//!     volume: Some("20 L".parse().unwrap()),
//!     anode_area: Some("6 dm2".parse().unwrap()),
//!     agitation: Agitation::Air,
//!     max_load: None,
//!     panel: None,
//!     own: Default::default(),
//!     price: None,
//! };
//! let supply = SupplyLimits { max_amps: "10 A".parse().unwrap(), max_volts: "12 V".parse().unwrap() };
//! let made = plan(&request, &nickel, &tank, &supply, Units::Metric).unwrap();
//! assert_eq!(made.order.control.max_amps().to_string(), "4.845 A");
//! ```

mod asked;
mod check;
mod line;
mod line_day;
mod line_text;
mod loads;
mod order;
mod own;
mod panel;
mod read;
mod request;
mod seek;
mod shop;
mod target;
mod text;
mod turning;
mod upkeep;
mod warn;
mod work;
mod worksheet;

#[cfg(test)]
mod line_tests;
#[cfg(test)]
mod target_tests;
#[cfg(test)]
mod tests;

pub use crate::process::Standard;
pub use asked::{Asked, FacesAsked, SheetRequest};
pub use line::{LineObstacle, LinePlan, LineRequest, LineStep, LineTank, StepLimit, Todo, plan_line};
pub use line_day::{LineDay, Worth};
pub use order::{BurnEstimate, Control, DepositForecast, Goal, Hung, Order, Seek};
pub use own::{Own, OwnPanel, OwnPart};
pub use read::MeshFiles;
pub use request::{Day, Obstacle, Plan, Request, SupplyLimits, TankFacts};
pub use seek::{SeekAsked, SeekTop};
pub use text::{Block, Line};
pub use turning::{TurnAt, Turning};
pub use upkeep::{Since, Upkeep, UpkeepRule};
pub use warn::supply_warning;
pub use work::plan;
pub use worksheet::{
    AtOnce, Bound, Efficiencies, Lift, LoadRow, PartRow, Target, Thickness, Throughput, Value, Worksheet,
    kept,
};
