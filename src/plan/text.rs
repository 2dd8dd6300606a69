//! The worksheet as text: 80 columns, one page.

use super::worksheet::{AtOnce, Bound, LoadRow, Target, Throughput, Worksheet};
use super::{Obstacle, own, warn};
use crate::deposit::OwnFigure;
use crate::quantity::{Area, Charge, Units};
use serde::Serialize;

const WIDTH: usize = 80;
pub(super) const LABEL: usize = 16;

impl Worksheet {
    /// For people: at most 80 columns, areas and thicknesses in both kinds of
    /// units, everything else in those the plan was made with.
    pub fn text(&self) -> String {
        self.page().text
    }

    /// That text, and the same in its blocks, for a screen of any width.
    pub fn written(&self) -> (String, Vec<Block>) {
        let page = self.page();
        (page.text, page.blocks)
    }

    fn page(&self) -> Page {
        let units = self.units;
        let mut page = Page::default();
        page.line(&format!("WORKSHEET  {}", self.title));
        page.row(
            "tank",
            &format!(
                "{} ({}), {} to {}, {}",
                self.tank,
                self.bath,
                self.temperature.0.show(units),
                self.temperature.1.show(units),
                warn::agitation(self.agitation)
            ),
        );
        page.head("Area");
        for part in &self.parts {
            // The exact short form reads back as a shape; shown rounded.
            let shape = part.shape.parse::<crate::part::Shape>();
            let shape = shape.map_or_else(|_| part.shape.clone(), |s| s.describe(units));
            let name = part.name.as_ref().map_or(String::new(), |name| format!("{name}: "));
            page.row(
                &format!("{} x", part.count),
                &format!("{name}{shape}, {} each, counted: {}", both(part.each), part.counted),
            );
        }
        if self.load_count > 1 {
            page.row("this load", &load_words(&self.loads[0], units));
        }
        page.row("parts", &both(self.parts_area));
        page.row("rack and tips", &format!("{} ({})", both(self.rack), self.rack_why));
        page.row("total", &both(self.area));

        page.head("Current");
        page.row("density", &format!("{} ({})", self.density.show(units), self.density_why));
        let (low, high) = self.window;
        let burn = match self.burn_density {
            Some(burn) if self.own_panel => {
                let made = self.panel.as_ref().map_or(String::new(), |panel| format!(" of {}", panel.made));
                format!("burns at about {} by this tank's own panel{made}", burn.show(units))
            }
            Some(burn) => format!("burns at about {}", burn.show(units)),
            None => "where it burns is not known".into(),
        };
        page.row("window", &format!("{} to {}", low.show(units), high.show(units)));
        page.row("at the edges", &format!("{}; {burn}", self.edge_density.show(units)));
        page.row("fastest safe", &format!("{}: {}", self.fastest.show(units), self.fastest_why));
        page.row("hold", &format!("{}, ramp {}", self.held, self.ramp.show(units)));

        page.head("Deposit");
        let faces = if self.faces > 1 { format!(", split over {} faces", self.faces) } else { String::new() };
        page.row("charge", &format!("{} = {}{faces}", self.charge.show_in("A.min"), amp_hours(self.charge)));
        page.row("time", &format!("{} with the ramp; limit {}", self.time, self.time_limit));
        if let Some(turn) = &self.turn {
            page.row("turn", &turn.say);
        }
        if let (Some(t), Some(e)) = (self.thickness, self.efficiency) {
            page.row(
                "thickness",
                &format!(
                    "{} ({}) mean; {} to {} for an efficiency of {} to {}{}",
                    t.mean.show(Units::Metric),
                    t.mean.show(Units::Us),
                    t.low.show(units),
                    t.high.show(units),
                    e.low,
                    e.high,
                    match self.own_efficiency.filter(OwnFigure::holds) {
                        Some(own) => format!(": this tank's own, {}", own::shown(&own)),
                        None => String::new(),
                    }
                ),
            );
        }
        if let Some(target) = &self.target {
            page.row("target", &asked(target));
        }
        if let (Some(mass), Some(metal)) = (self.mass, self.metal) {
            let worth = self.value.as_ref().map_or(String::new(), |v| {
                format!(", worth {} ({} for all)", v.price.show(v.first_load), v.price.show(v.all))
            });
            page.row(
                "metal",
                &format!("{} of {metal}, rack and tips included{worth}", mass.show(Units::Metric)),
            );
        }
        let usual = self.energy_usual.map_or(String::new(), |e| format!("about {}, ", e.show(units)));
        page.row("energy", &format!("{usual}at most {}", self.energy_at_most.show(units)));

        page.head("At once");
        for row in &self.at_once {
            page.row(bound(row.bound), &at_once(row, units));
        }
        if self.load_count == 1 {
            page.row("loads", "1: all of it hangs at once");
        } else {
            let rows: Vec<_> =
                self.loads.iter().map(|row| format!("{} of {}", row.loads, load_words(row, units))).collect();
            page.row("loads", &format!("{}: {}; this is the first", self.load_count, rows.join("; then ")));
        }

        for (label, text) in day(&self.throughput, self.load_count, units) {
            page.row(label, &text);
        }

        if let Some(target) = self.target.as_ref().filter(|t| !t.checks.is_empty()) {
            page.head("Checks");
            target.checks.iter().for_each(|c| page.item(c));
        }
        page.head("Warnings");
        self.warnings.iter().for_each(|w| page.item(w));
        page.head("Cautions");
        self.cautions.iter().for_each(|c| page.item(&c.text));
        page
    }
}

/// Obstacles for people, one line each.
impl Obstacle {
    /// All of them.
    pub fn text(all: &[Obstacle]) -> String {
        all.iter().map(|o| format!("{o}\n")).collect()
    }
}

/// The minimum and the mean that it takes.
fn asked(target: &Target) -> String {
    let class = target.standard.map_or(String::new(), |standard| {
        let memory = if target.from_memory { ", figure from memory: check it" } else { "" };
        format!(" ({standard}{memory})")
    });
    format!(
        "at least {} ({}) where it is thinnest{class}; mean {} times that, {}",
        target.minimum.show(Units::Metric),
        target.minimum.show(Units::Us),
        target.ratio,
        // What could be done about it is in the JSON; the page is one page.
        target.ratio_why.split([',', ':']).next().unwrap_or_default()
    )
}

/// The day's rows.
fn day(t: &Throughput, loads: u32, units: Units) -> Vec<(&'static str, String)> {
    let given = if t.day_given { "" } else { ", from memory" };
    let mut rows = vec![(
        "in a day",
        format!(
            "{}, {} between (day of {}{given}); {} for all",
            match t.loads_per_day {
                0 => "not one load".into(),
                1 => "1 load".into(),
                n => format!("up to {n} loads"),
            },
            t.day.between_loads.show(units),
            t.day.hours.show(units),
            t.all.show(units)
        ),
    )];
    if loads > 1 {
        // The others are in the JSON: the page is one page.
        let lift =
            t.lifts.first().map_or(String::new(), |l| format!("; {:.1} times that with {}", l.gain, l.what));
        rows.push(("limit", format!("{}, {:.0} parts an hour{lift}", t.limit, t.parts_per_hour)));
    }
    rows
}

fn both(area: Area) -> String {
    format!("{} ({})", area.show(Units::Metric), area.show(Units::Us))
}

fn amp_hours(charge: Charge) -> String {
    charge.show_in("A.h")
}

fn bound(bound: Bound) -> &'static str {
    match bound {
        Bound::Supply => "by the supply",
        Bound::Solution => "by the solution",
        Bound::Anodes => "by the anodes",
        Bound::Bar => "by the bar",
    }
}

fn at_once(row: &AtOnce, units: Units) -> String {
    match (row.area, row.parts) {
        (Some(area), Some(parts)) => {
            format!("{parts} of the largest part, {} in all ({})", area.show(units), row.why,)
        }
        _ => row.why.clone(),
    }
}

fn load_words(row: &LoadRow, units: Units) -> String {
    let parts: Vec<_> = row.parts.iter().map(|(name, n)| format!("{n} {name}")).collect();
    format!("{} ({}, {})", parts.join(" + "), row.area.show(units), row.current)
}

/// A part of a worksheet under one heading.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Block {
    /// Its heading; `None` of the first.
    pub head: Option<String>,
    /// Its lines, in order.
    pub lines: Vec<Line>,
}

/// A line of a worksheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Line {
    /// What it is about; `None` of an item in a list.
    pub label: Option<String>,
    /// What it says.
    pub text: String,
}

/// A page: as text of 80 columns, and in its blocks.
#[derive(Default)]
pub(super) struct Page {
    pub(super) text: String,
    pub(super) blocks: Vec<Block>,
}

impl Page {
    pub(super) fn line(&mut self, text: &str) {
        self.wrap("", "  ", text);
    }
    pub(super) fn head(&mut self, text: &str) {
        self.text.push_str(text);
        self.text.push('\n');
        self.blocks.push(Block { head: Some(text.into()), lines: Vec::new() });
    }
    pub(super) fn row(&mut self, label: &str, text: &str) {
        self.put(Some(label), text);
        self.wrap(&format!("  {label:<LABEL$}"), &" ".repeat(LABEL + 2), text);
    }
    /// A row whose label is wider than its column.
    pub(super) fn wide(&mut self, label: &str, text: &str) {
        self.put(Some(label), text);
        self.line(&format!("  {label}"));
        self.wrap(&" ".repeat(LABEL + 2), &" ".repeat(LABEL + 2), text);
    }
    pub(super) fn item(&mut self, text: &str) {
        self.put(None, text);
        self.wrap("  - ", "    ", text);
    }
    fn put(&mut self, label: Option<&str>, text: &str) {
        if self.blocks.is_empty() {
            self.blocks.push(Block::default());
        }
        if let Some(block) = self.blocks.last_mut() {
            block.lines.push(Line { label: label.map(Into::into), text: text.into() });
        }
    }
    /// Breaks between words so that no line is wider than the page; a number
    /// stays with its unit.
    fn wrap(&mut self, first: &str, next: &str, text: &str) {
        let mut line = first.to_owned();
        let mut bare = true;
        let words: Vec<&str> = text.split(' ').collect();
        let mut i = 0;
        while i < words.len() {
            let mut word = words[i].to_owned();
            let number = word.trim_start_matches('(').starts_with(|c: char| c.is_ascii_digit());
            let unit = words.get(i + 1).is_some_and(|w| w.chars().count() <= 7 && is_unit(w));
            if number && unit {
                i += 1;
                word = format!("{word} {}", words[i]);
            }
            let room = line.chars().count() + usize::from(!bare) + word.chars().count();
            if room > WIDTH && !bare {
                self.text.push_str(line.trim_end());
                self.text.push('\n');
                line = next.to_owned();
                bare = true;
            }
            if !bare {
                line.push(' ');
            }
            line.push_str(&word);
            bare = false;
            i += 1;
        }
        self.text.push_str(line.trim_end());
        self.text.push('\n');
    }
}

fn is_unit(word: &str) -> bool {
    let word = word.trim_end_matches([',', ';', '.', ':', ')']);
    [
        "A", "V", "s", "min", "h", "%", "g", "mg", "L", "gal", "mm", "µm", "in", "µin", "°C", "°F", "mA",
        "J", "Wh",
    ]
    .contains(&word)
        || word.contains('²')
        || word.contains('/')
        || word.contains('·')
}
