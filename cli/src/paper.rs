//! Ink on warm paper: lines, marks and letters, drawn twice as large and smoothed down to a PNG.

use std::path::Path;
use std::sync::Once;

use anyhow::{Context as _, Result, anyhow};
use image::{ImageFormat, RgbImage, imageops};
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontStyle, FontTransform, register_font};

use crate::recording::write_whole;

/// Warm paper.
pub(crate) const PAPER: RGBColor = RGBColor(0xF7, 0xF1, 0xE5);
/// The part of the paper that a panel covers.
pub(crate) const PANEL: RGBColor = RGBColor(0xFC, 0xF9, 0xF2);
/// Ink for letters and what matters most.
pub(crate) const INK: RGBColor = RGBColor(0x2B, 0x26, 0x22);
/// Thinned ink for grids and second thoughts.
pub(crate) const FAINT: RGBColor = RGBColor(0xC9, 0xBF, 0xAE);
/// Ink for words that are not read first.
pub(crate) const GREY: RGBColor = RGBColor(0x77, 0x6D, 0x60);

/// Colours that stay apart for colour-blind readers (Okabe and Ito 2008, from memory).
pub(crate) const BLUE: RGBColor = RGBColor(0x00, 0x72, 0xB2);
/// See [`BLUE`].
pub(crate) const VERMILION: RGBColor = RGBColor(0xD5, 0x5E, 0x00);
/// See [`BLUE`].
pub(crate) const GREEN: RGBColor = RGBColor(0x00, 0x9E, 0x73);
/// See [`BLUE`].
pub(crate) const AMBER: RGBColor = RGBColor(0xC2, 0x82, 0x00);
/// A path that meets several surfaces; the grey that the editor's sheet has for it.
pub(crate) const MIXED: RGBColor = RGBColor(0x6D, 0x62, 0x70);

/// A line's pattern: lengths of dash and gap in turn, in points; empty is solid.
pub(crate) type Pattern = &'static [f64];
/// See [`Pattern`].
pub(crate) const SOLID: Pattern = &[];
/// See [`Pattern`].
pub(crate) const DASHED: Pattern = &[9.0, 5.0];
/// See [`Pattern`].
pub(crate) const DOTTED: Pattern = &[2.0, 4.0];
/// See [`Pattern`].
pub(crate) const DASH_DOT: Pattern = &[9.0, 4.0, 2.0, 4.0];
/// See [`Pattern`].
pub(crate) const SHORT_DASHES: Pattern = &[4.0, 3.0];

/// How a line is drawn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pen {
    /// Colour.
    pub(crate) colour: RGBColor,
    /// Width, points.
    pub(crate) width: f64,
    /// Pattern.
    pub(crate) pattern: Pattern,
}

impl Pen {
    /// A solid line.
    pub(crate) const fn solid(colour: RGBColor, width: f64) -> Self {
        Self { colour, width, pattern: SOLID }
    }

    /// The same line in another pattern.
    pub(crate) const fn with(self, pattern: Pattern) -> Self {
        Self { pattern, ..self }
    }
}

/// Which part of a text stands at its place.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Anchor {
    /// Left end, middle height.
    Left,
    /// Right end, middle height.
    Right,
    /// Middle of the upper edge.
    Top,
    /// Middle of the lower edge.
    Bottom,
    /// Centre.
    Centre,
    /// Centre, turned to read upwards.
    Upwards,
}

/// How often a point is drawn across before it is smoothed.
const SMOOTHING: u32 = 2;
/// Name under which the typeface is registered.
const TYPEFACE: &str = "lettering";

/// A sheet being drawn; all places and lengths are in points from the upper left corner.
pub(crate) struct Sheet<'a> {
    area: DrawingArea<BitMapBackend<'a>, Shift>,
}

/// Draws a sheet of `width` by `height` points and writes it as PNG: whole or not at all.
///
/// # Errors
/// When the drawing fails or the file cannot be written.
pub(crate) fn draw(path: &Path, size: (u32, u32), drawing: impl FnOnce(&Sheet) -> Result<()>) -> Result<()> {
    write(path, &drawn(size, drawing)?)
}

/// Writes a picture as PNG: whole or not at all.
///
/// # Errors
/// When it cannot be coded or the file cannot be written.
pub(crate) fn write(path: &Path, picture: &RgbImage) -> Result<()> {
    let mut coded = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut coded, ImageFormat::Png).context("the picture cannot be encoded")?;
    write_whole(path, coded.get_ref())
}

/// Draws a sheet of `width` by `height` points.
///
/// # Errors
/// When the drawing fails.
pub(crate) fn drawn(
    (width, height): (u32, u32),
    drawing: impl FnOnce(&Sheet) -> Result<()>,
) -> Result<RgbImage> {
    letter();
    let (wide, high) = (width * SMOOTHING, height * SMOOTHING);
    let mut pixels = vec![0_u8; wide as usize * high as usize * 3];
    {
        let area = BitMapBackend::with_buffer(&mut pixels, (wide, high)).into_drawing_area();
        area.fill(&PAPER).map_err(drawing_error)?;
        drawing(&Sheet { area })?;
    }
    let large = RgbImage::from_raw(wide, high, pixels).ok_or_else(|| anyhow!("the picture has no pixels"))?;
    Ok(imageops::resize(&large, width, height, imageops::FilterType::Triangle))
}

/// Registers the typeface, once.
fn letter() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // PANIC: the bytes are a whole typeface that the crate carries; every picture needs it.
        assert!(
            register_font(TYPEFACE, FontStyle::Normal, epaint_default_fonts::UBUNTU_LIGHT).is_ok(),
            "the typeface is readable"
        );
    });
}

fn drawing_error(error: impl std::fmt::Display) -> anyhow::Error {
    anyhow!("the picture could not be drawn: {error}")
}

impl Sheet<'_> {
    /// Draws a line through points.
    pub(crate) fn line(&self, points: &[(f64, f64)], pen: Pen) -> Result<()> {
        if pen.pattern.is_empty() {
            return self.stroke(points, pen);
        }
        dashes(points, pen.pattern).iter().try_for_each(|dash| self.stroke(dash, pen))
    }

    fn stroke(&self, points: &[(f64, f64)], pen: Pen) -> Result<()> {
        let width = (pen.width * f64::from(SMOOTHING)).round().max(1.0) as u32;
        let style = ShapeStyle { color: pen.colour.to_rgba(), filled: false, stroke_width: width };
        let points: Vec<(i32, i32)> = points.iter().map(|&point| pixel(point)).collect();
        self.area.draw(&PathElement::new(points, style)).map_err(drawing_error)
    }

    /// Fills a rectangle between two corners.
    pub(crate) fn fill(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor) -> Result<()> {
        self.area.draw(&Rectangle::new([pixel(from), pixel(to)], colour.filled())).map_err(drawing_error)
    }

    /// Draws a dot.
    pub(crate) fn dot(&self, at: (f64, f64), radius: f64, colour: RGBColor) -> Result<()> {
        let radius = (radius * f64::from(SMOOTHING)).round() as i32;
        self.area.draw(&Circle::new(pixel(at), radius, colour.filled())).map_err(drawing_error)
    }

    /// Writes a text.
    pub(crate) fn text(
        &self,
        text: &str,
        at: (f64, f64),
        size: f64,
        anchor: Anchor,
        colour: RGBColor,
    ) -> Result<()> {
        let (horizontal, vertical, turn) = match anchor {
            Anchor::Left => (HPos::Left, VPos::Center, FontTransform::None),
            Anchor::Right => (HPos::Right, VPos::Center, FontTransform::None),
            Anchor::Top => (HPos::Center, VPos::Top, FontTransform::None),
            Anchor::Bottom => (HPos::Center, VPos::Bottom, FontTransform::None),
            Anchor::Centre => (HPos::Center, VPos::Center, FontTransform::None),
            Anchor::Upwards => (HPos::Center, VPos::Center, FontTransform::Rotate270),
        };
        let style = (TYPEFACE, size * f64::from(SMOOTHING))
            .into_text_style(&self.area)
            .color(&colour)
            .pos(Pos::new(horizontal, vertical))
            .transform(turn);
        self.area.draw(&Text::new(text.to_owned(), pixel(at), style)).map_err(drawing_error)
    }
}

fn pixel((x, y): (f64, f64)) -> (i32, i32) {
    let scale = f64::from(SMOOTHING);
    ((x * scale).round() as i32, (y * scale).round() as i32)
}

/// Cuts a line into its dashes.
fn dashes(points: &[(f64, f64)], pattern: Pattern) -> Vec<Vec<(f64, f64)>> {
    let mut made = Vec::new();
    let mut lengths = pattern.iter().copied().cycle().zip([true, false].into_iter().cycle());
    let Some((mut left, mut is_drawn)) = lengths.next() else { return vec![points.to_vec()] };
    let mut dash = points.first().copied().into_iter().collect::<Vec<_>>();
    for leg in points.windows(2) {
        let ((x0, y0), (x1, y1)) = (leg[0], leg[1]);
        let length = (x1 - x0).hypot(y1 - y0);
        let mut gone = 0.0;
        while gone + left < length {
            gone += left;
            let share = gone / length;
            let corner = (x0 + (x1 - x0) * share, y0 + (y1 - y0) * share);
            dash.push(corner);
            if is_drawn {
                made.push(std::mem::take(&mut dash));
            }
            dash = vec![corner];
            if let Some(next) = lengths.next() {
                (left, is_drawn) = next;
            }
        }
        left -= length - gone;
        dash.push((x1, y1));
    }
    if is_drawn && dash.len() > 1 {
        made.push(dash);
    }
    made
}

/// A panel with straight scales.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Panel {
    /// Upper left corner, points.
    pub(crate) from: (f64, f64),
    /// Lower right corner, points.
    pub(crate) to: (f64, f64),
    /// Values at the left and right edge.
    pub(crate) x: (f64, f64),
    /// Values at the lower and upper edge.
    pub(crate) y: (f64, f64),
}

impl Panel {
    /// Returns the place of a pair of values.
    pub(crate) fn place(&self, x: f64, y: f64) -> (f64, f64) {
        let share = |value: f64, (low, high): (f64, f64)| (value - low) / (high - low);
        (
            self.from.0 + (self.to.0 - self.from.0) * share(x, self.x),
            self.to.1 - (self.to.1 - self.from.1) * share(y, self.y),
        )
    }

    /// Returns the place of a pair of values, brought to the nearest edge.
    pub(crate) fn place_inside(&self, x: f64, y: f64) -> (f64, f64) {
        let within = |value: f64, (a, b): (f64, f64)| value.clamp(a.min(b), a.max(b));
        self.place(within(x, self.x), within(y, self.y))
    }

    /// Draws the panel's ground, a grid at the given values, and their numbers.
    pub(crate) fn grid(&self, sheet: &Sheet, x: &[f64], y: &[f64], numbers: (bool, bool)) -> Result<()> {
        sheet.fill(self.from, self.to, PANEL)?;
        let thin = Pen::solid(FAINT, 0.5);
        for &value in x {
            let (at, _) = self.place(value, self.y.0);
            sheet.line(&[(at, self.from.1), (at, self.to.1)], thin)?;
            if numbers.0 {
                sheet.text(&short(value), (at, self.to.1 + 5.0), 13.0, Anchor::Top, GREY)?;
            }
        }
        for &value in y {
            let (_, at) = self.place(self.x.0, value);
            sheet.line(&[(self.from.0, at), (self.to.0, at)], thin)?;
            if numbers.1 {
                sheet.text(&short(value), (self.from.0 - 7.0, at), 13.0, Anchor::Right, GREY)?;
            }
        }
        let edge = Pen::solid(INK, 1.0);
        sheet.line(&[(self.from.0, self.from.1), (self.from.0, self.to.1), self.to], edge)
    }
}

/// Returns a number without needless zeros, with a true minus sign.
pub(crate) fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.replace('-', "\u{2212}") }
}

/// Returns the multiples of a round step within a range, about `count` of them.
pub(crate) fn round_steps(low: f64, high: f64, count: f64) -> Vec<f64> {
    let raw = (high - low) / count;
    let decade = 10_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * decade).into_iter().find(|&s| s >= raw).unwrap_or(raw);
    let slack = step * 1e-6;
    ((low / step - slack).ceil() as i64..=(high / step + slack).floor() as i64)
        .map(|n| n as f64 * step)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dashes_follow_the_pattern_round_corners() {
        let made = dashes(&[(0.0, 0.0), (10.0, 0.0), (10.0, 4.0)], &[5.0, 3.0]);
        assert_eq!(made.len(), 2);
        assert_eq!(made[0], [(0.0, 0.0), (5.0, 0.0)]);
        assert_eq!(made[1], [(8.0, 0.0), (10.0, 0.0), (10.0, 3.0)]);
    }

    #[test]
    fn steps_are_round() {
        assert_eq!(round_steps(0.0, 60.0, 6.0), [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]);
        assert_eq!(round_steps(-9.0, 9.0, 9.0), [-8.0, -6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0]);
    }

    #[test]
    fn a_picture_carries_its_ink() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.png");
        draw(&path, (120, 80), |sheet| {
            sheet.text("Depth 5 m", (60.0, 40.0), 16.0, Anchor::Top, INK)?;
            sheet.line(&[(10.0, 10.0), (110.0, 10.0)], Pen::solid(BLUE, 2.0).with(DASHED))
        })
        .unwrap();
        let picture = image::open(&path).unwrap().to_rgb8();
        let dark = picture.pixels().filter(|pixel| pixel.0.iter().all(|&value| value < 128)).count();
        assert!(dark > 20, "only {dark} dark points: is the text there?");
    }
}
