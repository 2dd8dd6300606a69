//! The watches' figures on drawn cells: false alarms, what is seen in time, what is taken for what.
//! `cargo bench --bench figures -- [benign hours] [seed]`, 200 hours and the reporting seed unless told.

#[path = "trials.rs"]
mod trials;

use tankside::mimic::family::{Family, Habit};
use tankside::watch::Kind;
use trials::{Class, Creep, REPORTING, SEEN, TUNING, Trial, benign, creep, electrical, many, share};

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let hours = numbers.first().copied().unwrap_or(200);
    let seed = numbers.get(1).copied().unwrap_or(REPORTING);
    let faults = (hours / 2).clamp(8, 200);
    let only: Vec<String> =
        std::env::args().skip(1).filter(|a| a.parse::<u64>().is_err() && !a.starts_with('-')).collect();
    let wants = |what: &str| only.is_empty() || only.iter().any(|o| o == what);
    println!("simulated cells only; real baths will differ. Seeds from {seed} (tuned on: from {TUNING}).");
    for (family, base) in [(Family::Nickel, seed), (Family::Copper, seed + 500_000)] {
        println!("\n{family:?}-like cells");
        if wants("benign") {
            false_alarms(family, hours, base);
        }
        if wants("creep") {
            seen(family, faults, base + 100_000);
        }
        if wants("area") {
            area(family, faults, base + 300_000);
        }
        if wants("electrical") {
            confusion(family, (faults / 2).max(8), base + 200_000);
        }
    }
}

fn verdict(ok: bool) -> &'static str {
    if ok { "" } else { "  MISS" }
}

fn false_alarms(family: Family, hours: u64, base: u64) {
    let mut by_habit = Vec::new();
    let mut total = 0.0;
    let mut all: Vec<Trial> = Vec::new();
    let named = std::env::var("FIGURES_HABIT").ok();
    for (k, habit) in (0u64..).zip(Habit::ALL) {
        if named.as_ref().is_some_and(|n| *n != format!("{habit:?}")) {
            continue;
        }
        let runs = (hours * 2).div_ceil(8);
        let trials = many(runs, |n| benign(family, habit, base + k * 10_000 + n));
        let h = trials.iter().map(|t| t.seconds).sum::<f64>() / 3600.0;
        total += h;
        by_habit.push((habit, h, trials.iter().map(|t| t.alarms.len()).sum::<usize>()));
        all.extend(trials);
    }
    println!("  {total:.0} benign hours; alarms per 1,000 h:");
    for (habit, h, n) in by_habit {
        println!("    {:<32} {:>7.1}   ({n} in {h:.0} h)", format!("{habit:?}"), n as f64 * 1000.0 / h);
    }
    let rate = |kinds: &[Kind]| {
        all.iter().flat_map(|t| &t.alarms).filter(|(_, k)| kinds.contains(k)).count() as f64 * 1000.0 / total
    };
    for kind in Kind::ALL {
        let r = rate(&[kind]);
        if r > 0.0 {
            println!("    {:<32} {r:>7.1}", kind.name());
        }
    }
    let (every, drift) = (rate(&Kind::ALL), rate(&[Kind::Drift, Kind::DriftNotice]));
    let without: f64 = every - rate(&[Kind::DriftNotice]);
    match family {
        Family::Nickel => {
            println!("    all, notices too (at most 12)    {every:>7.1}{}", verdict(every <= 12.0));
            println!("    drift, notices too (at most 5)   {drift:>7.1}{}", verdict(drift <= 5.0));
        }
        Family::Copper => {
            println!("    all, notices too (at most 15)    {every:>7.1}{}", verdict(every <= 15.0));
        }
    }
    println!("    all but notices                  {without:>7.1}");
    if std::env::var_os("FIGURES_LIST").is_some() {
        for t in all.iter().filter(|t| !t.alarms.is_empty()) {
            for ((at, kind), text) in t.alarms.iter().zip(&t.texts) {
                println!(
                    "      seed {} therm {} {at:.0} s {}: {}",
                    t.seed,
                    t.thermometer,
                    kind.name(),
                    text.split(". Likely").next().unwrap_or("")
                );
            }
        }
    }
}

fn seen(family: Family, n: u64, base: u64) {
    println!("  seen, of those that came to an onset where one is named:");
    let row = |name: &str, trials: &[Trial], ok: &dyn Fn(&Trial) -> bool, figure: Option<f64>| {
        let s = share(trials, ok);
        let mut delays: Vec<f64> =
            trials.iter().filter_map(|t| t.first(&SEEN).map(|at| at - t.fault_at)).collect();
        let figure = match figure {
            Some(f) => format!("  (at least {:.0} %){}", f * 100.0, verdict(s >= f)),
            None => String::new(),
        };
        println!(
            "    {name:<38} {:>5.1} % of {:<4} median delay {:>5} s{figure}",
            s * 100.0,
            trials.len(),
            if delays.is_empty() { "-".into() } else { format!("{:.0}", trials::median(&mut delays)) }
        );
    };
    let list = |trials: &[Trial], ok: &dyn Fn(&Trial) -> bool| {
        for t in trials.iter().filter(|t| !ok(t) && std::env::var_os("FIGURES_LIST").is_some()) {
            println!(
                "      seed {} therm {} fault {:.0} s onset {:?} {:?}",
                t.seed, t.thermometer, t.fault_at, t.onset, t.alarms
            );
        }
    };
    let row = |name: &str, trials: &[Trial], ok: &dyn Fn(&Trial) -> bool, figure: Option<f64>| {
        row(name, trials, ok, figure);
        if figure.is_some() {
            list(trials, ok);
        }
    };
    let play = |fault: Creep, k: u64| many(n, |j| creep(family, fault, base + k * 10_000 + j));
    let burns = |all: Vec<Trial>| all.into_iter().filter(|t| t.onset.is_some()).collect::<Vec<_>>();
    let ahead = |s: f64| move |t: &Trial| t.first(&SEEN).zip(t.onset).is_some_and(|(at, on)| at + s <= on);

    let cooling = burns(play(Creep::Cooling, 0));
    row("cooling, 60 s before onset", &cooling, &ahead(60.0), Some(0.98));
    let (with, without): (Vec<_>, Vec<_>) = cooling.into_iter().partition(|t| t.thermometer);
    row("  of these with a thermometer", &with, &ahead(60.0), None);
    row("  and without", &without, &ahead(60.0), None);
    let depletion = burns(play(Creep::Depletion, 1));
    row("depletion, before onset", &depletion, &ahead(0.0), Some(0.80));
    row("depletion, 60 s before onset", &depletion, &ahead(60.0), None);
    let within = |s: f64| {
        move |t: &Trial| t.first(&[Kind::PartOff, Kind::VoltageLimit]).is_some_and(|at| at - t.fault_at <= s)
    };
    row("part off, within 20 s", &play(Creep::PartOff, 2), &within(20.0), Some(0.98));
    let any = |t: &Trial| t.first(&SEEN).is_some();
    row("anode goes passive", &play(Creep::Anode, 3), &any, Some(0.98));
    row("hot contact (3 to 40 % more ohms)", &play(Creep::HotContact, 4), &any, Some(0.80));
    row("bag clogs (5 to 40 % more ohms)", &play(Creep::Bag, 5), &any, Some(0.88));
    let stopped = burns(play(Creep::Stirrer, 6));
    row("stopped agitation, volts alone", &stopped, &ahead(0.0), None);
    let told = burns(play(Creep::StirrerTold, 7));
    let warned = |t: &Trial| {
        t.alarms.iter().any(|(at, k)| *k == Kind::BurnMargin && t.onset.is_some_and(|on| *at <= on))
    };
    let before = |t: &Trial| t.alarms.iter().any(|(at, k)| *k == Kind::BurnMargin && *at < t.fault_at);
    // An alarm that stood already says nothing of the stop: those runs are counted apart.
    let (early, told): (Vec<_>, Vec<_>) = told.into_iter().partition(before);
    row("stopped agitation, with its sensor", &told, &warned, Some(0.98));
    println!(
        "      (burn margin raised before anything was wrong, its inputs being off: {} more runs)",
        early.len()
    );
}

fn confusion(family: Family, n: u64, base: u64) {
    const ROWS: [(Class, &str, f64); 8] = [
        (Class::Open, "open", 0.95),
        (Class::Gone, "output gone", 0.95),
        (Class::Short, "short", 0.95),
        (Class::Limit, "voltage limit", 0.95),
        (Class::Contact, "bad contact", 0.90),
        (Class::PartOff, "part off", 0.0),
        (Class::AnodeLead, "anode lead", 0.0),
        (Class::Touch, "touch", 0.0),
    ];
    const COLUMNS: [(Class, &str); 10] = [
        (Class::Open, "open"),
        (Class::Gone, "gone"),
        (Class::Short, "short"),
        (Class::Limit, "limit"),
        (Class::Contact, "contact"),
        (Class::PartOff, "step up"),
        (Class::Touch, "down"),
        (Class::Drift, "drift"),
        (Class::Other, "other"),
        (Class::Nothing, "none"),
    ];
    for short in [true, false] {
        let trials = many(n, |j| trials::entry(family, short, base + 90_000 + j));
        let seen = share(&trials, |t| t.first(&[Kind::ShortCircuit]).is_some());
        let what = if short { "shorted: taken for a short" } else { "sound: taken for a short" };
        println!("  at a live entry, {what:<30} {:>5.1} % of {n}", seen * 100.0);
    }
    print!("  taken for     ");
    for (_, name) in COLUMNS {
        print!("{name:>8}");
    }
    println!("   median delay");
    for (k, (class, name, figure)) in (0u64..).zip(ROWS) {
        let trials = many(n, |j| electrical(family, class, base + k * 10_000 + j));
        print!("    {name:<12}");
        for (column, _) in COLUMNS {
            print!("{:>8}", trials.iter().filter(|t| t.class().0 == column).count());
        }
        let right = if class == Class::AnodeLead { Class::PartOff } else { class };
        let hit = share(&trials, |t| t.class().0 == right);
        let mut delays: Vec<f64> = trials
            .iter()
            .filter(|t| t.class().0 == right)
            .filter_map(|t| t.class().1.map(|at| at - t.fault_at))
            .collect();
        println!(
            "   {:>5.1} s {:>6.1} %{}",
            trials::median(&mut delays),
            hit * 100.0,
            verdict(hit >= figure)
        );
        if std::env::var_os("FIGURES_LIST").is_some() {
            for t in trials.iter().filter(|t| t.class().0 != right) {
                println!("      seed {} fault {:.0} s {:?}", t.seed, t.fault_at, t.alarms);
            }
        }
    }
}

fn area(family: Family, n: u64, base: u64) {
    println!("  area questioned before the ramp ends, four like loads before:");
    for (share, name) in [
        (1.0, "as entered"),
        (0.8, "20 % too small"),
        (0.7, "30 % too small"),
        (0.6, "40 % too small"),
        (1.5, "half again too large"),
    ] {
        let asked = (0..n).filter(|k| trials::questioned(family, share, base + k)).count();
        println!("    {name:<38} {:>5.1} % of {n}", asked as f64 * 100.0 / n as f64);
    }
}
