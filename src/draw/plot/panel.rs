//! Panels above each other on one time axis; bars; a trend.

use super::sheet::{FINE, Ink, Sheet, TEXT};
use super::{Bar, Mark, Paper, Point, escape};
use plotters::coord::Shift;
use plotters::coord::ranged1d::Ranged;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters_backend::text_anchor::{HPos, Pos, VPos};
use std::convert::Infallible;

/// Of bars and trends, in the picture's units.
const HEIGHT: u32 = 200;
/// Room left of the plot for the figures of the scale, right of it, and for the caption above.
const LEFT: i32 = 46;
const RIGHT: i32 = 10;
const CAPTION: i32 = 20;
/// Room below the last panel for the time.
const BELOW: i32 = 34;
/// Lines of the grid across a panel, at most.
const GRID: usize = 5;

/// Room for so many bars at least: one by itself is no wall.
const FEW: usize = 7;

impl Paper {
    /// In the picture's units.
    fn width(self) -> u32 {
        match self {
            Paper::Page => 720,
            Paper::Phone | Paper::Half => 380,
        }
    }

    /// Of each panel.
    fn height(self) -> u32 {
        if self == Paper::Half { 84 } else { 112 }
    }

    /// Figures that the time axis has room for.
    fn times(self) -> usize {
        if self == Paper::Page { 9 } else { 5 }
    }
}

type Drawn = Result<(), DrawingAreaErrorKind<Infallible>>;
type Area<'a> = DrawingArea<Sheet<'a>, Shift>;

/// Least and most of a scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale(pub f64, pub f64);

impl Scale {
    /// From zero to a little above.
    pub fn from_zero(top: f64) -> Scale {
        Scale(0.0, if top > 0.0 { top * 1.08 } else { 1.0 })
    }

    /// Around the values.
    pub fn around(points: &[(f64, f64)]) -> Scale {
        let (least, most) = points.iter().fold((f64::MAX, f64::MIN), |(a, b), (_, v)| (a.min(*v), b.max(*v)));
        if least > most {
            return Scale(0.0, 1.0);
        }
        let room = ((most - least) * 0.15).max(most.abs() * 0.01).max(1e-9);
        Scale(least - room, most + room)
    }
}

/// One line of a panel, in the stretches that were seen.
#[derive(Clone, Debug)]
pub(super) struct Trace {
    name: String,
    ink: Ink,
    parts: Vec<Vec<(f64, f64)>>,
}

impl Trace {
    pub fn new(name: impl Into<String>, ink: Ink, parts: Vec<Vec<(f64, f64)>>) -> Trace {
        Trace { name: name.into(), ink, parts }
    }

    /// From its least to its greatest value in that time, the one that it came in with among them.
    fn range(&self, from: f64, to: f64) -> Option<(f64, f64)> {
        let all = || self.parts.iter().flatten();
        let before = all().rfind(|p| p.0 < from);
        let seen = before.into_iter().chain(all().filter(|p| (from..=to).contains(&p.0))).map(|p| p.1);
        seen.fold(None, |range, v| {
            range.map_or(Some((v, v)), |(a, b): (f64, f64)| Some((a.min(v), b.max(v))))
        })
    }
}

/// One quantity.
#[derive(Clone, Debug)]
pub(super) struct Panel {
    pub name: String,
    unit: &'static str,
    scale: Scale,
    traces: Vec<Trace>,
}

impl Panel {
    pub fn new(name: &str, unit: &'static str, scale: Scale, traces: Vec<Trace>) -> Panel {
        Panel { name: name.into(), unit, scale, traces }
    }
}

/// All that stands in a plot over time.
pub(super) struct Picture<'a> {
    pub paper: Paper,
    pub title: &'a str,
    pub description: &'a str,
    pub panels: &'a [Panel],
    pub shades: &'a [(f64, f64, Ink)],
    pub marks: &'a [Mark],
    /// End of the time axis, s.
    pub end: f64,
}

/// A time for people.
pub(super) fn span(seconds: f64) -> String {
    match seconds {
        s if s < 180.0 => format!("{s:.0} s"),
        s if s < 10_800.0 => format!("{:.1} min", s / 60.0),
        s => format!("{:.2} h", s / 3_600.0),
    }
}

/// The panels under each other.
pub(super) fn stack(picture: &Picture<'_>) -> String {
    let count = u32::try_from(picture.panels.len()).unwrap_or(1);
    let high = picture.paper.height();
    let height = high * count + BELOW.unsigned_abs();
    let each = i32::try_from(high).unwrap_or(0);
    paper(picture.title, picture.description, (picture.paper.width(), height), |area| {
        let mut rest = area.clone();
        for (k, panel) in picture.panels.iter().enumerate() {
            let last = k + 1 == picture.panels.len();
            let (this, below) =
                rest.split_vertically(if last { each * FINE + BELOW * FINE } else { each * FINE });
            over_time(&this, panel, picture, k == 0, last)?;
            rest = below;
        }
        Ok(())
    })
}

fn over_time(area: &Area<'_>, panel: &Panel, picture: &Picture<'_>, first: bool, last: bool) -> Drawn {
    let (per, unit) = match picture.end {
        s if s < 180.0 => (1.0, "s"),
        s if s < 10_800.0 => (60.0, "min"),
        _ => (3_600.0, "h"),
    };
    let Scale(least, most) = panel.scale;
    let end = picture.end / per;
    let mut chart = ChartBuilder::on(area)
        .margin_top(CAPTION * FINE)
        .margin_right(RIGHT * FINE)
        .margin_bottom(if last { 16 * FINE } else { 2 * FINE })
        .x_label_area_size(if last { 18 * FINE } else { 0 })
        .y_label_area_size(LEFT * FINE)
        .build_cartesian_2d(0.0..end, least..most)?;
    for (from, to, ink) in picture.shades {
        chart.draw_series([Rectangle::new([(from / per, least), (to / per, most)], ink.area())])?;
    }
    chart
        .configure_mesh()
        .max_light_lines(0)
        .bold_line_style(Ink::Grid.line())
        .axis_style(Ink::Axis.line())
        .label_style(Ink::Text.text())
        .x_labels(picture.paper.times())
        .y_labels(GRID)
        .x_label_formatter(&|v| figure(*v))
        .y_label_formatter(&|v| figure(*v))
        .set_all_tick_mark_size(3 * FINE)
        .draw()?;
    for mark in picture.marks {
        let at = mark.seconds / per;
        chart.draw_series([PathElement::new([(at, least), (at, most)], Ink::Alarm.line())])?;
    }
    for trace in &panel.traces {
        for part in &trace.parts {
            let line = part.iter().map(|(t, v)| (t / per, *v));
            match part.as_slice() {
                // A reading alone between two gaps is a dot.
                [_] => drop(chart.draw_series(line.map(|p| Circle::new(p, FINE, trace.ink.area())))?),
                _ => drop(chart.draw_series(LineSeries::new(line, trace.ink.line()))?),
            }
        }
    }
    let x_of = |at: f64| chart.as_coord_spec().translate(&(at, least)).0;
    let (x0, y0) = area.get_base_pixel();
    let over = (CAPTION + 1) * FINE;
    let y_of = |value: f64| chart.as_coord_spec().translate(&(0.0, value)).1 - y0 - TEXT * FINE / 2;
    // Half a letter's height, and a little.
    let high = chart.as_coord_spec().get_y_axis_pixel_range();
    let room =
        (most - least) * f64::from(TEXT * FINE) * 0.6 / f64::from((high.end - high.start).abs().max(1));
    let placed: Vec<(i32, i32, String)> = if first {
        let shade = |(from, to, ink): &(f64, f64, Ink)| {
            let word = if *ink == Ink::Held { "held" } else { "turn" };
            let taken: Vec<_> = panel.traces.iter().filter_map(|t| t.range(*from, *to)).collect();
            (x_of((from + to) / 2.0 / per), y_of(free(panel.scale, &taken, room)), word.to_owned())
        };
        let numbers = picture.marks.iter().map(|m| (x_of(m.seconds / per), over, format!("▾{}", m.number)));
        picture.shades.iter().map(shade).chain(numbers).collect()
    } else {
        Vec::new()
    };
    caption(area, &format!("{} ({})", panel.name, panel.unit), &panel.traces)?;
    let mut taken: Vec<i32> = Vec::new();
    for (x, y, text) in placed {
        // Marks that would stand on each other: the first is enough, the table beside the plot has them all.
        if taken.iter().all(|t| (t - x).abs() > 16 * FINE) {
            taken.push(x);
            let style = Ink::Text.text().pos(Pos::new(HPos::Center, VPos::Top));
            area.draw_text(&text, &style, (x - x0, y))?;
        }
    }
    if last {
        let (width, height) = area.dim_in_pixel();
        let at =
            (i32::try_from(width).unwrap_or(0) - RIGHT * FINE, i32::try_from(height).unwrap_or(0) - 2 * FINE);
        let style = Ink::Text.text().pos(Pos::new(HPos::Right, VPos::Bottom));
        area.draw_text(&format!("time since the start ({unit})"), &style, at)?;
    }
    Ok(())
}

/// Where a word that needs so much room either way is struck through by nothing: the middle between two lines of the grid,
/// in the gap next to the middle of the scale that is clear of those ranges; where none is, the place furthest from them.
fn free(Scale(least, most): Scale, taken: &[(f64, f64)], room: f64) -> f64 {
    let mut grid = RangedCoordf64::from(least..most).key_points(GRID);
    grid.retain(|v| (least..=most).contains(v));
    // What is left above the last line of the grid is mostly too narrow for a word.
    grid.extend(grid.last().copied().filter(|last| most - last >= room * 2.0).map(|_| most));
    let to = |at: f64, (low, high): (f64, f64)| (low - at).max(at - high).max(0.0);
    let far = |at: f64| taken.iter().map(|range| to(at, *range)).fold(f64::MAX, f64::min);
    let off = |at: f64| (at - (least + most) / 2.0).abs();
    let gaps: Vec<f64> = grid.windows(2).map(|w| (w[0] + w[1]) / 2.0).collect();
    let clear = gaps.iter().copied().filter(|at| far(*at) >= room);
    let best = clear.min_by(|a, b| off(*a).total_cmp(&off(*b)));
    // Before a trace strikes it through, a line of the grid may.
    let ends: Vec<f64> = taken.iter().flat_map(|(low, high)| [*low, *high]).chain([least, most]).collect();
    let middles = ends.iter().flat_map(|a| ends.iter().map(move |b| (a + b) / 2.0));
    best.or_else(|| middles.chain(gaps).max_by(|a, b| far(*a).total_cmp(&far(*b))))
        .unwrap_or((least + most) / 2.0)
}

/// The name of the panel, then each trace with a piece of its line.
fn caption(area: &Area<'_>, name: &str, traces: &[Trace]) -> Drawn {
    let letter = TEXT * FINE * 55 / 100;
    let wide = |text: &str| i32::try_from(text.chars().count()).unwrap_or(0) * letter;
    let style = Ink::Text.text().pos(Pos::new(HPos::Left, VPos::Center));
    let middle = 10 * FINE;
    let mut x = LEFT * FINE;
    area.draw_text(name, &style, (x, middle))?;
    x += wide(name) + 16 * FINE;
    for trace in traces {
        if !trace.parts.is_empty() {
            area.draw(&PathElement::new([(x, middle), (x + 22 * FINE, middle)], trace.ink.line()))?;
            x += 26 * FINE;
        }
        area.draw_text(&trace.name, &style, (x, middle))?;
        x += wide(&trace.name) + 14 * FINE;
    }
    Ok(())
}

/// Bars with their labels below.
pub(super) fn bars(title: &str, unit: &str, bars: &[Bar], sheet: Paper) -> String {
    let width = sheet.width();
    let top = bars.iter().map(|b| b.value).filter(|v| v.is_finite()).fold(0.0, f64::max);
    let all = bars.iter().map(|b| format!("{}: {} {unit}", b.label, figure(b.value))).collect::<Vec<_>>();
    let description = if bars.is_empty() { "There is nothing to show.".into() } else { all.join("; ") };
    let Scale(least, most) = Scale::from_zero(top);
    paper(title, &description, (width, HEIGHT), |area| {
        let mut chart = ChartBuilder::on(area)
            .margin_top(CAPTION * FINE)
            .margin_right(RIGHT * FINE)
            .x_label_area_size(22 * FINE)
            .y_label_area_size(LEFT * FINE)
            .build_cartesian_2d(0.0..(bars.len().max(FEW) as f64), least..most)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .max_light_lines(0)
            .bold_line_style(Ink::Grid.line())
            .axis_style(Ink::Axis.line())
            .label_style(Ink::Text.text())
            .x_labels(0)
            .y_labels(5)
            .y_label_formatter(&|v| figure(*v))
            .set_all_tick_mark_size(3 * FINE)
            .draw()?;
        chart.draw_series(bars.iter().enumerate().map(|(k, bar)| {
            let x = k as f64;
            Rectangle::new([(x + 0.15, 0.0), (x + 0.85, bar.value.max(0.0))], Ink::Bar.area())
        }))?;
        caption(area, &format!("{title} ({unit})"), &[])?;
        // As many labels as have room.
        let longest = bars.iter().map(|b| b.label.chars().count()).max().unwrap_or(1);
        let room = (width as usize - 60) / (longest * 7 + 8);
        let every = bars.len().div_ceil(room.max(1)).max(1);
        let style = Ink::Text.text().pos(Pos::new(HPos::Center, VPos::Top));
        for (k, bar) in bars.iter().enumerate().step_by(every) {
            let (x, y) = chart.as_coord_spec().translate(&(k as f64 + 0.5, 0.0));
            area.draw_text(&bar.label, &style, (x, y + 5 * FINE))?;
        }
        Ok(())
    })
}

/// Points in time, joined, with the window they should stay in.
pub(super) fn trend(title: &str, unit: &str, points: &[Point], window: Option<(f64, f64)>) -> String {
    let placed: Vec<(f64, f64)> = points
        .iter()
        .filter_map(|p| Some((day_number(&p.day)?, p.value)))
        .filter(|p| p.1.is_finite())
        .collect();
    let mut description = points
        .iter()
        .map(|p| format!("{}: {} {unit}", p.day, figure(p.value)))
        .collect::<Vec<_>>()
        .join("; ");
    if let Some((low, high)) = window {
        description += &format!(". The window is {} to {} {unit}.", figure(low), figure(high));
    }
    let edges = window.map_or(Vec::new(), |(low, high)| vec![(0.0, low), (0.0, high)]);
    let Scale(least, most) = Scale::around(&[placed.clone(), edges].concat());
    let (first, last) = match (placed.first(), placed.last()) {
        (Some(a), Some(b)) if b.0 > a.0 => (a.0, b.0),
        (Some(a), _) => (a.0 - 1.0, a.0 + 1.0),
        _ => (0.0, 1.0),
    };
    paper(title, &description, (Paper::Page.width(), HEIGHT), |area| {
        let mut chart = ChartBuilder::on(area)
            .margin_top(CAPTION * FINE)
            .margin_right(40 * FINE)
            .x_label_area_size(22 * FINE)
            .y_label_area_size(LEFT * FINE)
            .build_cartesian_2d(first..last, least..most)?;
        chart
            .configure_mesh()
            .max_light_lines(0)
            .bold_line_style(Ink::Grid.line())
            .axis_style(Ink::Axis.line())
            .label_style(Ink::Text.text())
            .x_labels(6)
            .y_labels(5)
            .x_label_formatter(&|v| day_name(*v))
            .y_label_formatter(&|v| figure(*v))
            .set_all_tick_mark_size(3 * FINE)
            .draw()?;
        for edge in window.iter().flat_map(|(low, high)| [*low, *high]) {
            chart.draw_series([PathElement::new([(first, edge), (last, edge)], Ink::Window.line())])?;
        }
        chart.draw_series(LineSeries::new(placed.iter().copied(), Ink::Value.line()))?;
        chart.draw_series(placed.iter().map(|p| Circle::new(*p, 2 * FINE + 5, Ink::Value.area())))?;
        caption(area, &format!("{title} ({unit})"), &[])
    })
}

/// The frame that every plot has. Drawing into a string cannot fail; what the library cannot draw is said instead.
fn paper(
    title: &str,
    description: &str,
    (width, height): (u32, u32),
    draw: impl FnOnce(&Area<'_>) -> Drawn,
) -> String {
    let mut body = String::new();
    let drawn = {
        let area = Sheet::new(&mut body, width, height).into_drawing_area();
        draw(&area).and_then(|()| area.present())
    };
    if drawn.is_err() {
        body =
            "<text class=\"tp-text\" x=\"10\" y=\"20\" fill=\"currentColor\">cannot be drawn</text>".into();
    }
    let (title, description) = (escape(title), escape(description));
    format!(
        "<svg class=\"tplot\" xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"100%\" \
         role=\"img\" aria-label=\"{title}\" font-family=\"system-ui, sans-serif\">\n<title>{title}</title>\n\
         <desc>{description}</desc>\n{body}</svg>\n"
    )
}

/// A figure of a scale: no more digits than it has.
fn figure(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// Days since 1970-01-01 of `YYYY-MM-DD…` (proleptic Gregorian calendar).
fn day_number(day: &str) -> Option<f64> {
    let mut parts = day.get(..10)?.split('-');
    let (y, m, d): (i64, i64, i64) =
        (parts.next()?.parse().ok()?, parts.next()?.parse().ok()?, parts.next()?.parse().ok()?);
    if !(1..=12).contains(&m) || !(1..=31).contains(&d) {
        return None;
    }
    // Years begin in March, so that the leap day is the last of its year.
    let (y, m) = if m <= 2 { (y - 1, m + 9) } else { (y, m - 3) };
    let era = y.div_euclid(400);
    let of_era = y.rem_euclid(400);
    let days = of_era * 365 + of_era / 4 - of_era / 100 + (153 * m + 2) / 5 + d - 1;
    Some((era * 146_097 + days - 719_468) as f64)
}

/// The other way round.
fn day_name(number: f64) -> String {
    let days = number.floor() as i64 + 719_468;
    let era = days.div_euclid(146_097);
    let of_era = days.rem_euclid(146_097);
    let year = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month + 2) / 5 + 1;
    let (month, year) = if month < 10 { (month + 3, year) } else { (month - 9, year + 1) };
    format!("{:04}-{month:02}-{day:02}", year + era * 400)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_go_there_and_back_over_leap_years() {
        // 2000-03-01 is 11,017 days after 1970-01-01: 30 years of 365, 8 leap days (1972 to 2000), 59 days into 2000 less
        // the leap day counted.
        assert_eq!(day_number("1970-01-01"), Some(0.0));
        assert_eq!(day_number("2000-03-01"), Some(11_017.0));
        for day in -100_000..100_000 {
            let name = day_name(f64::from(day));
            assert_eq!(day_number(&name), Some(f64::from(day)), "{name}");
        }
        assert_eq!(day_number("yesterday"), None);
    }

    #[test]
    fn word_over_a_held_time_is_not_struck_through_by_the_grid() {
        for top in [0.5, 1.0, 3.0, 4.8, 8.0, 12.0, 40.0] {
            let scale = Scale::from_zero(top);
            let at = free(scale, &[], (scale.1 - scale.0) * 0.08);
            let lines = RangedCoordf64::from(scale.0..scale.1).key_points(GRID);
            let near = lines.iter().map(|v| (v - at).abs()).fold(f64::MAX, f64::min);
            assert!(near > (scale.1 - scale.0) * 0.08, "{top}: {at} near {lines:?}");
        }
    }

    #[test]
    fn word_over_a_held_time_is_not_struck_through_by_the_ceiling() {
        for top in [3.0, 5.0, 8.0, 12.0] {
            let scale = Scale::from_zero(top);
            for tenth in 3..=10 {
                let ceiling = top * f64::from(tenth) / 10.0;
                let room = (scale.1 - scale.0) * 0.08;
                // Off in a turn: the volts fall from half of the ceiling to nothing on their way in.
                let volts = ceiling / 2.0;
                let at = free(scale, &[(0.0, volts), (ceiling, ceiling)], room);
                assert!((at - ceiling).abs() > room * 0.75 && at > volts, "{top}: {at} near {ceiling}");
            }
        }
    }

    #[test]
    fn figures_have_no_more_digits_than_they_need() {
        let said: Vec<_> = [0.0, -0.0001, 2.0, 0.25, 1200.0].map(figure).into();
        assert_eq!(said, ["0", "0", "2", "0.25", "1200"]);
    }
}
