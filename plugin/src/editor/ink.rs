//! Ink on paper: the colours of the sheet, and which line stands for which surface.

use egui::Color32;
use rostra_dsp::acoustics::Surface;

/// The colours of a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink {
    /// The paper.
    pub paper: Color32,
    /// Cut surfaces and fields that take figures.
    pub shade: Color32,
    /// Lines and text.
    pub line: Color32,
    /// Less important lines and text.
    pub faint: Color32,
    /// What a hand can take hold of.
    pub grip: Color32,
    /// Something to heed.
    pub notice: Color32,
    surfaces: [Color32; 5],
}

/// The light sheet: dark brown ink on warm paper.
///
/// The colours of the surfaces are Okabe and Ito's (2008), chosen by them to be
/// told apart by colour-blind people, a little darkened for lines on paper.
pub const DAY: Ink = Ink {
    paper: Color32::from_rgb(0xf5, 0xee, 0xdf),
    shade: Color32::from_rgb(0xe9, 0xdf, 0xca),
    line: Color32::from_rgb(0x2d, 0x26, 0x20),
    faint: Color32::from_rgb(0x7d, 0x71, 0x62),
    grip: Color32::from_rgb(0x8a, 0x2f, 0x1d),
    notice: Color32::from_rgb(0xa8, 0x3a, 0x00),
    surfaces: [
        Color32::from_rgb(0x9a, 0x66, 0x00),
        Color32::from_rgb(0x00, 0x62, 0xa0),
        Color32::from_rgb(0xb8, 0x4c, 0x00),
        Color32::from_rgb(0x00, 0x7d, 0x5c),
        Color32::from_rgb(0x6d, 0x62, 0x70),
    ],
};

/// The dark sheet: warm light ink on dark paper.
pub const DARK: Ink = Ink {
    paper: Color32::from_rgb(0x23, 0x1f, 0x1b),
    shade: Color32::from_rgb(0x33, 0x2d, 0x27),
    line: Color32::from_rgb(0xea, 0xdf, 0xcd),
    faint: Color32::from_rgb(0xa3, 0x96, 0x85),
    grip: Color32::from_rgb(0xf0, 0x8c, 0x6c),
    notice: Color32::from_rgb(0xff, 0xa1, 0x4a),
    surfaces: [
        Color32::from_rgb(0xe6, 0xb0, 0x3c),
        Color32::from_rgb(0x6c, 0xbb, 0xea),
        Color32::from_rgb(0xf0, 0x84, 0x40),
        Color32::from_rgb(0x3f, 0xc2, 0x9b),
        Color32::from_rgb(0xb9, 0xad, 0xbc),
    ],
};

/// Returns a surface's line: lengths of dashes and gaps by turns, at a scale of 1; empty for a whole line.
pub(super) const fn line(surface: Surface) -> &'static [f32] {
    match surface {
        Surface::Floor => &[],
        Surface::Canopy => &[7.0, 3.0],
        Surface::Rear => &[1.6, 2.4],
        Surface::Sides => &[9.0, 2.5, 1.6, 2.5],
        Surface::Several => &[3.0, 4.0],
    }
}

impl Ink {
    /// Returns the colour of a surface.
    pub(super) const fn surface(&self, surface: Surface) -> Color32 {
        self.surfaces[surface as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast ratio of WCAG 2.1, from the recommendation's definitions.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let luminance = |colour: Color32| {
            let linear = |c: u8| {
                let c = f64::from(c) / 255.0;
                if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * linear(colour.r()) + 0.7152 * linear(colour.g()) + 0.0722 * linear(colour.b())
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_and_lines_stand_out_from_the_paper() {
        for ink in [DAY, DARK] {
            // WCAG 2.1: 4.5 for text, 3 for graphics.
            for text in [ink.line, ink.grip, ink.notice] {
                assert!(contrast(text, ink.paper) >= 4.5 && contrast(text, ink.shade) >= 4.5);
            }
            assert!(contrast(ink.faint, ink.paper) >= 4.0);
            for surface in Surface::ALL {
                let got = contrast(ink.surface(surface), ink.paper);
                assert!(got >= 3.0, "{}: {got}", surface.name());
            }
        }
    }

    #[test]
    fn no_two_surfaces_have_the_same_line() {
        for (i, a) in Surface::ALL.iter().enumerate() {
            for b in &Surface::ALL[..i] {
                assert!(line(*a) != line(*b));
            }
        }
    }
}
