//! What people type.

use super::findings::{MeasureArgs, TankTestArgs};
pub(crate) use super::order_args::{OrderArgs, SheetArgs, StartArgs};
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::net::SocketAddr;
use std::path::PathBuf;

const CODES: &str = "\
Exit codes:
   0  done
   1  refused: the daemon, the plan or the station says no, and why
  64  the command line is wrong
  65  what is on record was changed (runs verify)
  69  no daemon, or no supply, answers
  70  a slip of ours: please report it
  73  the ledger cannot be read or written
  77  not permitted: port, file or token
  78  the config or an order file is wrong

Quantities carry their unit: \"4 A/dm2\", \"40 ASF\", \"8 um\", \"100 uin\", \"20 s\", \"10 A.min\".

This software is not the safety interlock. Set the limits of the supply itself,
and stay within reach of its switch.";

/// Runs a small-parts plating station.
#[derive(Debug, Parser)]
#[command(name = "tankside", version, after_help = CODES, max_term_width = 100)]
pub(crate) struct Cli {
    #[command(flatten)]
    pub common: Common,
    #[command(subcommand)]
    pub verb: Verb,
}

#[derive(Debug, Default, Args)]
pub(crate) struct Common {
    /// The config [default: /etc/tankside/tankside.toml]
    #[arg(long, global = true, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Units to show [default: the config's, else metric]
    #[arg(long, global = true, value_enum)]
    pub units: Option<UnitsArg>,
    /// JSON instead of text, where a verb has both
    #[arg(long, global = true)]
    pub json: bool,
    /// Where the daemon listens, with https:// before it where it has TLS [default: the config's, else 127.0.0.1:8093]
    #[arg(long, global = true, value_name = "HOST:PORT")]
    pub address: Option<String>,
    /// The authority of the daemon's certificate, in PEM [default: $TANKSIDE_CA, else the public ones]
    #[arg(long, global = true, value_name = "FILE")]
    pub ca: Option<PathBuf>,
    /// Send a token to another machine in plain HTTP, for anybody on that network to read
    #[arg(long, global = true)]
    pub in_the_clear: bool,
    /// Who gives the command, for the record: your name [default: the name you are logged in with, $USER]
    #[arg(long = "as", global = true, value_name = "NAME")]
    pub operator: Option<String>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum UnitsArg {
    Metric,
    Us,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Verb {
    /// The daemon: works the stations and answers on HTTP
    #[command(after_help = "Example: tankside serve --config /etc/tankside/tankside.toml")]
    Serve,
    /// Reads the config and everything it names; prints every problem
    #[command(after_help = "Example: tankside check --config config/tankside.toml")]
    Check,
    /// A worksheet: area, current, ceiling, time, charge, metal; or why it cannot be done
    #[command(
        after_help = "Example: tankside plan --tank nickel --part \"disc 34 mm x 1 mm\" --count 6 --thickness \"8 um\"\n         tankside plan --sheet nickel-on-copper-alloys --base brass --part \"6 disc 34 mm x 1 mm\""
    )]
    Plan {
        #[command(flatten)]
        order: OrderArgs,
        #[command(flatten)]
        sheet: SheetArgs,
    },
    /// The order against the mimic in virtual time, told line by line
    #[command(
        after_help = "Example: tankside rehearse --tank nickel --part \"disc 34 mm x 1 mm\" --count 6 --thickness \"8 um\" --turn 2"
    )]
    Rehearse {
        #[command(flatten)]
        order: OrderArgs,
        #[command(flatten)]
        sheet: SheetArgs,
        /// Seed of noise and faults: the same seed, the same story
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// A fault script: "at 12 s open-circuit for 5 s", one fault a line
        #[arg(long, value_name = "SCRIPT")]
        faults: Option<PathBuf>,
    },
    /// Begins a run, or a job: a load through a whole sheet
    #[command(
        after_help = "Example: tankside start --tank nickel --part \"disc 34 mm x 1 mm\" --count 6 --thickness \"8 um\" --ramp \"20 s\"\n         tankside start --sheet nickel-on-copper-alloys --base brass --part \"6 disc 34 mm x 1 mm\" --lot 41\n         tankside start --job-from last --from activate\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Start(StartArgs),
    /// Ramps down, switches off and waits
    #[command(
        after_help = "Example: tankside hold --station bench\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Hold(StationArg),
    /// Goes on after a hold, with a new ramp
    #[command(
        after_help = "Example: tankside resume\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Resume(StationArg),
    /// Ends the run in good order, and the job if there is one
    #[command(
        after_help = "Example: tankside stop\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Stop {
        /// Only the run of the step at work; the job then waits for what is to be done
        #[arg(long)]
        run: bool,
        #[command(flatten)]
        at: StationArg,
    },
    /// Output off at once; the run is aborted
    #[command(
        after_help = "Example: tankside abort\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Abort(StationArg),
    /// Answers the question that stands: done or yes, or no
    #[command(
        after_help = "Example: tankside answer done\n         tankside answer done --as Mila\n         tankside answer no --question 12\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Answer {
        #[arg(value_enum, default_value = "done")]
        answer: AnswerArg,
        /// Only if it is that question that stands
        #[arg(long, value_name = "NUMBER")]
        question: Option<u32>,
        #[command(flatten)]
        at: StationArg,
    },
    /// A job's step again: the one at work, or an earlier one
    #[command(after_help = "Example: tankside redo\n         tankside redo 2\n         tankside redo clean")]
    Redo {
        /// Its number, its name, or the beginning of the name
        step: Option<String>,
        #[command(flatten)]
        at: StationArg,
    },
    /// Leaves a job's step out, with a reason
    #[command(
        after_help = "Example: tankside skip --reason \"no oven today, baked tomorrow at 8\"\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Skip {
        /// Why; it goes on record
        #[arg(long, value_name = "TEXT")]
        reason: String,
        #[command(flatten)]
        at: StationArg,
    },
    /// The last jobs, newest first; or one with its steps
    #[command(after_help = "Example: tankside jobs\n         tankside jobs last")]
    Jobs {
        /// A job's id, the beginning of it, or "last"
        job: Option<String>,
    },
    /// Every station, once
    #[command(after_help = "Example: tankside status --json")]
    Status(StationArg),
    /// One station, live, until Ctrl-C
    #[command(after_help = "Example: tankside follow --station bench")]
    Follow(StationArg),
    /// Alarms that stand, each with what to do; acknowledges, shelves, explains, counts
    #[command(
        after_help = "Example: tankside alarms --ack over-voltage --note \"dirty clip, cleaned\"\n         tankside alarms --shelve drift --for \"30 min\"\n         tankside alarms --help-on burn-margin\n\nWho did it goes on record: --as NAME, else the name you are logged in with ($USER)."
    )]
    Alarms(AlarmArgs),
    /// Charge accounts of the tanks and what is due; logs what was done, says what is so in one
    #[command(
        after_help = "Example: tankside tanks\n         tankside tanks nickel --by part --since make-up\n         tankside tanks --say nickel --temperature \"52 degC\" --agitation air\n         tankside tanks --log nickel brightener --note \"new bottle\"\n         tankside tanks --undo nickel\n         tankside tanks nickel --analysis \"nickel=68 g/L, chloride=14 g/L, boric-acid=38 g/L, pH=4.2\"\n         tankside tanks nickel --titration \"nickel: 23.2 mL EDTA 0.1 M, sample 2 mL\"\n         tankside tanks nickel --panel \"267 mL 2 A 5 min, burnt to 12 mm, dull from 70 mm\""
    )]
    Tanks {
        /// One tank's account in its parts
        #[arg(conflicts_with_all = ["say", "log", "undo"])]
        tank: Option<String>,
        /// In which parts; charge goes to parts by their share of the area
        #[arg(long, value_enum, requires = "tank", default_value = "event")]
        by: ByArg,
        /// Only what was worked since: a day (2026-01-31), or something that was logged (make-up)
        #[arg(long, requires = "tank", value_name = "DAY|EVENT")]
        since: Option<String>,
        /// Tell the daemon what is so in this tank
        #[arg(long, value_name = "TANK")]
        say: Option<String>,
        /// What the thermometer shows
        #[arg(long, requires = "say")]
        temperature: Option<String>,
        /// How the solution moves: still, rod, air, vigorous; your word, which proves nothing
        #[arg(long, requires = "say")]
        agitation: Option<String>,
        #[command(flatten)]
        upkeep: UpkeepArgs,
        #[command(flatten)]
        tests: TankTestArgs,
    },
    /// A record through today's watches: what would have been raised when
    #[command(
        after_help = "Example: tankside replay last\n         tankside replay --csv a.csv b.csv --bath watts-nickel --area \"1.2 dm2\" --format csv"
    )]
    Replay(ReplayArgs),
    /// The last runs, newest first; signs one off, amends its record, checks the chain of records
    #[command(
        args_conflicts_with_subcommands = true,
        after_help = "Example: tankside runs --limit 20\n         tankside runs sign last --by \"Mila Brandt\" --remark \"bright, no dark edges\"\n         tankside runs amend last --lot K-104 --customer \"order 7731\"\n         tankside runs verify --since 2026-11-01\n         tankside runs measure last --weight-before \"12.340 g\" --weight-after \"12.512 g\" --weighed 1"
    )]
    Runs {
        /// How many
        #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=1000))]
        limit: u32,
        #[command(subcommand)]
        deed: Option<RunsDeed>,
    },
    /// Why a run came out as it did: the trade's causes, ranked by what its record shows
    #[command(after_help = "Example: tankside advise last --saw dark-edges")]
    Advise {
        /// The run's id, the beginning of it, or "last"
        run: String,
        /// What you see: dark-edges, rough, pitted, peeling, dull, bare-spots, thin-inside, thick-edges, powdery, stained
        #[arg(long, value_name = "FAULT")]
        saw: String,
    },
    /// One run: its record in lines, as a page, as JSON, or its readings as CSV
    #[command(
        after_help = "Example: tankside report last --html run.html\n         tankside report last-job --html job.html\n         tankside report --csv 0190a5e0-… > run.csv"
    )]
    Report {
        /// The id of a run or a job, the beginning of it, "last" (run) or "last-job"
        #[arg(default_value = "last", value_name = "RUN|JOB")]
        run: String,
        /// The record as a page that prints on one or two A4 sheets, into this file ("-": standard output)
        #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "csv"])]
        html: Option<PathBuf>,
        /// A run's readings, or a job's steps, as CSV
        #[arg(long, conflicts_with = "json")]
        csv: bool,
    },
    /// Output off: through the daemon, else directly at the ports; never refused
    #[command(after_help = "Example: tankside off\n         tankside off /dev/ttyUSB0")]
    Off {
        /// Ports to switch off directly, config or no config: a path, or tcp:host:port
        #[arg(value_name = "PORT", conflicts_with = "station")]
        ports: Vec<String>,
        #[command(flatten)]
        at: StationArg,
    },
    /// Tries a port with the known dialects; never switches an output on
    #[command(after_help = "Example: tankside probe /dev/ttyUSB0")]
    Probe(ProbeArgs),
    /// A simulated supply with a plating cell behind it
    #[command(after_help = "Example: tankside mimic --link /tmp/mimic --seed 7")]
    Mimic(MimicArgs),
    /// A mimic, the daemon and a first run in a temporary folder
    #[command(after_help = "Example: tankside demo --once")]
    Demo {
        /// End after the summary
        #[arg(long)]
        once: bool,
    },
    /// Who may ask the daemon from elsewhere, or in a browser; who asked for what
    #[command(
        subcommand,
        after_help = "Example: tankside token add tablet --scope operate\n         tankside token list\n         tankside token revoke tablet\n         tankside token audit --limit 20"
    )]
    Token(TokenVerb),
    /// Switches off if the daemon dies; the daemon starts it
    #[command(hide = true)]
    Minder,
}

#[derive(Debug, Subcommand)]
pub(crate) enum TokenVerb {
    /// Makes a token and prints it, this once; a running daemon takes it at once
    Add {
        /// Whose it is: up to 32 letters, digits, - _ .
        name: String,
        /// watch: look. operate: also run, stop, answer, log. admin: also take watches out of service, read the audit
        #[arg(long)]
        scope: crate::serve::Scope,
    },
    /// Every token's name, scope and day
    List,
    /// Takes a token back, from this moment on
    Revoke {
        /// Its name
        name: String,
    },
    /// Who did what, newest first; asks the daemon, and needs admin
    Audit {
        /// How many
        #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u32).range(1..=1000))]
        limit: u32,
    },
}

/// What is done to what is on record.
#[derive(Debug, Subcommand)]
pub(crate) enum RunsDeed {
    /// What was measured or weighed on its parts: efficiency and distribution, kept for the tank
    #[command(
        after_help = "Example: tankside runs measure last --thickness \"11.2 um\" --at edge --thickness \"8.2 um\" --at face --thickness \"6 um\" --at hollow --method xrf"
    )]
    Measure(MeasureArgs),
    /// Signs a run or a job off, in a person's name
    Sign {
        /// The id of a run or a job, the beginning of it, "last" (run) or "last-job"
        #[arg(value_name = "RUN|JOB")]
        run: String,
        /// Who signs [default: the name of --as, else $USER]
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        /// What they add
        #[arg(long, value_name = "TEXT")]
        remark: Option<String>,
    },
    /// Enters lot, customer's reference or a note; what stood before stays on record
    Amend {
        /// The id of a run or a job, the beginning of it, "last" (run) or "last-job"
        #[arg(value_name = "RUN|JOB")]
        run: String,
        /// The lot
        #[arg(long, value_name = "TEXT")]
        lot: Option<String>,
        /// The customer's reference
        #[arg(long, value_name = "TEXT")]
        customer: Option<String>,
        /// Anything else
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// Why it is entered now
        #[arg(long, value_name = "TEXT")]
        why: Option<String>,
        /// Who [default: the name of --as, else $USER]
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Walks the chain of records and says what was changed since it was sealed; needs no daemon
    Verify {
        /// Only what was entered since: "2026-11-01"
        #[arg(long, value_name = "DATE")]
        since: Option<String>,
        /// A hash from a printed record, or one that you wrote down: it must be in the chain
        #[arg(long, value_name = "HASH")]
        head: Option<String>,
        /// The ledger [default: the config's]
        #[arg(long, value_name = "FILE")]
        ledger: Option<PathBuf>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct ProbeArgs {
    /// A serial port, tcp:host:port or bridge:host:port [default: every port under /dev/serial/by-id]
    pub(crate) port: Option<String>,
    /// Only this baud rate [default: the usual ones, fastest first]
    #[arg(long)]
    pub(crate) baud: Option<u32>,
    /// Only this dialect [default: all of them]
    #[arg(long, value_name = "NAME")]
    pub(crate) dialect: Option<String>,
    /// The supply's address, where it has one
    #[arg(long)]
    pub(crate) unit: Option<u8>,
    /// The adapter hears its own bytes
    #[arg(long)]
    pub(crate) echo: bool,
    /// Write what passed into this file, for tests/transcripts
    #[arg(long, value_name = "FILE")]
    pub(crate) record: Option<std::path::PathBuf>,
    /// Try the station's supply on a load: this SWITCHES THE OUTPUT ON, at low current
    #[arg(long, requires = "load")]
    pub(crate) commission: bool,
    /// Which station [default: the only one]; with --commission
    #[arg(long, value_name = "NAME")]
    pub(crate) station: Option<String>,
    /// What hangs on the leads, with nothing in any tank; with --commission
    #[arg(long, value_enum)]
    pub(crate) load: Option<LoadArg>,
    /// The most current of the trial; with --commission
    #[arg(long, default_value = "0.5 A")]
    pub(crate) amps: String,
    /// The most voltage of the trial; with --commission
    #[arg(long, default_value = "5 V")]
    pub(crate) volts: String,
    /// I have the supply before me, nothing hangs in a tank, and current may flow; with --commission
    #[arg(long)]
    pub(crate) i_am_at_the_supply: bool,
}

/// What a supply is tried on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum LoadArg {
    /// A resistor that carries the current for minutes.
    Resistor,
    /// The leads clamped together.
    Short,
}

#[derive(Debug, Args)]
pub(crate) struct StationArg {
    /// Which station [default: the only one]
    #[arg(long, value_name = "NAME")]
    pub station: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct AlarmArgs {
    /// Acknowledge this watch's alarm
    #[arg(long, value_name = "WATCH", group = "deed")]
    pub ack: Option<String>,
    /// Put it aside, for a time or until its condition next goes; 8 h at most
    #[arg(long, value_name = "WATCH", group = "deed")]
    pub shelve: Option<String>,
    /// For how long
    #[arg(long = "for", requires = "shelve", value_name = "TIME")]
    pub time: Option<String>,
    /// Take it off the shelf
    #[arg(long, value_name = "WATCH", group = "deed")]
    pub unshelve: Option<String>,
    /// Take the watch out of service
    #[arg(long, value_name = "WATCH", group = "deed", requires = "reason")]
    pub out_of_service: Option<String>,
    /// Why it is out of service
    #[arg(long, requires = "out_of_service", value_name = "TEXT")]
    pub reason: Option<String>,
    /// Put it back into service
    #[arg(long, value_name = "WATCH", group = "deed")]
    pub in_service: Option<String>,
    /// Every change, newest first
    #[arg(long, group = "deed")]
    pub journal: bool,
    /// All that is known of this watch, and what it cannot see
    #[arg(long, value_name = "WATCH", group = "deed")]
    pub help_on: Option<String>,
    /// Rates, floods, chatter, what stands: the figures by which alarms are judged
    #[arg(long, group = "deed")]
    pub figures: bool,
    /// Over how many days
    #[arg(long, requires = "figures", default_value_t = 7, value_parser = clap::value_parser!(u32).range(1..=3660))]
    pub days: u32,
    /// What was found, or why it is put aside
    #[arg(long, value_name = "TEXT", conflicts_with_all = ["unshelve", "out_of_service", "in_service", "journal", "help_on", "figures"])]
    pub note: Option<String>,
    #[command(flatten)]
    pub at: StationArg,
}

#[derive(Debug, Args)]
pub(crate) struct ReplayArgs {
    /// The run's id, the beginning of it, or "last"
    #[arg(value_name = "RUN", conflicts_with = "csv")]
    pub run: Option<String>,
    /// Readings from elsewhere, with a header t_s,V,I,I_set,V_lim,T_C (the last may be missing)
    #[arg(long, value_name = "FILE", num_args = 1.., required_unless_present = "run")]
    pub csv: Vec<PathBuf>,
    /// Whose watches [default: the run's, or the only one; without a config those of the manual]
    #[arg(long, value_name = "NAME")]
    pub station: Option<String>,
    /// The bath, so that the burn margin is judged
    #[arg(long, conflicts_with = "run")]
    pub bath: Option<String>,
    /// Wetted area, or the shape below
    #[arg(long, conflicts_with = "run")]
    pub area: Option<String>,
    /// What hung: "6 disc 34 mm x 1 mm"; gives the edge factor, and the area if that is not given
    #[arg(long, conflicts_with = "run")]
    pub shape: Option<String>,
    /// How the solution was moved
    #[arg(long, conflicts_with = "run", default_value = "still")]
    pub agitation: String,
    /// One line per alarm: file, seconds, class
    #[arg(long, value_enum, default_value = "text")]
    pub format: ReplayFormat,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReplayFormat {
    Text,
    Csv,
}

/// In which parts an account is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ByArg {
    /// Since each thing that was done to the tank.
    Event,
    Day,
    Month,
    /// Part number.
    Part,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum AnswerArg {
    Done,
    Yes,
    No,
}

#[derive(Debug, Args)]
pub(crate) struct MimicArgs {
    /// Make this symbolic link to the pty, also after an unplug and replug
    #[arg(long, value_name = "PATH")]
    pub link: Option<PathBuf>,
    /// Listen here instead of opening a pty (port 0: any that is free)
    #[arg(long, value_name = "IP:PORT", conflicts_with = "link")]
    pub tcp: Option<SocketAddr>,
    /// Listen here for faults by hand: "fault open-circuit for 5 s", "help"
    #[arg(long, value_name = "IP:PORT")]
    pub control: Option<SocketAddr>,
    /// Speak Modbus (RTU on the pty, Modbus TCP on TCP) instead of SCPI; ORDER is how the bytes of a float follow
    /// each other: ABCD, CDAB, BADC, DCBA
    #[arg(long, value_name = "ORDER", num_args = 0..=1, require_equals = true, default_missing_value = "ABCD")]
    pub modbus: Option<String>,
    /// Speak the plain lines of the line-example dialect instead
    #[arg(long, conflicts_with = "modbus")]
    pub line: bool,
    /// Speed of the pty, ten bits a byte
    #[arg(long, default_value_t = 9600, value_parser = clap::value_parser!(u32).range(300..=1_000_000))]
    pub baud: u32,
    /// Seed of noise and faults: the same seed, the same story
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// The bath in the cell
    #[arg(long, default_value = "watts-nickel")]
    pub bath: String,
    /// Wetted area of the work
    #[arg(long, default_value = "77.42 cm2")]
    pub area: String,
    /// How the solution is moved: still, rod, air, vigorous
    #[arg(long, default_value = "still")]
    pub agitation: String,
    /// A resistor of so many ohms on the leads instead of the cell, to try commissioning: "8 ohm"
    #[arg(long, value_name = "OHMS", value_parser = ohms)]
    pub resistor: Option<f64>,
    /// A fault script
    #[arg(long, value_name = "FILE")]
    pub faults: Option<PathBuf>,
    /// Serial number in its identity
    #[arg(long, default_value = "0001")]
    pub serial: String,
    /// End when the process that started it ends
    #[arg(long, hide = true)]
    pub with_parent: bool,
    /// Write here, ten times a second, what is really so (JSON lines)
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
}

fn ohms(text: &str) -> Result<f64, String> {
    let number = text.trim().strip_suffix("ohm").or_else(|| text.trim().strip_suffix('Ω'));
    match number.and_then(|n| n.trim().parse().ok()) {
        Some(ohms) if (0.01..=1e6).contains(&ohms) => Ok(ohms),
        _ => Err("write ohms with their unit, 0.01 ohm to 1000000 ohm: \"8 ohm\"".into()),
    }
}

#[derive(Debug, Args)]
pub(crate) struct UpkeepArgs {
    /// It was done now: the tank's rule of that name begins anew; or make-up, addition, carbon-treatment, filter,
    /// anode-change
    #[arg(long, num_args = 2, value_names = ["TANK", "RULE"], conflicts_with = "say")]
    pub log: Option<Vec<String>>,
    /// What was put in, if not the rule's dose; what was found
    #[arg(long, requires = "log", value_name = "TEXT")]
    pub note: Option<String>,
    /// Takes the last log of a tank back; it stays on record as taken back
    #[arg(long, value_name = "TANK", conflicts_with_all = ["log", "say"])]
    pub undo: Option<String>,
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn no_verb_has_two_arguments_of_one_name() {
        super::Cli::command().debug_assert();
    }
}
