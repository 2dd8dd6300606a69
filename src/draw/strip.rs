//! A strip of volts and amperes over time as SVG, for the page.
//!
//! Not `plot`: that one draws for paper, at one width, with captions, legend and marks on a time axis that begins at
//! nothing. This one is drawn anew every few seconds for each screen, at that screen's own width in pixels so that its
//! figures stay legible on a phone, and its time axis counts back from now. One for both would be two with a switch.

use std::fmt::Write;

/// One instant: seconds, volts, amperes.
pub type Point = (f64, f64, f64);
/// Class, unit, what at most is a meter's noise, and what of an instant is drawn.
type Row = (&'static str, &'static str, f64, fn(&Point) -> f64);
/// Of noise alone the axis goes to ten times as much: it lies at the foot, and is not blown up to a curve.
const OVER_NOISE: f64 = 10.0;

/// Left of the panes, for the figures at their axes.
const LEFT: f64 = 52.0;
/// Right of the panes.
const RIGHT: f64 = 8.0;
/// Above each pane, for its heading.
const HEAD: f64 = 22.0;
/// Under both, for the times.
const FOOT: f64 = 22.0;
/// Between two lines of the grid at least, in pixels.
const LINE: f64 = 70.0;

/// Two panes one above the other, amperes and volts, oldest first; `width` and `height` in pixels.
/// Times count from `zero` seconds: with the newest instant as zero they read "-2 min" to "0 min".
/// No style attribute: colours come from the classes `amps`, `volts`, `axis`, or from the text's colour.
pub fn strip(points: &[Point], zero: f64, width: f64, height: f64) -> String {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" \
         height=\"{height:.0}\" font-size=\"13\" fill=\"currentColor\">"
    );
    let points: Vec<Point> =
        points.iter().copied().filter(|p| p.0.is_finite() && p.1.is_finite() && p.2.is_finite()).collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        svg.push_str("</svg>");
        return svg;
    };
    let (from, to) = (first.0, last.0.max(first.0 + 1.0));
    let pane = (height - FOOT) / 2.0;
    let x = |t: f64| LEFT + (width - LEFT - RIGHT) * (t - from) / (to - from);
    let rows: [Row; 2] = [("amps", "A", 0.01, |p| p.2), ("volts", "V", 0.1, |p| p.1)];
    for (row, (class, unit, noise, of)) in rows.iter().enumerate() {
        let most = points.iter().map(of).fold(0.0, f64::max);
        let top = if most <= *noise { noise * OVER_NOISE } else { round_up(most) };
        let (above, below) = (row as f64 * pane + HEAD, (row as f64 + 1.0) * pane);
        let y = |v: f64| below - (below - above) * (v / top).clamp(0.0, 1.0);
        for share in [0.0, 0.5, 1.0] {
            let at = y(top * share);
            // Writing into a String cannot fail.
            let _ = write!(
                svg,
                "<path class=\"axis\" d=\"M{LEFT} {at:.1}H{:.1}\" stroke=\"currentColor\" stroke-opacity=\".25\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                width - RIGHT,
                LEFT - 6.0,
                at + 4.5,
                figure(top * share),
            );
        }
        let mut path = String::new();
        for (i, p) in points.iter().enumerate() {
            let _ = write!(path, "{}{:.1} {:.1}", if i == 0 { 'M' } else { 'L' }, x(p.0), y(of(p)));
        }
        let dash = if row == 1 { " stroke-dasharray=\"6 3\"" } else { "" };
        let _ = write!(
            svg,
            "<text x=\"{LEFT}\" y=\"{:.1}\">{unit}</text><path class=\"{class}\" d=\"{path}\" fill=\"none\" \
             stroke=\"currentColor\" stroke-width=\"2\" stroke-linejoin=\"round\"{dash}/>",
            above - 7.0,
        );
    }
    let most = ((width - LEFT - RIGHT) / LINE).floor().max(1.0);
    let (step, unit, size) = tick(to - from, most);
    let mut at = ((from - zero) / step).ceil() * step;
    while at <= to - zero + 1e-9 {
        let place = x(at + zero);
        let anchor = if place > width - RIGHT - 30.0 { "end" } else { "middle" };
        let _ = write!(
            svg,
            "<text x=\"{place:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{} {unit}</text>",
            height - 5.0,
            figure(at / size),
        );
        at += step;
    }
    svg.push_str("</svg>");
    svg
}

/// The next of 1, 2, 5 times a power of ten; 1 for nothing.
fn round_up(value: f64) -> f64 {
    if value <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|n| n * power).find(|n| *n >= value * 0.999).unwrap_or(10.0 * power)
}

/// Seconds between two times under the strip, their unit, and its seconds.
fn tick(span: f64, most: f64) -> (f64, &'static str, f64) {
    const STEPS: [f64; 14] = [
        5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 18_000.0, 36_000.0,
    ];
    let step = STEPS.into_iter().find(|s| span / s <= most).unwrap_or(span / most);
    match step {
        s if s < 60.0 => (s, "s", 1.0),
        s if s < 3600.0 => (s, "min", 60.0),
        s => (s, "h", 3600.0),
    }
}

/// Three places at most, none too many.
fn figure(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.replace('-', "\u{2212}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn higher_current_is_never_drawn_lower() {
        let points: Vec<_> = (0..60).map(|i| (f64::from(i), 3.0, f64::from(i) / 10.0)).collect();
        let svg = strip(&points, 59.0, 600.0, 240.0);
        let path = svg.split("class=\"amps\" d=\"M").nth(1).unwrap().split('"').next().unwrap();
        let heights: Vec<f64> =
            path.split('L').map(|p| p.split_whitespace().nth(1).unwrap().parse().unwrap()).collect();
        assert_eq!(heights.len(), 60);
        assert!(heights.is_sorted_by(|a, b| a >= b), "{heights:?}");
        assert!(svg.contains(">\u{2212}50 s<") || svg.contains(">\u{2212}40 s<"), "{svg}");
    }

    #[test]
    fn noise_of_a_meter_at_rest_is_not_drawn_as_a_curve() {
        let points: Vec<_> = (0..60).map(|i| (f64::from(i), 0.3, f64::from(i % 2) / 1000.0)).collect();
        let svg = strip(&points, 59.0, 600.0, 240.0);
        assert!(svg.contains(">0.1<") && svg.contains(">0.05<") && !svg.contains(">0.001<"), "{svg}");
    }

    #[test]
    fn nothing_one_point_and_nan_make_a_picture_without_nan() {
        for points in [vec![], vec![(0.0, 1.0, 2.0)], vec![(0.0, f64::NAN, 1.0), (1.0, 0.0, 0.0)]] {
            let svg = strip(&points, 0.0, 300.0, 200.0);
            assert!(svg.starts_with("<svg") && svg.ends_with("</svg>") && !svg.contains("NaN"), "{svg}");
            assert!(!svg.contains("style="), "the page's policy takes none");
        }
    }
}
