//! What people type of an order: flags of one, of a sheet, of a start.

use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct SheetArgs {
    /// A whole process sheet: its name, or a file; an order file may name it too
    #[arg(long, value_name = "NAME|FILE")]
    pub sheet: Option<String>,
    /// Which tank plays a role of the sheet, where more than one could
    #[arg(long, value_name = "ROLE=TANK")]
    pub role: Vec<String>,
    /// The parts' own metal [default: the sheet's, where it is for one only]
    #[arg(long, value_name = "METAL")]
    pub base: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct StartArgs {
    #[command(flatten)]
    pub order: OrderArgs,
    #[command(flatten)]
    pub sheet: SheetArgs,
    /// The lot, for the record
    #[arg(long)]
    pub lot: Option<String>,
    /// The customer's own reference, for the record
    #[arg(long, value_name = "REFERENCE")]
    pub customer: Option<String>,
    /// Start it knowing that its edges will burn: without this such a start is refused
    #[arg(long)]
    pub edges_may_burn: bool,
    /// Start it knowing that the supply failed its commissioning: without this such a start is refused
    #[arg(long)]
    pub supply_may_fail: bool,
    /// The rest of a job that was interrupted or stopped: its id, the beginning of it, or "last"
    #[arg(long, value_name = "JOB", conflicts_with_all = ["file", "tank", "part", "sheet", "role", "base"])]
    pub job_from: Option<String>,
    /// With which step the rest begins: its name, the beginning of it, or its number [default: the first that was not done]
    #[arg(long, value_name = "STEP", requires = "job_from")]
    pub from: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct OrderArgs {
    /// An order file (TOML); or say it with the flags below
    #[arg(value_name = "FILE", conflicts_with_all = ["tank", "part", "thickness", "density", "current", "volts", "charge", "time"])]
    pub file: Option<PathBuf>,
    /// Which tank
    #[arg(long)]
    pub tank: Option<String>,
    /// What hangs: "disc 34 mm x 1 mm", "area 2.5 dm2", or "mesh cup.stl mm"
    #[arg(long, value_name = "SHAPE")]
    pub part: Vec<String>,
    /// How many of it
    #[arg(long)]
    pub count: Option<u32>,
    /// End by mean thickness
    #[arg(long, group = "end")]
    pub thickness: Option<String>,
    /// End by charge
    #[arg(long, group = "end")]
    pub charge: Option<String>,
    /// End by time
    #[arg(long, group = "end")]
    pub time: Option<String>,
    /// Hold a current density [default: the bath's typical]
    #[arg(long, group = "holds")]
    pub density: Option<String>,
    /// Hold a current
    #[arg(long, group = "holds")]
    pub current: Option<String>,
    /// Hold a voltage under a current ceiling
    #[arg(long, group = "holds")]
    pub volts: Option<String>,
    /// How the part meets the tank: dead, live, on-contact
    #[arg(long)]
    pub entry: Option<String>,
    /// Turn the part over so many faces
    #[arg(long, value_name = "FACES")]
    pub turn: Option<u8>,
    /// Time from nothing to the setpoint
    #[arg(long)]
    pub ramp: Option<String>,
    /// Climb toward the fastest safe density while the margin's worst case stays above this: "30 %"
    #[arg(long, value_name = "MARGIN", requires = "seek_top")]
    pub seek: Option<String>,
    /// Never above this: "6 A/dm2" or "8 A"
    #[arg(long, value_name = "TOP", requires = "seek")]
    pub seek_top: Option<String>,
    /// Which station [default: the only one]
    #[arg(long, value_name = "NAME")]
    pub station: Option<String>,
}
