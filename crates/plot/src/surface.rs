//! Drawing primitives on either backend, in px. Both get the same integer device coordinates, four
//! to a px: the SVG through its view box, the PNG by averaging 2 by 2 device pixels.

use std::sync::OnceLock;

use ab_glyph::{Font, FontRef, ScaleFont};
use plotters::prelude::{
    BitMapBackend, Color, DrawingBackend, FontFamily, FontStyle, IntoFont, RGBColor, SVGBackend,
    ShapeStyle,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::geometry::Point;
use crate::{PlotError, Size};

/// Device units per px.
const FINE: f64 = 4.0;
/// Device units per pixel of the PNG, each way.
const PNG_BLOCK: usize = 2;
/// The first name has the metrics that the layout was computed with.
const FAMILY: &str = "DejaVu Sans, sans-serif";

pub(crate) type Rgb = [u8; 3];

fn failed(error: impl std::fmt::Display) -> PlotError {
    PlotError::Drawing(error.to_string())
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Weight {
    Regular,
    Bold,
}

#[derive(Clone, Copy)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// Size, weight and colour of a text. The size is that of the em, px.
#[derive(Clone, Copy)]
pub(crate) struct Type {
    pub em: f64,
    pub weight: Weight,
    pub rgb: Rgb,
}

/// The fonts, parsed once.
fn font(weight: Weight) -> Result<&'static FontRef<'static>, PlotError> {
    static FONTS: OnceLock<[Option<FontRef<'static>>; 2]> = OnceLock::new();
    let [regular, bold] = FONTS.get_or_init(|| {
        [dejavu::sans::regular(), dejavu::sans::bold()].map(|b| FontRef::try_from_slice(b).ok())
    });
    let font = match weight {
        Weight::Regular => regular,
        Weight::Bold => bold,
    };
    font.as_ref().ok_or_else(|| failed("the font is damaged"))
}

/// Glyph scale for an em of that many pixels.
fn scale(font: &FontRef<'_>, em: f64) -> f32 {
    let units = font.units_per_em().unwrap_or(1.0);
    em as f32 * font.height_unscaled() / units
}

/// Each character with the pen position before it, and the advance of the whole text.
fn shape(text: &str, font: &FontRef<'_>, em: f64) -> (Vec<(char, f32)>, f32) {
    let scaled = font.as_scaled(scale(font, em));
    let (mut pen, mut before) = (0.0, None);
    let glyphs = text.chars().map(|c| {
        let id = scaled.glyph_id(c);
        pen += before.map_or(0.0, |b| scaled.kern(b, id));
        let at = pen;
        pen += scaled.h_advance(id);
        before = Some(id);
        (c, at)
    });
    (glyphs.collect(), pen)
}

/// Width of a text, px.
pub(crate) fn text_width(text: &str, kind: Type) -> Result<f64, PlotError> {
    Ok(f64::from(shape(text, font(kind.weight)?, kind.em).1))
}

enum Backend<'a> {
    Svg(SVGBackend<'a>),
    Bitmap(BitMapBackend<'a>),
}

/// Something to draw on.
pub(crate) struct Surface<'a>(Backend<'a>);

fn device((x, y): Point) -> (i32, i32) {
    ((x * FINE).round() as i32, (y * FINE).round() as i32)
}

fn stroke(rgb: Rgb, thickness: f64) -> ShapeStyle {
    let width = (thickness * FINE).round().max(1.0) as u32;
    let [r, g, b] = rgb;
    ShapeStyle::from(RGBColor(r, g, b)).stroke_width(width)
}

impl Surface<'_> {
    /// A line through the points.
    pub fn path(&mut self, points: &[Point], rgb: Rgb, thickness: f64) -> Result<(), PlotError> {
        let style = stroke(rgb, thickness);
        let mut points: Vec<_> = points.iter().copied().map(device).collect();
        points.dedup();
        match (&mut self.0, points.as_slice()) {
            (Backend::Svg(svg), [from, to]) => svg.draw_line(*from, *to, &style).map_err(failed),
            (Backend::Svg(svg), _) => svg.draw_path(points, &style).map_err(failed),
            (Backend::Bitmap(bitmap), _) => {
                // Segment by segment with round joints: the backend's own thick path is one polygon
                // filled even-odd, with holes wherever the path crosses itself.
                for pair in points.windows(2) {
                    bitmap.draw_line(pair[0], pair[1], &style).map_err(failed)?;
                }
                let joints = points.get(1..points.len().max(2) - 1).unwrap_or_default();
                let radius = style.stroke_width / 2;
                for joint in joints.iter().filter(|_| radius > 1) {
                    let filled = style.filled();
                    bitmap.draw_circle(*joint, radius, &filled, true).map_err(failed)?;
                }
                Ok(())
            }
        }
    }

    /// A filled polygon; `opacity` 0 to 1.
    pub fn polygon(&mut self, points: &[Point], rgb: Rgb, opacity: f64) -> Result<(), PlotError> {
        let points: Vec<_> = points.iter().copied().map(device).collect();
        let [r, g, b] = rgb;
        let style = RGBColor(r, g, b).mix(opacity).filled();
        match &mut self.0 {
            Backend::Svg(svg) => svg.fill_polygon(points, &style).map_err(failed),
            Backend::Bitmap(bitmap) => bitmap.fill_polygon(points, &style).map_err(failed),
        }
    }

    /// A circle, filled or (with a thickness) open.
    pub fn circle(
        &mut self,
        centre: Point,
        radius: f64,
        rgb: Rgb,
        thickness: Option<f64>,
    ) -> Result<(), PlotError> {
        let style = stroke(rgb, thickness.unwrap_or(0.0));
        let radius = (radius * FINE).round().max(1.0) as u32;
        let (centre, filled) = (device(centre), thickness.is_none());
        match &mut self.0 {
            Backend::Svg(svg) => svg.draw_circle(centre, radius, &style, filled).map_err(failed),
            Backend::Bitmap(bitmap) => {
                bitmap.draw_circle(centre, radius, &style, filled).map_err(failed)
            }
        }
    }

    /// A text on its baseline.
    pub fn text(
        &mut self,
        text: &str,
        baseline: Point,
        anchor: Anchor,
        kind: Type,
    ) -> Result<(), PlotError> {
        let [r, g, b] = kind.rgb;
        let color = RGBColor(r, g, b);
        let text = &clean(text);
        match &mut self.0 {
            Backend::Svg(svg) => {
                // The SVG backend divides the size by 1.24 and sets a top anchor 0.76 em lower.
                let em = kind.em * FINE;
                let (x, y) = device((baseline.0, baseline.1 - 0.76 * kind.em));
                let weight = match kind.weight {
                    Weight::Regular => FontStyle::Normal,
                    Weight::Bold => FontStyle::Bold,
                };
                let h_pos = match anchor {
                    Anchor::Start => HPos::Left,
                    Anchor::Middle => HPos::Center,
                    Anchor::End => HPos::Right,
                };
                let style = (FontFamily::Name(FAMILY), em * 1.24, weight)
                    .into_font()
                    .color(&color)
                    .pos(Pos::new(h_pos, VPos::Top));
                svg.draw_text(text, &style, (x, y)).map_err(failed)
            }
            Backend::Bitmap(bitmap) => {
                // The text drawing of the bitmap backend loses the side bearings of the glyphs.
                let font = font(kind.weight)?;
                let em = kind.em * FINE;
                let (glyphs, width) = shape(text, font, em);
                let width = f64::from(width) / FINE;
                let left = baseline.0
                    - match anchor {
                        Anchor::Start => 0.0,
                        Anchor::Middle => width / 2.0,
                        Anchor::End => width,
                    };
                let (x0, y0) = device((left, baseline.1));
                let (w, h) = bitmap.get_size();
                for (c, pen) in glyphs {
                    let at = ab_glyph::point(x0 as f32 + pen, y0 as f32);
                    let glyph = font.glyph_id(c);
                    let glyph = glyph.with_scale_and_position(scale(font, em), at);
                    let Some(outline) = font.outline_glyph(glyph) else {
                        continue;
                    };
                    let corner = outline.px_bounds().min;
                    outline.draw(|dx, dy, coverage| {
                        let (x, y) = (corner.x as i32 + dx as i32, corner.y as i32 + dy as i32);
                        if (0..w as i32).contains(&x) && (0..h as i32).contains(&y) {
                            let ink = color.mix(f64::from(coverage)).to_backend_color();
                            // Inside the buffer the in-memory backend cannot fail.
                            let _ = bitmap.draw_pixel((x, y), ink);
                        }
                    });
                }
                Ok(())
            }
        }
    }
}

fn device_size(size: Size) -> (u32, u32) {
    (size.width * FINE as u32, size.height * FINE as u32)
}

/// Runs `draw` on SVG and returns the document with its title and description.
pub(crate) fn svg(
    size: Size,
    title: &str,
    description: &str,
    draw: impl FnOnce(&mut Surface<'_>) -> Result<(), PlotError>,
) -> Result<String, PlotError> {
    let (w, h) = device_size(size);
    let mut body = String::new();
    {
        let mut surface = Surface(Backend::Svg(SVGBackend::with_string(&mut body, (w, h))));
        draw(&mut surface)?;
        if let Backend::Svg(svg) = &mut surface.0 {
            svg.present().map_err(failed)?;
        }
    }
    let start = body.find('>').map_or(0, |end| end + 1);
    let body = body[start..].replace(" opacity=\"1\"", "");
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" width=\"{}\" height=\"{}\" \
         viewBox=\"0 0 {w} {h}\" stroke-linejoin=\"round\">\n\
         <title>{}</title>\n<desc>{}</desc>{body}",
        size.width,
        size.height,
        escape(title),
        escape(description),
    ))
}

/// Runs `draw` on white paper and returns the bytes of a PNG file.
pub(crate) fn png(
    size: Size,
    draw: impl FnOnce(&mut Surface<'_>) -> Result<(), PlotError>,
) -> Result<Vec<u8>, PlotError> {
    let (w, h) = device_size(size);
    let mut fine = vec![255u8; w as usize * h as usize * 3];
    draw(&mut Surface(Backend::Bitmap(BitMapBackend::with_buffer(&mut fine, (w, h)))))?;
    let (width, height) = (w as usize / PNG_BLOCK, h as usize / PNG_BLOCK);
    let mut pixels = Vec::with_capacity(width * height * 3);
    for rows in fine.chunks_exact(w as usize * 3 * PNG_BLOCK) {
        let (upper, lower) = rows.split_at(w as usize * 3);
        for (u, l) in upper.chunks_exact(6).zip(lower.chunks_exact(6)) {
            for c in 0..3 {
                let sum = [u[c], u[c + 3], l[c], l[c + 3]].map(u16::from);
                pixels.push(((sum.iter().sum::<u16>() + 2) / 4) as u8);
            }
        }
    }
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, width as u32, height as u32);
    encoder.set_color(png::ColorType::Rgb);
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(&pixels).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(file)
}

/// The text on one line, without the characters that XML 1.0 forbids.
fn clean(text: &str) -> String {
    let forbidden = |c: char| c.is_control() || matches!(c, '\u{FFFE}' | '\u{FFFF}');
    text.replace(char::is_whitespace, " ").replace(forbidden, "")
}

fn escape(text: &str) -> String {
    clean(text).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
