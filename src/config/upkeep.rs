//! `[[tank.upkeep]]`: what falls due in a tank.

use crate::plan::UpkeepRule;
use crate::quantity::{Document, Place, Table};

/// Reads the rules of that tank; problems are noted in its document.
pub(super) fn read(doc: &Document<'_>, tank: &Table<'_>) -> Option<Vec<UpkeepRule>> {
    if !tank.has("upkeep") {
        // Asked for all the same, so that it is among the keys that are known here.
        let _ = tank.may("upkeep");
        return Some(Vec::new());
    }
    let mut seen: Vec<(String, Place)> = Vec::new();
    let rules: Vec<_> = tank
        .may("upkeep")
        .tables()
        .iter()
        .map(|table| {
            let rule = rule(table)?;
            let here = table.place("name");
            if let Some((_, first)) = seen.iter().find(|(name, _)| *name == rule.name) {
                let wrong = format!("this tank has another {:?} (line {})", rule.name, first.line);
                doc.report(&here, wrong, "give each its own name");
                return None;
            }
            seen.push((rule.name.clone(), here));
            Some(rule)
        })
        .collect();
    rules.into_iter().collect()
}

fn rule(table: &Table<'_>) -> Option<UpkeepRule> {
    let name = super::read::name(table);
    let every = table.may("every").positive();
    let or_every = table.may("or-every").positive();
    let dose = table.may("dose").positive();
    let anode_metal = table.may("anode-metal").positive();
    if table.has("every") && table.has("anode-metal") {
        table.problem(
            "anode-metal",
            "is a charge too, by Faraday's law, and \"every\" gives another",
            "leave one of the two out",
        );
        return None;
    }
    if !["every", "or-every", "anode-metal"].iter().any(|key| table.has(key)) {
        table.problem(
            "name",
            "never falls due",
            "add every = \"300 A.h\", or-every = \"30 d\", or anode-metal = \"2 kg\"",
        );
        return None;
    }
    let all_read = [
        ("every", every.is_some()),
        ("or-every", or_every.is_some()),
        ("dose", dose.is_some()),
        ("anode-metal", anode_metal.is_some()),
    ];
    if all_read.iter().any(|(key, good)| table.has(key) && !good) {
        return None;
    }
    Some(UpkeepRule { name: name?, every, or_every, dose, anode_metal })
}
