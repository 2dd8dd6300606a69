//! The config and all it names, read once for every verb that needs it.

use super::Failure;
use crate::config::{self, Config, Station, Tank};
use crate::ledger::Reader;
use crate::plan::Own;
use crate::process::{self, Sheet};
use crate::quantity::{Document, Span};
use crate::run;
use crate::serve::{Speech, own_of};
use crate::supply::dialect::Maturity;
use crate::supply::{Dialect, Port, Spec, dialect};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// A config that was read and found good.
#[derive(Debug)]
pub(crate) struct Setup {
    pub path: PathBuf,
    pub config: Config,
    pub dialects: Vec<Arc<Dialect>>,
    /// The process sheets that fit the baths.
    pub sheets: Vec<Sheet>,
    /// Why a shipped sheet does not fit a bath that the folder beside the config has changed.
    pub unfit: Vec<String>,
    /// Of the config's text, for the log.
    pub hash: String,
}

/// Reads a text file.
#[expect(clippy::disallowed_methods, reason = "the verbs are at the edge: they read what people name")]
pub(crate) fn read(path: &Path) -> std::io::Result<String> {
    std::fs::read_to_string(path)
}

/// Reads a file that may hold anything, if it is one and no larger than that many bytes.
///
/// # Errors
/// Why not, in one line without the file's name.
#[expect(clippy::disallowed_methods, reason = "the verbs are at the edge: they read what people name")]
pub(crate) fn bytes(path: &Path, most: u64) -> Result<Vec<u8>, String> {
    use std::io::Read;
    // Looked at before it is opened: a pipe would keep us waiting for its other end.
    let about = std::fs::metadata(path).map_err(|e| e.to_string())?;
    if !about.is_file() {
        return Err("it is not a file".into());
    }
    let too_large = |has: u64| format!("it has {} MiB, and {} MiB is the most", has >> 20, most >> 20);
    if about.len() > most {
        return Err(too_large(about.len()));
    }
    let mut all = Vec::new();
    let file = std::fs::File::open(path).map_err(|e| e.to_string())?;
    // It may have grown since.
    file.take(most + 1).read_to_end(&mut all).map_err(|e| e.to_string())?;
    if all.len() as u64 > most { Err(too_large(all.len() as u64)) } else { Ok(all) }
}

/// A config's text, or why it cannot be read.
pub(crate) fn text(path: &Path) -> Result<String, Failure> {
    read(path).map_err(|e| match e.kind() {
        std::io::ErrorKind::PermissionDenied => {
            Failure::permission(format!("{}: this user may not read it", path.display()))
        }
        _ => Failure::config(format!("{}: {e}", path.display())),
    })
}

/// For whoever can do nothing with a bad config.
pub(crate) fn good(loaded: Result<Setup, Vec<String>>) -> Result<Setup, Failure> {
    loaded.map_err(|problems| {
        let count = match problems.len() {
            1 => "1 problem".into(),
            n => format!("{n} problems"),
        };
        Failure::config(format!("{count} in the config\n{}", problems.join("\n")))
    })
}

/// Reads a config of that text, and the baths, dialects and sheets beside its path.
///
/// The outer error is a file that cannot be read; the inner one is every problem in them.
pub(crate) fn load(path: PathBuf, text: &str) -> Result<Result<Setup, Vec<String>>, Failure> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let bath_files = toml_files(&folder.join("baths"))?;
    let mut problems = Vec::new();
    let dialects = dialects(folder, &mut problems);
    let sheet_files = toml_files(&folder.join("processes"))?;
    let mut unfit = Vec::new();
    // With bad baths the sheets cannot be judged; the baths' problems are told by the config.
    let sheets = crate::bath::gather(&bath_files)
        .map_or_else(|_| Vec::new(), |baths| sheets(&sheet_files, &baths, &mut problems, &mut unfit));
    // A dialect with a bad file still has a name, so that its station is not blamed as well.
    let mut names: Vec<_> = dialects.iter().map(|d| d.name.clone()).collect();
    names.extend(toml_paths(&folder.join("dialects")).iter().map(|path| stem(path)));
    names.sort();
    names.dedup();
    let names: Vec<_> = names.iter().map(String::as_str).collect();
    match config::load(text, &path.display().to_string(), &bath_files, &names) {
        Ok(config) if problems.is_empty() => {
            let mut problems = strangers(&path, &config.stations, &dialects);
            problems.extend(starved(&path, text, &config.stations, &dialects));
            problems.extend(no_metal(&path, &config));
            if !problems.is_empty() {
                return Ok(Err(problems));
            }
            Ok(Ok(Setup { path, config, dialects, sheets, unfit, hash: fingerprint(text) }))
        }
        Ok(_) => Ok(Err(problems)),
        Err(found) => {
            let mut all: Vec<_> = found.iter().map(ToString::to_string).collect();
            all.extend(problems);
            Ok(Err(all))
        }
    }
}

/// What only shows when stations and dialects are put side by side: addresses where there are none, and two framings
/// on one line.
fn strangers(path: &Path, stations: &[Station], dialects: &[Arc<Dialect>]) -> Vec<String> {
    let dialect = |s: &Spec| dialects.iter().find(|d| d.name == s.dialect);
    let supplies: Vec<_> = stations.iter().flat_map(|s| s.supplies().map(|spec| (&s.name, spec))).collect();
    let mut problems = Vec::new();
    for (at, (name, spec)) in supplies.iter().enumerate() {
        let Some(own) = dialect(spec) else { continue };
        if spec.wiring.unit.is_some() && !own.has_units() {
            problems.push(format!(
                "{}: station {name}: unit: supplies of dialect {:?} have no addresses; leave `unit` out",
                path.display(),
                own.name
            ));
        }
        for (theirs, other) in supplies[..at].iter().filter(|(_, o)| o.port == spec.port) {
            if dialect(other).is_some_and(|d| !own.shares_with(d)) {
                problems.push(format!(
                    "{}: station {name}: port: {} carries another framing for station {theirs}; give one of the two \
                     another port",
                    path.display(),
                    spec.port,
                ));
            }
        }
    }
    problems
}

/// Communication watchdogs that the station's polls cannot keep fed: with one reply lost, the next question comes one
/// exchange at its worst and one poll later, and what shares the line has its turn in between.
fn starved(path: &Path, text: &str, stations: &[Station], dialects: &[Arc<Dialect>]) -> Vec<String> {
    let dialect = |s: &Spec| dialects.iter().find(|d| d.name == s.dialect);
    let worst = |port: &Port| -> Duration {
        let here = stations.iter().flat_map(Station::supplies).filter(|s| s.port == *port);
        here.filter_map(dialect).map(|d| d.timing.worst()).sum()
    };
    let mut problems = Vec::new();
    for (n, station) in stations.iter().enumerate() {
        // Supplies in parallel are asked together, and the slowest is waited for.
        let slowest = station.supplies().map(|s| worst(&s.port)).max().unwrap_or_default();
        let least = station.poll + slowest;
        for own in station.supplies().filter_map(dialect) {
            let Some(waits) = own.watchdog().filter(|waits| *waits < least) else { continue };
            let of = |time: Duration| Span::new(time.as_secs_f64());
            problems.push(format!(
                "{}{} station {}: poll: the watchdog of dialect {:?} switches the supply off after {} without a question, \
                 and with one reply lost the next may come {} later (poll {}, exchange {} at worst); poll faster, or give \
                 the watchdog {} or more in the dialect file",
                path.display(),
                poll_line(text, n),
                station.name,
                own.name,
                of(waits),
                of(least),
                of(station.poll),
                of(slowest),
                of(least),
            ));
        }
    }
    problems
}

/// `:line:column` of the poll of the station at `n`, or of that station's head if it names none.
fn poll_line(text: &str, n: usize) -> String {
    let Ok(doc) = Document::parse(text, "") else { return String::new() };
    let place = doc.root().need("station").tables().get(n).map(|station| station.place("poll"));
    place.map_or_else(String::new, |at| format!(":{}:{}", at.line, at.column))
}

/// Anodes that are said to dissolve in a bath that has no metal.
fn no_metal(path: &Path, config: &Config) -> Vec<String> {
    let metal = |bath: &str| config.baths.iter().any(|b| b.name == bath && b.metal.is_some());
    let tanks = config.tanks.iter().filter(|t| !metal(&t.bath));
    tanks
        .flat_map(|t| t.upkeep.iter().filter(|rule| rule.anode_metal.is_some()).map(move |rule| (t, rule)))
        .map(|(tank, rule)| {
            format!(
                "{}: tank {}: upkeep {}: anode-metal: nothing dissolves in {}; write every = \"300 A.h\" or or-every",
                path.display(),
                tank.name,
                rule.name,
                tank.bath
            )
        })
        .collect()
}

/// The shipped dialects, overridden by the files of a folder beside the config. One that is bad keeps no other away.
pub(crate) fn dialects(folder: &Path, problems: &mut Vec<String>) -> Vec<Arc<Dialect>> {
    let mut all: Vec<_> = dialect::shipped().into_iter().map(Arc::new).collect();
    for path in toml_paths(&folder.join("dialects")) {
        let file = path.display().to_string();
        let parsed = match read(&path) {
            Ok(text) => dialect::parse(&text, &file),
            Err(e) => {
                problems.push(format!("{file}: {e}"));
                continue;
            }
        };
        match parsed {
            Ok(read) => {
                all.retain(|d| d.name != read.name);
                all.push(Arc::new(read));
            }
            Err(found) => problems.extend(found.iter().map(ToString::to_string)),
        }
    }
    all
}

/// The name that a dialect has by its file.
fn stem(path: &Path) -> String {
    path.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

/// The shipped sheets, overridden by the files of a folder beside the config. What is wrong with the workshop's
/// own is a problem; a shipped one that does not fit its baths is only left out.
fn sheets(
    files: &[(String, String)],
    baths: &[crate::bath::Bath],
    problems: &mut Vec<String>,
    unfit: &mut Vec<String>,
) -> Vec<Sheet> {
    let (sheets, found) = process::sort_out(files, baths);
    for problem in found {
        let own = files.iter().any(|(file, _)| *file == problem.file);
        if own { &mut *problems } else { &mut *unfit }.push(problem.to_string());
    }
    sheets
}

/// The `.toml` files of a folder by name, each with its text; none if there is no folder.
fn toml_files(folder: &Path) -> Result<Vec<(String, String)>, Failure> {
    toml_paths(folder)
        .into_iter()
        .map(|path| {
            let text = read(&path).map_err(|e| Failure::config(format!("{}: {e}", path.display())))?;
            Ok((path.display().to_string(), text))
        })
        .collect()
}

fn toml_paths(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<_> =
        entries.flatten().map(|e| e.path()).filter(|p| p.extension().is_some_and(|e| e == "toml")).collect();
    paths.sort();
    paths
}

/// FNV-1a, 64 bits: tells two texts apart in a log; it protects nothing.
fn fingerprint(text: &str) -> String {
    let hash = text
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3));
    format!("{hash:016x}")
}

impl Setup {
    /// The station that is meant: the named one, else the only one.
    pub(crate) fn station(&self, named: Option<&str>) -> Result<&Station, Failure> {
        let stations = &self.config.stations;
        let names = || stations.iter().map(|s| s.name.as_str()).collect::<Vec<_>>().join(", ");
        match (named, &stations[..]) {
            (Some(name), _) => stations.iter().find(|s| s.name == name).ok_or_else(|| {
                Failure::usage(format!("there is no station {name:?}; there is: {}", names()))
            }),
            (None, [one]) => Ok(one),
            (None, _) => Err(Failure::usage(format!("say which with --station: {}", names()))),
        }
    }

    /// What the ledger has of that tank's own measurements; nothing where there is no ledger yet.
    pub(crate) fn own(&self, tank: &Tank) -> Own {
        let ledger = self.config.daemon.state.join("ledger.sqlite");
        if ledger.exists() { own_of(&Reader::new(&ledger), tank) } else { Own::default() }
    }

    /// What a worksheet says of a supply that was not commissioned, or failed it; nothing where there is no ledger yet.
    pub(crate) fn supply_warning(&self, station: &str) -> Option<String> {
        let ledger = self.config.daemon.state.join("ledger.sqlite");
        if !ledger.exists() {
            return None;
        }
        crate::serve::commissioned(&Reader::new(&ledger), station)
    }

    /// How that station's supplies speak.
    pub(crate) fn speech(&self, station: &Station) -> Speech {
        let all: Vec<_> =
            station.supplies().filter_map(|s| self.dialects.iter().find(|d| d.name == s.dialect)).collect();
        let unproved: Vec<_> = all.iter().filter_map(|d| d.unproved()).collect();
        let untried = all.iter().filter(|d| d.maturity != Maturity::Proven);
        let mut untried: Vec<_> =
            untried.map(|d| format!("dialect {} is {}", d.name, d.maturity.name())).collect();
        untried.dedup();
        Speech {
            dialects: all.iter().map(|d| d.title()).collect::<Vec<_>>().join(" + "),
            unproved: (!unproved.is_empty()).then(|| unproved.join(", ")),
            untried: (!untried.is_empty()).then(|| untried.join(", ")),
        }
    }

    /// The dialect of that name; `config::load` has checked that there is one.
    pub(crate) fn dialect(&self, name: &str) -> Result<Arc<Dialect>, Failure> {
        let found = self.dialects.iter().find(|d| d.name == name);
        found.cloned().ok_or_else(|| Failure::config(format!("there is no dialect {name:?}")))
    }
}

/// What the controller of that station is made from.
pub(crate) fn controller(station: &Station) -> run::Setup {
    crate::serve::controller_for(station)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fingerprint_is_fnv_1a() {
        // From memory: the 64-bit FNV-1a of "a".
        assert_eq!(fingerprint("a"), "af63dc4c8601ec8c");
        assert_ne!(fingerprint("max-current = \"10 A\""), fingerprint("max-current = \"11 A\""));
    }

    fn said_of(scpi: &str, line: &str, stations: &str) -> Vec<String> {
        let shipped = |name: &str| dialect::SHIPPED.iter().find(|(n, _)| *n == name).unwrap().1.to_owned();
        let dialects = [
            dialect::parse(&(shipped("scpi") + scpi), "scpi.toml"),
            dialect::parse(&shipped("line-example").replace("#watchdog = ", line), "line-example.toml"),
        ]
        .map(|d| Arc::new(d.unwrap()));
        let text = format!("{stations}[[tank]]\nname = \"nickel\"\nbath = \"watts-nickel\"\n");
        let config = config::load(&text, "t.toml", &[], &["scpi", "line-example"]).unwrap();
        starved(Path::new("t.toml"), &text, &config.stations, &dialects)
    }

    fn station(name: &str, poll: &str, dialect: &str, port: &str, more: &str) -> String {
        format!(
            "[[station]]\nname = \"{name}\"\n{poll}[station.supply]\ndialect = \"{dialect}\"\nport = \"{port}\"\n\
             max-current = \"10 A\"\nmax-voltage = \"12 V\"\n{more}"
        )
    }

    #[test]
    fn watchdog_that_the_polls_cannot_keep_fed_is_refused_at_its_line() {
        let dog = |time: &str| format!("[scpi.watchdog]\ntime = \"{time}\"\narm = \"SYST:WDOG 1\"\n");
        let slow = station("bench", "poll = \"2 s\"\n", "scpi", "/dev/ttyS0", "");
        let said = said_of(&dog("2 s"), "#", &slow);
        assert_eq!(said.len(), 1, "{said:?}");
        // 2 s, and 500 + 150 + 5 ms by the shipped dialect.
        assert!(
            said[0].starts_with("t.toml:3:8 station bench: poll: ") && said[0].contains("2.655 s"),
            "{said:?}"
        );
        assert!(said_of(&dog("2.7 s"), "#", &slow).is_empty());
        assert!(said_of("", "#", &slow).is_empty(), "no watchdog");
        // The usual poll stands in no line: the station's head does.
        let usual = station("bench", "", "scpi", "/dev/ttyS0", "");
        assert!(said_of(&dog("1 s"), "#", &usual).is_empty());
        let said = said_of(&dog("0.8 s"), "#", &usual);
        assert!(said[0].starts_with("t.toml:1:"), "{said:?}");
    }

    #[test]
    fn watchdogs_on_a_shared_line_wait_for_every_supply_on_it() {
        let dog = "watchdog-time = \"1.5 s\"\nwatchdog = ";
        let unit = |n: u8| {
            station(&format!("s{n}"), "", "line-example", "/dev/ttyS0", "")
                .replace("max-current", &format!("unit = {n}\nmax-current"))
        };
        assert!(said_of("", dog, &unit(1)).is_empty());
        let all: String = (1..=6).map(unit).collect();
        let said = said_of("", dog, &all);
        assert_eq!(said.len(), 6, "{said:?}");
        assert!(said[5].contains("station s6"), "{said:?}");
    }
}
