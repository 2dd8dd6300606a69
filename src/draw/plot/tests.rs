//! What must hold of a plot.

use super::*;

fn reading(seconds: f64, volts: f64, amperes: f64) -> ReadingRow {
    ReadingRow {
        seconds,
        volts,
        amperes,
        setpoint_amperes: if seconds < 20.0 { 0.0 } else { 2.8 },
        ceiling_volts: Some(6.0),
        bath_celsius: Some(54.0 + seconds / 100.0),
    }
}

fn long() -> Vec<ReadingRow> {
    (0..12_000)
        .map(|k| {
            let t = f64::from(k) * 0.2;
            let mut r = reading(t, 3.2 + 0.02 * (t / 7.0).sin(), if t < 20.0 { t * 0.14 } else { 2.8 });
            if k == 7_001 {
                r.volts = 5.5;
            }
            r
        })
        .filter(|r| !(900.0..960.0).contains(&r.seconds))
        .collect()
}

fn stage(seconds: f64, state: &str, phase: &str) -> StageRow {
    StageRow { seconds, state: state.into(), phase: phase.into() }
}

/// Tags open and close in order, attributes are quoted: enough of XML to see a text that broke out.
pub(in crate::draw) fn well_formed(svg: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = svg;
    while let Some(at) = rest.find('<') {
        let end = at + rest[at..].find('>').expect("a tag that does not end");
        let tag = &rest[at + 1..end];
        assert!(!tag.contains('<'), "{tag}");
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        let name = tag.trim_start_matches('/').split([' ', '\n', '/']).next().unwrap();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name));
        } else if !tag.ends_with('/') && !["!doctype", "meta", "br"].contains(&name) {
            open.push(name);
        }
        rest = &rest[end + 1..];
    }
    assert!(open.is_empty(), "{open:?}");
}

fn picture(paper: Paper) -> String {
    let readings = long();
    let plot = RunPlot {
        title: "6 key cups, nickel 8 µm",
        readings: &readings,
        stages: &[
            stage(0.0, "running", "ramp"),
            stage(20.0, "running", "steady"),
            stage(900.0, "held", "off"),
            stage(960.0, "running", "steady"),
            stage(1200.0, "running", "turn"),
            stage(1290.0, "running", "steady"),
        ],
        marks: &[Mark { seconds: 1400.2, number: 1 }],
        end: 2400.0,
    };
    run(&plot, paper)
}

#[test]
fn plot_of_a_long_run_is_small_and_keeps_its_one_peak() {
    let svg = picture(Paper::Page);
    well_formed(&svg);
    assert!(svg.len() < 150_000, "{} bytes", svg.len());
    let volts: Vec<&str> = svg.lines().filter(|l| l.contains("class=\"tp-volts\"")).collect();
    // Two stretches, for nothing was seen for a minute, and the sample in the caption.
    assert_eq!(volts.len(), 3, "{volts:?}");
    let heights = |line: &str| -> Vec<f64> {
        let d = line.split("d=\"").nth(1).unwrap().split('"').next().unwrap();
        d.split(['M', 'L']).filter_map(|p| p.split_once(' ')?.1.parse().ok()).collect()
    };
    let second = heights(volts[1]);
    let (least, most) = second.iter().fold((f64::MAX, f64::MIN), |(a, b), y| (a.min(*y), b.max(*y)));
    assert!(most - least > 25.0, "the peak of 2.3 V is gone: {least} to {most}");
    assert!(second.len() <= MOST_POINTS + 4);
}

#[test]
fn plot_says_to_a_screen_reader_what_it_shows_and_has_no_id() {
    let svg = picture(Paper::Page);
    assert!(svg.contains("<title>6 key cups, nickel 8 µm</title>"));
    assert!(
        svg.contains(
            "Held from 15.0 min to 16.0 min. Turning from 20.0 min to 21.5 min. Alarm 1 at 23.3 min."
        )
    );
    assert!(svg.contains("role=\"img\"") && !svg.contains(" id=") && !svg.contains("#"), "an id or a colour");
    for class in ["tp-held", "tp-turn", "tp-alarm", "tp-setpoint", "tp-ceiling", "tp-charge", "tp-bath"] {
        assert!(svg.contains(&format!("class=\"{class}\"")), "{class}");
    }
    // Setpoint against current, ceiling against volts: told apart without colour.
    let dashes = |class: &str| svg.lines().any(|l| l.contains(class) && l.contains("stroke-dasharray"));
    assert!(dashes("tp-setpoint") && dashes("tp-ceiling") && !dashes("tp-volts") && !dashes("tp-amperes"));
}

#[test]
fn title_from_a_person_cannot_break_out() {
    let evil = "</title><script>alert(1)</script>\"'&\u{1}";
    let side = Side { name: evil, readings: &long() };
    let bar = [Bar { label: evil.into(), value: 1.0 }];
    let point = [Point { day: evil.into(), value: 1.0 }];
    for svg in [
        run(&RunPlot { title: evil, readings: &[], stages: &[], marks: &[], end: 0.0 }, Paper::Phone),
        compare(evil, side, side, Paper::Phone),
        bars(evil, evil, &bar, Paper::Phone),
        trend(evil, evil, &point, None),
    ] {
        well_formed(&svg);
        assert!(!svg.contains("<script") && !svg.contains('\u{1}'));
        well_formed(&standalone(&svg));
    }
}

#[test]
fn nothing_one_reading_and_strange_numbers_are_drawn_all_the_same() {
    let odd = [reading(f64::NAN, f64::INFINITY, f64::NAN), reading(1.0, -3.0, 1e9)];
    for readings in [&[][..], &[reading(0.0, 0.0, 0.0)][..], &odd[..]] {
        well_formed(&run(
            &RunPlot { title: "t", readings, stages: &[], marks: &[], end: f64::NAN },
            Paper::Half,
        ));
    }
    well_formed(&bars("t", "A·h", &[], Paper::Page));
    well_formed(&trend("t", "g/L", &[], Some((1.0, 2.0))));
}

#[test]
fn a_phone_has_every_panel_on_its_width_and_no_word_beyond_its_edge() {
    let (page, phone, half) = (picture(Paper::Page), picture(Paper::Phone), picture(Paper::Half));
    for name in ["volts (V)", "amperes (A)", "charge (A·min)", "bath (°C)"] {
        assert!(page.contains(name) && phone.contains(name), "{name}");
    }
    assert!(!half.contains("charge (") && !half.contains("bath ("), "{half}");
    assert!(phone.contains("viewBox=\"0 0 380 "), "{phone}");
    let attribute = |line: &str, name: &str| -> Option<f64> {
        line.split_once(&format!(" {name}=\""))?.1.split('"').next()?.parse().ok()
    };
    for line in phone.lines().filter(|l| l.starts_with("<text")) {
        let x = attribute(line, "x").expect("every text has a place");
        assert!((0.0..380.0).contains(&x), "{line}");
    }
    let days: Vec<_> =
        (1..=31).map(|d| Bar { label: format!("2026-03-{d:02}"), value: f64::from(d) }).collect();
    let labels = |svg: &str| svg.lines().filter(|l| l.starts_with("<text") && l.contains("2026-03-")).count();
    let (wide, narrow) = (bars("t", "A·h", &days, Paper::Page), bars("t", "A·h", &days, Paper::Phone));
    assert!(labels(&narrow) > 1 && labels(&narrow) < labels(&wide), "{narrow}");
}

#[test]
fn charge_of_the_picture_is_the_trapezoid_and_adds_nothing_over_a_gap() {
    let rows =
        [reading(0.0, 3.0, 1.0), reading(1.0, 3.0, 3.0), reading(61.0, 3.0, 3.0), reading(62.0, 3.0, 3.0)];
    assert_eq!(charge_of(&rows).last().unwrap().1, 2.0 + 3.0);
}

#[test]
fn bars_and_trend_show_every_value_and_the_window() {
    let points = [("2026-01-05", 62.0), ("2026-02-09", 58.5), ("2026-03-20T10:00:00Z", 64.0)]
        .map(|(day, value)| Point { day: day.into(), value });
    let svg = trend("nickel metal", "g/L", &points, Some((55.0, 70.0)));
    well_formed(&svg);
    assert_eq!(svg.matches("<circle").count(), 3);
    assert_eq!(svg.matches("tp-window").count(), 2);
    assert!(svg.contains("2026-02-09: 58.5 g/L") && svg.contains("The window is 55 to 70 g/L."), "{svg}");
    let months: Vec<_> =
        (1..=12).map(|m| Bar { label: format!("2026-{m:02}"), value: f64::from(m) * 1.7 }).collect();
    let svg = bars("tank nickel", "A·h", &months, Paper::Page);
    well_formed(&svg);
    assert_eq!(svg.matches("class=\"tp-bar\"").count(), 12);
    assert!(svg.contains("2026-12: 20.4 A·h"), "{svg}");
}
