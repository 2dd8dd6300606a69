//! Reads typed values out of TOML and keeps every problem with its place.

use super::problem::{Problem, place};
use std::collections::BTreeSet;
use std::ops::Range;
use std::str::FromStr;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Collects problems while values are taken out.
pub(super) struct Reader<'t> {
    text: &'t str,
    problems: Vec<(usize, Problem)>,
}

/// One table on its way to being read.
pub(super) struct Table<'d, 't> {
    path: String,
    start: usize,
    entries: &'d DeTable<'t>,
    taken: BTreeSet<&'static str>,
}

impl Table<'_, '_> {
    fn key(&self, key: &str) -> String {
        if self.path.is_empty() { key.into() } else { format!("{}.{key}", self.path) }
    }

    /// Whether the file has this key at all.
    pub fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }
}

impl<'t> Reader<'t> {
    pub fn new(text: &'t str) -> Self {
        Reader { text, problems: Vec::new() }
    }

    fn note(&mut self, at: usize, key: String, text: impl Into<String>) {
        let (line, column) = place(self.text, at);
        self.problems.push((at, Problem { line, column, key, text: text.into() }));
    }

    /// The value if nothing was wrong, else every problem in file order.
    pub fn finish<T>(mut self, value: Option<T>) -> Result<T, Vec<Problem>> {
        match value {
            Some(value) if self.problems.is_empty() => Ok(value),
            _ => {
                self.problems.sort_by_key(|(at, _)| *at);
                Err(self.problems.into_iter().map(|(_, problem)| problem).collect())
            }
        }
    }

    /// Reads the whole text.
    pub fn document<T>(
        &mut self,
        read: impl FnOnce(&mut Self, &mut Table<'_, '_>) -> Option<T>,
    ) -> Option<T> {
        let text = self.text;
        let (root, errors) = DeTable::parse_recoverable(text);
        let broken = !errors.is_empty();
        for error in errors {
            self.note(error.span().map_or(0, |s| s.start), String::new(), one_line(error.message()));
        }
        if broken {
            // What follows a syntax error would be told as missing or unknown; mend that first.
            return None;
        }
        let mut table =
            Table { path: String::new(), start: 0, entries: root.get_ref(), taken: BTreeSet::new() };
        let value = read(self, &mut table);
        self.unknown(&table);
        value
    }

    fn unknown(&mut self, table: &Table<'_, '_>) {
        for (key, _) in table.entries.iter() {
            let name: &str = key.get_ref();
            if table.taken.contains(name) {
                continue;
            }
            let nearest = table.taken.iter().min_by_key(|known| distance(name, known));
            let text = match nearest {
                Some(known) if distance(name, known) <= 2 => {
                    format!("is not a key here; did you mean \"{known}\"?")
                }
                _ => format!(
                    "is not a key here; what may stand here: {}",
                    table.taken.iter().copied().collect::<Vec<_>>().join(", ")
                ),
            };
            self.note(key.span().start, table.key(name), text);
        }
    }

    fn find<'d, 's>(
        &mut self,
        table: &mut Table<'d, 's>,
        key: &'static str,
    ) -> Option<&'d Spanned<DeValue<'s>>> {
        let found = self.look(table, key);
        if found.is_none() {
            self.note(table.start, table.key(key), "is missing");
        }
        found
    }

    fn look<'d, 's>(
        &mut self,
        table: &mut Table<'d, 's>,
        key: &'static str,
    ) -> Option<&'d Spanned<DeValue<'s>>> {
        table.taken.insert(key);
        table.entries.get(key)
    }

    /// A table that must be there.
    pub fn table<T>(
        &mut self,
        parent: &mut Table<'_, '_>,
        key: &'static str,
        read: impl FnOnce(&mut Self, &mut Table<'_, '_>) -> T,
    ) -> Option<T> {
        let value = self.find(parent, key)?;
        let path = parent.key(key);
        let DeValue::Table(entries) = value.get_ref() else {
            self.note(value.span().start, path, "is not a table");
            return None;
        };
        let mut table = Table { path, start: value.span().start, entries, taken: BTreeSet::new() };
        let read = read(self, &mut table);
        self.unknown(&table);
        Some(read)
    }

    /// A table that may be left out.
    pub fn table_if<T>(
        &mut self,
        parent: &mut Table<'_, '_>,
        key: &'static str,
        read: impl FnOnce(&mut Self, &mut Table<'_, '_>) -> T,
    ) -> Option<T> {
        self.look(parent, key)?;
        self.table(parent, key, read)
    }

    /// A text that must be there, with its place.
    pub fn spanned(
        &mut self,
        table: &mut Table<'_, '_>,
        key: &'static str,
    ) -> Option<(String, Range<usize>)> {
        let value = self.find(table, key)?;
        match value.get_ref() {
            DeValue::String(text) => Some((text.to_string(), value.span())),
            _ => {
                self.note(value.span().start, table.key(key), "is not a text; put it in quotes");
                None
            }
        }
    }

    /// Where a key's value stands; the table's own place if it is not there.
    pub fn spanned_at(&self, table: &Table<'_, '_>, key: &str) -> usize {
        table.entries.get(key).map_or(table.start, |value| value.span().start)
    }

    /// A text that must be there.
    pub fn text(&mut self, table: &mut Table<'_, '_>, key: &'static str) -> Option<String> {
        self.spanned(table, key).map(|(text, _)| text)
    }

    /// Yes or no, must be there.
    pub fn flag(&mut self, table: &mut Table<'_, '_>, key: &'static str) -> Option<bool> {
        let value = self.find(table, key)?;
        match value.get_ref() {
            DeValue::Boolean(yes) => Some(*yes),
            _ => {
                self.note(value.span().start, table.key(key), "is neither true nor false");
                None
            }
        }
    }

    /// Yes or no, may be left out.
    pub fn flag_if(&mut self, table: &mut Table<'_, '_>, key: &'static str) -> Option<bool> {
        self.look(table, key)?;
        self.flag(table, key)
    }

    /// The number of a bit in a 16-bit register.
    pub fn bit(&mut self, table: &mut Table<'_, '_>, key: &'static str) -> Option<(u8, usize)> {
        let value = self.find(table, key)?;
        let at = value.span().start;
        let bit = match value.get_ref() {
            DeValue::Integer(n) => u8::from_str_radix(n.as_str(), n.radix()).ok(),
            _ => None,
        };
        if let Some(bit @ 0..=15) = bit {
            return Some((bit, at));
        }
        self.note(at, table.key(key), "is not the number of a bit; write 0 to 15");
        None
    }

    /// One of a few words.
    pub fn choice<T: Copy>(
        &mut self,
        table: &mut Table<'_, '_>,
        key: &'static str,
        choices: &[(&str, T)],
    ) -> Option<T> {
        let (text, span) = self.spanned(table, key)?;
        let found = choices.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
        if found.is_none() {
            let words: Vec<_> = choices.iter().map(|(word, _)| *word).collect();
            self.note(span.start, table.key(key), format!("{text:?} is none of {}", words.join(", ")));
        }
        found
    }

    /// A quantity with its unit.
    pub fn quantity<Q: FromStr<Err = crate::quantity::QuantityError>>(
        &mut self,
        table: &mut Table<'_, '_>,
        key: &'static str,
    ) -> Option<(Q, usize)> {
        let value = self.find(table, key)?;
        let at = value.span().start;
        let text = match value.get_ref() {
            DeValue::String(text) => text.to_string(),
            DeValue::Integer(n) => n.as_str().to_owned(),
            DeValue::Float(n) => n.as_str().to_owned(),
            _ => {
                self.note(at, table.key(key), "is not a number with a unit in quotes");
                return None;
            }
        };
        match text.parse() {
            Ok(quantity) => Some((quantity, at)),
            Err(error) => {
                self.note(at, table.key(key), error.to_string());
                None
            }
        }
    }

    /// Adds a problem of the caller's own at `at`.
    pub fn wrong(&mut self, table: &Table<'_, '_>, key: &str, at: usize, text: impl Into<String>) {
        self.note(at, table.key(key), text);
    }
}

fn one_line(message: &str) -> String {
    message.split('\n').map(str::trim).filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
}

/// Edits between two words (insert, drop, change, swap neighbours).
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut d = vec![vec![0; b.len() + 1]; a.len() + 1];
    for (i, row) in d.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in d[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let change = d[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            d[i][j] = change.min(d[i - 1][j] + 1).min(d[i][j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                d[i][j] = d[i][j].min(d[i - 2][j - 2] + 1);
            }
        }
    }
    d[a.len()][b.len()]
}
