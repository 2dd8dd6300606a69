//! The paper: what the charting library draws becomes SVG that a page can restyle.
//!
//! Every element has a class of its own and takes its colour from `currentColor`, so that one drawing does for light,
//! dark and paper. Traces differ by dashes, so that they do without colour. Nothing has an id: two plots may stand on
//! one page.

use plotters::prelude::{DrawingBackend, RGBColor, ShapeStyle, TextStyle};
use plotters::style::{Color, FontFamily, IntoFont, IntoTextStyle};
use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingErrorKind};
use std::convert::Infallible;
use std::fmt::Write;

/// The library counts in whole units; ten of them are one of the picture's, so that lines stay fine.
pub(super) const FINE: i32 = 10;
/// Height of all text, in the picture's units.
pub(super) const TEXT: i32 = 11;

/// What is drawn; each has its class, dashes and weight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum Ink {
    Axis,
    Grid,
    Text,
    Volts,
    Ceiling,
    Amps,
    Setpoint,
    Charge,
    Bath,
    Other,
    Held,
    Turn,
    Alarm,
    Bar,
    Window,
    Value,
}

impl Ink {
    const ALL: [Ink; 16] = [
        Ink::Axis,
        Ink::Grid,
        Ink::Text,
        Ink::Volts,
        Ink::Ceiling,
        Ink::Amps,
        Ink::Setpoint,
        Ink::Charge,
        Ink::Bath,
        Ink::Other,
        Ink::Held,
        Ink::Turn,
        Ink::Alarm,
        Ink::Bar,
        Ink::Window,
        Ink::Value,
    ];

    /// The library carries a colour through; ours is the place in [`Ink::ALL`].
    fn code(self) -> RGBColor {
        RGBColor(self as u8, 0, 0)
    }

    fn of(color: BackendColor) -> Ink {
        Ink::ALL.get(usize::from(color.rgb.0)).copied().unwrap_or(Ink::Axis)
    }

    /// For lines.
    pub fn line(self) -> ShapeStyle {
        Color::stroke_width(&self.code(), 1)
    }

    /// For areas.
    pub fn area(self) -> ShapeStyle {
        self.code().filled()
    }

    /// For text.
    pub fn text(self) -> TextStyle<'static> {
        (FontFamily::SansSerif, TEXT * FINE).into_font().color(&self.code()).into_text_style(&(1, 1))
    }

    fn class(self) -> &'static str {
        match self {
            Ink::Axis => "tp-axis",
            Ink::Grid => "tp-grid",
            Ink::Text => "tp-text",
            Ink::Volts => "tp-volts",
            Ink::Ceiling => "tp-ceiling",
            Ink::Amps => "tp-amperes",
            Ink::Setpoint => "tp-setpoint",
            Ink::Charge => "tp-charge",
            Ink::Bath => "tp-bath",
            Ink::Other => "tp-other",
            Ink::Held => "tp-held",
            Ink::Turn => "tp-turn",
            Ink::Alarm => "tp-alarm",
            Ink::Bar => "tp-bar",
            Ink::Window => "tp-window",
            Ink::Value => "tp-value",
        }
    }

    fn stroke(self) -> &'static str {
        match self {
            Ink::Grid => r#"stroke-width="0.5" stroke-opacity="0.2""#,
            Ink::Axis => r#"stroke-width="0.8" stroke-opacity="0.6""#,
            Ink::Setpoint => r#"stroke-width="1" stroke-dasharray="6 3""#,
            Ink::Ceiling | Ink::Window => r#"stroke-width="1" stroke-dasharray="1.5 2.5""#,
            Ink::Other => r#"stroke-width="1.2" stroke-dasharray="5 2 1 2""#,
            Ink::Alarm => r#"stroke-width="0.9" stroke-dasharray="2 2""#,
            _ => r#"stroke-width="1.2" stroke-linejoin="round""#,
        }
    }

    fn opacity(self) -> &'static str {
        match self {
            Ink::Held => "0.20",
            Ink::Turn => "0.10",
            Ink::Bar => "0.55",
            _ => "1",
        }
    }
}

/// An SVG that is being drawn into a string.
pub(super) struct Sheet<'a> {
    out: &'a mut String,
    size: (u32, u32),
}

impl<'a> Sheet<'a> {
    /// So many units of the picture wide and high.
    pub fn new(out: &'a mut String, width: u32, height: u32) -> Sheet<'a> {
        let fine = FINE.unsigned_abs();
        Sheet { out, size: (width * fine, height * fine) }
    }

    fn element(&mut self, text: std::fmt::Arguments<'_>) {
        // Writing to a string cannot fail.
        let _ = self.out.write_fmt(text);
    }
}

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

fn unit(fine: i32) -> f64 {
    f64::from(fine) / f64::from(FINE)
}

impl DrawingBackend for Sheet<'_> {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        self.size
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    /// Nothing here is drawn by single points.
    fn draw_pixel(&mut self, _: BackendCoord, _: BackendColor) -> Drawn {
        Ok(())
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        a: BackendCoord,
        b: BackendCoord,
        style: &S,
        fill: bool,
    ) -> Drawn {
        if !fill {
            return self.draw_path([a, (b.0, a.1), b, (a.0, b.1), a], style);
        }
        if style.color().alpha > 0.0 {
            let ink = Ink::of(style.color());
            self.element(format_args!(
                "<rect class=\"{}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"currentColor\" fill-opacity=\"{}\"/>\n",
                ink.class(),
                unit(a.0.min(b.0)),
                unit(a.1.min(b.1)),
                unit((b.0 - a.0).abs()),
                unit((b.1 - a.1).abs()),
                ink.opacity()
            ));
        }
        Ok(())
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Drawn {
        if style.color().alpha == 0.0 {
            return Ok(());
        }
        let ink = Ink::of(style.color());
        self.element(format_args!("<path class=\"{}\" d=\"", ink.class()));
        for (k, (x, y)) in path.into_iter().enumerate() {
            self.element(format_args!("{}{} {}", if k == 0 { 'M' } else { 'L' }, unit(x), unit(y)));
        }
        self.element(format_args!("\" fill=\"none\" stroke=\"currentColor\" {}/>\n", ink.stroke()));
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(
        &mut self,
        at: BackendCoord,
        radius: u32,
        style: &S,
        _fill: bool,
    ) -> Drawn {
        let ink = Ink::of(style.color());
        self.element(format_args!(
            "<circle class=\"{}\" cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"currentColor\"/>\n",
            ink.class(),
            unit(at.0),
            unit(at.1),
            f64::from(radius) / f64::from(FINE)
        ));
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        points: I,
        style: &S,
    ) -> Drawn {
        let ink = Ink::of(style.color());
        self.element(format_args!("<path class=\"{}\" d=\"", ink.class()));
        for (k, (x, y)) in points.into_iter().enumerate() {
            self.element(format_args!("{}{} {}", if k == 0 { 'M' } else { 'L' }, unit(x), unit(y)));
        }
        self.element(format_args!("Z\" fill=\"currentColor\" fill-opacity=\"{}\"/>\n", ink.opacity()));
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, at: BackendCoord) -> Drawn {
        let size = style.size() / f64::from(FINE);
        let anchor = match style.anchor().h_pos {
            HPos::Left => "start",
            HPos::Center => "middle",
            HPos::Right => "end",
        };
        // Where the line of writing lies, in parts of the letters' height.
        let down = match style.anchor().v_pos {
            VPos::Top => 0.8,
            VPos::Center => 0.35,
            VPos::Bottom => -0.2,
        };
        let ink = Ink::of(style.color());
        self.element(format_args!(
            "<text class=\"{}\" x=\"{}\" y=\"{:.1}\" font-size=\"{size}\" text-anchor=\"{anchor}\" fill=\"currentColor\">{}</text>\n",
            ink.class(),
            unit(at.0),
            unit(at.1) + down * size,
            super::escape(text)
        ));
        Ok(())
    }

    /// No font is at hand: letters of a sans-serif are about 0.55 of their height wide.
    fn estimate_text_size<S: BackendTextStyle>(
        &self,
        text: &str,
        style: &S,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let wide = text.chars().count() as f64 * style.size() * 0.55;
        Ok((wide.round() as u32, style.size().round() as u32))
    }
}
