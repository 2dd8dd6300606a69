//! A TOML file read key by key: every problem at once, each with its place.
//!
//! A serde reader stops at the first error and, with tagged or flattened types,
//! loses the place. Here the file is parsed once, and each reader asks for the
//! keys it knows. Whatever is wrong with a key is noted and reading goes on;
//! keys nobody asked for are errors with the nearest name. Nothing is ever
//! replaced by a default because it was bad: [`Document::finish`] gives a value
//! only if no problem was noted.
//!
//! ```
//! use tankside::quantity::{Amps, Document};
//! let text = "name = 'bench'\nmax-current = 10\nmax-curent = '12 A'\n";
//! let doc = Document::parse(text, "bench.toml").unwrap();
//! let made = {
//!     let root = doc.root();
//!     let name = root.need("name").text();
//!     let amps = root.need("max-current").positive::<Amps>();
//!     name.zip(amps)
//! }; // here the table goes out of scope and names the keys it was not asked for
//! let problems = doc.finish(made).unwrap_err();
//! assert_eq!(problems.len(), 2);
//! assert_eq!(
//!     problems[0].to_string(),
//!     "bench.toml:2:15 max-current: 10 has no unit; write a number and one of A or mA, in quotes"
//! );
//! ```

mod field;
pub use field::Field;

use super::nearest;
use super::parse::QuantityError;
use super::unit::Dimension;
use std::cell::RefCell;
use std::fmt;
use std::str::FromStr;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What [`Field::quantity`] can read: every quantity of this room is one.
pub trait Quantity: Copy + PartialOrd + Default + fmt::Display + FromStr<Err = QuantityError> {
    /// What is asked for, so that a missing or bad value can be told what fits.
    const WANTED: Dimension;
}

/// One thing wrong in a file, for the person who wrote it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file, as it was named to us.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key with the tables it stands in (`station.supply.port`); empty for a whole file.
    pub key: String,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub remedy: String,
}

impl fmt::Display for Problem {
    /// `file:line:column key: what is wrong; what would be right`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.file, self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, " {}", self.key)?;
        }
        write!(f, ": {}; {}", self.wrong, self.remedy)
    }
}

impl std::error::Error for Problem {}

/// Where a value stands, kept for a check that can only be made later.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key with the tables it stands in.
    pub key: String,
}

/// A parsed file and the problems found in it so far.
#[derive(Debug)]
pub struct Document<'t> {
    file: String,
    text: &'t str,
    root: Spanned<DeTable<'t>>,
    problems: RefCell<Vec<Problem>>,
}

impl<'t> Document<'t> {
    /// Parses `text`; `file` is only its name in messages.
    ///
    /// # Errors
    /// Every place where the text is not TOML. Values are then not looked at,
    /// because what a broken line was meant to say can only be guessed.
    pub fn parse(text: &'t str, file: &str) -> Result<Self, Vec<Problem>> {
        let (root, errors) = DeTable::parse_recoverable(text);
        let doc = Document { file: file.into(), text, root, problems: RefCell::default() };
        for e in errors {
            let at = e.span().map_or(0, |s| s.start);
            let (wrong, remedy) = match e.message().split_once(", expected ") {
                Some((wrong, expected)) => (wrong.to_owned(), format!("expected {expected}")),
                None if e.message().contains("duplicate") => {
                    (e.message().to_owned(), "keep one of the two".into())
                }
                None => (e.message().to_owned(), "mend the TOML here".into()),
            };
            doc.report(&doc.place(at, String::new()), format!("not TOML: {wrong}"), remedy);
        }
        if doc.problems.borrow().is_empty() { Ok(doc) } else { Err(doc.sorted()) }
    }

    /// The outermost table.
    pub fn root(&self) -> Table<'_> {
        Table::new(self, self.root.get_ref(), 0, String::new())
    }

    /// Notes a problem at a place kept earlier.
    pub fn report(&self, at: &Place, wrong: impl Into<String>, remedy: impl Into<String>) {
        self.problems.borrow_mut().push(Problem {
            file: self.file.clone(),
            line: at.line,
            column: at.column,
            key: at.key.clone(),
            wrong: wrong.into(),
            remedy: remedy.into(),
        });
    }

    /// The value that was made, or everything wrong in the file, in file order.
    ///
    /// All tables must have gone out of scope (the compiler sees to it), so
    /// that each has named its unknown keys.
    ///
    /// # Errors
    /// Every problem noted. `made` may be `None` only after a problem.
    pub fn finish<T>(self, made: Option<T>) -> Result<T, Vec<Problem>> {
        if self.problems.borrow().is_empty() {
            if let Some(made) = made {
                return Ok(made);
            }
            let whole = self.place(0, String::new());
            self.report(&whole, "could not be read, and nothing says why", "this is our fault: report it");
        }
        Err(self.sorted())
    }

    fn sorted(self) -> Vec<Problem> {
        let mut all = self.problems.into_inner();
        all.sort_by_key(|p| (p.line, p.column));
        all
    }

    fn place(&self, offset: usize, key: String) -> Place {
        let mut end = offset.min(self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        let before = &self.text[..end];
        let line_start = before.rfind('\n').map_or(0, |i| i + 1);
        Place {
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            key,
        }
    }
}

/// A table being read.
///
/// When it goes out of scope, every key that was never asked for is a problem.
/// So ask for all keys before giving up on any of them: no `?` in between.
#[derive(Debug)]
pub struct Table<'d> {
    doc: &'d Document<'d>,
    map: &'d DeTable<'d>,
    at: usize,
    path: String,
    asked: RefCell<Vec<&'static str>>,
    any: RefCell<bool>,
}

impl<'d> Table<'d> {
    fn new(doc: &'d Document<'d>, map: &'d DeTable<'d>, at: usize, path: String) -> Self {
        Table { doc, map, at, path, asked: RefCell::default(), any: RefCell::new(false) }
    }

    /// A key that must be there; its absence is a problem once its type is asked for.
    pub fn need(&self, key: &'static str) -> Field<'d> {
        self.field(key, true)
    }

    /// A key that may be absent.
    pub fn may(&self, key: &'static str) -> Field<'d> {
        self.field(key, false)
    }

    /// Whether the key is in the file (which does not count as asking for it).
    pub fn has(&self, key: &str) -> bool {
        self.map.get(key).is_some()
    }

    /// The key's text if it has one, without asking for it and without problems.
    pub fn peek(&self, key: &str) -> Option<&'d str> {
        match self.map.get(key).map(Spanned::get_ref) {
            Some(DeValue::String(text)) => Some(text),
            _ => None,
        }
    }

    /// Every entry, in file order, for tables whose keys are names the writer
    /// chose. No key of this table is then unknown.
    pub fn entries(&self) -> Vec<(String, Field<'d>)> {
        *self.any.borrow_mut() = true;
        let mut all: Vec<_> = self.map.iter().collect();
        all.sort_by_key(|(key, _)| key.span().start);
        all.into_iter()
            .map(|(key, node)| {
                let name = key.get_ref().to_string();
                let field = Field {
                    doc: self.doc,
                    node: Some(node),
                    required: true,
                    at: self.at,
                    path: self.join(&name),
                };
                (name, field)
            })
            .collect()
    }

    /// A choice of kind, which is a table's name (`[scpi]` or `[modbus]`): exactly one of `names`.
    pub fn one_of(&self, names: &[&'static str]) -> Option<(&'static str, Table<'d>)> {
        self.asked.borrow_mut().extend(names);
        let list = names.iter().map(|n| format!("[{n}]")).collect::<Vec<_>>().join(" or ");
        let present: Vec<_> = names.iter().copied().filter(|n| self.has(n)).collect();
        match present[..] {
            [] => self.report(format!("has none of {list}"), "write exactly one of these tables"),
            [only] => return self.need(only).table().map(|table| (only, table)),
            [_, second, ..] => {
                self.problem(second, format!("more than one of {list}"), "keep exactly one of these tables");
            }
        }
        None
    }

    /// The text of a key of a table of this one, if both are there; see [`Table::peek`].
    pub fn peek_in(&self, table: &str, key: &str) -> Option<&'d str> {
        let DeValue::Table(map) = self.map.get(table)?.get_ref() else { return None };
        match map.get(key)?.get_ref() {
            DeValue::String(text) => Some(text),
            _ => None,
        }
    }

    /// Notes a problem at that key's value (at the table's head if the key is absent).
    pub fn problem(&self, key: &str, wrong: impl Into<String>, remedy: impl Into<String>) {
        self.doc.report(&self.place(key), wrong, remedy);
    }

    /// Notes a problem at the table's head.
    pub fn report(&self, wrong: impl Into<String>, remedy: impl Into<String>) {
        self.doc.report(&self.doc.place(self.at, self.path.clone()), wrong, remedy);
    }

    /// Where that key's value stands (the table's head if the key is absent).
    pub fn place(&self, key: &str) -> Place {
        let at = self.map.get(key).map_or(self.at, |v| v.span().start);
        self.doc.place(at, self.join(key))
    }

    fn field(&self, key: &'static str, required: bool) -> Field<'d> {
        self.asked.borrow_mut().push(key);
        Field { doc: self.doc, node: self.map.get(key), required, at: self.at, path: self.join(key) }
    }

    fn join(&self, key: &str) -> String {
        if self.path.is_empty() { key.into() } else { format!("{}.{key}", self.path) }
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        if *self.any.borrow() || std::thread::panicking() {
            return;
        }
        let mut asked = self.asked.take();
        asked.sort_unstable();
        asked.dedup();
        for key in self.map.keys() {
            let name: &str = key.get_ref();
            if asked.contains(&name) {
                continue;
            }
            let remedy = match nearest(name, asked.iter().copied()) {
                Some(near) => format!("did you mean {near:?}?"),
                None => format!("keys here are {}", asked.join(", ")),
            };
            let place = self.doc.place(key.span().start, self.join(name));
            self.doc.report(&place, "there is no such key", remedy);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Span, Volts};

    /// Reads `text` with `read` and gives the messages.
    fn messages(text: &str, read: impl FnOnce(&Table<'_>)) -> Vec<String> {
        let doc = match Document::parse(text, "f") {
            Ok(doc) => doc,
            Err(problems) => return problems.iter().map(Problem::to_string).collect(),
        };
        read(&doc.root());
        doc.finish(Some(())).err().unwrap_or_default().iter().map(Problem::to_string).collect()
    }

    #[test]
    fn every_problem_of_a_file_is_told_at_once_in_file_order() {
        let text = "volts = 5\nname = 3\n[sub]\nport = ''\nprot = 'x'\n";
        let said = messages(text, |t| {
            if let Some(sub) = t.need("sub").table() {
                let _ = (sub.need("port").text(), sub.need("baud").integer(1..=9));
            }
            let _ = (t.need("name").text(), t.need("volts").quantity::<Volts>());
        });
        assert_eq!(
            said,
            [
                "f:1:9 volts: 5 has no unit; write a number and one of V or mV, in quotes",
                "f:2:8 name: 3 is a whole number; write text in quotes",
                "f:3:1 sub.baud: is missing; write a whole number from 1 to 9",
                "f:4:8 sub.port: is blank; write text in quotes",
                "f:5:1 sub.prot: there is no such key; did you mean \"port\"?",
            ]
        );
    }

    #[test]
    fn broken_toml_is_told_line_by_line_and_nothing_is_guessed_from_it() {
        let said = messages("a = 'x\nb = 1\nb = 2\nc = \n", |_| panic!("a broken file was read"));
        assert!(said.len() >= 3, "{said:?}");
        assert!(said.iter().all(|m| m.contains(": not TOML: ")), "{said:?}");
        assert!(said[0].starts_with("f:1:"), "{said:?}");
        assert!(said.last().unwrap().starts_with("f:4:"), "{said:?}");
    }

    #[test]
    fn nan_infinity_overflow_and_the_wrong_dimension_are_refused() {
        let text =
            "a = nan\nb = 'nan V'\nc = '1e300 V'\nd = '3 A'\ne = inf\nf = 99999999999999999999\ng = '-1 V'\n";
        let said = messages(text, |t| {
            let _ = t.need("a").number(0.0..=1.0);
            let _ = t.need("b").quantity::<Volts>();
            let _ = t.need("c").quantity::<Volts>();
            let _ = t.need("d").quantity::<Volts>();
            let _ = t.need("e").number(0.0..=1.0);
            let _ = t.need("f").integer(0..=10);
            let _ = t.need("g").positive::<Volts>();
        });
        assert_eq!(said.len(), 7, "{said:#?}");
        assert_eq!(said[0], "f:1:5 a: nan is not a number from 0 to 1; write a number from 0 to 1");
        assert!(said[3].contains("\"3 A\" is a current, not a voltage; write a number and one of V or mV"));
    }

    #[test]
    fn columns_count_letters_not_bytes() {
        let said = messages("\"größe\" = 1", |_| {});
        assert_eq!(said, ["f:1:1 größe: there is no such key; keys here are "]);
        let said = messages("a = 'µµ'  # x\nb = { c = 'µ', d = 1 }\n", |t| {
            let _ = t.need("a").text();
            if let Some(b) = t.need("b").table() {
                let _ = (b.need("c").text(), b.need("d").text());
            }
        });
        assert_eq!(said, ["f:2:20 b.d: 1 is a whole number; write text in quotes"]);
    }

    #[test]
    fn tables_of_a_list_keep_their_own_places() {
        let text = "[[s]]\nn = 'a'\n\n[[s]]\n";
        let said = messages(text, |t| {
            for s in t.need("s").tables() {
                let _ = s.need("n").text();
            }
        });
        assert_eq!(said, ["f:4:1 s.n: is missing; write text in quotes"]);
    }

    #[test]
    fn one_of_wants_exactly_one_table() {
        let read = |t: &Table<'_>| {
            let _ = t.one_of(&["scpi", "line"]).map(|(_, t)| t.may("x").text());
        };
        assert_eq!(messages("[line]\nx='1'", read), Vec::<String>::new());
        assert_eq!(messages("", read).len(), 1);
        assert_eq!(
            messages("[line]\n[scpi]\n", read),
            ["f:1:1 line: more than one of [scpi] or [line]; keep exactly one of these tables"]
        );
        assert_eq!(messages("line = 1", read).len(), 1);
    }

    #[test]
    fn bounds_are_named_in_the_message() {
        let said = messages("t = '20 ms'", |t| {
            let _ = t.need("t").within(Span::new(0.05), Span::new(10.0));
        });
        assert_eq!(said, ["f:1:5 t: '20 ms' is below 0.05 s; write 0.05 s to 10 s"]);
    }
}
