//! Plots as SVG, by a charting library.
//!
//! What the room is for: one drawing code for record, page and API. What it may not know: where the numbers come from.
//!
//! Every plot is one `<svg class="tplot">` with a title and a description, no id and no style of its own: colours are
//! `currentColor`, traces differ by dashes, and a page restyles by class (`tp-volts`, `tp-ceiling`, `tp-amperes`,
//! `tp-setpoint`, `tp-charge`, `tp-bath`, `tp-other`, `tp-held`, `tp-turn`, `tp-alarm`, `tp-bar`, `tp-window`,
//! `tp-value`, `tp-axis`, `tp-grid`, `tp-text`). [`standalone`] adds what a file needs that is looked at by itself.

mod panel;
mod sheet;
mod thin;

use crate::ledger::{ReadingRow, StageRow};
use panel::{Panel, Picture, Scale, Trace};
use sheet::Ink;
use thin::{MOST_POINTS, gap, steps, stretches, thin};

/// A mark on the time axis, numbered as in the table beside the plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Since the run's start.
    pub seconds: f64,
    /// Its number, 1 and up.
    pub number: usize,
}

/// How wide a plot is looked at: letters keep their height, so that a narrow one has less beside each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paper {
    /// A page's width, or a screen's.
    Page,
    /// A phone's width, everything on it.
    Phone,
    /// Half a page's width, the least that tells how it went: volts and amperes.
    Half,
}

/// What [`run`] draws.
#[derive(Clone, Copy, Debug)]
pub struct RunPlot<'a> {
    /// What it is.
    pub title: &'a str,
    /// Readings, oldest first.
    pub readings: &'a [ReadingRow],
    /// Stages as they came; held and turn are shaded.
    pub stages: &'a [StageRow],
    /// Alarms.
    pub marks: &'a [Mark],
    /// How long the run took, s; for the end of the last stage.
    pub end: f64,
}

/// One run: volts, amperes with the setpoint, charge, temperature where it was known.
pub fn run(plot: &RunPlot<'_>, paper: Paper) -> String {
    let small = paper == Paper::Half;
    let times: Vec<f64> = plot.readings.iter().map(|r| r.seconds).collect();
    let gap = gap(&times);
    let end = times.last().copied().unwrap_or(0.0).max(plot.end).max(1.0);
    let pick = |value: fn(&ReadingRow) -> Option<f64>| -> Vec<(f64, f64)> {
        plot.readings.iter().filter_map(|r| Some((r.seconds, value(r)?))).collect()
    };
    let seen = |points: &[(f64, f64)]| -> Vec<Vec<(f64, f64)>> { share_out(stretches(points, gap)) };
    let volts = pick(|r| Some(r.volts));
    let ceiling: Vec<_> = pick(|r| r.ceiling_volts).into_iter().filter(|(_, v)| *v > 0.0).collect();
    let amps = pick(|r| Some(r.amperes));
    let setpoint = steps(&pick(|r| Some(r.setpoint_amperes)));
    let bath = pick(|r| r.bath_celsius);
    let charge = charge_of(plot.readings);

    let top = greatest(&volts);
    let ceiling_top = greatest(&ceiling);
    // A ceiling far above would press the volts flat.
    let shown = ceiling_top > 0.0 && ceiling_top <= 2.0 * top;
    let mut volt_traces = vec![Trace::new("measured", Ink::Volts, seen(&volts))];
    if shown {
        volt_traces.push(Trace::new("ceiling", Ink::Ceiling, vec![steps(&ceiling)]));
    } else if ceiling_top > 0.0 && !small {
        volt_traces.push(Trace::new(
            format!("ceiling {ceiling_top} V, above this scale"),
            Ink::Ceiling,
            vec![],
        ));
    }
    let total = charge.last().map_or(0.0, |c| c.1);
    // The trade's units: A·min for a run, A·h once there are some.
    let (per, unit) = if total < 7_200.0 { (60.0, "A·min") } else { (3_600.0, "A·h") };
    let charge: Vec<_> = charge.into_iter().map(|(t, q)| (t, q / per)).collect();
    let mut panels = vec![
        Panel::new(
            "volts",
            "V",
            Scale::from_zero(top.max(if shown { ceiling_top } else { 0.0 })),
            volt_traces,
        ),
        Panel::new(
            "amperes",
            "A",
            Scale::from_zero(greatest(&amps).max(greatest(&setpoint))),
            vec![
                Trace::new("measured", Ink::Amps, seen(&amps)),
                Trace::new("setpoint", Ink::Setpoint, vec![setpoint]),
            ],
        ),
        Panel::new(
            "charge",
            unit,
            Scale::from_zero(total / per),
            vec![Trace::new("by trapezoid over the readings", Ink::Charge, seen(&charge))],
        ),
    ];
    if !bath.is_empty() {
        panels.push(Panel::new(
            "bath",
            "°C",
            Scale::around(&bath),
            vec![Trace::new("temperature", Ink::Bath, seen(&bath))],
        ));
    }
    if small {
        panels.truncate(2);
    }
    let shades = shades(plot.stages, end);
    let mut description = format!(
        "{} over {}.",
        panels.iter().map(|p| p.name.as_str()).collect::<Vec<_>>().join(", "),
        panel::span(end)
    );
    for (from, to, ink) in &shades {
        let what = if *ink == Ink::Held { "Held" } else { "Turning" };
        description += &format!(" {what} from {} to {}.", panel::span(*from), panel::span(*to));
    }
    for mark in plot.marks {
        description += &format!(" Alarm {} at {}.", mark.number, panel::span(mark.seconds));
    }
    if plot.readings.is_empty() {
        description += " There are no readings.";
    }
    panel::stack(&Picture {
        paper,
        title: plot.title,
        description: &description,
        panels: &panels,
        shades: &shades,
        marks: plot.marks,
        end,
    })
}

/// One of two runs that are compared.
#[derive(Clone, Copy, Debug)]
pub struct Side<'a> {
    /// What it is called here.
    pub name: &'a str,
    /// Readings, oldest first.
    pub readings: &'a [ReadingRow],
}

/// Two runs over each other from their starts: volts and amperes.
pub fn compare(title: &str, first: Side<'_>, second: Side<'_>, paper: Paper) -> String {
    let pick = |side: Side<'_>, value: fn(&ReadingRow) -> f64| -> Vec<(f64, f64)> {
        side.readings.iter().map(|r| (r.seconds, value(r))).collect()
    };
    let end = [first, second].iter().filter_map(|s| Some(s.readings.last()?.seconds)).fold(1.0, f64::max);
    let both = |name: &str, unit: &'static str, ink: Ink, value: fn(&ReadingRow) -> f64| {
        let (a, b) = (pick(first, value), pick(second, value));
        let seen = |points: &[(f64, f64)]| {
            let times: Vec<f64> = points.iter().map(|p| p.0).collect();
            share_out(stretches(points, gap(&times)))
        };
        let scale = Scale::from_zero(greatest(&a).max(greatest(&b)));
        let traces =
            vec![Trace::new(first.name, ink, seen(&a)), Trace::new(second.name, Ink::Other, seen(&b))];
        Panel::new(name, unit, scale, traces)
    };
    let panels =
        [both("volts", "V", Ink::Volts, |r| r.volts), both("amperes", "A", Ink::Amps, |r| r.amperes)];
    let description = format!(
        "Volts and amperes of {} (whole line) and {} (dashes and dots) over {}.",
        first.name,
        second.name,
        panel::span(end)
    );
    panel::stack(&Picture {
        paper,
        title,
        description: &description,
        panels: &panels,
        shades: &[],
        marks: &[],
        end,
    })
}

/// One bar.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    /// The day or month.
    pub label: String,
    /// How much.
    pub value: f64,
}

/// Bars: what a tank worked per day or month, oldest first.
pub fn bars(title: &str, unit: &str, bars: &[Bar], paper: Paper) -> String {
    panel::bars(title, unit, bars, paper)
}

/// A value that a person measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// `YYYY-MM-DD`, more may follow.
    pub day: String,
    /// The value.
    pub value: f64,
}

/// A trend of analysis values, oldest first, with the window it should stay in.
pub fn trend(title: &str, unit: &str, points: &[Point], window: Option<(f64, f64)>) -> String {
    panel::trend(title, unit, points, window)
}

/// The charge so far at each reading, C: trapezoids between readings, nothing over a longer gap. The ledger's charge is
/// the exact one; this is its picture.
pub fn charge_of(readings: &[ReadingRow]) -> Vec<(f64, f64)> {
    let times: Vec<f64> = readings.iter().map(|r| r.seconds).collect();
    let gap = gap(&times);
    let mut so_far = 0.0;
    let mut line = Vec::with_capacity(readings.len());
    for (k, reading) in readings.iter().enumerate() {
        if let Some(before) = k.checked_sub(1).map(|b| &readings[b]) {
            let step = reading.seconds - before.seconds;
            if step <= gap {
                so_far += step * (reading.amperes + before.amperes) / 2.0;
            }
        }
        line.push((reading.seconds, so_far));
    }
    line
}

/// The same plot as a file by itself: with a ground, and dark where the reader likes it dark.
pub fn standalone(svg: &str) -> String {
    let style = "<style>.tplot{color:#222;background:#fff;font-family:system-ui,sans-serif}\
                 @media (prefers-color-scheme:dark){.tplot{color:#ddd;background:#16181a}}</style>";
    match svg.split_once('>') {
        Some((head, rest)) => format!("{head}>{style}{rest}"),
        None => svg.to_owned(),
    }
}

/// Text that may stand between tags and in quotes.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // XML has no room for these, not even escaped.
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

fn greatest(points: &[(f64, f64)]) -> f64 {
    points.iter().map(|p| p.1).filter(|v| v.is_finite()).fold(0.0, f64::max)
}

/// Each stretch gets its share of the points by its length.
fn share_out(parts: Vec<&[(f64, f64)]>) -> Vec<Vec<(f64, f64)>> {
    let all: usize = parts.iter().map(|p| p.len()).sum();
    parts.into_iter().map(|part| thin(part, (MOST_POINTS * part.len() / all.max(1)).max(4))).collect()
}

/// When the run was held or a part was turned: from, to, which.
fn shades(stages: &[StageRow], end: f64) -> Vec<(f64, f64, Ink)> {
    let mut shades = Vec::new();
    for (k, stage) in stages.iter().enumerate() {
        let ink = match (stage.state.as_str(), stage.phase.as_str()) {
            ("held", _) => Ink::Held,
            (_, "turn") => Ink::Turn,
            _ => continue,
        };
        let to = stages.get(k + 1).map_or(end, |next| next.seconds);
        if to > stage.seconds {
            shades.push((stage.seconds, to, ink));
        }
    }
    shades
}

#[cfg(test)]
pub(super) mod tests;
