//! One key, read as some type.

use super::{Document, Place, Quantity, Table};
use crate::quantity::nearest;
use crate::quantity::parse::choices;
use std::ops::RangeInclusive;
use toml::Spanned;
use toml::de::DeValue;

/// One key of a table, present or not, about to be read as some type.
///
/// Every reader gives `None` if the key is absent (a problem only for
/// [`Table::need`]) or bad (always a problem).
#[derive(Debug)]
#[must_use = "asking for a key says nothing until it is read as something"]
pub struct Field<'d> {
    pub(super) doc: &'d Document<'d>,
    pub(super) node: Option<&'d Spanned<DeValue<'d>>>,
    pub(super) required: bool,
    pub(super) at: usize,
    pub(super) path: String,
}

impl<'d> Field<'d> {
    /// Text in quotes, not blank.
    pub fn text(&self) -> Option<String> {
        let wanted = "text in quotes";
        let text = match self.node(wanted)? {
            DeValue::String(text) => text,
            other => return self.wrong_kind(other, wanted),
        };
        if text.trim().is_empty() {
            let or = if self.required { "" } else { ", or leave the key out" };
            return self.bad("is blank", format!("write {wanted}{or}"));
        }
        Some(text.to_string())
    }

    /// A quantity with its unit, in quotes.
    pub fn quantity<Q: Quantity>(&self) -> Option<Q> {
        self.measure()
    }

    /// A quantity greater than none.
    pub fn positive<Q: Quantity>(&self) -> Option<Q> {
        let q: Q = self.measure()?;
        if q > Q::default() {
            return Some(q);
        }
        self.bad(format!("{} is not more than nothing", self.shown()), "write a value above zero")
    }

    /// A quantity that is none or more.
    pub fn not_negative<Q: Quantity>(&self) -> Option<Q> {
        let q: Q = self.measure()?;
        if q >= Q::default() {
            return Some(q);
        }
        self.bad(format!("{} is below zero", self.shown()), "write zero or more")
    }

    /// A quantity within bounds, both included.
    pub fn within<Q: Quantity>(&self, low: Q, high: Q) -> Option<Q> {
        let q: Q = self.measure()?;
        if (low..=high).contains(&q) {
            return Some(q);
        }
        let side = if q < low { "below" } else { "above" };
        let bound = if q < low { low } else { high };
        self.bad(format!("{} is {side} {bound}", self.shown()), format!("write {low} to {high}"))
    }

    /// A number without a unit: a ratio, a pH, a factor.
    pub fn number(&self, range: RangeInclusive<f64>) -> Option<f64> {
        let wanted = format!("a number from {} to {}", range.start(), range.end());
        let value = match self.node(&wanted)? {
            DeValue::Integer(n) => {
                i64::from_str_radix(n.as_str(), n.radix()).map_or(f64::NAN, |whole| whole as f64)
            }
            DeValue::Float(x) => x.as_str().parse().unwrap_or(f64::NAN),
            other => return self.wrong_kind(other, &wanted),
        };
        if range.contains(&value) {
            return Some(value);
        }
        self.bad(format!("{} is not {wanted}", self.shown()), format!("write {wanted}"))
    }

    /// A whole number.
    pub fn integer(&self, range: RangeInclusive<i64>) -> Option<i64> {
        let wanted = format!("a whole number from {} to {}", range.start(), range.end());
        let value = match self.node(&wanted)? {
            DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix()).ok(),
            other => return self.wrong_kind(other, &wanted),
        };
        if let Some(n) = value.filter(|n| range.contains(n)) {
            return Some(n);
        }
        self.bad(format!("{} is not {wanted}", self.shown()), format!("write {wanted}"))
    }

    /// `true` or `false`.
    pub fn flag(&self) -> Option<bool> {
        match self.node("true or false")? {
            DeValue::Boolean(b) => Some(*b),
            other => self.wrong_kind(other, "true or false"),
        }
    }

    /// One of a few words, each with what it means.
    pub fn choice<T: Clone>(&self, words: &[(&str, T)]) -> Option<T> {
        let list = words.iter().map(|(w, _)| format!("{w:?}")).collect::<Vec<_>>().join(", ");
        let wanted = format!("one of {list}");
        let text = match self.node(&wanted)? {
            DeValue::String(text) => text,
            other => return self.wrong_kind(other, &wanted),
        };
        if let Some((_, value)) = words.iter().find(|(w, _)| w == text) {
            return Some(value.clone());
        }
        let remedy = match nearest(text, words.iter().map(|(w, _)| *w)) {
            Some(near) => format!("did you mean {near:?}? It can be {list}"),
            None => format!("write {wanted}"),
        };
        self.bad(format!("{text:?} is not one of the choices"), remedy)
    }

    /// A list of texts, none blank.
    pub fn texts(&self) -> Option<Vec<String>> {
        let wanted = "a list of texts in quotes";
        let items = match self.node(wanted)? {
            DeValue::Array(items) => items,
            other => return self.wrong_kind(other, wanted),
        };
        let texts: Vec<_> = items.iter().map(|item| self.item(item).text()).collect();
        texts.into_iter().collect()
    }

    /// A list, each of its items to be read by itself.
    pub fn items(&self, wanted: &str) -> Option<Vec<Field<'d>>> {
        match self.node(wanted)? {
            DeValue::Array(items) => Some(items.iter().map(|item| self.item(item)).collect()),
            other => self.wrong_kind(other, wanted),
        }
    }

    /// A table.
    pub fn table(&self) -> Option<Table<'d>> {
        let wanted = format!("a table [{}]", self.path);
        match self.node(&wanted)? {
            DeValue::Table(map) => {
                let at = self.node.map_or(self.at, |n| n.span().start);
                Some(Table::new(self.doc, map, at, self.path.clone()))
            }
            other => self.wrong_kind(other, &wanted),
        }
    }

    /// Every table of a list `[[key]]`, in file order; empty if absent or bad.
    pub fn tables(&self) -> Vec<Table<'d>> {
        let wanted = format!("at least one table [[{}]]", self.path);
        match self.node(&wanted) {
            Some(DeValue::Array(items)) => items.iter().filter_map(|item| self.item(item).table()).collect(),
            Some(other) => {
                self.wrong_kind::<()>(other, &wanted);
                Vec::new()
            }
            None => Vec::new(),
        }
    }

    /// Whether the value is a table: for keys that take a table or a text.
    pub fn is_table(&self) -> bool {
        matches!(self.node.map(Spanned::get_ref), Some(DeValue::Table(_)))
    }

    /// Where it stands.
    pub fn place(&self) -> Place {
        self.doc.place(self.node.map_or(self.at, |n| n.span().start), self.path.clone())
    }

    /// Notes a problem here; gives `None` so that a reader can end with it.
    pub fn bad<T>(&self, wrong: impl Into<String>, remedy: impl Into<String>) -> Option<T> {
        self.doc.report(&self.place(), wrong, remedy);
        None
    }

    fn measure<Q: Quantity>(&self) -> Option<Q> {
        let choices = choices(Q::WANTED);
        let wanted = format!("{} in quotes: {choices}", Q::WANTED.word());
        match self.node(&wanted)? {
            DeValue::String(text) => match text.parse() {
                Ok(q) => Some(q),
                Err(e) => self.bad(e.wrong(), e.remedy()),
            },
            DeValue::Integer(_) | DeValue::Float(_) => {
                self.bad(format!("{} has no unit", self.shown()), format!("write {choices}, in quotes"))
            }
            other => self.wrong_kind(other, &wanted),
        }
    }

    fn node(&self, wanted: &str) -> Option<&'d DeValue<'d>> {
        if self.node.is_none() && self.required {
            return self.bad("is missing", format!("write {wanted}"));
        }
        self.node.map(Spanned::get_ref)
    }

    fn item(&self, node: &'d Spanned<DeValue<'d>>) -> Field<'d> {
        Field { doc: self.doc, node: Some(node), required: true, at: self.at, path: self.path.clone() }
    }

    fn wrong_kind<T>(&self, found: &DeValue<'_>, wanted: &str) -> Option<T> {
        let found = match found {
            DeValue::String(_) => format!("{} is text", self.shown()),
            DeValue::Integer(_) => format!("{} is a whole number", self.shown()),
            DeValue::Float(_) => format!("{} is a number", self.shown()),
            DeValue::Boolean(b) => format!("{b} is a yes or no"),
            DeValue::Datetime(_) => format!("{} is a date or time", self.shown()),
            DeValue::Array(_) => "this is a list".into(),
            DeValue::Table(_) => "this is a table".into(),
        };
        self.bad(found, format!("write {wanted}"))
    }

    /// The value as written.
    fn shown(&self) -> &'d str {
        self.node.and_then(|n| self.doc.text.get(n.span())).unwrap_or("")
    }
}
