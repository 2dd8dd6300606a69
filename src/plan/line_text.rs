//! A whole sheet's plan in words, for a terminal, paper or a screen.

use super::line::StepLimit;
use super::text::{Block, LABEL, Page};
use super::{LinePlan, LineStep, Todo};
use crate::process::Polarity;

impl LinePlan {
    /// For people: 80 columns, a line or two for each step, then what can hurt.
    pub fn text(&self) -> String {
        self.page().text
    }

    /// That text, and the same in its blocks, for a screen of any width.
    pub fn written(&self) -> (String, Vec<Block>) {
        let page = self.page();
        (page.text, page.blocks)
    }

    fn page(&self) -> Page {
        let u = self.units;
        let mut page = Page::default();
        page.line(&format!("SHEET  {}", self.title));
        page.row("sheet", &self.sheet);
        page.row("loads", &format!("{}; this is for the first", self.load_count));
        page.row("time", &format!("{} in tanks, rinsing and carrying not counted", self.time.show(u)));
        let charges: Vec<_> =
            self.charges.iter().map(|(tank, charge)| format!("{tank} {}", charge.show_in("A.min"))).collect();
        page.row("charge", &charges.join(", "));
        self.day.rows(u, self.load_count).iter().for_each(|(label, text)| page.row(label, text));
        page.head("Steps");
        for (number, step) in (1..).zip(&self.steps) {
            let label = format!("{number} {}", step.name);
            // A name that is wider than its column has a line of its own.
            if label.chars().count() >= LABEL {
                page.wide(&label, &self.told(step));
            } else {
                page.row(&label, &self.told(step));
            }
        }
        page.head("Warnings");
        self.warnings().iter().for_each(|w| page.item(w));
        page.head("Hazards");
        for step in &self.steps {
            step.hazards.iter().for_each(|h| page.item(&format!("{}: {h}", step.name)));
        }
        if !self.advice.is_empty() {
            page.head("Better");
            self.advice.iter().for_each(|f| page.item(&format!("{}; {}", f.explained(), f.remedy)));
        }
        page.head("Cautions");
        self.cautions.iter().for_each(|c| page.item(&c.text));
        page
    }

    /// What the operator should know of the plans of the steps; what is the same in several is said once.
    fn warnings(&self) -> Vec<String> {
        let mut all: Vec<(&str, Vec<&str>)> = Vec::new();
        for step in &self.steps {
            let Todo::Powered { plan, .. } = &step.todo else { continue };
            for warning in &plan.worksheet.warnings {
                match all.iter_mut().find(|(text, _)| text == warning) {
                    Some((_, names)) => names.push(&step.name),
                    None => all.push((warning, vec![&step.name])),
                }
            }
        }
        all.iter().map(|(text, names)| format!("{}: {text}", names.join(", "))).collect()
    }

    fn told(&self, step: &LineStep) -> String {
        let u = self.units;
        let tank = step.tank.as_deref().unwrap_or_default();
        let what = match &step.todo {
            Todo::Dip { time, most } => {
                let most = most.map_or(String::new(), |most| format!(", out by {}", most.show(u)));
                format!("dip in {tank} for {}{most}", time.show(u))
            }
            Todo::Powered { part, plan } => {
                let sheet = &plan.worksheet;
                let side = match part {
                    Polarity::Cathode => "the part is the cathode (-)",
                    Polarity::Anode => "the part is the ANODE (+): swap the leads",
                };
                let facing = step.anodes.as_ref().map_or(String::new(), |a| format!(", opposite: {a}"));
                let thick = sheet.thickness.map_or(String::new(), |t| format!(", {} mean", t.mean.show(u)));
                let turn = sheet.turn.as_ref().map_or(String::new(), |turn| format!(". Turn: {}", turn.say));
                let limit = step.limit.as_ref().map_or(String::new(), |limit| format!(". {}", limit.told()));
                format!(
                    "{tank}: {} for {}{thick}; {side}{facing}{turn}{limit}",
                    sheet.held,
                    sheet.time.show(u)
                )
            }
            Todo::Inspect { inspect, .. } => {
                format!(
                    "{} If not: back to {:?}, {} times at most.",
                    inspect.question, inspect.back_to, inspect.most
                )
            }
            Todo::Prompt { say, bake } => {
                let bake = bake.map_or(String::new(), |b| {
                    format!(
                        " Bake: {} for {}, begun within {}.",
                        b.temperature.show(u),
                        b.time.show(u),
                        b.within.show(u)
                    )
                });
                format!("{say}{bake}")
            }
        };
        let within = step.within.map_or(String::new(), |w| format!("within {}: ", w.show(u)));
        let rinse = match &step.rinse[..] {
            [] => String::new(),
            all => format!("; rinse: {}", all.join(", ")),
        };
        format!("{within}{what}{rinse}")
    }
}

impl StepLimit {
    /// Lifts that are told on the page; the others are in the JSON.
    const TOLD: usize = 3;

    fn told(&self) -> String {
        let lifts: Vec<_> = self.lifts.iter().take(Self::TOLD).map(|lift| lift.what.as_str()).collect();
        let lifts = match &lifts[..] {
            [] => String::new(),
            all => format!("; what would lift it: {}", all.join(", or ")),
        };
        match (&self.by, self.parts_at_once) {
            (Some(by), Some(parts)) => format!("At once: {parts}, limited by {by}{lifts}"),
            (Some(by), None) => format!("At once: limited by {by}{lifts}"),
            (None, Some(parts)) => format!("At once: all of it; {parts} would go"),
            (None, None) => "At once: all of it".into(),
        }
    }
}
