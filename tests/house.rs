//! Keeps the house in order: the direction of imports, what the pure rooms may
//! not touch, how long a file may be, what lies at the top.
//!
//! The rules are DEVELOPERS.md, "The map of the house". The checker reads the
//! sources as tokens, so that comments and strings do not count. What lies
//! behind `#[cfg(test)]` is free; what lies behind `#[cfg(feature = "daemon")]`
//! may do IO, if its place is in [`SHELL`].
#![expect(clippy::disallowed_methods, reason = "a test that reads the sources has to open them")]

#[path = "house/reader.rs"]
mod reader;
#[path = "house/strings.rs"]
mod strings;

use reader::{Token, attributes, is_daemon, is_test, item_end, paths, tokens, without};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Who may know whom. `a::B` lets in that one item of a room. A room always
/// knows itself; what is not here is refused.
const MAY_KNOW: &[(&str, &[&str])] = &[
    ("quantity", &[]),
    ("deposit", &["quantity"]),
    ("bath", &["quantity", "deposit"]),
    ("part", &["quantity"]),
    ("process", &["quantity", "bath"]),
    ("plan", &["quantity", "deposit", "bath", "part", "process"]),
    ("watch", &["quantity", "bath"]),
    ("advise", &["quantity", "bath"]),
    ("run", &["quantity", "deposit", "bath", "part", "process", "plan", "watch"]),
    ("supply", &["quantity"]),
    ("mimic", &["quantity", "deposit", "bath", "supply"]),
    ("ledger", &["quantity"]),
    ("rank", &[]),
    (
        "station",
        &[
            "quantity", "deposit", "bath", "part", "process", "plan", "watch", "run", "supply", "ledger",
            "rank",
        ],
    ),
    ("station/rehearse", &["mimic"]),
    ("draw", &["quantity", "ledger", "station"]),
    (
        "serve",
        &[
            "quantity", "deposit", "bath", "part", "process", "plan", "watch", "run", "station", "ledger",
            "draw", "config", "advise",
        ],
    ),
    (
        "config",
        &[
            "quantity",
            "deposit",
            "bath",
            "watch",
            "supply::Spec",
            "supply::Port",
            "supply::Parity",
            "supply::Flow",
            "supply::Wiring",
            "supply::Ammeter",
            "run::Limits",
            "plan::UpkeepRule",
        ],
    ),
    (
        "cli",
        &[
            "quantity", "deposit", "bath", "part", "process", "plan", "watch", "run", "supply", "mimic",
            "ledger", "rank", "station", "draw", "serve", "config", "host",
        ],
    ),
    (
        "host",
        &[
            "quantity", "deposit", "bath", "part", "process", "plan", "watch", "run", "supply", "ledger",
            "rank", "station", "draw", "serve", "config",
        ],
    ),
];

/// Rooms that are pure to the last line: no file of theirs may hide behind the
/// `daemon` feature.
const PURE: &[&str] = &["quantity", "deposit", "bath", "part", "process", "plan", "watch", "advise", "run"];

/// Every module behind the `daemon` feature, by its path. A whole folder is
/// named by the folder.
const SHELL: &[&str] = &[
    "cli",
    "draw/plot",
    "draw/record",
    "host",
    "ledger",
    "mimic/server",
    "rank",
    "serve",
    "station/handle",
    "station/work",
    "supply/link",
];

/// Paths that a file outside [`SHELL`] may not write.
const NO_IO: &[&str] = &[
    "tokio",
    "std::fs",
    "std::net",
    "std::process",
    "Instant::now",
    "SystemTime",
    "thread::sleep",
    "thread::spawn",
    // Nobody may wave the lint of .clippy.toml away out here.
    "disallowed_methods",
];

/// Data types that live in a forbidden module but open nothing.
const DATA_ONLY: &[&str] = &["std::net::SocketAddr", "std::net::IpAddr"];

/// A file longer than this needs to be two.
const MOST_LINES: usize = 600;

/// What may lie at the top beside dotfiles.
const TOP: &[&str] = &[
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE-MIT",
    "LICENSE-APACHE",
    "src",
    "config",
    "tests",
    "deploy",
    "target", // cargo's, never committed
];

#[test]
fn no_room_knows_a_room_above_it() {
    let mut wrong = Vec::new();
    for source in sources() {
        wrong.extend(bad_imports(&source.module, &source.text, &source.shown));
    }
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

#[test]
fn no_clock_file_or_socket_outside_the_shell() {
    let mut wrong = Vec::new();
    for source in sources() {
        if !in_shell(&source.module) && source.shown != "src/main.rs" {
            wrong.extend(bad_io(&source.module, &source.text, &source.shown));
        }
    }
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

#[test]
fn shell_list_is_exactly_what_the_daemon_feature_hides() {
    let mut found = BTreeSet::new();
    for source in sources() {
        for name in hidden_modules(&source.text) {
            let place = if source.module.is_empty() { name } else { format!("{}/{name}", source.module) };
            if !in_shell(&source.module) {
                found.insert(place);
            }
        }
    }
    let listed: BTreeSet<String> = SHELL.iter().map(|s| s.to_string()).collect();
    assert_eq!(found, listed, "left: modules behind `daemon` in src; right: SHELL in this file");
    for place in &found {
        let room = place.split('/').next().unwrap_or_default();
        assert!(!PURE.contains(&room), "{place}: a pure room hides a module behind `daemon`");
    }
}

#[test]
fn every_room_has_a_row_and_every_row_a_room() {
    let src = root().join("src");
    let rooms: BTreeSet<String> = fs::read_dir(&src)
        .unwrap()
        .map(|e| e.unwrap())
        .filter(|e| e.path().is_dir())
        .map(|e| e.file_name().into_string().unwrap())
        .collect();
    let rows: BTreeSet<String> =
        MAY_KNOW.iter().filter(|(r, _)| !r.contains('/')).map(|(r, _)| r.to_string()).collect();
    assert_eq!(rooms, rows, "left: folders of src; right: rows of MAY_KNOW");
}

#[test]
fn every_folder_says_what_it_is_for() {
    let mut wrong = Vec::new();
    for source in sources() {
        let opens = source.text.starts_with("//!");
        if source.shown.ends_with("/mod.rs") && !opens {
            wrong.push(format!(
                "{}: must open with `//!`: what the room is for, what it may not know",
                source.shown
            ));
        }
    }
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

#[test]
fn no_source_is_too_long_to_read() {
    let mut files = Vec::new();
    walk(&root().join("src"), &mut files);
    let mut wrong = Vec::new();
    for file in files {
        let lines = fs::read_to_string(&file).unwrap().lines().count();
        if lines > MOST_LINES {
            wrong.push(format!("{}: {lines} lines; at most {MOST_LINES}, so split it", file.display()));
        }
    }
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

#[test]
fn nothing_strange_lies_at_the_top() {
    let mut wrong = Vec::new();
    for entry in fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if !name.starts_with('.') && !TOP.contains(&name.as_str()) {
            wrong.push(name);
        }
    }
    assert!(wrong.is_empty(), "at the top level, but not of it: {wrong:?}");
}

#[test]
fn no_sentence_that_a_page_shows_names_a_flag() {
    let wrong: Vec<_> = sources()
        .iter()
        .filter(|source| ANSWERS.contains(&room_of(&source.module)))
        .flat_map(|source| flags(&source.text, &source.shown))
        .collect();
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

// The checker itself: it must see each kind of breach, and not cry wolf.

#[test]
fn checker_sees_an_import_that_goes_up() {
    for (module, text) in [
        ("quantity/types", "use crate::bath::Bath;"),
        ("watch/panel", "use crate::{quantity::Mono, run::View};"),
        ("watch/panel", "use crate::{\n    quantity::{Amps, Volts},\n    run,\n};"),
        ("serve/api", "fn f() { let x = crate::supply::Spec::new(); }"),
        ("mimic/cell", "use super::super::run::View;"),
        ("mimic", "use super::run::View;"),
        ("config/model", "use crate::run::Controller;"),
        ("config/model", "use crate::run::{Limits, Controller};"),
        ("config/model", "use crate::supply;"),
        ("config/model", "use crate::run::*;"),
        ("quantity/types", "use crate::*;"),
        ("station/session", "use crate::mimic::Cell;"),
        ("run/controller", "#[cfg(feature = \"daemon\")]\nuse crate::ledger::RunRow;"),
        ("run/controller", "#[cfg(test)] mod a { use crate::mimic::X; } use crate::serve::Y;"),
        ("run/controller", "#[cfg(not(test))] use crate::serve::Y;"),
        ("run/controller", "const C: char = '\"'; use crate::serve::Y; // \""),
        ("run/controller", "use ::tankside::serve::Y;"),
    ] {
        assert!(!bad_imports(module, text, "snippet").is_empty(), "not seen in {module}: {text}");
    }
}

#[test]
fn checker_lets_good_imports_pass() {
    for (module, text) in [
        ("bath", "use crate::quantity::{Amps, Volts};\nuse crate::deposit;"),
        ("watch/panel", "use super::kind::Kind;\nuse crate::quantity::Mono;"),
        ("watch/rules/step", "use super::super::kind::Kind;"),
        (
            "run/api",
            "/// See [`crate::serve`].\n// use crate::serve::X;\nconst S: &str = \"use crate::serve::X\";",
        ),
        ("run/api", "const S: &str = r#\"a \" use crate::serve::X\"#;"),
        ("run/api", "#[cfg(test)]\nmod tests {\n    use crate::mimic::Cell;\n}"),
        ("config/model", "use crate::run::Limits;\npub supply: crate::supply::Spec,"),
        ("config/model", "use crate::{quantity::Area, supply::{Spec, Port}};"),
        ("station/rehearse", "use crate::mimic::Cell;"),
        ("run/api", "fn f<'a>(x: &'a str) -> char { 'x' }"),
        ("run/api", "use crate::run::View;\nuse tokio_like::supply::X;"),
    ] {
        let wrong = bad_imports(module, text, "snippet");
        assert!(wrong.is_empty(), "{module}: {text}: {wrong:?}");
    }
}

#[test]
fn checker_sees_io_in_the_core() {
    for text in [
        "use std::fs::File;",
        "use std::{fs, io};",
        "use std::{io, net::TcpStream};",
        "let t = std::time::Instant::now();",
        "use std::time::Instant; fn f() { Instant::now() }",
        "use std::time::SystemTime;",
        "async fn f() { tokio::time::sleep(d).await }",
        "std::thread::sleep(d);",
        "#![expect(clippy::disallowed_methods, reason = \"no\")]",
        "#[expect(clippy::disallowed_methods, reason = \"no\")] fn f() {}",
        "#[cfg(not(feature = \"daemon\"))] use std::fs;",
    ] {
        assert!(!bad_io("mimic/cell", text, "snippet").is_empty(), "not seen: {text}");
    }
    let hidden = "#[cfg(feature = \"daemon\")]\nfn f() { std::fs::read(p) }";
    assert!(!bad_io("run/api", hidden, "snippet").is_empty(), "a pure room hid IO behind the feature");
    assert!(bad_io("mimic/cell", hidden, "snippet").is_empty(), "a mixed room may");
}

#[test]
fn checker_lets_data_and_tests_pass() {
    for text in [
        "use std::net::SocketAddr;",
        "use std::{net::SocketAddr, path::PathBuf};",
        "// std::fs::read\nfn f(now: Mono) {}",
        "#[cfg(test)]\n#[expect(clippy::disallowed_methods, reason = \"reads shipped files\")]\nmod tests { use std::fs; }",
        "#[cfg(feature = \"daemon\")]\n#[expect(clippy::disallowed_methods, reason = \"the edge\")]\npub mod serve;",
        "use std::time::{Duration, Instant};",
    ] {
        let wrong = bad_io("mimic/cell", text, "snippet");
        assert!(wrong.is_empty(), "{text}: {wrong:?}");
    }
}

#[test]
fn checker_sees_a_flag_in_a_sentence_and_no_flag_in_a_rule() {
    let found = |text: &str| flags(text, "src/run/x.rs").len();
    assert_eq!(found(r#"fn f() -> &'static str { "or say so: --edges-may-burn" }"#), 1);
    assert_eq!(found("// --edges-may-burn\nconst A: &str = \"-- 6 --\";"), 0);
    assert_eq!(found("#[cfg(test)]\nmod tests {\n    const A: &str = \"--edges-may-burn\";\n}"), 0);
}

#[test]
fn checker_sees_modules_behind_the_feature() {
    let text = "mod spec;\n#[cfg(feature = \"daemon\")]\nmod link;\n#[expect(x)]\n#[cfg(feature = \"daemon\")]\npub(crate) mod off { }\n#[cfg(feature = \"daemon\")]\npub use link::Link;";
    assert_eq!(hidden_modules(text), ["link", "off"]);
}

/// One file of `src`.
struct Source {
    /// Path for messages: `src/run/api.rs`.
    shown: String,
    /// Module path with slashes: `run/api`; a room's `mod.rs` is `run`; `lib.rs` and `main.rs` are empty.
    module: String,
    text: String,
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn sources() -> Vec<Source> {
    let mut files = Vec::new();
    let mut tests_only = BTreeSet::new();
    walk(&root().join("src"), &mut files);
    files.sort();
    let all: Vec<Source> = files
        .iter()
        .map(|path| {
            let inside = path.strip_prefix(root().join("src")).unwrap().to_str().unwrap();
            let module = inside.trim_end_matches(".rs");
            let module = module.strip_suffix("/mod").unwrap_or(module);
            let module = if matches!(module, "lib" | "main") { "" } else { module };
            let text = fs::read_to_string(path).unwrap();
            for name in modules_behind(&text, is_test) {
                tests_only.insert(if module.is_empty() { name } else { format!("{module}/{name}") });
            }
            Source { shown: format!("src/{inside}"), module: module.into(), text }
        })
        .collect();
    // A file that is a test module in a file of its own is as free as one within braces.
    let found: Vec<Source> = all.into_iter().filter(|s| !tests_only.contains(&s.module)).collect();
    assert!(found.len() > 20, "the sources were not found");
    found
}

fn walk(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            walk(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

fn in_shell(module: &str) -> bool {
    SHELL.iter().any(|s| module == *s || module.strip_prefix(s).is_some_and(|rest| rest.starts_with('/')))
}

fn room_of(module: &str) -> &str {
    module.split('/').next().unwrap_or_default()
}

/// Imports of `module` that the table refuses, as lines for people.
fn bad_imports(module: &str, text: &str, shown: &str) -> Vec<String> {
    let room = room_of(module);
    if room.is_empty() {
        return Vec::new(); // lib.rs and main.rs join the rooms
    }
    let may: Vec<&str> = MAY_KNOW
        .iter()
        .filter(|(r, _)| *r == room || *r == module || module.starts_with(&format!("{r}/")))
        .flat_map(|(_, may)| may.iter().copied())
        .collect();
    let allowed = |path: &[String]| {
        let Some(first) = path.first() else { return true };
        first == room
            || may.iter().any(|m| match m.split_once("::") {
                None => m == first,
                Some((r, item)) => r == first && path.get(1).is_some_and(|p| p == item),
            })
    };
    let depth = module.split('/').count();
    paths(&without(&tokens(text), is_test))
        .into_iter()
        .filter_map(|(line, path)| {
            let inner = match path.first().map(String::as_str) {
                Some("crate" | "tankside") => &path[1..],
                Some("super") => {
                    let up = path.iter().take_while(|p| *p == "super").count();
                    if up < depth {
                        return None; // stays within the room
                    }
                    &path[up..]
                }
                _ => return None,
            };
            (!allowed(inner))
                .then(|| format!("{shown}:{line}: `{}` goes up: {room} may know {may:?}", path.join("::")))
        })
        .collect()
}

/// IO, clocks and threads that `module` may not touch, as lines for people.
fn bad_io(module: &str, text: &str, shown: &str) -> Vec<String> {
    let mut code = without(&tokens(text), is_test);
    if !PURE.contains(&room_of(module)) {
        code = without(&code, is_daemon);
    }
    paths(&code)
        .into_iter()
        .filter_map(|(line, path)| {
            let written = path.join("::");
            if DATA_ONLY.iter().any(|d| written.starts_with(d)) {
                return None;
            }
            let what = NO_IO.iter().find(|ban| {
                let ban: Vec<&str> = ban.split("::").collect();
                path.windows(ban.len()).any(|w| w.iter().zip(&ban).all(|(a, b)| a == b))
            })?;
            Some(format!("{shown}:{line}: `{written}`: {what} has no place outside the shell"))
        })
        .collect()
}

/// Rooms whose sentences a page shows as they are.
const ANSWERS: &[&str] = &["bath", "part", "process", "plan", "watch", "run", "advise", "station", "serve"];

/// What there is no other way to do than in a terminal with the daemon stopped.
const TERMINAL_ONLY: &str = "tankside probe --commission ";

/// Texts of the code that name a flag, as lines for people: a page reads them out too, and has none.
fn flags(text: &str, shown: &str) -> Vec<String> {
    let names =
        |said: &str| said.split("--").skip(1).any(|rest| rest.starts_with(|c: char| c.is_ascii_lowercase()));
    let code = without(&tokens(text), is_test);
    code.iter()
        .filter_map(|t| Some((t, t.text.strip_prefix('"')?)))
        .filter(|(_, said)| !said.contains(TERMINAL_ONLY) && names(said))
        .map(|(t, said)| {
            format!("{shown}:{}: {said:?} names a flag; say it in the words of the bench", t.line)
        })
        .collect()
}

fn hidden_modules(text: &str) -> Vec<String> {
    modules_behind(text, is_daemon)
}

/// Names of the modules declared under an attribute for which `test` holds.
fn modules_behind(text: &str, test: fn(&[Token]) -> bool) -> Vec<String> {
    let code = tokens(text);
    let mut found = Vec::new();
    let mut at = 0;
    while at < code.len() {
        let (after, hit) = attributes(&code, at, test);
        if after > at {
            let end = item_end(&code, after);
            if hit {
                let head = &code[after..end];
                let brace = head.iter().position(|t| t.text == "{").unwrap_or(head.len());
                if let Some(m) = head[..brace].iter().position(|t| t.text == "mod") {
                    found.push(head[m + 1].text.clone());
                }
                at = end;
            } else {
                at = after;
            }
        } else {
            at += 1;
        }
    }
    found
}
